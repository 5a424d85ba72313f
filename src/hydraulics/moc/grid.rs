//! One time step for all pipes: whole numbers of cells at Courant number one, but for pipes too short for any.
//!
//! Range: pipes of any length; the step is sought down to a 64th of the largest allowed, below that the network is refused.
//! Accuracy: no interpolation; a travel time is off by the adjustment that is told (0.5 % where that is to be had); what a
//! lumped pipe costs is told per pipe (`law_told_deviations_vanish_with_the_travel_time`,
//! `agrees_with_a_grid_that_resolves_the_short_pipe`).
//! Source: WS93, adjustment of wave speeds (from memory); the choice of the step is the project's own.

use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::spec::GridOptions;

/// How far below the largest allowed step the search goes.
const FINEST_SHARE: f64 = 1.0 / 64.0;
/// Steps down to this share of the largest are compared freely: at most twice the work for a better grid.
const FREE_SHARE: f64 = 0.5;
/// Trial steps between two bounds.
const TRIALS: u32 = 400;
/// Adjustments up to this are small against what a wave speed is known to: a longer step is then worth more.
const SMALL_ADJUSTMENT: f64 = 5.0e-3;
/// Of the steps with a small adjustment, those down to this share of the longest are compared.
const NEAR_SHARE: f64 = 0.9;
/// A pipe that may be lumped is, where its travel time is below this share of the step.
const LUMPED_SHARE: f64 = 0.5;
/// And where the longest pipe is cut into this many steps at least: a step too coarse for the line lumps nothing.
const LEAST_STEPS: f64 = 10.0;
/// Share by which a step may exceed the largest.
const ROUNDING: f64 = 1.0e-12;
/// Adjustments closer than this count as equal, and the larger step wins.
const EQUAL_ADJUSTMENT: f64 = 1.0e-9;

/// The chosen grid.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Grid {
    pub(crate) dt_s: f64,
    /// Cells of each pipe; none: it is lumped.
    pub(crate) cells: Vec<usize>,
    /// Largest relative change of a wave speed.
    pub(crate) adjustment: f64,
}

/// Choose the common step.
///
/// Equation: pipe i of travel time `tau_i = L/a` gets `n_i = round(tau_i/dt)` cells and the wave speed `L/(n_i dt)`, which
/// is off by `tau_i/(n_i dt) - 1`. Among steps between half the largest allowed and the largest: where some need an
/// adjustment of 0.5 % at most, the best within a tenth of the longest of these, otherwise the best of all; failing that,
/// the same with pipes lumped that are shorter than half the step (a tenth of the longest pipe at most); failing that, the
/// largest finer step, down to a 64th, whose adjustment is accepted.
pub(crate) fn choose(travels: &[Travel], options: &GridOptions) -> Result<Grid, (usize, f64, f64)> {
    if let Some(exact) = exact(travels, options.dt_max_s) {
        return Ok(exact);
    }
    let resolved: Vec<Travel> = travels.iter().map(|travel| Travel { lumped_up_to_s: 0.0, ..*travel }).collect();
    let longest_s = travels.iter().fold(0.0_f64, |longest_s, travel| longest_s.max(travel.time_s));
    let up_to_s = |travel: &Travel| travel.lumped_up_to_s.min(longest_s / LEAST_STEPS);
    let lumped: Vec<Travel> =
        travels.iter().map(|travel| Travel { lumped_up_to_s: up_to_s(travel), ..*travel }).collect();
    if let Some(grid) = free(&resolved, options).or_else(|| free(&lumped, options)) {
        return Ok(grid);
    }
    let shortest = options.dt_max_s * FINEST_SHARE;
    let finer = trials(&lumped, shortest, options.dt_max_s * FREE_SHARE);
    let fitting = finer.iter().filter(|dt_s| adjustment(&lumped, **dt_s) <= options.wave_speed_adjustment_max);
    let chosen = fitting.max_by(|a, b| a.total_cmp(b));
    chosen.map(|dt_s| lay(&lumped, *dt_s)).ok_or_else(|| {
        let last = best(&lumped, finer);
        (worst(&lumped, &last), last.adjustment, shortest)
    })
}

/// A pipe's travel time, and the longest step at which it may go without points of its own (0: at none).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Travel {
    pub(crate) time_s: f64,
    pub(crate) lumped_up_to_s: f64,
}

impl Travel {
    fn is_lumped(&self, dt_s: f64) -> bool {
        dt_s <= self.lumped_up_to_s && self.time_s < LUMPED_SHARE * dt_s
    }
}

/// The best step between half the largest allowed and the largest, if its adjustment is accepted.
fn free(travels: &[Travel], options: &GridOptions) -> Option<Grid> {
    let mut steps_s = trials(travels, options.dt_max_s * FREE_SHARE, options.dt_max_s);
    let small = SMALL_ADJUSTMENT.min(options.wave_speed_adjustment_max);
    let fit = steps_s.iter().filter(|dt_s| adjustment(travels, **dt_s) <= small);
    let longest_s = fit.fold(0.0_f64, |longest_s, dt_s| longest_s.max(*dt_s));
    steps_s.retain(|dt_s| *dt_s >= NEAR_SHARE * longest_s);
    Some(best(travels, steps_s)).filter(|free| free.adjustment <= options.wave_speed_adjustment_max)
}

/// For a single pipe, the longest step that fits it exactly, which is what the search below would find.
fn exact(travels: &[Travel], dt_max_s: f64) -> Option<Grid> {
    let [Travel { time_s: tau_s, .. }] = travels else { return None };
    let dt_s = tau_s / (tau_s / (dt_max_s * (1.0 + ROUNDING))).ceil().max(1.0);
    (dt_s >= dt_max_s * FREE_SHARE).then(|| best(travels, vec![dt_max_s, dt_s]))
}

pub(crate) fn no_common_step(
    pipe: String,
    travel_s: f64,
    found: (usize, f64, f64),
    options: &GridOptions,
) -> HydraulicsError {
    HydraulicsError::NoCommonStep {
        pipe,
        travel_s,
        dt_min_s: found.2,
        dt_max_s: options.dt_max_s,
        best_percent: 100.0 * found.1,
        allowed_percent: 100.0 * options.wave_speed_adjustment_max,
    }
}

/// Steps to try: evenly spaced, and every whole part of every travel time, which fits that pipe exactly (and may exceed
/// the bound by rounding only).
fn trials(travels: &[Travel], low_s: f64, high_s: f64) -> Vec<f64> {
    let rounded_s = high_s * (1.0 + ROUNDING);
    let even = (0..=TRIALS).map(|i| high_s - (high_s - low_s) * f64::from(i) / f64::from(TRIALS));
    let exact = travels.iter().flat_map(|Travel { time_s: tau_s, .. }| {
        let (first, last) = ((tau_s / rounded_s).ceil().max(1.0), (tau_s / low_s).floor());
        (0..TRIALS).map(move |k| first + f64::from(k)).take_while(move |n| *n <= last).map(move |n| tau_s / n)
    });
    even.chain(exact).filter(|dt_s| *dt_s >= low_s && *dt_s <= rounded_s).collect()
}

fn best(travels: &[Travel], trials: Vec<f64>) -> Grid {
    let mut best_s = trials.first().copied().unwrap_or(f64::MIN_POSITIVE);
    let mut least = adjustment(travels, best_s);
    for dt_s in trials {
        let off = adjustment(travels, dt_s);
        if off < least - EQUAL_ADJUSTMENT || (off <= least + EQUAL_ADJUSTMENT && dt_s > best_s) {
            (best_s, least) = (dt_s, off);
        }
    }
    lay(travels, best_s)
}

fn cells(tau_s: f64, dt_s: f64) -> usize {
    // Rounds: the quotient is positive.
    ((tau_s / dt_s + 0.5) as usize).max(1)
}

fn adjustment(travels: &[Travel], dt_s: f64) -> f64 {
    let resolved = travels.iter().filter(|travel| !travel.is_lumped(dt_s));
    resolved.fold(0.0, |worst, Travel { time_s, .. }| off_by(*time_s, cells(*time_s, dt_s), dt_s).max(worst))
}

fn lay(travels: &[Travel], dt_s: f64) -> Grid {
    let cells = |travel: &Travel| if travel.is_lumped(dt_s) { 0 } else { cells(travel.time_s, dt_s) };
    Grid { dt_s, cells: travels.iter().map(cells).collect(), adjustment: adjustment(travels, dt_s) }
}

fn off_by(tau_s: f64, cells: usize, dt_s: f64) -> f64 {
    (tau_s / (cells as f64 * dt_s) - 1.0).abs()
}

fn worst(travels: &[Travel], grid: &Grid) -> usize {
    let off = |i: &usize| off_by(travels[*i].time_s, grid.cells[*i].max(1), grid.dt_s);
    let resolved = (0..travels.len()).filter(|i| grid.cells[*i] > 0);
    resolved.max_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn travels(times_s: &[f64], may_lump: bool) -> Vec<Travel> {
        let lumped_up_to_s = if may_lump { f64::INFINITY } else { 0.0 };
        times_s.iter().map(|time_s| Travel { time_s: *time_s, lumped_up_to_s }).collect()
    }

    fn options(dt_max_s: f64) -> GridOptions {
        GridOptions { dt_max_s, wave_speed_adjustment_max: 0.15, ..GridOptions::default() }
    }

    #[test]
    fn accepts_a_single_pipe_without_adjustment() {
        let grid = choose(&travels(&[1.0], true), &options(1.0 / 256.0)).unwrap();
        assert_eq!(grid.cells, vec![256]);
        assert!(grid.adjustment < 1.0e-9, "adjustment {}", grid.adjustment);
    }

    #[test]
    fn keeps_every_wave_speed_within_the_limit() {
        let travel_s = [3.08e-3, 6.7e-3, 0.4, 0.9e-3];
        let grid = choose(&travels(&travel_s, true), &options(0.5e-3)).unwrap();
        assert!(grid.dt_s <= 0.5e-3 && grid.adjustment <= 0.15, "{grid:?}");
        for (tau_s, n) in travel_s.iter().zip(&grid.cells) {
            assert!(off_by(*tau_s, *n, grid.dt_s) <= grid.adjustment + 1.0e-15);
        }
    }

    #[test]
    fn goes_finer_for_a_pipe_shorter_than_the_step_that_may_not_be_lumped() {
        let grid = choose(&travels(&[0.05e-3, 0.1], false), &options(0.5e-3)).unwrap();
        assert!(grid.dt_s < 0.06e-3, "{grid:?}");
    }

    #[test]
    fn rejects_a_pipe_too_short_for_any_step() {
        let (worst, adjustment, _) = choose(&travels(&[0.1, 1.0e-7], false), &options(0.5e-3)).unwrap_err();
        assert_eq!(worst, 1);
        assert!(adjustment > 0.15);
    }

    #[test]
    fn lumps_a_pipe_shorter_than_half_the_step_and_never_the_longest() {
        let grid = choose(&travels(&[0.1, 1.0e-7, 0.05e-3], true), &options(0.5e-3)).unwrap();
        assert!(grid.dt_s > 0.49e-3 && grid.cells[1..] == [0, 0] && grid.cells[0] >= 200, "{grid:?}");
        let even = choose(&travels(&[0.1e-3, 0.12e-3], true), &options(0.5e-3)).unwrap();
        assert!(even.cells.iter().all(|cells| *cells > 0), "{even:?}");
        assert!(choose(&travels(&[1.0e-7, 2.0e-7], true), &options(0.5e-3)).is_err(), "too coarse for all");
    }
}

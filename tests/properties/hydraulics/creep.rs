//! A wall that gives slowly: steady states stay, ringing decays as the closed form says, volume balances.

use super::waves::{LENGTH_M, LEVEL_M, SHAFT, WAVE_M_S, closing_line, pipe};
use num_complex::Complex64;
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{CreepSpec, GridOptions, PipeSpec, Place};
use std::f64::consts::{PI, TAU};

/// Harmonics that leak into a window of one period, and steps that a period is not a whole number of.
const DECAY_TOLERANCE: f64 = 0.01;
/// Least order of convergence.
const LEAST_ORDER: f64 = 1.9;

fn creeping(share: f64, time_s: f64) -> PipeSpec {
    PipeSpec { creep: Some(CreepSpec { share, time_s }), ..pipe(Some(0.0)) }
}

/// The line running steadily; on the half grid a cell is stepped in two halves, and the plant by two of them.
fn running(pipe: PipeSpec, cells: usize, half_grid: bool) -> Plant<NoDrive> {
    let halves = if half_grid { 2.0 } else { 1.0 };
    let dt_max_s = LENGTH_M / WAVE_M_S / cells as f64 / halves;
    let options = GridOptions { dt_max_s, wave_speed_adjustment_max: 1.0e-6, half_grid, ..GridOptions::default() };
    Plant::started_at(&closing_line(pipe), &SHAFT, NoDrive, &options, 0.0).unwrap()
}

/// Growth per second of the fundamental of a line with a tank at one end and shut at the other.
///
/// Derivation: `H ~ exp(lambda t) cos(k x)`, `k = pi / 2L`, with storage `H + s` and `s = share H / (1 + lambda tau)`:
/// `lambda^2 (1 + share / (1 + lambda tau)) = -(a k)^2`.
fn closed_form(share: f64, time_s: f64) -> Complex64 {
    let elastic = Complex64::i() * (WAVE_M_S * PI / (2.0 * LENGTH_M));
    (0..500).fold(elastic, |growth, _| {
        let next = elastic / (1.0 + share / (1.0 + growth * time_s)).sqrt();
        0.5 * (growth + next)
    })
}

#[test]
fn agrees_with_closed_form_decay_of_a_creeping_line() {
    let period_s = 4.0 * LENGTH_M / WAVE_M_S;
    let cases = [(0.2, 0.1), (0.4, 0.2), (0.8, 0.2)].map(|case| [(case, false), (case, true)]);
    for ((share, delay), half_grid) in cases.into_iter().flatten() {
        let time_s = delay * period_s;
        let growth = closed_form(share, time_s);
        let mut plant = running(creeping(share, time_s), 200, half_grid);
        plant.set_opening(1, 0.0).unwrap();
        let window = (TAU / growth.im / plant.dt_s()).round() as usize;
        let mut amplitude = || -> f64 {
            let sum: Complex64 = (0..window)
                .map(|_| {
                    plant.advance().unwrap();
                    let head_m = plant.head_m(Place::Node(1)) - LEVEL_M;
                    head_m * Complex64::new(0.0, -growth.im * plant.time_s()).exp()
                })
                .sum();
            sum.norm()
        };
        (0..2).for_each(|_| {
            amplitude();
        });
        let (first, second) = (amplitude(), amplitude());
        let (got, expected) = ((second / first).ln(), growth.re * TAU / growth.im);
        let error = (got - expected).abs();
        println!(
            "share {share}, half grid {half_grid}: decay a period {got:.4}, closed form {expected:.4}, error {error:.1e}"
        );
        assert!(
            error <= DECAY_TOLERANCE * expected.abs(),
            "share {share}: expected {expected}, got {got}, error {error}, tolerance {DECAY_TOLERANCE} relative, \
             ln of amplitude a period, source: closed form in this file"
        );
    }
}

/// Head at the shut valve 3.5 travel times into a smooth closure that takes two.
fn head_after_closure_m(cells: usize, half_grid: bool) -> f64 {
    let mut plant = running(creeping(0.8, 0.05), cells, half_grid);
    for step in 1..=cells * 7 / 2 {
        let share = (step as f64 / cells as f64 / 2.0).min(1.0);
        plant.set_opening(1, (0.5 * PI * share).cos().powi(4)).unwrap();
        plant.advance().unwrap();
    }
    plant.head_m(Place::Node(1))
}

#[test]
fn law_creep_converges_with_second_order() {
    for half_grid in [false, true] {
        let heads = [40, 80, 160].map(|cells| head_after_closure_m(cells, half_grid));
        let order = ((heads[0] - heads[1]) / (heads[1] - heads[2])).log2();
        println!("half grid {half_grid}: heads {heads:?} m, order {order:.3}");
        assert!(order > LEAST_ORDER, "expected 2, got {order}, least {LEAST_ORDER}; heads {heads:?} m");
    }
}

#[test]
fn law_a_creeping_wall_changes_no_steady_state_and_keeps_the_volume() {
    for half_grid in [false, true] {
        let mut plant = running(creeping(0.8, 0.05), 50, half_grid);
        let before_m = plant.head_m(Place::Node(1));
        for _ in 0..200 {
            plant.advance().unwrap();
        }
        let after_m = plant.head_m(Place::Node(1));
        assert!((after_m - before_m).abs() < 1e-9, "expected {before_m}, got {after_m}, tolerance 1e-9 m");
        plant.set_opening(1, 0.2).unwrap();
        for _ in 0..2000 {
            plant.advance().unwrap();
        }
        let error_m3 = plant.volume_error_m3();
        assert!(error_m3.abs() < 1e-9, "half grid {half_grid}: volume error {error_m3} m3, tolerance 1e-9 m3");
    }
}

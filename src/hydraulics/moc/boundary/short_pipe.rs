//! A pipe too short for the grid: one rigid column with its resistance, and half its give at either end.

use super::Gain;
use crate::hydraulics::moc::store::Store;
use crate::hydraulics::pipe::{Resistance, bore_area_m2};
use crate::hydraulics::spec::{LiquidSpec, PipeSpec};

/// The column of a short pipe; the give at its ends is kept by the nodes ([`ShortPipe::half_store`]).
///
/// Equation: `L/(g A) dQ/dt = H_from - H_to - s(|Q|) Q`, at either end `(g A L / 2 a^2) dH/dt` = inflow; the change in time by
/// the second-order backward difference `dx/dt = (3 x1 - 4 x0 + x_before) / (2 dt)`, everything else at the new level.
/// (L -> length, A -> bore area, a -> wave speed, s -> resistance of the whole pipe.)
/// Range: travel time `L/a` below half a step. A wave of angular frequency w passes as an elastic pipe would let it
/// within `(w dt)^2 / 3` of the travel time; waves shorter than a few steps are damped, never raised (the difference is
/// A-stable and forgets a jump within two steps). Water may part at its ends, not inside; unsteady friction is left out.
/// Accuracy: second order in the step (`law_short_pipes_converge_with_second_order`); how far off a wave of
/// [`WaveInShortPipe::PERIOD_STEPS`] steps is, [`WaveInShortPipe`] says (`agrees_with_a_grid_that_resolves_the_short_pipe`). Volume to rounding.
/// Source: WS93, lumping of short pipes in the method of characteristics (from memory, without its weights): a lumped
/// inertia, a lumped capacitance. Derivation: the backward difference in place of WS93's weighted trapezoid, which at a
/// weight near one half keeps a jump ringing from step to step.
#[derive(Debug, Clone)]
pub(crate) struct ShortPipe {
    resistance: Resistance,
    /// L/(g A dt), s/m2.
    inertia_s_m2: f64,
    flow_m3_s: f64,
    before_m3_s: f64,
    /// B = a/(g A), s/m2.
    impedance_s_m2: f64,
    /// L/a, s.
    travel_s: f64,
    dt_s: f64,
    /// Volume of its water, m3.
    pub(crate) volume_m3: f64,
}

impl ShortPipe {
    pub(crate) fn new(pipe: &PipeSpec, liquid: &LiquidSpec, dt_s: f64, flow_m3_s: f64) -> Self {
        let area_m2 = bore_area_m2(pipe);
        let impedance_s_m2 = pipe.wave_speed_m_s / (liquid.gravity_m_s2 * area_m2);
        let travel_s = pipe.length_m / pipe.wave_speed_m_s;
        Self {
            resistance: Resistance::new(pipe, liquid),
            inertia_s_m2: impedance_s_m2 * travel_s / dt_s,
            flow_m3_s,
            before_m3_s: flow_m3_s,
            impedance_s_m2,
            travel_s,
            dt_s,
            volume_m3: area_m2 * pipe.length_m,
        }
    }

    /// What one of its ends adds to the give of the node there.
    pub(crate) fn half_store(&self, pipe: &PipeSpec, head_m: f64) -> Store {
        let capacity_m2 = 0.5 * self.travel_s / self.impedance_s_m2;
        Store::new(capacity_m2, pipe.creep.as_ref(), self.dt_s, head_m)
    }

    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        let thrust_m = self.inertia_s_m2 * (1.5 * flow_m3_s - 2.0 * self.flow_m3_s + 0.5 * self.before_m3_s);
        Gain {
            head_m: -self.resistance.per_flow(flow_m3_s) * flow_m3_s - thrust_m,
            head_by_flow: -self.resistance.slope(flow_m3_s) - 1.5 * self.inertia_s_m2,
            ..Gain::default()
        }
    }

    /// Take the flow solved for the new level.
    pub(crate) fn end(&mut self, flow_m3_s: f64) {
        self.before_m3_s = std::mem::replace(&mut self.flow_m3_s, flow_m3_s);
    }
}

/// What a wave suffers on its way through a pipe that is not resolved, against an elastic pipe without friction.
///
/// Equation: with `p = (3 - 4/z + 1/z^2)/(2 dt)`, `z = exp(i w dt)` and `x = p tau`, between pipes of the same
/// impedance the column with half its give at either end lets `T = 1/(1 + x + x^2/2 + x^3/8)` pass and throws `T x^3/8`
/// back; the elastic pipe lets `exp(-i w tau)` pass and throws nothing back. (tau -> travel time, w -> angular frequency.)
/// Range: `w = 2 pi / (PERIOD_STEPS dt)`; the deviations fall with the square of the frequency at least.
/// Derivation: the four-pole of a pi section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaveInShortPipe {
    /// Travel time of the pipe, s.
    pub travel_s: f64,
    /// Period of the wave that is told of, s.
    pub period_s: f64,
    /// By how much it comes later than it should, s.
    pub late_s: f64,
    /// Share of its height that is lost.
    pub lost_share: f64,
    /// Share of its height that is thrown back.
    pub thrown_back_share: f64,
}

impl WaveInShortPipe {
    /// Steps in the period of the wave that is told of: the shortest that ten points a half wave still draw.
    pub const PERIOD_STEPS: f64 = 20.0;

    pub(crate) fn of(travel_s: f64, dt_s: f64) -> Self {
        let angle = std::f64::consts::TAU / Self::PERIOD_STEPS;
        let scale = 0.5 * travel_s / dt_s;
        let x = Complex {
            re: scale * (3.0 - 4.0 * angle.cos() + (2.0 * angle).cos()),
            im: scale * (4.0 * angle.sin() - (2.0 * angle).sin()),
        };
        let squared = x.times(x);
        let cubed = squared.times(x);
        let below = Complex {
            re: 1.0 + x.re + 0.5 * squared.re + 0.125 * cubed.re,
            im: x.im + 0.5 * squared.im + 0.125 * cubed.im,
        };
        Self {
            travel_s,
            period_s: Self::PERIOD_STEPS * dt_s,
            late_s: below.im.atan2(below.re) / angle * dt_s - travel_s,
            lost_share: 1.0 - 1.0 / below.size(),
            thrown_back_share: 0.125 * cubed.size() / below.size(),
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Complex {
    re: f64,
    im: f64,
}

impl Complex {
    fn times(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }

    fn size(self) -> f64 {
        self.re.hypot(self.im)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_told_deviations_vanish_with_the_travel_time() {
        let (long, short) = (WaveInShortPipe::of(0.4e-3, 1.0e-3), WaveInShortPipe::of(0.1e-3, 1.0e-3));
        assert!(short.late_s.abs() < 0.3 * long.late_s.abs(), "{short:?} {long:?}");
        assert!(short.lost_share.abs() < 0.3 * long.lost_share.abs() && long.lost_share < 0.01, "{short:?} {long:?}");
        // (w dt)^2/3 of the travel time, w dt = 0.314
        assert!(long.late_s.abs() < 0.04 * 0.4e-3, "{long:?}");
    }
}

//! The pumps of all lanes at once.

use super::isa::{Isa, fused};
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump::four_quadrant::{self, POINTS, STEP_RAD};
use crate::hydraulics::pump::trouble::Npsh;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

/// Head and torque of every lane with their derivatives, as [`crate::hydraulics::pump::PumpPoint`] has them.
#[derive(Debug, Clone, Copy)]
pub(super) struct PumpLanes<const W: usize> {
    pub(super) head_m: [f64; W],
    pub(super) head_by_flow: [f64; W],
    pub(super) head_by_speed: [f64; W],
    pub(super) torque_n_m: [f64; W],
    pub(super) torque_by_flow: [f64; W],
    pub(super) torque_by_speed: [f64; W],
}

impl<const W: usize> PumpLanes<W> {
    pub(super) const ZERO: Self = Self {
        head_m: [0.0; W],
        head_by_flow: [0.0; W],
        head_by_speed: [0.0; W],
        torque_n_m: [0.0; W],
        torque_by_flow: [0.0; W],
        torque_by_speed: [0.0; W],
    };
}

/// One pump a lane. Pumps known by the published data alone are read in lanes; one with a curve of its own is asked lane
/// by lane.
#[derive(Debug)]
pub(super) struct Pumps<const W: usize> {
    pumps: Vec<Pump>,
    table: Option<Box<[[f64; 4]; ROWS]>>,
    per_speed: [f64; W],
    per_flow: [f64; W],
    head_m: [f64; W],
    torque_n_m: [f64; W],
}

/// Rows of the joined table: those of the published one, and more so that a masked index stays inside.
const ROWS: usize = 128;

/// Coefficients of `atan(t) / t` in `t^2` for `|t| <= tan(pi/8)`, by interpolation at the Chebyshev points of
/// `[0, 0.1716]` in 50 digits. Error below 2e-16 (`law_lane_angle_is_the_arctangent`).
const ATAN: [f64; 13] = [
    1.0,
    -0.333_333_333_333_333_26,
    0.199_999_999_999_970_1,
    -0.142_857_142_853_291_57,
    0.111_111_110_852_891_08,
    -0.090_909_080_578_725_02,
    0.076_922_810_742_296_69,
    -0.066_662_048_855_676_77,
    0.058_768_303_763_903_79,
    -0.052_172_894_049_047_17,
    0.044_994_070_991_730_34,
    -0.033_385_655_061_992_53,
    0.015_111_569_757_496_4,
];
/// tan(pi/8).
const TAN_PI_8: f64 = 0.414_213_562_373_095_05;

/// `pi + atan2(v, alpha)` in 0..2 pi, without a call, to 1e-15.
#[inline(always)]
fn angle_rad<I: Isa>(alpha: f64, v: f64) -> f64 {
    let (x, y) = (alpha.abs(), v.abs());
    let (small, large) = if x < y { (x, y) } else { (y, x) };
    let turned = small > TAN_PI_8 * large;
    let dividend = if turned { small - large } else { small };
    let divisor = if turned { small + large } else { large };
    let t = dividend / divisor.max(f64::MIN_POSITIVE);
    let z = t * t;
    let mut series = ATAN[12];
    let mut k = 12;
    while k > 0 {
        k -= 1;
        series = fused::<I>(series, z, ATAN[k]);
    }
    let angle = fused::<I>(t, series, if turned { FRAC_PI_4 } else { 0.0 });
    let angle = if x < y { FRAC_PI_2 - angle } else { angle };
    let angle = if alpha < 0.0 { PI - angle } else { angle };
    PI + angle.copysign(v)
}

impl<const W: usize> Pumps<W> {
    pub(super) fn new(pumps: Vec<Pump>) -> Self {
        let each = |of: fn(&Pump) -> f64| {
            let mut values = [0.0; W];
            values.iter_mut().zip(&pumps).for_each(|(value, pump)| *value = of(pump));
            values
        };
        let table = pumps.iter().all(Pump::is_published_only).then(joined);
        Self {
            per_speed: each(|pump| 1.0 / pump.rated_speed_rad_s()),
            per_flow: each(|pump| 1.0 / pump.rated_flow_m3_s()),
            head_m: each(Pump::rated_head_m),
            torque_n_m: each(Pump::rated_torque_n_m),
            table,
            pumps,
        }
    }

    /// A lane's pump has its whole head at this flow, speed and head of its inlet.
    #[inline(always)]
    pub(super) fn draws_well(&self, lane: usize, (flow_m3_s, speed_rad_s): (f64, f64), inlet_m: f64) -> bool {
        self.pumps.get(lane).is_none_or(|pump| pump.draws_well(flow_m3_s, speed_rad_s, inlet_m))
    }

    /// Suction head of a lane's pump.
    pub(super) fn npsh(&self, lane: usize, (flow_m3_s, speed_rad_s): (f64, f64), inlet_m: f64) -> Option<Npsh> {
        self.pumps.get(lane)?.npsh(flow_m3_s, speed_rad_s, inlet_m)
    }

    /// Every lane's pump at its flow and speed.
    #[inline(always)]
    pub(super) fn at<I: Isa>(&self, flow_m3_s: &[f64; W], speed_rad_s: &[f64; W], out: &mut PumpLanes<W>) {
        match &self.table {
            Some(table) => self.read::<I>(table, flow_m3_s, speed_rad_s, out),
            None => self.ask(flow_m3_s, speed_rad_s, out),
        }
    }

    #[inline(never)]
    fn ask(&self, flow_m3_s: &[f64; W], speed_rad_s: &[f64; W], out: &mut PumpLanes<W>) {
        for (l, pump) in self.pumps.iter().enumerate() {
            let point = pump.at(flow_m3_s[l], speed_rad_s[l]);
            out.head_m[l] = point.head_m;
            out.head_by_flow[l] = point.head_by_flow;
            out.head_by_speed[l] = point.head_by_speed;
            out.torque_n_m[l] = point.torque_n_m;
            out.torque_by_flow[l] = point.torque_by_flow;
            out.torque_by_speed[l] = point.torque_by_speed;
        }
    }

    #[inline(always)]
    fn read<I: Isa>(
        &self,
        table: &[[f64; 4]; ROWS],
        flow_m3_s: &[f64; W],
        speed_rad_s: &[f64; W],
        out: &mut PumpLanes<W>,
    ) {
        let (mut alpha, mut v, mut rest, mut row) = ([0.0; W], [0.0; W], [0.0; W], [0_usize; W]);
        for l in 0..W {
            alpha[l] = speed_rad_s[l] * self.per_speed[l];
            v[l] = flow_m3_s[l] * self.per_flow[l];
            let place = angle_rad::<I>(alpha[l], v[l]).clamp(0.0, TAU) * (1.0 / STEP_RAD);
            // A place that is no number becomes row 0, and the lane is given up by its residual.
            let low = (place as i32).min(POINTS as i32 - 2);
            row[l] = low as usize;
            rest[l] = place - f64::from(low);
        }
        let mut values = [[0.0; W]; 4];
        for l in 0..W {
            let read = &table[row[l] & (ROWS - 1)];
            for k in 0..4 {
                values[k][l] = read[k];
            }
        }
        for l in 0..W {
            let head = (values[0][l] + values[1][l] * rest[l], values[1][l] * (1.0 / STEP_RAD));
            let torque = (values[2][l] + values[3][l] * rest[l], values[3][l] * (1.0 / STEP_RAD));
            let square = alpha[l] * alpha[l] + v[l] * v[l];
            let (by_flow, by_speed) = (self.per_flow[l], self.per_speed[l]);
            out.head_m[l] = self.head_m[l] * (square * head.0);
            out.head_by_flow[l] = self.head_m[l] * by_flow * (2.0 * v[l] * head.0 + alpha[l] * head.1);
            out.head_by_speed[l] = self.head_m[l] * by_speed * (2.0 * alpha[l] * head.0 - v[l] * head.1);
            out.torque_n_m[l] = self.torque_n_m[l] * (square * torque.0);
            out.torque_by_flow[l] = self.torque_n_m[l] * by_flow * (2.0 * v[l] * torque.0 + alpha[l] * torque.1);
            out.torque_by_speed[l] = self.torque_n_m[l] * by_speed * (2.0 * alpha[l] * torque.0 - v[l] * torque.1);
        }
    }
}

/// Head and its rise, torque and its rise, one row an interval of the angle.
fn joined() -> Box<[[f64; 4]; ROWS]> {
    let (head, torque) = four_quadrant::tables();
    let mut rows = Box::new([[0.0; 4]; ROWS]);
    for (i, row) in rows.iter_mut().take(POINTS - 1).enumerate() {
        *row = [head[i], head[i + 1] - head[i], torque[i], torque[i + 1] - torque[i]];
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::super::isa::Plain;
    use super::*;

    /// Difference of angles allowed, rad.
    const ANGLE_TOLERANCE_RAD: f64 = 2.0e-15;

    #[test]
    fn law_lane_angle_is_the_arctangent() {
        for i in 0..20_000 {
            let x = TAU * f64::from(i) / 20_000.0 - 3.0;
            let (alpha, v) = (x.cos(), x.sin());
            let (expected, got) = (four_quadrant::angle_rad(alpha, v), angle_rad::<Plain>(alpha, v));
            assert!((got - expected).abs() < ANGLE_TOLERANCE_RAD, "at {x}: expected {expected}, got {got}");
        }
        assert!((angle_rad::<Plain>(0.0, 0.0) - PI).abs() < ANGLE_TOLERANCE_RAD, "rest");
    }
}

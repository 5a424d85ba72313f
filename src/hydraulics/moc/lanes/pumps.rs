//! The pumps of all lanes at once.

use super::isa::{Isa, fused};
use super::own_curve::OwnCurves;
use super::single::{Edge, room};
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump::four_quadrant::{self, POINTS, STEP_RAD};
use crate::hydraulics::pump::trouble::Npsh;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

/// Head and torque of every lane with their derivatives, as [`crate::hydraulics::pump::PumpPoint`] has them.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
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

/// One pump a lane. Pumps known by the published data alone are read in lanes, and so are those with curves of their own
/// as long as all pump; otherwise they are asked lane by lane.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct Pumps<const W: usize> {
    /// Boiling head of the inlet, and what is needed above it by speed and flow, with which no head is lost.
    ample: [[f64; W]; 3],
    /// The row of the table where each lane last was, and what stands in it.
    pub(super) row: [i64; W],
    /// Cosine and sine of the angle at which that row begins, less pi.
    pub(super) begins: [[f64; W]; 2],
    pub(super) values: [[f64; W]; 4],
    /// 1 where the last iteration took more than the smallest step.
    pub(super) open: [f64; W],
    pub(super) per_speed: [f64; W],
    pub(super) per_flow: [f64; W],
    pub(super) head_m: [f64; W],
    pub(super) torque_n_m: [f64; W],
    /// Rated head over rated flow and speed, rated torque over both.
    pub(super) rated_by: [[f64; W]; 4],
    pumps: Vec<Pump>,
    table: Option<Box<[[f64; 6]; ROWS]>>,
    own: Option<Box<OwnCurves<W>>>,
}

/// The last row that has a next one, and the number beyond which a sum's lowest bits are a whole number.
pub(super) const LAST_ROW: f64 = (POINTS - 2) as f64;
pub(super) const WHOLE_BITS: f64 = 4_503_599_627_370_496.0;
/// Rows of the joined table: those of the published one, and more so that a masked index stays inside.
const ROWS: usize = 128;

/// Coefficients of `atan(t) / t` in `t^2` for `|t| <= tan(pi/8)`, by interpolation at the Chebyshev points of
/// `[0, 0.1716]` in 50 digits. Error below 2e-16 (`law_lane_angle_is_the_arctangent`).
pub(super) const ATAN: [f64; 13] = [
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
pub(super) const TAN_PI_8: f64 = 0.414_213_562_373_095_05;

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
            rated_by: [
                each(|pump| pump.rated_head_m() * (1.0 / pump.rated_flow_m3_s())),
                each(|pump| pump.rated_head_m() * (1.0 / pump.rated_speed_rad_s())),
                each(|pump| pump.rated_torque_n_m() * (1.0 / pump.rated_flow_m3_s())),
                each(|pump| pump.rated_torque_n_m() * (1.0 / pump.rated_speed_rad_s())),
            ],
            table,
            own: OwnCurves::new(&pumps).map(Box::new),
            ample: ample(&pumps),
            pumps,
            row: [-1; W],
            begins: [[0.0; W]; 2],
            values: [[0.0; W]; 4],
            open: [0.0; W],
        }
    }

    /// A lane's pump has its whole head at this flow, speed and head of its inlet.
    #[inline(always)]
    pub(super) fn draws_well(&self, lane: usize, (flow_m3_s, speed_rad_s): (f64, f64), inlet_m: f64) -> bool {
        self.pumps.get(lane).is_none_or(|pump| pump.draws_well(flow_m3_s, speed_rad_s, inlet_m))
    }

    /// Every lane's pump surely has its whole head, and does not cavitate.
    #[inline(always)]
    pub(super) fn draw_amply(&self, flow_m3_s: &[f64; W], speed_rad_s: &[f64; W], inlet_m: &[f64; W]) -> bool {
        let [boiling_m, by_speed, by_flow] = &self.ample;
        let mut amply = true;
        for l in 0..W {
            let forwards = if flow_m3_s[l] > 0.0 { flow_m3_s[l] } else { 0.0 };
            let needed_m = by_speed[l] * speed_rad_s[l] * speed_rad_s[l] + by_flow[l] * forwards * forwards;
            amply &= inlet_m[l] - boiling_m[l] >= needed_m;
        }
        amply
    }

    /// Suction head of a lane's pump.
    pub(super) fn npsh(&self, lane: usize, (flow_m3_s, speed_rad_s): (f64, f64), inlet_m: f64) -> Option<Npsh> {
        self.pumps.get(lane)?.npsh(flow_m3_s, speed_rad_s, inlet_m)
    }

    /// True where all pumps are those of the published data.
    pub(super) fn in_table(&self) -> bool {
        self.table.is_some()
    }

    /// True where the last iteration took more than the smallest step.
    pub(super) fn is_open(&self, lane: usize) -> bool {
        self.open[lane] > 0.0
    }

    /// Every lane's pump at its flow and speed; true where head and torque have no corners about it.
    #[inline(always)]
    pub(super) fn at<I: Isa>(&mut self, flow_m3_s: &[f64; W], speed_rad_s: &[f64; W], out: &mut PumpLanes<W>) -> bool {
        if self.table.is_some() {
            *out = self.within::<I>(flow_m3_s, speed_rad_s).0;
            return false;
        }
        let per_rated = (&self.per_flow, &self.per_speed);
        let rated = (&self.head_m, &self.torque_n_m);
        // No closure: it would not be compiled for the instructions at hand.
        if let Some(own) = &mut self.own
            && own.at(&self.pumps, per_rated, rated, (flow_m3_s, speed_rad_s), out)
        {
            return true;
        }
        self.ask(flow_m3_s, speed_rad_s, out);
        false
    }

    /// Read the rows anew.
    #[inline(never)]
    pub(super) fn gather(&mut self, from: usize, rows: &[i64]) {
        let Some(table) = &self.table else { return };
        for (l, row) in (from..).zip(rows) {
            self.row[l] = *row;
            let read = &table[*row as usize & (ROWS - 1)];
            for k in 0..4 {
                self.values[k][l] = read[k];
            }
            (self.begins[0][l], self.begins[1][l]) = (read[4], read[5]);
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

    /// Every lane's pump by the published data, and the room there is up to the edge of the table's interval.
    #[inline(always)]
    pub(super) fn within<I: Isa>(&mut self, flow_m3_s: &[f64; W], speed_rad_s: &[f64; W]) -> (PumpLanes<W>, Edge<W>) {
        let mut edge = Edge { alpha: [0.0; W], v: [0.0; W], room: [0.0; W] };
        let (mut rest, mut row) = ([0.0; W], [0_i64; W]);
        let mut same = true;
        for l in 0..W {
            edge.alpha[l] = speed_rad_s[l] * self.per_speed[l];
            edge.v[l] = flow_m3_s[l] * self.per_flow[l];
            let place = angle_rad::<I>(edge.alpha[l], edge.v[l]).clamp(0.0, TAU) * (1.0 / STEP_RAD);
            let low = place.floor();
            let low = if low > LAST_ROW { LAST_ROW } else { low };
            // The lowest bits of the sum are the row. A place that is no number gives some row, and the lane is given up
            // by its step.
            row[l] = (low + WHOLE_BITS).to_bits().cast_signed();
            rest[l] = place - low;
        }
        for l in 0..W {
            same &= row[l] == self.row[l];
        }
        if !same {
            self.gather(0, &row);
        }
        let (values, mut out) = (&self.values, PumpLanes::ZERO);
        for l in 0..W {
            let (alpha, v) = (edge.alpha[l], edge.v[l]);
            let head = (values[0][l] + values[1][l] * rest[l], values[1][l] * (1.0 / STEP_RAD));
            let torque = (values[2][l] + values[3][l] * rest[l], values[3][l] * (1.0 / STEP_RAD));
            let square = alpha * alpha + v * v;
            edge.room[l] = room(square, rest[l], STEP_RAD);
            let (by_flow, by_speed) = (self.per_flow[l], self.per_speed[l]);
            out.head_m[l] = self.head_m[l] * (square * head.0);
            out.head_by_flow[l] = self.head_m[l] * by_flow * (2.0 * v * head.0 + alpha * head.1);
            out.head_by_speed[l] = self.head_m[l] * by_speed * (2.0 * alpha * head.0 - v * head.1);
            out.torque_n_m[l] = self.torque_n_m[l] * (square * torque.0);
            out.torque_by_flow[l] = self.torque_n_m[l] * by_flow * (2.0 * v * torque.0 + alpha * torque.1);
            out.torque_by_speed[l] = self.torque_n_m[l] * by_speed * (2.0 * alpha * torque.0 - v * torque.1);
        }
        (out, edge)
    }
}

fn ample<const W: usize>(pumps: &[Pump]) -> [[f64; W]; 3] {
    let mut ample = [[0.0; W]; 3];
    for (lane, pump) in pumps.iter().enumerate() {
        (ample[0][lane], ample[1][lane], ample[2][lane]) = pump.ample();
    }
    ample
}

/// Head and its rise, torque and its rise, cosine and sine of where it begins less pi, one row an interval of the angle.
fn joined() -> Box<[[f64; 6]; ROWS]> {
    let (head, torque) = four_quadrant::tables();
    let mut rows = Box::new([[0.0; 6]; ROWS]);
    for (i, row) in rows.iter_mut().take(POINTS - 1).enumerate() {
        let (sine, cosine) = (i as f64 * STEP_RAD - PI).sin_cos();
        *row = [head[i], head[i + 1] - head[i], torque[i], torque[i + 1] - torque[i], cosine, sine];
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

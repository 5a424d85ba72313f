//! Pumps with curves of their own, all lanes at once, as long as they pump.

use super::pumps::PumpLanes;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump::curve::Curve;

/// Head and torque curves of `W` pumps over the ratio `v / alpha` of flow to speed, each with the cubic last read.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(super) struct OwnCurves<const W: usize> {
    /// The end of the head curve, up to which it is followed.
    head_end: [f64; W],
    torque_end: [f64; W],
    head: Near<W>,
    torque: Near<W>,
}

/// One cubic a lane: `y = c0 + t (c1 + t (c2 + t c3))`, `t = (x - from) / width`, from `from` to `to`.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
struct Near<const W: usize> {
    from: [f64; W],
    to: [f64; W],
    per_width: [f64; W],
    of_share: [[f64; W]; 4],
}

impl<const W: usize> Near<W> {
    const NONE: Self = Self { from: [0.0; W], to: [0.0; W], per_width: [0.0; W], of_share: [[0.0; W]; 4] };

    /// A lane's ratio is within its cubic.
    #[inline(always)]
    fn holds(&self, lane: usize, ratio: f64) -> bool {
        (ratio >= self.from[lane]) & (ratio < self.to[lane])
    }

    /// Read the cubics about these ratios.
    #[cold]
    #[inline(never)]
    fn aim<'a>(&mut self, ratio: &[f64; W], curve: impl Fn(usize) -> Option<&'a Curve>) {
        for l in 0..W {
            let Some(piece) = curve(l).map(|curve| curve.piece_at(ratio[l])) else { continue };
            (self.from[l], self.to[l]) = (piece.from, piece.to);
            self.per_width[l] = 1.0 / (piece.to - piece.from);
            for k in 0..4 {
                self.of_share[k][l] = piece.of_share[k];
            }
        }
    }

    /// Value and slope.
    #[inline(always)]
    fn at(&self, lane: usize, ratio: f64) -> (f64, f64) {
        let t = (ratio - self.from[lane]) * self.per_width[lane];
        let [c_0, c_1, c_2, c_3] = &self.of_share;
        let (c_0, c_1, c_2, c_3) = (c_0[lane], c_1[lane], c_2[lane], c_3[lane]);
        let slope = c_1 + t * (2.0 * c_2 + t * 3.0 * c_3);
        (c_0 + t * (c_1 + t * (c_2 + t * c_3)), slope * self.per_width[lane])
    }
}

impl<const W: usize> OwnCurves<W> {
    /// None where some pump has no curves of its own for head and torque, or is not as new.
    pub(super) fn new(pumps: &[Pump]) -> Option<Self> {
        let mut own = Self { head_end: [0.0; W], torque_end: [0.0; W], head: Near::NONE, torque: Near::NONE };
        for (lane, pump) in pumps.iter().enumerate() {
            let [head, torque] = pump.own_curves()?;
            (own.head_end[lane], own.torque_end[lane]) = (head.end(), torque.end());
        }
        Some(own)
    }

    /// Every lane's pump at its flow and speed; where some lane turns or runs backwards, or is beyond its curve, false.
    #[inline(always)]
    pub(super) fn at(
        &mut self,
        pumps: &[Pump],
        (per_flow, per_speed): (&[f64; W], &[f64; W]),
        (rated_m, rated_n_m): (&[f64; W], &[f64; W]),
        (flow_m3_s, speed_rad_s): (&[f64; W], &[f64; W]),
        out: &mut PumpLanes<W>,
    ) -> bool {
        let (mut alpha, mut ratio, mut inside) = ([0.0; W], [0.0; W], true);
        let (mut near_head, mut near_torque) = (true, true);
        // All questions in one loop: a ratio asked for again right behind it would come back from memory.
        for l in 0..W {
            alpha[l] = speed_rad_s[l] * per_speed[l];
            ratio[l] = flow_m3_s[l] * per_flow[l] / alpha[l];
            let within = (ratio[l] <= self.head_end[l]) & (ratio[l] <= self.torque_end[l]);
            inside &= (alpha[l] > 0.0) & (flow_m3_s[l] >= 0.0) & within;
            near_head &= self.head.holds(l, ratio[l]);
            near_torque &= self.torque.holds(l, ratio[l]);
        }
        if !inside {
            return false;
        }
        if !near_head {
            self.head.aim(&ratio, |lane| pumps.get(lane)?.own_curves().map(|curves| curves[0]));
        }
        if !near_torque {
            self.torque.aim(&ratio, |lane| pumps.get(lane)?.own_curves().map(|curves| curves[1]));
        }
        for l in 0..W {
            let (head, slope) = self.head.at(l, ratio[l]);
            out.head_m[l] = rated_m[l] * (alpha[l] * alpha[l] * head);
            out.head_by_flow[l] = rated_m[l] * per_flow[l] * (alpha[l] * slope);
            out.head_by_speed[l] = rated_m[l] * per_speed[l] * (alpha[l] * (2.0 * head - slope * ratio[l]));
            let (torque, slope) = self.torque.at(l, ratio[l]);
            out.torque_n_m[l] = rated_n_m[l] * (alpha[l] * alpha[l] * torque);
            out.torque_by_flow[l] = rated_n_m[l] * per_flow[l] * (alpha[l] * slope);
            out.torque_by_speed[l] = rated_n_m[l] * per_speed[l] * (alpha[l] * (2.0 * torque - slope * ratio[l]));
        }
        true
    }
}

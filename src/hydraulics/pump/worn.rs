//! Worn wear rings: water slips back from the discharge to the eye, so that the impeller carries more than the flanges.
//!
//! Range: slip 0 to half of rated flow at rated head, heads of either sign. Source: a ring gap as an orifice between
//! discharge and eye (from memory).

use super::PumpPoint;

/// Head below which the slip is taken in proportion to it, share of the rated head: the root of an orifice has no slope
/// at rest.
const STRAIGHT_SHARE: f64 = 0.01;
/// Steps of the balance between head and slip.
const STEPS_MAX: usize = 40;
/// Accuracy of the slip, share of rated flow.
const TOLERANCE: f64 = 1.0e-14;
/// Smallest slope of the balance a step is taken with: a curve that rises steeply must not send it away.
const SLOPE_LEAST: f64 = 0.2;

/// How much slips back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rings {
    /// Slip at rated head, m3/s.
    pub(super) slip_m3_s: f64,
    pub(super) rated_head_m: f64,
    pub(super) rated_flow_m3_s: f64,
}

impl Rings {
    /// Head and torque at a flow through the flanges, from those of the impeller at a flow through itself.
    ///
    /// Equation: `H = f(Q + q)`, `q = w QR sgn(H) sqrt(|H| / HR)`, torque that of the impeller at `Q + q` (f -> the
    /// impeller's head, w QR -> slip at rated head); below a hundredth of the rated head the root is rounded off.
    /// Accuracy: balance met to 1e-14 of rated flow where the impeller's head falls with flow.
    /// Derivation: an orifice between discharge and suction; the hydraulic power of the slip is lost.
    pub(super) fn point(&self, flow_m3_s: f64, impeller: impl Fn(f64) -> PumpPoint) -> PumpPoint {
        let mut slip_m3_s = self.slip(impeller(flow_m3_s).head_m).0;
        let mut inside = impeller(flow_m3_s + slip_m3_s);
        for _ in 0..STEPS_MAX {
            let (wanted_m3_s, by_head) = self.slip(inside.head_m);
            let residual_m3_s = slip_m3_s - wanted_m3_s;
            if residual_m3_s.abs() <= TOLERANCE * self.rated_flow_m3_s {
                break;
            }
            slip_m3_s -= residual_m3_s / (1.0 - by_head * inside.head_by_flow).max(SLOPE_LEAST);
            inside = impeller(flow_m3_s + slip_m3_s);
        }
        let by_head = self.slip(inside.head_m).1;
        let steadier = 1.0 / (1.0 - by_head * inside.head_by_flow).max(SLOPE_LEAST);
        let (head_by_flow, head_by_speed) = (inside.head_by_flow * steadier, inside.head_by_speed * steadier);
        PumpPoint {
            head_m: inside.head_m,
            head_by_flow,
            head_by_speed,
            torque_n_m: inside.torque_n_m,
            torque_by_flow: inside.torque_by_flow * (1.0 + by_head * head_by_flow),
            torque_by_speed: inside.torque_by_speed + inside.torque_by_flow * by_head * head_by_speed,
        }
    }

    /// Slip at a head, m3/s, and its slope, m2/s.
    fn slip(&self, head_m: f64) -> (f64, f64) {
        let h = head_m / self.rated_head_m;
        let square = h * h + STRAIGHT_SHARE * STRAIGHT_SHARE;
        let root = square.sqrt().sqrt();
        let by_h = (square - 0.5 * h * h) / (square * root);
        (self.slip_m3_s * h / root, self.slip_m3_s * by_h / self.rated_head_m)
    }
}

#[cfg(test)]
mod tests {
    use crate::hydraulics::pump::Pump;
    use crate::hydraulics::spec::{PumpCondition, PumpSpec};

    fn pump(condition: PumpCondition) -> Pump {
        let spec = PumpSpec {
            rated_speed_rad_s: 150.0,
            rated_flow_m3_s: 8.0e-3,
            rated_head_m: 18.0,
            rated_efficiency: 0.6,
            curve: vec![(0.0, 23.0), (8.0e-3, 18.0), (14.0e-3, 9.0)],
            efficiency: vec![(0.0, 0.0), (4.0e-3, 0.45), (8.0e-3, 0.6), (12.0e-3, 0.5)],
            npsh_required_m: 2.0,
            condition,
        };
        Pump::new("pump", &spec, 998.2, 9.806_65).unwrap()
    }

    #[test]
    fn law_worn_rings_balance_head_and_slip_and_cost_efficiency() {
        const TOLERANCE_M: f64 = 2.0e-3;
        let new = pump(PumpCondition::default());
        let worn = pump(PumpCondition { wear_leak_share: 0.15, ..PumpCondition::default() });
        for flow_m3_s in [0.0, 4.0e-3, 8.0e-3, 12.0e-3] {
            let (sound, spoilt) = (new.at(flow_m3_s, 150.0), worn.at(flow_m3_s, 150.0));
            assert!(spoilt.head_m < sound.head_m, "{} m worn, {} m new at {flow_m3_s}", spoilt.head_m, sound.head_m);
            let slip_m3_s = 0.15 * 8.0e-3 * (spoilt.head_m / 18.0).sqrt();
            let inside = new.at(flow_m3_s + slip_m3_s, 150.0);
            let error_m = (inside.head_m - spoilt.head_m).abs();
            assert!(error_m < TOLERANCE_M, "expected {} m, got {} m, error {error_m} m", inside.head_m, spoilt.head_m);
            let efficiency = |point: &super::PumpPoint| flow_m3_s * point.head_m / point.torque_n_m;
            assert!(efficiency(&spoilt) <= efficiency(&sound), "efficiency at {flow_m3_s} m3/s");
        }
    }

    #[test]
    fn published_donsky_1961_the_wrong_way_round_half_the_shut_off_head_is_left() {
        const TOLERANCE: f64 = 1.0e-12;
        let right = pump(PumpCondition::default());
        let wrong = pump(PumpCondition { wrong_rotation: true, ..PumpCondition::default() });
        let point = wrong.at(0.0, 150.0);
        let error = (point.head_m / 18.0 - 0.634).abs();
        assert!(error < TOLERANCE, "expected 0.634 of rated head, got {}, error {error}", point.head_m / 18.0);
        let torque = point.torque_n_m / right.rated_torque_n_m();
        assert!((torque - 0.684).abs() < TOLERANCE, "expected 0.684 of rated torque, got {torque}");
        let share = point.head_m / right.at(0.0, 150.0).head_m;
        assert!((0.4..0.6).contains(&share), "share of the shut-off head {share}");
        assert!(wrong.at(0.2 * 8.0e-3, 150.0).head_m > 0.0 && wrong.at(0.5 * 8.0e-3, 150.0).head_m < 0.0);
    }
}

//! Shape of an induction motor's torque over slip, in multiples of rated torque, at rated voltage and frequency.
//!
//! Range: slips of either sign, beyond breakdown as well; breakdown above rated torque. Accuracy: through all given points
//! (`law_the_curve_passes_through_all_its_points`), between them the form of the curve, not a measurement: a motor's own
//! curve may differ by tens of percent there. Source: Kloss's formula (published values in 07_motor_starters); the cubic
//! between the four points is common practice, no source.

use crate::hydraulics::motor_law::SlipTorque;

/// Kloss's simplified equation: T = 2 T_b/(s/s_b + s_b/s), in the unit of `breakdown_torque`.
///
/// Zero at slip 0, odd in slip. Stator resistance is neglected; alone it gives too little torque at standstill for
/// deep-bar rotors. Source: Kloss 1909.
///
/// ```
/// let torque = ramprig::starters::torque_curve::kloss_torque(110.0, 0.12, 0.5);
/// assert!((torque - 49.924).abs() < 1e-3);
/// ```
pub fn kloss_torque(breakdown_torque: f64, breakdown_slip: f64, slip: f64) -> f64 {
    SlipTorque::kloss(breakdown_torque, breakdown_slip).at(slip).0
}

/// Derivative of [`kloss_torque`] to slip.
pub fn kloss_slope(breakdown_torque: f64, breakdown_slip: f64, slip: f64) -> f64 {
    SlipTorque::kloss(breakdown_torque, breakdown_slip).at(slip).1
}

/// Breakdown slip of the Kloss curve through a rated point: s_b = s_n (k + sqrt(k^2 - 1)), k = T_b/T_n >= 1.
pub fn kloss_breakdown_slip(breakdown_ratio: f64, rated_slip: f64) -> f64 {
    rated_slip * (breakdown_ratio + (breakdown_ratio * breakdown_ratio - 1.0).sqrt())
}

/// Where the least torque on the way up is put: this share of the way from breakdown to standstill (in slip). A
/// nameplate gives the torque but not the speed; near a quarter of synchronous speed is common practice, no source.
const PULL_UP_PLACE: f64 = 0.75;

/// Torque over slip.
#[derive(Debug, Clone, Copy)]
pub struct TorqueCurve(SlipTorque);

impl TorqueCurve {
    /// Kloss everywhere, through the rated point with the given breakdown torque (multiples of rated torque).
    pub fn kloss(breakdown: f64, rated_slip: f64) -> Self {
        Self(SlipTorque::kloss(breakdown, kloss_breakdown_slip(breakdown, rated_slip)))
    }

    /// Through locked rotor, pull-up, breakdown and rated point (multiples of rated torque); zero at slip 0.
    ///
    /// From slip 0 to breakdown Kloss, which passes through both points exactly; from there two cubics with level
    /// tangents at breakdown, pull-up and standstill, so value and slope are continuous; beyond slip 1 (plugging) the
    /// locked-rotor torque is held (from memory; a rotor turned backwards gives about that).
    pub fn four_points(locked_rotor: f64, pull_up: f64, breakdown: f64, rated_slip: f64) -> Self {
        let Self(kloss) = Self::kloss(breakdown, rated_slip);
        if kloss.breakdown_slip >= 1.0 {
            return Self(kloss);
        }
        let pull_up_slip = kloss.breakdown_slip + PULL_UP_PLACE * (1.0 - kloss.breakdown_slip);
        Self(SlipTorque { curve_from: kloss.breakdown_slip, pull_up, pull_up_slip, locked_rotor, ..kloss })
    }

    /// Slip at breakdown torque.
    pub fn breakdown_slip(&self) -> f64 {
        self.0.breakdown_slip
    }

    /// Torque, multiple of rated torque, and its derivative to slip. Odd in slip: negative slip generates.
    pub fn torque(&self, slip: f64) -> (f64, f64) {
        self.0.at(slip)
    }

    /// As the law of a motor has it.
    pub(super) fn law(&self) -> SlipTorque {
        self.0
    }

    /// Slip on the running branch that gives a torque (multiple of rated, either sign): s_b (k - sqrt(k^2 - 1)) with
    /// k = T_b/T; the breakdown slip when the torque is beyond it.
    pub fn running_slip(&self, torque: f64) -> f64 {
        let size = torque.abs();
        if size >= self.0.breakdown {
            return self.0.breakdown_slip.copysign(torque);
        }
        if size < f64::MIN_POSITIVE {
            return 0.0;
        }
        let k = self.0.breakdown / size;
        // k - sqrt(k^2 - 1) loses its digits for small torque; this is the same number.
        (self.0.breakdown_slip / (k + (k * k - 1.0).sqrt())).copysign(torque)
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "exact values are meant")]
mod tests {
    use super::*;

    const RATED_SLIP: f64 = 0.04;
    const CURVE: fn() -> TorqueCurve = || TorqueCurve::four_points(2.2, 1.7, 2.6, RATED_SLIP);

    #[test]
    fn law_the_curve_passes_through_all_its_points() {
        let curve = CURVE();
        let pull_up_slip = curve.0.pull_up_slip;
        let points = [(0.0, 0.0), (RATED_SLIP, 1.0), (curve.breakdown_slip(), 2.6), (pull_up_slip, 1.7), (1.0, 2.2)];
        for (slip, expected) in points {
            let (got, _) = curve.torque(slip);
            assert!((got - expected).abs() < 1e-12, "slip {slip}: expected {expected}, got {got}, tolerance 1e-12");
        }
    }

    #[test]
    fn law_breakdown_is_the_largest_and_pull_up_the_least_torque_before_it() {
        let curve = CURVE();
        let at = |i: u32| curve.torque(f64::from(i) / 1000.0).0;
        let largest = (0..=1000).map(at).fold(0.0, f64::max);
        assert!((largest - 2.6).abs() < 1e-4, "expected 2.6, got {largest}, tolerance 1e-4");
        let first = (curve.breakdown_slip() * 1000.0) as u32 + 1;
        let least = (first..=1000).map(at).fold(f64::INFINITY, f64::min);
        assert!((least - 1.7).abs() < 1e-4, "expected 1.7, got {least}, tolerance 1e-4");
    }

    #[test]
    fn law_slope_is_the_derivative_of_torque_everywhere() {
        for curve in [CURVE(), TorqueCurve::kloss(2.6, RATED_SLIP)] {
            for i in -2000..2000 {
                let slip = f64::from(i) / 1000.0 + 3.3e-4;
                let (_, slope) = curve.torque(slip);
                let h = 1e-6;
                let difference = (curve.torque(slip + h).0 - curve.torque(slip - h).0) / (2.0 * h);
                let error = (slope - difference).abs();
                assert!(error < 1e-3, "slip {slip}: slope {slope}, difference {difference}, tolerance 1e-3");
            }
        }
    }

    #[test]
    fn law_torque_is_odd_in_slip() {
        for slip in [0.01, 0.2, 0.6, 1.0, 1.7] {
            assert_eq!(CURVE().torque(slip).0, -CURVE().torque(-slip).0);
        }
    }

    #[test]
    fn law_running_slip_is_the_inverse_of_torque() {
        for torque in [-2.0, -0.05, 0.0, 1e-9, 0.5, 1.0, 2.5] {
            let back = CURVE().torque(CURVE().running_slip(torque)).0;
            assert!((back - torque).abs() < 1e-12, "expected {torque}, got {back}, tolerance 1e-12");
        }
        assert_eq!(CURVE().running_slip(9.0), CURVE().breakdown_slip());
    }
}

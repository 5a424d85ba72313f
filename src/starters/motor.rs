//! Three-phase induction motor: torque, current and power at any speed, voltage and frequency.
//!
//! Quasi-steady: the electrical transients of the first few cycles after switching (a torque that swings for some tens
//! of milliseconds, a first current peak up to about twice the steady one) are not in it.
//!
//! Everything hangs on two numbers of the supply. The **slip speed** share x = f/f_n - speed/synchronous speed is how far
//! the rotor lags the field, on the synchronous speed at rated frequency; the **flux** share is (V/V_n)/(f/f_n). Then
//! torque = flux^2 T(x) and current = flux I(x), with T and I the curves at rated voltage and frequency. At rated
//! frequency x is the slip and this is the square law of voltage; at constant V/f the curve moves sideways unchanged.
//! Stator resistance is neglected (a drive's boost is taken to make up for it).
//!
//! Range: any speed, voltage and frequency; steady torque and current of the moment.
//! Accuracy: exact at the nameplate's points (`law_torque_and_current_pass_through_the_nameplate_points`); between them that of the
//! curve chosen, see `super::torque_curve`.
//! Source: equivalent circuit of the three-phase induction machine without stator resistance, from memory; Kloss's formula as in
//! `super::torque_curve`.

use super::MotorSpec;
use super::torque_curve::TorqueCurve;
use crate::hydraulics::motor_law::{MotorLaw, MotorSupply};
use std::f64::consts::PI;
use thiserror::Error;

/// Why a nameplate does not describe a motor.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum MotorError {
    /// A number that must be positive (or in a span) is not.
    #[error("motor {name} {value} {unit} is outside {low} to {high} {unit}")]
    OutOfRange {
        /// Field of [`MotorSpec`].
        name: &'static str,
        /// As given.
        value: f64,
        /// Lowest allowed.
        low: f64,
        /// Highest allowed.
        high: f64,
        /// Unit of all three.
        unit: &'static str,
    },
    /// Poles are odd or none.
    #[error("motor has {poles} poles; pole count is an even number from 2 to 24")]
    Poles {
        /// As given.
        poles: u32,
    },
    /// Torques in an impossible order.
    #[error(
        "motor pull-up torque {pull_up} x rated must not be above locked-rotor torque {locked_rotor} and must be below \
         breakdown torque {breakdown}"
    )]
    TorqueOrder {
        /// Locked-rotor torque, multiple of rated.
        locked_rotor: f64,
        /// Pull-up torque, multiple of rated.
        pull_up: f64,
        /// Breakdown torque, multiple of rated.
        breakdown: f64,
    },
    /// Slip and currents that no rotor has together.
    #[error(
        "motor rated slip {rated_slip:.4} is too large for a locked-rotor current of {locked_rotor_current} x full load"
    )]
    CurrentShape {
        /// Rated slip.
        rated_slip: f64,
        /// Locked-rotor current, multiple of full load.
        locked_rotor_current: f64,
    },
}

/// Speed of the rotating field: 4 pi f/poles, rad/s (120 f/poles rpm).
pub fn synchronous_speed_rad_s(frequency_hz: f64, poles: u32) -> f64 {
    4.0 * PI * frequency_hz / f64::from(poles)
}

/// Slip: (synchronous - speed)/synchronous, 1; 0 at synchronous speed, 1 at rest, negative above.
pub fn slip(synchronous_rad_s: f64, speed_rad_s: f64) -> f64 {
    (synchronous_rad_s - speed_rad_s) / synchronous_rad_s
}

/// Speed at a slip: synchronous (1 - slip), rad/s.
pub fn speed_at_slip_rad_s(synchronous_rad_s: f64, slip: f64) -> f64 {
    synchronous_rad_s * (1.0 - slip)
}

/// Frequency of the rotor's currents: slip times line frequency, Hz.
pub fn rotor_frequency_hz(slip: f64, frequency_hz: f64) -> f64 {
    slip * frequency_hz
}

/// Torque that gives a shaft power at a speed: P/omega, N m.
pub fn rated_torque_n_m(power_w: f64, speed_rad_s: f64) -> f64 {
    power_w / speed_rad_s
}

/// Torque by the handbooks' round constant: T = 9550 P/n with P in kW and n in rpm, N m; 0.0074 % above
/// [`rated_torque_n_m`], which everything else here uses.
pub fn handbook_torque_n_m(power_w: f64, speed_rad_s: f64) -> f64 {
    let (power_kw, speed_rpm) = (power_w / 1e3, speed_rad_s * 30.0 / PI);
    9550.0 * power_kw / speed_rpm
}

/// Line current of a start through an autotransformer over that across the line: (V/V_n)^2, as the motor's current falls
/// with the tap and the line sees it through the turns once more. There is no such starter here: the figure stands beside
/// a soft starter's, whose line current is the motor's and falls with the voltage alone.
pub fn autotransformer_line_share(tap: f64) -> f64 {
    tap * tap
}

/// What the motor's terminals see.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// Voltage, share of rated voltage, 0 or more.
    pub voltage_share: f64,
    /// Frequency, share of rated frequency; negative turns the field backwards.
    pub frequency_share: f64,
}

impl Supply {
    /// The line: rated voltage and frequency.
    pub const LINE: Self = Self { voltage_share: 1.0, frequency_share: 1.0 };
    /// Nothing connected.
    pub const OFF: Self = Self { voltage_share: 0.0, frequency_share: 1.0 };

    /// Rated frequency at a reduced voltage (a soft starter).
    pub fn reduced_voltage(voltage_share: f64) -> Self {
        Self { voltage_share, frequency_share: 1.0 }
    }

    /// Constant flux up to rated frequency, rated voltage above (a drive).
    pub fn constant_flux(frequency_share: f64) -> Self {
        Self { voltage_share: frequency_share.abs().min(1.0), frequency_share }
    }

    pub(super) fn at_motor(&self) -> MotorSupply {
        MotorSupply { lead: self.frequency_share, flux: self.flux_share(), line_share: 1.0 }
    }

    /// Flux share (V/V_n)/(f/f_n). At standstill of the field the limit of constant flux, 1, is taken.
    pub fn flux_share(&self) -> f64 {
        let frequency = self.frequency_share.abs();
        if frequency > 0.0 { self.voltage_share / frequency } else { 1.0 }
    }
}

/// A motor made from its nameplate.
#[derive(Debug, Clone)]
pub struct Motor {
    spec: MotorSpec,
    synchronous_rad_s: f64,
    rated_torque_n_m: f64,
    rated_slip: f64,
    curve: TorqueCurve,
    current: CurrentCurve,
    /// All of it over the motor's own speed.
    law: MotorLaw,
}

impl Motor {
    /// Check a nameplate and derive the curves.
    ///
    /// # Errors
    /// [`MotorError`] with the field, its value and the allowed span.
    pub fn new(spec: MotorSpec) -> Result<Self, MotorError> {
        check(&spec)?;
        let synchronous_rad_s = synchronous_speed_rad_s(spec.frequency_hz, spec.poles);
        let rated_slip = slip(synchronous_rad_s, spec.rated_speed_rad_s);
        let rated_torque_n_m = rated_torque_n_m(spec.rated_power_w, spec.rated_speed_rad_s);
        let curve = if spec.kloss {
            TorqueCurve::kloss(spec.breakdown_torque, rated_slip)
        } else {
            TorqueCurve::four_points(spec.locked_rotor_torque, spec.pull_up_torque, spec.breakdown_torque, rated_slip)
        };
        let current = CurrentCurve::new(&spec, rated_slip)?;
        let law = MotorLaw {
            torque: curve.law(),
            rated_n_m: rated_torque_n_m,
            per_speed: 1.0 / synchronous_rad_s,
            least_n_m: f64::NEG_INFINITY,
            most_n_m: f64::INFINITY,
            driving: 1.0,
            braking: 1.0,
            magnetising_a2: current.magnetising_a2,
            rotor_a2: current.rotor_a2,
            corner2: current.corner2,
            full_load_a: spec.full_load_current_a,
            half_loss_w: half_loss_w(&spec, rated_torque_n_m * synchronous_rad_s),
            synchronous_rad_s,
            least_w: f64::NEG_INFINITY,
            power_share: 1.0,
            amps_per_w: 0.0,
        };
        Ok(Self { spec, synchronous_rad_s, rated_torque_n_m, rated_slip, curve, current, law })
    }

    /// The nameplate.
    pub fn spec(&self) -> &MotorSpec {
        &self.spec
    }

    /// Synchronous speed at rated frequency, rad/s.
    pub fn synchronous_rad_s(&self) -> f64 {
        self.synchronous_rad_s
    }

    /// Rated torque, N m.
    pub fn rated_torque_n_m(&self) -> f64 {
        self.rated_torque_n_m
    }

    /// Rated slip, 1.
    pub fn rated_slip(&self) -> f64 {
        self.rated_slip
    }

    /// Slip at breakdown torque, 1.
    pub fn breakdown_slip(&self) -> f64 {
        self.curve.breakdown_slip()
    }

    /// Slip speed share: how far the rotor lags the field, on rated synchronous speed; equals slip at rated frequency.
    pub fn lag(&self, supply: &Supply, speed_rad_s: f64) -> f64 {
        supply.frequency_share - speed_rad_s / self.synchronous_rad_s
    }

    /// Shaft torque, N m, and its derivative to speed, N m s/rad.
    ///
    /// torque = flux^2 T_n t(x), x as [`Motor::lag`], t the torque curve in multiples of rated torque.
    ///
    /// # Range
    /// Any speed: negative speed (plugging) holds the locked-rotor torque, speed above the field gives negative torque
    /// (generating). Field turned backwards (negative frequency) mirrors the curve.
    ///
    /// # Returns
    /// Torque positive in the motor's forward direction.
    pub fn torque_n_m(&self, supply: &Supply, speed_rad_s: f64) -> (f64, f64) {
        self.law.motor_torque(&supply.at_motor(), speed_rad_s)
    }

    /// Its law over the speed of the plant's shaft: the belt takes `efficiency/ratio` of a torque that drives and gives
    /// `1/(efficiency ratio)` of one that brakes (the belt's loss then helps).
    pub(super) fn law_at_shaft(&self) -> MotorLaw {
        let mounting = &self.spec.mounting;
        let (ratio, efficiency) = (mounting.belt_ratio, mounting.belt_efficiency);
        MotorLaw {
            per_speed: 1.0 / (ratio * self.synchronous_rad_s),
            driving: efficiency / ratio,
            braking: 1.0 / (efficiency * ratio),
            ..self.law
        }
    }

    /// Motor current, A rms a line.
    ///
    /// I = flux sqrt(I_0^2 + A x^2/(x^2 + c^2)): magnetising current at right angles to a rotor current of the form of the
    /// equivalent circuit, fitted through full load and locked rotor; I_0 = full-load current times sin(phi).
    ///
    /// # Accuracy
    /// Exact at full load and locked rotor; between them within about 15 % of a deep-bar rotor (from memory); at no
    /// load high, since full-load reactive current contains leakage.
    pub fn current_a(&self, supply: &Supply, speed_rad_s: f64) -> f64 {
        self.law.motor_current_a(&supply.at_motor(), speed_rad_s)
    }

    /// What the windings see when the feeder drops voltage in proportion to the line current.
    ///
    /// V = V_set (1 - z I_line), I_line = line_share V I(x): V = V_set/(1 + z line_share V_set I(x)), with z such that a
    /// locked rotor across the line loses the declared dip d: z I_lr = d/(1 - d). Drop and current are added as numbers,
    /// not as phasors, which overstates the dip of a resistive feeder. `line_share` is line current over the delta current
    /// of the same winding voltage (1, or 1/sqrt 3 in star). Rated frequency only: a drive keeps its output voltage.
    pub fn behind_feeder(&self, supply: &Supply, line_share: f64, speed_rad_s: f64) -> Supply {
        let dip = self.spec.mounting.supply_dip;
        if dip <= 0.0 {
            return *supply;
        }
        let locked_a = self.spec.full_load_current_a * self.spec.locked_rotor_current;
        let drop = dip / (1.0 - dip) * self.law.current_at_lag_a(self.lag(supply, speed_rad_s)) / locked_a;
        let voltage_share = supply.voltage_share / (1.0 + line_share * supply.voltage_share * drop);
        Supply { voltage_share, ..*supply }
    }

    /// Electrical power into the motor, W: air-gap power torque * field speed, copper losses with the square of
    /// current, the rest of the stator losses with the square of flux. Negative when generating.
    pub fn power_w(&self, supply: &Supply, speed_rad_s: f64) -> f64 {
        self.law.motor_power_w(&supply.at_motor(), speed_rad_s)
    }

    /// Largest flux at which the motor's current stays within a limit (multiple of full-load current) at a lag.
    pub fn flux_within_current(&self, limit: f64, lag: f64) -> f64 {
        limit * self.spec.full_load_current_a / self.law.current_at_lag_a(lag)
    }

    /// Largest lag at full flux at which current stays within a limit (multiple of full-load current).
    ///
    /// Below the magnetising current there is none: 0. At or above the locked-rotor current there is no bound: 1.
    pub fn lag_within_current(&self, limit: f64) -> f64 {
        self.current.lag_at(limit * self.spec.full_load_current_a).unwrap_or(1.0).min(1.0)
    }

    /// Lag on the running branch (between synchronous and breakdown) that gives a torque at full flux.
    ///
    /// `torque` is in multiples of rated torque, either sign; beyond breakdown the breakdown slip.
    pub fn lag_for_torque(&self, torque: f64) -> f64 {
        self.curve.running_slip(torque)
    }
}

fn check(spec: &MotorSpec) -> Result<(), MotorError> {
    if spec.poles == 0 || !spec.poles.is_multiple_of(2) || spec.poles > 24 {
        return Err(MotorError::Poles { poles: spec.poles });
    }
    let synchronous = synchronous_speed_rad_s(spec.frequency_hz, spec.poles);
    let spans = [
        ("rated_power_w", spec.rated_power_w, 1.0, 1e7, "W"),
        ("voltage_v", spec.voltage_v, 1.0, 2e4, "V"),
        ("frequency_hz", spec.frequency_hz, 1.0, 400.0, "Hz"),
        ("rated_speed_rad_s", spec.rated_speed_rad_s, 0.7 * synchronous, (1.0 - 1e-4) * synchronous, "rad/s"),
        ("full_load_current_a", spec.full_load_current_a, 1e-3, 1e5, "A"),
        ("locked_rotor_current", spec.locked_rotor_current, 1.5, 15.0, "x full load"),
        ("locked_rotor_torque", spec.locked_rotor_torque, 0.05, 10.0, "x rated"),
        ("pull_up_torque", spec.pull_up_torque, 0.05, 10.0, "x rated"),
        ("breakdown_torque", spec.breakdown_torque, 1.05, 10.0, "x rated"),
        ("power_factor", spec.power_factor, 0.2, 0.99, "1"),
        ("efficiency", spec.efficiency, 0.2, 0.99, "1"),
        ("inertia_kg_m2", spec.inertia_kg_m2, 0.0, 1e6, "kg m2"),
        ("mounting.supply_dip", spec.mounting.supply_dip, 0.0, 0.6, "x line voltage"),
        ("mounting.belt_ratio", spec.mounting.belt_ratio, 0.1, 10.0, "pump speed over motor speed"),
        ("mounting.belt_efficiency", spec.mounting.belt_efficiency, 0.5, 1.0, "1"),
    ];
    for (name, value, low, high, unit) in spans {
        if !(low..=high).contains(&value) {
            return Err(MotorError::OutOfRange { name, value, low, high, unit });
        }
    }
    check_torque_order(spec)
}

fn check_torque_order(spec: &MotorSpec) -> Result<(), MotorError> {
    let (locked_rotor, pull_up, breakdown) = (spec.locked_rotor_torque, spec.pull_up_torque, spec.breakdown_torque);
    if !spec.kloss && (pull_up > locked_rotor || pull_up >= breakdown) {
        return Err(MotorError::TorqueOrder { locked_rotor, pull_up, breakdown });
    }
    Ok(())
}

/// Current at rated voltage and frequency over the lag x: sqrt(I_0^2 + A x^2/(x^2 + c^2)).
#[derive(Debug, Clone, Copy)]
struct CurrentCurve {
    magnetising_a2: f64,
    rotor_a2: f64,
    corner2: f64,
}

impl CurrentCurve {
    /// Through (rated slip, full load) and (1, locked rotor): with r the ratio of the rotor's squared currents,
    /// c^2 = s^2 (r - 1)/(1 - r s^2), A = (I_lr^2 - I_0^2)(1 + c^2).
    fn new(spec: &MotorSpec, rated_slip: f64) -> Result<Self, MotorError> {
        let full2 = spec.full_load_current_a.powi(2);
        let magnetising_a2 = full2 * (1.0 - spec.power_factor.powi(2));
        let locked2 = full2 * spec.locked_rotor_current.powi(2) - magnetising_a2;
        let ratio = locked2 / (full2 - magnetising_a2);
        let s2 = rated_slip * rated_slip;
        if ratio * s2 >= 1.0 {
            return Err(MotorError::CurrentShape { rated_slip, locked_rotor_current: spec.locked_rotor_current });
        }
        let corner2 = s2 * (ratio - 1.0) / (1.0 - ratio * s2);
        Ok(Self { magnetising_a2, rotor_a2: locked2 * (1.0 + corner2), corner2 })
    }

    fn lag_at(&self, current_a: f64) -> Option<f64> {
        let rotor = current_a * current_a - self.magnetising_a2;
        if rotor <= 0.0 {
            return Some(0.0);
        }
        (rotor < self.rotor_a2).then(|| (rotor * self.corner2 / (self.rotor_a2 - rotor)).sqrt())
    }
}

/// Half the losses of the stator at full load, W: half are taken as copper and half as the rest (from memory; the split moves
/// only the shape between no load and full load).
///
/// What the nameplate efficiency leaves after air-gap power; none when the nameplate contradicts itself.
fn half_loss_w(spec: &MotorSpec, air_gap_w: f64) -> f64 {
    0.5 * (spec.rated_power_w / spec.efficiency - air_gap_w).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::super::Mounting;
    use super::*;

    const TOLERANCE: f64 = 1e-9;

    fn spec() -> MotorSpec {
        MotorSpec {
            rated_power_w: 4000.0,
            voltage_v: 400.0,
            frequency_hz: 50.0,
            poles: 4,
            rated_speed_rad_s: 1440.0 * PI / 30.0,
            full_load_current_a: 8.2,
            locked_rotor_current: 7.0,
            locked_rotor_torque: 2.2,
            pull_up_torque: 1.8,
            breakdown_torque: 2.8,
            power_factor: 0.82,
            efficiency: 0.86,
            inertia_kg_m2: 0.012,
            kloss: false,
            mounting: Mounting::DIRECT,
        }
    }

    fn close(got: f64, expected: f64, what: &str) {
        let error = (got - expected).abs();
        let tolerance = TOLERANCE * expected.abs().max(1.0);
        assert!(error <= tolerance, "{what}: expected {expected}, got {got}, error {error:e}, tolerance {tolerance:e}");
    }

    #[test]
    fn law_torque_and_current_pass_through_the_nameplate_points() {
        let motor = Motor::new(spec()).unwrap();
        let rated = motor.rated_torque_n_m();
        close(motor.torque_n_m(&Supply::LINE, spec().rated_speed_rad_s).0, rated, "rated torque, N m");
        close(motor.torque_n_m(&Supply::LINE, 0.0).0, 2.2 * rated, "locked-rotor torque, N m");
        close(motor.torque_n_m(&Supply::LINE, motor.synchronous_rad_s()).0, 0.0, "synchronous torque, N m");
        close(motor.current_a(&Supply::LINE, spec().rated_speed_rad_s), 8.2, "full-load current, A");
        close(motor.current_a(&Supply::LINE, 0.0), 57.4, "locked-rotor current, A");
        close(motor.power_w(&Supply::LINE, spec().rated_speed_rad_s), 4000.0 / 0.86, "full-load power, W");
    }

    #[test]
    fn law_torque_slope_is_its_derivative_at_any_speed_voltage_and_frequency() {
        let motor = Motor::new(spec()).unwrap();
        let supplies =
            [Supply::LINE, Supply::reduced_voltage(0.4), Supply::constant_flux(0.3), Supply::constant_flux(1.1)];
        for supply in supplies {
            for i in -200..250 {
                let speed = f64::from(i) + 0.123;
                let (_, slope) = motor.torque_n_m(&supply, speed);
                let h = 1e-4;
                let rise = motor.torque_n_m(&supply, speed + h).0 - motor.torque_n_m(&supply, speed - h).0;
                let error = (slope - rise / (2.0 * h)).abs();
                assert!(error < 2e-3, "{supply:?} at {speed} rad/s: slope {slope}, error {error}, tolerance 2e-3");
            }
        }
    }

    #[test]
    fn law_above_synchronous_speed_the_motor_generates() {
        let motor = Motor::new(spec()).unwrap();
        let above = 1.02 * motor.synchronous_rad_s();
        assert!(motor.torque_n_m(&Supply::LINE, above).0 < 0.0);
        assert!(motor.power_w(&Supply::LINE, 1.04 * motor.synchronous_rad_s()) < 0.0);
    }

    #[test]
    fn law_plugging_gives_forward_torque_on_a_rotor_turned_backwards() {
        let motor = Motor::new(spec()).unwrap();
        let (torque, _) = motor.torque_n_m(&Supply::LINE, -50.0);
        close(torque, 2.2 * motor.rated_torque_n_m(), "plugging torque, N m");
    }

    #[test]
    fn law_at_constant_flux_the_curve_moves_sideways_with_frequency() {
        let motor = Motor::new(spec()).unwrap();
        let lag = 5.0;
        let at_rated = motor.torque_n_m(&Supply::LINE, motor.synchronous_rad_s() - lag).0;
        let at_half = motor.torque_n_m(&Supply::constant_flux(0.5), 0.5 * motor.synchronous_rad_s() - lag).0;
        close(at_half, at_rated, "torque at half frequency, N m");
        let weak = motor.torque_n_m(&Supply::constant_flux(1.25), 1.25 * motor.synchronous_rad_s() - lag).0;
        close(weak, at_rated / 1.25_f64.powi(2), "torque in field weakening, N m");
    }

    #[test]
    fn law_lag_within_current_is_where_the_current_is_at_its_limit() {
        let motor = Motor::new(spec()).unwrap();
        for limit in [1.0, 1.5, 3.0, 6.0] {
            let speed = motor.synchronous_rad_s() * (1.0 - motor.lag_within_current(limit));
            close(motor.current_a(&Supply::LINE, speed), limit * 8.2, "current at its limit, A");
        }
        close(motor.lag_within_current(9.0), 1.0, "lag without a bound");
        close(motor.lag_within_current(0.5), 0.0, "lag below magnetising current");
    }

    #[test]
    fn rejects_nameplates_that_contradict_themselves() {
        let text = |spec| Motor::new(spec).unwrap_err().to_string();
        assert_eq!(
            text(MotorSpec { pull_up_torque: 2.5, ..spec() }),
            "motor pull-up torque 2.5 x rated must not be above locked-rotor torque 2.2 and must be below breakdown \
             torque 2.8"
        );
        assert_eq!(
            text(MotorSpec { poles: 3, ..spec() }),
            "motor has 3 poles; pole count is an even number from 2 to 24"
        );
        assert!(text(MotorSpec { rated_power_w: f64::NAN, ..spec() }).contains("rated_power_w NaN W"));
        assert!(text(MotorSpec { rated_speed_rad_s: 157.2, ..spec() }).contains("rated_speed_rad_s"));
        let slipping = MotorSpec { rated_speed_rad_s: 120.0, locked_rotor_current: 14.0, ..spec() };
        assert!(text(slipping).contains("too large for a locked-rotor current of 14"));
    }
}

use super::*;
use crate::starters::Mounting;
use crate::starters::panel::{Kick, SoftStop, StarDelta};
use crate::starters::ramp_shape::RampShape;
use crate::starters::run_up::{QuadraticLoad, Steps, settled_speed_rad_s, time_to_speed_s};
use crate::starters::soft_starter::ramp_voltage;
use crate::starters::variable_speed::BRAKING_TORQUE;
use std::f64::consts::PI;

const DT_S: f64 = 5e-4;
const LINE: usize = 0;
const SOFT: usize = 1;
const DRIVE: usize = 2;
/// Motor, coupling and a small pump, kg m2.
const INERTIA_KG_M2: f64 = 0.03;
/// Pump torque at synchronous speed, N m: about 80 % of rated.
const LOAD: QuadraticLoad = QuadraticLoad { torque_n_m: 21.0, at_rad_s: 157.08 };

fn motor() -> MotorSpec {
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

fn starter(id: &str, kind: StarterKind) -> StarterSpec {
    StarterSpec { id: id.to_owned(), kind, settings: Settings::default(), panel: PanelSettings::default() }
}

fn train() -> DriveTrain {
    let starters = vec![
        starter("contactor", StarterKind::AcrossTheLine),
        starter("soft", StarterKind::SoftStarter),
        starter("drive", StarterKind::VariableSpeed),
    ];
    DriveTrain::new(motor(), starters).unwrap()
}

/// Train and a shaft with the pump's quadratic load, stepped as the plant steps them.
struct Bench {
    train: DriveTrain,
    speed_rad_s: f64,
    time_s: f64,
}

impl Bench {
    fn new() -> Self {
        Self { train: train(), speed_rad_s: 0.0, time_s: 0.0 }
    }

    /// Running through the starter of `index` with a panel of its own.
    fn with_panel(index: usize, panel: PanelSettings) -> Self {
        let mut starters = train().specs().to_vec();
        starters[index].panel = panel;
        Self { train: DriveTrain::new(motor(), starters).unwrap(), ..Self::new() }
    }

    fn at_speed(mut self, index: usize, settings: Settings) -> Self {
        self.train.start(index, settings).unwrap();
        self.time_until("at speed", |b| b.train.at_speed(index));
        self.run(1.0, |_| {});
        self
    }

    fn started(index: usize, settings: Settings) -> Self {
        let mut bench = Self::new();
        bench.train.start(index, settings).unwrap();
        bench
    }

    fn net_torque(&self, speed: f64) -> f64 {
        self.train.torque_n_m(speed).0 - LOAD.torque_at_n_m(speed)
    }

    /// Driver to the next level, then the shaft by the trapezoidal rule, as an implicit plant would.
    fn step(&mut self) {
        let before = self.net_torque(self.speed_rad_s);
        self.train.advance(DT_S, self.speed_rad_s);
        let mut next = self.speed_rad_s;
        for _ in 0..20 {
            let after = self.net_torque(next);
            let slope = self.train.torque_n_m(next).1 - 2.0 * LOAD.torque_n_m * next.abs() / LOAD.at_rad_s.powi(2);
            let gain = 0.5 * DT_S / INERTIA_KG_M2;
            next -= (next - self.speed_rad_s - gain * (before + after)) / (1.0 - gain * slope);
        }
        self.speed_rad_s = next;
        self.time_s += DT_S;
    }

    fn run(&mut self, duration_s: f64, mut look: impl FnMut(&Self)) {
        let end = self.time_s + duration_s;
        while self.time_s < end {
            self.step();
            look(self);
        }
    }

    fn time_until(&mut self, what: &str, done: impl Fn(&Self) -> bool) -> f64 {
        let start = self.time_s;
        while !done(self) {
            self.step();
            assert!(self.time_s - start < 60.0, "{what}: not within 60 s, speed {} rad/s", self.speed_rad_s);
        }
        self.time_s - start
    }

    fn running(index: usize, settings: Settings) -> Self {
        let mut bench = Self::started(index, settings);
        bench.time_until("at speed", |b| b.train.at_speed(index));
        bench.run(1.0, |_| {});
        bench
    }
}

fn soft(ramp_s: f64, initial: f64) -> Settings {
    Settings {
        ramp_up_s: Some(ramp_s),
        ramp_down_s: Some(ramp_s),
        initial_voltage: Some(initial),
        ..Settings::default()
    }
}

fn drive(ramp_s: f64, speed: f64) -> Settings {
    Settings { ramp_up_s: Some(ramp_s), ramp_down_s: Some(ramp_s), speed: Some(speed), ..Settings::default() }
}

#[test]
fn starts_across_the_line_only_after_the_contactor_has_closed() {
    let mut bench = Bench::started(LINE, Settings::default());
    assert!(bench.train.is_running(LINE));
    assert_eq!(bench.train.outputs_on(), 0);
    let delay = bench.time_until("energised", |b| b.train.outputs_on() == 0b001);
    assert!((delay - 0.02).abs() < DT_S, "expected 0.02 s, got {delay} s, tolerance {DT_S} s");
    assert!((bench.train.current_a(0.0) / 8.2 - 7.0).abs() < 1e-9);
    bench.train.stop(LINE, StopKind::Ramp).unwrap();
    let delay = bench.time_until("off", |b| b.train.outputs_on() == 0);
    assert!((delay - 0.015).abs() < DT_S, "expected 0.015 s, got {delay} s, tolerance {DT_S} s");
    assert!(!bench.train.is_running(LINE));
}

#[test]
fn agrees_with_the_runge_kutta_run_up_across_the_line() {
    let mut bench = Bench::started(LINE, Settings::default());
    bench.time_until("energised", |b| b.train.outputs_on() != 0);
    let got = bench.time_until("150 rad/s", |b| b.speed_rad_s >= 148.0);
    let motor = Motor::new(motor()).unwrap();
    let net = |_: f64, w: f64| motor.torque_n_m(&Supply::LINE, w).0 - LOAD.torque_at_n_m(w);
    let expected = time_to_speed_s(INERTIA_KG_M2, net, 148.0, Steps { step_s: 1e-4, limit_s: 5.0 }).unwrap();
    assert!((got - expected).abs() < 2.0 * DT_S, "expected {expected} s, got {got} s, tolerance two steps");
}

#[test]
fn agrees_with_the_runge_kutta_run_up_on_a_voltage_ramp() {
    let mut bench = Bench::started(SOFT, soft(4.0, 0.4));
    let got = bench.time_until("90 %", |b| b.speed_rad_s >= 0.9 * LOAD.at_rad_s);
    let motor = Motor::new(motor()).unwrap();
    let net = |t: f64, w: f64| {
        motor.torque_n_m(&Supply::reduced_voltage(ramp_voltage(t, 0.4, 4.0)), w).0 - LOAD.torque_at_n_m(w)
    };
    let steps = Steps { step_s: 1e-4, limit_s: 9.0 };
    let expected = time_to_speed_s(INERTIA_KG_M2, net, 0.9 * LOAD.at_rad_s, steps).unwrap();
    assert!((got - expected).abs() < 2.0 * DT_S, "expected {expected} s, got {got} s, tolerance two steps");
}

#[test]
fn bypasses_the_soft_starter_when_ramp_and_motor_are_both_up() {
    let mut bench = Bench::started(SOFT, soft(3.0, 0.4));
    assert!((bench.train.output_share(SOFT) - 0.4).abs() < 1e-12);
    let time = bench.time_until("bypass", |b| b.train.at_speed(SOFT));
    assert!((time - 3.0).abs() < 2.0 * DT_S, "expected 3 s, got {time} s, tolerance two steps");
    assert!((bench.train.output_share(SOFT) - 1.0).abs() < 1e-12);
}

/// Largest current and time to bypass of a soft start with a short ramp.
fn short_soft_start(current_limit: Option<f64>) -> (f64, f64) {
    let mut bench = Bench::started(SOFT, Settings { current_limit, ..soft(0.05, 0.3) });
    let (mut peak, mut at_speed_s) = (0.0_f64, f64::INFINITY);
    bench.run(10.0, |b| {
        peak = peak.max(b.train.current_a(b.speed_rad_s));
        if b.train.at_speed(SOFT) {
            at_speed_s = at_speed_s.min(b.time_s);
        }
    });
    (peak, at_speed_s)
}

#[test]
fn law_a_current_limit_is_kept_and_lengthens_the_start() {
    let limit_a = 3.0 * motor().full_load_current_a;
    let (free_a, free_s) = short_soft_start(None);
    let (held_a, held_s) = short_soft_start(Some(3.0));
    assert!(free_a > 1.5 * limit_a, "the limit was never in the way: {free_a} A");
    // The limit is set from the speed one step before: a step of acceleration is the most it can be off by.
    assert!(held_a < 1.02 * limit_a, "expected at most {limit_a} A, got {held_a} A, tolerance 2 %");
    assert!(held_s > 1.5 * free_s && held_s < 10.0, "{free_s} s without, {held_s} s with the limit");
}

#[test]
fn ramps_voltage_down_to_initial_and_then_goes_off() {
    let mut bench = Bench::running(SOFT, soft(2.0, 0.4));
    bench.train.stop(SOFT, StopKind::Ramp).unwrap();
    let mut before = 1.0;
    let mut off_s = f64::INFINITY;
    let start = bench.time_s;
    bench.run(3.0, |b| {
        let share = b.train.output_share(SOFT);
        assert!(share <= before, "voltage rose from {before} to {share} on the way down");
        before = share;
        if share > 0.0 {
            assert!(share > 0.4 - 1e-9);
            off_s = b.time_s - start;
        }
    });
    assert!((off_s - 2.0).abs() < 3.0 * DT_S, "expected off after 2 s, got {off_s} s, tolerance three steps");
    assert!(!bench.train.is_running(SOFT));
}

#[test]
fn coasts_at_once_from_soft_starter_and_drive() {
    for (index, settings) in [(SOFT, soft(1.0, 0.5)), (DRIVE, drive(1.0, 1.0))] {
        let mut bench = Bench::running(index, settings);
        bench.train.stop(index, StopKind::Coast).unwrap();
        assert_eq!(bench.train.outputs_on(), 0);
        assert_eq!(bench.train.torque_n_m(bench.speed_rad_s), (0.0, 0.0));
    }
}

#[test]
fn opens_the_line_contactor_after_its_delay_and_closes_it_for_the_next_start() {
    for (index, settings) in [(SOFT, soft(1.0, 0.5)), (DRIVE, drive(1.0, 1.0))] {
        let mut bench = Bench::running(index, settings);
        bench.train.stop(index, StopKind::ContactorOff).unwrap();
        let delay = bench.time_until("off", |b| b.train.outputs_on() == 0);
        assert!((delay - 0.015).abs() < DT_S, "starter {index}: expected 0.015 s, got {delay} s");
        assert!(!bench.train.is_running(index));
        bench.run(2.0, |_| {});
        bench.train.start(index, settings).unwrap();
        assert_eq!(bench.train.outputs_on(), 0);
        bench.time_until("on again", |b| b.train.outputs_on() == 1 << index);
        bench.time_until("at speed again", |b| b.train.at_speed(index));
    }
}

#[test]
fn law_a_drive_ramp_is_on_rated_frequency_whatever_the_target() {
    let mut bench = Bench::started(DRIVE, drive(5.0, 0.8));
    let time = bench.time_until("on target", |b| b.train.at_speed(DRIVE));
    assert!((time - 4.0).abs() < 2.0 * DT_S, "expected 0.8 x 5 s, got {time} s, tolerance two steps");
    assert!((bench.train.output_share(DRIVE) - 0.8).abs() < 1e-6);
    bench.train.set_speed(DRIVE, 1.0).unwrap();
    let time = bench.time_until("on new target", |b| b.train.at_speed(DRIVE));
    assert!((time - 1.0).abs() < 2.0 * DT_S, "expected 0.2 x 5 s, got {time} s, tolerance two steps");
}

#[test]
fn law_a_fast_ramp_stop_stretches_and_never_brakes_beyond_its_bound() {
    let bound = -BRAKING_TORQUE * Motor::new(motor()).unwrap().rated_torque_n_m();
    let mut bench = Bench::running(DRIVE, Settings { ramp_down_s: Some(0.1), ..drive(2.0, 1.0) });
    bench.train.stop(DRIVE, StopKind::Ramp).unwrap();
    let start = bench.time_s;
    let mut least = 0.0_f64;
    let mut off_s = f64::NAN;
    bench.run(20.0, |b| {
        least = least.min(b.train.torque_n_m(b.speed_rad_s).0);
        if b.train.is_running(DRIVE) {
            off_s = b.time_s - start;
        }
        assert!(b.train.power_w(b.speed_rad_s) >= 0.0, "a drive gives nothing back");
    });
    assert!(least >= bound - 1e-9, "expected at least {bound} N m, got {least} N m");
    assert!(least < 0.5 * bound, "the bound was never near: least torque {least} N m");
    assert!(off_s > 0.5, "a stop of 0.1 s stretched to {off_s} s only");
}

#[test]
fn law_a_slow_ramp_stop_keeps_its_time() {
    let mut bench = Bench::running(DRIVE, drive(10.0, 1.0));
    bench.train.stop(DRIVE, StopKind::Ramp).unwrap();
    bench.run(5.0, |_| {});
    let share = bench.train.output_share(DRIVE);
    assert!((share - 0.5).abs() < 1e-3, "expected half frequency after 5 of 10 s, got {share}, tolerance 1e-3");
}

#[test]
fn law_a_too_fast_ramp_up_is_held_by_the_current_limit() {
    let limit = 1.2;
    let settings = Settings { current_limit: Some(limit), ..drive(0.02, 1.0) };
    let mut bench = Bench::started(DRIVE, settings);
    let mut peak = 0.0_f64;
    bench.run(3.0, |b| peak = peak.max(b.train.motor_current_a(b.speed_rad_s)));
    assert!(peak <= 1.02 * limit * 8.2, "expected at most {} A, got {peak} A, tolerance 2 %", limit * 8.2);
    assert!(bench.train.at_speed(DRIVE));
}

#[test]
fn catches_a_turning_rotor_without_braking_it() {
    let mut bench = Bench::running(DRIVE, drive(1.0, 1.0));
    bench.train.stop(DRIVE, StopKind::Coast).unwrap();
    bench.run(0.1, |_| {});
    let caught = bench.speed_rad_s;
    assert!(caught > 30.0, "rotor should still turn, {caught} rad/s");
    bench.train.start(DRIVE, drive(5.0, 1.0)).unwrap();
    assert!((bench.train.output_share(DRIVE) - caught / 157.08).abs() < 0.02);
    assert!(bench.train.torque_n_m(caught).0 >= -0.051 * bench.train.motor().rated_torque_n_m());
}

#[test]
fn pulls_a_backspinning_rotor_round_within_its_torque_limit() {
    let mut bench = Bench::new();
    bench.speed_rad_s = -60.0;
    bench.step();
    bench.train.start(DRIVE, drive(5.0, 1.0)).unwrap();
    let mut largest = 0.0_f64;
    bench.run(10.0, |b| largest = largest.max(b.train.torque_n_m(b.speed_rad_s).0));
    assert!(bench.train.at_speed(DRIVE), "speed {} rad/s", bench.speed_rad_s);
    assert!(largest < 2.0 * bench.train.motor().rated_torque_n_m(), "largest torque {largest} N m");
}

#[test]
fn turns_back_up_when_started_during_its_ramp_down() {
    for (index, settings) in [(SOFT, soft(2.0, 0.4)), (DRIVE, drive(2.0, 1.0))] {
        let mut bench = Bench::running(index, settings);
        bench.train.stop(index, StopKind::Ramp).unwrap();
        bench.run(0.5, |_| {});
        let share = bench.train.output_share(index);
        assert!(share < 0.95 && share > 0.5, "starter {index}: {share}");
        bench.train.start(index, settings).unwrap();
        bench.time_until("at speed again", |b| b.train.at_speed(index));
    }
}

#[test]
fn shows_both_outputs_when_two_starters_are_started() {
    let mut bench = Bench::started(SOFT, soft(1.0, 0.3));
    bench.train.start(LINE, Settings::default()).unwrap();
    bench.time_until("both", |b| b.train.outputs_on() == 0b011);
    assert!((bench.train.torque_n_m(0.0).0 / bench.train.motor().rated_torque_n_m() - 2.2).abs() < 1e-9);
}

#[test]
fn law_starting_takes_longer_and_milder_from_line_to_soft_starter_to_drive() {
    let cases = [(LINE, Settings::default()), (SOFT, soft(3.0, 0.4)), (DRIVE, drive(5.0, 1.0))];
    let rates = cases.map(|(index, settings)| {
        let mut bench = Bench::started(index, settings);
        let (mut before, mut largest) = (0.0, 0.0_f64);
        bench.run(6.0, |b| {
            largest = largest.max((b.speed_rad_s - before) / DT_S);
            before = b.speed_rad_s;
        });
        largest
    });
    assert!(rates[0] > rates[1] && rates[1] > rates[2], "peak accelerations {rates:?} rad/s2");
}

#[test]
fn law_settled_speed_is_where_motor_and_load_balance() {
    let bench = Bench::running(LINE, Settings::default());
    let motor = bench.train.motor();
    let net = |w: f64| motor.torque_n_m(&Supply::LINE, w).0 - LOAD.torque_at_n_m(w);
    let expected = settled_speed_rad_s(net, 140.0, 157.0).unwrap();
    let got = bench.speed_rad_s;
    assert!((got - expected).abs() < 1e-3, "expected {expected} rad/s, got {got} rad/s, tolerance 1e-3 rad/s");
}

#[test]
fn law_a_copy_goes_its_own_way() {
    let mut bench = Bench::started(DRIVE, drive(2.0, 1.0));
    bench.run(0.5, |_| {});
    let copy = bench.train.clone();
    let share = copy.output_share(DRIVE);
    bench.run(0.5, |_| {});
    assert!((copy.output_share(DRIVE) - share).abs() < f64::MIN_POSITIVE && bench.train.output_share(DRIVE) > share);
}

#[test]
fn rejects_settings_starters_and_targets_that_cannot_be() {
    let mut train = train();
    let error = train.start(SOFT, Settings { initial_voltage: Some(1.4), ..Settings::default() }).unwrap_err();
    assert_eq!(error.to_string(), "starter soft: initial_voltage 1.4 is outside 0 to 1 x line voltage");
    let nan = Settings { ramp_up_s: Some(f64::NAN), ..Settings::default() };
    assert!(train.start(DRIVE, nan).is_err());
    assert_eq!(
        train.start(7, Settings::default()).unwrap_err().to_string(),
        "no starter 7; there are 3, counted from 0"
    );
    assert!(matches!(train.set_speed(LINE, 0.5), Err(StarterError::NoTargetSpeed { .. })));
    assert!(train.set_speed(DRIVE, 1.5).is_err());
    assert_eq!(train.outputs_on(), 0);
    assert!(!train.is_running(SOFT) && !train.is_running(99));
}

/// Relative; the model is algebra at rest.
const EXACT: f64 = 1e-9;

fn close(what: &str, got: f64, expected: f64, tolerance: f64, unit: &str) {
    let error = (got - expected).abs();
    assert!(error <= tolerance, "{what}: expected {expected}, got {got}, error {error}, tolerance {tolerance} {unit}");
}

#[test]
fn law_star_gives_a_third_of_torque_and_line_current() {
    let star = StarDelta { star_s: 1.0, pause_s: 0.05 };
    let mut bench = Bench::with_panel(LINE, PanelSettings { star_delta: Some(star), ..PanelSettings::default() });
    bench.train.start(LINE, Settings::default()).unwrap();
    bench.time_until("star", |b| b.train.outputs_on() != 0);
    let full = Motor::new(motor()).unwrap();
    let w = bench.speed_rad_s;
    close("torque", bench.train.torque_n_m(w).0 * 3.0, full.torque_n_m(&Supply::LINE, w).0, EXACT, "N m");
    close("current", bench.train.current_a(w) * 3.0, full.current_a(&Supply::LINE, w), EXACT, "A");
    let star_s = bench.time_until("pause", |b| b.train.outputs_on() == 0);
    let pause_s = bench.time_until("delta", |b| b.train.outputs_on() != 0);
    close("time in star", star_s, 1.0, 1.5 * DT_S, "s");
    close("pause", pause_s, 0.05, 1.5 * DT_S, "s");
    bench.time_until("at speed", |b| b.train.at_speed(LINE));
}

#[test]
fn kicks_before_the_ramp_and_then_begins_at_the_initial_voltage() {
    let kick = Kick { voltage: 0.8, time_s: 0.2 };
    let mut bench = Bench::with_panel(SOFT, PanelSettings { kick: Some(kick), ..PanelSettings::default() });
    bench.train.start(SOFT, soft(4.0, 0.3)).unwrap();
    close("kick", bench.train.output_share(SOFT), 0.8, EXACT, "x line voltage");
    let kick_s = bench.time_until("end of the kick", |b| b.train.output_share(SOFT) < 0.5);
    close("time", kick_s, 0.2, 1.5 * DT_S, "s");
    close("then", bench.train.output_share(SOFT), 0.3, 1e-3, "x line voltage");
}

#[test]
fn law_a_stop_by_torque_lowers_torque_in_a_straight_line() {
    let panel = PanelSettings { soft_stop: SoftStop::Torque, ..PanelSettings::default() };
    let mut bench = Bench::with_panel(SOFT, panel).at_speed(SOFT, soft(4.0, 0.4));
    let at_stop = bench.train.torque_n_m(bench.speed_rad_s).0;
    bench.train.stop(SOFT, StopKind::Ramp).unwrap();
    let start_s = bench.time_s;
    let mut worst: f64 = 0.0;
    bench.run(3.9, |b| {
        let expected = at_stop * (1.0 - (b.time_s - start_s) / 4.0);
        worst = worst.max((b.train.torque_n_m(b.speed_rad_s).0 - expected).abs() / at_stop);
    });
    // Voltage is set from the speed one step before.
    assert!(worst < 5e-3, "expected a straight fall, got {worst} off, tolerance 5e-3 of the torque at the stop");
    bench.run(0.2, |_| {});
    assert!(!bench.train.is_running(SOFT));
}

#[test]
fn law_a_stop_by_torque_is_gentler_on_the_shaft_than_one_by_voltage() {
    let steepest = |soft_stop| {
        let panel = PanelSettings { soft_stop, ..PanelSettings::default() };
        let mut bench = Bench::with_panel(SOFT, panel).at_speed(SOFT, soft(4.0, 0.3));
        bench.train.stop(SOFT, StopKind::Ramp).unwrap();
        let (mut before, mut steepest) = (bench.speed_rad_s, 0.0_f64);
        bench.run(5.0, |b| {
            steepest = steepest.max((before - b.speed_rad_s) / DT_S);
            before = b.speed_rad_s;
        });
        steepest
    };
    let (voltage, torque) = (steepest(SoftStop::Voltage), steepest(SoftStop::Torque));
    assert!(torque < 0.8 * voltage, "steepest fall by torque {torque} rad/s2, by voltage {voltage} rad/s2");
}

#[test]
fn law_a_shaped_ramp_takes_the_straight_ramps_time_and_follows_its_shape() {
    for shape in [RampShape::S, RampShape::two_slopes(0.25, 0.5)] {
        let panel = PanelSettings { ramp_up_shape: shape.clone(), ..PanelSettings::default() };
        let mut bench = Bench::with_panel(DRIVE, panel);
        bench.train.start(DRIVE, drive(8.0, 0.9)).unwrap();
        bench.run(3.0, |_| {});
        let expected = 0.9 * shape.done(bench.time_s / (0.9 * 8.0));
        close("frequency after 3 s", bench.train.output_share(DRIVE), expected, 1e-9, "x rated");
        bench.time_until("on target", |b| b.train.at_speed(DRIVE));
        // The flat end of an S comes within the width of "on target" a thousandth of its time early.
        close("time", bench.time_s, 0.9 * 8.0, 1e-3 * 0.9 * 8.0, "s");
    }
}

#[test]
fn law_a_shaped_stop_faster_than_the_load_brakes_stretches() {
    let panel = PanelSettings { ramp_down_shape: RampShape::S, ..PanelSettings::default() };
    let quick = Settings { ramp_down_s: Some(0.1), ..drive(2.0, 1.0) };
    let mut bench = Bench::with_panel(DRIVE, panel).at_speed(DRIVE, quick);
    let least_allowed = -BRAKING_TORQUE * bench.train.motor().rated_torque_n_m();
    bench.train.stop(DRIVE, StopKind::Ramp).unwrap();
    let start_s = bench.time_s;
    let (mut off_s, mut least) = (f64::NAN, 0.0_f64);
    bench.run(20.0, |b| {
        least = least.min(b.train.torque_n_m(b.speed_rad_s).0);
        if b.train.is_running(DRIVE) {
            off_s = b.time_s - start_s;
        }
    });
    assert!(off_s > 0.5 && off_s < 15.0, "a stop of 0.1 s took {off_s} s");
    assert!(least >= least_allowed - 1e-9, "least torque {least} N m, allowed {least_allowed} N m");
}

#[test]
fn law_a_feeder_that_dips_loses_its_declared_share_with_the_rotor_locked() {
    let mounting = Mounting { supply_dip: 0.15, ..Mounting::DIRECT };
    let spec = MotorSpec { mounting, ..motor() };
    let mut dipped = DriveTrain::new(spec, train().specs().to_vec()).unwrap();
    let mut stiff = train();
    for train in [&mut dipped, &mut stiff] {
        train.start(LINE, Settings::default()).unwrap();
        train.advance(0.03, 0.0);
    }
    close("current", dipped.current_a(0.0) / stiff.current_a(0.0), 0.85, EXACT, "1");
    close("torque", dipped.torque_n_m(0.0).0 / stiff.torque_n_m(0.0).0, 0.85 * 0.85, EXACT, "1");
    for w in [0.0, 50.0, 120.0, 150.0] {
        let h = 1e-3;
        let difference = (dipped.torque_n_m(w + h).0 - dipped.torque_n_m(w - h).0) / (2.0 * h);
        close("slope", dipped.torque_n_m(w).1, difference, 1e-3 * (1.0 + difference.abs()), "N m s");
    }
}

#[test]
fn law_a_belt_keeps_power_but_for_its_loss() {
    let mounting = Mounting { belt_ratio: 1.5, belt_efficiency: 0.96, ..Mounting::DIRECT };
    let mut belted = DriveTrain::new(MotorSpec { mounting, ..motor() }, train().specs().to_vec()).unwrap();
    let mut direct = train();
    let (motor_rad_s, pump_rad_s) = (140.0, 210.0);
    for (train, w) in [(&mut belted, pump_rad_s), (&mut direct, motor_rad_s)] {
        train.start(LINE, Settings::default()).unwrap();
        train.advance(0.03, w);
    }
    let (at_pump_w, at_motor_w) =
        (belted.torque_n_m(pump_rad_s).0 * pump_rad_s, direct.torque_n_m(motor_rad_s).0 * motor_rad_s);
    close("power", at_pump_w, 0.96 * at_motor_w, 1e-9 * at_motor_w, "W");
    close("current", belted.current_a(pump_rad_s), direct.current_a(motor_rad_s), EXACT, "A");
    let braking = 1.5 * 165.0;
    let expected = direct.torque_n_m(165.0).0 / (0.96 * 1.5);
    close("braking torque", belted.torque_n_m(braking).0, expected, 1e-9 * expected.abs(), "N m");
}

#[test]
fn rejects_settings_of_another_kind_of_starter() {
    let kick = PanelSettings { kick: Some(Kick { voltage: 0.9, time_s: 0.1 }), ..PanelSettings::default() };
    let mut specs = train().specs().to_vec();
    specs[DRIVE].panel = kick;
    let error = DriveTrain::new(motor(), specs).unwrap_err();
    assert_eq!(error.to_string(), "starter drive: kick is set, which a starter of kind VariableSpeed does not have");
}

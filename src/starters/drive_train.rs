//! Motor and starters together: what turns the plant's shaft.
//!
//! Time levels: `torque_n_m`, `current_a` and `power_w` speak of the present level; `advance` steps ramps and contactors
//! to the next one, from the speed of the level just solved. A command acts at once on the present level, but for a
//! contactor's own delay.

use super::across_the_line::AcrossTheLine;
use super::contactor::ContactorTimes;
use super::control_valve::{ControlValve, ControlValveSpec};
use super::motor::{Motor, MotorError, Supply};
use super::settings;
use super::soft_starter::SoftStarter;
use super::variable_speed::VariableSpeed;
use super::{AT_SPEED_SLIPS, MotorSpec, PanelSettings, Settings, StarterKind, StarterSpec, StopKind};
use crate::hydraulics::motor_law::{MotorLaw, MotorLevel, MotorSupply, SupplyCourse};
use crate::hydraulics::plant::ShaftDriver;
use thiserror::Error;

/// Why a starter does not do as told.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum StarterError {
    /// The motor's nameplate is wrong.
    #[error(transparent)]
    Motor(#[from] MotorError),
    /// More starters than [`DriveTrain::outputs_on`] has bits.
    #[error("{count} starters; at most 16")]
    TooMany {
        /// Starters given.
        count: usize,
    },
    /// An index past the last starter.
    #[error("no starter {index}; there are {count}, counted from 0")]
    NoSuchStarter {
        /// As given.
        index: usize,
        /// Starters there are.
        count: usize,
    },
    /// A setting outside what any starter can do.
    #[error("starter {starter}: {setting} {value} is outside {low} to {high} {unit}")]
    Setting {
        /// Starter's id.
        starter: String,
        /// Field of [`Settings`].
        setting: &'static str,
        /// As given.
        value: f64,
        /// Lowest allowed.
        low: f64,
        /// Highest allowed.
        high: f64,
        /// Unit of all three, and what it is relative to.
        unit: &'static str,
    },
    /// A setting of the panel that this kind of starter does not have.
    #[error("starter {starter}: {setting} is set, which a starter of kind {kind:?} does not have")]
    NotOfThisKind {
        /// Starter's id.
        starter: String,
        /// Field of [`PanelSettings`].
        setting: &'static str,
        /// Its kind.
        kind: StarterKind,
    },
    /// A profile that is none.
    #[error("starter {starter}: a ramp profile must rise from (0, 0) to (1, 1) and never fall back")]
    Shape {
        /// Starter's id.
        starter: String,
    },
    /// Only a drive has a speed to set.
    #[error("starter {starter} is {kind:?}; only a variable-speed drive has a target speed")]
    NoTargetSpeed {
        /// Starter's id.
        starter: String,
        /// Its kind.
        kind: StarterKind,
    },
}

/// One starter's state.
#[derive(Debug, Clone, PartialEq)]
enum Starter {
    AcrossTheLine(AcrossTheLine),
    SoftStarter(SoftStarter),
    VariableSpeed(VariableSpeed),
}

impl Starter {
    fn new(kind: StarterKind, panel: &PanelSettings, times: ContactorTimes) -> Self {
        match kind {
            StarterKind::AcrossTheLine => Self::AcrossTheLine(AcrossTheLine::new(times, panel.star_delta)),
            StarterKind::SoftStarter => Self::SoftStarter(SoftStarter::new(times, panel.kick, panel.soft_stop)),
            StarterKind::VariableSpeed => Self::VariableSpeed(VariableSpeed::new(times, panel)),
        }
    }

    fn start(&mut self, settings: &Settings, motor: &Motor, speed_rad_s: f64) {
        match self {
            Self::AcrossTheLine(line) => line.start(),
            Self::SoftStarter(soft) => soft.start(settings, motor, speed_rad_s),
            Self::VariableSpeed(drive) => drive.start(settings, motor, speed_rad_s),
        }
    }

    fn stop(&mut self, kind: StopKind, motor: &Motor, speed_rad_s: f64) {
        match self {
            Self::AcrossTheLine(line) => line.stop(),
            Self::SoftStarter(soft) => soft.stop(kind, motor, speed_rad_s),
            Self::VariableSpeed(drive) => drive.stop(kind),
        }
    }

    fn advance(&mut self, dt_s: f64, motor: &Motor, speed_rad_s: f64) {
        match self {
            Self::AcrossTheLine(line) => line.advance(dt_s),
            Self::SoftStarter(soft) => soft.advance(dt_s, motor, speed_rad_s),
            Self::VariableSpeed(drive) => drive.advance(dt_s, motor, speed_rad_s),
        }
    }

    /// Time passes without a change of it, whatever the motor does.
    fn is_at_rest(&self) -> bool {
        match self {
            Self::AcrossTheLine(line) => line.is_at_rest(),
            Self::SoftStarter(soft) => soft.is_at_rest(),
            Self::VariableSpeed(drive) => drive.is_at_rest(),
        }
    }

    fn is_energised(&self) -> bool {
        match self {
            Self::AcrossTheLine(line) => line.is_energised(),
            Self::SoftStarter(soft) => soft.is_energised(),
            Self::VariableSpeed(drive) => drive.is_energised(),
        }
    }

    fn is_running(&self) -> bool {
        match self {
            Self::AcrossTheLine(line) => line.is_running(),
            Self::SoftStarter(soft) => soft.is_running(),
            Self::VariableSpeed(drive) => drive.is_running(),
        }
    }

    fn is_at_speed(&self, motor: &Motor, speed_rad_s: f64) -> bool {
        match self {
            Self::AcrossTheLine(line) => {
                let lag = motor.lag(&Supply::LINE, speed_rad_s);
                line.is_in_delta() && lag <= AT_SPEED_SLIPS * motor.rated_slip()
            }
            Self::SoftStarter(soft) => soft.is_at_speed(),
            Self::VariableSpeed(drive) => drive.is_at_speed(),
        }
    }

    fn supply(&self) -> Supply {
        match self {
            Self::AcrossTheLine(line) => line.supply(),
            Self::SoftStarter(soft) => soft.supply(),
            Self::VariableSpeed(drive) => drive.supply(),
        }
    }

    /// Line current over the motor current of the same winding voltage in delta.
    fn line_share(&self) -> f64 {
        match self {
            Self::AcrossTheLine(line) => line.line_share(),
            Self::SoftStarter(_) | Self::VariableSpeed(_) => 1.0,
        }
    }

    /// What the windings see once the feeder has dropped its share.
    fn at_windings(&self, motor: &Motor, speed_rad_s: f64) -> Supply {
        motor.behind_feeder(&self.supply(), self.line_share(), speed_rad_s)
    }

    /// What its law is fed with.
    fn at_motor(&self) -> MotorSupply {
        let line_share = if matches!(self, Self::VariableSpeed(_)) { 0.0 } else { self.line_share() };
        MotorSupply { line_share, ..self.supply().at_motor() }
    }

    fn law(&self, motor: &Motor) -> MotorLaw {
        match self {
            Self::VariableSpeed(drive) => drive.law(motor),
            Self::AcrossTheLine(_) | Self::SoftStarter(_) => motor.law_at_shaft(),
        }
    }

    /// The voltage at the windings falls with the current they take: no supply tells all of it.
    fn is_dipped(&self, motor: &Motor) -> bool {
        motor.spec().mounting.supply_dip > 0.0 && !matches!(self, Self::VariableSpeed(_))
    }
}

/// A motor and the starters that may turn it.
///
/// It does what it is told: if two starters are started, two are on, and [`DriveTrain::outputs_on`] shows both. What
/// then turns the shaft is the one with the higher voltage; the short circuit that real wiring would make is not
/// modelled.
#[derive(Debug, Clone)]
pub struct DriveTrain {
    motor: Motor,
    specs: Vec<StarterSpec>,
    starters: Vec<Starter>,
    /// One a starter, as the shaft and the line see the motor behind it.
    laws: Vec<MotorLaw>,
    /// The starter that acts, and what the motor sees through it.
    acting: Option<usize>,
    supply: MotorSupply,
    /// Orders taken: laws may change with each.
    orders: u64,
    speed_rad_s: f64,
    /// The control valve at the pump's outlet: its element and itself.
    valve: Option<(usize, ControlValve)>,
    /// A start that waits until the control valve is shut.
    held: Option<(usize, Settings)>,
}

impl DriveTrain {
    /// A motor at rest, all starters off, contactors with [`ContactorTimes::default`].
    ///
    /// # Errors
    /// [`StarterError`]: a nameplate or a setting that cannot be, or more than 16 starters.
    pub fn new(motor: MotorSpec, starters: Vec<StarterSpec>) -> Result<Self, StarterError> {
        Self::with_contactors(motor, starters, ContactorTimes::default())
    }

    /// As [`DriveTrain::new`], with the delays of its contactors.
    ///
    /// # Errors
    /// As [`DriveTrain::new`].
    pub fn with_contactors(
        motor: MotorSpec,
        starters: Vec<StarterSpec>,
        times: ContactorTimes,
    ) -> Result<Self, StarterError> {
        if starters.len() > 16 {
            return Err(StarterError::TooMany { count: starters.len() });
        }
        for spec in &starters {
            settings::check(&spec.id, spec.kind, &spec.settings)?;
            spec.panel.check(&spec.id, spec.kind)?;
        }
        let states = starters.iter().map(|spec| Starter::new(spec.kind, &spec.panel, times)).collect();
        let (acting, supply, laws) = (None, MotorSupply::NONE, Vec::new());
        let mut train = Self {
            motor: Motor::new(motor)?,
            specs: starters,
            starters: states,
            laws,
            acting,
            supply,
            orders: 0,
            speed_rad_s: 0.0,
            valve: None,
            held: None,
        };
        train.ordered();
        Ok(train)
    }

    /// With a control valve, shut, that is element `element` of the plant's network; see [`super::control_valve`].
    ///
    /// # Errors
    /// A valve that cannot be.
    pub fn with_control_valve(mut self, element: usize, valve: ControlValveSpec) -> Result<Self, StarterError> {
        valve.check("control valve")?;
        self.valve = Some((element, ControlValve::shut(valve)));
        Ok(self)
    }

    /// The control valve sticks, or moves again; nothing where there is none.
    pub fn stick_control_valve(&mut self, stuck: bool) {
        if let Some((_, valve)) = &mut self.valve {
            valve.stick(stuck);
        }
    }

    /// The control valve.
    #[must_use]
    pub fn control_valve(&self) -> Option<&ControlValve> {
        self.valve.as_ref().map(|(_, valve)| valve)
    }

    /// Start with settings; where one is `None` the starter's own from its [`StarterSpec`] holds, then the assumed
    /// value of [`super::settings`]. A running starter takes the settings over and goes on; one that ramps down turns
    /// back up. With a control valve that is not shut, the motor waits until it is.
    ///
    /// # Errors
    /// No such starter, or a setting outside its span (nothing changes then).
    pub fn start(&mut self, index: usize, settings: Settings) -> Result<(), StarterError> {
        let spec = self.spec(index)?;
        let settings = settings::merge(&settings, &spec.settings);
        settings::check(&spec.id, spec.kind, &settings)?;
        let motor_on = self.motor_is_on();
        if let Some((_, valve)) = &mut self.valve
            && !valve.start(motor_on)
        {
            self.held = Some((index, settings));
            return Ok(());
        }
        let Self { motor, starters, speed_rad_s, .. } = self;
        starters[index].start(&settings, motor, *speed_rad_s);
        self.ordered();
        Ok(())
    }

    /// An order was taken.
    fn ordered(&mut self) {
        self.laws = self.starters.iter().map(|starter| starter.law(&self.motor)).collect();
        self.orders += 1;
        self.settle();
    }

    /// Note what the motor sees at the present level.
    fn settle(&mut self) {
        let mut acting: Option<(usize, Supply)> = None;
        for (index, starter) in self.starters.iter().enumerate().filter(|(_, starter)| starter.is_energised()) {
            let supply = starter.supply();
            if acting.is_none_or(|(_, highest)| supply.voltage_share >= highest.voltage_share) {
                acting = Some((index, supply));
            }
        }
        self.acting = acting.map(|(index, _)| index);
        self.supply = self.acting().map_or(MotorSupply::NONE, Starter::at_motor);
    }

    fn motor_is_on(&self) -> bool {
        self.starters.iter().any(Starter::is_running)
    }

    /// Stop in a way. A ramp stop of a contactor, or of a soft starter without ramp-down time, is off at once. With a
    /// control valve a ramp stop closes the valve, whose limit switch then cuts the motor; any other stop cuts it at once.
    ///
    /// # Errors
    /// No such starter.
    pub fn stop(&mut self, index: usize, kind: StopKind) -> Result<(), StarterError> {
        self.spec(index)?;
        self.held = None;
        let motor_on = self.motor_is_on();
        if let Some((_, valve)) = self.valve.as_mut().filter(|_| motor_on) {
            if kind == StopKind::Ramp {
                valve.stop();
                return Ok(());
            }
            valve.cut();
        }
        let Self { motor, starters, speed_rad_s, .. } = self;
        starters[index].stop(kind, motor, *speed_rad_s);
        self.ordered();
        Ok(())
    }

    /// The control valve's step: its limit switch cuts the motor, a shut valve lets a held start go.
    fn advance_valve(&mut self, dt_s: f64) {
        let Self { motor, starters, speed_rad_s, valve, held, .. } = self;
        let Some((_, valve)) = valve else { return };
        let at_speed = starters.iter().any(|starter| starter.is_running() && starter.is_at_speed(motor, *speed_rad_s));
        if valve.advance(dt_s, at_speed) {
            starters.iter_mut().for_each(|starter| starter.stop(StopKind::Coast, motor, *speed_rad_s));
        }
        if valve.opening() <= 0.0
            && let Some((index, settings)) = held.take()
        {
            valve.start(false);
            starters[index].start(&settings, motor, *speed_rad_s);
            self.ordered();
        }
    }

    /// New target speed of a drive, share of rated frequency 0..1.2; kept for when it runs.
    ///
    /// # Errors
    /// No such starter, not a drive, or outside the span.
    pub fn set_speed(&mut self, index: usize, speed: f64) -> Result<(), StarterError> {
        let spec = self.spec(index)?;
        settings::check(&spec.id, spec.kind, &Settings { speed: Some(speed), ..Settings::default() })?;
        let (starter, kind) = (spec.id.clone(), spec.kind);
        match &mut self.starters[index] {
            Starter::VariableSpeed(drive) => drive.set_target(speed),
            _ => return Err(StarterError::NoTargetSpeed { starter, kind }),
        }
        Ok(())
    }

    fn spec(&self, index: usize) -> Result<&StarterSpec, StarterError> {
        self.specs.get(index).ok_or(StarterError::NoSuchStarter { index, count: self.specs.len() })
    }

    /// Bit i: starter i puts voltage on the motor.
    pub fn outputs_on(&self) -> u16 {
        self.starters.iter().enumerate().filter(|(_, s)| s.is_energised()).fold(0, |bits, (i, _)| bits | 1 << i)
    }

    /// Between an accepted start and output off (a contactor on its way in counts).
    pub fn is_running(&self, index: usize) -> bool {
        self.starters.get(index).is_some_and(Starter::is_running)
    }

    /// Contactor: slip within 1.5 rated slips; soft starter: bypass closed; drive: frequency on target.
    pub fn at_speed(&self, index: usize) -> bool {
        self.starters.get(index).is_some_and(|s| s.is_at_speed(&self.motor, self.speed_rad_s))
    }

    /// Contactor and soft starter: voltage, share of line voltage; drive: frequency, share of rated frequency.
    pub fn output_share(&self, index: usize) -> f64 {
        self.starters.get(index).filter(|s| s.is_energised()).map_or(0.0, |starter| match starter {
            Starter::VariableSpeed(_) => starter.supply().frequency_share,
            _ => starter.supply().voltage_share,
        })
    }

    /// Current in the motor's own leads at a speed of the plant's shaft, A rms (a drive's line current is another).
    pub fn motor_current_a(&self, speed_rad_s: f64) -> f64 {
        let motor_rad_s = self.motor_speed_rad_s(speed_rad_s);
        self.acting().map_or(0.0, |s| {
            s.line_share() * self.motor.current_a(&s.at_windings(&self.motor, motor_rad_s), motor_rad_s)
        })
    }

    /// Motor speed as `advance` last heard it, rad/s.
    pub fn speed_actual_rad_s(&self) -> f64 {
        self.speed_rad_s
    }

    /// The motor.
    pub fn motor(&self) -> &Motor {
        &self.motor
    }

    /// The starters.
    pub fn specs(&self) -> &[StarterSpec] {
        &self.specs
    }

    /// Speed of the motor at a speed of the plant's shaft: w/ratio of the belt, rad/s.
    fn motor_speed_rad_s(&self, shaft_rad_s: f64) -> f64 {
        shaft_rad_s / self.motor.spec().mounting.belt_ratio
    }

    fn acting(&self) -> Option<&Starter> {
        self.starters.get(self.acting?)
    }

    /// The law of the starter that acts; of any, where none does.
    fn law(&self) -> Option<&MotorLaw> {
        self.laws.get(self.acting.unwrap_or(0))
    }

    /// Of the acting starter, where the feeder dips under its current: its law is fed with what the windings then see.
    fn dipped(&self, speed_rad_s: f64) -> Option<MotorSupply> {
        let starter = self.acting().filter(|starter| starter.is_dipped(&self.motor))?;
        let supply = starter.at_windings(&self.motor, self.motor_speed_rad_s(speed_rad_s));
        Some(MotorSupply { line_share: starter.line_share(), ..supply.at_motor() })
    }

    fn supply_at(&self, speed_rad_s: f64) -> MotorSupply {
        self.dipped(speed_rad_s).unwrap_or(self.supply)
    }
}

impl ShaftDriver for DriveTrain {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        let Some(law) = self.law() else { return (0.0, 0.0) };
        let at = |speed_rad_s| law.shaft_torque(&self.supply_at(speed_rad_s), speed_rad_s);
        if self.dipped(speed_rad_s).is_none() {
            return at(speed_rad_s);
        }
        let step_rad_s = 1e-6 * self.motor.synchronous_rad_s();
        let slope = (at(speed_rad_s + step_rad_s).0 - at(speed_rad_s - step_rad_s).0) / (2.0 * step_rad_s);
        (at(speed_rad_s).0, slope)
    }

    fn advance(&mut self, dt_s: f64, speed_rad_s: f64) {
        let motor_rad_s = self.motor_speed_rad_s(speed_rad_s);
        self.speed_rad_s = motor_rad_s;
        self.advance_valve(dt_s);
        let mut moved = false;
        for starter in self.starters.iter_mut().filter(|starter| !starter.is_at_rest()) {
            starter.advance(dt_s, &self.motor, motor_rad_s);
            moved = true;
        }
        if moved {
            self.settle();
        }
    }

    fn current_a(&self, speed_rad_s: f64) -> f64 {
        self.law().map_or(0.0, |law| law.line_current_a(&self.supply_at(speed_rad_s), speed_rad_s))
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.law().map_or(0.0, |law| law.line_power_w(&self.supply_at(speed_rad_s), speed_rad_s))
    }

    fn motor_level(&self) -> Option<MotorLevel<'_>> {
        let may_dip = self.motor.spec().mounting.supply_dip > 0.0;
        let dips = may_dip && self.acting().is_some_and(|starter| starter.is_dipped(&self.motor));
        let key = self.orders * 32 + self.acting.map_or(0, |index| index as u64);
        self.law().filter(|_| !dips).map(|law| MotorLevel { law, key, supply: self.supply })
    }

    fn course(&self) -> Option<SupplyCourse> {
        if self.valve.is_some() || self.held.is_some() || self.motor_level().is_none() {
            return None;
        }
        let mut moving = self.starters.iter().filter(|starter| !starter.is_at_rest());
        match (moving.next(), moving.next()) {
            (None, _) => Some(SupplyCourse::STILL),
            (Some(Starter::VariableSpeed(drive)), None) if self.outputs_on().count_ones() == 1 => drive.course(),
            _ => None,
        }
    }

    fn resume(&mut self, frequency: Option<f64>, _: f64, speed_rad_s: f64) {
        self.speed_rad_s = self.motor_speed_rad_s(speed_rad_s);
        let mut moving = self.starters.iter_mut().filter(|starter| !starter.is_at_rest());
        if let (Some(Starter::VariableSpeed(drive)), Some(frequency)) = (moving.next(), frequency) {
            drive.resume(frequency);
        }
        self.settle();
    }

    fn valve(&self) -> Option<(usize, f64)> {
        self.valve.as_ref().map(|(element, valve)| (*element, valve.opening()))
    }
}

#[cfg(test)]
mod tests;

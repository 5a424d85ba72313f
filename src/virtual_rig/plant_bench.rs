//! The plant as a [`Bench`]: the solver of `hydraulics` on the hidden truth, turned by the drive train of `starters`.

use super::VirtualRigError;
use super::bench::{Bench, Motion};
use super::stillness::Stillness;
use super::truth::Truth;
use crate::hydraulics::plant::Plant;
use crate::hydraulics::spec::{Place, PumpCondition, Terminal};
use crate::rig::model::{Quantity, Rig};
use crate::rig::pump_fault::PumpFault;
use crate::starters::DriveTrain;
use crate::starters::set_point::{Controlled, SetPointControl, SetPointSettings};
use crate::starters::{Settings, StopKind};

/// A shaft slower than this stands, rad/s.
const STANDS_RAD_S: f64 = 0.1;

/// A value that moves by less than this share of its channel's range stands still.
const STILL_SHARE: f64 = 2e-5;

/// Where a channel's true value is found.
#[derive(Debug, Clone, Copy)]
enum Probe {
    Pressure(Place, f64),
    /// High side, low side, elevation of the transmitter, m.
    Difference(Place, Place, f64),
    Current,
    Power,
    Speed,
    Flow(Place),
    /// Some output is on.
    Contact,
}

/// The plant with the true values at its last two time levels; frames fall between them.
pub struct PlantBench {
    rig: Rig,
    truth: Truth,
    plant: Plant<DriveTrain>,
    line_up: usize,
    /// Rig time at the plant's time zero, s.
    zero_s: f64,
    probes: Vec<Probe>,
    before_s: f64,
    before: Vec<f64>,
    now: Vec<f64>,
    set_speed: Option<(usize, f64)>,
    /// A drive's own controller while it runs.
    control: Option<(usize, SetPointControl)>,
    /// Faults of the pump, in their order.
    faults: Vec<PumpFault>,
    /// The pump as it will be once the shaft stands.
    due: Option<PumpCondition>,
    stillness: Stillness,
    /// Nobody wants anything of it before, s of rig time.
    rests_until_s: f64,
    passing: bool,
}

fn failed(error: impl std::error::Error) -> VirtualRigError {
    VirtualRigError::Plant(error.to_string())
}

/// The true plant in a line-up, everything at rest; `kept`: (node, level m) of tanks that stand otherwise.
fn plant(
    rig: &Rig,
    truth: &Truth,
    line_up: usize,
    kept: &[(usize, f64)],
) -> Result<Plant<DriveTrain>, VirtualRigError> {
    let (_, _, starters) = rig.plant_parts(line_up);
    let mut train = DriveTrain::with_contactors(truth.motor, starters, truth.devices.contactor).map_err(failed)?;
    if let (Some(valve), Some(true_valve)) = (&rig.control_valve, &truth.devices.control_valve) {
        train = train.with_control_valve(valve.element, true_valve.clone()).map_err(failed)?;
    }
    let mut network = truth.network_in(rig, line_up);
    for (node, kept_m) in kept {
        if let Terminal::Tank { level_m, .. } = &mut network.nodes[*node].terminal {
            *level_m = *kept_m;
        }
    }
    let plant = match rig.lines_at_start(line_up) {
        Some(lines) => Plant::with_lines(&network, &truth.shaft, train, &truth.grid, &lines),
        None => Plant::new(&network, &truth.shaft, train, &truth.grid),
    };
    let mut plant = plant.map_err(failed)?;
    plant.let_fall(&rig.falls);
    Ok(plant)
}

/// What a controller inside a drive is told of the water.
fn held_value(plant: &Plant<DriveTrain>, rig: &Rig, held: Controlled) -> f64 {
    let elevation_m = |node: usize| rig.network.nodes.get(node).map_or(0.0, |node| node.elevation_m);
    match held {
        Controlled::Pressure { node } => plant.gauge_pa(Place::Node(node), elevation_m(node)),
        Controlled::Level { node } => plant.level_m(node),
        Controlled::Flow => plant.pump_flow_m3_s(),
        // A drive has its own transmitter; only the program's controller reads a channel.
        Controlled::Channel { .. } => f64::NAN,
    }
}

impl PlantBench {
    /// The true bench of `rig` in a line-up, everything at rest.
    pub fn new(rig: &Rig, truth: &Truth, line_up: usize) -> Result<Self, VirtualRigError> {
        let probes = rig.channels.iter().map(|channel| match (channel.quantity, channel.place) {
            (Quantity::GaugePressure, Some(place)) => Ok(Probe::Pressure(place, channel.diaphragm_elevation_m)),
            (Quantity::PressureDifference, Some(high)) if channel.low_place.is_some() => {
                Ok(Probe::Difference(high, channel.low_place.unwrap_or(high), channel.diaphragm_elevation_m))
            }
            (Quantity::GaugePressure | Quantity::PressureDifference, _) => {
                Err(VirtualRigError::Plant(format!("channel {} has no place", channel.id)))
            }
            (Quantity::LineCurrent | Quantity::CurrentWave, _) => Ok(Probe::Current),
            (Quantity::ShaftSpeed, _) => Ok(Probe::Speed),
            (Quantity::LinePower, _) => Ok(Probe::Power),
            (Quantity::Flow, Some(place)) => Ok(Probe::Flow(place)),
            (Quantity::Flow, None) => Err(VirtualRigError::Plant(format!("channel {} has no place", channel.id))),
            (Quantity::Contact, _) => Ok(Probe::Contact),
        });
        let mut bench = Self {
            plant: plant(rig, truth, line_up, &[])?,
            rig: rig.clone(),
            truth: truth.clone(),
            line_up,
            zero_s: 0.0,
            probes: probes.collect::<Result<_, _>>()?,
            before_s: 0.0,
            before: Vec::new(),
            now: Vec::new(),
            set_speed: None,
            control: None,
            faults: Vec::new(),
            due: None,
            stillness: Stillness::default(),
            rests_until_s: 0.0,
            passing: false,
        };
        bench.now = bench.values();
        bench.before.clone_from(&bench.now);
        Ok(bench)
    }

    fn time_s(&self) -> f64 {
        self.zero_s + self.plant.time_s()
    }

    fn values(&self) -> Vec<f64> {
        self.probes.iter().map(|probe| self.value(*probe)).collect()
    }

    /// Levels of tanks that the line-up says nothing of, (node, m): nobody touches them.
    fn levels_kept(&self, line_up: usize) -> Vec<(usize, f64)> {
        let stated = self.rig.line_ups.get(line_up).map_or(&[][..], |line_up| &line_up.levels);
        let nodes = self.truth.network.nodes.iter().enumerate();
        let tanks = nodes.filter(|(_, node)| matches!(node.terminal, Terminal::Tank { .. })).map(|(node, _)| node);
        let untouched = tanks.filter(|tank| !stated.iter().any(|(node, _)| node == tank));
        untouched.map(|tank| (tank, self.plant.level_m(tank))).collect()
    }

    fn value(&self, probe: Probe) -> f64 {
        match probe {
            Probe::Pressure(place, elevation_m) => self.plant.gauge_pa(place, elevation_m),
            Probe::Difference(high, low, elevation_m) => {
                self.plant.gauge_pa(high, elevation_m) - self.plant.gauge_pa(low, elevation_m)
            }
            Probe::Current => self.plant.current_a(),
            Probe::Power => self.plant.power_w(),
            Probe::Speed => self.plant.speed_rad_s(),
            Probe::Flow(place) => self.plant.flow_m3_s(place),
            Probe::Contact => {
                let train = self.plant.driver();
                f64::from(u8::from((0..self.truth.devices.ramp_factor.len()).any(|starter| train.is_running(starter))))
            }
        }
    }

    /// The drive's own controller, which reads the water by a transmitter of its own.
    fn control(&mut self) {
        let now_s = self.time_s();
        let Some((starter, control)) = &mut self.control else { return };
        let value = held_value(&self.plant, &self.rig, control.controlled());
        let Some(speed) = control.look(now_s, value) else { return };
        if let Err(error) = self.plant.driver_mut().set_speed(*starter, speed) {
            tracing::warn!(%error, "set speed not taken");
        }
    }

    fn step(&mut self) -> Result<(), VirtualRigError> {
        self.before_s = self.time_s();
        if self.plant.speed_rad_s().abs() < STANDS_RAD_S
            && let Some(condition) = self.due.take()
        {
            self.plant.set_pump_condition(condition);
        }
        self.control();
        self.plant.advance().map_err(|error| VirtualRigError::Plant(error.to_string()))?;
        // Nobody is to hear from the plant but through its sensors.
        drop(self.plant.take_events());
        std::mem::swap(&mut self.before, &mut self.now);
        for at in 0..self.probes.len() {
            self.now[at] = self.value(self.probes[at]);
        }
        Ok(())
    }
}

impl PlantBench {
    fn rests(&self) -> bool {
        let train = self.plant.driver();
        let off = (0..self.truth.devices.ramp_factor.len()).all(|starter| !train.is_running(starter));
        off && self.due.is_none() && self.plant.speed_rad_s().abs() < STANDS_RAD_S
    }

    /// Nothing on, shaft at rest, no channel moves: the time passes over the plant as it stands.
    fn rest_over(&mut self, time_s: f64) -> bool {
        if time_s >= self.rests_until_s {
            self.awakes();
            return false;
        }
        if !self.rests() {
            self.stillness.stirred();
            return false;
        }
        let ranges = self.rig.channels.iter().map(|channel| STILL_SHARE * (channel.range.1 - channel.range.0));
        if !self.stillness.look(time_s, self.now.iter().copied().zip(ranges)) {
            return false;
        }
        self.zero_s = time_s - self.plant.time_s();
        self.before_s = time_s;
        self.before.clone_from(&self.now);
        true
    }

    /// Somebody touches it.
    fn awakes(&mut self) {
        self.rests_until_s = 0.0;
        self.stillness.stirred();
    }
}

impl Bench for PlantBench {
    fn frame(&mut self, time_s: f64, out: &mut [f64]) -> Result<(), VirtualRigError> {
        self.passing = self.rests_until_s > 0.0 && self.rest_over(time_s);
        if self.passing {
            out.copy_from_slice(&self.now);
            return Ok(());
        }
        while self.time_s() < time_s {
            self.step()?;
        }
        let span_s = self.time_s() - self.before_s;
        let share = if span_s > 0.0 { ((time_s - self.before_s) / span_s).clamp(0.0, 1.0) } else { 1.0 };
        for ((value, before), now) in out.iter_mut().zip(&self.before).zip(&self.now) {
            *value = before + share * (now - before);
        }
        Ok(())
    }

    fn rest(&mut self, until_s: f64) {
        self.rests_until_s = until_s;
    }

    fn passes_over(&self) -> bool {
        self.passing
    }

    fn start(&mut self, starter: usize, settings: &Settings) {
        self.awakes();
        let factor = self.truth.devices.ramp_factor.get(starter).copied().unwrap_or(1.0);
        let settings = Settings {
            ramp_up_s: settings.ramp_up_s.map(|ramp_s| ramp_s * factor),
            ramp_down_s: settings.ramp_down_s.map(|ramp_s| ramp_s * factor),
            ..*settings
        };
        self.set_speed = settings.speed.map(|share| (starter, share));
        let panel = self.rig.starters.get(starter).and_then(|starter| starter.panel.set_point);
        self.control = panel.map(|panel| {
            let wanted = SetPointSettings { set_point: settings.set_point.unwrap_or(panel.set_point), ..panel };
            let value = held_value(&self.plant, &self.rig, panel.controlled);
            (starter, SetPointControl::new(wanted, self.time_s(), value))
        });
        if let Err(error) = self.plant.driver_mut().start(starter, settings) {
            tracing::warn!(%error, "the output came on, the motor does not turn");
        }
    }

    fn stop(&mut self, starter: usize, kind: StopKind) {
        self.control = None;
        if let Err(error) = self.plant.driver_mut().stop(starter, kind) {
            tracing::warn!(%error, "stop not taken");
        }
    }

    fn set_point(&mut self, starter: usize, value: f64) {
        if let Some((_, control)) = self.control.as_mut().filter(|(own, _)| *own == starter) {
            control.hold_at(value);
        }
    }

    fn stick_valve(&mut self, stuck: bool) {
        self.plant.driver_mut().stick_control_valve(stuck);
    }

    fn set_speed(&mut self, starter: usize, share: f64) {
        if self.control.as_ref().is_some_and(|(own, _)| *own == starter) {
            return;
        }
        if self.set_speed != Some((starter, share)) {
            self.set_speed = Some((starter, share));
            if let Err(error) = self.plant.driver_mut().set_speed(starter, share) {
                tracing::warn!(%error, "set speed not taken");
            }
        }
    }

    /// Somebody turns the valves, refills or draws down the tanks whose level the line-up states, and empties the lines
    /// where it says so; water that still swings is at rest when they are done. What the pump has caught stays.
    fn set_line_up(&mut self, line_up: usize) -> Result<(), VirtualRigError> {
        self.awakes();
        if line_up == self.line_up {
            let drained = self.rig.lines_at_start(line_up).is_some_and(|lines| lines.discharge_drained);
            if drained {
                self.plant.empty_discharge();
            }
            return Ok(());
        }
        let kept = self.levels_kept(line_up);
        let zero_s = self.time_s();
        self.plant = plant(&self.rig, &self.truth, line_up, &kept)?;
        (self.zero_s, self.line_up, self.set_speed, self.due) = (zero_s, line_up, None, None);
        for fault in &self.faults {
            if let Some(now) = self.plant.pump_condition() {
                let spoilt = fault.on(self.plant.network(), now);
                self.plant.set_pump_condition(spoilt);
            }
        }
        self.now = self.values();
        Ok(())
    }

    fn spoil(&mut self, fault: PumpFault) {
        self.awakes();
        self.faults.push(fault);
        let Some(now) = self.plant.pump_condition() else { return };
        let wanted = fault.on(self.plant.network(), self.due.unwrap_or(now));
        // Phases are swapped at standstill only; the rest is there at once.
        self.plant.set_pump_condition(PumpCondition { wrong_rotation: now.wrong_rotation, ..wanted });
        self.due = Some(wanted);
    }

    fn motion(&self, starter: usize) -> Motion {
        let train = self.plant.driver();
        Motion { on: train.is_running(starter), at_speed: train.at_speed(starter), share: train.output_share(starter) }
    }

    fn current_a(&self) -> f64 {
        self.plant.current_a()
    }

    fn speed_rad_s(&self) -> f64 {
        self.plant.speed_rad_s()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;

    const STEP_S: f64 = 1e-2;

    #[test]
    fn passes_over_a_rest_once_the_water_is_still_and_wakes_at_a_start() {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "rig").unwrap();
        let truth = Truth::draw(&rig, 0, &mut ChaCha12Rng::seed_from_u64(3));
        let mut bench = PlantBench::new(&rig, &truth, 0).unwrap();
        let mut out = vec![0.0; rig.channels.len()];
        let mut play = |bench: &mut PlantBench, from: usize, to: usize| {
            (from..to).for_each(|k| bench.frame(k as f64 * STEP_S, &mut out).unwrap());
            out.clone()
        };
        play(&mut bench, 0, 200);
        bench.rest(500.0);
        let before = play(&mut bench, 200, 40_000);
        assert!(bench.passes_over());
        let computed_s = bench.plant.time_s();
        assert!(computed_s < 20.0, "{computed_s} s of 400 s were computed");
        bench.start(0, &Settings::default());
        let after = play(&mut bench, 40_000, 40_050);
        assert!(!bench.passes_over());
        assert!((bench.plant.time_s() - computed_s - 0.5).abs() < 0.02, "half a second, computed");
        assert_ne!(before, after, "a start is seen");
        // After the rest that was ordered, nothing is passed over without a new order.
        bench.stop(0, StopKind::Coast);
        play(&mut bench, 40_050, 43_000);
        assert!(!bench.passes_over());
    }
}

//! The plant as a [`Bench`]: the solver of `hydraulics` on the hidden truth, turned by the drive train of `starters`.

use super::VirtualRigError;
use super::bench::{Bench, Motion};
use super::truth::Truth;
use crate::hydraulics::plant::Plant;
use crate::hydraulics::spec::{Place, PumpCondition};
use crate::rig::model::{Quantity, Rig};
use crate::rig::pump_fault::PumpFault;
use crate::starters::DriveTrain;
use crate::starters::{Settings, StarterSpec, StopKind};

/// A shaft slower than this stands, rad/s.
const STANDS_RAD_S: f64 = 0.1;

/// Where a channel's true value is found.
#[derive(Debug, Clone, Copy)]
enum Probe {
    Pressure(Place, f64),
    Current,
    Speed,
    Flow(Place),
    /// Some output is on.
    Contact,
}

/// The plant with the true values at its last two time levels; frames fall between them.
pub struct PlantBench {
    plant: Plant<DriveTrain>,
    probes: Vec<Probe>,
    ramp_factor: Vec<f64>,
    before_s: f64,
    before: Vec<f64>,
    now: Vec<f64>,
    set_speed: Option<(usize, f64)>,
    /// The pump as it will be once the shaft stands.
    due: Option<PumpCondition>,
}

impl PlantBench {
    /// The true bench of `rig` in a line-up, everything at rest.
    pub fn new(rig: &Rig, truth: &Truth, starters: Vec<StarterSpec>, line_up: usize) -> Result<Self, VirtualRigError> {
        let failed = |error: &dyn std::error::Error| VirtualRigError::Plant(error.to_string());
        let mut train = DriveTrain::with_contactors(truth.motor, starters, truth.devices.contactor)
            .map_err(|error| failed(&error))?;
        if let (Some(valve), Some(true_valve)) = (&rig.control_valve, &truth.devices.control_valve) {
            train = train.with_control_valve(valve.element, true_valve.clone()).map_err(|error| failed(&error))?;
        }
        let plant = match rig.lines_at_start(line_up) {
            Some(lines) => Plant::with_lines(&truth.network, &truth.shaft, train, &truth.grid, &lines),
            None => Plant::new(&truth.network, &truth.shaft, train, &truth.grid),
        };
        let mut plant = plant.map_err(|error| failed(&error))?;
        plant.let_fall(&rig.falls);
        let probes = rig.channels.iter().map(|channel| match (channel.quantity, channel.place) {
            (Quantity::GaugePressure, Some(place)) => Ok(Probe::Pressure(place, channel.diaphragm_elevation_m)),
            (Quantity::GaugePressure, None) => {
                Err(VirtualRigError::Plant(format!("channel {} has no place", channel.id)))
            }
            (Quantity::LineCurrent, _) => Ok(Probe::Current),
            (Quantity::ShaftSpeed, _) => Ok(Probe::Speed),
            (Quantity::Flow, Some(place)) => Ok(Probe::Flow(place)),
            (Quantity::Flow, None) => Err(VirtualRigError::Plant(format!("channel {} has no place", channel.id))),
            (Quantity::Contact, _) => Ok(Probe::Contact),
        });
        let probes = probes.collect::<Result<Vec<Probe>, VirtualRigError>>()?;
        let mut bench = Self {
            plant,
            probes,
            ramp_factor: truth.devices.ramp_factor.clone(),
            before_s: 0.0,
            before: Vec::new(),
            now: Vec::new(),
            set_speed: None,
            due: None,
        };
        bench.now = bench.probes.iter().map(|probe| bench.value(*probe)).collect();
        bench.before.clone_from(&bench.now);
        Ok(bench)
    }

    fn value(&self, probe: Probe) -> f64 {
        match probe {
            Probe::Pressure(place, elevation_m) => self.plant.gauge_pa(place, elevation_m),
            Probe::Current => self.plant.current_a(),
            Probe::Speed => self.plant.speed_rad_s(),
            Probe::Flow(place) => self.plant.flow_m3_s(place),
            Probe::Contact => {
                let train = self.plant.driver();
                f64::from(u8::from((0..self.ramp_factor.len()).any(|starter| train.is_running(starter))))
            }
        }
    }

    fn step(&mut self) -> Result<(), VirtualRigError> {
        self.before_s = self.plant.time_s();
        if self.plant.speed_rad_s().abs() < STANDS_RAD_S
            && let Some(condition) = self.due.take()
        {
            self.plant.set_pump_condition(condition);
        }
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

impl Bench for PlantBench {
    fn frame(&mut self, time_s: f64, out: &mut [f64]) -> Result<(), VirtualRigError> {
        while self.plant.time_s() < time_s {
            self.step()?;
        }
        let span_s = self.plant.time_s() - self.before_s;
        let share = if span_s > 0.0 { ((time_s - self.before_s) / span_s).clamp(0.0, 1.0) } else { 1.0 };
        for ((value, before), now) in out.iter_mut().zip(&self.before).zip(&self.now) {
            *value = before + share * (now - before);
        }
        Ok(())
    }

    fn start(&mut self, starter: usize, settings: &Settings) {
        let factor = self.ramp_factor.get(starter).copied().unwrap_or(1.0);
        let settings = Settings {
            ramp_up_s: settings.ramp_up_s.map(|ramp_s| ramp_s * factor),
            ramp_down_s: settings.ramp_down_s.map(|ramp_s| ramp_s * factor),
            ..*settings
        };
        self.set_speed = settings.speed.map(|share| (starter, share));
        if let Err(error) = self.plant.driver_mut().start(starter, settings) {
            tracing::warn!(%error, "the output came on, the motor does not turn");
        }
    }

    fn stop(&mut self, starter: usize, kind: StopKind) {
        if let Err(error) = self.plant.driver_mut().stop(starter, kind) {
            tracing::warn!(%error, "stop not taken");
        }
    }

    fn set_speed(&mut self, starter: usize, share: f64) {
        if self.set_speed != Some((starter, share)) {
            self.set_speed = Some((starter, share));
            if let Err(error) = self.plant.driver_mut().set_speed(starter, share) {
                tracing::warn!(%error, "set speed not taken");
            }
        }
    }

    fn spoil(&mut self, fault: PumpFault) {
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

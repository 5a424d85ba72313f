//! Loss of supply and emergency stop from steady running, computed beside every prediction: no ramp helps then.
//!
//! | | torque | control valve | other valves |
//! |---|---|---|---|
//! | loss of supply | gone from one instant to the next | by its spring or oil, or as it is | as they are |
//! | emergency stop, contactor or soft starter | gone when the line contactor has released | by its emergency law | as they are |
//! | emergency stop, drive | gone at once: safe torque off (IEC 61800-5-2) | by its emergency law | as they are |
//!
//! The rotor coasts in all of them. A station has one supply: what runs beside the commanded pump loses it, too; an emergency
//! stop is the commanded pump's own.
//!
//! Both begin from the steady state of the speed at the first stop, without what the start left swinging; where the run has
//! another flow there, the prediction says so with both numbers. A pump that holds no water at that moment moves none: its
//! rotor coasts in lines that stand still as the line-up states them.

use super::events::{Observer, PredictedEvent, PumpState};
use super::sensors::{PIECE_S, Sensors};
use super::valve_events::Stand;
use super::{PredictionError, Separation};
use crate::hydraulics::plant::{LinesAtStart, Plant, ShaftDriver};
use crate::hydraulics::spec::{ElementKind, GridOptions};
use crate::hydraulics::wave_speed::reflection_time_s;
use crate::rig::model::{Channel, Rig};
use crate::sequence::marks::Phase;
use crate::starters::{ContactorTimes, ControlValve, StarterKind};
use serde::{Deserialize, Serialize};

/// Followed for this long and for [`REFLECTIONS`] of the longest pipe, s.
pub const FOLLOWED_S: f64 = 12.0;
/// See [`FOLLOWED_S`].
pub const REFLECTIONS: f64 = 8.0;
/// The water stands when no pressure moves by more than this in a second, Pa ...
const STILL_PA: f64 = 2_000.0;
/// ... and this long at least has passed, s.
const SHORTEST_S: f64 = 2.0;

/// The running that a sudden stop begins from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyRunning {
    /// Line-up, index into the rig's.
    pub line_up: usize,
    /// Shaft speed, rad/s.
    pub speed_rad_s: f64,
    /// Starter that is on, index into the rig's.
    pub starter: usize,
    /// Line current, A rms.
    pub current_a: f64,
    /// Flow through the pump, m3/s.
    pub flow_m3_s: f64,
    /// Share of its head that the pump makes with the water it holds: 1 primed, 0 without water.
    pub prime_share: f64,
}

impl SteadyRunning {
    /// The pump holds water and moves it.
    fn moves_water(&self) -> bool {
        self.prime_share > 0.0
    }
}

/// Share of the larger flow by which the run and the steady state of its speed may differ without a word.
const FLOW_SHARE: f64 = 0.1;
/// ... and share of the pump's rated flow.
const RATED_SHARE: f64 = 0.01;

/// What loss of supply and emergency stop begin with, where the run was not in the steady state of its speed; `None`: it was,
/// within [`FLOW_SHARE`].
pub(super) fn start_words(rig: &Rig, running: SteadyRunning, stop: &SuddenStop) -> Option<String> {
    if !running.moves_water() {
        let line_up = rig.line_ups.get(running.line_up).map_or("", |line_up| line_up.id.as_str());
        return Some(format!(
            "no water moves at the first stop, the pump holds none: loss of supply and emergency stop begin with lines that \
             stand still, as line-up {line_up} states them"
        ));
    }
    let rated_m3_s = rig.network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some(pump.rated_flow_m3_s),
        _ => None,
    })?;
    let (steady_m3_s, run_m3_s) = (stop.from_flow_m3_s, running.flow_m3_s);
    let allowed_m3_s = (FLOW_SHARE * steady_m3_s.abs().max(run_m3_s.abs())).max(RATED_SHARE * rated_m3_s);
    ((steady_m3_s - run_m3_s).abs() > allowed_m3_s).then(|| {
        format!(
            "loss of supply and emergency stop begin with the steady flow at the speed of the first stop, {:.2} l/s; the run \
             has {:.2} l/s there",
            1e3 * steady_m3_s,
            1e3 * run_m3_s
        )
    })
}

/// What a loss of supply or an emergency stop does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuddenStop {
    /// Shaft speed that it begins from, rad/s.
    pub from_speed_rad_s: f64,
    /// Flow that it begins from, m3/s.
    pub from_flow_m3_s: f64,
    /// Time from the order or the loss until the motor's torque is gone, s.
    #[serde(default)]
    pub motor_off_after_s: f64,
    /// One entry a channel, rig order.
    pub channels: Vec<LossFigures>,
    /// Time until no water runs forwards through the pump, s; `None`: it still does when the look ends.
    pub flow_ends_after_s: Option<f64>,
    /// Largest flow backwards through the pump, m3/s; 0: none.
    pub reverse_flow_m3_s: f64,
    /// Fastest reverse rotation, rad/s; 0: none.
    pub backspin_rad_s: f64,
    /// Pumps beside the commanded one that ran and lose it at the same moment.
    #[serde(default)]
    pub with_it: Vec<String>,
    /// How long it was followed, s.
    pub followed_s: f64,
    /// Vapour with the residual of its volume balance; `None`: the water does not part.
    #[serde(default)]
    pub separation: Option<Separation>,
    /// What happens, from the loss on.
    pub events: Vec<PredictedEvent>,
}

/// Figures of one channel, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossFigures {
    /// Channel id.
    pub id: String,
    /// Before.
    pub steady: f64,
    /// Largest afterwards.
    pub maximum: f64,
    /// When, s.
    pub maximum_at_s: f64,
    /// Smallest afterwards.
    pub minimum: f64,
    /// When, s.
    pub minimum_at_s: f64,
}

impl LossFigures {
    fn standing_at(id: &str, value: f64) -> Self {
        let id = id.to_owned();
        Self { id, steady: value, maximum: value, maximum_at_s: 0.0, minimum: value, minimum_at_s: 0.0 }
    }

    fn take(&mut self, value: f64, at_s: f64) {
        if value > self.maximum {
            (self.maximum, self.maximum_at_s) = (value, at_s);
        }
        if value < self.minimum {
            (self.minimum, self.minimum_at_s) = (value, at_s);
        }
    }
}

/// The motor of a sudden stop: its steady torque until it is off, then none; with the control valve.
struct Stopping {
    /// Torque of steady running, N m.
    torque_n_m: f64,
    /// Line current of steady running, A rms.
    current_a: f64,
    /// Until both are gone, s; at the beginning they are there.
    left_s: f64,
    begun: bool,
    valve: Option<(usize, ControlValve)>,
}

impl ShaftDriver for Stopping {
    fn torque_n_m(&self, _speed_rad_s: f64) -> (f64, f64) {
        (if self.left_s > 0.0 { self.torque_n_m } else { 0.0 }, 0.0)
    }

    fn advance(&mut self, dt_s: f64, _speed_rad_s: f64) {
        self.begun = true;
        // A time that is a whole number of steps must end on that step despite rounding.
        self.left_s -= dt_s + 1e-12;
        if let Some((_, valve)) = &mut self.valve {
            valve.advance(dt_s, false);
        }
    }

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        if self.left_s > 0.0 || !self.begun { self.current_a } else { 0.0 }
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn valve(&self) -> Option<(usize, f64)> {
        self.valve.as_ref().map(|(element, valve)| (*element, valve.opening()))
    }
}

/// Follows a loss of supply from steady running.
///
/// Accuracy: that of the plant; the steady state is the steady solver's, without what a start left swinging in the line.
///
/// # Errors
/// The hydraulic model refuses or fails.
pub fn loss_of_supply(rig: &Rig, running: SteadyRunning, grid: &GridOptions) -> Result<SuddenStop, PredictionError> {
    let cause = Cause { release_s: 0.0, order: ControlValve::lose_supply, takes_all: true };
    follow_by_grid(rig, running, grid, &cause)
}

/// Follows an emergency stop from steady running; accuracy and errors as of [`loss_of_supply`].
///
/// # Errors
/// As of [`loss_of_supply`].
pub fn emergency_stop(rig: &Rig, running: SteadyRunning, grid: &GridOptions) -> Result<SuddenStop, PredictionError> {
    let release_s = release_s(rig, running.starter);
    follow_by_grid(rig, running, grid, &Cause { release_s, order: ControlValve::cut, takes_all: false })
}

/// The emergency stop of a contactor that is to the water what the loss of supply is, but later by the contactor's release:
/// until then all runs on as it did. `None` where it is not: a control valve has its own law for either, pumps beside run
/// on, air moves.
///
/// Accuracy: that of [`emergency_stop`], which it saves (`agrees_with_the_loss_of_supply_by_a_contactors_release_later`);
/// levels that move in those milliseconds are left out.
pub(super) fn released_later(rig: &Rig, running: SteadyRunning, loss: &SuddenStop) -> Option<SuddenStop> {
    let (network, _, _) = rig.plant_parts(running.line_up);
    let beside = network.elements.iter().any(|element| element.kind.runs_by_itself());
    let release_s = release_s(rig, running.starter);
    let air_moves = release_s > 0.0 && rig.lines_at_start(running.line_up).is_some();
    if rig.control_valve.is_some() || beside || air_moves {
        return None;
    }
    let mut stop = SuddenStop { motor_off_after_s: release_s, ..loss.clone() };
    let begins = |at_s: &mut f64| *at_s += if *at_s > 0.0 { release_s } else { 0.0 };
    for figures in &mut stop.channels {
        begins(&mut figures.maximum_at_s);
        begins(&mut figures.minimum_at_s);
    }
    stop.flow_ends_after_s.iter_mut().for_each(|at_s| *at_s += release_s);
    stop.events.iter_mut().for_each(|event| event.after_mark_s += release_s);
    stop.followed_s += release_s;
    Some(stop)
}

/// Time from an emergency stop until the torque of a starter is gone, s: a contactor's release; a drive's safe torque off
/// acts at once.
pub fn release_s(rig: &Rig, starter: usize) -> f64 {
    match rig.starters.get(starter).map(|starter| starter.kind) {
        Some(StarterKind::VariableSpeed) => 0.0,
        _ => ContactorTimes::default().opening_s,
    }
}

/// What happens to motor, control valve and the pumps beside.
struct Cause {
    /// Until the motor's torque is gone, s.
    release_s: f64,
    order: fn(&mut ControlValve),
    /// Every pump of the station loses its supply.
    takes_all: bool,
}

/// Step of the grid on which a run is repeated, share of the first one's.
const OTHER_GRID_SHARE: f64 = 6.0 / 7.0;
/// Rise below which a peak is none that a share could be told of, Pa.
const LEAST_RISE_PA: f64 = 1.0e3;

/// Followed; where water parts, once more on another grid, to tell what the peaks owe to the grid.
fn follow_by_grid(
    rig: &Rig,
    running: SteadyRunning,
    grid: &GridOptions,
    cause: &Cause,
) -> Result<SuddenStop, PredictionError> {
    let mut made = follow(rig, running, grid, cause)?;
    if let Some(separation) = &mut made.separation {
        let other = GridOptions { dt_max_s: OTHER_GRID_SHARE * grid.dt_max_s, ..*grid };
        let other = follow(rig, running, &other, cause);
        separation.peak_by_grid = other.ok().map(|other| furthest_share(rig, &made.channels, &other.channels));
    }
    Ok(made)
}

/// Largest difference between the highest pressures of two runs, share of the first one's rise.
fn furthest_share(rig: &Rig, first: &[LossFigures], second: &[LossFigures]) -> f64 {
    let pressures = rig.channels.iter().zip(first.iter().zip(second)).filter(|(channel, _)| channel.place.is_some());
    let share = |(_, (a, b)): (&Channel, (&LossFigures, &LossFigures))| {
        let rise = a.maximum - a.steady;
        if rise < LEAST_RISE_PA { 0.0 } else { (a.maximum - b.maximum).abs() / rise }
    };
    pressures.map(share).fold(0.0, f64::max)
}

fn follow(rig: &Rig, running: SteadyRunning, grid: &GridOptions, cause: &Cause) -> Result<SuddenStop, PredictionError> {
    let (network, shaft, _) = rig.plant_parts(running.line_up);
    let valve = rig.control_valve.as_ref().map(|valve| {
        let mut open = ControlValve::open(valve.spec.clone());
        (cause.order)(&mut open);
        (valve.element, open)
    });
    let motor =
        Stopping { torque_n_m: 0.0, current_a: running.current_a, left_s: cause.release_s, begun: false, valve };
    let mut plant = begun(rig, running, grid, motor)?;
    let load_n_m = plant.pump_torque_n_m() + shaft.friction_n_m;
    plant.driver_mut().torque_n_m = load_n_m;
    plant.let_fall(&rig.falls);
    let ran = network.elements.iter().filter(|element| cause.takes_all && element.kind.runs_by_itself());
    let with_it: Vec<String> = ran.map(|element| element.name.clone()).collect();
    if cause.takes_all {
        plant.cut_other_pumps();
    }
    let mut sensors = Sensors::at_rest(rig, &plant);
    let mut channels: Vec<LossFigures> =
        rig.channels.iter().zip(&sensors.newest).map(|(c, value)| LossFigures::standing_at(&c.id.0, *value)).collect();
    let from_flow_m3_s = plant.pump_flow_m3_s();
    let mut observer = Observer::default();
    observer.mark(0, Phase::Stop, 0.0);
    observer.valve = rig.control_valve.as_ref().map(|_| Stand::Open);
    let mut separation = Separation::default();
    let (mut reverse_flow_m3_s, mut backspin_rad_s, mut flow_ends_after_s) = (0.0_f64, 0.0_f64, None);
    let steps_a_piece = (PIECE_S / plant.dt_s()).round().max(1.0) as u64;
    let closing_s = rig.control_valve.as_ref().map_or(0.0, |valve| valve.spec.emergency.time_s);
    let longest_s = longest_s(rig) + closing_s;
    let mut standing = false;
    while plant.time_s() < longest_s && !standing {
        for _ in 0..steps_a_piece {
            plant.advance()?;
            sensors.read(&plant);
            separation.follow(&plant);
            let (now_s, flow_m3_s, speed_rad_s) = (plant.time_s(), plant.pump_flow_m3_s(), plant.speed_rad_s());
            channels.iter_mut().zip(&sensors.newest).for_each(|(figures, value)| figures.take(*value, now_s));
            if flow_m3_s <= 0.0 && flow_ends_after_s.is_none() {
                flow_ends_after_s = Some(now_s);
            }
            reverse_flow_m3_s = reverse_flow_m3_s.max(-flow_m3_s);
            backspin_rad_s = backspin_rad_s.max(-speed_rad_s);
            observer.look(rig, PumpState { now_s, flow_m3_s, speed_rad_s, driven: false });
            if let Some((_, valve)) = &plant.driver().valve {
                observer.look_at_valve(rig, now_s, valve);
            }
        }
        sensors.end_piece();
        observer.take(rig, plant.take_events(), 0.0);
        standing = plant.time_s() > SHORTEST_S
            && !plant.driver().valve.as_ref().is_some_and(|(_, valve)| valve.moves())
            && plant.speed_rad_s().abs() < rig.rest_speed_rad_s
            && !(cause.takes_all && plant.other_pumps_turn())
            && sensors
                .spans()
                .iter()
                .zip(&rig.channels)
                .all(|(span, channel)| channel.place.is_none() || *span < STILL_PA);
    }
    Ok(SuddenStop {
        from_speed_rad_s: running.speed_rad_s,
        from_flow_m3_s,
        motor_off_after_s: cause.release_s,
        channels,
        flow_ends_after_s,
        reverse_flow_m3_s,
        backspin_rad_s,
        with_it,
        followed_s: plant.time_s(),
        separation: separation.met(),
        events: observer.events,
    })
}

/// The plant as a sudden stop finds it: in the steady state of its speed, or turning without water in lines that stand still.
fn begun(
    rig: &Rig,
    running: SteadyRunning,
    grid: &GridOptions,
    motor: Stopping,
) -> Result<Plant<Stopping>, PredictionError> {
    let (network, shaft, _) = rig.plant_parts(running.line_up);
    let lines = rig.lines_at_start(running.line_up);
    let grid = &GridOptions { lump_short_pipes: grid.lump_short_pipes && lines.is_none(), ..*grid };
    if running.moves_water() {
        let mut plant = Plant::started_at(&rig.running(&network), &shaft, motor, grid, running.speed_rad_s)?;
        if let Some(lines) = lines {
            plant.let_air_in(lines.self_priming)?;
        }
        return Ok(plant);
    }
    // A rotor that coasts draws no air worth following.
    let lines = lines.map(|lines| LinesAtStart { self_priming: None, ..lines });
    let mut plant = match lines {
        Some(lines) => Plant::with_lines(&network, &shaft, motor, grid, &lines)?,
        None => Plant::new(&network, &shaft, motor, grid)?,
    };
    plant.turn_without_water(running.speed_rad_s);
    Ok(plant)
}

fn longest_s(rig: &Rig) -> f64 {
    let times = rig.network.elements.iter().map(|element| match &element.kind {
        ElementKind::Pipe(pipe) => reflection_time_s(pipe.length_m, pipe.wave_speed_m_s),
        _ => 0.0,
    });
    FOLLOWED_S.max(REFLECTIONS * times.sum::<f64>())
}

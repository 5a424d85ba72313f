//! The executor: drives the machine with real ports, on a thread of its own, until all is done or something ends the run.
//!
//! Order of a run: identify every device (before any write); read status; clear a latched fault only when a person
//! confirms it; read settings, write the run's, read back; header and prediction into the record (durable) - and only
//! then the machine, tick by tick, on new samples. At the end, whatever the reason: stop in stages, say how sure it is,
//! put settings back.
//!
//! Nothing waits on rig time: every wait looks at people's orders, trips, links and the record every few milliseconds of
//! wall time.

mod carry_out;
mod face;
mod look;
mod prepare;
mod presence;
mod wind_down;

use super::duty::DutyLedger;
use super::interlock::{EMERGENCY, Ending, emergency_stop_open, guard};
use super::machine::{State, advance};
use super::observations::Observations;
use super::ports::{
    BenchPort, DeviceIdentity, Event, Journal, JournalError, Level, LinkState, Operator, OperatorOrder, RunEnd,
    SamplePort, SampleView, StarterPort, StopLine, StopOutcome, TripEvent,
};
use super::script::Script;
use crate::clock::{RigClock, WallClock};
use crate::prediction::Prediction;
use crate::rig::model::{LATER_STAGE_S, Rig, Trip, TripCause};
use crate::starters::{Settings, StopKind};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Longest wall time between two looks at the world.
pub const TICK: Duration = Duration::from_millis(5);
/// The first answers of all devices, and the first samples, have to be in within this wall time, ns.
pub const FIRST_ANSWERS_NS: u64 = 5_000_000_000;
/// Settings are read again this often while a run is on, wall ns.
pub const SETTINGS_LOOK_NS: u64 = 1_000_000_000;
/// The live line is told this often, wall ns.
const PROGRESS_NS: u64 = 100_000_000;
/// Longest wait for the bench unit to tell why an output went off, ns: some polls.
const TOLD_WITHIN_NS: u64 = 500_000_000;
/// Slow values count as stale after so many times the starter's own loss-of-communication timer.
const STALE_TIMERS: f64 = 2.0;
/// The name that only a rig which says that it is virtual may confirm itself with.
pub const VIRTUAL_NAME: &str = "virtual rig";
/// Signal number of the question about a latched fault; the script's own questions count from 1.
pub const RESET_QUESTION: u32 = u32::MAX;
/// Signal number of the question about settings that an earlier run left changed.
pub const SETTINGS_QUESTION: u32 = u32::MAX - 1;
/// Signal number of the question whether somebody is there.
pub const PRESENCE_QUESTION: u32 = u32::MAX - 2;
/// Signal number of the question about a pump that did not prime at all the tries it has.
pub const PRIMING_QUESTION: u32 = u32::MAX - 3;

/// Everything a run needs. The ports outlive the run: the daemon keeps them for the next.
pub struct ExecutorInput<'a> {
    /// The rig.
    pub rig: &'a Rig,
    /// What to do.
    pub script: &'a Script,
    /// What will happen, made beforehand with the same rig, script and starter.
    pub prediction: &'a Prediction,
    /// One port a starter, rig order.
    pub starters: &'a mut [Box<dyn StarterPort>],
    /// The bench unit; needed when the rig has one.
    pub bench: Option<&'a mut dyn BenchPort>,
    /// Samples.
    pub samples: &'a dyn SamplePort,
    /// The record.
    pub journal: &'a mut dyn Journal,
    /// People.
    pub operator: &'a mut dyn Operator,
    /// Wall time.
    pub wall: &'a dyn WallClock,
    /// Rig time.
    pub rig_clock: RigClock,
    /// Person in attendance; only a virtual rig accepts [`VIRTUAL_NAME`].
    pub attending: String,
    /// Name that confirms every question at once; only a virtual rig accepts [`VIRTUAL_NAME`]. `None`: ask.
    pub confirmed_by: Option<String>,
    /// Starts and rests so far.
    pub duty: Arc<Mutex<DutyLedger>>,
    /// Where the ledger is kept; written at every start and stop.
    pub duty_file: Option<PathBuf>,
    /// Where changed settings are noted before they are written; `None`: nowhere.
    pub settings_note: Option<PathBuf>,
    /// Where proofs of loss of communication are kept; `None`: nowhere.
    pub link_proofs: Option<PathBuf>,
}

/// Why a run comes to its end.
#[derive(Debug, Clone, PartialEq)]
enum Cause {
    /// All steps done.
    Done,
    /// Something is wrong.
    Abort(Abort),
    /// Taken over at the rig.
    TakenOver(String),
}

/// How to abort.
#[derive(Debug, Clone, PartialEq)]
struct Abort {
    reason: String,
    /// First kind of stop; `None`: the starter's ordinary way.
    stop: Option<StopKind>,
    /// Time for it, s; `None`: by its kind.
    time_s: Option<f64>,
    /// Time for each later stage, s.
    later_s: f64,
    /// Order a stop even when this run has started nothing (a person asked for it).
    always: bool,
    /// Rig time between which the stop line was already pulled, s.
    pulled_s: Option<(f64, f64)>,
    /// Somebody took over before the first step: nothing more is sent.
    taken_over: bool,
    /// The starter to stop; `None`: the one that is on, or the script's.
    starter: Option<usize>,
}

impl Abort {
    fn because(reason: impl Into<String>) -> Self {
        let reason = reason.into();
        Self {
            reason,
            stop: None,
            time_s: None,
            later_s: LATER_STAGE_S,
            always: false,
            pulled_s: None,
            taken_over: false,
            starter: None,
        }
    }

    /// In the way, and within the times, that a trip of the rig file says.
    fn declared_by(self, trip: &Trip) -> Self {
        Self { stop: Some(trip.stop), time_s: Some(trip.deadline_s), later_s: trip.later_s, ..self }
    }

    /// A starter came on by itself: it is cut, if this run is the one that started it before.
    fn on_again(starter: usize, reason: String) -> Self {
        Self { starter: Some(starter), stop: Some(StopKind::ContactorOff), always: true, ..Self::because(reason) }
    }
}

/// Runs `input.script` from beginning to end. Blocks; wants a thread of its own.
///
/// Whatever happens, the returned [`RunEnd`] says what was true at the end: the motor's stop is `confirmed`, `inferred` or
/// `NOT confirmed`. After a take-over nothing more is sent to any device.
pub fn execute(input: ExecutorInput<'_>) -> RunEnd {
    let mut run = Run::new(input);
    let cause = match run.prepare() {
        Ok(()) => run.steps(),
        Err(abort) if abort.taken_over => Cause::TakenOver(abort.reason),
        // Only what was at remote before can be taken over.
        Err(abort) => match run.well.then(|| run.taken_over_meanwhile()).flatten() {
            Some(reason) => Cause::TakenOver(reason),
            None => {
                run.refused = !abort.always;
                Cause::Abort(abort)
            }
        },
    };
    run.wind_down(cause)
}

struct Run<'a> {
    input: ExecutorInput<'a>,
    state: State,
    seen: Observations,
    view: SampleView,
    /// Recent largest step of rig time between two looks, s: how coarse the rig clock is.
    coarse_s: f64,
    devices: Vec<Device>,
    is_virtual: bool,
    /// The heartbeat may run: it is a write, so not before the rig is known to stand at remote with all outputs off, and
    /// never again once it was withheld.
    well: bool,
    started: bool,
    refused: bool,
    /// Cycle whose stop mark is put.
    stop_marked: u32,
    pending: Option<u32>,
    orders: Vec<OperatorOrder>,
    record_failed: Option<String>,
    worst: Option<StopOutcome>,
    settings_looked_ns: u64,
    /// Wall time of the newest values of the bench unit, ns.
    bench_ns: u64,
    /// Wall time just before the newest look at statuses, ns.
    looked_ns: u64,
    /// Wall time until which an order of ours kept a bus from its polls, ns.
    bus_busy_ns: u64,
    progress_ns: u64,
    /// Wall time at which somebody last answered, or ordered the run, ns.
    present_ns: u64,
    lost_face: Option<face::LostFace>,
    /// Since when the starter that is on reports full speed, rig time, s.
    at_speed_since_s: Option<f64>,
}

/// What the run remembers of a starter.
struct Device {
    identity: Option<DeviceIdentity>,
    line: Arc<dyn StopLine>,
    /// Wall time of its newest status taken in, ns.
    polled_ns: u64,
    /// Wall time of the latest order to it, ns.
    ordered_ns: u64,
    before: Option<Settings>,
    in_force: Option<Settings>,
    /// The program's own controller has moved its set speed since settings were last written.
    speed_moves: bool,
}

impl Device {
    fn new(line: Arc<dyn StopLine>, ordered_ns: u64) -> Self {
        Self { identity: None, line, polled_ns: 0, ordered_ns, before: None, in_force: None, speed_moves: false }
    }
}

impl<'a> Run<'a> {
    fn new(input: ExecutorInput<'a>) -> Self {
        let wall_ns = input.wall.now_ns();
        Self {
            devices: input.starters.iter().map(|port| Device::new(port.stop_line(), wall_ns)).collect(),
            seen: Observations::unknown(input.rig),
            state: State::at_start(seconds(input.rig_clock.now_ns())),
            view: SampleView::default(),
            coarse_s: 0.0,
            is_virtual: false,
            well: false,
            started: false,
            refused: false,
            stop_marked: 0,
            pending: None,
            orders: Vec::new(),
            record_failed: None,
            worst: None,
            settings_looked_ns: wall_ns,
            bench_ns: 0,
            looked_ns: wall_ns,
            bus_busy_ns: wall_ns,
            progress_ns: 0,
            present_ns: wall_ns,
            lost_face: None,
            at_speed_since_s: None,
            input,
        }
    }

    /// Rig time, s.
    fn now_s(&self) -> f64 {
        seconds(self.input.rig_clock.now_ns())
    }

    fn steps(&mut self) -> Cause {
        self.state = State::at_start(self.now_s());
        loop {
            self.look();
            self.look_at_settings();
            if let Some(cause) = self.outside_cause() {
                return cause;
            }
            let turn = advance(self.input.script, self.state.clone(), &self.seen, self.now_s());
            let step_changed = turn.state.at != self.state.at;
            self.state = turn.state;
            for mark in &turn.marks {
                self.put_mark(mark);
            }
            for command in turn.commands {
                if let Err(abort) = self.carry_out(command) {
                    return self.ended_by(abort);
                }
            }
            self.tell_progress(step_changed);
            match self.state.ending.clone() {
                None => {}
                Some(Ending::Done) => return Cause::Done,
                Some(Ending::TakenOver { reason }) => return Cause::TakenOver(reason),
                Some(Ending::OnAgain { starter, reason }) => {
                    return self.ended_by(Abort::on_again(starter, reason));
                }
                Some(Ending::Abort { reason, stop, trip }) => {
                    let mut abort = Abort::because(reason);
                    if let Some(declared) = trip.and_then(|trip| self.input.rig.trips.get(trip)) {
                        abort = abort.declared_by(declared);
                    }
                    return self.ended_by(Abort { stop, ..abort });
                }
            }
        }
    }

    /// A run that has to end, unless somebody has taken over: then nothing more is sent. The emergency stop drops an output
    /// before the circuit's state is polled; what is told is what was pressed.
    fn ended_by(&mut self, abort: Abort) -> Cause {
        if let Some(reason) = self.taken_over_meanwhile() {
            return Cause::TakenOver(reason);
        }
        let open = self.state.energised.is_some() && emergency_stop_open(&self.input.script.rules, &self.seen);
        if !open || abort.reason.starts_with(EMERGENCY) {
            return Cause::Abort(abort);
        }
        let reason = format!("{EMERGENCY} ({})", abort.reason);
        Cause::Abort(Abort { reason, stop: Some(StopKind::ContactorOff), time_s: None, ..abort })
    }

    /// Has somebody taken over, by what is seen now?
    fn taken_over_now(&self) -> Option<String> {
        match guard(&self.input.script.rules, &self.seen, self.state.energised) {
            Some(Ending::TakenOver { reason }) => Some(reason),
            _ => None,
        }
    }

    /// A selector turned to local drops a contactor at once, and the status may tell so before the bench unit tells why. Where
    /// the output is off already, nothing is lost by waiting for values of the bench unit that are as new.
    fn taken_over_meanwhile(&mut self) -> Option<String> {
        if let Some(reason) = self.taken_over_now() {
            return Some(reason);
        }
        let now_ns = self.input.wall.now_ns();
        let as_new_as_ns = match self.state.energised {
            Some(starter) if self.seen.starters.get(starter)?.running != Some(false) => return None,
            Some(starter) => self.devices.get(starter)?.polled_ns,
            // Nothing is on; a device at local refuses what is written to it before its selector is polled.
            None => now_ns + 1,
        };
        while self.seen.bench.is_some() && self.bench_ns < as_new_as_ns {
            if self.input.wall.now_ns() >= now_ns + TOLD_WITHIN_NS {
                break;
            }
            self.look();
        }
        self.taken_over_now()
    }

    /// What ends a run from outside the script, the gravest first.
    fn outside_cause(&mut self) -> Option<Cause> {
        let abort = self
            .ordered_by_a_person()
            .or_else(|| self.tripped())
            .or_else(|| self.stream_lost())
            .or_else(|| self.link_lost())
            .or_else(|| self.slow_values_stale())
            .or_else(|| self.record_lost())
            .or_else(|| self.face_lost())?;
        Some(self.ended_by(abort))
    }

    fn ordered_by_a_person(&mut self) -> Option<Abort> {
        let mut stop = None;
        for order in std::mem::take(&mut self.orders) {
            match order {
                OperatorOrder::Confirm { id, by } => self.confirmed(id, &by),
                OperatorOrder::Skip { step, by } => self.skip(step, &by),
                OperatorOrder::Note { text } => self.event(Level::Note, text),
                OperatorOrder::Stop { by } => stop = Some(format!("stopped by {by}")),
                OperatorOrder::Face { here } => self.face(here),
                OperatorOrder::Hurry => {
                    stop = stop.or_else(|| Some("stopped by a person".to_owned()));
                    self.orders.push(OperatorOrder::Hurry);
                }
            }
        }
        stop.map(|reason| Abort { always: true, ..Abort::because(reason) })
    }

    /// Marks the question answered when the right name confirms the question that waits.
    fn confirmed(&mut self, id: u32, by: &str) {
        let name = by.trim();
        let allowed = !name.is_empty() && (name != VIRTUAL_NAME || self.is_virtual);
        if self.pending == Some(id) && allowed {
            self.pending = None;
            self.seen.answers.insert(id);
            self.somebody_is_there();
            self.event(Level::Note, format!("confirmed by {name}"));
        } else if self.pending == Some(id) {
            self.event(Level::Notice, format!("the confirmation by {by:?} does not count: a person's name is needed"));
        }
    }

    /// Passes over the step that is on, if it is still the one that was meant and may be passed over.
    fn skip(&mut self, step: usize, by: &str) {
        let on = self.input.script.program.get(self.state.at);
        let may = self.state.at + 1 == step && on.is_some_and(|on| on.step.may_be_skipped());
        if may {
            self.seen.skipped = Some(self.state.at);
            self.pending = None;
            self.somebody_is_there();
        }
        let (level, what) = if may { (Level::Note, "passed over") } else { (Level::Notice, "cannot be passed over") };
        self.event(level, format!("step {step} {what} ({by})"));
    }

    fn tripped(&mut self) -> Option<Abort> {
        let trips = self.input.samples.take_trips();
        for trip in &trips {
            let text = self.trip_in_words(trip);
            self.event(Level::Warning, text);
        }
        let first = trips.iter().min_by_key(|trip| trip.at_rig_ns)?;
        let declared = self.input.rig.trips.get(first.trip)?;
        let from_s = seconds(first.at_rig_ns) + declared.debounce_s;
        let abort = Abort::because(self.trip_in_words(first)).declared_by(declared);
        Some(Abort { pulled_s: Some((from_s, self.now_s().max(from_s))), ..abort })
    }

    fn trip_in_words(&self, event: &TripEvent) -> String {
        let Some(trip) = self.input.rig.trips.get(event.trip) else { return format!("trip {}", event.trip) };
        let channel = trip.channel.and_then(|index| self.input.rig.channels.get(index));
        let limit =
            trip.above.map(|value| format!("above {value}")).or(trip.below.map(|value| format!("below {value}")));
        match (channel, limit) {
            (Some(channel), Some(limit)) => {
                format!("trip {}: {} read {:.6}, limit {limit} (SI)", trip.id, channel.id, event.value)
            }
            _ => format!("trip {}: no samples", trip.id),
        }
    }

    /// Without samples the run is blind: beside the stop that is ordered the heartbeat stays away for the rest of the run, so
    /// that the starter's own timer acts where the order does not arrive.
    fn stream_lost(&mut self) -> Option<Abort> {
        let why = self.view.lost.clone()?;
        self.withhold_heartbeat();
        Some(self.declared(TripCause::StreamLost, format!("the sample stream is lost: {why}")))
    }

    /// A lost link ends the run while the motor is on (the heartbeat stays away, so that the starter's own timer acts even if
    /// the link comes back); before a start it only forbids the start.
    fn link_lost(&mut self) -> Option<Abort> {
        let starter = self.state.energised?;
        let id = self.input.script.rules.id(starter);
        if let Some(LinkState::Down { reason, .. }) = self.input.starters.get(starter).map(|port| port.link()) {
            self.withhold_heartbeat();
            let abort = self.declared(TripCause::LinkLost, format!("the link to {id} is lost: {reason}"));
            let timer_s = self.input.rig.starters.get(starter).map_or(0.0, |starter| starter.comm_timeout_s);
            let time_s = Some(abort.time_s.unwrap_or(0.0).max(timer_s + wind_down::LINK_BACK_S));
            return Some(Abort { time_s, ..abort });
        }
        match self.input.bench.as_ref().map(|bench| bench.link()) {
            Some(LinkState::Down { reason, .. }) => {
                Some(Abort::because(format!("the link to the bench unit is lost: {reason}")))
            }
            _ => None,
        }
    }

    /// A link that counts as up and brings nothing new is no better than a lost one: while the motor is on, the newest status
    /// and the newest values of the bench unit may be [`STALE_TIMERS`] times the starter's own loss-of-communication
    /// timer old, no more. Wall time, since polls run on it.
    fn slow_values_stale(&mut self) -> Option<Abort> {
        let starter = self.state.energised?;
        let limit_s = self.stale_s(starter);
        let status_s = self.status_age_s(starter);
        let bench_s = self.age_s(self.bench_ns.max(self.devices.get(starter)?.ordered_ns));
        let (what, old_s) = if status_s > limit_s {
            (format!("the status of {}", self.input.script.rules.id(starter)), status_s)
        } else if self.bench_ns > 0 && bench_s > limit_s {
            ("the newest value of the bench unit".to_owned(), bench_s)
        } else {
            return None;
        };
        self.withhold_heartbeat();
        let reason = format!("{what} is {old_s:.1} s old (limit {limit_s} s) though its link is up");
        Some(self.declared(TripCause::LinkLost, reason))
    }

    fn stale_s(&self, starter: usize) -> f64 {
        STALE_TIMERS * self.input.rig.starters.get(starter).map_or(f64::INFINITY, |starter| starter.comm_timeout_s)
    }

    /// Wall time since the newest status of a starter, or since the order that made older ones worthless, s.
    fn status_age_s(&self, starter: usize) -> f64 {
        self.devices.get(starter).map_or(0.0, |device| self.age_s(device.polled_ns.max(device.ordered_ns)))
    }

    fn age_s(&self, at_ns: u64) -> f64 {
        seconds(self.looked_ns.saturating_sub(at_ns.max(self.bus_busy_ns)))
    }

    fn record_lost(&mut self) -> Option<Abort> {
        self.record_failed.clone().map(Abort::because)
    }

    /// An end in the way of the first trip declared for a cause; without one in the starter's ordinary way.
    fn declared(&self, cause: TripCause, reason: String) -> Abort {
        let abort = Abort::because(reason);
        match self.input.rig.trips.iter().find(|trip| trip.cause == cause) {
            Some(trip) => abort.declared_by(trip),
            None => abort,
        }
    }

    /// Writes to the record; after its first failure nothing more is written, and the run ends at the next look.
    fn record(&mut self, write: impl FnOnce(&mut dyn Journal) -> Result<(), JournalError>) {
        if self.record_failed.is_some() {
            return;
        }
        if let Err(error) = write(self.input.journal) {
            self.record_failed = Some(error.to_string());
            self.input.operator.say(&error.to_string());
        }
    }

    fn event(&mut self, level: Level, text: impl Into<String>) {
        let event = Event { at_s: self.now_s(), level, text: text.into() };
        if level >= Level::Caution {
            self.input.operator.say(&event.text);
        }
        self.record(|journal| journal.event(&event));
    }

    fn put_mark(&mut self, mark: &super::marks::Mark) {
        if let super::marks::MarkKind::Stop { cycle } = mark.kind {
            self.stop_marked = cycle;
        }
        self.record(|journal| journal.mark(mark));
    }

    fn tell_progress(&mut self, at_once: bool) {
        let wall_ns = self.input.wall.now_ns();
        if at_once || wall_ns.saturating_sub(self.progress_ns) >= PROGRESS_NS {
            self.progress_ns = wall_ns;
            let progress = self.state.progress(self.input.script, self.now_s());
            self.input.operator.progress(&progress);
        }
    }

    fn duty<T>(&self, act: impl FnOnce(&mut DutyLedger) -> T) -> T {
        act(&mut self.input.duty.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

fn seconds(ns: u64) -> f64 {
    ns as f64 * 1e-9
}

//! What forbids a start, what forbids moving the transfer device, and what ends a run that is on. Pure: facts in,
//! reasons out, all of them at once.

use super::observations::{BenchFacts, Observations, StarterFacts};
use super::priming::PrimingRules;
use crate::rig::model::{Condition, LineUp, Permissive, Quantity, Rig};
use crate::rig::register_map::Role;
use crate::starters::{Settings, StopKind};
use std::collections::BTreeMap;
use std::fmt;

/// The motor counts as without current below this share of its full-load current (common practice, no source).
pub const CURRENT_OFF_SHARE: f64 = 0.05;

/// Why a run ends whose emergency stop was pressed.
pub const EMERGENCY: &str = "the emergency-stop circuit opened";

/// What the interlocks need to know of a rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Starters in rig order.
    pub starters: Vec<StarterRules>,
    /// Dead time after a change of the transfer device, s; `None`: no transfer device.
    pub dead_time_s: Option<f64>,
    /// The bench unit reports a remote/local selector.
    pub has_remote: bool,
    /// The bench unit reports the emergency-stop circuit.
    pub has_emergency_stop: bool,
    /// Shaft counts as at rest below this speed, rad/s.
    pub rest_speed_rad_s: f64,
    /// Rest where speed is not measured, s.
    pub rest_fallback_s: f64,
    /// Channel of the shaft speed.
    pub speed_channel: Option<usize>,
    /// Channel of the line current.
    pub current_channel: Option<usize>,
    /// Current below which the motor counts as off, A.
    pub current_off_a: f64,
    /// Channel of a fast auxiliary contact of the motor's line.
    pub contact_channel: Option<usize>,
    /// Channels that a trip, a permissive or the proof of a stop looks at, with their ids.
    pub guarding: Vec<(usize, String)>,
    /// Pressure channels.
    pub pressure_channels: Vec<usize>,
    /// Permissives.
    pub permissives: Vec<Permissive>,
    /// Line-ups in rig order.
    pub line_ups: Vec<LineUpRules>,
    /// A line-up counts as confirmed for this long after somebody confirmed it, or after the last confirmed stop, s.
    pub line_up_valid_s: f64,
    /// The trip for a pump that does not prime; `None`: the rig has none.
    pub priming: Option<PrimingRules>,
}

/// What the steps need to know of a line-up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineUpRules {
    /// Id.
    pub id: String,
    /// Sentence for the person who sets the valves.
    pub text: String,
    /// Each valve and how it stands, in words, rig order.
    pub valves: Vec<String>,
    /// What else somebody has to have looked at, in words: levels that the line-up states; the charge of a self-priming pump and
    /// the way out for its air.
    pub beside: Vec<String>,
}

/// What has to be looked at before a pump draws its suction leg empty of air.
const BEFORE_PRIMING: [&str; 2] = [
    "the casing is charged with water (its fill plug is opened only when the casing is cold and without pressure)",
    "the air of the suction leg has a way out (vent path open)",
];

/// What the interlocks and steps need to know of a starter.
#[derive(Debug, Clone, PartialEq)]
pub struct StarterRules {
    /// Id.
    pub id: String,
    /// Position of the transfer device.
    pub position: Option<u16>,
    /// Settings of the rig file.
    pub settings: Settings,
    /// Its ordinary way to stop.
    pub stop: StopKind,
    /// What its map calls the codes of its faults; empty: it names none.
    pub faults: BTreeMap<u16, String>,
}

impl Rules {
    /// The rules of a rig.
    pub fn of(rig: &Rig) -> Self {
        let has = |role| rig.transfer.as_ref().is_some_and(|unit| unit.map.field(role).is_some());
        let find = |wanted| rig.channels.iter().position(|channel| channel.quantity == wanted);
        let current_channel = rig.channels.iter().position(|channel| channel.quantity.is_current());
        let current_u = current_channel.map_or(0.0, |index| rig.channels[index].calibration_u);
        Self {
            starters: rig.starters.iter().map(StarterRules::of).collect(),
            dead_time_s: rig.transfer.as_ref().map(|unit| unit.dead_time_s),
            has_remote: has(Role::Remote),
            has_emergency_stop: has(Role::EmergencyStopOk),
            rest_speed_rad_s: rig.rest_speed_rad_s,
            rest_fallback_s: rig.rest_fallback_s,
            speed_channel: find(Quantity::ShaftSpeed),
            current_channel,
            contact_channel: find(Quantity::Contact),
            current_off_a: (CURRENT_OFF_SHARE * rig.motor.full_load_current_a).max(4.0 * current_u),
            guarding: guarding(rig).into_iter().map(|index| (index, rig.channels[index].id.0.clone())).collect(),
            pressure_channels: (0..rig.channels.len())
                .filter(|&index| rig.channels[index].quantity == Quantity::GaugePressure)
                .collect(),
            permissives: rig.permissives.clone(),
            line_ups: rig.line_ups.iter().map(|line_up| LineUpRules::of(rig, line_up)).collect(),
            line_up_valid_s: rig.line_up_valid_s,
            priming: PrimingRules::of(rig),
        }
    }

    /// Id of a starter.
    pub fn id(&self, starter: usize) -> String {
        self.starters.get(starter).map_or_else(|| format!("starter {starter}"), |rules| rules.id.clone())
    }
}

impl Rules {
    /// A fault code in words, as far as the starter's map names its codes.
    pub fn fault(&self, starter: usize, code: u16) -> String {
        let named = self.starters.get(starter).map(|rules| &rules.faults).filter(|faults| !faults.is_empty());
        match named.map(|faults| faults.get(&code)) {
            Some(Some(word)) => format!("fault {code} ({word})"),
            Some(None) => format!("fault {code} (a code that its map does not know)"),
            None => format!("fault {code}"),
        }
    }
}

impl LineUpRules {
    /// What the record says once somebody has confirmed a line-up; reports look for it.
    pub fn confirmed(id: &str) -> String {
        format!("line-up {id} is confirmed")
    }

    fn of(rig: &Rig, line_up: &LineUp) -> Self {
        let valve = |(element, opening): &(usize, f64)| {
            let name = rig.network.elements.get(*element).map_or("?", |element| element.name.as_str());
            format!("{name} {}", stands(*opening))
        };
        Self {
            id: line_up.id.clone(),
            text: line_up.text.clone(),
            valves: line_up.valves.iter().map(valve).collect(),
            beside: levels(rig, line_up).into_iter().chain(before_priming(line_up)).collect(),
        }
    }
}

/// The levels that a line-up goes by: a volume that has to fit under a rim is reckoned from them.
fn levels(rig: &Rig, line_up: &LineUp) -> Option<String> {
    let name = |node: usize| rig.network.nodes.get(node).map_or("?", |node| node.name.as_str());
    let all: Vec<_> = line_up.levels.iter().map(|(node, m)| format!("{} {m:.2} m", name(*node))).collect();
    (!all.is_empty()).then(|| format!("levels above datum, read at the tanks: {}", all.join(", ")))
}

fn before_priming(line_up: &LineUp) -> Vec<String> {
    let drained = line_up.lines.is_some_and(|lines| lines.suction_drained);
    if drained { BEFORE_PRIMING.map(str::to_owned).to_vec() } else { Vec::new() }
}

/// How a valve stands, in words.
fn stands(opening: f64) -> String {
    match opening {
        0.0 => "shut".to_owned(),
        1.0 => "fully open".to_owned(),
        part => format!("{:.0} % open", 100.0 * part),
    }
}

impl StarterRules {
    fn of(starter: &crate::rig::model::Starter) -> Self {
        Self {
            id: starter.id.clone(),
            position: starter.transfer_position,
            settings: starter.settings,
            stop: starter.stop,
            faults: starter.map.words.get(&Role::Fault).cloned().unwrap_or_default(),
        }
    }
}

/// Facts that need memory: since when something has been so.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Watch {
    /// Position of the transfer device and since when it has read so, s.
    pub position: Option<(u16, f64)>,
    /// Since when every starter's status has said off, s.
    pub all_off_since_s: Option<f64>,
    /// Line-up that a person confirmed in this run, and when it was last known to stand, s.
    pub lined_up: Option<(usize, f64)>,
}

impl Watch {
    /// Takes in what is seen now. A fact that was unknown for a moment counts anew: unknown history means the full rest.
    pub fn look(&mut self, seen: &Observations, now_s: f64) {
        let position = seen.bench.as_ref().and_then(|bench| bench.value(Role::TransferPosition));
        self.position = match (position, self.position) {
            (Some(found), Some((known, since_s))) if found == known => Some((known, since_s)),
            (Some(found), _) => Some((found, now_s)),
            (None, _) => None,
        };
        let all_off = seen.starters.iter().all(|facts| facts.running == Some(false));
        self.all_off_since_s = if all_off { self.all_off_since_s.or(Some(now_s)) } else { None };
    }
}

/// A reason against a start.
#[derive(Debug, Clone, PartialEq)]
pub enum Blocker {
    /// Nobody is named.
    NotAttended,
    /// The prediction is not in the record.
    NoPrediction,
    /// No samples.
    StreamLost,
    /// A link does not answer.
    LinkDown(String),
    /// A status is not known yet.
    StatusUnknown(String),
    /// The run bit is not clear.
    RunNotClear(String),
    /// A fault is latched.
    FaultLatched(String, u16),
    /// Current flows though everything says off (a welded contact, or one phase of it): where, and how much, A.
    CurrentFlows(String, f64),
    /// The selector stands at local.
    NotRemote,
    /// The emergency-stop circuit is open.
    EmergencyStopOpen,
    /// The bench unit has not said yet.
    BenchUnknown,
    /// Another starter is on.
    OtherOn(String),
    /// The shaft turns, rad/s.
    ShaftTurns(f64),
    /// Rest left, s, where speed is not measured.
    RestLeft(f64),
    /// Transfer device: position found, position needed.
    Position(Option<u16>, u16),
    /// Dead time left, s.
    DeadTimeLeft(f64),
    /// A channel that guards the plant reads a failure.
    ChannelFailed(String),
    /// A permissive does not hold: its sentence, and what was found.
    Permissive(String, String),
    /// Duty: time left, s.
    DutyLeft(f64),
    /// Nobody has confirmed a line-up in this run.
    NotLinedUp,
    /// The confirmation of a line-up is older than it may be: line-up, age, s.
    LineUpOld(String, f64),
    /// The bench unit reads another line-up than the one confirmed: the one confirmed, and what it reads.
    LineUpMoved(String, u16),
}

impl Blocker {
    /// Time alone may clear it; the others need a person.
    pub fn passes_with_time(&self) -> bool {
        !matches!(
            self,
            Self::NotAttended
                | Self::NoPrediction
                | Self::FaultLatched(..)
                | Self::NotRemote
                | Self::EmergencyStopOpen
                | Self::OtherOn(_)
                | Self::Permissive(..)
                | Self::NotLinedUp
                | Self::LineUpOld(..)
        )
    }
}

impl fmt::Display for Blocker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAttended => f.write_str("no attending person is named"),
            Self::NoPrediction => f.write_str("the prediction is not in the record yet"),
            Self::StreamLost => f.write_str("no samples arrive"),
            Self::LinkDown(id) => write!(f, "the link to {id} does not answer"),
            Self::StatusUnknown(id) => write!(f, "the status of {id} is not known yet"),
            Self::RunNotClear(id) => write!(f, "{id} still has its output on"),
            Self::FaultLatched(id, code) => write!(f, "{id} has fault {code} latched"),
            Self::CurrentFlows(place, ampere) => write!(f, "{place} carries {ampere:.1} A though nothing should be on"),
            Self::NotRemote => f.write_str("the selector stands at local"),
            Self::EmergencyStopOpen => f.write_str("the emergency-stop circuit is open"),
            Self::BenchUnknown => f.write_str("the bench unit has not answered yet"),
            Self::OtherOn(id) => write!(f, "{id} is on"),
            Self::ShaftTurns(speed) => write!(f, "the shaft turns at {speed:.2} rad/s"),
            Self::RestLeft(left_s) => write!(f, "rest of {left_s:.1} s left (shaft speed is not measured)"),
            Self::Position(Some(found), needed) => {
                write!(f, "the transfer device reads position {found}, {needed} is needed")
            }
            Self::Position(None, needed) => {
                write!(f, "the transfer device's position is not known, {needed} is needed")
            }
            Self::DeadTimeLeft(left_s) => write!(f, "dead time of the transfer device, {left_s:.1} s left"),
            Self::ChannelFailed(id) => write!(f, "{id} reads a failure or the end of its range: it guards nothing"),
            Self::Permissive(text, found) => write!(f, "{text} (found {found})"),
            Self::DutyLeft(left_s) if left_s.is_finite() => write!(f, "duty: {left_s:.1} s left"),
            Self::DutyLeft(_) => f.write_str("duty: not known yet"),
            Self::NotLinedUp => f.write_str("nobody has confirmed the line-up"),
            Self::LineUpOld(id, age_s) => {
                write!(f, "line-up {id} was last confirmed {:.0} min ago: it has to be looked at again", age_s / 60.0)
            }
            Self::LineUpMoved(id, 0) => write!(f, "the valves do not stand as line-up {id} any more"),
            Self::LineUpMoved(id, number) => {
                write!(f, "line-up {id} was confirmed, and the bench unit reads line-up number {number}")
            }
        }
    }
}

/// Indices of the channels that guard a rig's plant.
fn guarding(rig: &Rig) -> std::collections::BTreeSet<usize> {
    let conditions = rig.permissives.iter().filter_map(|permissive| match permissive.condition {
        Condition::ChannelBetween { channel, .. } => Some(channel),
        Condition::FieldIs { .. } => None,
    });
    let proofs = rig.channels.iter().enumerate();
    let proofs =
        proofs.filter(|(_, channel)| channel.quantity.is_current() || channel.quantity == Quantity::ShaftSpeed);
    rig.trips.iter().filter_map(|trip| trip.channel).chain(conditions).chain(proofs.map(|(index, _)| index)).collect()
}

/// Ids of guarding channels that cannot be believed now.
fn failed_channels<'a>(rules: &'a Rules, seen: &'a Observations) -> impl Iterator<Item = &'a str> {
    let failed = |(index, _): &&(usize, String)| seen.stream_alive && seen.unbelievable.get(*index) == Some(&true);
    rules.guarding.iter().filter(failed).map(|(_, id)| id.as_str())
}

/// All reasons in one line.
pub fn in_words(blockers: &[Blocker]) -> String {
    blockers.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

/// Everything against starting `starter` now.
pub fn start_blockers(rules: &Rules, seen: &Observations, watch: &Watch, starter: usize, now_s: f64) -> Vec<Blocker> {
    let mut blockers = Vec::new();
    if !seen.attended {
        blockers.push(Blocker::NotAttended);
    }
    if !seen.prediction_stored {
        blockers.push(Blocker::NoPrediction);
    }
    blockers.extend(select_blockers(rules, seen, watch, now_s));
    blockers.extend(line_up_blocker(rules, seen, watch, now_s));
    blockers.extend(transfer_blockers(rules, watch, starter, now_s));
    blockers.extend(failed_channels(rules, seen).map(|id| Blocker::ChannelFailed(id.to_owned())));
    blockers.extend(permissive_blockers(rules, seen));
    match seen.duty_wait_s.get(starter) {
        Some(left_s) if *left_s <= 0.0 => {}
        Some(left_s) => blockers.push(Blocker::DutyLeft(*left_s)),
        None => blockers.push(Blocker::DutyLeft(f64::INFINITY)),
    }
    blockers
}

/// Everything against moving the transfer device now: all starters proven off and clear, shaft at rest, a person's
/// selector at remote.
pub fn select_blockers(rules: &Rules, seen: &Observations, watch: &Watch, now_s: f64) -> Vec<Blocker> {
    let mut blockers = Vec::new();
    if !seen.stream_alive {
        blockers.push(Blocker::StreamLost);
    }
    for (index, facts) in seen.starters.iter().enumerate() {
        let id = rules.id(index);
        blockers.extend((facts.remote == Some(false)).then_some(Blocker::NotRemote));
        blockers.extend((facts.emergency_stop_ok == Some(false)).then_some(Blocker::EmergencyStopOpen));
        blockers.extend(off_blocker(&id, facts));
        blockers.extend(current_blocker(rules, &id, facts.current_a));
    }
    let line_a = rules.current_channel.and_then(|channel| seen.mean_of(channel));
    blockers.extend(current_blocker(rules, "the line", line_a));
    if let Some(bench) = &seen.bench {
        blockers.extend(bench_blockers(rules, bench));
    }
    blockers.extend(rest_blocker(rules, seen, watch, now_s));
    blockers.dedup();
    blockers
}

/// Restart inhibit: a run bit that is not clear or a latched fault forbids a start; clearing is never done in passing.
fn off_blocker(id: &str, facts: &StarterFacts) -> Option<Blocker> {
    if !facts.link_up {
        return Some(Blocker::LinkDown(id.to_owned()));
    }
    match (facts.running, facts.fault) {
        (None, _) | (_, None) => Some(Blocker::StatusUnknown(id.to_owned())),
        (Some(true), _) => Some(Blocker::RunNotClear(id.to_owned())),
        (Some(false), Some(0)) => None,
        (Some(false), Some(code)) => Some(Blocker::FaultLatched(id.to_owned(), code)),
    }
}

/// A status that says off is no proof: a contact may be welded, and a motor that hums on one phase does not turn.
fn current_blocker(rules: &Rules, place: &str, found_a: Option<f64>) -> Option<Blocker> {
    let flows_a = found_a.filter(|ampere| *ampere >= rules.current_off_a)?;
    Some(Blocker::CurrentFlows(place.to_owned(), flows_a))
}

fn bench_blockers(rules: &Rules, bench: &BenchFacts) -> Vec<Blocker> {
    if !bench.link_up {
        return vec![Blocker::LinkDown("the bench unit".to_owned())];
    }
    let mut blockers = Vec::new();
    let mut need_one = |present: bool, role, otherwise: Blocker| match bench.value(role) {
        _ if !present => {}
        Some(1) => {}
        Some(_) => blockers.push(otherwise),
        None => blockers.push(Blocker::BenchUnknown),
    };
    need_one(rules.has_remote, Role::Remote, Blocker::NotRemote);
    need_one(rules.has_emergency_stop, Role::EmergencyStopOk, Blocker::EmergencyStopOpen);
    blockers
}

/// Is the shaft at rest, by its speed or, where that is not measured, by time?
pub fn rest_blocker(rules: &Rules, seen: &Observations, watch: &Watch, now_s: f64) -> Option<Blocker> {
    if let Some(channel) = rules.speed_channel {
        return match seen.mean_of(channel) {
            Some(speed) if speed.abs() < rules.rest_speed_rad_s => None,
            Some(speed) => Some(Blocker::ShaftTurns(speed)),
            None => Some(Blocker::StatusUnknown("the shaft".to_owned())),
        };
    }
    let rested_s = watch.all_off_since_s.map_or(0.0, |since_s| now_s - since_s);
    (rested_s < rules.rest_fallback_s).then_some(Blocker::RestLeft(rules.rest_fallback_s - rested_s))
}

fn transfer_blockers(rules: &Rules, watch: &Watch, starter: usize, now_s: f64) -> Option<Blocker> {
    let dead_time_s = rules.dead_time_s?;
    let needed = rules.starters.get(starter)?.position?;
    match watch.position {
        Some((found, since_s)) if found == needed => {
            let left_s = dead_time_s - (now_s - since_s);
            (left_s > 0.0).then_some(Blocker::DeadTimeLeft(left_s))
        }
        found => Some(Blocker::Position(found.map(|(position, _)| position), needed)),
    }
}

/// Confirmed in this run, lately, and still standing as far as the bench unit tells.
fn line_up_blocker(rules: &Rules, seen: &Observations, watch: &Watch, now_s: f64) -> Option<Blocker> {
    let Some((confirmed, at_s)) = watch.lined_up else {
        return (!rules.line_ups.is_empty()).then_some(Blocker::NotLinedUp);
    };
    let id = || rules.line_ups.get(confirmed).map(|line_up| line_up.id.clone()).unwrap_or_default();
    match seen.bench.as_ref().and_then(|bench| bench.value(Role::LineUp)) {
        Some(read) if usize::from(read) != confirmed + 1 => return Some(Blocker::LineUpMoved(id(), read)),
        // Valves that tell how they stand need nobody to look again.
        Some(_) => return None,
        None => {}
    }
    let age_s = now_s - at_s;
    (age_s > rules.line_up_valid_s).then(|| Blocker::LineUpOld(id(), age_s))
}

fn permissive_blockers(rules: &Rules, seen: &Observations) -> Vec<Blocker> {
    rules.permissives.iter().filter_map(|permissive| permissive_blocker(permissive, seen)).collect()
}

fn permissive_blocker(permissive: &Permissive, seen: &Observations) -> Option<Blocker> {
    let found = match &permissive.condition {
        Condition::ChannelBetween { channel, low, high } => match seen.mean_of(*channel) {
            Some(value) if (*low..=*high).contains(&value) => return None,
            Some(value) => format!("{value:.4}"),
            None => return Some(Blocker::StatusUnknown(format!("permissive {}", permissive.id))),
        },
        Condition::FieldIs { role, value } => {
            match seen.bench.as_ref().zip(Role::from_name(role)).and_then(|(bench, role)| bench.value(role)) {
                Some(found) if found == *value => return None,
                Some(found) => found.to_string(),
                None => return Some(Blocker::StatusUnknown(format!("permissive {}", permissive.id))),
            }
        }
    };
    Some(Blocker::Permissive(permissive.text.clone(), found))
}

/// Why a run cannot go on.
#[derive(Debug, Clone, PartialEq)]
pub enum Ending {
    /// All steps done.
    Done,
    /// Something is wrong: the motor has to be stopped.
    Abort {
        /// Why.
        reason: String,
        /// First kind of stop; `None`: the starter's ordinary way.
        stop: Option<StopKind>,
        /// The declared trip whose deadlines it goes by, index into the rig's; `None`: those of its kind.
        trip: Option<usize>,
    },
    /// A starter is on though the run's stop was confirmed and it has ordered no start since.
    OnAgain {
        /// Which.
        starter: usize,
        /// What was seen.
        reason: String,
    },
    /// Somebody took over at the rig: nothing more may be sent.
    TakenOver {
        /// What was seen.
        reason: String,
    },
}

/// Looks for a take-over or a fault while a run is on. `energised`: the starter that this run has ordered on, and the
/// transfer position it stands at.
pub fn guard(rules: &Rules, seen: &Observations, energised: Option<usize>) -> Option<Ending> {
    taken_over(rules, seen, energised).or_else(|| match energised {
        Some(starter) => faulty(rules, seen, starter),
        None => on_again(rules, seen),
    })
}

/// After a confirmed stop every starter stays off until the run orders a start: one that comes on by itself, or by another's
/// hand, ends the run. Before its first start a run has no say in who runs the motor; that only forbids the start.
fn on_again(rules: &Rules, seen: &Observations) -> Option<Ending> {
    if !seen.starters.iter().any(|facts| facts.started) {
        return None;
    }
    let starter = seen.starters.iter().position(|facts| facts.running == Some(true))?;
    let id = rules.id(starter);
    let reason = format!("{id} came on though it was stopped and no start was ordered");
    Some(Ending::OnAgain { starter, reason })
}

fn taken_over(rules: &Rules, seen: &Observations, energised: Option<usize>) -> Option<Ending> {
    let over = |reason: String| Some(Ending::TakenOver { reason });
    if let Some(facts) = seen.starters.iter().find(|facts| facts.foreign_setting.is_some()) {
        return over(format!("somebody changed a setting: {}", facts.foreign_setting.clone().unwrap_or_default()));
    }
    if let Some(who) = at_local(rules, seen) {
        return over(format!("{who} was moved to local"));
    }
    let bench = seen.bench.as_ref()?;
    let needed = rules.starters.get(energised?)?.position?;
    match bench.value(Role::TransferPosition) {
        Some(found) if found != needed && rules.dead_time_s.is_some() => {
            over(format!("the transfer device was moved from position {needed} to {found} while the motor was on"))
        }
        _ => None,
    }
}

/// Whose selector stands at local, in words: the bench unit's, or a starter's own.
pub fn at_local(rules: &Rules, seen: &Observations) -> Option<String> {
    let bench = seen.bench.as_ref().filter(|_| rules.has_remote);
    if bench.and_then(|bench| bench.value(Role::Remote)) == Some(0) {
        return Some("the selector".to_owned());
    }
    let starter = seen.starters.iter().position(|facts| facts.remote == Some(false))?;
    Some(format!("the selector of {}", rules.id(starter)))
}

/// Does the bench unit, or a starter, say that the emergency-stop circuit is open?
pub fn emergency_stop_open(rules: &Rules, seen: &Observations) -> bool {
    let bench = seen.bench.as_ref().filter(|_| rules.has_emergency_stop);
    bench.and_then(|bench| bench.value(Role::EmergencyStopOk)) == Some(0)
        || seen.starters.iter().any(|facts| facts.emergency_stop_ok == Some(false))
}

fn faulty(rules: &Rules, seen: &Observations, starter: usize) -> Option<Ending> {
    let abort = |reason: String, stop| Some(Ending::Abort { reason, stop, trip: None });
    let id = rules.id(starter);
    if let Some((other, _)) =
        seen.starters.iter().enumerate().find(|(index, facts)| *index != starter && facts.running == Some(true))
    {
        let other = rules.id(other);
        return abort(format!("{other} came on while {id} was on"), Some(StopKind::ContactorOff));
    }
    if emergency_stop_open(rules, seen) {
        return abort(EMERGENCY.to_owned(), Some(StopKind::ContactorOff));
    }
    if let Some(channel) = failed_channels(rules, seen).next() {
        return abort(format!("{channel} reads a failure or the end of its range: it guards nothing"), None);
    }
    let at_speed = seen.starters.get(starter).and_then(|facts| facts.at_speed) == Some(true);
    let speed = rules.speed_channel.and_then(|channel| seen.mean_of(channel));
    if at_speed && speed.is_some_and(|speed| speed.abs() < rules.rest_speed_rad_s) {
        return abort(
            format!("the shaft reads at rest though {id} reports full speed: tachometer, coupling or belt"),
            None,
        );
    }
    match seen.starters.get(starter).and_then(|facts| facts.fault) {
        Some(code) if code != 0 && !seen.silenced => {
            abort(format!("{id} reports {}", rules.fault(starter, code)), Some(StopKind::Coast))
        }
        _ => None,
    }
}

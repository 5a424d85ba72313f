//! What happens in the predicted water and at the shaft, in words, anchored to the mark before it.

use super::valve_events::Stand;
use crate::hydraulics::pipe::bore_area_m2;
use crate::hydraulics::plant::{PlantEvent, PlantEventKind};
use crate::hydraulics::spec::{ElementKind, ElementSpec, Place};
use crate::rig::model::Rig;
use crate::sequence::marks::Phase;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Most events kept of a run: a valve that chatters shall not fill the recording.
pub const EVENTS_MAX: usize = 200;
/// Forward flow counts as on above this share of the pump's rated flow, and as ended below [`ENDED_SHARE`].
const FLOWING_SHARE: f64 = 0.1;
/// Forward flow counts as ended below this share of rated flow.
const ENDED_SHARE: f64 = 0.005;
/// Forward flow is on again only after this long above [`FLOWING_SHARE`], s: waves from closing cavities pass sooner.
const FLOWING_S: f64 = 0.1;
/// A cavity that opens within this long of the closing of the last belongs to the same spell, s.
const SPELL_S: f64 = 0.5;
/// A check valve that moves again within this long flutters, s: told as one event.
const FLUTTER_S: f64 = 0.1;
/// The shaft counts as still turning above this share of the pump's rated speed.
const TURNING_SHARE: f64 = 0.1;

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// Flow through the pump turned.
    FlowReversed,
    /// The shaft turned the other way.
    ShaftReversed,
    /// The shaft of a pump beside the commanded one turned the other way.
    OtherShaftReversed,
    /// A check valve opened.
    CheckValveOpened,
    /// A check valve closed.
    CheckValveClosed,
    /// The pressure fell to the vapour pressure and the water parted: one event a spell, from its first cavity.
    CavityOpened,
    /// The last cavity of a spell closed, wherever it was.
    CavityCollapsed,
    /// The front of a filling line came to the end of a pipe.
    FrontArrived,
    /// The discharge side is full.
    LineFull,
    /// Air ahead of the front has no way out and is compressed.
    AirShutIn,
    /// A pipe drains back.
    Draining,
    /// Water rose to the pump.
    WaterAtPump,
    /// A relief valve opened.
    ReliefValveOpened,
    /// A relief valve closed.
    ReliefValveClosed,
    /// An air vessel ran empty of water.
    VesselEmptied,
    /// An air valve let air in.
    AirAdmitted,
    /// An air valve shut, its air out.
    AirExpelled,
    /// A tank that is filled runs over.
    TankOverflows,
    /// A tank has no water left.
    TankRunsDry,
    /// A lay-flat hose folds.
    HoseFlattened,
    /// A lay-flat hose is round again.
    HoseRounded,
    /// The pump is primed.
    Primed,
    /// The suction leg ran empty, or air in the water drawn locked the impeller.
    PrimeLost,
    /// Air from a splashing return came to the pump.
    AirEnters,
    /// NPSH available fell below the required.
    CavitationBegins,
    /// NPSH available is above the required again.
    CavitationEnds,
    /// Forward flow ended while the shaft still turned forwards.
    ForwardFlowEnded,
    /// The control valve begins to open.
    ControlValveOpens,
    /// The control valve is fully open.
    ControlValveOpen,
    /// The control valve begins to close.
    ControlValveCloses,
    /// The control valve is shut.
    ControlValveShut,
    /// The limit switch of the closing control valve cuts the motor.
    LimitSwitch,
}

/// One event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictedEvent {
    /// Cycle of the mark before it; 0 before the first start.
    pub cycle: u32,
    /// Phase of the mark before it.
    pub phase: Phase,
    /// Time after that mark, s.
    pub after_mark_s: f64,
    /// What.
    pub kind: EventKind,
    /// In words, with place and figure.
    pub text: String,
}

/// Watches one run and keeps what happens.
#[derive(Debug, Default)]
pub struct Observer {
    /// So far.
    pub events: Vec<PredictedEvent>,
    flowing: bool,
    /// How the control valve stood at the last look.
    pub(super) valve: Option<Stand>,
    /// Since when the flow is above [`FLOWING_SHARE`].
    above_since_s: Option<f64>,
    flutters: Vec<Flutter>,
    parting: Option<Parting>,
    mark: Option<(u32, Phase, f64)>,
}

/// Moves of one check valve that follow one another closely, told as one event.
#[derive(Debug, Clone, Copy)]
struct Flutter {
    element: usize,
    /// Place of the event in the list.
    event: usize,
    first_s: f64,
    last_s: f64,
    moves: u32,
    first_opens: bool,
    /// Hardest flow on which its disc shut, m3/s; below 0: backwards.
    hardest_m3_s: f64,
}

/// From the first cavity to the closing of the last: one low spell of the line, however many places part in it.
#[derive(Debug, Clone)]
struct Parting {
    /// Place of the opening event in the list.
    opened: usize,
    /// The first place, with where along.
    first: String,
    /// Names of pipes and nodes that parted, in order.
    places: Vec<String>,
    /// Cavities open now.
    open: usize,
    /// Volume and place of the largest that closed.
    largest: (f64, String),
    /// When the last closed and the place of that event in the list; a cavity soon after belongs to the same spell.
    closed: Option<(f64, usize)>,
}

/// State of pump and shaft at a time level.
#[derive(Debug, Clone, Copy)]
pub struct PumpState {
    /// Time, s.
    pub now_s: f64,
    /// Flow through the pump, m3/s.
    pub flow_m3_s: f64,
    /// Shaft speed, rad/s.
    pub speed_rad_s: f64,
    /// A starter feeds the motor.
    pub driven: bool,
}

impl Observer {
    /// A new mark: later events count from it.
    pub fn mark(&mut self, cycle: u32, phase: Phase, at_s: f64) {
        self.mark = Some((cycle, phase, at_s));
    }

    /// Takes what the plant tells, whose clock is `skipped_s` behind (still water is not computed).
    pub fn take(&mut self, rig: &Rig, events: Vec<PlantEvent>, skipped_s: f64) {
        for event in events {
            let at_s = event.time_s + skipped_s;
            match event.kind {
                PlantEventKind::CheckValveOpened { element } => self.moved(rig, element, true, at_s),
                PlantEventKind::CheckValveClosed { element } => self.moved(rig, element, false, at_s),
                PlantEventKind::DiscClosed { element, flow_m3_s } => {
                    self.moved(rig, element, false, at_s);
                    self.slammed(rig, element, flow_m3_s);
                }
                PlantEventKind::CavityOpened { place } => self.parted(rig, place, at_s),
                PlantEventKind::CavityCollapsed { place, largest_m3 } => self.met(rig, place, largest_m3, at_s),
                other => {
                    let (kind, text) = in_words(rig, other);
                    self.keep(at_s, kind, text);
                }
            }
        }
    }

    /// A cavity opened: a new spell, or more of the one that is on.
    fn parted(&mut self, rig: &Rig, place: Place, at_s: f64) {
        let again = |spell: &Parting| spell.closed.is_none_or(|(closed_s, _)| at_s - closed_s <= SPELL_S);
        let Some(spell) = self.parting.as_mut().filter(|spell| again(spell)) else {
            let (opened, places, first) = (self.events.len(), vec![site(rig, place)], words(rig, place));
            self.keep(at_s, EventKind::CavityOpened, opening_words(&first, &[]));
            let largest = (0.0, String::new());
            self.parting = Some(Parting { opened, first, places, open: 1, largest, closed: None });
            return;
        };
        spell.open += 1;
        if let Some((_, event)) = spell.closed.take()
            && event + 1 == self.events.len()
        {
            self.events.truncate(event);
        }
        let here = site(rig, place);
        if !spell.places.contains(&here) {
            spell.places.push(here);
            if let Some(event) = self.events.get_mut(spell.opened) {
                event.text = opening_words(&spell.first, &spell.places[1..]);
            }
        }
    }

    /// A cavity filled: with the last one the spell is over.
    fn met(&mut self, rig: &Rig, place: Place, largest_m3: f64, at_s: f64) {
        let Some(spell) = self.parting.as_mut() else { return };
        spell.open = spell.open.saturating_sub(1);
        if largest_m3 > spell.largest.0 {
            spell.largest = (largest_m3, site(rig, place));
        }
        if spell.open == 0 {
            spell.closed = Some((at_s, self.events.len()));
            let (litres, largest_at) = (1e3 * spell.largest.0, spell.largest.1.clone());
            let text = format!(
                "the last cavity closes, at {}; the largest was at {largest_at}, {litres:.2} l",
                site(rig, place)
            );
            self.keep(at_s, EventKind::CavityCollapsed, text);
        }
    }

    /// A check valve opened or closed: a new event, or more of the flutter that is on.
    fn moved(&mut self, rig: &Rig, element: usize, opens: bool, at_s: f64) {
        let recent = |flutter: &&mut Flutter| flutter.element == element && at_s - flutter.last_s <= FLUTTER_S;
        if let Some(flutter) = self.flutters.iter_mut().find(recent) {
            flutter.last_s = at_s;
            flutter.moves += 1;
            let slam = slam_words(rig, element, -flutter.hardest_m3_s).unwrap_or_default();
            let words = flutter_words(flutter, &words_of_element(rig, element), opens) + &slam;
            if let Some(event) = self.events.get_mut(flutter.event) {
                event.text = words;
            }
            return;
        }
        self.flutters.retain(|flutter| flutter.element != element);
        let event = self.events.len();
        self.flutters.push(Flutter {
            element,
            event,
            first_s: at_s,
            last_s: at_s,
            moves: 1,
            first_opens: opens,
            hardest_m3_s: 0.0,
        });
        let kind = if opens {
            PlantEventKind::CheckValveOpened { element }
        } else {
            PlantEventKind::CheckValveClosed { element }
        };
        let (kind, text) = in_words(rig, kind);
        self.keep(at_s, kind, text);
    }

    /// The disc that was just told of came down on a flow backwards; of a flutter, the hardest stands.
    fn slammed(&mut self, rig: &Rig, element: usize, flow_m3_s: f64) {
        let Some(flutter) = self.flutters.iter_mut().find(|flutter| flutter.element == element) else { return };
        flutter.hardest_m3_s = flutter.hardest_m3_s.min(flow_m3_s);
        let (event, hardest_m3_s) = (flutter.event, flutter.hardest_m3_s);
        let words = slam_words(rig, element, -hardest_m3_s);
        if let Some((event, words)) = self.events.get_mut(event).zip(words) {
            let plain = event.text.split(SLAM).next().unwrap_or_default();
            event.text = format!("{plain}{words}");
        }
    }

    /// Looks for the end of forward flow.
    pub fn look(&mut self, rig: &Rig, now: PumpState) {
        let Some(pump) = rig.network.elements.iter().find_map(|element| match &element.kind {
            ElementKind::Pump(pump) => Some(pump),
            _ => None,
        }) else {
            return;
        };
        if now.flow_m3_s > FLOWING_SHARE * pump.rated_flow_m3_s {
            let since_s = *self.above_since_s.get_or_insert(now.now_s);
            self.flowing |= now.now_s - since_s >= FLOWING_S;
            return;
        }
        self.above_since_s = None;
        if self.flowing && now.flow_m3_s < ENDED_SHARE * pump.rated_flow_m3_s {
            self.flowing = false;
            if now.speed_rad_s > TURNING_SHARE * pump.rated_speed_rad_s {
                let rpm = now.speed_rad_s * 60.0 / TAU;
                let motor = if now.driven { "the motor still drives at" } else { "the shaft still coasts at" };
                self.keep(
                    now.now_s,
                    EventKind::ForwardFlowEnded,
                    format!("forward flow ends while {motor} {rpm:.0} rpm"),
                );
            }
        }
    }

    pub(super) fn keep(&mut self, at_s: f64, kind: EventKind, text: String) {
        let (cycle, phase, mark_s) = self.mark.unwrap_or((0, Phase::Start, 0.0));
        if self.events.len() < EVENTS_MAX {
            self.events.push(PredictedEvent { cycle, phase, after_mark_s: at_s - mark_s, kind, text });
        }
    }
}

fn in_words(rig: &Rig, kind: PlantEventKind) -> (EventKind, String) {
    let name = |element: usize| rig.network.elements.get(element).map_or("", |element| element.name.as_str());
    let way = |forwards: bool| if forwards { "forwards" } else { "backwards" };
    match kind {
        PlantEventKind::CheckValveOpened { element } => {
            (EventKind::CheckValveOpened, format!("check valve {} opens", name(element)))
        }
        PlantEventKind::CheckValveClosed { element } => {
            (EventKind::CheckValveClosed, format!("check valve {} closes", name(element)))
        }
        PlantEventKind::DiscClosed { element, flow_m3_s } => {
            let slam = slam_words(rig, element, -flow_m3_s).unwrap_or_default();
            (EventKind::CheckValveClosed, format!("check valve {} closes{slam}", name(element)))
        }
        PlantEventKind::FlowReversed { forwards } => {
            (EventKind::FlowReversed, format!("flow through the pump turns {}", way(forwards)))
        }
        PlantEventKind::ShaftReversed { forwards } => {
            (EventKind::ShaftReversed, format!("the shaft turns {}", way(forwards)))
        }
        PlantEventKind::OtherShaftReversed { element, forwards } => {
            (EventKind::OtherShaftReversed, format!("the shaft of pump {} turns {}", name(element), way(forwards)))
        }
        PlantEventKind::CavityOpened { place } => (EventKind::CavityOpened, opening_words(&words(rig, place), &[])),
        PlantEventKind::CavityCollapsed { place, largest_m3 } => {
            let text = format!("the cavity at {} closes, {:.2} l at its largest", words(rig, place), 1e3 * largest_m3);
            (EventKind::CavityCollapsed, text)
        }
        PlantEventKind::FrontArrived { element } => {
            (EventKind::FrontArrived, format!("the front arrives at the end of {}", name(element)))
        }
        PlantEventKind::HoseFlattened { element } => {
            (EventKind::HoseFlattened, format!("hose {} loses its pressure and folds", name(element)))
        }
        PlantEventKind::HoseRounded { element } => {
            (EventKind::HoseRounded, format!("hose {} is round again", name(element)))
        }
        PlantEventKind::TankOverflows { node } => (
            EventKind::TankOverflows,
            format!("the tank at {} is full to its rim and runs over", words(rig, Place::Node(node))),
        ),
        PlantEventKind::TankRunsDry { node, level_m, drawn_m3_s } => {
            let (place, drawn_l_s) = (words(rig, Place::Node(node)), 1e3 * drawn_m3_s);
            let text = format!(
                "tank runs dry at {place}: its level is at its bottom, {level_m:.2} m, while {drawn_l_s:.2} l/s are drawn; air \
                 follows the water into the line"
            );
            (EventKind::TankRunsDry, text)
        }
        PlantEventKind::RunsDry { node, line_m3 } => {
            let (place, line_l) = (words(rig, Place::Node(node)), 1e3 * line_m3);
            let text = format!(
                "air from the dry tank at {place} has filled its line ({line_l:.1} l) and comes to the pump: prime is lost, the \
                 pump runs dry"
            );
            (EventKind::PrimeLost, text)
        }
        PlantEventKind::AirShutIn { volume_m3 } => {
            let air_l = 1e3 * volume_m3;
            let text =
                format!("no outlet is open: {air_l:.1} l of air have no way out and are compressed ahead of the front");
            (EventKind::AirShutIn, text)
        }
        PlantEventKind::LineFull => (EventKind::LineFull, "the whole discharge side is full".to_owned()),
        PlantEventKind::Draining { element } => {
            (EventKind::Draining, format!("air comes in at the end of {}: it drains back", name(element)))
        }
        PlantEventKind::WaterAtPump => (EventKind::WaterAtPump, "water has risen to the pump".to_owned()),
        PlantEventKind::Primed => (EventKind::Primed, "the pump is primed".to_owned()),
        PlantEventKind::ReliefValveOpened { element } => {
            (EventKind::ReliefValveOpened, format!("relief valve {} opens", name(element)))
        }
        PlantEventKind::ReliefValveClosed { element } => {
            (EventKind::ReliefValveClosed, format!("relief valve {} closes", name(element)))
        }
        PlantEventKind::VesselEmptied { node } => (
            EventKind::VesselEmptied,
            format!("the air vessel at {} runs empty of water", words(rig, Place::Node(node))),
        ),
        PlantEventKind::AirAdmitted { node } => {
            (EventKind::AirAdmitted, format!("the air valve at {} lets air in", words(rig, Place::Node(node))))
        }
        PlantEventKind::AirExpelled { node } => (
            EventKind::AirExpelled,
            format!("the air valve at {} shuts, its air is out", words(rig, Place::Node(node))),
        ),
        PlantEventKind::PrimeLostByAir { gas_share } => (
            EventKind::PrimeLost,
            format!("air is {:.1} % of the volume at the pump's inlet: prime is lost", 100.0 * gas_share),
        ),
        PlantEventKind::AirAtPump { .. } => {
            (EventKind::AirEnters, "air from the splashing return comes to the pump".to_owned())
        }
        PlantEventKind::CavitationBegan { available_m, required_m } => (
            EventKind::CavitationBegins,
            format!("cavitation begins: NPSH available {available_m:.2} m falls below the required {required_m:.2} m"),
        ),
        PlantEventKind::CavitationEnded { available_m } => {
            (EventKind::CavitationEnds, format!("cavitation ends: NPSH available {available_m:.2} m"))
        }
        PlantEventKind::PrimeLost => (EventKind::PrimeLost, "the suction leg has run empty: prime is lost".to_owned()),
    }
}

/// What comes before the figures of a disc that shut on flow backwards.
const SLAM: &str = " on a flow backwards of ";

/// Flow backwards on which a disc shut, as a velocity in the bore at the valve; `None`: it shut in still water.
fn slam_words(rig: &Rig, element: usize, backwards_m3_s: f64) -> Option<String> {
    const LEAST_M3_S: f64 = 1.0e-6;
    let valve = rig.network.elements.get(element)?;
    let bore_m2 = |other: &ElementSpec| match &other.kind {
        ElementKind::Pipe(pipe) if [other.from, other.to].iter().any(|node| [valve.from, valve.to].contains(node)) => {
            Some(bore_area_m2(pipe))
        }
        _ => None,
    };
    let seat_m2 = match &valve.kind {
        ElementKind::DiscCheckValve(disc) => Some(disc.area_m2),
        _ => None,
    };
    let area_m2 = rig.network.elements.iter().find_map(bore_m2).or(seat_m2)?;
    (backwards_m3_s > LEAST_M3_S)
        .then(|| format!("{SLAM}{:.2} l/s, {:.2} m/s at the valve", 1e3 * backwards_m3_s, backwards_m3_s / area_m2))
}

/// Pipe or node of a place.
fn site(rig: &Rig, place: Place) -> String {
    match place {
        Place::Pipe { element, .. } => words_of_element(rig, element),
        Place::Node(_) => words(rig, place),
    }
}

fn opening_words(first: &str, others: &[String]) -> String {
    let also = if others.is_empty() { String::new() } else { format!("; soon after also at {}", others.join(", ")) };
    format!("the water at {first} falls to its vapour pressure and parts: a cavity opens{also}")
}

fn words_of_element(rig: &Rig, element: usize) -> String {
    rig.network.elements.get(element).map(|element| element.name.clone()).unwrap_or_default()
}

fn flutter_words(flutter: &Flutter, name: &str, open_now: bool) -> String {
    let begins = if flutter.first_opens { "opens" } else { "closes" };
    let ends = match (flutter.first_opens == open_now, open_now) {
        (true, _) => String::new(),
        (false, true) => ", is open again".to_owned(),
        (false, false) => ", is shut again".to_owned(),
    };
    let (moves, over_s) = (flutter.moves, flutter.last_s - flutter.first_s);
    format!("check valve {name} {begins}{ends}: {moves} moves in {over_s:.3} s")
}

/// A place of the rig in words.
pub fn words(rig: &Rig, place: Place) -> String {
    match place {
        Place::Node(node) => rig.network.nodes.get(node).map(|node| node.name.clone()).unwrap_or_default(),
        Place::Pipe { element, share } => {
            let name = rig.network.elements.get(element).map(|element| element.name.clone());
            format!("{} ({:.0} % along)", name.unwrap_or_default(), 100.0 * share)
        }
    }
}

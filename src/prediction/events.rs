//! What happens in the predicted water and at the shaft, in words, anchored to the mark before it.

use super::valve_events::Stand;
use crate::hydraulics::plant::{PlantEvent, PlantEventKind};
use crate::hydraulics::spec::{ElementKind, Place};
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
    /// A check valve opened.
    CheckValveOpened,
    /// A check valve closed.
    CheckValveClosed,
    /// The pressure fell to the vapour pressure: a cavity opened.
    CavityOpened,
    /// The last cavity of a place closed.
    CavityCollapsed,
    /// The front of a filling line came to the end of a pipe.
    FrontArrived,
    /// The discharge side is full.
    LineFull,
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
    mark: Option<(u32, Phase, f64)>,
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
            let (kind, text) = in_words(rig, event.kind);
            self.keep(event.time_s + skipped_s, kind, text);
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
            self.flowing = true;
        } else if self.flowing && now.flow_m3_s < ENDED_SHARE * pump.rated_flow_m3_s {
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
        PlantEventKind::FlowReversed { forwards } => {
            (EventKind::FlowReversed, format!("flow through the pump turns {}", way(forwards)))
        }
        PlantEventKind::ShaftReversed { forwards } => {
            (EventKind::ShaftReversed, format!("the shaft turns {}", way(forwards)))
        }
        PlantEventKind::CavityOpened { place } => {
            let text =
                format!("the water at {} falls to its vapour pressure and parts: a cavity opens", words(rig, place));
            (EventKind::CavityOpened, text)
        }
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

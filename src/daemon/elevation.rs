//! The rig as a face draws it: heights, lengths, levels, gauges, line-ups, and the sequences that fit it.

use crate::api::stage::{ElementView, ElementWord, GaugeView, LineUpView, NodeView, RigView, SequenceView};
use crate::hydraulics::spec::{ElementKind, ElementSpec, NodeSpec, Place, Terminal};
use crate::rig::model::{Quantity, Rig};
use crate::sequence::script::{self, Script};
use crate::sequence::step::Step;

/// Everything that is drawn of a rig.
pub(super) fn rig_view(rig: &Rig) -> RigView {
    let network = &rig.network;
    let rated = network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some(pump.rated_speed_rad_s),
        _ => None,
    });
    RigView {
        id: rig.id.clone(),
        name: rig.name.clone(),
        pa_per_m: network.liquid.density_kg_m3 * network.liquid.gravity_m_s2,
        nodes: network.nodes.iter().enumerate().map(|(index, of)| node(rig, index, of)).collect(),
        elements: network.elements.iter().map(element).collect(),
        gauges: gauges(rig),
        line_ups: rig
            .line_ups
            .iter()
            .map(|line_up| LineUpView {
                id: line_up.id.clone(),
                text: line_up.text.clone(),
                valves: line_up.valves.clone(),
                levels: line_up.levels.clone(),
            })
            .collect(),
        rated_speed_rad_s: rated,
        remote_start: rig.remote_start,
        sequences: sequences(rig),
    }
}

fn node(rig: &Rig, index: usize, node: &NodeSpec) -> NodeView {
    let level_m = match node.terminal {
        Terminal::Tank { level_m, .. } => Some(level_m),
        _ => None,
    };
    let outlet = matches!(node.terminal, Terminal::FreeOutlet);
    let falls_into = rig.falls.iter().find(|(from, _)| *from == index).map(|(_, tank)| *tank);
    NodeView { name: node.name.clone(), elevation_m: node.elevation_m, level_m, outlet, falls_into }
}

fn element(element: &ElementSpec) -> ElementView {
    let (mut length_m, mut bore_m, mut opening) = (0.0, 0.0, None);
    let kind = match &element.kind {
        ElementKind::Pipe(pipe) => {
            (length_m, bore_m) = (pipe.length_m, pipe.bore_m);
            ElementWord::Pipe
        }
        ElementKind::Valve(valve) => {
            opening = Some(valve.opening);
            ElementWord::Valve
        }
        ElementKind::CheckValve(_) | ElementKind::DiscCheckValve(_) => ElementWord::CheckValve,
        ElementKind::Pump(_) => ElementWord::Pump,
        _ => ElementWord::Other,
    };
    ElementView { name: element.name.clone(), kind, from: element.from, to: element.to, length_m, bore_m, opening }
}

fn gauges(rig: &Rig) -> Vec<GaugeView> {
    let placed = rig.channels.iter().enumerate().filter(|(_, channel)| channel.quantity == Quantity::GaugePressure);
    placed
        .filter_map(|(index, channel)| {
            let (node, element, share) = match channel.place? {
                Place::Node(node) => (Some(node), None, 0.0),
                Place::Pipe { element, share } => (None, Some(element), share),
            };
            Some(GaugeView { channel: index, node, element, share, elevation_m: channel.diaphragm_elevation_m })
        })
        .collect()
}

/// The shipped sequences that this rig can read for its first starter.
fn sequences(rig: &Rig) -> Vec<SequenceView> {
    let fits = |id: &&str| {
        let read = script::shipped(id).map(|text| Script::parse(text, id, rig, 0));
        read.and_then(Result::ok)
    };
    let view = |id: &str, script: Script| SequenceView {
        id: id.to_owned(),
        confirms: confirms(&script, rig),
        name: script.name,
        about: script.about,
    };
    script::shipped_names().filter_map(|id| fits(&id).map(|script| view(id, script))).collect()
}

/// What a person confirms, in the order of the program, each once.
fn confirms(script: &Script, rig: &Rig) -> Vec<String> {
    let mut texts: Vec<String> = Vec::new();
    for instruction in &script.program {
        let text = match &instruction.step {
            Step::Confirm(step) => Some(step.text.clone()),
            Step::LineUp(step) => {
                rig.line_ups.get(step.index).map(|line_up| format!("line-up {}: {}", line_up.id, line_up.text))
            }
            _ => None,
        };
        texts.extend(text.filter(|text| !texts.contains(text)));
    }
    texts
}

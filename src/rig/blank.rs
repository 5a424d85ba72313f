//! What shut valves cut off from the pump: it stands still, so that a plant need not compute it.

use crate::hydraulics::network::joined;
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Terminal};

/// For every element, whether the valves as they stand cut it off from the pump; `Some(true)`: its water hangs together.
///
/// `moves`: a valve that the rig itself opens.
fn cut_off(network: &NetworkSpec, moves: Option<usize>) -> Vec<Option<bool>> {
    let passes = |index: usize| {
        let shut = matches!(&network.elements[index].kind, ElementKind::Valve(valve) if valve.opening <= 0.0);
        !shut || moves == Some(index)
    };
    let ends = network.elements.iter().enumerate().filter(|(index, _)| passes(*index)).map(|(_, e)| (e.from, e.to));
    let part = joined(network.nodes.len(), ends);
    let pump = network.elements.iter().find(|element| matches!(element.kind, ElementKind::Pump(_)));
    let Some(home) = pump.map(|pump| part[pump.from]) else { return vec![None; network.elements.len()] };
    // gas would want computing even where no water passes
    let still = |this: usize| {
        let mut members = network.nodes.iter().zip(&part).filter(|(_, part)| **part == this);
        members.all(|(node, _)| !matches!(node.terminal, Terminal::Gas(_) | Terminal::AirValve(_)))
    };
    let headed = network.nodes.iter().zip(&part).any(|(node, part)| *part == home && node.terminal.fixes_head());
    let away = |node: usize| part[node] != home && still(part[node]);
    let one = |(index, element): (usize, &crate::hydraulics::spec::ElementSpec)| {
        let passing = passes(index);
        let cut = headed && if passing { away(element.from) } else { away(element.from) || away(element.to) };
        cut.then_some(passing)
    };
    network.elements.iter().enumerate().map(one).collect()
}

/// Blanks what is cut off in every one of these networks, which differ in their valves only, in the first.
pub(super) fn blank(mut networks: Vec<NetworkSpec>, moves: Option<usize>) -> Option<NetworkSpec> {
    let cut: Vec<Vec<Option<bool>>> = networks.iter().map(|network| cut_off(network, moves)).collect();
    let mut network = if networks.is_empty() { None } else { Some(networks.swap_remove(0)) }?;
    for (index, element) in network.elements.iter_mut().enumerate() {
        if cut.iter().all(|one| one[index].is_some()) {
            element.kind = ElementKind::Blank { joined: cut[0][index] == Some(true) };
        }
    }
    forget_still_splash(&mut network);
    Some(network)
}

/// A return that is cut off brings no air.
fn forget_still_splash(network: &mut NetworkSpec) {
    let blank = |node: usize| {
        let mut here = network.elements.iter().filter(|element| element.from == node || element.to == node);
        here.all(|element| matches!(element.kind, ElementKind::Blank { .. }))
    };
    let still: Vec<bool> = (0..network.nodes.len()).map(blank).collect();
    for element in &mut network.elements {
        if let ElementKind::Pump(pump) = &mut element.kind {
            let place = pump.condition.splash.map(|splash| splash.place);
            if let Some(crate::hydraulics::spec::Place::Node(node)) = place
                && still[node]
            {
                pump.condition.splash = None;
            }
        }
    }
}

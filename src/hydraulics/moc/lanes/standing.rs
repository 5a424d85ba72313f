//! Pumps beside the commanded one that stand behind their shut check valves: in lanes nothing of them is computed.
//!
//! A standby that is cut and at rest takes no flow while its check valve is shut, and stands at the head it would draw from. In
//! lanes both are therefore blank, and the head before the check valve is held against the head behind it at every level: a lane
//! in which the valve would lift is given up and its scenario runs by itself, with everything that is in its network.

use super::place::{Lanes, Place};
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Terminal};

/// Heads beyond which a one-way element has lifted, as one at a time.
const LIFTED_M: f64 = 1.0e-9;

/// A way that stays shut unless the head at `from` lifts its check valve against the head at `to` (nodes of the network).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Way {
    from: usize,
    to: usize,
    cracking_m: f64,
}

/// The network without the pumps that stand behind their check valves, and the ways that these close; none where there are no
/// such pumps.
pub(super) fn without_standing(spec: &NetworkSpec) -> Option<(NetworkSpec, Vec<Way>)> {
    let (mut rest, mut ways) = (spec.clone(), Vec::new());
    for (index, element) in spec.elements.iter().enumerate() {
        let ElementKind::OtherPump(pump) = &element.kind else { continue };
        let Some((check, cracking_m)) = check_valve_behind(spec, index).filter(|_| pump.running_rad_s.is_none()) else {
            continue;
        };
        ways.push(Way { from: element.from, to: spec.elements[check].to, cracking_m });
        // The water before the check valve hangs together with what the pump would draw.
        rest.elements[index].kind = ElementKind::Blank { joined: true };
        rest.elements[check].kind = ElementKind::Blank { joined: false };
    }
    (!ways.is_empty()).then_some((rest, ways))
}

/// The ideal check valve that alone meets a pump's delivery, and its cracking head.
fn check_valve_behind(spec: &NetworkSpec, pump: usize) -> Option<(usize, f64)> {
    let node = spec.elements[pump].to;
    let here = |element: usize| spec.elements[element].from == node || spec.elements[element].to == node;
    let mut others = (0..spec.elements.len()).filter(|element| *element != pump && here(*element));
    let (check, None) = (others.next()?, others.next()) else { return None };
    let ElementKind::CheckValve(valve) = &spec.elements[check].kind else { return None };
    let alone = spec.nodes[node].terminal == Terminal::None && spec.elements[check].from == node;
    alone.then_some((check, valve.cracking_head_m))
}

/// A way in lanes: place and node in it of either side.
#[derive(Debug)]
pub(super) struct LaneWay<const W: usize> {
    from: (usize, usize),
    to: (usize, usize),
    lifts_m: Lanes<W>,
}

impl<const W: usize> LaneWay<W> {
    /// Way number `index` of all lanes; none where no place has its nodes.
    pub(super) fn new(ways: &[&[Way]; W], index: usize, places: &[Place<W>]) -> Option<Self> {
        let first = ways[0].get(index)?;
        let find = |node: usize| {
            let mut all = places.iter().enumerate();
            all.find_map(|(i, place)| place.nodes.iter().position(|at| at.node == node).map(|local| (i, local)))
        };
        let mut lifts_m = [0.0; W];
        for (lifts_m, ways) in lifts_m.iter_mut().zip(ways) {
            let way = ways.get(index).filter(|way| (way.from, way.to) == (first.from, first.to))?;
            *lifts_m = way.cracking_m + LIFTED_M;
        }
        Some(Self { from: find(first.from)?, to: find(first.to)?, lifts_m })
    }

    /// Mark the lanes in which the check valve would lift.
    #[inline(always)]
    pub(super) fn watch(&self, places: &[Place<W>], unsound: &mut [bool; W]) {
        let from_m = &places[self.from.0].nodes[self.from.1].head_m;
        let to_m = &places[self.to.0].nodes[self.to.1].head_m;
        for l in 0..W {
            unsound[l] |= from_m[l] - to_m[l] > self.lifts_m[l];
        }
    }
}

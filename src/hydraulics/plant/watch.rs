//! What has been seen of a plant, so that each thing is told once.

use super::{PlantEvent, PlantEventKind, REVERSAL_SHARE, parting};
use crate::hydraulics::moc::{Cluster, Line};
use crate::hydraulics::network::Network;
use crate::hydraulics::steady::SteadyState;

/// Most events kept until they are taken; later ones are dropped.
const EVENTS_MAX: usize = 4096;

/// What has been seen, so that each thing is told once.
#[derive(Debug)]
pub(super) struct Watch {
    pub(super) events: Vec<PlantEvent>,
    pub(super) open: Vec<Vec<bool>>,
    pub(super) flow_forwards: bool,
    pub(super) shaft_forwards: bool,
    pub(super) parting: parting::Parting,
    pub(super) emptied: Vec<usize>,
    /// Tanks that ran dry, and when, s.
    pub(super) dry: Vec<(usize, f64)>,
    /// Tanks that have run over.
    pub(super) spilt: Vec<usize>,
    /// Tanks whose air has come to the pump.
    pub(super) starved: Vec<usize>,
    pub(super) aired: Vec<usize>,
    pub(super) flattened: Vec<usize>,
}

impl Watch {
    pub(super) fn new(line: &Line, clusters: &[Cluster], state: &SteadyState, network: &Network) -> Self {
        let open = |cluster: &Cluster| cluster.elements.iter().map(|element| state.open[*element]).collect();
        let emptied = |cluster: &Cluster| {
            let empty = cluster.gases().filter(|(_, gas)| gas.is_empty_of_water());
            empty.map(|(local, _)| cluster.nodes[local]).collect::<Vec<_>>()
        };
        let flat = line.pipes.iter().filter(|pipe| pipe.is_flat()).map(|pipe| pipe.element);
        Self {
            events: Vec::new(),
            open: clusters.iter().map(open).collect(),
            flow_forwards: network.pump().is_none_or(|pump| state.flows_m3_s[pump] >= 0.0),
            shaft_forwards: state.speed_rad_s >= 0.0,
            parting: parting::Parting::new(line, clusters, network),
            // one that is cut off and stands empty already gives nothing more
            emptied: clusters.iter().flat_map(emptied).collect(),
            dry: Vec::new(),
            spilt: Vec::new(),
            starved: Vec::new(),
            aired: Vec::new(),
            flattened: flat.collect(),
        }
    }

    pub(super) fn note(&mut self, time_s: f64, kind: PlantEventKind) {
        if self.events.len() < EVENTS_MAX {
            self.events.push(PlantEvent { time_s, kind });
        }
    }

    pub(super) fn valve(&mut self, cluster: usize, link: usize, state: (usize, bool, Option<f64>), time_s: f64) {
        let (element, open, shut_on_m3_s) = state;
        if std::mem::replace(&mut self.open[cluster][link], open) == open {
            return;
        }
        self.note(
            time_s,
            match (open, shut_on_m3_s) {
                (true, _) => PlantEventKind::CheckValveOpened { element },
                (false, None) => PlantEventKind::CheckValveClosed { element },
                (false, Some(flow_m3_s)) => PlantEventKind::DiscClosed { element, flow_m3_s },
            },
        );
    }

    pub(super) fn relief(&mut self, cluster: usize, link: usize, (element, open): (usize, bool), time_s: f64) {
        if std::mem::replace(&mut self.open[cluster][link], open) == open {
            return;
        }
        let kind = if open {
            PlantEventKind::ReliefValveOpened { element }
        } else {
            PlantEventKind::ReliefValveClosed { element }
        };
        self.note(time_s, kind);
    }

    /// For another pump's shaft, the place that is kept for open or shut holds forwards or backwards.
    pub(super) fn other_shaft(
        &mut self,
        (cluster, link): (usize, usize),
        element: usize,
        speed: (f64, f64),
        time_s: f64,
    ) {
        let forwards = self.open[cluster][link];
        if turned(forwards, speed) {
            self.open[cluster][link] = !forwards;
            self.note(time_s, PlantEventKind::OtherShaftReversed { element, forwards: !forwards });
        }
    }

    pub(super) fn air(&mut self, node: usize, open: bool, time_s: f64) {
        let known = self.aired.iter().position(|aired| *aired == node);
        match (known, open) {
            (None, true) => {
                self.aired.push(node);
                self.note(time_s, PlantEventKind::AirAdmitted { node });
            }
            (Some(at), false) => {
                self.aired.swap_remove(at);
                self.note(time_s, PlantEventKind::AirExpelled { node });
            }
            _ => {}
        }
    }

    pub(super) fn hose(&mut self, element: usize, flat: bool, time_s: f64) {
        let known = self.flattened.iter().position(|flattened| *flattened == element);
        match (known, flat) {
            (None, true) => {
                self.flattened.push(element);
                self.note(time_s, PlantEventKind::HoseFlattened { element });
            }
            (Some(at), false) => {
                self.flattened.swap_remove(at);
                self.note(time_s, PlantEventKind::HoseRounded { element });
            }
            _ => {}
        }
    }

    pub(super) fn vessel(&mut self, node: usize, empty: bool, time_s: f64) {
        if empty && !self.emptied.contains(&node) {
            self.emptied.push(node);
            self.note(time_s, PlantEventKind::VesselEmptied { node });
        }
    }

    pub(super) fn turns(&mut self, flow: (f64, f64), speed: (f64, f64), time_s: f64) {
        if turned(self.flow_forwards, flow) {
            self.flow_forwards = !self.flow_forwards;
            self.note(time_s, PlantEventKind::FlowReversed { forwards: self.flow_forwards });
        }
        if turned(self.shaft_forwards, speed) {
            self.shaft_forwards = !self.shaft_forwards;
            self.note(time_s, PlantEventKind::ShaftReversed { forwards: self.shaft_forwards });
        }
    }
}

/// True when a value stands clearly on the other side of zero; `rated` sets what clearly means.
fn turned(forwards: bool, (value, rated): (f64, f64)) -> bool {
    if forwards { value < -REVERSAL_SHARE * rated } else { value > REVERSAL_SHARE * rated }
}

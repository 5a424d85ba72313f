//! How far the pressure goes at the places of a run that no channel shows: every node beside a rated part, the whole run long.

use crate::hydraulics::plant::{Plant, ShaftDriver};
use crate::hydraulics::spec::Place;
use crate::rig::model::{Quantity, Rig};
use serde::{Deserialize, Serialize};

/// What a node without a pressure channel is predicted to reach.
///
/// Definition: least and largest gauge pressure at the node's own elevation over every step of the predicted run, Pa, without
/// a band. Range: nodes beside an element with a rating. Accuracy: as the solver at a node; what stands between two grid
/// points of a pipe is not looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NodeReach {
    /// Node, index into the rig's network.
    pub node: usize,
    /// Its name.
    pub name: String,
    /// Least, Pa gauge.
    pub low_pa: f64,
    /// Largest, Pa gauge.
    pub high_pa: f64,
}

/// Nodes as they are followed.
#[derive(Debug, Default)]
pub(super) struct Follow(Vec<(NodeReach, f64)>);

impl Follow {
    /// The nodes of `rig` that a rated element touches and no pressure channel shows.
    pub(super) fn new(rig: &Rig) -> Self {
        let shown = |node: usize| {
            let here = |place: Option<Place>| matches!(place, Some(Place::Node(known)) if known == node);
            rig.channels.iter().any(|channel| channel.quantity == Quantity::GaugePressure && here(channel.place))
        };
        let nodes = rig.network.nodes.iter().enumerate();
        let bare = nodes.filter(|(node, _)| !shown(*node) && rig.rated_beside(Place::Node(*node)).next().is_some());
        let none = |(node, spec): (usize, &crate::hydraulics::spec::NodeSpec)| {
            let reach = NodeReach { node, name: spec.name.clone(), low_pa: f64::INFINITY, high_pa: f64::NEG_INFINITY };
            (reach, spec.elevation_m)
        };
        Self(bare.map(none).collect())
    }

    /// Takes in the present step.
    pub(super) fn look<D: ShaftDriver>(&mut self, plant: &Plant<D>) {
        for (reach, elevation_m) in &mut self.0 {
            let gauge_pa = plant.gauge_pa(Place::Node(reach.node), *elevation_m);
            reach.low_pa = reach.low_pa.min(gauge_pa);
            reach.high_pa = reach.high_pa.max(gauge_pa);
        }
    }

    /// What they came to.
    pub(super) fn ends(self) -> Vec<NodeReach> {
        self.0.into_iter().map(|(reach, _)| reach).filter(|reach| reach.high_pa.is_finite()).collect()
    }
}

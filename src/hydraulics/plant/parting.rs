//! Which cavities are worth telling: on a fine grid a low wave parts the water at one point after another, each by a thread
//! of vapour that is gone a step later. The solver needs every one of them; a person needs those that are something.

use super::super::moc::{Cluster, Line};
use super::super::network::Network;
use super::super::pipe::bore_area_m2;
use super::super::plant_event::PlantEventKind;
use super::super::spec::{ElementKind, Place};

/// A cavity is told from the size of a plug of the bore this long on, m: of the order of what a column sheds that parts at
/// a few cm/s for a tenth of a second; where such a cavity closes, half that speed stops, some 2 m of head at 1000 m/s.
const TOLD_FROM_M: f64 = 1.0e-3;
/// It counts as filled below this share of that size, so that a last thread of vapour does not keep it open.
const FILLED_SHARE: f64 = 0.1;

/// The cavities of every pipe and node, followed.
#[derive(Debug)]
pub(super) struct Parting {
    pipes: Vec<Parted>,
    nodes: Vec<Parted>,
}

/// One pipe's or node's.
#[derive(Debug, Clone, Copy)]
struct Parted {
    told_from_m3: f64,
    /// Where it was when told, and the most there was since.
    open: Option<(Place, f64)>,
}

impl Parting {
    pub(super) fn new(line: &Line, clusters: &[Cluster], network: &Network) -> Self {
        let parted = |area_m2: f64| Parted { told_from_m3: TOLD_FROM_M * area_m2, open: None };
        let spec = network.spec();
        let area_m2 = |element: usize| match &spec.elements[element].kind {
            ElementKind::Pipe(pipe) => bore_area_m2(pipe),
            _ => 0.0,
        };
        let at_node = |node: usize| {
            let meets = |element: &usize| spec.elements[*element].from == node || spec.elements[*element].to == node;
            (0..spec.elements.len()).filter(meets).map(area_m2).fold(0.0, f64::max)
        };
        let nodes: usize = clusters.iter().map(|cluster| cluster.nodes.len()).sum();
        Self {
            pipes: line.pipes.iter().map(|pipe| parted(area_m2(pipe.element))).collect(),
            nodes: (0..nodes).map(|node| parted(at_node(node))).collect(),
        }
    }

    pub(super) fn pipe(&mut self, index: usize, volume_m3: f64, place: impl Fn() -> Place) -> Option<PlantEventKind> {
        self.pipes[index].follow(volume_m3, place)
    }

    pub(super) fn node(&mut self, node: usize, volume_m3: f64) -> Option<PlantEventKind> {
        self.nodes[node].follow(volume_m3, || Place::Node(node))
    }
}

impl Parted {
    fn follow(&mut self, volume_m3: f64, place: impl Fn() -> Place) -> Option<PlantEventKind> {
        match &mut self.open {
            None if volume_m3 > 0.0 && volume_m3 >= self.told_from_m3 => {
                let place = place();
                self.open = Some((place, volume_m3));
                Some(PlantEventKind::CavityOpened { place })
            }
            None => None,
            Some((_, largest_m3)) if volume_m3 > FILLED_SHARE * self.told_from_m3 => {
                *largest_m3 = largest_m3.max(volume_m3);
                None
            }
            Some(_) => {
                let (place, largest_m3) = self.open.take()?;
                Some(PlantEventKind::CavityCollapsed { place, largest_m3 })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tells_a_cavity_once_and_threads_of_vapour_never() {
        let mut parted = Parted { told_from_m3: 1.0, open: None };
        let volumes_m3 = [0.0, 0.4, 0.0, 0.9, 0.0, 1.1, 5.0, 0.5, 2.0, 0.05, 0.3, 0.0];
        let told: Vec<PlantEventKind> =
            volumes_m3.iter().filter_map(|volume_m3| parted.follow(*volume_m3, || Place::Node(3))).collect();
        let place = Place::Node(3);
        assert_eq!(
            told,
            [PlantEventKind::CavityOpened { place }, PlantEventKind::CavityCollapsed { place, largest_m3: 5.0 }]
        );
    }
}

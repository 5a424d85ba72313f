//! Branches that are shut off, water that falls from an outlet into a tank, and tanks that run dry.
//!
//! Equation: continuity, explicit by one step: what leaves an outlet in a step is in its tank in the next; a tank at its bottom
//! gives what air then takes the place of.
//! Range: outlets that fall into tanks with an area; tanks whose level begins above their bottom.
//! Accuracy: no water made or lost but rounding (`law_water_that_falls_into_a_tank_is_counted_and_spills_at_the_rim`,
//! `law_no_tank_falls_below_its_bottom_and_no_water_is_made`).
//! Source: derivation, continuity.

use super::{ElementAt, Plant, PlantEventKind, ShaftDriver, Watch};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::Dry;
use crate::hydraulics::pipe::bore_area_m2;
use crate::hydraulics::spec::{ElementKind, Terminal};

/// Water falls from an outlet into a tank.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fall {
    outlet: usize,
    tank: usize,
}

impl<D: ShaftDriver> Plant<D> {
    /// From now on what leaves by the first of each pair, an outlet, falls into the second, a tank.
    ///
    /// Range: a tank with an area; water arrives one step after it left, and at the rim spills.
    pub fn let_fall(&mut self, falls: &[(usize, usize)]) {
        let nodes = &self.network.spec().nodes;
        let outlet = |node: usize| matches!(nodes[node].terminal, Terminal::FreeOutlet);
        let moves = |terminal: &Terminal| matches!(terminal, Terminal::Tank { area_m2, .. } if area_m2.is_finite());
        let pairs = falls.iter().filter(|(from, to)| outlet(*from) && moves(&nodes[*to].terminal));
        self.falls = pairs.map(|(outlet, tank)| Fall { outlet: *outlet, tank: *tank }).collect();
    }

    /// After a step: what fell into tanks.
    pub(super) fn pour(&mut self) {
        for index in 0..self.falls.len() {
            let Fall { outlet, tank } = self.falls[index];
            let (cluster, local) = self.node_at[outlet];
            let fallen_m3 = self.clusters[cluster].left_by_outlet_m3(local, self.line.dt_s);
            if fallen_m3 <= 0.0 {
                continue;
            }
            let (cluster, local) = self.node_at[tank];
            let spilt_m3 = self.clusters[cluster].pour(local, fallen_m3);
            self.left_m3 += spilt_m3 - fallen_m3;
            if spilt_m3 > 0.0 {
                self.watch.spills(tank, self.time_s());
            }
        }
    }

    /// Tanks that run over or dry are told of once; when air has filled the line of a dry one, the pump that draws from it
    /// loses its prime and the prediction goes on; air that has filled every pipe, or a line that no pump draws through,
    /// cannot be followed further.
    pub(super) fn look_at_tanks(&mut self, time_s: f64) -> Result<(), HydraulicsError> {
        let mut arrived = None;
        for cluster in &self.clusters {
            for node in cluster.overflowing() {
                self.watch.spills(cluster.nodes[node], time_s);
            }
            for dry in cluster.dry() {
                let node = cluster.nodes[dry.node];
                let dry_at_s = self.watch.dry_since_s(node, &dry, time_s);
                if dry.air_m3 <= dry.line_m3 {
                    continue;
                }
                let (pump, pipes_m3) = (self.draws_from(node), self.pipes_m3());
                if !pump || dry.air_m3 > dry.line_m3 + pipes_m3 {
                    let node = self.network.spec().nodes[node].name.clone();
                    let (air_l, line_l) = (1.0e3 * dry.air_m3, 1.0e3 * dry.line_m3);
                    let level_m = dry.level_m;
                    return Err(HydraulicsError::TankDry { node, dry_at_s, level_m, time_s, air_l, line_l });
                }
                if !self.watch.starved.contains(&node) {
                    arrived = Some((node, dry.line_m3));
                }
            }
        }
        if let Some((node, line_m3)) = arrived {
            self.watch.starved.push(node);
            self.tell(PlantEventKind::RunsDry { node, line_m3 });
        }
        if !self.watch.starved.is_empty() {
            self.let_dry_pump_go();
            let wet = |node: &usize| self.clusters.iter().all(|c| c.dry().all(|dry| c.nodes[dry.node] != *node));
            self.watch.starved.retain(|node| !wet(node));
        }
        Ok(())
    }

    fn pipes_m3(&self) -> f64 {
        self.network.pipes().map(|(_, pipe)| pipe.length_m * bore_area_m2(pipe)).sum()
    }

    /// The commanded pump draws from this tank, without another one beside it.
    fn draws_from(&self, tank: usize) -> bool {
        let spec = self.network.spec();
        let Some(pump) = self.network.pump() else { return false };
        let mut seen = vec![false; spec.nodes.len()];
        let mut reached = vec![spec.elements[pump].from];
        while let Some(node) = reached.pop() {
            let through = !matches!(spec.nodes[node].terminal, Terminal::Tank { .. });
            if std::mem::replace(&mut seen[node], true) || !through {
                continue;
            }
            for (index, element) in spec.elements.iter().enumerate() {
                if element.to == node && !matches!(self.element_at[index], ElementAt::Blank) {
                    reached.push(element.from);
                }
            }
        }
        let mut tanks = (0..seen.len()).filter(|node| seen[*node] && spec.nodes[*node].terminal.fixes_head());
        tanks.next() == Some(tank) && tanks.next().is_none()
    }

    /// True where a blank element stands as this opening would have it.
    pub(super) fn stays_blank(&self, element: usize, opening: f64) -> bool {
        let kind = &self.network.spec().elements[element].kind;
        matches!(kind, ElementKind::Blank { joined } if *joined == (opening > 0.0))
    }
}

impl Watch {
    /// A tank runs over; told the first time.
    fn spills(&mut self, node: usize, time_s: f64) {
        if !self.spilt.contains(&node) {
            self.spilt.push(node);
            self.note(time_s, PlantEventKind::TankOverflows { node });
        }
    }

    /// When a tank ran dry; told the first time.
    fn dry_since_s(&mut self, node: usize, dry: &Dry, time_s: f64) -> f64 {
        if let Some((_, since_s)) = self.dry.iter().find(|(known, _)| *known == node) {
            return *since_s;
        }
        self.dry.push((node, time_s));
        let (level_m, drawn_m3_s) = (dry.level_m, dry.drawn_m3_s);
        self.note(time_s, PlantEventKind::TankRunsDry { node, level_m, drawn_m3_s });
        time_s
    }
}

//! Branches that are shut off, water that falls from an outlet into a tank, and tanks that run dry.

use super::{Plant, PlantEventKind, ShaftDriver, Watch};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::Dry;
use crate::hydraulics::spec::{ElementKind, Terminal};

/// Water falls from an outlet into a tank.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fall {
    outlet: usize,
    tank: usize,
    /// The tank has reached its rim.
    spilt: bool,
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
        self.falls = pairs.map(|(outlet, tank)| Fall { outlet: *outlet, tank: *tank, spilt: false }).collect();
    }

    /// After a step: what fell into tanks.
    pub(super) fn pour(&mut self) {
        for index in 0..self.falls.len() {
            let Fall { outlet, tank, spilt } = self.falls[index];
            let (cluster, local) = self.node_at[outlet];
            let fallen_m3 = self.clusters[cluster].left_by_outlet_m3(local, self.line.dt_s);
            if fallen_m3 <= 0.0 {
                continue;
            }
            let (cluster, local) = self.node_at[tank];
            let spilt_m3 = self.clusters[cluster].pour(local, fallen_m3);
            self.left_m3 += spilt_m3 - fallen_m3;
            if spilt_m3 > 0.0 && !spilt {
                self.falls[index].spilt = true;
                self.tell(PlantEventKind::TankOverflows { node: tank });
            }
        }
    }

    /// Tanks that run dry are told of once; when air has filled the line of one, the water cannot be followed further.
    pub(super) fn look_at_tanks(&mut self, time_s: f64) -> Result<(), HydraulicsError> {
        for cluster in &self.clusters {
            for dry in cluster.dry() {
                let node = cluster.nodes[dry.node];
                let dry_at_s = self.watch.dry_since_s(node, &dry, time_s);
                if dry.air_m3 > dry.line_m3 {
                    let node = self.network.spec().nodes[node].name.clone();
                    let (air_l, line_l) = (1.0e3 * dry.air_m3, 1.0e3 * dry.line_m3);
                    return Err(HydraulicsError::TankDry {
                        node,
                        dry_at_s,
                        level_m: dry.level_m,
                        time_s,
                        air_l,
                        line_l,
                    });
                }
            }
        }
        Ok(())
    }

    /// True where a blank element stands as this opening would have it.
    pub(super) fn stays_blank(&self, element: usize, opening: f64) -> bool {
        let kind = &self.network.spec().elements[element].kind;
        matches!(kind, ElementKind::Blank { joined } if *joined == (opening > 0.0))
    }
}

impl Watch {
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

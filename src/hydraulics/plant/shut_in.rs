//! Ways out for the air of a line that fills, and air that has none: it is compressed ahead of the front.

use super::air::Air;
use super::{ElementAt, Plant, PlantEventKind, ShaftDriver};
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::moc::front::Front;
use crate::hydraulics::spec::{ElementKind, Terminal};

/// Exponent n of `p V^n` of air shut in where nobody says another, between isothermal and adiabatic (common practice).
pub(super) const EXPONENT: f64 = 1.2;
/// Share of its volume at which air shut in counts as compressed, so that it is told.
const TOLD_SHARE: f64 = 0.02;

/// Air that is shut in ahead of the fronts, in one body.
///
/// Equation: `p V^n = p_0 V_0^n` from the atmosphere on (p -> absolute pressure, V -> volume of all empty
/// lengths of pipe that hang together with the pump's delivery). The pressure of a step is that of the volume before it.
/// Range: some empty length; it neither dissolves nor is carried along. Accuracy: first order in the step
/// (`predicts_air_that_a_shut_nozzle_keeps_in_and_the_front_compresses`; against a rigid column by scipy in
/// `published_rigid_columns`).
#[derive(Debug, Clone, Copy)]
pub(super) struct ShutIn {
    volume_m3: f64,
    absolute_pa: f64,
    first_m3: f64,
    told: bool,
}

impl<D: ShaftDriver> Plant<D> {
    /// Air shut in ahead of the front of a filling line, m3, and its gauge pressure, Pa; `None`: it has a way out, or there
    /// is none.
    #[must_use]
    pub fn air_shut_in(&self) -> Option<(f64, f64)> {
        let shut_in = self.air.as_ref()?.shut_in?;
        Some((shut_in.volume_m3, shut_in.absolute_pa - self.network.spec().liquid.atmosphere_pa))
    }

    /// Air that is shut in from now on follows `p V^n` with this n, 1 (isothermal) to 1.67, instead of 1.2; others are taken
    /// to the nearer end. Nothing is done where no air is followed.
    pub fn set_air_exponent(&mut self, exponent: f64) {
        if let Some(air) = &mut self.air {
            air.exponent = exponent.clamp(1.0, 1.67);
        }
    }

    /// Nodes that hang together with the pump's delivery, past everything that is not shut.
    fn delivered(&self) -> Vec<bool> {
        let spec = self.network.spec();
        let mut delivered = vec![false; spec.nodes.len()];
        let Some(pump) = self.network.pump() else { return delivered };
        let mut reached = vec![spec.elements[pump].to];
        while let Some(node) = reached.pop() {
            if std::mem::replace(&mut delivered[node], true) {
                continue;
            }
            for (index, element) in spec.elements.iter().enumerate().filter(|(index, _)| *index != pump) {
                let one_way = matches!(element.kind, ElementKind::CheckValve(_) | ElementKind::DiscCheckValve(_));
                let leads_on = element.from == node || (element.to == node && !one_way);
                if leads_on && self.lets_air_by(index) {
                    reached.push(element.from + element.to - node);
                }
            }
        }
        delivered
    }

    fn lets_air_by(&self, element: usize) -> bool {
        match self.element_at[element] {
            ElementAt::Pipe(_) => true,
            ElementAt::Blank => false,
            ElementAt::Link(cluster, link) => match &self.clusters[cluster].nodal.links[link].boundary {
                valve @ Boundary::Valve(_) => !valve.gain(1.0e-3, 0.0).shut,
                Boundary::ReliefValve(valve) => valve.open,
                _ => true,
            },
        }
    }

    /// Air finds its way from the pump's delivery to an outlet, a tank or an air valve.
    pub(super) fn has_way_out(&self) -> bool {
        let delivered = self.delivered();
        let mut nodes = self.network.spec().nodes.iter().zip(delivered);
        nodes.any(|(node, here)| here && (node.terminal.fixes_head() || matches!(node.terminal, Terminal::AirValve(_))))
    }

    /// Before a step: air without a way out takes the pressure of the room that it has.
    pub(super) fn press_air(&mut self, air: &mut Air) {
        if air.discharge.iter().all(|pipe| self.line.pipes[*pipe].front.is_none()) {
            air.shut_in = None;
            return;
        }
        if self.has_way_out() {
            if air.shut_in.take().is_some() {
                self.set_air_pressure(air, 0.0, |_| true);
            }
            return;
        }
        let delivered = self.delivered();
        let elements = &self.network.spec().elements;
        let here: Vec<usize> = air
            .discharge
            .iter()
            .copied()
            .filter(|pipe| delivered[elements[self.line.pipes[*pipe].element].from])
            .collect();
        let volume_m3: f64 =
            here.iter().filter_map(|pipe| self.line.pipes[*pipe].front.as_ref()).map(Front::air_m3).sum();
        if volume_m3 <= 0.0 {
            // Nothing empty hangs together with the pump: it stands behind a shut valve, at the atmosphere.
            air.shut_in = None;
            return;
        }
        let atmosphere_pa = self.network.spec().liquid.atmosphere_pa;
        let fresh = ShutIn { volume_m3, absolute_pa: atmosphere_pa, first_m3: volume_m3, told: false };
        let mut shut_in = air.shut_in.unwrap_or(fresh);
        shut_in.absolute_pa *= (shut_in.volume_m3 / volume_m3).powf(air.exponent);
        shut_in.volume_m3 = volume_m3;
        if !shut_in.told && shut_in.volume_m3 < (1.0 - TOLD_SHARE) * shut_in.first_m3 {
            shut_in.told = true;
            self.tell(PlantEventKind::AirShutIn { volume_m3: shut_in.first_m3 });
        }
        air.shut_in = Some(shut_in);
        let head_m = (shut_in.absolute_pa - atmosphere_pa) / self.weight_n_m3();
        self.set_air_pressure(air, head_m, |pipe| here.contains(&pipe));
    }

    fn set_air_pressure(&mut self, air: &Air, head_m: f64, wanted: impl Fn(usize) -> bool) {
        for pipe in air.discharge.iter().filter(|pipe| wanted(**pipe)) {
            if let Some(front) = &mut self.line.pipes[*pipe].front {
                front.air_m = head_m;
            }
        }
    }
}

//! The network: a description that has been checked, and who meets whom.

use super::error::HydraulicsError;
use super::moc::boundary::{DiscValve, Orifice, OtherPump, ReliefValve, air_valve, gas};
use super::pipe::Resistance;
use super::spec::{ElementKind, LiquidSpec, NetworkSpec, PipeSpec, PumpSpec, Terminal};
use super::tube_law::HoseEnds;
use super::{check_valve::CheckValve, pipe, pump::Pump, valve::Valve};
use std::sync::OnceLock;

/// A checked network.
#[derive(Debug, Clone)]
pub struct Network {
    spec: NetworkSpec,
    pump: Option<usize>,
    /// Of each pipe, once it has been asked for: the steady state and the line ask for the same.
    resistances: Vec<OnceLock<Resistance>>,
}

impl Network {
    /// Check a description.
    ///
    /// # Errors
    /// The first thing found that cannot be: a number out of range, a missing node, a part without tank or outlet, two
    /// pumps. Collecting every problem with its place in the file is the rig description's work.
    pub fn new(spec: &NetworkSpec) -> Result<Self, HydraulicsError> {
        check_liquid(&spec.liquid)?;
        spec.nodes.iter().try_for_each(check_node)?;
        spec.elements.iter().try_for_each(|element| check_ends(spec, element))?;
        spec.elements.iter().try_for_each(|element| check_element(spec, element))?;
        check_hose_ends(spec)?;
        check_reach(spec)?;
        check_resistance(spec)?;
        let resistances = vec![OnceLock::new(); spec.elements.len()];
        Ok(Self { spec: spec.clone(), pump: the_pump(spec)?, resistances })
    }

    /// The description.
    #[must_use]
    pub fn spec(&self) -> &NetworkSpec {
        &self.spec
    }

    /// Index of the pump.
    #[must_use]
    pub fn pump(&self) -> Option<usize> {
        self.pump
    }

    /// The pump's description.
    #[must_use]
    pub fn pump_spec(&self) -> Option<&PumpSpec> {
        match &self.spec.elements[self.pump?].kind {
            ElementKind::Pump(spec) => Some(spec),
            _ => None,
        }
    }

    /// Resistance of the pipe that is an element of this network.
    pub(crate) fn resistance(&self, element: usize, pipe: &PipeSpec) -> Resistance {
        self.resistances[element].get_or_init(|| Resistance::new(pipe, &self.spec.liquid)).clone()
    }

    /// Pipes with their element index.
    pub(crate) fn pipes(&self) -> impl Iterator<Item = (usize, &PipeSpec)> {
        self.spec.elements.iter().enumerate().filter_map(|(i, element)| match &element.kind {
            ElementKind::Pipe(pipe) => Some((i, pipe)),
            _ => None,
        })
    }
}

/// Sets of nodes joined by some elements: the number of the set each node belongs to, counted from zero in node order.
pub(crate) fn joined(nodes: usize, links: impl Iterator<Item = (usize, usize)>) -> Vec<usize> {
    let mut set: Vec<usize> = (0..nodes).collect();
    for (a, b) in links {
        let (keep, drop) = (set[a].min(set[b]), set[a].max(set[b]));
        set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
    }
    let mut order: Vec<usize> = set.clone();
    order.sort_unstable();
    order.dedup();
    set.iter().map(|s| order.partition_point(|o| o < s)).collect()
}

/// For every node, the node whose head is its own: the tank of a blank branch stands in all of it.
pub(crate) fn stands_with(spec: &NetworkSpec) -> Vec<usize> {
    let together = |kind: &ElementKind| matches!(kind, ElementKind::Blank { joined: true });
    let branch = spec.elements.iter().filter(|element| together(&element.kind));
    let part = joined(spec.nodes.len(), branch.map(|element| (element.from, element.to)));
    let is_tank = |node: &usize| matches!(spec.nodes[*node].terminal, Terminal::Tank { .. });
    let blank = |node: usize| {
        let mut here = spec.elements.iter().filter(|element| element.from == node || element.to == node);
        here.all(|element| matches!(element.kind, ElementKind::Blank { .. }))
    };
    let of = |node: usize| (0..part.len()).filter(is_tank).find(|tank| part[*tank] == part[node]);
    (0..part.len()).map(|node| of(node).filter(|_| blank(node)).unwrap_or(node)).collect()
}

fn check_liquid(liquid: &LiquidSpec) -> Result<(), HydraulicsError> {
    let positive = [
        ("density", liquid.density_kg_m3, "kg/m3"),
        ("kinematic viscosity", liquid.viscosity_m2_s, "m2/s"),
        ("bulk modulus", liquid.bulk_modulus_pa, "Pa"),
        ("atmospheric pressure", liquid.atmosphere_pa, "Pa"),
        ("gravity", liquid.gravity_m_s2, "m/s2"),
    ];
    for (quantity, value, unit) in positive {
        if !(value > 0.0 && value.is_finite()) {
            return refuse("liquid", quantity, value, unit, "above 0");
        }
    }
    if !(liquid.vapour_pa >= 0.0 && liquid.vapour_pa < liquid.atmosphere_pa) {
        return refuse("liquid", "vapour pressure", liquid.vapour_pa, "Pa", "0 to below the atmospheric pressure");
    }
    Ok(())
}

fn check_node(node: &super::spec::NodeSpec) -> Result<(), HydraulicsError> {
    if !node.elevation_m.is_finite() {
        return refuse(&node.name, "elevation", node.elevation_m, "m", "a finite number");
    }
    if let Terminal::Gas(spec) = &node.terminal {
        return gas::check(&node.name, spec);
    }
    if let Terminal::AirValve(spec) = &node.terminal {
        return air_valve::check(&node.name, spec);
    }
    let Terminal::Tank { level_m, area_m2, overflow_m } = node.terminal else { return Ok(()) };
    if !level_m.is_finite() {
        return refuse(&node.name, "level", level_m, "m", "a finite number");
    }
    if area_m2.is_nan() || area_m2 <= 0.0 {
        return refuse(&node.name, "plan area", area_m2, "m2", "above 0");
    }
    if overflow_m.is_nan() || overflow_m < level_m {
        return refuse(&node.name, "overflow level", overflow_m, "m", "at or above the level at the start");
    }
    Ok(())
}

fn check_ends(spec: &NetworkSpec, element: &super::spec::ElementSpec) -> Result<(), HydraulicsError> {
    let nodes = spec.nodes.len();
    if let Some(&node) = [element.from, element.to].iter().find(|node| **node >= nodes) {
        return Err(HydraulicsError::MissingNode { element: element.name.clone(), node, nodes });
    }
    if element.from == element.to {
        let node = spec.nodes[element.from].name.clone();
        return Err(HydraulicsError::BothEndsAtOneNode { element: element.name.clone(), node });
    }
    Ok(())
}

fn check_element(spec: &NetworkSpec, element: &super::spec::ElementSpec) -> Result<(), HydraulicsError> {
    let gravity_m_s2 = spec.liquid.gravity_m_s2;
    match &element.kind {
        ElementKind::Blank { .. } => Ok(()),
        ElementKind::Pipe(pipe) => pipe::check(&element.name, pipe),
        ElementKind::Valve(valve) => Valve::new(&element.name, valve, gravity_m_s2).map(|_| ()),
        ElementKind::Orifice(orifice) => Orifice::new(&element.name, orifice, gravity_m_s2).map(|_| ()),
        ElementKind::DiscCheckValve(valve) => DiscValve::new(&element.name, valve, &spec.liquid).map(|_| ()),
        ElementKind::ReliefValve(valve) => ReliefValve::new(&element.name, valve, &spec.liquid).map(|_| ()),
        ElementKind::CheckValve(valve) => CheckValve::new(&element.name, valve, gravity_m_s2).map(|_| ()),
        ElementKind::OtherPump(pump) => OtherPump::new(&element.name, pump, &spec.liquid).map(|_| ()),
        ElementKind::Pump(pump) => Pump::new(&element.name, pump, spec.liquid.density_kg_m3, gravity_m_s2).map(|_| ()),
    }
}

/// Only so many lay-flat hoses may meet at a node.
fn check_hose_ends(spec: &NetworkSpec) -> Result<(), HydraulicsError> {
    let flat = |element: &&super::spec::ElementSpec| match &element.kind {
        ElementKind::Pipe(pipe) => pipe.lay_flat.is_some(),
        _ => false,
    };
    for (node, described) in spec.nodes.iter().enumerate() {
        let here = |element: &&super::spec::ElementSpec| element.from == node || element.to == node;
        let meeting = spec.elements.iter().filter(flat).filter(here).count();
        if meeting > HoseEnds::MOST {
            return refuse(&described.name, "count of lay-flat hoses that meet here", meeting as f64, "", "2 at most");
        }
    }
    Ok(())
}

/// Every node needs an element, and every connected part something that fixes its head.
fn check_reach(spec: &NetworkSpec) -> Result<(), HydraulicsError> {
    let touches = |node: usize| spec.elements.iter().any(|element| element.from == node || element.to == node);
    if let Some(lone) = (0..spec.nodes.len()).find(|node| !touches(*node)) {
        return Err(HydraulicsError::NodeWithoutElement { node: spec.nodes[lone].name.clone() });
    }
    let part = joined(spec.nodes.len(), spec.elements.iter().map(|element| (element.from, element.to)));
    let fixed: Vec<usize> =
        (0..spec.nodes.len()).filter(|n| spec.nodes[*n].terminal.fixes_head()).map(|n| part[n]).collect();
    match (0..spec.nodes.len()).find(|node| !fixed.contains(&part[*node])) {
        Some(node) => Err(HydraulicsError::NoHeadReference { node: spec.nodes[node].name.clone() }),
        None => Ok(()),
    }
}

/// Smallest difference of level that drives a flow without resistance, m.
const LEVEL_RESOLUTION_M: f64 = 1.0e-6;

/// Elements that take no head may neither close a loop nor join two levels.
fn check_resistance(spec: &NetworkSpec) -> Result<(), HydraulicsError> {
    let free = |element: &&super::spec::ElementSpec| match &element.kind {
        ElementKind::Pipe(pipe) => pipe.fixed_darcy_f == Some(0.0) && pipe.minor_loss_k <= 0.0,
        _ => false,
    };
    let mut part: Vec<usize> = (0..spec.nodes.len()).collect();
    for element in spec.elements.iter().filter(free) {
        let (keep, drop) = (part[element.from], part[element.to]);
        if keep == drop {
            let elements = spec.elements.iter().filter(free).filter(|other| part[other.from] == keep).count();
            return Err(HydraulicsError::LoopWithoutResistance { element: element.name.clone(), elements });
        }
        part.iter_mut().filter(|set| **set == drop).for_each(|set| *set = keep);
    }
    let level = |node: usize| match spec.nodes[node].terminal {
        Terminal::Tank { level_m, .. } => Some(level_m),
        _ => None,
    };
    for (a, b) in (0..part.len()).flat_map(|a| (0..a).map(move |b| (a, b))).filter(|(a, b)| part[*a] == part[*b]) {
        let Some((first_m, second_m)) = level(a).zip(level(b)) else { continue };
        let apart_m = (first_m - second_m).abs();
        if apart_m > LEVEL_RESOLUTION_M {
            let (high, low) = if first_m > second_m { (a, b) } else { (b, a) };
            let name = |node: usize| spec.nodes[node].name.clone();
            return Err(HydraulicsError::NothingResists { high: name(high), low: name(low), apart_m });
        }
    }
    Ok(())
}

fn the_pump(spec: &NetworkSpec) -> Result<Option<usize>, HydraulicsError> {
    let mut pumps =
        spec.elements.iter().enumerate().filter(|(_, element)| matches!(element.kind, ElementKind::Pump(_)));
    let first = pumps.next();
    match (first, pumps.next()) {
        (Some((_, first)), Some((_, second))) => {
            Err(HydraulicsError::SeveralPumps { first: first.name.clone(), second: second.name.clone() })
        }
        (first, _) => Ok(first.map(|(index, _)| index)),
    }
}

fn refuse(
    place: &str,
    quantity: &'static str,
    value: f64,
    unit: &'static str,
    allowed: &'static str,
) -> Result<(), HydraulicsError> {
    Err(HydraulicsError::OutOfRange { place: place.to_owned(), quantity, value, unit, allowed })
}

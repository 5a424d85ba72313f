//! A pipe or hose as typed. Its wave speed is said in the file, or follows from a hose's swell, or from material, wall
//! and restraint.

use super::network::WaveSpeed;
use super::{Assumptions, or_nan};
use crate::hydraulics::spec::{CreepSpec, LayFlatSpec, LiquidSpec, PipeSpec};
use crate::hydraulics::wave_speed::{
    FreeGas, Material, Restraint, UpstreamAnchorForm, Wall, WallTheory, WaveLiquid, hose_compliance_per_pa,
    wave_speed_m_s, wave_speed_with_gas_m_s,
};
use crate::rig::reader::Cursor;
use crate::units::{Dimension, Want};

const RESTRAINTS: &[(&str, Restraint)] = &[
    ("anchored", Restraint::AnchoredThroughout),
    ("upstream-anchor", Restraint::UpstreamAnchor(UpstreamAnchorForm::Newer)),
    ("expansion-joints", Restraint::ExpansionJoints),
];

/// Roughness where neither file nor material says, m: rubber-lined hose (from memory).
const ROUGHNESS_M: f64 = 50e-6;

/// The water of all pipes.
pub(super) struct Water<'a> {
    /// The liquid alone.
    pub(super) liquid: &'a LiquidSpec,
    /// Bubbles in it.
    pub(super) gas: Option<FreeGas>,
}

impl Water<'_> {
    /// Wave speed in a wall that gives so much, with the bubbles, m/s.
    fn wave_speed_m_s(&self, compliance_per_pa: f64) -> f64 {
        let (density_kg_m3, bulk_modulus_pa) = (self.liquid.density_kg_m3, self.liquid.bulk_modulus_pa);
        let liquid = WaveLiquid { density_kg_m3, bulk_modulus_pa };
        match &self.gas {
            Some(gas) => wave_speed_with_gas_m_s(&liquid, compliance_per_pa, gas),
            None => wave_speed_m_s(&liquid, compliance_per_pa),
        }
    }
}

/// Reads `[[pipe]]` or `[[hose]]`.
pub(super) fn pipe(
    table: &Cursor<'_>,
    is_hose: bool,
    water: &Water<'_>,
    assumed: &mut Assumptions,
) -> (PipeSpec, WaveSpeed) {
    let length_m = or_nan(table.need_quantity("length", &Want::LENGTH));
    let bore_m = or_nan(table.need_quantity("bore", &Want::LENGTH));
    let material = material(table);
    let stiffness = Stiffness { bore_m, is_hose, material };
    let swell = swell(table);
    let (wave_speed_m_s, origin) = wave_speed(table, &stiffness, swell, water, assumed);
    let area_swell = swell.map(|(swell, _)| 2.0 * swell).filter(|_| !table.has("wave_speed"));
    let lay_flat = super::lay_flat::lay_flat(table, (is_hose, bore_m), area_swell, water.liquid, assumed);
    let wave_speed_m_s = match (lay_flat, swell.filter(|_| area_swell.is_some())) {
        (Some(flat), Some(swell)) => stretched_wave_speed_m_s(table, &flat, swell, water),
        _ => wave_speed_m_s,
    };
    let roughness_m = roughness(table, material, assumed);
    let spec = PipeSpec {
        length_m,
        bore_m,
        roughness_m,
        wave_speed_m_s,
        minor_loss_k: table.number("minor_loss", 0.0..=1000.0).unwrap_or(0.0),
        fixed_darcy_f: table.number("darcy_friction_factor", 0.0..=1.0),
        creep: creep(table),
        lay_flat,
    };
    (spec, origin)
}

/// `creep` (delayed give as a share of the elastic give) and `creep_time`.
fn creep(table: &Cursor<'_>) -> Option<CreepSpec> {
    let share = table.number("creep", 0.0..=10.0);
    let time_s = match table.has("creep") {
        true => table.need_quantity("creep_time", &Want::TIME),
        false => {
            table.mark_read("creep_time");
            None
        }
    };
    let (share, time_s) = share.zip(time_s)?;
    Some(CreepSpec { share, time_s })
}

struct Stiffness {
    bore_m: f64,
    is_hose: bool,
    material: Option<Material>,
}

fn material(table: &Cursor<'_>) -> Option<Material> {
    let words: Vec<(&str, Material)> = Material::ALL.into_iter().map(|material| (material.name(), material)).collect();
    table.word("material", &words)
}

fn roughness(table: &Cursor<'_>, material: Option<Material>, assumed: &mut Assumptions) -> f64 {
    let said = table.quantity("roughness", &Want::from_zero(Dimension::Length, "\"0.05 mm\""));
    let (stand_in, line) = match material {
        Some(material) => {
            let roughness_m = material.elasticity().roughness_m;
            (roughness_m, format!("roughness of {} {:.4} mm", material.name(), roughness_m * 1e3))
        }
        None => (ROUGHNESS_M, format!("roughness {:.3} mm where neither file nor material says", ROUGHNESS_M * 1e3)),
    };
    assumed.take(said, stand_in, &line)
}

fn wave_speed(
    table: &Cursor<'_>,
    stiffness: &Stiffness,
    swell: Option<(f64, f64)>,
    water: &Water<'_>,
    assumed: &mut Assumptions,
) -> (f64, WaveSpeed) {
    let said = table.quantity("wave_speed", &Want::VELOCITY.between(10.0, 1600.0));
    let swell = swell.map(swell_compliance);
    let wall = wall(table, stiffness, assumed, said.is_some() || table.has("swell"));
    if table.has("wave_speed") {
        return (or_nan(said), WaveSpeed::Said);
    }
    match (swell, wall) {
        (Some((compliance, words)), _) => (water.wave_speed_m_s(compliance), WaveSpeed::Derived(words)),
        (None, Some((compliance, words))) => (water.wave_speed_m_s(compliance), WaveSpeed::Derived(words)),
        (None, None) => {
            if !table.has("material") && !table.has("swell") {
                let spot = table.here();
                let allowed = "wave_speed; or material with wall; or, for a hose, swell with swell_pressure";
                table.document().note(&spot, "nothing that gives the wave speed", allowed, None);
            }
            (f64::NAN, WaveSpeed::Said)
        }
    }
}

fn swell_compliance((swell, pressure_pa): (f64, f64)) -> (f64, String) {
    let words = format!("a swell of {} % at {} bar", swell * 100.0, pressure_pa / 1e5);
    (hose_compliance_per_pa(swell, pressure_pa), words)
}

/// Wave speed once the threads are stretched: what the swell says, less what the slack of the jacket gives.
fn stretched_wave_speed_m_s(
    table: &Cursor<'_>,
    flat: &LayFlatSpec,
    (swell, pressure_pa): (f64, f64),
    water: &Water<'_>,
) -> f64 {
    let share = pressure_pa / flat.slack_pa;
    let slack = flat.slack_share * share / (1.0 + share * share).sqrt();
    let compliance = hose_compliance_per_pa(swell, pressure_pa) - slack / pressure_pa;
    if compliance <= 0.0 {
        let found = format!("{} % of the area", flat.slack_share * 100.0);
        let allowed = format!("less than the swell leaves, {:.2} % at {} bar", swell * 200.0, pressure_pa / 1e5);
        table.note("slack", found, allowed, None);
        return f64::NAN;
    }
    water.wave_speed_m_s(compliance)
}

/// `swell` (growth of diameter) at `swell_pressure`: what a tape around the hose measures.
fn swell(table: &Cursor<'_>) -> Option<(f64, f64)> {
    let swell = table.number("swell", 1e-5..=0.5);
    let pressure = if table.has("swell") {
        table.need_quantity("swell_pressure", &Want::PRESSURE_DIFFERENCE)
    } else {
        table.mark_read("swell_pressure");
        None
    };
    swell.zip(pressure)
}

fn wall(
    table: &Cursor<'_>,
    stiffness: &Stiffness,
    assumed: &mut Assumptions,
    not_needed: bool,
) -> Option<(f64, String)> {
    let thickness = table.quantity("wall", &Want::LENGTH);
    let modulus = table.quantity("modulus", &Want::MODULUS);
    let poisson = table.number("poisson", 0.0..=0.5);
    let restraint = table.word("restraint", RESTRAINTS);
    let material = stiffness.material?;
    if not_needed {
        return None;
    }
    if !table.has("wall") {
        table.note("wall", "nothing (the key is missing)", Want::LENGTH.allowed(), None);
    }
    let elasticity = material.elasticity();
    let name = material.name();
    let modulus_line = format!("elastic modulus of {name} {:.3} GPa", elasticity.modulus_pa / 1e9);
    let (free, words) = if stiffness.is_hose {
        (Restraint::ExpansionJoints, "hoses are free to stretch (expansion joints)")
    } else {
        (Restraint::AnchoredThroughout, "pipes are anchored along their length")
    };
    let wall = Wall {
        bore_m: stiffness.bore_m,
        thickness_m: thickness?,
        modulus_pa: assumed.take(modulus, elasticity.modulus_pa, &modulus_line),
        poisson: poisson.unwrap_or(elasticity.poisson),
        restraint: assumed.take(restraint, free, words),
        theory: WallTheory::Thick,
    };
    Some((wall.compliance_per_pa(), format!("{name}, wall {} mm", wall.thickness_m * 1e3)))
}

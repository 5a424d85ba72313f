//! Speed of pressure waves in pipes and hoses, and what follows from it at once: Joukowsky rise, pipe periods,
//! reflection at a junction.
//!
//! Range: water with up to a few percent of gas, walls from rubber to rigid; speeds stay below that of free water
//! (`law_wave_speed_stays_below_that_of_free_water_and_falls_with_give_and_gas`). Accuracy: closed forms, exact to rounding
//! against `published_wylie_streeter_wave_speeds_and_joukowsky`; a real pipe's speed is known to about 5 % for metal and 20 %
//! for plastics and hoses (common practice, no source).

use super::water::AIR_GAS_CONSTANT_J_KG_K;
use std::f64::consts::PI;

/// How the pipe is held along its length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Restraint {
    /// Anchored at its upstream end only (support case a); the formula in use is part of the choice.
    UpstreamAnchor(UpstreamAnchorForm),
    /// Anchored against movement along its length everywhere (support case b). The default: clamped bench pipework.
    #[default]
    AnchoredThroughout,
    /// Expansion joints throughout (support case c).
    ExpansionJoints,
}

/// Books differ on support case a; neither is a misprint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum UpstreamAnchorForm {
    /// 1 - nu/2: newer books (Wylie and Streeter 1993). The default.
    #[default]
    Newer,
    /// 1.25 - nu: older books.
    Older,
}

impl Restraint {
    /// Factor c1 of a thin wall, 1: a: 1 - nu/2 (or 1.25 - nu), b: 1 - nu^2, c: 1.
    pub fn thin_wall_factor(self, poisson: f64) -> f64 {
        match self {
            Self::UpstreamAnchor(UpstreamAnchorForm::Newer) => 1.0 - poisson / 2.0,
            Self::UpstreamAnchor(UpstreamAnchorForm::Older) => 1.25 - poisson,
            Self::AnchoredThroughout => 1.0 - poisson * poisson,
            Self::ExpansionJoints => 1.0,
        }
    }
}

/// Thin or thick wall theory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WallTheory {
    /// Stress even through the wall; good above a bore of about 25 wall thicknesses.
    Thin,
    /// Right for any wall; the default.
    #[default]
    Thick,
}

/// A round elastic wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wall {
    /// Inner diameter, m.
    pub bore_m: f64,
    /// Wall thickness, m.
    pub thickness_m: f64,
    /// Young's modulus (dynamic, at working temperature), Pa.
    pub modulus_pa: f64,
    /// Poisson's ratio.
    pub poisson: f64,
    /// How it is held.
    pub restraint: Restraint,
    /// Theory in use.
    pub theory: WallTheory,
}

impl Wall {
    /// Factor c1 by the wall's own theory: thin as [`Restraint::thin_wall_factor`];
    /// thick (2e/D)(1 + nu) + D/(D + e) c1_thin.
    ///
    /// Source: Wylie and Streeter 1993, chapter 1.
    pub fn factor(&self) -> f64 {
        let thin = self.restraint.thin_wall_factor(self.poisson);
        match self.theory {
            WallTheory::Thin => thin,
            WallTheory::Thick => {
                2.0 * self.thickness_m / self.bore_m * (1.0 + self.poisson)
                    + self.bore_m / (self.bore_m + self.thickness_m) * thin
            }
        }
    }

    /// Relative growth of the bore's area for a rise of pressure: c1 D/(E e), 1/Pa.
    pub fn compliance_per_pa(&self) -> f64 {
        self.factor() * self.bore_m / (self.modulus_pa * self.thickness_m)
    }
}

/// A liquid as far as waves ask.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaveLiquid {
    /// Density, kg/m3.
    pub density_kg_m3: f64,
    /// Bulk modulus, Pa.
    pub bulk_modulus_pa: f64,
}

/// Small bubbles of free gas carried by the liquid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeGas {
    /// Share of volume at the present pressure, 0 to about 0.05.
    pub share: f64,
    /// Absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
}

/// Wave speed in a full elastic pipe: a = 1/sqrt(density (1/K + c1 D/(E e))), m/s.
///
/// # Range
/// Positive numbers; a rigid wall is `compliance_per_pa` = 0. Soft plastics and hoses creep and depend on frequency:
/// take 20 % either way there (common practice, no source).
///
/// # Source
/// Korteweg 1878; Wylie and Streeter 1993, chapter 1.
///
/// ```
/// use ramprig::hydraulics::wave_speed::{WaveLiquid, wave_speed_m_s};
/// let water = WaveLiquid { density_kg_m3: 998.2, bulk_modulus_pa: 2.19e9 };
/// assert!((wave_speed_m_s(&water, 0.0) - 1481.2).abs() < 0.1);
/// ```
pub fn wave_speed_m_s(liquid: &WaveLiquid, wall_compliance_per_pa: f64) -> f64 {
    (liquid.density_kg_m3 * (1.0 / liquid.bulk_modulus_pa + wall_compliance_per_pa)).sqrt().recip()
}

/// Wave speed with a little free gas: the mixture's density and compliance, gas isothermal (p V constant), m/s.
///
/// 1/a^2 = density_mix ((1-x)/K + x/p + compliance), density_mix = (1-x) density + x p/(R T).
///
/// # Range
/// x from 0 to about 0.05, waves long against the bubbles. One part in a thousand at low pressure halves the speed.
///
/// # Source
/// Wylie and Streeter 1993, section 1-5, polytropic exponent 1.
pub fn wave_speed_with_gas_m_s(liquid: &WaveLiquid, wall_compliance_per_pa: f64, gas: &FreeGas) -> f64 {
    let x = gas.share;
    let gas_density = gas.pressure_pa / (AIR_GAS_CONSTANT_J_KG_K * gas.temperature_k);
    let density = (1.0 - x) * liquid.density_kg_m3 + x * gas_density;
    let compliance = (1.0 - x) / liquid.bulk_modulus_pa + x / gas.pressure_pa + wall_compliance_per_pa;
    (density * compliance).sqrt().recip()
}

/// Wave speed from the speed in the free liquid: a = c0/sqrt(1 + K c1 D/(E e)), m/s.
pub fn wave_speed_from_free_m_s(free_speed_m_s: f64, bulk_modulus_pa: f64, wall_compliance_per_pa: f64) -> f64 {
    free_speed_m_s / (1.0 + bulk_modulus_pa * wall_compliance_per_pa).sqrt()
}

/// Relative growth of a hose's area for a rise of pressure, from its swell: 2 s/p, 1/Pa.
///
/// `diameter_swell` is the relative growth of diameter (0.04 = 4 %) between flat calm and `at_pressure_pa`: the figure
/// a hose's data sheet gives or a tape round it measures. A mean over that span, since fabric stiffens as it fills: take
/// the wave speed as known to 30 % (common practice, no source).
pub fn hose_compliance_per_pa(diameter_swell: f64, at_pressure_pa: f64) -> f64 {
    2.0 * diameter_swell / at_pressure_pa
}

/// Pipe and hose materials.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Material {
    /// Carbon steel.
    Steel,
    /// Austenitic stainless steel.
    StainlessSteel,
    /// Ductile iron.
    DuctileIron,
    /// Grey cast iron.
    CastIron,
    /// Copper.
    Copper,
    /// Aluminium.
    Aluminium,
    /// Unplasticised PVC.
    Pvc,
    /// High-density polyethylene.
    Hdpe,
    /// Polypropylene.
    Polypropylene,
    /// Clear acrylic.
    Acrylic,
    /// Glass-fibre reinforced plastic, hoop direction.
    GlassFibre,
    /// Reinforced suction hose with a rigid helix.
    SuctionHose,
    /// Lay-flat delivery hose (fabric with a rubber or plastic lining), as an equivalent wall.
    LayFlatHose,
}

/// Elastic properties of a material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Elasticity {
    /// Young's modulus for fast loading near 20 degC, Pa.
    pub modulus_pa: f64,
    /// Poisson's ratio.
    pub poisson: f64,
    /// Typical roughness height of new pipe, m.
    pub roughness_m: f64,
    /// Half-width of the spread between pipes of this name, share of the modulus.
    pub spread: f64,
}

impl Material {
    /// Every material.
    pub const ALL: [Self; 13] = [
        Self::Steel,
        Self::StainlessSteel,
        Self::DuctileIron,
        Self::CastIron,
        Self::Copper,
        Self::Aluminium,
        Self::Pvc,
        Self::Hdpe,
        Self::Polypropylene,
        Self::Acrylic,
        Self::GlassFibre,
        Self::SuctionHose,
        Self::LayFlatHose,
    ];

    /// Name in rig files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Steel => "steel",
            Self::StainlessSteel => "stainless-steel",
            Self::DuctileIron => "ductile-iron",
            Self::CastIron => "cast-iron",
            Self::Copper => "copper",
            Self::Aluminium => "aluminium",
            Self::Pvc => "pvc",
            Self::Hdpe => "hdpe",
            Self::Polypropylene => "polypropylene",
            Self::Acrylic => "acrylic",
            Self::GlassFibre => "glass-fibre",
            Self::SuctionHose => "suction-hose",
            Self::LayFlatHose => "lay-flat-hose",
        }
    }

    /// The material of a name, exactly as [`Material::name`] spells it.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|material| material.name() == name)
    }

    /// Typical handbook values.
    ///
    /// Steel, ductile iron, copper, PVC, HDPE and lay-flat are the values the published wave-speed cases use
    /// (`tests/fixtures/check-values/03_wave_speed_joukowsky.toml`); the others, all roughness heights and all spreads
    /// are from memory. A value from the maker beats any of them.
    pub fn elasticity(self) -> Elasticity {
        let (modulus_pa, poisson, roughness_m, spread) = match self {
            Self::Steel => (207e9, 0.30, 45e-6, 0.03),
            Self::StainlessSteel => (193e9, 0.30, 15e-6, 0.03),
            Self::DuctileIron => (172e9, 0.28, 50e-6, 0.05),
            Self::CastIron => (103e9, 0.25, 260e-6, 0.20),
            Self::Copper => (117e9, 0.34, 1.5e-6, 0.05),
            Self::Aluminium => (69e9, 0.33, 1.5e-6, 0.03),
            Self::Pvc => (2.9e9, 0.45, 1.5e-6, 0.15),
            Self::Hdpe => (0.8e9, 0.46, 1.5e-6, 0.30),
            Self::Polypropylene => (1.2e9, 0.42, 1.5e-6, 0.30),
            Self::Acrylic => (3.2e9, 0.37, 1.5e-6, 0.10),
            Self::GlassFibre => (20e9, 0.30, 10e-6, 0.40),
            Self::SuctionHose => (0.3e9, 0.45, 50e-6, 0.60),
            Self::LayFlatHose => (50e6, 0.45, 50e-6, 0.60),
        };
        Elasticity { modulus_pa, poisson, roughness_m, spread }
    }
}

/// Pressure rise of a sudden change of velocity: density a dV, Pa (Joukowsky 1898).
pub fn joukowsky_pa(density_kg_m3: f64, wave_speed_m_s: f64, velocity_change_m_s: f64) -> f64 {
    density_kg_m3 * wave_speed_m_s * velocity_change_m_s
}

/// Head rise of a sudden change of velocity: a dV/g, m (Joukowsky 1898).
pub fn joukowsky_m(wave_speed_m_s: f64, velocity_change_m_s: f64, gravity_m_s2: f64) -> f64 {
    wave_speed_m_s * velocity_change_m_s / gravity_m_s2
}

/// Time for a wave to run to the far end and back: 2 L/a, s. A valve or starter slower than this softens the surge.
pub fn reflection_time_s(length_m: f64, wave_speed_m_s: f64) -> f64 {
    2.0 * length_m / wave_speed_m_s
}

/// Period of a pipe open at one end and closed at the other: 4 L/a, s.
pub fn pipe_period_s(length_m: f64, wave_speed_m_s: f64) -> f64 {
    4.0 * length_m / wave_speed_m_s
}

/// Share of a head wave that goes on into the other pipes of a junction: s = 2 (A1/a1) / sum(Ai/ai).
///
/// `pipes` are (bore m, wave speed m/s), the one the wave arrives by first. The share thrown back is s - 1.
/// Source: Wylie and Streeter 1993; Thorley 2004.
pub fn junction_transmission(pipes: &[(f64, f64)]) -> f64 {
    let admittance = |&(bore_m, speed_m_s): &(f64, f64)| PI * bore_m * bore_m / 4.0 / speed_m_s;
    let sum: f64 = pipes.iter().map(admittance).sum();
    pipes.first().map_or(0.0, |first| 2.0 * admittance(first) / sum)
}

/// Share of a head wave thrown back by a junction: r = s - 1; +1 at a dead end, -1 at a tank.
pub fn junction_reflection(pipes: &[(f64, f64)]) -> f64 {
    junction_transmission(pipes) - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    const WATER: WaveLiquid = WaveLiquid { density_kg_m3: 998.2, bulk_modulus_pa: 2.19e9 };

    fn wall(theory: WallTheory, thickness_m: f64) -> Wall {
        let steel = Material::Steel.elasticity();
        Wall {
            bore_m: 0.1,
            thickness_m,
            modulus_pa: steel.modulus_pa,
            poisson: steel.poisson,
            restraint: Restraint::default(),
            theory,
        }
    }

    #[test]
    fn law_thick_wall_tends_to_thin_wall() {
        let thin = wall(WallTheory::Thin, 1e-6).factor();
        let thick = wall(WallTheory::Thick, 1e-6).factor();
        assert!((thick - thin).abs() < 1e-4, "expected {thin}, got {thick}, tolerance 1e-4");
    }

    #[test]
    fn law_the_three_ways_of_stating_a_wave_speed_agree() {
        let compliance = wall(WallTheory::Thick, 0.004).compliance_per_pa();
        let a = wave_speed_m_s(&WATER, compliance);
        let free = wave_speed_from_free_m_s(wave_speed_m_s(&WATER, 0.0), WATER.bulk_modulus_pa, compliance);
        let no_gas = FreeGas { share: 0.0, pressure_pa: 1e5, temperature_k: 293.15 };
        let gassy = wave_speed_with_gas_m_s(&WATER, compliance, &no_gas);
        assert!((free / a - 1.0).abs() < 1e-12 && (gassy / a - 1.0).abs() < 1e-12, "{a} {free} {gassy} m/s");
    }

    #[test]
    fn law_a_hose_that_swells_like_a_thin_tube_has_that_tube_s_wave_speed() {
        let tube = Wall { restraint: Restraint::ExpansionJoints, ..wall(WallTheory::Thin, 0.002) };
        let at_pressure_pa = 1e5;
        let swell = at_pressure_pa * tube.bore_m / (2.0 * tube.thickness_m * tube.modulus_pa);
        let ratio = hose_compliance_per_pa(swell, at_pressure_pa) / tube.compliance_per_pa();
        assert!((ratio - 1.0).abs() < 1e-12, "expected 1, got {ratio}, tolerance 1e-12");
    }

    #[test]
    fn law_junction_limits_are_a_dead_end_and_a_tank() {
        assert!((junction_reflection(&[(0.1, 1000.0)]) - 1.0).abs() < 1e-12);
        assert!((junction_reflection(&[(0.1, 1000.0), (1e4, 1000.0)]) + 1.0).abs() < 1e-9);
    }

    #[test]
    fn accepts_every_material_name_and_rejects_others() {
        for material in Material::ALL {
            assert_eq!(Material::from_name(material.name()), Some(material));
            let e = material.elasticity();
            assert!(e.modulus_pa > 0.0 && (0.0..0.5).contains(&e.poisson) && e.spread < 1.0);
        }
        assert_eq!(Material::from_name("cheese"), None);
    }
}

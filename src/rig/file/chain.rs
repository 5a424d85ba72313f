//! The measuring chain of a channel as typed: reference, damping, filters, coupling, wiring, mounting, calibration.

use super::Assumptions;
use crate::hydraulics::wave_speed::{Material, Restraint, Wall, WallTheory};
use crate::rig::chain::{AntiAlias, Calibration, Coupling, SensorReference, Wiring};
use crate::rig::model::Quantity;
use crate::rig::reader::{Cursor, Spot, Text};
use crate::units::{Dimension, Want};

/// Words of `reference`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ReferenceWord {
    Gauge,
    Sealed,
    Absolute,
}

const REFERENCES: &[(&str, ReferenceWord)] =
    &[("gauge", ReferenceWord::Gauge), ("sealed", ReferenceWord::Sealed), ("absolute", ReferenceWord::Absolute)];
const COUPLINGS: &[(&str, bool)] = &[("dc", false), ("ac", true)];
const WIRINGS: &[(&str, Wiring)] = &[("direct", Wiring::Direct), ("4-20 mA", Wiring::Loop)];
const FILLS: &[(&str, Fill)] = &[("liquid", Fill::Liquid), ("air", Fill::Air)];
/// Sealed sensors hold the standard atmosphere where the file does not say, Pa absolute (common practice, no source).
const SEALED_AT_PA: f64 = 101_325.0;
/// Corner of an AC-coupled input where the file does not say, Hz (common practice, no source).
const AC_CORNER_HZ: f64 = 0.5;

/// What an impulse line is filled with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fill {
    /// The rig's liquid.
    Liquid,
    /// Air.
    Air,
}

/// `impulse_line = { ... }`.
#[derive(Debug, Clone, Copy)]
pub struct ImpulseLineEntry {
    /// Length, m.
    pub length_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Fill.
    pub fill: Fill,
    /// Elastic compliance of its wall, 1/Pa; 0: stiff.
    pub wall_per_pa: f64,
    /// Volume that the diaphragm sweeps over the sensor's range, m3.
    pub displacement_m3: f64,
    /// Gas left in a liquid-filled line, m3 at the atmosphere's pressure.
    pub trapped_m3: f64,
}

/// The chain.
#[derive(Debug, Clone)]
pub struct ChainEntry {
    /// Reference.
    pub reference: SensorReference,
    /// Damping time constant, s.
    pub damping_s: f64,
    /// Anti-alias filter.
    pub anti_alias: Option<AntiAlias>,
    /// Group delay of the converter, s.
    pub group_delay_s: f64,
    /// Coupling.
    pub coupling: Coupling,
    /// Wiring.
    pub wiring: Wiring,
    /// Mounting in words.
    pub mounting: String,
    /// Impulse line.
    pub line: Option<ImpulseLineEntry>,
    /// Calibration.
    pub calibration: Calibration,
    /// Area on which the pressure acts, m2.
    pub thrust_area_m2: Option<f64>,
    /// Place of the anti-alias filter, or of the channel.
    pub anti_alias_spot: Spot,
    /// Place of the wiring, or of the channel.
    pub wiring_spot: Spot,
}

/// Said once where a channel leaves its chain open.
const ASSUMED: &str = "channels whose chain the file does not describe: sensors vented to the atmosphere, DC-coupled, mounted flush, \
                       without damping or converter delay";

/// The chain's keys of `[[channel]]`.
pub(super) fn chain(table: &Cursor<'_>, quantity: Option<Quantity>, assumed: &mut Assumptions) -> ChainEntry {
    let of_pressure = quantity == Some(Quantity::GaugePressure);
    let is_open = !["reference", "coupling", "mounting", "impulse_line"].iter().any(|key| table.has(key));
    if of_pressure && is_open && !assumed.0.iter().any(|said| said == ASSUMED) {
        assumed.0.push(ASSUMED.to_owned());
    }
    if !of_pressure && quantity.is_some() {
        for key in
            ["reference", "sealed_at", "impulse_line", "mounting", "thrust_area"].iter().filter(|key| table.has(key))
        {
            table.mark_read(key);
            table.note(key, "a pressure sensor's key", "left out: this channel measures no pressure", None);
        }
    }
    let line = table.table("impulse_line").map(impulse_line);
    ChainEntry {
        reference: reference(table),
        damping_s: table.quantity("damping", &Want::TIME_FROM_ZERO.between(0.0, 60.0)).unwrap_or(0.0),
        anti_alias: table.table("anti_alias").and_then(anti_alias),
        group_delay_s: table.quantity("group_delay", &Want::TIME_FROM_ZERO.between(0.0, 1.0)).unwrap_or(0.0),
        coupling: coupling(table),
        wiring: table.word("signal", WIRINGS).unwrap_or(Wiring::Direct),
        mounting: mounting(table, line.as_ref()),
        line,
        calibration: calibration(table),
        thrust_area_m2: table.quantity("thrust_area", &Want::positive(Dimension::Area, "\"21 cm2\"")),
        anti_alias_spot: table.spot("anti_alias"),
        wiring_spot: table.spot("signal"),
    }
}

fn reference(table: &Cursor<'_>) -> SensorReference {
    let word = table.word("reference", REFERENCES).unwrap_or(ReferenceWord::Gauge);
    let sealed_at_pa = table.quantity("sealed_at", &Want::ABSOLUTE);
    if table.has("sealed_at") && word != ReferenceWord::Sealed {
        table.note("sealed_at", "a sealed volume beside another reference", "reference = \"sealed\"", None);
    }
    match word {
        ReferenceWord::Gauge => SensorReference::Gauge,
        ReferenceWord::Absolute => SensorReference::Absolute,
        ReferenceWord::Sealed => SensorReference::Sealed { at_pa: sealed_at_pa.unwrap_or(SEALED_AT_PA) },
    }
}

/// True where the range is written in absolute pressure.
pub(super) fn is_absolute(table: &Cursor<'_>) -> bool {
    table.text("reference").is_some_and(|word| word.text == "absolute")
}

fn anti_alias(table: Cursor<'_>) -> Option<AntiAlias> {
    let corner_hz = table.need_quantity("corner", &Want::FREQUENCY);
    let order = table.integer("order", 1..=8).unwrap_or(2);
    table.close();
    Some(AntiAlias { corner_hz: corner_hz?, order: u32::try_from(order).ok()? })
}

fn coupling(table: &Cursor<'_>) -> Coupling {
    let is_ac = table.word("coupling", COUPLINGS).unwrap_or(false);
    let corner_hz = table.quantity("ac_corner", &Want::FREQUENCY);
    if table.has("ac_corner") && !is_ac {
        table.note("ac_corner", "a corner without AC coupling", "coupling = \"ac\"", None);
    }
    if is_ac { Coupling::Ac { corner_hz: corner_hz.unwrap_or(AC_CORNER_HZ) } } else { Coupling::Dc }
}

fn mounting(table: &Cursor<'_>, line: Option<&ImpulseLineEntry>) -> String {
    let said = table.text("mounting");
    if let (Some(said), Some(_)) = (&said, line)
        && said.text.contains("flush")
    {
        table.note("mounting", format!("{:?} beside an impulse_line", said.text), "one of the two", None);
    }
    said.map_or_else(|| if line.is_some() { "impulse line" } else { "flush" }.to_owned(), |text| text.text)
}

fn impulse_line(table: Cursor<'_>) -> ImpulseLineEntry {
    let volume = Want::from_zero(Dimension::Volume, "\"0.1 ml\", \"2 mm3\"");
    let bore_m = super::or_nan(table.need_quantity("bore", &Want::LENGTH.between(1e-4, 0.1)));
    let entry = ImpulseLineEntry {
        length_m: super::or_nan(table.need_quantity("length", &Want::LENGTH.between(1e-3, 500.0))),
        bore_m,
        fill: table.need_word("fill", FILLS).unwrap_or(Fill::Liquid),
        wall_per_pa: wall_per_pa(&table, bore_m),
        displacement_m3: table.quantity("displacement", &volume).unwrap_or(0.0),
        trapped_m3: table.quantity("trapped_gas", &volume).unwrap_or(0.0),
    };
    if entry.fill == Fill::Air && entry.trapped_m3 > 0.0 {
        table.note("trapped_gas", "gas trapped in a line of gas", "fill = \"liquid\", or no trapped_gas", None);
    }
    table.close();
    entry
}

/// Elastic wall of the line, from material and wall; stiff without both.
fn wall_per_pa(table: &Cursor<'_>, bore_m: f64) -> f64 {
    let words: Vec<(&str, Material)> = Material::ALL.into_iter().map(|material| (material.name(), material)).collect();
    let material = table.word("material", &words);
    let thickness_m = table.quantity("wall", &Want::LENGTH);
    if table.has("material") != table.has("wall") {
        let key = if table.has("material") { "wall" } else { "material" };
        table.note(key, "nothing (the key is missing)", "material and wall together", None);
    }
    material.zip(thickness_m).map_or(0.0, |(material, thickness_m)| {
        let elasticity = material.elasticity();
        let wall = Wall {
            bore_m,
            thickness_m,
            modulus_pa: elasticity.modulus_pa,
            poisson: elasticity.poisson,
            restraint: Restraint::ExpansionJoints,
            theory: WallTheory::Thick,
        };
        wall.compliance_per_pa()
    })
}

fn calibration(table: &Cursor<'_>) -> Calibration {
    table.table("calibration").map(calibration_of).unwrap_or_default()
}

/// A `calibration` table.
pub(in crate::rig) fn calibration_of(table: Cursor<'_>) -> Calibration {
    let date = |text: Option<Text>, key: &str| {
        if let Some(text) = text.as_ref().filter(|text| text.text.parse::<jiff::civil::Date>().is_err()) {
            table.note(key, format!("{:?}", text.text), "a date, such as \"2026-03-14\"", None);
        }
        text.map(|text| text.text).unwrap_or_default()
    };
    let text = |key: &str| table.text(key).map(|text| text.text).unwrap_or_default();
    let calibration = Calibration {
        date: date(table.need_text("date"), "date"),
        due: date(table.text("due"), "due"),
        certificate: text("certificate"),
        reference: text("reference"),
        by: text("by"),
        fit: table.numbers("fit"),
    };
    table.close();
    calibration
}

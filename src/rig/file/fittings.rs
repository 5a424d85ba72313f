//! Orifices, relief valves and gas at nodes as typed.

use super::network::TankEntry;
use super::{Assumptions, need_name, or_nan};
use crate::hydraulics::spec::{AirValveSpec, DiscCheckValveSpec, GasSpec, OrificeSpec, ReliefValveSpec, Terminal};
use crate::rig::reader::Cursor;
use crate::units::{Dimension, Want};

/// Discharge coefficient where the file is silent: a sharp edge (common practice).
const SHARP_EDGE: f64 = 0.61;
/// Pressure of full opening over the set pressure where the file is silent (common practice: 10 % over).
const FULL_OPEN_RATIO: f64 = 1.1;
/// Exponent of gas where the file is silent, between isothermal and adiabatic (common practice).
const GAS_EXPONENT: f64 = 1.2;

/// Discharge coefficient of air valves where the file is silent (common practice).
const AIR_COEFFICIENT: f64 = 0.6;

const VOLUME: Want = Want::positive(Dimension::Volume, "\"0.1 m3\", \"50 l\"");

/// `[[orifice]]`: `diameter` of the hole, `discharge_coefficient`.
pub(super) fn orifice(table: &Cursor<'_>, assumed: &mut Assumptions) -> OrificeSpec {
    OrificeSpec {
        bore_m: or_nan(table.need_quantity("diameter", &Want::LENGTH)),
        discharge_coefficient: assumed.take(
            table.number("discharge_coefficient", 0.05..=1.0),
            SHARP_EDGE,
            "orifices have a sharp edge: discharge coefficient 0.61",
        ),
    }
}

/// `[[relief_valve]]`: `flow_coefficient`, `set_pressure`, `full_open_pressure`, both above what it blows off into.
pub(super) fn relief_valve(table: &Cursor<'_>, assumed: &mut Assumptions) -> ReliefValveSpec {
    let set_pa = or_nan(table.need_quantity("set_pressure", &Want::PRESSURE_DIFFERENCE));
    let full_open_pa = assumed.take(
        table.quantity("full_open_pressure", &Want::PRESSURE_DIFFERENCE),
        FULL_OPEN_RATIO * set_pa,
        "relief valves are fully open 10 % above their set pressure",
    );
    if full_open_pa <= set_pa {
        let allowed = format!("above set_pressure, {set_pa} Pa");
        table.note("full_open_pressure", format!("{full_open_pa} Pa"), allowed, None);
    }
    ReliefValveSpec {
        kv_open_m3_h: or_nan(table.need_quantity("flow_coefficient", &Want::FLOW_COEFFICIENT)),
        set_pa,
        full_open_pa,
    }
}

/// `[[check_valve]]` with `disc_mass`: `disc_area`, `travel`, and as plain numbers in SI `seat_force` (N), `spring_rate`
/// (N/m), `damping` (N s/m).
pub(super) fn disc_check_valve(table: &Cursor<'_>) -> DiscCheckValveSpec {
    let number = |key: &str, most: f64| table.number(key, 0.0..=most).unwrap_or(0.0);
    DiscCheckValveSpec {
        kv_m3_h: or_nan(table.need_quantity("flow_coefficient", &Want::FLOW_COEFFICIENT)),
        mass_kg: or_nan(table.number("disc_mass", 1e-3..=1e4)),
        area_m2: or_nan(table.need_quantity("disc_area", &Want::AREA)),
        travel_m: or_nan(table.need_quantity("travel", &Want::LENGTH)),
        seat_force_n: number("seat_force", 1e6),
        spring_n_m: number("spring_rate", 1e8),
        damping_n_s_m: number("damping", 1e8),
    }
}

/// `[[air_valve]]`; `[[air_vessel]]` and `[[air_pocket]]`: `gas_volume`, at `charged_to` or, without it, in the state at the start;
/// `exponent`; a vessel's `surface` and whole `volume`.
pub(super) fn gases(root: &Cursor<'_>, assumed: &mut Assumptions) -> Vec<TankEntry> {
    let mut entries = Vec::new();
    for (key, is_vessel) in [("air_vessel", true), ("air_pocket", false)] {
        for table in root.tables(key) {
            let terminal = Terminal::Gas(gas(&table, is_vessel, assumed));
            entries.push(TankEntry {
                node: need_name(&table, "node"),
                terminal,
                splash: None,
                held_area_m2: None,
                into: None,
                spot: table.here(),
            });
            table.close();
        }
    }
    for table in root.tables("air_valve") {
        let terminal = Terminal::AirValve(air_valve(&table, assumed));
        entries.push(TankEntry {
            node: need_name(&table, "node"),
            terminal,
            splash: None,
            held_area_m2: None,
            into: None,
            spot: table.here(),
        });
        table.close();
    }
    entries
}

/// `[[air_valve]]`: `inflow_diameter`, `outflow_diameter` (without it as inwards), `discharge_coefficient`.
fn air_valve(table: &Cursor<'_>, assumed: &mut Assumptions) -> AirValveSpec {
    let coefficient = assumed.take(
        table.number("discharge_coefficient", 0.05..=1.0),
        AIR_COEFFICIENT,
        "air valves pass air with a discharge coefficient of 0.6",
    );
    let effective_m2 = |bore_m: f64| coefficient * std::f64::consts::FRAC_PI_4 * bore_m * bore_m;
    let inwards_m = or_nan(table.need_quantity("inflow_diameter", &Want::LENGTH));
    let outwards_m = table.quantity("outflow_diameter", &Want::LENGTH).unwrap_or(inwards_m);
    AirValveSpec { inflow_cda_m2: effective_m2(inwards_m), outflow_cda_m2: effective_m2(outwards_m) }
}

fn gas(table: &Cursor<'_>, is_vessel: bool, assumed: &mut Assumptions) -> GasSpec {
    let volume_m3 = or_nan(table.need_quantity("gas_volume", &VOLUME));
    let charged_abs_pa = table.quantity("charged_to", &Want::ABSOLUTE);
    let (area_m2, capacity_m3) = if is_vessel {
        let area_m2 = or_nan(table.need_quantity("surface", &Want::AREA));
        (area_m2, or_nan(table.need_quantity("volume", &VOLUME)))
    } else {
        (f64::INFINITY, f64::INFINITY)
    };
    if capacity_m3 < volume_m3 && charged_abs_pa.is_none() {
        table.note(
            "gas_volume",
            format!("{volume_m3} m3"),
            format!("at most the vessel's volume, {capacity_m3} m3"),
            None,
        );
    }
    let exponent = assumed.take(
        table.number("exponent", 1.0..=1.67),
        GAS_EXPONENT,
        "gas in vessels and pockets follows the exponent 1.2, between isothermal and adiabatic",
    );
    GasSpec { volume_m3, charged_abs_pa, exponent, area_m2, capacity_m3 }
}

//! Liquid, motor, coupling and pump as typed.

use super::network::{ElementEntry, rating};
use super::{Assumptions, need_id, need_name, or_nan};
use crate::hydraulics::spec::{ElementKind, LiquidSpec, PumpCondition, PumpSpec};
use crate::hydraulics::water::{self, STANDARD_GRAVITY_M_S2, Site};
use crate::hydraulics::wave_speed::FreeGas;
use crate::rig::model::Duty;
use crate::rig::reader::{Cursor, Spot, Text};
use crate::starters::heating::StartRating;
use crate::starters::{MotorSpec, Mounting};
use crate::units::{Dimension, Want};

/// 0 degC, K.
const KELVIN: f64 = 273.15;

/// `[motor]`.
#[derive(Debug)]
pub struct MotorEntry {
    /// Nameplate.
    pub spec: MotorSpec,
    /// Duty.
    pub duty: Duty,
    /// Place.
    pub spot: Spot,
}

/// `[pump]` beyond its hydraulic element.
#[derive(Debug)]
pub struct PumpEntry {
    /// How it draws air.
    pub self_priming: Option<crate::hydraulics::plant::SelfPriming>,
    /// Inertia of impeller and entrained water, kg m2.
    pub inertia_kg_m2: f64,
    /// Mechanical friction, N m.
    pub friction_n_m: f64,
    /// NPSH margin below which a notice is given, m.
    pub npsh_margin_m: f64,
    /// Place.
    pub spot: Option<Spot>,
}

/// `[coupling]`.
#[derive(Debug)]
pub struct CouplingEntry {
    /// Inertia that turns with the motor, kg m2.
    pub inertia_kg_m2: f64,
    /// Ratio and efficiency.
    pub mounting: Mounting,
}

/// `[liquid]`: water at a temperature and a site; any property may be given instead.
pub(super) fn liquid(table: Option<Cursor<'_>>, assumed: &mut Assumptions) -> (LiquidSpec, f64, Option<FreeGas>) {
    let Some(table) = table else { return (unreadable_liquid(), f64::NAN, None) };
    table.word("kind", &[("water", ())]);
    let temperature_c = or_nan(table.need_quantity("temperature", &Want::TEMPERATURE.between(0.0, 60.0)));
    let water = water::liquid(temperature_c, site(&table, assumed)).unwrap_or_else(|_| unreadable_liquid());
    let or = |key: &str, want: Want, stand_in: f64| table.quantity(key, &want).unwrap_or(stand_in);
    let spec = LiquidSpec {
        density_kg_m3: or("density", Want::positive(Dimension::Density, "\"999 kg/m3\""), water.density_kg_m3),
        viscosity_m2_s: or("viscosity", Want::positive(Dimension::Viscosity, "\"1.1 mm2/s\""), water.viscosity_m2_s),
        bulk_modulus_pa: or("bulk_modulus", Want::MODULUS, water.bulk_modulus_pa),
        vapour_pa: or("vapour_pressure", Want::ABSOLUTE, water.vapour_pa),
        ..water
    };
    let gas = free_gas(&table, &spec, temperature_c, assumed);
    table.close();
    (spec, temperature_c, gas)
}

/// `free_gas = { share, line_pressure }`: bubbles by volume of the water at the atmosphere, compressed by the line's usual
/// pressure; they lower the wave speed that follows from a wall or a swell.
fn free_gas(table: &Cursor<'_>, spec: &LiquidSpec, temperature_c: f64, assumed: &mut Assumptions) -> Option<FreeGas> {
    let table = table.table("free_gas")?;
    let share = Want::from_zero(Dimension::Share, "\"0.02 %\"").between(0.0, 0.05);
    let share = or_nan(table.need_quantity("share", &share));
    let pressure_pa = or_nan(table.need_quantity("line_pressure", &Want::ABSOLUTE.between(1e3, 1e8)));
    table.close();
    // Boyle: the same gas under the line's pressure
    let in_line = share * spec.atmosphere_pa / pressure_pa;
    assumed.0.push(format!(
        "free gas of {:.4} % at the atmosphere is {:.4} % at {:.2} bar(a), which every derived wave speed takes in; it is the same \
         all along and all the time",
        100.0 * share,
        100.0 * in_line,
        pressure_pa / 1e5
    ));
    Some(FreeGas { share: in_line, pressure_pa, temperature_k: temperature_c + KELVIN })
}

fn site(table: &Cursor<'_>, assumed: &mut Assumptions) -> Site {
    let barometer_pa = table.quantity("atmosphere", &Want::ABSOLUTE.between(50e3, 110e3));
    let altitude_m = table.quantity("altitude", &Want::ELEVATION.between(-500.0, 5000.0));
    if table.has("atmosphere") && table.has("altitude") {
        table.note("altitude", "an altitude beside an atmosphere", "one of the two", None);
    }
    match barometer_pa {
        Some(barometer_pa) => Site::BarometerPa(barometer_pa),
        None => Site::AltitudeM(assumed.take(altitude_m, 0.0, "the site is at sea level in the standard atmosphere")),
    }
}

fn unreadable_liquid() -> LiquidSpec {
    LiquidSpec {
        density_kg_m3: f64::NAN,
        viscosity_m2_s: f64::NAN,
        bulk_modulus_pa: f64::NAN,
        vapour_pa: f64::NAN,
        atmosphere_pa: f64::NAN,
        gravity_m_s2: STANDARD_GRAVITY_M_S2,
    }
}

/// `starts_per_hour`, `rest` and, where the maker says so, starts one after the other.
pub(super) fn duty(table: &Cursor<'_>) -> Duty {
    Duty {
        starts_per_hour: table
            .need_integer("starts_per_hour", 1..=3600)
            .and_then(|n| u32::try_from(n).ok())
            .unwrap_or(1),
        rest_s: or_nan(table.need_quantity("rest", &Want::TIME_FROM_ZERO)),
        starts: starts(table),
    }
}

/// `[motor]`.
pub(super) fn motor(table: Option<Cursor<'_>>, assumed: &mut Assumptions) -> MotorEntry {
    let Some(table) = table else { return unreadable_motor() };
    let multiple = |key| or_nan(table.need_number(key, 0.05..=20.0));
    let spec = MotorSpec {
        rated_power_w: or_nan(table.need_quantity("rated_power", &Want::POWER)),
        voltage_v: or_nan(table.need_quantity("voltage", &Want::VOLTAGE)),
        frequency_hz: or_nan(table.need_quantity("frequency", &Want::FREQUENCY)),
        poles: table.need_integer("poles", 2..=24).and_then(|n| u32::try_from(n).ok()).unwrap_or(0),
        rated_speed_rad_s: or_nan(table.need_quantity("rated_speed", &Want::SPEED)),
        full_load_current_a: or_nan(
            table.need_quantity("full_load_current", &Want::positive(Dimension::Current, "\"8.4 A\"")),
        ),
        locked_rotor_current: multiple("locked_rotor_current"),
        locked_rotor_torque: multiple("locked_rotor_torque"),
        pull_up_torque: multiple("pull_up_torque"),
        breakdown_torque: multiple("breakdown_torque"),
        power_factor: assumed.take(table.number("power_factor", 0.1..=1.0), 0.82, "motor power factor 0.82"),
        efficiency: assumed.take(table.number("efficiency", 0.1..=1.0), 0.85, "motor efficiency 0.85"),
        inertia_kg_m2: or_nan(table.need_quantity("inertia", &Want::INERTIA)),
        kloss: table.word("torque_curve", &[("four-point", false), ("kloss", true)]).unwrap_or(false),
        mounting: Mounting { supply_dip: table.number("supply_dip", 0.0..=0.6).unwrap_or(0.0), ..Mounting::DIRECT },
    };
    let entry = MotorEntry { spec, duty: duty(&table), spot: table.here() };
    table.close();
    entry
}

/// `cold_starts`, `hot_starts` and `cooling_time`: all three or none.
fn starts(table: &Cursor<'_>) -> Option<StartRating> {
    if !["cold_starts", "hot_starts", "cooling_time"].iter().any(|key| table.has(key)) {
        return None;
    }
    let count = |key: &str| table.need_integer(key, 1..=20).and_then(|count| u32::try_from(count).ok()).unwrap_or(1);
    let (cold_starts, hot_starts) = (count("cold_starts"), count("hot_starts"));
    if hot_starts > cold_starts {
        let found = format!("{hot_starts} starts from hot, {cold_starts} from cold");
        table.note("hot_starts", found, "no more starts from hot than from cold", None);
    }
    let cooling_s = or_nan(table.need_quantity("cooling_time", &Want::TIME));
    Some(StartRating { cold_starts, hot_starts, cooling_s })
}

fn unreadable_motor() -> MotorEntry {
    let spec = MotorSpec {
        rated_power_w: f64::NAN,
        voltage_v: f64::NAN,
        frequency_hz: f64::NAN,
        poles: 0,
        rated_speed_rad_s: f64::NAN,
        full_load_current_a: f64::NAN,
        locked_rotor_current: f64::NAN,
        locked_rotor_torque: f64::NAN,
        pull_up_torque: f64::NAN,
        breakdown_torque: f64::NAN,
        power_factor: f64::NAN,
        efficiency: f64::NAN,
        inertia_kg_m2: f64::NAN,
        kloss: false,
        mounting: Mounting::DIRECT,
    };
    let spot = Spot { key_path: "motor".to_owned(), line: 1, column: 1 };
    MotorEntry { spec, duty: Duty { starts: None, starts_per_hour: 1, rest_s: f64::NAN }, spot }
}

impl CouplingEntry {
    /// Of a rig without a machine.
    pub(super) fn none() -> Self {
        Self { inertia_kg_m2: 0.0, mounting: Mounting::DIRECT }
    }
}

/// `[coupling]`, which may be left out.
///
/// With a belt, `ratio` is pump speed over motor speed and `efficiency` what of the power comes through; the inertia then
/// turns with the motor. Shaft speed is then the pump's.
pub(super) fn coupling(root: &Cursor<'_>, assumed: &mut Assumptions) -> CouplingEntry {
    let Some(table) = root.table("coupling") else {
        assumed.0.push("coupling without inertia of its own".to_owned());
        return CouplingEntry::none();
    };
    let inertia = or_nan(table.need_quantity("inertia", &Want::from_zero(Dimension::Inertia, "\"0.004 kg m2\"")));
    let ratio = table.number("ratio", 0.1..=10.0);
    let efficiency = table.number("efficiency", 0.5..=1.0);
    let mounting = Mounting {
        belt_ratio: ratio.unwrap_or(1.0),
        belt_efficiency: match ratio {
            Some(_) => assumed.take(efficiency, 0.95, "belt efficiency 0.95"),
            None => efficiency.unwrap_or(1.0),
        },
        ..Mounting::DIRECT
    };
    table.close();
    CouplingEntry { inertia_kg_m2: inertia, mounting }
}

/// `[pump]`: its element and the rotating part.
pub(super) fn pump(table: Option<Cursor<'_>>, assumed: &mut Assumptions) -> (Option<ElementEntry>, PumpEntry) {
    let Some(table) = table else {
        return (None, unreadable_pump());
    };
    let spec = pump_spec(&table, assumed);
    let entry = PumpEntry {
        inertia_kg_m2: or_nan(table.need_quantity("inertia", &Want::INERTIA)),
        friction_n_m: assumed.take(
            table.quantity("friction", &Want::TORQUE_FROM_ZERO),
            0.0,
            "no mechanical friction at the shaft",
        ),
        npsh_margin_m: table.quantity("npsh_margin", &Want::HEAD_FROM_ZERO).unwrap_or(NPSH_MARGIN_M),
        self_priming: super::lines::self_priming(&table),
        spot: Some(table.here()),
    };
    let id = if table.has("id") {
        need_id(&table)
    } else {
        table.mark_read("id");
        Text { text: "pump".to_owned(), spot: table.here() }
    };
    let element = ElementEntry {
        id,
        from: need_name(&table, "from"),
        to: need_name(&table, "to"),
        kind: ElementKind::Pump(spec),
        rating: rating(&table),
        spot: table.here(),
        wave_speed: None,
        control: None,
        stroke: None,
    };
    table.close();
    (Some(element), entry)
}

/// NPSH margin where the file is silent, m (two feet: common practice, no source).
const NPSH_MARGIN_M: f64 = 0.6;

/// `wear` (water that slips back through worn rings at rated head, share of rated flow) and `rotation`.
fn condition(table: &Cursor<'_>) -> PumpCondition {
    let share = Want::from_zero(Dimension::Share, "\"12 %\"").between(0.0, 0.5);
    PumpCondition {
        wear_leak_share: table.quantity("wear", &share).unwrap_or(0.0),
        wrong_rotation: table.word("rotation", &[("right", false), ("wrong", true)]).unwrap_or(false),
        splash: None,
    }
}

fn unreadable_pump() -> PumpEntry {
    PumpEntry {
        inertia_kg_m2: f64::NAN,
        friction_n_m: f64::NAN,
        npsh_margin_m: f64::NAN,
        self_priming: None,
        spot: None,
    }
}

/// The hydraulics of a pump.
pub(super) fn pump_spec(table: &Cursor<'_>, assumed: &mut Assumptions) -> PumpSpec {
    let efficiency = Want::from_zero(Dimension::Share, "\"52 %\"").between(0.0, 1.0);
    let spec = PumpSpec {
        rated_speed_rad_s: or_nan(table.need_quantity("rated_speed", &Want::SPEED)),
        rated_flow_m3_s: or_nan(table.need_quantity("rated_flow", &Want::FLOW)),
        rated_head_m: or_nan(table.need_quantity("rated_head", &Want::HEAD)),
        rated_efficiency: or_nan(table.need_number("rated_efficiency", 0.01..=0.95)),
        curve: table.pairs("curve", &Want::FLOW_FROM_ZERO, &Want::HEAD_FROM_ZERO).unwrap_or_default(),
        efficiency: table.pairs("efficiency", &Want::FLOW_FROM_ZERO, &efficiency).unwrap_or_default(),
        npsh_required_m: or_nan(table.need_quantity("npsh_required", &Want::HEAD)),
        condition: condition(table),
    };
    check_curve(table, "curve", &spec.curve);
    check_curve(table, "efficiency", &spec.efficiency);
    if !table.has("curve") {
        assumed.0.push("pump curve from the four-quadrant data through the rated point".to_owned());
    }
    spec
}

/// Points in rising flow, at least three, the first at zero flow.
fn check_curve(table: &Cursor<'_>, key: &str, points: &[(f64, f64)]) {
    if points.is_empty() {
        return;
    }
    let rising = points.windows(2).all(|pair| pair[1].0 > pair[0].0);
    if points.len() < 3 || !rising || points[0].0 > 0.0 {
        let found = format!(
            "{} points from {} m3/s, {}",
            points.len(),
            points[0].0,
            if rising { "rising" } else { "not rising" }
        );
        table.note(key, found, "at least three points in rising flow, the first at zero flow (shut-off)", None);
    }
}

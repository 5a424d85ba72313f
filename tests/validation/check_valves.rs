//! Valves by flow coefficient, check valves late by some time, flow meters.

use crate::harness::Sheet;
use ramprig::hydraulics::meters::{OrificePlate, Taps, Weighing, v_notch_m3_s};
use ramprig::hydraulics::rigid_column::Column;
use ramprig::hydraulics::valve::{av_m2, cv_us_gpm, kv_flow_m3_s, kv_loss_k};
use ramprig::hydraulics::wave_speed::{joukowsky_m, joukowsky_pa};

/// Kv values and flows are kept in m3/h, as the trade states them.
const PER_HOUR: f64 = 3600.0;
const KV_DENSITY_KG_M3: f64 = 1000.0;

#[test]
fn published_valves_check_valves_and_meters() {
    let mut sheet = Sheet::open("10_check_valves_meters", "check-valves-and-meters");
    coefficients(&mut sheet);
    late_check_valves(&mut sheet);
    meters(&mut sheet);
    sheet.finish(&[]);
}

fn coefficients(sheet: &mut Sheet) {
    for case in sheet.cases("kv-cv-") {
        let kv_m3_h = case.number("Kv");
        sheet.check(&case, "Cv", cv_us_gpm(kv_m3_h), "valve::cv_us_gpm");
        sheet.check(&case, "Av", av_m2(kv_m3_h), "valve::av_m2");
    }
    for case in sheet.cases("kv-k-") {
        sheet.check(&case, "K", kv_loss_k(case.number("Kv"), case.si("D")), "valve::kv_loss_k");
    }
    for case in sheet.cases("kv-q-") {
        let density_kg_m3 = KV_DENSITY_KG_M3 * case.si("SG");
        let flow_m3_s = kv_flow_m3_s(case.number("Kv"), case.si("dp"), density_kg_m3);
        sheet.check(&case, "Q", PER_HOUR * flow_m3_s, "valve::kv_flow_m3_s");
    }
}

fn late_check_valves(sheet: &mut Sheet) {
    for case in sheet.cases("slam-") {
        let (reverse_m_s, wave_m_s) = (case.si("V_reverse"), case.si("a"));
        sheet.check_si(&case, "dH", joukowsky_m(wave_m_s, reverse_m_s, case.si("g")), "wave_speed::joukowsky_m");
        sheet.check_si(&case, "dp", joukowsky_pa(case.si("rho"), wave_m_s, reverse_m_s), "wave_speed::joukowsky_pa");
    }
    for case in sheet.cases("decel-") {
        let column = Column {
            length_m: case.si("L"),
            head_m: case.si("H_static_against"),
            loss_k: case.si("f") * case.si("L") / case.si("D"),
            gravity_m_s2: case.si("g"),
        };
        let first_m_s = case.si("V0");
        sheet.check_si(&case, "dVdt_initial", column.deceleration_m_s2(first_m_s), "Column::deceleration_m_s2");
        sheet.check_si(&case, "dVdt_at_reversal", column.deceleration_m_s2(0.0), "Column::deceleration_m_s2");
        sheet.check_si(&case, "t_to_reversal", column.time_to_reversal_s(first_m_s), "Column::time_to_reversal_s");
        let reverse_m_s = column.reverse_velocity_m_s(case.si("t_delay"));
        sheet.check_si(&case, "V_reverse", reverse_m_s, "Column::reverse_velocity_m_s");
    }
}

fn meters(sheet: &mut Sheet) {
    for case in sheet.cases("orifice-") {
        let taps = match case.text("taps") {
            "corner" => Taps::Corner,
            "D" => Taps::BoreAndHalfBore,
            "flange" => Taps::Flange,
            other => panic!("taps {other}"),
        };
        let plate = OrificePlate { bore_m: case.si("D"), throat_m: case.si("d"), taps };
        let (flow_m3_s, density_kg_m3) = (case.si("Q"), case.si("rho"));
        let viscosity_m2_s = case.si("mu") / density_kg_m3;
        let reynolds = plate.reynolds(flow_m3_s, viscosity_m2_s);
        sheet.check(&case, "Re_D", reynolds, "OrificePlate::reynolds");
        sheet.check(&case, "C", plate.discharge_coefficient(reynolds), "OrificePlate::discharge_coefficient");
        let drop_pa = plate.differential_pa(flow_m3_s, density_kg_m3, viscosity_m2_s);
        sheet.check_si(&case, "dp", drop_pa, "OrificePlate::differential_pa");
    }
    for case in sheet.cases("vnotch-") {
        let flow = |coefficient| v_notch_m3_s(coefficient, case.si("angle"), case.si("h"), case.si("g"));
        sheet.check_si(&case, "Q_ideal", flow(1.0), "meters::v_notch_m3_s");
        sheet.check_si(&case, "Q_Cd_0.58", flow(0.58), "meters::v_notch_m3_s");
    }
    for case in sheet.cases("gravimetric-") {
        let weighing = Weighing {
            water_kg_m3: case.si("rho_water"),
            air_kg_m3: case.si("rho_air"),
            weights_kg_m3: case.si("rho_weights"),
        };
        sheet.check(&case, "buoyancy_factor", weighing.buoyancy_factor(), "Weighing::buoyancy_factor");
        let flow_m3_s = weighing.flow_m3_s(case.si("balance_reading"), case.si("t"));
        sheet.check_si(&case, "Q", flow_m3_s, "Weighing::flow_m3_s");
    }
}

//! Rigid columns: start-up, swings, surge shaft, air spring, pocket.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::rigid_column::{Column, GasSpring, PocketSlam, UTube, surge_period_s, surge_rise_m};

#[test]
fn published_rigid_columns() {
    let mut sheet = Sheet::open("05_rigid_column_air_filling", "rigid-column");
    start_up(&mut sheet);
    swings(&mut sheet);
    gas(&mut sheet);
    sheet.finish(&[("fill-", "checked by the filling tests"), ("priming-", "checked by the priming tests")]);
}

fn column(case: &Case, loss: &str) -> Column {
    Column {
        length_m: case.si("L"),
        head_m: case.si("H"),
        loss_k: case.si("f") * case.si("L") / case.si("D") + case.si(loss),
        gravity_m_s2: case.si("g"),
    }
}

fn start_up(sheet: &mut Sheet) {
    for case in sheet.cases("startup-") {
        let column = column(&case, "sumK_incl_exit");
        let last_m_s = column.final_velocity_m_s();
        sheet.check_si(&case, "V_final", last_m_s, "Column::final_velocity_m_s");
        sheet.check_si(&case, "dVdt_initial", column.first_acceleration_m_s2(), "Column::first_acceleration_m_s2");
        for (name, share) in [("t50", 0.5), ("t90", 0.9), ("t99", 0.99)] {
            sheet.check_si(&case, name, column.time_between_s(0.0, share * last_m_s), "Column::time_between_s");
        }
    }
    // Potter, Wiggert and Ramadan, Mechanics of Fluids, example 11.1: from memory.
    let case = sheet.case("potter-wiggert-11-1");
    let example = column(&case, "K");
    let last_m_s = example.final_velocity_m_s();
    sheet.check_si(&case, "V_ss", last_m_s, "Column::final_velocity_m_s");
    let time_s = example.time_between_s(case.si("V0"), case.si("ratio") * last_m_s);
    sheet.check_si(&case, "t75", time_s, "Column::time_between_s");
    let case = sheet.case("sudden-valve-opening-4.67");
    let opened = Column {
        length_m: case.si("L"),
        head_m: case.si("H"),
        loss_k: 1.0 + 4.0 * case.si("f_fanning") * case.si("L") / case.si("D"),
        gravity_m_s2: case.si("g"),
    };
    sheet.check_si(&case, "V_final", opened.final_velocity_m_s(), "Column::final_velocity_m_s");
}

fn tube(case: &Case, length: &str, bore_m: f64) -> UTube {
    UTube { length_m: case.si(length), bore_m, gravity_m_s2: case.si("g") }
}

fn swings(sheet: &mut Sheet) {
    for key in ["utube-0", "utube-1", "utube-3", "utube-4"] {
        let case = sheet.case(key);
        let tube = tube(&case, "L_liquid", 0.05);
        sheet.check_si(&case, "T", tube.period_s(), "UTube::period_s");
        let fastest_m_s = tube.largest_velocity_m_s(case.si("amplitude"));
        sheet.check_si(&case, "v_max", fastest_m_s, "UTube::largest_velocity_m_s");
    }
    for case in sheet.cases("utube-laminar-") {
        let swing = tube(&case, "L", case.si("D")).laminar(case.si("nu")).unwrap();
        sheet.check_si(&case, "period_damped", swing.period_s, "UTube::laminar");
        sheet.check(&case, "log_decrement", swing.log_decrement, "UTube::laminar");
        sheet.check_si(&case, "z_after_one_period", swing.height_after_period_m(case.si("z0")), "DampedSwing");
    }
    for case in sheet.cases("utube-turbulent-") {
        let swing = tube(&case, "L", case.si("D")).turbulent(case.si("f"), case.si("z0")).unwrap();
        sheet.check_si(&case, "next_extreme_magnitude", swing.next_extreme_m, "UTube::turbulent");
        sheet.check_si(&case, "half_period", swing.half_period_s, "UTube::turbulent");
    }
    for case in sheet.cases("surge-shaft-") {
        let (length_m, line_m2, shaft_m2, g) = (case.si("L"), case.si("A_pipe"), case.si("A_shaft"), case.si("g"));
        let period_s = surge_period_s(length_m, line_m2, shaft_m2, g);
        sheet.check_si(&case, "T", period_s, "rigid_column::surge_period_s");
        let rise_m = surge_rise_m(case.si("V0"), length_m, line_m2, shaft_m2, g);
        sheet.check_si(&case, "z_max_frictionless", rise_m, "rigid_column::surge_rise_m");
    }
}

fn gas(sheet: &mut Sheet) {
    for case in sheet.cases("air-pocket-") {
        let spring = GasSpring {
            absolute_pa: case.si("p_abs"),
            volume_m3: case.si("V_air"),
            exponent: case.si("n"),
            length_m: case.si("L"),
            area_m2: case.si("A"),
            density_kg_m3: case.si("rho"),
        };
        sheet.check_si(&case, "f", spring.frequency_hz(), "GasSpring::frequency_hz");
        sheet.check_si(&case, "T", spring.period_s(), "GasSpring::period_s");
    }
    for case in sheet.cases("pocket-slam-") {
        let slam = PocketSlam {
            driving_abs_pa: case.si("p_reservoir_abs"),
            gas_abs_pa: case.si("p_air0_abs"),
            column_m: case.si("L_column0"),
            pocket_m: case.si("L_pocket0"),
            bore_m: case.si("D"),
            darcy_f: case.si("f"),
            exponent: case.si("n"),
            density_kg_m3: case.si("rho"),
        };
        let peak = slam.peak().unwrap();
        sheet.check_si(&case, "p_peak_abs", peak.absolute_pa, "PocketSlam::peak");
        sheet.check_si(&case, "t_peak", peak.time_s, "PocketSlam::peak");
        sheet.check_si(&case, "x_peak", peak.travel_m, "PocketSlam::peak");
    }
}

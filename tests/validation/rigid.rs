//! Rigid columns: start-up, swings, surge shaft, air spring, pocket.

use crate::harness::{Case, Sheet};
use crate::hydraulics::bed::{chain, exact_grid, liquid, pipe, tank};
use ramprig::hydraulics::plant::{LinesAtStart, Plant};
use ramprig::hydraulics::pump::Pump;
use ramprig::hydraulics::rigid_column::{Column, GasSpring, PocketSlam, UTube, surge_period_s, surge_rise_m};
use ramprig::hydraulics::shaft::FixedSpeed;
use ramprig::hydraulics::spec::{ElementKind, LiquidSpec, OrificeSpec, PumpSpec, ShaftSpec, Terminal, ValveSpec};

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
        pocket_in_a_line(sheet, &case);
    }
}

/// The same through the plant: a pump on a sump holds the pressure of the reservoir against a shut valve, which then opens all
/// at once on a line that is empty behind its first metres and shut at its end.
fn pocket_in_a_line(sheet: &mut Sheet, case: &Case) {
    /// First order in the step: it is short, s for a metre of pocket.
    const STEP_S_M: f64 = 2.5e-6;
    const SPEED_RAD_S: f64 = 100.0;
    /// So large that what runs changes nothing of its head, m3/s.
    const RATED_M3_S: f64 = 1.0e2;
    /// Rise of the line, which has the water's level where the pocket begins: as good as none.
    const SLOPE: f64 = 1.0e-7;
    const VALVE: usize = 2;
    const LINE: usize = 3;
    let (column_m, pocket_m, bore_m) = (case.si("L_column0"), case.si("L_pocket0"), case.si("D"));
    let atmosphere_pa = case.si("p_air0_abs");
    let liquid = LiquidSpec { atmosphere_pa, ..liquid(case.si("rho"), 9.806_65) };
    let pump = |rated_head_m: f64| PumpSpec {
        rated_speed_rad_s: SPEED_RAD_S,
        rated_flow_m3_s: RATED_M3_S,
        rated_head_m,
        rated_efficiency: 0.8,
        curve: vec![],
        efficiency: vec![],
        npsh_required_m: 0.0,
        condition: Default::default(),
    };
    let of_one_metre = Pump::new("pump", &pump(1.0), liquid.density_kg_m3, liquid.gravity_m_s2).unwrap();
    let head_m = (case.si("p_reservoir_abs") - atmosphere_pa) / (liquid.density_kg_m3 * liquid.gravity_m_s2);
    let rated_head_m = head_m / of_one_metre.at(0.0, SPEED_RAD_S).head_m;
    let entry = OrificeSpec { bore_m, discharge_coefficient: 1.0 };
    let wide = ValveSpec { kv_open_m3_h: 1.0e6, curve: vec![], opening: 0.0 };
    let (length_m, dt_s) = (column_m + pocket_m, STEP_S_M * pocket_m);
    let line = pipe(length_m, bore_m, length_m / (4.0 * dt_s), case.si("f"));
    let mut network = chain(
        liquid,
        vec![tank(0.0), Terminal::None, Terminal::None, Terminal::None, Terminal::None],
        vec![
            ElementKind::Pump(pump(rated_head_m)),
            ElementKind::Orifice(entry),
            ElementKind::Valve(wide),
            ElementKind::Pipe(line),
        ],
    );
    network.nodes[LINE].elevation_m = -SLOPE * column_m;
    network.nodes[LINE + 1].elevation_m = SLOPE * pocket_m;
    let lines = LinesAtStart { discharge_drained: true, suction_drained: false, self_priming: None };
    let drive = FixedSpeed { speed_rad_s: SPEED_RAD_S, stiffness_n_m_s: 1.0e9 };
    let shaft = ShaftSpec { inertia_kg_m2: 1.0e3, friction_n_m: 0.0 };
    let mut plant = Plant::with_lines(&network, &shaft, drive, &exact_grid(dt_s), &lines).unwrap();
    plant.set_air_exponent(case.si("n"));
    for _ in 0..2_000 {
        plant.advance().unwrap();
    }
    plant.set_opening(VALVE, 1.0).unwrap();
    let (begun_s, first_m) = (plant.time_s(), plant.wet_length_m(LINE).unwrap());
    let mut peak = (0.0, 0.0, 0.0);
    loop {
        plant.advance().unwrap();
        let (_, gauge_pa) = plant.air_shut_in().unwrap();
        if gauge_pa < peak.0 {
            break;
        }
        peak = (gauge_pa, plant.time_s() - begun_s, plant.wet_length_m(LINE).unwrap() - first_m);
    }
    sheet.check_si(case, "p_peak_abs", peak.0 + atmosphere_pa, "Plant::air_shut_in");
    sheet.check_si(case, "t_peak", peak.1, "Plant::time_s");
    sheet.check_si(case, "x_peak", peak.2, "Plant::wet_length_m");
}

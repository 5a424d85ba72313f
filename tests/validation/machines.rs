//! Water, friction, wave speed and pump figures against published and independently computed values.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::friction::{self, PipeFriction};
use ramprig::hydraulics::pump_figures::{self, SuctionHeads};
use ramprig::hydraulics::spec::LiquidSpec;
use ramprig::hydraulics::water::{self, Site, ZERO_CELSIUS_K};
use ramprig::hydraulics::water_state;
use ramprig::hydraulics::wave_speed::{self, FreeGas, Restraint, UpstreamAnchorForm, Wall, WallTheory, WaveLiquid};

#[test]
fn published_iapws_and_iso_2533_water_and_air() {
    let mut sheet = Sheet::open("01_water_air", "machines-water");
    for case in sheet.cases("if97-psat-") {
        sheet.check_si(&case, "p_sat", water::vapour_pressure_pa(case.si("T")), "water::vapour_pressure_pa");
    }
    for case in sheet.cases("if97-tsat-") {
        sheet.check_si(&case, "T_sat", water::boiling_temperature_k(case.si("p")), "water::boiling_temperature_k");
    }
    for case in sheet.cases("visc-") {
        let mu = water::dynamic_viscosity_pa_s(case.si("T"), case.si("rho"));
        if case.id == "visc-T433.15-rho1" {
            // Half the last printed digit is 3.4e-8 of the value; the case asks for 1e-8.
            sheet.check_as_printed(&case, "mu", mu, 8, "water::dynamic_viscosity_pa_s");
        } else {
            sheet.check_si(&case, "mu", mu, "water::dynamic_viscosity_pa_s");
        }
    }
    for case in sheet.cases("surface-tension-") {
        let sigma = water::surface_tension_n_m(case.si("T") + ZERO_CELSIUS_K);
        sheet.check_si(&case, "sigma", sigma, "water::surface_tension_n_m");
    }
    for case in sheet.cases("water-1atm-") {
        water_at_one_atmosphere(&mut sheet, &case);
    }
    under_pressure(&mut sheet);
    standard_atmosphere(&mut sheet);
    sheet.finish(&[]);
}

fn water_at_one_atmosphere(sheet: &mut Sheet, case: &Case) {
    let t = case.si("T");
    let liquid = water::liquid(t, Site::BarometerPa(case.si("p"))).unwrap();
    sheet.check_si(case, "rho", liquid.density_kg_m3, "water::liquid");
    sheet.check_si(case, "nu", liquid.viscosity_m2_s, "water::liquid");
    sheet.check_si(case, "p_vap", liquid.vapour_pa, "water::liquid");
    sheet.check_si(case, "bulk_modulus_isentropic", liquid.bulk_modulus_pa, "water::liquid");
    sheet.check_si(case, "speed_of_sound", water::speed_of_sound_m_s(t), "water::speed_of_sound_m_s");
    let mu = water::dynamic_viscosity_pa_s(t + ZERO_CELSIUS_K, liquid.density_kg_m3);
    sheet.check_si(case, "mu", mu, "water::dynamic_viscosity_pa_s");
}

fn under_pressure(sheet: &mut Sheet) {
    for case in sheet.cases("if97-r1-") {
        let state = water_state::region_1(case.si("p"), case.si("T"));
        sheet.check_si(&case, "v", state.volume_m3_kg, "water_state::region_1");
        sheet.check_si(&case, "h", state.enthalpy_j_kg, "water_state::region_1");
        sheet.check_si(&case, "u", state.energy_j_kg, "water_state::region_1");
        sheet.check_si(&case, "s", state.entropy_j_kg_k, "water_state::region_1");
        sheet.check_si(&case, "cp", state.heat_capacity_j_kg_k, "water_state::region_1");
        sheet.check_si(&case, "w", state.speed_of_sound_m_s, "water_state::region_1");
    }
    for case in sheet.cases("iapws95-") {
        let state = water_state::helmholtz(case.si("rho"), case.si("T"));
        sheet.check_si(&case, "p", state.pressure_pa, "water_state::helmholtz");
        sheet.check_si(&case, "cv", state.isochoric_heat_capacity_j_kg_k, "water_state::helmholtz");
        sheet.check_si(&case, "w", state.speed_of_sound_m_s, "water_state::helmholtz");
        sheet.check_si(&case, "s", state.entropy_j_kg_k, "water_state::helmholtz");
    }
}

fn standard_atmosphere(sheet: &mut Sheet) {
    for case in sheet.cases("isa-p-geopotential-") {
        let air = water::atmosphere(case.si("H_geopotential"));
        sheet.check_si(&case, "p", air.pressure_pa, "water::atmosphere");
        sheet.check_si(&case, "T", air.temperature_k, "water::atmosphere");
        sheet.check_si(&case, "rho", air.density_kg_m3, "water::atmosphere");
    }
    for case in sheet.cases("isa-p-geometric-") {
        let air = water::atmosphere(water::geopotential_m(case.si("Z_geometric")));
        sheet.check_si(&case, "p", air.pressure_pa, "water::atmosphere(geopotential_m)");
        sheet.check_si(&case, "T", air.temperature_k, "water::atmosphere(geopotential_m)");
    }
    for case in sheet.cases("baro-head-") {
        let liquid = site_water(&case, "H_geopotential");
        sheet.check_si(&case, "head", water::barometric_head_m(&liquid), "water::barometric_head_m");
    }
}

/// Water of a case at a geopotential altitude, through the barometer.
fn site_water(case: &Case, altitude: &str) -> LiquidSpec {
    let pressure_pa = water::atmosphere(case.si(altitude)).pressure_pa;
    water::liquid(case.si("T"), Site::BarometerPa(pressure_pa)).unwrap()
}

#[test]
fn published_fluids_friction_factors_and_losses() {
    let mut sheet = Sheet::open("02_pipe_friction", "machines-friction");
    for case in sheet.cases("f-Re") {
        turbulent_factors(&mut sheet, &case);
    }
    for case in sheet.cases("f-lam-") {
        let re = case.si("Re");
        sheet.check(&case, "f", friction::laminar_f(re), "friction::laminar_f");
        let churchill = friction::churchill_f(re, case.si("eps_over_D"));
        sheet.check(&case, "f_churchill1977", churchill, "friction::churchill_f");
    }
    for case in sheet.cases("f-trans-") {
        let f = friction::churchill_f(case.si("Re"), case.si("eps_over_D"));
        sheet.check(&case, "f_churchill1977", f, "friction::churchill_f");
    }
    for case in sheet.cases("f-blasius-") {
        sheet.check(&case, "f", friction::blasius_f(case.si("Re")), "friction::blasius_f");
    }
    darcy_weisbach(&mut sheet);
    other_losses(&mut sheet);
    sheet.finish(&[]);
}

fn turbulent_factors(sheet: &mut Sheet, case: &Case) {
    let (re, rough) = (case.si("Re"), case.si("eps_over_D"));
    sheet.check(case, "f_colebrook", friction::darcy_f(re, rough), "friction::darcy_f");
    sheet.check(case, "f_haaland", friction::haaland_f(re, rough), "friction::haaland_f");
    sheet.check(case, "f_churchill1977", friction::churchill_f(re, rough), "friction::churchill_f");
    if case.expected.iter().any(|e| e.name == "f_swamee_jain") {
        sheet.check(case, "f_swamee_jain", friction::swamee_jain_f(re, rough), "friction::swamee_jain_f");
    }
}

fn darcy_weisbach(sheet: &mut Sheet) {
    // White, Fluid Mechanics: the example's figures are from memory.
    let case = sheet.case("moody-white-6in-asphalted-ci");
    let pipe = PipeFriction {
        bore_m: case.si("D"),
        roughness_m: case.si("eps"),
        viscosity_m2_s: case.si("nu"),
        gravity_m_s2: case.si("g"),
    };
    sheet.check(&case, "f", pipe.darcy_f(case.si("V")), "friction::PipeFriction::darcy_f");
    let loss = friction::friction_slope(&pipe, case.si("V")) * case.si("L");
    sheet.check_si(&case, "h_f", loss, "friction::friction_slope");
    for case in sheet.cases("dw-") {
        let pipe = PipeFriction {
            bore_m: case.si("D"),
            roughness_m: case.si("eps"),
            viscosity_m2_s: case.si("mu") / case.si("rho"),
            gravity_m_s2: case.si("g"),
        };
        let v = friction::velocity_m_s(case.si("Q"), pipe.bore_m);
        sheet.check_si(&case, "V", v, "friction::velocity_m_s");
        sheet.check(&case, "Re", pipe.reynolds(v), "friction::PipeFriction::reynolds");
        sheet.check(&case, "f_colebrook", pipe.darcy_f(v), "friction::PipeFriction::darcy_f");
        let loss = friction::friction_slope(&pipe, v) * case.si("L");
        sheet.check_si(&case, "h_friction", loss, "friction::friction_slope");
        let minor = friction::minor_loss_m(case.si("sumK"), v, pipe.gravity_m_s2);
        sheet.check_si(&case, "h_minor", minor, "friction::minor_loss_m");
    }
}

fn other_losses(sheet: &mut Sheet) {
    for case in sheet.cases("hw-") {
        let loss = friction::hazen_williams_loss_m(case.si("C"), case.si("D"), case.si("L"), case.si("Q"));
        sheet.check_si(&case, "h_f", loss, "friction::hazen_williams_loss_m");
    }
    for case in sheet.cases("borda-") {
        let k = friction::sudden_expansion_k(case.si("D1"), case.si("D2"));
        sheet.check(&case, "K", k, "friction::sudden_expansion_k");
    }
}

#[test]
fn published_wylie_streeter_wave_speeds_and_joukowsky() {
    let mut sheet = Sheet::open("03_wave_speed_joukowsky", "machines-waves");
    for case in sheet.cases("a-").into_iter().filter(|case| !case.id.starts_with("a-gas-")) {
        thin_and_thick(&mut sheet, &case);
    }
    for case in sheet.cases("a-gas-") {
        with_gas(&mut sheet, &case);
    }
    for case in sheet.cases("lab-copper-") {
        let compliance = wall(&case, case.si("D_inner"), case.si("e"), WallTheory::Thick).compliance_per_pa();
        sheet.check_si(
            &case,
            "a",
            wave_speed::wave_speed_m_s(&liquid(&case, "rho"), compliance),
            "wave_speed::wave_speed_m_s",
        );
    }
    for case in sheet.cases("di-") {
        let thickness_m = case.si("t");
        let wall = plain_wall(&case, case.si("OD") - 2.0 * thickness_m, thickness_m);
        let a = wave_speed::wave_speed_m_s(&liquid(&case, "rho"), wall.compliance_per_pa());
        sheet.check_si(&case, "a", a, "wave_speed::wave_speed_m_s");
    }
    worked_examples(&mut sheet);
    joukowsky_and_junctions(&mut sheet);
    sheet.finish(&[]);
}

fn liquid(case: &Case, density: &str) -> WaveLiquid {
    WaveLiquid { density_kg_m3: case.si(density), bulk_modulus_pa: case.si("K") }
}

fn wall(case: &Case, bore_m: f64, thickness_m: f64, theory: WallTheory) -> Wall {
    let restraint = match case.text("support") {
        "a_upstream_anchor_only" => Restraint::UpstreamAnchor(UpstreamAnchorForm::Newer),
        "b_anchored_throughout" => Restraint::AnchoredThroughout,
        "c_expansion_joints" => Restraint::ExpansionJoints,
        other => panic!("support `{other}`"),
    };
    Wall { bore_m, thickness_m, modulus_pa: case.si("E"), poisson: case.si("nu"), restraint, theory }
}

/// A thin wall with c1 = 1, as the cases that give c1 have it.
fn plain_wall(case: &Case, bore_m: f64, thickness_m: f64) -> Wall {
    assert!((case.si("c1") - 1.0).abs() < f64::EPSILON, "case {}: c1 is not 1", case.id);
    Wall {
        bore_m,
        thickness_m,
        modulus_pa: case.si("E"),
        poisson: 0.0,
        restraint: Restraint::ExpansionJoints,
        theory: WallTheory::Thin,
    }
}

fn thin_and_thick(sheet: &mut Sheet, case: &Case) {
    for (theory, factor, speed) in [(WallTheory::Thin, "c1_thin", "a_thin"), (WallTheory::Thick, "c1_thick", "a_thick")]
    {
        let wall = wall(case, case.si("D_inner"), case.si("e"), theory);
        sheet.check(case, factor, wall.factor(), "wave_speed::Wall::factor");
        let a = wave_speed::wave_speed_m_s(&liquid(case, "rho"), wall.compliance_per_pa());
        sheet.check_si(case, speed, a, "wave_speed::wave_speed_m_s");
    }
}

fn with_gas(sheet: &mut Sheet, case: &Case) {
    let gas = FreeGas { share: case.si("alpha"), pressure_pa: case.si("p_abs"), temperature_k: case.si("T") };
    let compliance = plain_wall(case, case.si("D"), case.si("e")).compliance_per_pa();
    let a = wave_speed::wave_speed_with_gas_m_s(&liquid(case, "rho_l"), compliance, &gas);
    sheet.check_si(case, "a", a, "wave_speed::wave_speed_with_gas_m_s");
}

fn worked_examples(sheet: &mut Sheet) {
    // Chaudhry, Applied Hydraulic Transients, example 1-1: from memory.
    let case = sheet.case("chaudhry-ex1-1-oil");
    let a = wave_speed::wave_speed_m_s(&liquid(&case, "rho"), 0.0);
    let v = friction::velocity_m_s(case.si("Q"), case.si("D"));
    sheet.check_si(&case, "a", a, "wave_speed::wave_speed_m_s");
    sheet.check_si(&case, "dH", wave_speed::joukowsky_m(a, v, case.si("g")), "wave_speed::joukowsky_m");
    sheet.check_si(&case, "dp", wave_speed::joukowsky_pa(case.si("rho"), a, v), "wave_speed::joukowsky_pa");
    let case = sheet.case("pvc-0.3m-20mm-2.5ms");
    let compliance = plain_wall(&case, case.si("D"), case.si("e")).compliance_per_pa();
    let a = wave_speed::wave_speed_from_free_m_s(case.si("c0"), case.si("K"), compliance);
    sheet.check_si(&case, "a", a, "wave_speed::wave_speed_from_free_m_s");
    sheet.check_si(&case, "dH", wave_speed::joukowsky_m(a, case.si("V"), case.si("g")), "wave_speed::joukowsky_m");
    sheet.check_si(&case, "2L/a_for_L100", wave_speed::reflection_time_s(100.0, a), "wave_speed::reflection_time_s");
}

fn joukowsky_and_junctions(sheet: &mut Sheet) {
    for case in sheet.cases("joukowsky-") {
        let (a, dv, length) = (case.si("a"), case.si("dV"), case.si("L"));
        sheet.check_si(&case, "dp", wave_speed::joukowsky_pa(case.si("rho"), a, dv), "wave_speed::joukowsky_pa");
        sheet.check_si(&case, "dH", wave_speed::joukowsky_m(a, dv, case.si("g")), "wave_speed::joukowsky_m");
        sheet.check_si(&case, "T_2L_a", wave_speed::reflection_time_s(length, a), "wave_speed::reflection_time_s");
        sheet.check_si(&case, "T_4L_a", wave_speed::pipe_period_s(length, a), "wave_speed::pipe_period_s");
    }
    for case in sheet.cases("junction-") {
        let pipes: Vec<(f64, f64)> = case.si_list("D").into_iter().zip(case.si_list("a")).collect();
        let through = wave_speed::junction_transmission(&pipes);
        sheet.check(&case, "s_transmitted", through, "wave_speed::junction_transmission");
        sheet.check(&case, "r_reflected", wave_speed::junction_reflection(&pipes), "wave_speed::junction_reflection");
    }
}

#[test]
fn published_pump_figures() {
    let mut sheet = Sheet::open("06_pump", "machines-pump");
    for case in sheet.cases("affinity-") {
        affinity(&mut sheet, &case);
    }
    for case in sheet.cases("ns-") {
        let figures = pump_figures::specific_speed(case.si("n"), case.si("Q"), case.si("H"));
        sheet.check(&case, "nq", figures.metric, "pump_figures::specific_speed");
        sheet.check(&case, "Ns_US", figures.us, "pump_figures::specific_speed");
        sheet.check(&case, "omega_s", figures.dimensionless, "pump_figures::specific_speed");
    }
    for case in sheet.cases("eff-") {
        let hydraulic = pump_figures::hydraulic_power_w(case.si("rho"), case.si("g"), case.si("Q"), case.si("H"));
        sheet.check_si(&case, "P_hyd", hydraulic, "pump_figures::hydraulic_power_w");
        let eta = pump_figures::efficiency(hydraulic, case.si("P_shaft")).unwrap();
        sheet.check(&case, "eta", eta, "pump_figures::efficiency");
    }
    suction(&mut sheet);
    inertia(&mut sheet);
    sheet.finish(&[("suter-", "four-quadrant data are checked beside the solver")]);
}

fn affinity(sheet: &mut Sheet, case: &Case) {
    let duty = pump_figures::Duty { flow_m3_s: case.si("Q1"), head_m: case.si("H1"), power_w: case.si("P1") };
    let new = pump_figures::affinity(&duty, case.si("n2") / case.si("n1"));
    sheet.check_si(case, "Q2", new.flow_m3_s, "pump_figures::affinity");
    sheet.check_si(case, "H2", new.head_m, "pump_figures::affinity");
    sheet.check_si(case, "P2", new.power_w, "pump_figures::affinity");
}

fn suction(sheet: &mut Sheet) {
    let case = sheet.case("npsha-7000ft-lift8");
    let heads = SuctionHeads {
        atmosphere_m: case.si("Ha_7000ft"),
        vapour_m: case.si("Hvp_50F"),
        static_m: case.si("Hs"),
        losses_m: case.si("Hf"),
        allowance_m: case.si("Hi"),
    };
    sheet.check_si(&case, "NPSHA", pump_figures::npsh_available_m(&heads), "pump_figures::npsh_available_m");
    let case = sheet.case("npsha-lift10-sea-level");
    let heads = SuctionHeads {
        atmosphere_m: case.si("Ha"),
        vapour_m: case.si("Hvp_68F"),
        static_m: -case.si("lift"),
        losses_m: case.si("hf"),
        allowance_m: 0.0,
    };
    sheet.check_si(&case, "NPSHA", pump_figures::npsh_available_m(&heads), "pump_figures::npsh_available_m");
    for case in sheet.cases("npsha-si-") {
        let water = site_water(&case, "altitude_geopotential");
        let npsh = pump_figures::npsh_available_open_m(&water, -case.si("lift"), case.si("h_f"));
        sheet.check_si(&case, "NPSHA", npsh, "pump_figures::npsh_available_open_m");
    }
    for case in sheet.cases("max-lift-") {
        let water = site_water(&case, "altitude");
        let lift = pump_figures::suction_lift_max_m(&water, case.si("NPSHR"), case.si("h_f"), case.si("margin"));
        sheet.check_si(&case, "lift_max", lift, "pump_figures::suction_lift_max_m");
    }
}

fn inertia(sheet: &mut Sheet) {
    for case in sheet.cases("inertia-") {
        let (power, speed) = (case.si("P"), case.si("N"));
        let pump = pump_figures::pump_inertia_kg_m2(power, speed);
        sheet.check_si(&case, "I_pump", pump, "pump_figures::pump_inertia_kg_m2");
        let motor = pump_figures::motor_inertia_kg_m2(power, speed);
        sheet.check_si(&case, "I_motor", motor, "pump_figures::motor_inertia_kg_m2");
    }
    for case in sheet.cases("nema-wk2-") {
        let rotor = pump_figures::rotor_inertia_kg_m2(case.si("hp"), case.si("poles") as u32);
        sheet.check_si(&case, "Wk2", rotor, "pump_figures::rotor_inertia_kg_m2");
        sheet.check_si(&case, "J", rotor, "pump_figures::rotor_inertia_kg_m2");
    }
}

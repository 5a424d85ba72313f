//! The rig description: shipped bench, checks, derived figures, `init`.

use ramprig::hydraulics::spec::ElementKind;
use ramprig::rig::register_map::{RegisterMap, Role};
use ramprig::rig::{self, InitAnswers};
use ramprig::units::display::System;
use std::path::Path;

fn bench() -> rig::model::Rig {
    let text = rig::shipped("terrace-bench").unwrap();
    rig::parse(text, "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn accepts_the_shipped_bench_from_its_folder_and_from_the_program() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/terrace-bench.toml");
    let loaded = rig::load(&path).unwrap_or_else(|problems| panic!("{problems}"));
    let built_in = bench();
    assert_eq!(loaded.text_sha256, built_in.text_sha256);
    assert_eq!(loaded.id, "terrace-bench");
    assert!(loaded.invented);
    assert_eq!(loaded.channels.len(), 8);
    assert_eq!(loaded.starters.len(), 3);
    assert_eq!(loaded.channels[loaded.headline].id.0, "p_discharge");
    assert_eq!(loaded.ratings.len(), loaded.network.elements.len());
}

/// Relative error, printed with its source when too large.
fn assert_close(what: &str, got: f64, expected: f64, tolerance: f64, source: &str) {
    let error = (got / expected - 1.0).abs();
    assert!(
        error <= tolerance,
        "{what}: expected {expected} got {got} error {error:.2e} tolerance {tolerance:.0e} ({source})"
    );
}

#[test]
fn agrees_with_hand_arithmetic_on_the_bench() {
    let rig = bench();
    let derived = rig::derive(&rig);
    let hose = derived.pipes.iter().find(|pipe| pipe.id == "hose").unwrap();
    // a = 1/sqrt(rho (1/K + 2 s/p)), s = 1.2 %, p = 4 bar, water at 15 degC: 999.1 kg/m3, 2.147 GPa.
    let wave_speed = 1.0 / (999.1 * (1.0 / 2.147e9 + 2.0 * 0.012 / 4e5_f64)).sqrt();
    assert_close("hose wave speed, m/s", hose.wave_speed_m_s, wave_speed, 1e-3, "Korteweg 1878");
    assert_close("hose 2L/a, s", hose.reflection_time_s, 80.0 / wave_speed, 1e-3, "2L/a");
    let figures = &derived.line_ups[0];
    assert_close("static head, m", figures.static_head_m.unwrap(), 9.0, 1e-12, "9.0 m less 0.0 m");
    assert_close("suction lift, m", figures.suction_lift_m.unwrap(), 2.5, 1e-12, "2.5 m less 0.0 m");
    // Synchronous 1500 rpm over rated 1440 rpm, by the square, on 21 m.
    let shut_off_m = 21.0 * (1500.0_f64 / 1440.0).powi(2);
    assert_close("shut-off head, m", derived.shut_off_head_m, shut_off_m, 1e-12, "affinity law");
    let riser = derived.strength.iter().find(|figure| figure.element == "riser").unwrap();
    let expected = (shut_off_m - 2.5) * 999.1 * 9.80665;
    assert_close("shut-off pressure of the riser, Pa", riser.pressure_gauge_pa, expected, 1e-4, "hydrostatics");
    assert_eq!(derived.weakest.as_ref().unwrap().element, "pump");
    // A dead neighbour, a dead connection, a new one, the answer: 250 ms each.
    assert_eq!(derived.links[0].worst_stop_delay_s, 1.0);
    let splash =
        "the pump is not as new: a return that splashes beside the suction inlet brings up to 7.0 % of free air";
    assert_eq!(derived.notices[0], splash);
    let unsaid =
        |starter: &str| derived.notices.iter().filter(|line| line.starts_with(&format!("starter {starter}:"))).count();
    // Of the contactor and the soft starter no restart setting can be read; of soft starter and drive no line contactor.
    assert_eq!(["contactor", "soft", "drive"].map(unsaid), [1, 2, 1], "{:#?}", derived.notices);
    let duty = "motor: 40 starts an hour declared, NEMA MG 10-2001 table 2-3 allows 13.9 to a motor of 4.0 kW and 4 poles with \
                as much inertia as it names; the maker's own figure stands above the table";
    assert!(derived.notices.iter().any(|line| line == duty), "{:#?}", derived.notices);
}

#[test]
fn runs_the_bench_near_its_rated_point() {
    let figures = rig::derive(&bench()).line_ups.remove(0);
    assert_eq!(figures.not_running, None);
    let duty = figures.duty.unwrap();
    let flow_m3_h = duty.flow_m3_s * 3600.0;
    assert!((22.0..32.0).contains(&flow_m3_h), "flow {flow_m3_h} m3/h, rated 27");
    assert!(duty.speed_rad_s > 150.8 && duty.speed_rad_s < 157.1, "speed {} rad/s", duty.speed_rad_s);
    assert!(duty.npsh_available_m > duty.npsh_required_m + 1.0, "NPSH {} m", duty.npsh_available_m);
    assert!(duty.current_a > 4.0 && duty.current_a < 8.4, "current {} A of 8.4 A", duty.current_a);
    let accelerated_s = figures.acceleration_across_the_line_s.unwrap();
    assert!((0.05..0.6).contains(&accelerated_s), "acceleration {accelerated_s} s: a few tenths of a second");
}

#[test]
fn law_energy_of_the_water_equals_the_head_gained() {
    // At the running point the head of the pump is static head and losses; the channel at the foot of the riser stands
    // between suction level + pump head (less suction and check valve losses) and the static level.
    let rig = bench();
    let derived = rig::derive(&rig);
    let duty = derived.line_ups[0].duty.as_ref().unwrap();
    let weight = derived.liquid.density_kg_m3 * derived.liquid.gravity_m_s2;
    let foot = duty.channels.iter().find(|channel| channel.id == "p_discharge").unwrap();
    let head_m = foot.running_gauge_pa / weight + 2.5;
    assert!(head_m < duty.head_m && head_m > 9.0, "head at the riser's foot {head_m} m, pump head {} m", duty.head_m);
    let resting_m = foot.resting_gauge_pa / weight + 2.5;
    assert_close("head at rest, m", resting_m, 9.0, 1e-9, "terrace level behind a shut check valve");
}

#[test]
fn keeps_the_keys_of_its_json() {
    let derived = rig::derive(&bench());
    let json: serde_json::Value = serde_json::from_str(&rig::check_report::json(&derived).unwrap()).unwrap();
    let keys = |value: &serde_json::Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>().join(" ");
    assert_eq!(
        keys(&json),
        "assumptions chains delivery_reflection_time_s invented line_ups links liquid motor name notices pipes rig shut_off_head_m \
         starters strength temperature_c top_speed_rad_s weakest"
    );
    assert_eq!(keys(&json["pipes"][0]), "bore_m id length_m reflection_time_s wave_speed_m_s wave_speeds_by_pressure");
    assert_eq!(
        keys(&json["line_ups"][0]),
        "acceleration_across_the_line_s duty line_up no_useful_speed not_running priming static_head_m suction_lift_m useful_speeds"
    );
    assert_eq!(
        keys(&json["line_ups"][0]["duty"]),
        "channels current_a flow_m3_s head_m npsh_available_m npsh_required_m other_pumps shaft_power_w speed_rad_s"
    );
    assert_eq!(keys(&json["weakest"]), "element pressure_gauge_pa rated_gauge_pa");
    assert_eq!(keys(&json["links"][0]), "id registers_a_poll stop_delay_budget_s worst_stop_delay_s");
    assert!(json["line_ups"][0]["duty"]["flow_m3_s"].as_f64().unwrap() > 0.0);
}

#[test]
fn shows_the_same_figures_in_both_systems() {
    let derived = rig::derive(&bench());
    let si = rig::check_report::text(&derived, System::Si);
    let us = rig::check_report::text(&derived, System::Us);
    assert!(si.contains("static head                     9.000 m"), "{si}");
    assert!(us.contains("static head                     29.53 ft"), "{us}");
    assert!(si.contains("INVENTED") && us.contains("psig") && us.contains("gpm"), "{us}");
    assert_eq!(si.lines().count(), us.lines().count());
}

#[test]
fn builds_a_plant_with_the_valves_of_a_line_up() {
    let text = rig::shipped("terrace-bench").unwrap().replacen(
        "[[line_up]]",
        "[[line_up]]\nid = \"throttled\"\nset = { throttle = 0.4 }\nclosed = [\"fill_valve\", \"return_valve\"]\n\n[[line_up]]",
        1,
    );
    let rig = rig::parse(&text, "two.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let opening = |line_up: usize| {
        let (network, _, starters) = rig.plant_parts(line_up);
        assert_eq!(starters.len(), 3);
        network.elements.iter().find_map(|element| match &element.kind {
            ElementKind::Valve(valve) => Some(valve.opening),
            _ => None,
        })
    };
    assert_eq!((opening(0), opening(1), opening(9)), (Some(0.4), Some(1.0), Some(0.4)));
    assert_eq!(rig.line_up_index("terrace"), Some(1));
    let derived = rig::derive(&rig);
    let flow = |line_up: usize| derived.line_ups[line_up].duty.as_ref().unwrap().flow_m3_s;
    assert!(flow(0) < flow(1), "throttled {} m3/s, open {} m3/s", flow(0), flow(1));
}

#[test]
fn uses_most_of_the_converter_for_every_channel() {
    for channel in &bench().channels {
        let ends = [channel.range.0, channel.range.1].map(|end| channel.scaling.to_counts(end, 24));
        let used = f64::from(ends[1] - ends[0]) / f64::from(1 << 24);
        assert!(used > 0.45 && ends.iter().all(|end| end.abs() < (1 << 23) - 1), "{}: {ends:?}", channel.id);
        for end in [channel.range.0, channel.range.1] {
            let back = channel.scaling.to_si(channel.scaling.to_counts(end, 24));
            assert!((back - end).abs() <= channel.scaling.scale, "{}: expected {end} got {back}", channel.id);
        }
    }
}

#[test]
fn accepts_every_shipped_map_and_gives_each_device_its_own_signature() {
    let mut signatures = std::collections::BTreeSet::new();
    for name in rig::maps::shipped_map_names() {
        let text = rig::maps::shipped_map(name).unwrap();
        let map = rig::maps::parse_map(text, name).unwrap_or_else(|problems| panic!("{problems}"));
        assert_eq!(map.name, name);
        assert!(signatures.insert(map.field(Role::Identity).unwrap().expect.unwrap()), "{name}: signature used twice");
        let back: RegisterMap = serde_json::from_str(&serde_json::to_string(&map).unwrap()).unwrap();
        assert_eq!(back, map);
        let virtual_mark = map.field(Role::VirtualMark).unwrap();
        assert!(!virtual_mark.writable, "{name}");
    }
}

#[test]
fn prefers_a_map_beside_the_rig_file_over_a_shipped_one() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("maps")).unwrap();
    let map = rig::maps::shipped_map("soft-starter").unwrap().replace("0x5331", "0x5332");
    std::fs::write(folder.path().join("maps/soft-starter.toml"), map).unwrap();
    let path = folder.path().join("bench.toml");
    std::fs::write(&path, rig::shipped("terrace-bench").unwrap()).unwrap();
    let rig = rig::load(&path).unwrap_or_else(|problems| panic!("{problems}"));
    let soft = &rig.starters[rig.starter_index("soft").unwrap()];
    assert_eq!(soft.map.field(Role::Identity).unwrap().expect, Some(0x5332));
}

#[test]
fn accepts_what_init_writes_without_a_single_answer() {
    let text = rig::init(&InitAnswers::default());
    let rig = rig::parse(&text, "init.toml").unwrap_or_else(|problems| panic!("{problems}\n{text}"));
    assert!(!rig.invented);
    assert_eq!(rig.starters.len(), 3);
    assert!(text.matches("# assumed").count() > 20, "{text}");
    let figures = rig::derive(&rig).line_ups.remove(0);
    assert_eq!(figures.not_running, None);
    assert!(figures.duty.unwrap().flow_m3_s > 0.0);
}

#[test]
fn accepts_what_init_writes_for_answers_in_us_units() {
    let mut answers = InitAnswers::default();
    for (key, answer) in [
        ("id", "lift-station-4"),
        ("static_head", "32 ft"),
        ("suction_lift", "-6 ft"),
        ("length", "900 ft"),
        ("bore", "6 in"),
        ("material", "ductile-iron"),
        ("flow", "500 gpm"),
        ("head", "60 ft"),
        ("motor_power", "15 hp"),
        ("starters", "drive"),
        ("frequency", "60 Hz"),
        ("modbus", "10.0.0.5:502"),
    ] {
        answers.set(key, answer).unwrap();
    }
    let text = rig::init(&answers);
    let rig = rig::parse(&text, "init.toml").unwrap_or_else(|problems| panic!("{problems}\n{text}"));
    assert_eq!(rig.id, "lift-station-4");
    assert_eq!((rig.starters.len(), rig.transfer.is_none()), (1, true));
    assert_eq!(rig.links[0].address, "10.0.0.5:502");
    let figures = rig::derive(&rig).line_ups.remove(0);
    assert_eq!(figures.not_running, None);
    assert_close("suction lift, m", figures.suction_lift_m.unwrap(), -6.0 * 0.3048, 1e-9, "6 ft flooded");
}

/// The shipped bench with further nodes and the fittings of a fixture.
fn bench_with_fittings() -> String {
    let more = "vessel = \"2.5 m\"\nstub_end = \"6 m\"\nblow_off = \"2.5 m\"\n[liquid]";
    let bench = rig::shipped("terrace-bench").unwrap().replacen("[liquid]", more, 1);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/rigs/fittings.toml");
    let disc = "cracking_head = \"0.1 m\"";
    let with_disc =
        "disc_mass = 0.8\ndisc_area = \"40 cm2\"\ntravel = \"18 mm\"\nseat_force = 6.0\nspring_rate = 150.0";
    bench.replacen(disc, with_disc, 1) + &std::fs::read_to_string(path).unwrap()
}

#[test]
fn accepts_every_fitting_and_runs_them() {
    use ramprig::hydraulics::spec::{GridOptions, Terminal};
    use ramprig::hydraulics::{plant::Plant, shaft::NoDrive};
    let rig = rig::parse(&bench_with_fittings(), "fittings.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let node = |name: &str| rig.network.nodes.iter().position(|node| node.name == name).unwrap();
    let Terminal::Gas(vessel) = rig.network.nodes[node("vessel")].terminal else { panic!("no gas at the vessel") };
    assert_eq!((vessel.volume_m3, vessel.charged_abs_pa, vessel.exponent), (0.04, Some(1.5e5), 1.25));
    let check = rig.network.elements.iter().find(|element| element.name == "check").unwrap();
    let ElementKind::DiscCheckValve(disc) = &check.kind else { panic!("no disc") };
    assert_eq!((disc.mass_kg, disc.spring_n_m, disc.damping_n_s_m), (0.8, 150.0, 0.0));
    assert!((disc.travel_m - 0.018).abs() < 1e-12 && (disc.area_m2 - 40e-4).abs() < 1e-12, "{disc:?}");
    let relief = rig.network.elements.iter().find(|element| element.name == "relief").unwrap();
    let ElementKind::ReliefValve(spec) = &relief.kind else { panic!("no relief valve") };
    assert!((spec.set_pa - 3.0e5).abs() < 1e-6 && (spec.full_open_pa - 3.3e5).abs() < 1e-6, "{spec:?}");
    let mut plant = Plant::new(&rig.network, &rig.shaft, NoDrive, &GridOptions::default()).unwrap();
    let vessel = node("vessel");
    let elevation_m = rig.network.nodes[vessel].elevation_m;
    let at_start_pa =
        plant.gauge_pa(ramprig::hydraulics::spec::Place::Node(vessel), elevation_m) + rig.network.liquid.atmosphere_pa;
    assert_close("charge of the vessel, J", at_start_pa * plant.gas_m3(vessel), 1.5e5 * 0.04, 1e-9, "Boyle's law");
    (0..200).for_each(|_| plant.advance().unwrap());
    assert!(plant.volume_error_m3().abs() < 1e-9, "volume error {} m3", plant.volume_error_m3());
    assert!(rig.assumptions.iter().any(|line| line.contains("relief valves are fully open 10 %")));
}

#[test]
fn rejects_fittings_that_cannot_be() {
    let text = bench_with_fittings()
        .replacen("gas_volume = \"0.4 l\"", "gas_volume = \"-0.4 l\"", 1)
        .replacen("set_pressure = \"3 bar\"", "set_pressure = \"3 bar\"\nfull_open_pressure = \"2 bar\"", 1)
        .replacen("diameter = \"30 mm\"", "diameter = \"30 mm\"\ndiametre = \"30 mm\"", 1);
    let problems = rig::parse(&text, "fittings.toml").unwrap_err().to_string();
    for part in ["gas_volume", "full_open_pressure", "diametre"] {
        assert!(problems.contains(part), "no word about {part}: {problems}");
    }
}

/// The shipped bench with its hose lying flat.
fn bench_with_lay_flat_hose(keys: &str) -> String {
    let hoops =
        "min_pressure = \"-0.6 barg\" # hoops sewn into the jacket keep it round; a plain lay-flat hose would fold";
    let bench = rig::shipped("terrace-bench").unwrap();
    assert!(bench.contains(hoops));
    bench.replacen(hoops, &format!("min_pressure = \"-0.6 barg\"\n{keys}"), 1)
}

#[test]
fn accepts_a_lay_flat_hose_and_shows_its_wave_speed_at_two_pressures() {
    let rig = rig::parse(&bench_with_lay_flat_hose("lay_flat = true"), "flat.toml").unwrap_or_else(|p| panic!("{p}"));
    let hose = rig.network.elements.iter().find(|element| element.name == "hose").unwrap();
    let ElementKind::Pipe(pipe) = &hose.kind else { panic!("no pipe") };
    let flat = pipe.lay_flat.expect("lies flat");
    let weight_n_m3 = rig.network.liquid.density_kg_m3 * rig.network.liquid.gravity_m_s2;
    assert_close("rounding, Pa", flat.rounding_pa, weight_n_m3 * 0.065, 1e-9, "weight of water one bore high");
    assert_close("slack", flat.slack_share, 0.012, 1e-9, "half of the area that the swell gives");
    // the area at the pressure of the swell is what the tape said, whatever the slack
    let law = ramprig::hydraulics::tube_law::TubeLaw::of(pipe, &rig.network.liquid).unwrap();
    assert_close(
        "area at 4 bar",
        law.area_share(4e5) - 1.0,
        0.024 + 4e5 / 2.1e9,
        0.02,
        "two times the swell, and water",
    );
    let figures = rig::derive(&rig);
    let told = &figures.pipes.iter().find(|pipe| pipe.id == "hose").unwrap().wave_speeds_by_pressure;
    assert!(told.len() == 2 && told[0].1 < 0.7 * told[1].1, "{told:?}");
    let text = rig::check_report::text(&figures, System::Si);
    assert!(text.contains("lies flat without pressure; wave speed"), "{text}");
    assert!(rig.assumptions.iter().any(|line| line.contains("pressed round by the weight of water")));
}

#[test]
fn rejects_lay_flat_hoses_that_cannot_be() {
    let problems = |keys: &str| rig::parse(&bench_with_lay_flat_hose(keys), "flat.toml").unwrap_err().to_string();
    for (keys, word) in [
        ("slack = \"2 %\"", "slack without lay_flat"),
        ("lay_flat = true\nslack = \"3 %\"", "less than the swell leaves, 2.40 % at 4 bar"),
        ("lay_flat = true\nkink_at = \"50 %\"", "kink_at without kink"),
        ("lay_flat = true\nkink = -1.0", "kink"),
        ("lay_flat = true\nrounding_pressure = \"3 bar\"", "rounding_pressure"),
    ] {
        let text = problems(keys);
        assert!(text.contains(word) && text.contains("flat.toml:"), "{keys}: {text}");
    }
}

fn station() -> String {
    rig::shipped("rising-main").unwrap().to_owned()
}

/// The rising main's standby: standing in one line-up, running in the other, where the two share the flow.
#[test]
fn shows_the_pump_beside_the_commanded_one_in_every_line_up() {
    let rig = rig::parse(&station(), "rising-main.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let derived = rig::derive(&rig);
    let duty = |line_up: &str| derived.line_ups[rig.line_up_index(line_up).unwrap()].duty.clone().unwrap();
    let (alone, second) = (duty("running"), duty("second"));
    assert_eq!((alone.other_pumps[0].id.as_str(), alone.other_pumps[0].speed_rad_s), ("standby", None));
    assert!(alone.other_pumps[0].flow_m3_s.abs() < 1e-9, "the standby's check valve holds: {:?}", alone.other_pumps);
    let beside_m3_s = second.other_pumps[0].flow_m3_s;
    assert!(beside_m3_s + second.flow_m3_s > 1.2 * alone.flow_m3_s, "together more than one: {second:?}");
    assert!(second.flow_m3_s < 0.9 * alone.flow_m3_s, "less than alone: {second:?}");
    let text = rig::check_report::text(&derived, System::Si);
    assert!(text.contains("pump standby                    stands, 0 m3/h"), "{text}");
    assert!(text.contains("pump standby                    runs at 1475 rpm"), "{text}");
}

#[test]
fn predicts_the_second_pump_and_says_that_both_lose_their_supply() {
    use ramprig::prediction::rehearse;
    use ramprig::sequence::script::{Script, shipped};
    let rig = rig::parse(&station(), "rising-main.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let script = Script::parse(shipped("second-pump").unwrap(), "second-pump.toml", &rig, 0).unwrap();
    let loss = rehearse(&rig, &script, 0).unwrap().prediction.loss_of_supply.expect("loss of supply");
    assert_eq!(loss.with_it, ["standby"]);
    let words = ramprig::prediction::summary::loss_words(&loss, System::Si);
    assert!(words.contains("with standby losing it at the same moment"), "{words}");
}

/// The station with a connector of 0.3 m between its check valve and the main, far too short for steps of 5 ms.
fn station_with_connector() -> String {
    let check = "id = \"check\"\nfrom = \"pump_outlet\"\nto = \"main_foot\"";
    let connector = "[[pipe]]\nid = \"connector\"\nfrom = \"behind_check\"\nto = \"main_foot\"\nlength = \"0.3 m\"\n\
                     bore = \"200 mm\"\nmaterial = \"ductile-iron\"\nwall = \"6 mm\"\nroughness = \"0.2 mm\"\n\
                     max_pressure = \"25 barg\"\nmin_pressure = \"-0.9 barg\"\n\n[motor]";
    let text = station()
        .replacen(check, &check.replace("main_foot", "behind_check"), 1)
        .replacen("main_foot = \"0 m\"", "main_foot = \"0 m\"\nbehind_check = \"0 m\"", 1)
        .replacen("[motor]", connector, 1);
    assert!(text.contains("to = \"behind_check\"") && text.contains("behind_check = "), "{text}");
    text
}

/// `check` and `predict` say how the connector is taken, with numbers; the answer is that of the station without it.
#[test]
fn predicts_a_station_with_a_connector_too_short_for_the_grid_and_says_so() {
    use ramprig::prediction::predict;
    use ramprig::sequence::script::{Script, shipped};
    let run = |text: &str| {
        let rig = rig::parse(text, "station.toml").unwrap_or_else(|problems| panic!("{problems}"));
        let script = Script::parse(shipped("one-cycle").unwrap(), "one-cycle.toml", &rig, 0).unwrap();
        let notices = rig::derive(&rig).notices;
        (notices, predict(&rig, &script, 0).unwrap())
    };
    let said = |lines: &[String]| {
        lines.iter().filter(|line| line.contains("pipe `connector`: its travel time of 0.2")).count()
    };
    let (plain_notices, plain) = run(&station());
    let (notices, made) = run(&station_with_connector());
    assert_eq!((said(&plain_notices), said(&plain.assumptions)), (0, 0));
    assert_eq!((said(&notices), said(&made.assumptions)), (1, 1), "{notices:?} {:?}", made.assumptions);
    assert!(made.made_with.dt_s > 0.5 * plain.made_with.dt_s, "the step stays long: {} s", made.made_with.dt_s);
    let start = |prediction: &ramprig::prediction::Prediction| {
        let series = &prediction.segments[0].series[0];
        series.iter().fold(f32::NEG_INFINITY, |peak, value| peak.max(*value))
    };
    let (expected, got) = (f64::from(start(&plain)), f64::from(start(&made)));
    assert_close("start peak at the foot of the main, Pa", got, expected, 0.02, "0.3 m more in 2 km");
}

#[test]
fn rejects_pumps_beside_the_commanded_one_that_cannot_be() {
    let refused = |from: &str, to: &str| {
        let text = station().replacen(from, to, 1);
        assert_ne!(text, station(), "nothing replaced");
        rig::parse(&text, "station.toml").unwrap_err().to_string()
    };
    let both = refused("same_as_pump = true", "same_as_pump = true\nrated_head = \"60 m\"");
    assert!(both.contains("other_pump[0].rated_head") && both.contains("not both"), "{both}");
    let unknown = refused("running = [\"standby\"]", "running = [\"stand\"]");
    assert!(unknown.contains("line_up[1].running") && unknown.contains("standby"), "{unknown}");
    let bare = refused("same_as_pump = true", "");
    assert!(bare.contains("other_pump[0].rated_flow") && bare.contains("other_pump[0].inertia"), "{bare}");
    let drained = refused("running = [\"standby\"]", "running = [\"standby\"]\nline = \"drained\"");
    assert!(drained.contains("air is followed with one pump in the network"), "{drained}");
    let no_speed = refused("same_as_pump = true", "same_as_pump = true\nspeed = \"0 rpm\"");
    assert!(no_speed.contains("other_pump[0].speed"), "{no_speed}");
}

/// The bench with other lines in its first channel, p_discharge.
fn bench_with(lines: &str) -> Result<rig::model::Rig, rig::problem::Problems> {
    let text = rig::shipped("terrace-bench").unwrap().replacen(
        "id = \"p_discharge\"\n",
        &format!("id = \"p_discharge\"\n{lines}\n"),
        1,
    );
    assert!(text.contains(lines), "the bench has a channel p_discharge");
    rig::parse(&text, "chain.toml")
}

#[test]
fn law_a_channel_carries_its_whole_chain_from_the_file_to_its_figures() {
    let rig = bench_with(
        "mounting = \"quarter-turn tap\"\nimpulse_line = { length = \"1.5 m\", bore = \"4 mm\", fill = \"liquid\", trapped_gas = \"0.2 ml\" }\n\
         anti_alias = { corner = \"1 kHz\", order = 4 }\ndamping = \"5 ms\"\ngroup_delay = \"1.2 ms\"\n\
         calibration = { date = \"2026-03-14\", certificate = \"invented 12\" }",
    )
    .unwrap_or_else(|problems| panic!("{problems}"));
    let channel = rig.channels.iter().find(|channel| channel.id.0 == "p_discharge").unwrap();
    let chain = &channel.chain;
    assert_eq!((chain.group_delay_s, chain.damping_s), (1.2e-3, 5e-3));
    assert_eq!(chain.calibration.certificate, "invented 12");
    // A plug of water on 0.2 ml of air: f = sqrt(A n p / (rho L V)) / 2 pi.
    let area_m2 = std::f64::consts::PI * 4e-6;
    let liquid = rig.liquid;
    let plug_hz =
        (area_m2 * 1.4 * liquid.atmosphere_pa / (liquid.density_kg_m3 * 1.5 * 0.2e-6)).sqrt() / std::f64::consts::TAU;
    let natural_hz = chain.line.unwrap().natural_hz;
    assert_close("natural frequency, Hz", natural_hz, plug_hz, 5e-3, "plug on a spring of trapped gas, D90");
    let damping_hz = 1.0 / (std::f64::consts::TAU * 5e-3);
    assert!(channel.bandwidth_hz < damping_hz, "damping rules: {} Hz of {damping_hz} Hz", channel.bandwidth_hz);
    let derived = rig::derive(&rig);
    let text = rig::check_report::text(&derived, System::Si);
    assert!(text.contains("rings at") && text.contains("withheld: surge and trough: the impulse line rings"), "{text}");
}

#[test]
fn law_an_absolute_sensor_is_read_as_gauge_at_the_days_barometer() {
    let text = rig::shipped("terrace-bench").unwrap();
    let at = text.find("id = \"p_discharge\"").unwrap();
    let range = text[at..].find("range = ").unwrap() + at;
    let end = text[range..].find('\n').unwrap() + range;
    let absolute =
        format!("{}reference = \"absolute\"\nrange = [\"0 bar(a)\", \"11 bar(a)\"]{}", &text[..range], &text[end..]);
    let rig = rig::parse(&absolute, "absolute.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let channel = rig.channels.iter().find(|channel| channel.id.0 == "p_discharge").unwrap();
    assert_eq!(channel.range.0, -rig.liquid.atmosphere_pa, "vacuum is the atmosphere below gauge zero");
    assert!((channel.range.1 - channel.range.0 - 11e5).abs() < 1e-6);
    let low = channel.scaling.to_counts(channel.range.0, 24);
    assert!((channel.scaling.to_si(low) + rig.liquid.atmosphere_pa).abs() <= channel.scaling.scale);
}

#[test]
fn rejects_a_chain_that_cannot_be_with_every_place() {
    let problems = bench_with(
        "signal = \"4-20 mA\"\nanti_alias = { corner = \"50 kHz\" }\nac_corner = \"1 Hz\"\n\
         mounting = \"flush\"\nimpulse_line = { length = \"1 m\", bore = \"4 mm\", fill = \"wine\", wall = \"1 mm\" }\n\
         calibration = { date = \"last spring\" }",
    )
    .unwrap_err();
    let text = problems.to_string();
    let wanted = [
        ".signal: found counts [-8000000, 8000000] at 4 and 20 mA",
        ".anti_alias: found 50000 Hz; allowed a corner below half the sample rate",
        ".ac_corner: found a corner without AC coupling",
        ".mounting: found \"flush\" beside an impulse_line",
        ".impulse_line.fill: found \"wine\"",
        ".impulse_line.material: found nothing (the key is missing); allowed material and wall together",
        ".calibration.date: found \"last spring\"; allowed a date",
    ];
    for words in wanted {
        assert!(text.contains(words), "{words}\n{text}");
        assert!(text.lines().any(|line| line.contains(words) && line.starts_with("chain.toml:")), "file:line\n{text}");
    }
    assert_eq!(problems.0.len(), wanted.len(), "{text}");
}

#[test]
fn rejects_triggers_that_cannot_fire_and_reads_of_a_serial_line() {
    let text = rig::shipped("terrace-bench").unwrap();
    let more = "\n[observe]\npre = \"5 s\"\npost = \"20 s\"\nlongest = \"10 s\"\nlevel_channel = \"i_line\"\nlevel_bands = [\"2 m\", \"1 m\"]\n\
                [[trigger]]\nid = \"a\"\nchannel = \"p_dischrge\"\nabove = \"2 barg\"\n\
                [[trigger]]\nid = \"b\"\nchannel = \"p_discharge\"\nrises = \"0.3 bar\"\n\
                [[trigger]]\nid = \"c\"\ndevice = \"soft\"\nfield = \"runing\"\nbecomes = 1\n\
                [[trigger]]\nid = \"a\"\ndevice = \"soft\"\nfield = \"running\"\nbecomes = 1\n";
    let text = text.replacen("poll = \"50 ms\"", "poll = \"50 ms\"\nconnection_limit = 0", 1) + more;
    let problems = rig::parse(&text, "observe.toml").unwrap_err();
    let told = problems.to_string();
    for words in [
        "link[0].connection_limit: found 0",
        "observe.longest: found 10 s; allowed at least pre and post together, 25 s",
        "observe.level_channel: found the unknown pressure channel \"i_line\"",
        "observe.level_bands: found edges that do not rise",
        "trigger[1]: found a channel without one level or one change within a time",
        "trigger[2].field: found the field \"runing\", which map soft-starter does not have",
        "trigger[3].id: found \"a\" again",
    ] {
        assert!(told.contains(words), "{words}\n{told}");
    }
    assert!(told.contains("p_dischrge") && told.contains("p_discharge"), "the nearest name is proposed\n{told}");
}

/// A flow meter in the riser and an auxiliary contact beside the bench's own channels.
const FLOW_AND_CONTACT: &str = "
[[channel]]
id = \"q_riser\"
quantity = \"flow\"
pipe = \"riser\"
share = 0.5
input = 8
range = [\"-10 m3/h\", \"60 m3/h\"]
bandwidth = \"20 Hz\"
filter_class = 0
calibration_uncertainty = \"0.2 m3/h\"

[[channel]]
id = \"k_aux\"
quantity = \"contact\"
input = 9
bandwidth = \"1 kHz\"
filter_class = 0

[[permissive]]
id = \"no-flow\"
text = \"No water moves.\"
channel = \"q_riser\"
between = [\"-0.5 m3/h\", \"0.5 m3/h\"]

[[trip]]
id = \"runs-dry\"
cause = \"limit\"
channel = \"q_riser\"
below = \"2 m3/h\"
blanking = \"20 s\"
debounce = \"2 s\"
stop = \"coast\"
deadline = \"2 s\"
";

fn with_flow(change: impl Fn(&str) -> String) -> Result<rig::model::Rig, String> {
    let text = rig::shipped("terrace-bench").unwrap().to_owned() + &change(FLOW_AND_CONTACT);
    rig::parse(&text, "flow.toml").map_err(|problems| problems.to_string())
}

#[test]
fn accepts_flow_and_contact_channels_and_foretells_what_they_will_read() {
    use ramprig::sequence::script::{Script, shipped};
    let rig = with_flow(str::to_owned).unwrap();
    let (flow, contact) = (rig.channel_index("q_riser").unwrap(), rig.channel_index("k_aux").unwrap());
    let soft = rig.starter_index("soft").unwrap();
    let text = shipped("one-cycle").unwrap().replace("line_up = \"running\"", "line_up = \"terrace\"");
    let script = Script::parse(&text, "one-cycle.toml", &rig, soft).unwrap();
    let prediction = ramprig::prediction::rehearse(&rig, &script, soft).unwrap().prediction;
    let segment = &prediction.segments[0];
    let last = segment.series[flow].len() - 1;
    let stored_m3_s = f64::from(segment.flow_m3_s[segment.flow_m3_s.len() - 1]);
    let read_m3_s = f64::from(segment.series[flow][last]);
    // Steady running: what leaves the pump passes the riser.
    let error = (read_m3_s / stored_m3_s - 1.0).abs();
    assert!(
        error < 0.02 && stored_m3_s > 1e-3,
        "riser {read_m3_s} m3/s, pump {stored_m3_s} m3/s, error {error:.1e} of 2e-2"
    );
    let of_contact = &segment.series[contact];
    assert!(of_contact[0].abs() < 1e-3 && (of_contact[last] - 1.0).abs() < 1e-3, "open before, closed in running");
}

#[test]
fn rejects_flow_and_contact_channels_that_cannot_be() {
    for (old, new, told) in [
        ("pipe = \"riser\"\nshare = 0.5", "node = \"riser_foot\"", "a flow at a node"),
        ("pipe = \"riser\"\nshare = 0.5\n", "", "a flow channel without a place"),
        ("id = \"k_aux\"", "id = \"k_aux\"\nnode = \"riser_foot\"", "a place for a channel that is not in the water"),
        ("below = \"2 m3/h\"", "below = \"2 bar\"", "m3/h"),
    ] {
        let said = with_flow(|text| {
            assert!(text.contains(old), "{old}");
            text.replacen(old, new, 1)
        });
        let said = said.err().unwrap_or_default();
        assert!(said.contains(told), "{new}: {said}");
    }
}

#[test]
fn warns_of_a_port_by_number_in_check_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let bench = rig::shipped("terrace-bench").unwrap();
    let link = bench.find("address = \"127.0.0.1:5020\"").unwrap();
    let end = link + bench[link..].find('\n').unwrap();
    let serial = bench[..link].to_owned() + "serial = \"/dev/ttyUSB7\"" + &bench[end..];
    let serial = serial
        .replace("second_stop_connection = true\n", "")
        .replace("stop_delay_budget = \"", "stop_delay_budget = \"9");
    std::fs::write(&path, serial).unwrap();
    let checked = crate::stand::program::run(["check".as_ref(), path.as_os_str()]);
    checked.expect(0);
    assert!(checked.stdout.contains("/dev/ttyUSB7 may be another adapter"), "{}", checked.stdout);
}

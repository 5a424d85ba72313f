//! The hidden truth: different from the rig file, the same for the same seed, and told to nobody.

use super::stand::{BENCH, CONTACTOR, DRIVE, SOFT, Stand, terrace_bench};
use ramprig::hydraulics::spec::{ElementKind, GridOptions};
use serde_json::Value;
use std::path::Path;

/// A seed that would be noticed: its digits in decimal and hex occur nowhere by chance.
const SEED: u64 = 0x5EED_C0DE_1234_5678;

fn truth_of(seed: u64) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("truth.json");
    drop(Stand::with_seed(seed, Some(path.clone())));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn differs_from_the_rig_file_in_number_and_in_form() {
    let rig = terrace_bench();
    let truth = truth_of(SEED);
    let same = |pointer: &str, nominal: f64| {
        let got = truth.pointer(pointer).and_then(Value::as_f64).unwrap_or_else(|| panic!("{pointer} in {truth}"));
        assert!((got / nominal - 1.0).abs() < 0.3, "{pointer}: {got} is no relative of {nominal}");
        (got - nominal).abs() < 1e-12 * nominal.abs()
    };
    assert!(!same("/shaft/inertia_kg_m2", rig.shaft.inertia_kg_m2));
    assert!(!same("/motor/breakdown_torque", rig.motor.breakdown_torque));
    assert!(!same("/motor/locked_rotor_current", rig.motor.locked_rotor_current));
    assert_eq!(truth["motor"]["kloss"].as_bool(), Some(!rig.motor.kloss), "another form of torque curve");
    assert_eq!(truth["grid"]["unsteady_friction"].as_bool(), Some(true), "another form of friction");
    assert!(truth["grid"]["dt_max_s"].as_f64().unwrap() < GridOptions::default().dt_max_s, "a finer grid");
    // As the line-up cuts it: what shut valves cut off is not there.
    let (network, ..) = rig.plant_parts(0);
    for (at, element) in network.elements.iter().enumerate() {
        let path = format!("/network/elements/{at}/kind");
        match &element.kind {
            ElementKind::Pipe(pipe) => {
                assert!(!same(&format!("{path}/Pipe/length_m"), pipe.length_m));
                assert!(!same(&format!("{path}/Pipe/wave_speed_m_s"), pipe.wave_speed_m_s));
            }
            ElementKind::Valve(valve) => assert!(!same(&format!("{path}/Valve/kv_open_m3_h"), valve.kv_open_m3_h)),
            ElementKind::Pump(pump) => assert!(!same(&format!("{path}/Pump/rated_head_m"), pump.rated_head_m)),
            ElementKind::CheckValve(check) => {
                assert!(!same(&format!("{path}/CheckValve/kv_m3_h"), check.kv_m3_h));
            }
            ElementKind::Blank { .. } => {}
            other => panic!("the bench has no such element: {other:?}"),
        }
    }
}

#[test]
fn gives_the_same_truth_for_the_same_seed_only() {
    assert_eq!(truth_of(7), truth_of(7));
    assert_ne!(truth_of(7), truth_of(8));
}

#[test]
fn tells_its_seed_to_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let stand = Stand::with_seed(SEED, None);
    let words: Vec<u16> = (0..4).map(|at| (SEED >> (16 * at)) as u16).collect();
    let mut bus = stand.bus();
    for unit in [CONTACTOR, SOFT, DRIVE, BENCH] {
        for role in bus.roles(unit) {
            let raw = bus.get(unit, role);
            assert!(!words.contains(&raw), "unit {unit} {role:?} reads {raw:#06x}, part of the seed");
        }
    }
    let line = stand.ready.announce();
    assert!(!line.contains(&SEED.to_string()) && !line.contains(&format!("{SEED:x}")), "{line}");
    assert!(is_empty(folder.path()), "no truth file was asked for");
}

fn is_empty(folder: &Path) -> bool {
    std::fs::read_dir(folder).unwrap().next().is_none()
}

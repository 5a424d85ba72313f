//! Pumps in trouble, through the prediction of a fixture rig: suction head, air, worn rings, wrong rotation, useful speed;
//! and what a rig file says of the motor. Closed forms and published figures beside each.

use ramprig::hydraulics::pump::Pump;
use ramprig::hydraulics::pump::trouble::{free_share_at, head_share_by_npsh};
use ramprig::hydraulics::spec::{ElementKind, PumpCondition, PumpSpec};
use ramprig::prediction::beside::BesideSummary;
use ramprig::prediction::summary::{Summary, write_csv};
use ramprig::prediction::{EventKind, Prediction, predict};
use ramprig::rig::model::Rig;
use ramprig::rig::{derive, parse};
use ramprig::sequence::marks::Phase;
use ramprig::sequence::script::Script;
use std::f64::consts::TAU;

/// The fixture with some of its words replaced.
fn rig(edits: &[(&str, &str)]) -> Rig {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/rigs/splash-bench.toml");
    let mut text = std::fs::read_to_string(path).unwrap();
    for (old, new) in edits {
        assert!(text.contains(old), "the fixture no longer says {old:?}");
        text = text.replace(old, new);
    }
    parse(&text, "splash-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn run(rig: &Rig, starter: &str, line_up: &str, hold_s: f64) -> Prediction {
    let text = format!(
        "[sequence]\nid = \"s\"\nname = \"s\"\nabout = \"s\"\n[[step]]\ndo = \"line-up\"\nline_up = \"{line_up}\"\n[[step]]\ndo = \"start\"\n\
         [[step]]\ndo = \"hold\"\ntime = \"{hold_s} s\"\nafter = \"at-speed\"\ntimeout = \"60 s\"\n[[step]]\ndo = \"stop\"\n"
    );
    let index = rig.starter_index(starter).unwrap();
    let script = Script::parse(&text, "s.toml", rig, index).unwrap_or_else(|problems| panic!("{problems}"));
    predict(rig, &script, index).unwrap()
}

fn figures(rig: &Rig, prediction: &Prediction, name: &str) -> BesideSummary {
    let summary = Summary::of(rig, prediction);
    summary.beside.into_iter().find(|figures| figures.name == name).unwrap_or_else(|| panic!("no series {name}"))
}

/// Flow at the end of the start phase, m3/s.
fn flow_m3_s(prediction: &Prediction) -> f64 {
    let start = prediction.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
    f64::from(*start.flow_m3_s.last().unwrap())
}

fn event_s(prediction: &Prediction, kind: EventKind) -> f64 {
    let found = prediction.events.iter().find(|event| event.kind == kind);
    found.unwrap_or_else(|| panic!("no {kind:?} in {:?}", prediction.events)).after_mark_s
}

fn has(prediction: &Prediction, kind: EventKind) -> bool {
    prediction.events.iter().any(|event| event.kind == kind)
}

fn spec(rig: &Rig) -> &PumpSpec {
    let pump = rig.network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some(pump),
        _ => None,
    });
    pump.unwrap()
}

/// The rig's pump as new.
fn sound(rig: &Rig) -> Pump {
    let spec = PumpSpec { condition: PumpCondition::default(), ..spec(rig).clone() };
    Pump::new("pump", &spec, rig.liquid.density_kg_m3, rig.liquid.gravity_m_s2).unwrap()
}

#[track_caller]
fn near(what: &str, expected: f64, got: f64, share: f64, source: &str) {
    let error = (got - expected).abs() / expected.abs();
    assert!(
        error <= share,
        "{what}: expected {expected}, got {got}, error {:.3} %, tolerance {} %, {source}",
        100.0 * error,
        100.0 * share
    );
}

/// Suction lift of 6.6 m: less suction head than the pump needs.
const HIGH: [(&str, &str); 5] = [
    ("pump_inlet = \"2.5 m\"", "pump_inlet = \"6.6 m\""),
    ("pump_outlet = \"2.5 m\"", "pump_outlet = \"6.6 m\""),
    ("riser_foot = \"2.5 m\"", "riser_foot = \"6.6 m\""),
    ("length = \"6 m\"", "length = \"9 m\""),
    ("npsh_required = \"3 m\"", "npsh_required = \"4.5 m\""),
];

#[test]
fn law_head_breaks_down_with_too_little_suction_head_and_the_prediction_says_so() {
    const TOLERANCE: f64 = 2e-3;
    let mut edits = HIGH.to_vec();
    edits.push(("riser_top = \"5 m\"", "riser_top = \"7 m\""));
    edits.push(("return_mouth = \"5 m\"", "return_mouth = \"7 m\""));
    let high = rig(&edits);
    let prediction = run(&high, "contactor", "running", 6.0);
    let (margin, head) = (figures(&high, &prediction, "npsh_margin_m"), figures(&high, &prediction, "pump_head_m"));
    assert!(margin.last < 0.0, "margin {} m", margin.last);
    assert!(has(&prediction, EventKind::CavitationBegins), "{:?}", prediction.events);
    let (flow, speed) = (flow_m3_s(&prediction), figures(&high, &prediction, "shaft_speed_rad_s").last);
    let pump = sound(&high);
    let (n, v) = (speed / pump.rated_speed_rad_s(), flow / pump.rated_flow_m3_s());
    let required_m = 4.5 * (0.6 * n * n + 0.4 * v * v);
    let kept = head_share_by_npsh((margin.last + required_m) / required_m);
    near("head", kept * pump.at(flow, speed).head_m, head.last, TOLERANCE, "3 % at the required value by ISO 9906");
    assert!(kept < 0.97, "share of the head {kept}");
    let derived = derive(&high);
    let duty = derived.line_ups[0].duty.as_ref().unwrap();
    near("flow of check", flow, duty.flow_m3_s, TOLERANCE, "the same state by the steady solver");
    assert!(derived.notices.iter().any(|line| line.contains("cavitates")), "{:?}", derived.notices);
    // with suction head enough the same bench gives more
    let mut enough = edits.clone();
    enough[4].1 = "npsh_required = \"0.5 m\"";
    let enough = rig(&enough);
    let whole = run(&enough, "contactor", "running", 6.0);
    assert!(flow_m3_s(&whole) > 1.02 * flow, "{} against {flow} m3/s", flow_m3_s(&whole));
    assert!(figures(&enough, &whole, "npsh_margin_m").last > 0.0);
}

#[test]
fn published_donsky_1961_turned_the_wrong_way_the_pump_gives_half_its_shut_off_head() {
    const TOLERANCE: f64 = 5e-3;
    let wrong = rig(&[("rotation = \"right\"", "rotation = \"wrong\"")]);
    let prediction = run(&wrong, "contactor", "shut", 4.0);
    let speed = figures(&wrong, &prediction, "shaft_speed_rad_s").last;
    let head_m = figures(&wrong, &prediction, "pump_head_m").last;
    let square = (speed / spec(&wrong).rated_speed_rad_s).powi(2);
    near("head at shut-off", 0.634 * 16.0 * square, head_m, TOLERANCE, "Donsky 1961, WH(2 pi) = 0.634");
    let right = rig(&[]);
    let right_m = figures(&right, &run(&right, "contactor", "shut", 4.0), "pump_head_m").last;
    assert!((0.45..0.60).contains(&(head_m / right_m)), "share {}", head_m / right_m);
    let (wrong_m3_s, right_m3_s) =
        (flow_m3_s(&run(&wrong, "contactor", "running", 4.0)), flow_m3_s(&run(&right, "contactor", "running", 4.0)));
    assert!(wrong_m3_s > 0.0 && wrong_m3_s < 0.45 * right_m3_s, "{wrong_m3_s} of {right_m3_s} m3/s");
    assert!(prediction.assumptions.iter().any(|line| line.contains("wrong way")), "{:?}", prediction.assumptions);
}

#[test]
fn law_worn_rings_lower_flow_and_efficiency_by_the_slip() {
    const TOLERANCE: f64 = 2e-3;
    let new = rig(&[]);
    let worn = rig(&[("wear = \"0 %\"", "wear = \"20 %\"")]);
    let (before, after) = (run(&new, "contactor", "running", 5.0), run(&worn, "contactor", "running", 5.0));
    let (flow, was) = (flow_m3_s(&after), flow_m3_s(&before));
    assert!(flow < was, "{flow} m3/s worn, {was} m3/s new");
    let (head_m, speed) =
        (figures(&worn, &after, "pump_head_m").last, figures(&worn, &after, "shaft_speed_rad_s").last);
    let slip = 0.20 * spec(&worn).rated_flow_m3_s * (head_m / 16.0_f64).sqrt();
    near("head", sound(&worn).at(flow + slip, speed).head_m, head_m, TOLERANCE, "the impeller carries flow and slip");
    let efficiency = |rig: &Rig, made: &Prediction| {
        let last = |name: &str| figures(rig, made, name).last;
        flow_m3_s(made) * last("pump_head_m") / (last("pump_torque_n_m") * last("shaft_speed_rad_s"))
    };
    assert!(efficiency(&worn, &after) < efficiency(&new, &before));
}

#[test]
fn law_air_from_a_splashing_return_comes_with_the_water_and_takes_the_prime() {
    const TOLERANCE: f64 = 0.05;
    let airy =
        rig(&[("air_share = \"0 %\"", "air_share = \"12 %\""), ("full_flow = \"20 m3/h\"", "full_flow = \"5 m3/h\"")]);
    let prediction = run(&airy, "contactor", "running", 12.0);
    let (enters_s, lost_s) = (event_s(&prediction, EventKind::AirEnters), event_s(&prediction, EventKind::PrimeLost));
    assert!(enters_s < lost_s, "air after {enters_s} s, prime lost after {lost_s} s");
    // the clean bench tells flow and suction pressure until the air comes
    let clean = rig(&[]);
    let plain = run(&clean, "contactor", "running", 5.0);
    let volume_m3 = 0.25 * std::f64::consts::PI * 0.08 * 0.08 * 6.0;
    let passes_s = volume_m3 / flow_m3_s(&plain);
    let free = free_share_at(inlet_pa(&clean, &plain), 0.07, clean.liquid.atmosphere_pa);
    let grows_s = -4.0 * (1.0 - free / 0.12_f64).ln();
    let between_s = grows_s - -4.0 * (1.0 - 1e-3 / 0.12_f64).ln();
    assert!(enters_s > passes_s, "air after {enters_s} s, the suction pipe holds {passes_s} s of flow");
    // less the little that the air itself slows the water down by
    near("time from first air to the lock", between_s, lost_s - enters_s, 4.0 * TOLERANCE, "first-order growth, Boyle");
    assert!(flow_m3_s(&prediction) < 1e-9, "flow {} m3/s after the prime is lost", flow_m3_s(&prediction));
    assert!(has(&prediction, EventKind::ForwardFlowEnded));
    let gas = figures(&airy, &prediction, "gas_at_pump_1");
    assert!(gas.maximum >= 0.07, "gas {}", gas.maximum);
    // a little air only lowers the head
    let some =
        rig(&[("air_share = \"0 %\"", "air_share = \"2 %\""), ("full_flow = \"20 m3/h\"", "full_flow = \"5 m3/h\"")]);
    let slowed = run(&some, "contactor", "running", 25.0);
    assert!(!has(&slowed, EventKind::PrimeLost), "{:?}", slowed.events);
    assert!(flow_m3_s(&slowed) > 0.5 * flow_m3_s(&plain) && flow_m3_s(&slowed) < 0.99 * flow_m3_s(&plain));
    let gas = figures(&some, &slowed, "gas_at_pump_1").last;
    let (flow, speed) = (flow_m3_s(&slowed), figures(&some, &slowed, "shaft_speed_rad_s").last);
    let expected_m = (1.0 - 4.0 * gas) * sound(&some).at(flow, speed).head_m;
    near("head with air", expected_m, figures(&some, &slowed, "pump_head_m").last, 2e-3, "4 % a per cent of gas");
}

/// Absolute pressure at the inlet at the end of a start, Pa.
fn inlet_pa(rig: &Rig, prediction: &Prediction) -> f64 {
    let head_m = figures(rig, prediction, "head_pump_inlet_m").last;
    rig.liquid.atmosphere_pa + rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2 * (head_m - 2.5)
}

#[test]
fn law_water_moves_only_above_the_least_useful_speed() {
    let bench = rig(&[]);
    let speeds = derive(&bench).line_ups[0].useful_speeds.unwrap();
    // affinity: 21 m at shut-off at 1440 rpm, 5 m static
    let expected = 1440.0 / 60.0 * TAU * (5.0_f64 / 21.0).sqrt();
    near("least useful speed", expected, speeds.minimum_rad_s, 1e-9, "affinity");
    let share = |factor: f64| format!("speed = {:.4}", factor * speeds.minimum_rad_s / (1500.0 / 60.0 * TAU));
    let (slow, quick) = (rig(&[("speed = 1.0", &share(0.97))]), rig(&[("speed = 1.0", &share(1.12))]));
    let (still, moving) = (run(&slow, "drive", "running", 6.0), run(&quick, "drive", "running", 6.0));
    assert!(flow_m3_s(&still).abs() < 1e-9, "{} m3/s below the least speed", flow_m3_s(&still));
    assert!(flow_m3_s(&moving) > 1e-4, "{} m3/s above it", flow_m3_s(&moving));
    let said = |lines: &[String]| lines.iter().any(|line| line.contains("beat the static head of 5.0 m"));
    assert!(said(&derive(&slow).notices) && said(&still.warnings), "{:?}", still.warnings);
    assert!(!said(&derive(&quick).notices) && !said(&moving.warnings));
}

/// Everything a rig file says of the motor reaches the prediction.
#[test]
fn law_what_the_file_says_of_the_motor_is_felt_in_the_prediction() {
    let four_points = rig(&[]);
    let kloss = rig(&[("breakdown_torque = 2.9", "breakdown_torque = 2.9\ntorque_curve = \"kloss\"")]);
    let dip = rig(&[("efficiency = 0.85", "efficiency = 0.85\nsupply_dip = 0.15")]);
    let belt = rig(&[("inertia = \"0.06 kg m2\"", "inertia = \"0.06 kg m2\"\nratio = 0.8\nefficiency = 0.94")]);
    let made = |rig: &Rig| run(rig, "contactor", "running", 3.0);
    let (plain, by_kloss, dipped, belted) = (made(&four_points), made(&kloss), made(&dip), made(&belt));
    let at_start = |rig: &Rig, made: &Prediction| figures(rig, made, "motor_torque_n_m");
    let rated_n_m = 4000.0 / (1440.0 / 60.0 * TAU);
    // locked rotor by the four points, and Kloss's 2 M / (s/sb + sb/s) at standstill
    let (sn, ratio) = (0.04_f64, 2.9_f64);
    let sb = sn * (ratio + (ratio * ratio - 1.0).sqrt());
    let first = |made: &Prediction, rig: &Rig| {
        let index = made.beside.iter().position(|name| name == "motor_torque_n_m").unwrap();
        let start = made.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
        let speed = made.beside.iter().position(|name| name == "shaft_speed_rad_s").unwrap();
        let on = start.beside[index].iter().position(|torque| *torque > 1.0).unwrap();
        assert!(start.beside[speed][on] < 8.0, "{} rad/s: {}", start.beside[speed][on], rig.id);
        f64::from(start.beside[index][on])
    };
    near("locked rotor", 2.3 * rated_n_m, first(&plain, &four_points), 0.05, "nameplate");
    near("locked rotor by Kloss", 2.0 * ratio / (1.0 / sb + sb) * rated_n_m, first(&by_kloss, &kloss), 0.05, "Kloss");
    near("torque on a supply that dips by 15 %", 0.85_f64.powi(2) * 2.3 * rated_n_m, first(&dipped, &dip), 0.05, "V^2");
    let belt_speed = figures(&belt, &belted, "shaft_speed_rad_s").last;
    assert!((0.78..0.80).contains(&(belt_speed / (1500.0 / 60.0 * TAU))), "{belt_speed} rad/s");
    assert!(at_start(&belt, &belted).maximum > at_start(&four_points, &plain).maximum, "a slow belt lifts the torque");
    let current = |rig: &Rig, made: &Prediction| figures(rig, made, "line_current_a").maximum;
    assert!(current(&dip, &dipped) < 0.9 * current(&four_points, &plain));
    let heat = |made: &Prediction| made.assumptions.iter().any(|line| line.contains("heat it to 25 % of its limit"));
    assert!(heat(&plain), "one of four cold starts: {:?}", plain.assumptions);
    let says = |made: &Prediction, words: &str| made.assumptions.iter().any(|line| line.contains(words));
    assert!(says(&plain, "four points") && says(&by_kloss, "Kloss"), "{:?}", plain.assumptions);
}

/// Series beside the channels, in the CSV and in order.
#[test]
fn gives_every_series_in_the_csv() {
    let bench = rig(&[]);
    let prediction = run(&bench, "contactor", "running", 2.0);
    let mut csv = Vec::new();
    write_csv(&bench, &prediction, &mut csv).unwrap();
    let text = String::from_utf8(csv).unwrap();
    let mut lines = text.lines();
    let heading: Vec<&str> = lines.next().unwrap().split(',').collect();
    for name in [
        "pump_flow_m3_s",
        "pump_head_m",
        "npsh_margin_m",
        "pump_torque_n_m",
        "motor_torque_n_m",
        "shaft_speed_rad_s",
        "line_current_a",
        "line_power_w",
        "level_sump_m",
        "head_riser_top_m",
        "gas_at_pump_1",
    ] {
        assert!(heading.contains(&name), "no {name} in {heading:?}");
    }
    assert!(lines.all(|line| line.split(',').count() == heading.len()));
    let torque = figures(&bench, &prediction, "motor_torque_n_m").last;
    let (speed, power) =
        (figures(&bench, &prediction, "shaft_speed_rad_s").last, figures(&bench, &prediction, "line_power_w").last);
    let efficiency = torque * speed / power;
    assert!((0.7..0.95).contains(&efficiency), "motor efficiency {efficiency}");
}

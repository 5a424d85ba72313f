//! A thousand scenarios of one pipeline (four-quadrant pump at one end, valve at the other) through the public network
//! description, against C in sixteen lanes and against compiled Python; a band of the terrace bench; and a whole
//! predicted sequence against real time. Ours includes making and solving the steady states of all scenarios. With
//! `-- pace`, `-- band` or `-- sweep` only that part is run.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

#[path = "peers/mod.rs"]
mod peers;
mod prediction;

use peers::{Peer, Stopwatch, built, compared, judge, say_instructions, source};
use ramprig::hydraulics::lanes::{OpeningLaw, Probe, Scenario, Sweep, Trace};
use ramprig::hydraulics::pump::four_quadrant;
use ramprig::hydraulics::shaft::FixedSpeed;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, PumpSpec, ShaftSpec, Terminal,
    ValveSpec,
};
use ramprig::hydraulics::steady;
use std::f64::consts::FRAC_PI_4;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

const SCENARIOS: usize = 1000;
const CELLS: usize = 100;
const STEPS: usize = 10_000;
const PAIRS: usize = 7;
const DT_S: f64 = 1.0e-3;
const GRAVITY_M_S2: f64 = 9.806_65;
const DENSITY_KG_M3: f64 = 1000.0;
const STIFFNESS_N_M_S: f64 = 5.0;
const CLOSES_S: (f64, f64) = (1.0, 3.0);
const OPENINGS: (f64, f64) = (1.0, 0.3);
/// What C in sixteen lanes and compiled Python are known to take, s.
const KNOWN_S: [f64; 2] = [0.055, 0.89];
/// All must solve one problem: difference of the mean speed at the end, share. The peers' friction and table differ.
const SPEED_TOLERANCE: f64 = 1.0e-3;

fn pipe(part: f64) -> PipeSpec {
    PipeSpec {
        length_m: 100.0 * (1.0 + 0.001 * part),
        bore_m: 0.1,
        roughness_m: 0.0,
        wave_speed_m_s: 1000.0,
        minor_loss_k: 0.0,
        fixed_darcy_f: Some(0.02 + 0.005 * part),
        creep: None,
        lay_flat: None,
    }
}

fn pump(part: f64) -> PumpSpec {
    PumpSpec {
        rated_speed_rad_s: 150.0,
        rated_flow_m3_s: 0.015,
        rated_head_m: 20.0 + part,
        rated_efficiency: 0.7,
        curve: vec![],
        efficiency: vec![],
        npsh_required_m: 2.0,
        condition: Default::default(),
    }
}

/// Member of the sweep; `part` 0..1.
fn scenario(part: f64) -> Scenario {
    let tank = |level_m| Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY };
    let terminals = [tank(2.0), Terminal::None, Terminal::None, tank(10.0 + part)];
    let node = |(i, terminal): (usize, Terminal)| NodeSpec { name: format!("n{i}"), elevation_m: 0.0, terminal };
    let valve = ValveSpec { kv_open_m3_h: 60.0, curve: vec![], opening: OPENINGS.0 };
    let kinds = [ElementKind::Pump(pump(part)), ElementKind::Pipe(pipe(part)), ElementKind::Valve(valve)];
    let element = |(i, kind)| ElementSpec { name: format!("e{i}"), from: i, to: i + 1, kind };
    let liquid = LiquidSpec {
        density_kg_m3: DENSITY_KG_M3,
        viscosity_m2_s: 1.0e-6,
        bulk_modulus_pa: 2.2e9,
        vapour_pa: 2000.0,
        atmosphere_pa: 1.0e6,
        gravity_m_s2: GRAVITY_M_S2,
    };
    let speed_rad_s = pump(part).rated_speed_rad_s;
    // The cells of all members are one number, so that the step differs from member to member.
    let dt_max_s = pipe(part).length_m / pipe(part).wave_speed_m_s / CELLS as f64;
    Scenario {
        network: NetworkSpec {
            liquid,
            nodes: terminals.into_iter().enumerate().map(node).collect(),
            elements: kinds.into_iter().enumerate().map(element).collect(),
        },
        shaft: ShaftSpec { inertia_kg_m2: 0.1 + 0.02 * part, friction_n_m: 0.0 },
        driver: Arc::new(move || Box::new(FixedSpeed { speed_rad_s, stiffness_n_m_s: STIFFNESS_N_M_S })),
        grid: GridOptions { dt_max_s, wave_speed_adjustment_max: 1.0e-6, ..GridOptions::default() },
        speed_rad_s: Some(speed_rad_s),
        openings: vec![OpeningLaw { element: 2, points: vec![(CLOSES_S.0, OPENINGS.0), (CLOSES_S.1, OPENINGS.1)] }],
    }
}

/// What the peers read.
fn described(scenarios: &[Scenario], parts: &[f64]) -> String {
    let (head, torque) = four_quadrant::tables();
    let mut text = format!("{} {CELLS} {}\n", scenarios.len(), head.len());
    for table in [head, torque] {
        let words: Vec<String> = table.iter().map(ToString::to_string).collect();
        writeln!(text, "{}", words.join(" ")).unwrap();
    }
    for (scenario, part) in scenarios.iter().zip(parts) {
        let (pipe, pump) = (pipe(*part), pump(*part));
        let area_m2 = FRAC_PI_4 * pipe.bore_m * pipe.bore_m;
        let cell_m = pipe.length_m / CELLS as f64;
        let friction = pipe.fixed_darcy_f.unwrap() * cell_m / (2.0 * GRAVITY_M_S2 * pipe.bore_m * area_m2 * area_m2);
        let state = steady::solve(&scenario.network, pump.rated_speed_rad_s).unwrap();
        let power_w = DENSITY_KG_M3 * GRAVITY_M_S2 * pump.rated_flow_m3_s * pump.rated_head_m / pump.rated_efficiency;
        let numbers = [
            scenario.grid.dt_max_s,
            pipe.wave_speed_m_s / (GRAVITY_M_S2 * area_m2),
            friction,
            2.0,
            10.0 + part,
            pump.rated_flow_m3_s,
            pump.rated_head_m,
            pump.rated_speed_rad_s,
            power_w / pump.rated_speed_rad_s,
            scenario.shaft.inertia_kg_m2,
            STIFFNESS_N_M_S,
            pump.rated_speed_rad_s,
            OPENINGS.0,
            OPENINGS.1,
            CLOSES_S.0,
            CLOSES_S.1,
            state.flows_m3_s[0],
            pump.rated_speed_rad_s,
            100.0 / GRAVITY_M_S2 * (3600.0_f64 / 60.0).powi(2),
        ];
        let words: Vec<String> = numbers.iter().map(|n| format!("{n:.17e}")).collect();
        writeln!(text, "{}", words.join(" ")).unwrap();
    }
    text.trim_end().to_owned()
}

fn python() -> Option<PathBuf> {
    let venv = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/peers-venv/bin/python");
    venv.exists().then_some(venv)
}

/// Seconds of ours, and the mean speed at the end.
fn ours(scenarios: &[Scenario]) -> (f64, f64) {
    let (mut sum, watch) = (0.0, Stopwatch::start());
    let sweep = Sweep::new(scenarios, &[Probe::Speed]).unwrap();
    // Steps differ by a thousandth from member to member; all run until the longest has taken the full number.
    let until_s = STEPS as f64 * DT_S * 1.001;
    let report = sweep.run((until_s, until_s), 1, &mut |_: usize, trace: Trace| {
        assert!(trace.failed.is_none(), "{:?}", trace.failed);
        sum += trace.values.last().unwrap();
    });
    assert_eq!(report.alone, 0, "{report:?}");
    (watch.ns() * 1.0e-9, sum / scenarios.len() as f64)
}

fn against((name, known_s): (&str, f64), mut peer: Peer, scenarios: &[Scenario], text: &str, ours_over: bool) {
    peer.tell(text);
    let mut measured = Vec::new();
    for pair in 0..=PAIRS {
        let (ours_s, speed) = ours(scenarios);
        let answer = peer.ask(&STEPS.to_string());
        if pair == 0 {
            let off = (speed / answer[1] - 1.0).abs();
            println!("check {name} mean speed {speed:.6} rad/s, peer {:.6} rad/s, off by {off:.1e}", answer[1]);
            assert!(off < SPEED_TOLERANCE, "not one problem");
            continue;
        }
        measured.push((ours_s, answer[0] * 1.0e-9));
    }
    let (ratio, ours_s, theirs_s) = compared(&measured);
    let ratio = if ours_over { ratio } else { 1.0 / ratio };
    println!("ratio {name} {ratio:.3}");
    println!("abs {name} {ours_s:.4} {theirs_s:.4} s");
    judge(name, theirs_s, known_s, "s");
}

fn main() {
    let asked: Vec<String> = std::env::args().filter(|word| ["pace", "band", "sweep"].contains(&&**word)).collect();
    let wanted = |part: &str| asked.is_empty() || asked.iter().any(|word| word == part);
    if wanted("pace") {
        prediction::pace();
    }
    if wanted("band") {
        prediction::band_200();
    }
    if wanted("sweep") {
        sweep();
    }
}

fn sweep() {
    let parts: Vec<f64> = (0..SCENARIOS).map(|i| i as f64 / SCENARIOS as f64).collect();
    let scenarios: Vec<Scenario> = parts.iter().map(|part| scenario(*part)).collect();
    let text = described(&scenarios, &parts);
    say_instructions();
    against(("sweep_vs_c", KNOWN_S[0]), Peer::start(&built("sweep_peer"), &[]), &scenarios, &text, true);
    match python() {
        Some(python) => {
            let script = source("sweep_peer.py").to_string_lossy().into_owned();
            against(("sweep_vs_numba", KNOWN_S[1]), Peer::start(&python, &[script]), &scenarios, &text, false);
        }
        None => println!("skipped sweep_vs_numba: no target/peers-venv (tests/peers/install makes it)"),
    }
}

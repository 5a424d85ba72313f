//! The faces. Golden screens are made from updates alone; `INSTA_UPDATE=always cargo test` rewrites them for review.

use ramprig::api::lead::{CycleView, Reading, Requirement};
use ramprig::api::stage::{
    Controller, ElementView, ElementWord, Grant, Guess, LineUpView, NodeView, Overlay, RigView, SequenceView,
};
use ramprig::api::{Activity, ChannelView, LivePiece, PredictedPiece, RunView, Snapshot, StarterView, Update};
use ramprig::sequence::marks::Phase;
use ramprig::sequence::ports::{Event, Level, LinkState, LinkStatistics, Progress, RunEnd, StopOutcome};
use ramprig::starters::StarterKind;
use ramprig::tui::{Desk, Look, Picture, Shown, draw};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::style::Color;

fn channel(id: &str, label: &str, unit: &str, headline: bool) -> ChannelView {
    ChannelView { id: id.into(), label: label.into(), unit: unit.into(), headline, calibration_caution: None }
}

fn requirement(what: &str, holds: Option<bool>, found: &str, needs: &str) -> Requirement {
    Requirement { what: what.into(), holds, found: found.into(), needs: needs.into(), reading: None }
}

fn readiness() -> Vec<Requirement> {
    let reading = Reading { value: Some(-12_000.0), low: Some(-6.0e4), high: Some(1.0e4), unit: "Pa".into() };
    vec![
        requirement("samples", Some(true), "arrive", "arrive"),
        requirement("emergency-stop circuit", Some(true), "closed", "closed"),
        requirement("selector", Some(false), "LOCAL", "remote"),
        requirement("drive", Some(true), "off", "answers, off, no fault"),
        Requirement {
            what: "suction pressure says that the suction hose is charged".into(),
            holds: Some(true),
            found: String::new(),
            needs: String::new(),
            reading: Some(reading),
        },
        requirement("duty of drive", Some(false), "42 s left", "12 starts an hour at most, a rest of 60 s"),
    ]
}

fn rig() -> RigView {
    let node = |name: &str, level_m| NodeView {
        name: name.into(),
        elevation_m: 0.0,
        level_m,
        outlet: false,
        falls_into: None,
    };
    let element = |name: &str, kind| ElementView {
        name: name.into(),
        kind,
        from: 0,
        to: 1,
        length_m: 40.0,
        bore_m: 0.05,
        opening: None,
    };
    RigView {
        id: "made-bench".into(),
        name: "Made bench".into(),
        pa_per_m: 9_790.0,
        nodes: vec![node("sump", Some(0.0)), node("tank", Some(8.3))],
        elements: vec![element("hose", ElementWord::Pipe), element("throttle", ElementWord::Valve)],
        gauges: vec![],
        line_ups: vec![LineUpView {
            id: "terrace".into(),
            text: "Throttle open.".into(),
            valves: vec![(1, 1.0)],
            levels: vec![(1, 8.3)],
        }],
        rated_speed_rad_s: Some(150.8),
        remote_start: false,
        sequences: vec![
            SequenceView {
                id: "three-starters".into(),
                name: "Two cycles".into(),
                about: "start and stop twice".into(),
                confirms: vec![
                    "The area is clear and the hose is restrained.".into(),
                    "line-up terrace: Throttle open.".into(),
                ],
            },
            SequenceView { id: "one-cycle".into(), name: "One cycle".into(), about: "once".into(), confirms: vec![] },
        ],
    }
}

fn snapshot() -> Snapshot {
    Snapshot {
        remote: Some(true),
        emergency_stop_ok: Some(true),
        rig_id: "made-bench".into(),
        rig_name: "Made bench".into(),
        is_virtual: true,
        invented: true,
        channels: vec![
            channel("p_discharge", "pump discharge", "Pa", true),
            channel("current", "line current", "A", false),
            channel("speed", "shaft speed", "rad/s", false),
        ],
        starters: vec![StarterView {
            id: "drive".into(),
            kind: StarterKind::VariableSpeed,
            link: LinkState::Up,
            running: Some(true),
            fault: Some(0),
        }],
        activity: Activity::Running,
        run: Some(RunView {
            number: 1,
            starter: "drive".into(),
            progress: Some(Progress {
                step: "hold".into(),
                step_number: 6,
                steps: 14,
                cycle: 1,
                cycles: 2,
                in_step_s: 1.5,
                step_s: Some(4.0),
                next: None,
                notes: None,
                may_be_skipped: true,
            }),
            question: None,
            for_audience: false,
            asked: None,
            sequence: "three-starters".into(),
            said: Some("now through the drive".into()),
            stop: None,
            anchor: Some((4.0, Phase::Start, 1)),
            recording: "runs/made.h5".into(),
            end: None,
            recording_complete: false,
        }),
        log: vec![Event { at_s: 4.0, level: Level::Note, text: "start of cycle 1".into() }],
        warnings: vec![],
        samples_lost: None,
        rig_time_s: 12.0,
        links: Vec::new(),
        controller: None,
        controls_note: None,
        guess: None,
        line_up: None,
        readiness: readiness(),
    }
}

/// A ramp from 1 bar to 2 bar between 4 s and 10 s.
fn ramp_pa(at_s: f64) -> f32 {
    (1.0e5 * (1.0 + ((at_s - 4.0) / 6.0).clamp(0.0, 1.0))) as f32
}

fn picture() -> Picture {
    let mut picture = Picture::default();
    picture.apply(Update::Snapshot(Box::new(snapshot())));
    let series = |value: &dyn Fn(f64) -> f32| (0..120).map(|i| value(f64::from(i) * 0.1)).map(|v| (v, v)).collect();
    picture.apply(Update::Live(LivePiece {
        t0_s: 0.0,
        dt_s: 0.1,
        channels: vec![series(&ramp_pa), series(&|_| 7.5), series(&|_| 150.8)],
    }));
    let predicted = (0..85).map(|i| ramp_pa(3.5 + f64::from(i) * 0.1) * 1.05).collect();
    picture.apply(Update::Predicted(vec![PredictedPiece {
        cycle: 1,
        phase: Phase::Start,
        t0_s: -0.5,
        dt_s: 0.1,
        series: vec![predicted, vec![], vec![]],
        lower: vec![],
        upper: vec![],
        fronts: vec![],
    }]));
    picture.rig = Some(rig());
    picture
}

fn desk(shown: Shown) -> Desk {
    Desk { shown, ..Desk::default() }
}

fn drawn(picture: &Picture, desk: &Desk, look: Look, (width, height): (u16, u16)) -> Terminal<TestBackend> {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(picture, desk, look, frame)).unwrap();
    terminal
}

fn screen(picture: &Picture, shown: Shown, size: (u16, u16)) -> String {
    drawn(picture, &desk(shown), Look::default(), size).backend().to_string()
}

const SMALL: (u16, u16) = (80, 24);
const LARGE: (u16, u16) = (120, 40);

/// Our own past output (2026-11): nothing outside says how these screens should look.
fn golden(name: &str, text: &str) {
    insta::with_settings!({snapshot_path => "../golden", prepend_module_to_snapshot => false, omit_expression => true}, {
        insta::assert_snapshot!(name, text);
    });
}

/// The same picture in both sizes.
fn golden_both(name: &str, picture: &Picture, desk: &Desk) {
    for size in [SMALL, LARGE] {
        let text = drawn(picture, desk, Look::default(), size).backend().to_string();
        golden(&format!("terminal-{name}-{}x{}", size.0, size.1), &text);
    }
}

fn with_run(edit: impl FnOnce(&mut Snapshot, &mut RunView)) -> Picture {
    let mut state = snapshot();
    let mut run = state.run.take().unwrap();
    edit(&mut state, &mut run);
    state.run = Some(run);
    let mut picture = picture();
    picture.apply(Update::State(Box::new(state)));
    picture
}

fn banded() -> Picture {
    let mut banded = picture();
    for piece in &mut banded.predicted {
        let scaled = |by: f32| vec![piece.series[0].iter().map(|value| value * by).collect(), vec![], vec![]];
        (piece.lower, piece.upper) = (scaled(0.8), scaled(1.25));
        piece.fronts =
            vec![("hose".into(), (0..85_u8).map(|at| f32::from(at) * 0.4).collect()), ("riser".into(), vec![8.0; 85])];
    }
    banded
}

fn asking(for_audience: bool) -> Picture {
    with_run(|state, run| {
        let text = match for_audience {
            true => "How high will the pressure go?",
            false => {
                "The area round pump, coupling, hose and hose end is clear, guards are on and couplings locked, the hose is restrained."
            }
        };
        run.question = Some((3, text.into()));
        run.for_audience = for_audience;
        run.progress.as_mut().unwrap().notes = Some("Take three guesses from the room.".into());
        state.controller = Some(Controller { name: "A. Tester".into(), from: "this computer".into() });
        state.guess = Some(Guess { question: text.into(), value_pa: 2.2e5, by: "A. Tester".into(), cycle: 1 });
    })
}

fn ended(stop: StopOutcome) -> Picture {
    with_run(|state, run| {
        state.activity = Activity::Idle;
        run.stop = Some(stop);
        let aborted = Some("link lost".into());
        run.end = Some(RunEnd { aborted, taken_over: false, stop, cycles: 0, started: true, refused: false });
    })
}

/// Two cycles of two starters.
fn measured() -> Picture {
    let mut picture = picture();
    let cycle = |cycle, starter: &str, kind, highest| CycleView {
        run: 1,
        cycle,
        starter: starter.into(),
        kind,
        highest: Some(highest),
        lowest: Some(0.9e5),
        predicted_highest: Some(highest * 1.05),
        predicted_lowest: Some(0.8e5),
        guess: (cycle == 1).then_some(3.0e5),
    };
    let overlay = |starter: &str, kind, phase, top: f32| Overlay {
        starter: starter.into(),
        kind,
        run: 1,
        cycle: 1,
        phase,
        t0_s: -1.0,
        dt_s: 0.1,
        spans: (0..60_u8).map(|i| top * (f32::from(i) / 20.0).min(1.0)).map(|v| (v, v)).collect(),
    };
    let (line, drive) = (StarterKind::AcrossTheLine, StarterKind::VariableSpeed);
    picture.measured.cycles = vec![cycle(1, "contactor", line, 3.4e5), cycle(2, "drive", drive, 2.2e5)];
    picture.measured.overlays = vec![
        overlay("contactor", line, Phase::Start, 3.4e5),
        overlay("contactor", line, Phase::Stop, 2.0e5),
        overlay("drive", drive, Phase::Start, 2.2e5),
        overlay("drive", drive, Phase::Stop, 1.0e5),
    ];
    picture
}

#[test]
fn frozen_screens_before_a_start() {
    let mut idle = with_run(|state, _| state.activity = Activity::Idle);
    idle.snapshot.as_mut().unwrap().run = None;
    golden_both("ready", &idle, &desk(Shown::Ready));
    let grant = Grant { key: "0".into(), name: "A. Tester".into(), lease_s: 15.0 };
    let holding =
        Desk { held: Some(grant), notice: Some("A. Tester holds the controls here".into()), ..desk(Shown::Ready) };
    golden_both("ready-held", &idle, &holding);
    golden_both("help", &idle, &desk(Shown::Help));
}

#[test]
fn frozen_screens_of_a_run() {
    golden_both("run", &banded(), &desk(Shown::Run));
    golden_both("run-confirm", &asking(false), &desk(Shown::Run));
    golden_both("run-asked", &asking(true), &Desk { typed: Some("2.".into()), ..desk(Shown::Run) });
    golden_both("run-not-confirmed", &ended(StopOutcome::NotConfirmed), &desk(Shown::Run));
    golden_both("results", &measured(), &desk(Shown::Results));
    golden_both("log", &banded(), &desk(Shown::Log));
}

#[test]
fn frozen_screen_where_the_terminal_knows_ascii_alone() {
    let look = Look { colour: false, ascii: true };
    let text = drawn(&banded(), &desk(Shown::Run), look, SMALL).backend().to_string();
    assert!(text.is_ascii(), "{text}");
    golden("terminal-run-ascii-80x24", &text);
}

#[test]
fn shows_the_same_words_without_colour_and_no_colour_beyond_the_sixteen() {
    let sixteen = |colour: Color| !matches!(colour, Color::Rgb(..) | Color::Indexed(_));
    for shown in Shown::ALL {
        for picture in [banded(), asking(true), ended(StopOutcome::NotConfirmed), measured()] {
            let with = drawn(&picture, &desk(shown), Look::default(), SMALL);
            let without = drawn(&picture, &desk(shown), Look { colour: false, ascii: false }, SMALL);
            assert_eq!(with.backend().to_string(), without.backend().to_string());
            let cells = |terminal: &Terminal<TestBackend>| terminal.backend().buffer().content.clone();
            assert!(cells(&without).iter().all(|cell| cell.fg == Color::Reset && cell.bg == Color::Reset));
            assert!(cells(&with).iter().all(|cell| sixteen(cell.fg) && sixteen(cell.bg)));
        }
    }
}

#[test]
fn goes_by_the_environment() {
    let look = |pairs: &[(&str, &str)]| {
        Look::by(|name| pairs.iter().find(|(known, _)| *known == name).map(|(_, value)| (*value).to_owned()))
    };
    let full = Look { colour: true, ascii: false };
    assert_eq!(look(&[("LANG", "de_DE.UTF-8")]), full);
    assert_eq!(look(&[("LC_ALL", "C.utf8"), ("LANG", "C")]), full);
    assert_eq!(
        look(&[("LC_ALL", ""), ("LC_CTYPE", "de_DE.ISO-8859-1"), ("LANG", "C.UTF-8")]),
        Look { ascii: true, ..full }
    );
    assert_eq!(look(&[]), Look { ascii: true, ..full });
    assert_eq!(look(&[("LANG", "C.UTF-8"), ("NO_COLOR", "1")]), Look { colour: false, ..full });
    assert_eq!(
        look(&[("LANG", "C.UTF-8"), ("NO_COLOR", "")]),
        full,
        "an empty NO_COLOR asks for nothing (no-color.org)"
    );
}

#[test]
fn shows_the_ends_of_the_band_about_the_prediction() {
    let text = screen(&banded(), Shown::Run, LARGE);
    assert!(text.contains("dots predicted, points its band"), "{text}");
    assert!(!screen(&picture(), Shown::Run, LARGE).contains("band"));
    let points = |text: &str| text.chars().filter(|c| *c == '·').count();
    let (with, without) = (points(&text), points(&screen(&picture(), Shown::Run, LARGE)));
    assert!(with > 20 && without == 0, "{with} points with the band, {without} without");
}

/// The prediction is there before anything moves, and says so on the axis: from the start on.
#[test]
fn draws_the_prediction_before_the_start() {
    let before = with_run(|_, run| run.anchor = None);
    let text = screen(&before, Shown::Run, LARGE);
    assert!(text.contains("dots predicted") && text.contains('•'), "{text}");
}

#[test]
fn draws_the_guess_beside_prediction_and_measurement() {
    let text = screen(&asking(true), Shown::Run, LARGE);
    assert!(text.contains("dashes guess") && text.contains('╌') && text.contains("guess 2.20 bar"), "{text}");
    let us = Desk { system: ramprig::units::display::System::Us, ..desk(Shown::Run) };
    let text = drawn(&asking(true), &us, Look::default(), LARGE).backend().to_string();
    // 2.2 bar over 6894.757 Pa (NIST SP 811, appendix B.8).
    assert!(text.contains("guess 31.9 psi"), "{text}");
}

#[test]
fn shows_a_question_whole_on_every_screen() {
    let words = |text: &str| text.replace(['\n', '"'], " ").split_whitespace().collect::<Vec<_>>().join(" ");
    for shown in Shown::ALL {
        let text = words(&screen(&asking(false), shown, SMALL));
        assert!(text.contains("couplings locked, the hose is restrained."), "{shown:?}: {text}");
    }
}

#[test]
fn says_of_a_channel_that_its_calibration_does_not_hold() {
    let mut doubtful = snapshot();
    doubtful.channels[0].calibration_caution = Some("calibration of 2024-01-01 EXPIRED on 2025-01-01".into());
    let mut picture = picture();
    picture.apply(Update::State(Box::new(doubtful)));
    let text = screen(&picture, Shown::Run, LARGE);
    assert!(text.contains("pump discharge, bar gauge: calibration of 2024-01-01 EXPIRED on 2025-01-01"), "{text}");
    assert!(screen(&picture, Shown::Run, SMALL).contains("EXPIRED"));
}

#[test]
fn says_when_the_selector_is_at_local_and_when_the_emergency_stop_is_open() {
    let second_line = |remote, emergency_stop_ok| {
        let picture = with_run(|state, _| (state.remote, state.emergency_stop_ok) = (remote, emergency_stop_ok));
        screen(&picture, Shown::Run, LARGE).lines().nth(1).unwrap().to_owned()
    };
    let says = |line: &str| ["LOCAL", "EMERGENCY STOP is open"].map(|words| line.contains(words));
    assert_eq!(says(&second_line(Some(false), Some(true))), [true, false]);
    assert_eq!(says(&second_line(Some(true), Some(false))), [false, true]);
    assert_eq!(says(&second_line(None, None)), [false, false], "a rig that does not tell");
}

#[test]
fn says_running_only_while_a_motor_is_on() {
    let state_line = |running| {
        let picture = with_run(|state, _| state.starters[0].running = running);
        screen(&picture, Shown::Run, LARGE).lines().nth(1).unwrap().to_owned()
    };
    assert!(state_line(Some(true)).contains("Running: hold"));
    assert!(state_line(Some(false)).contains("Run on, motor off: hold"));
    assert!(state_line(None).contains("Run on: hold"), "not known");
}

#[test]
fn says_beside_or_below_the_name_that_the_controls_time_out() {
    let note = "no sign of life for 9 s, free in 6 s";
    let silent = with_run(|state, _| {
        state.controller = Some(Controller { name: "A. Tester".into(), from: "this computer".into() });
        state.controls_note = Some(note.into());
    });
    for (size, words) in
        [(LARGE, format!("controls: A. Tester (this computer), {note}")), (SMALL, format!("Controls: {note}"))]
    {
        for shown in Shown::ALL {
            let text = screen(&silent, shown, size);
            assert!(text.contains(&words), "{shown:?} at {size:?}: {text}");
        }
    }
}

#[test]
fn shows_the_stop_key_at_every_size_on_every_screen_and_never_panics() {
    for size in [(1, 1), (20, 5), (60, 16), (61, 17), (75, 20), SMALL, LARGE, (300, 100)] {
        for shown in Shown::ALL {
            for picture in [Picture::default(), banded(), asking(false), measured(), ended(StopOutcome::Confirmed)] {
                let text = screen(&picture, shown, size);
                if size.0 >= 20 {
                    assert!(text.contains("s STOP"), "{size:?} {shown:?}:\n{text}");
                }
            }
        }
    }
    let text = screen(&banded(), Shown::Run, (20, 5)).replace('"', " ");
    let plain = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(plain, "s STOP. Running: hold. Window 20x5, needs 60x16.");
}

#[test]
fn law_a_fresh_snapshot_rebuilds_the_same_words() {
    let mut twice = picture();
    twice.apply(Update::Dropped(3));
    twice.apply(Update::Snapshot(Box::new(snapshot())));
    assert_eq!(twice.snapshot, picture().snapshot);
    assert_eq!(twice.missed, 3);
}

/// Median and 99th percentile of the answers, time-outs, retries and wrong check sums of each link, while it runs.
#[test]
fn shows_the_figures_of_each_link() {
    let mut with = picture();
    let figures = LinkStatistics {
        link: "bench".into(),
        latency_p50_ms: Some(1.24),
        latency_p99_ms: Some(18.06),
        timeouts: 2,
        retries: 3,
        crc_errors: 4,
        ..LinkStatistics::default()
    };
    with.snapshot.as_mut().unwrap().links = vec![figures];
    for size in [SMALL, LARGE] {
        let text = screen(&with, Shown::Log, size);
        assert!(text.contains("link median/p99: bench 1.2/18.1 ms, 2 late, 3 retries, 4 CRC"), "{text}");
        assert!(!screen(&picture(), Shown::Log, size).contains("CRC"));
    }
}

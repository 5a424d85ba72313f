//! The faces. Golden screens are made from updates alone; `INSTA_UPDATE=always cargo test` rewrites them for review.

use ramprig::api::{Activity, ChannelView, LivePiece, PredictedPiece, RunView, Snapshot, StarterView, Update};
use ramprig::sequence::marks::Phase;
use ramprig::sequence::ports::{Event, Level, LinkState, LinkStatistics, Progress, RunEnd, StopOutcome};
use ramprig::starters::StarterKind;
use ramprig::tui::{Picture, draw};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn channel(id: &str, label: &str, unit: &str, headline: bool) -> ChannelView {
    ChannelView { id: id.into(), label: label.into(), unit: unit.into(), headline, calibration_caution: None }
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
        guess: None,
        line_up: None,
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
    picture
}

#[test]
fn shows_the_ends_of_the_band_about_the_prediction() {
    let mut banded = picture();
    for piece in &mut banded.predicted {
        let scaled = |by: f32| vec![piece.series[0].iter().map(|value| value * by).collect(), vec![], vec![]];
        (piece.lower, piece.upper) = (scaled(0.8), scaled(1.25));
    }
    let text = screen(&banded, 120, 40);
    assert!(text.contains("dots predicted between the ends of its band"), "{text}");
    assert!(!screen(&picture(), 120, 40).contains("band"));
    let dots = |text: &str| text.chars().filter(|c| *c == '•').count();
    let (with, without) = (dots(&text), dots(&screen(&picture(), 120, 40)));
    assert!(with > 2 * without, "{with} dots with the band, {without} without");
}

#[test]
fn says_of_a_channel_that_its_calibration_does_not_hold() {
    let mut doubtful = snapshot();
    doubtful.channels[0].calibration_caution = Some("calibration of 2024-01-01 EXPIRED on 2025-01-01".into());
    let mut picture = picture();
    picture.apply(Update::Snapshot(Box::new(doubtful)));
    let text = screen(&picture, 120, 40);
    assert!(text.contains("pump discharge, bar gauge: calibration of 2024-01-01 EXPIRED on 2025-01-01"), "{text}");
    assert!(screen(&picture, 80, 24).contains("EXPIRED"));
}

fn screen(picture: &Picture, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(picture, frame)).unwrap();
    terminal.backend().to_string()
}

fn golden(name: &str, text: &str) {
    insta::with_settings!({snapshot_path => "../golden", prepend_module_to_snapshot => false, omit_expression => true}, {
        insta::assert_snapshot!(name, text);
    });
}

#[test]
fn frozen_watch_screen_in_a_run() {
    // Our own past output (2026-11): nothing outside says how this screen should look.
    golden("watch-running-80x24", &screen(&picture(), 80, 24));
    golden("watch-running-120x40", &screen(&picture(), 120, 40));
}

#[test]
fn frozen_watch_screen_that_asks_and_after_an_unconfirmed_stop() {
    let mut asking = snapshot();
    asking.run.as_mut().unwrap().question = Some((3, "hose restrained, area clear?".into()));
    let mut picture = picture();
    picture.apply(Update::State(Box::new(asking)));
    golden("watch-question-80x24", &screen(&picture, 80, 24));
    let mut ended = snapshot();
    ended.activity = Activity::Idle;
    let run = ended.run.as_mut().unwrap();
    run.stop = Some(StopOutcome::NotConfirmed);
    run.end = Some(RunEnd {
        aborted: Some("link lost".into()),
        taken_over: false,
        stop: StopOutcome::NotConfirmed,
        cycles: 0,
        started: true,
        refused: false,
    });
    picture.apply(Update::State(Box::new(ended)));
    golden("watch-not-confirmed-80x24", &screen(&picture, 80, 24));
}

#[test]
fn says_when_the_selector_is_at_local_and_when_the_emergency_stop_is_open() {
    let first_line = |remote, emergency_stop_ok| {
        let mut picture = picture();
        picture.apply(Update::State(Box::new(Snapshot { remote, emergency_stop_ok, ..snapshot() })));
        screen(&picture, 120, 40).lines().next().unwrap().to_owned()
    };
    let says = |line: &str| ["LOCAL", "EMERGENCY STOP OPEN"].map(|words| line.contains(words));
    assert_eq!(says(&first_line(Some(false), Some(true))), [true, false]);
    assert_eq!(says(&first_line(Some(true), Some(false))), [false, true]);
    assert_eq!(says(&first_line(None, None)), [false, false], "a rig that does not tell");
}

#[test]
fn shows_the_stop_key_at_every_size_and_never_panics() {
    for (width, height) in [(1, 1), (20, 5), (60, 16), (80, 24), (300, 100)] {
        let text = screen(&picture(), width, height);
        if width >= 20 {
            assert!(text.to_lowercase().contains("stop"), "{width}x{height}:\n{text}");
        }
    }
    screen(&Picture::default(), 80, 24);
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
    for (width, height) in [(80, 24), (120, 40)] {
        let text = screen(&with, width, height);
        assert!(text.contains("link median/p99: bench 1.2/18.1 ms, 2 late, 3 retries, 4 CRC"), "{text}");
        assert!(!screen(&picture(), width, height).contains("CRC"));
    }
}

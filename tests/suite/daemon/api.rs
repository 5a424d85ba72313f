//! Another face of the same rig, by the client of the API.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Program, command};
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::api::{Activity, LivePiece, RunRequest, Service, ServiceError, Update};
use ramprig::sequence::ports::StopOutcome;

fn request(bench: &Bench, sequence: String, starter: &str) -> RunRequest {
    RunRequest {
        sequence_text: sequence,
        sequence_name: "sequence.toml".into(),
        starter: starter.into(),
        attending: String::new(),
        confirmed_by: Some("virtual rig".into()),
        out_dir: bench.out().display().to_string(),
        label: String::new(),
        band: Some(0),
        face: None,
        from_cycle: None,
    }
}

fn refusal<T: std::fmt::Debug>(answer: Result<T, ServiceError>) -> String {
    match answer.unwrap_err() {
        ServiceError::Refused { text } => text,
        other => panic!("{other}"),
    }
}

#[test]
fn shows_a_run_from_snapshot_to_stop() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let first = view.next().unwrap();
    let Update::Snapshot(snapshot) = first else { panic!("first came {first:?}") };
    assert_eq!((snapshot.rig_id.as_str(), snapshot.activity), (bench.rig.id.as_str(), Activity::Idle));
    assert_eq!(
        (snapshot.channels.len(), snapshot.starters.len()),
        (bench.rig.channels.len(), bench.rig.starters.len())
    );
    assert!(snapshot.invented && snapshot.run.is_none());
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let number = view.ask(async |client| client.start_run(request(&bench, cycle.text(), "soft")).await).unwrap();
    assert_eq!(number, 1);
    assert!(view.reaches_step("hold"), "{:?}", view.state);
    let predicted = view.kinds.iter().position(|kind| *kind == "predicted").expect("a prediction");
    assert!(view.kinds.contains(&"live") && view.kinds.contains(&"log"), "{:?}", view.kinds);
    let anchored = view.wait_state("anchor", |state| state.run.as_ref().is_some_and(|run| run.anchor.is_some()));
    assert!(predicted < view.kinds.len() && anchored.is_virtual);
    let stopped = view.ask(async |client| client.stop("a test".into()).await).unwrap();
    assert_eq!(stopped.sent_to, ["soft"]);
    let ended = view.wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    let run = ended.run.unwrap();
    let end = run.end.unwrap();
    assert_eq!((end.stop, end.started, run.recording_complete), (StopOutcome::Confirmed, true, true));
    assert!(end.aborted.unwrap().contains("a test"));
    bench.witness().assert_all_off();
}

/// Every starter that the run may start, whatever the last poll said: a start order may be out at that moment.
#[test]
fn stops_every_starter_that_the_run_may_start() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let second = "[[step]]\ndo = \"wait\"\nuntil = [\"shaft-at-rest\", \"duty\"]\ntimeout = \"30 s\"\n\
                  [[step]]\ndo = \"start\"\nstarter = \"contactor\"\n[[step]]\ndo = \"hold\"\ntime = \"1 s\"\n[[step]]\ndo = \"stop\"\n";
    let first = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let sequence = format!("{}{second}", first.text());
    view.ask(async |client| client.start_run(request(&bench, sequence, "soft")).await).unwrap();
    view.wait_step("hold");
    let stopped = view.ask(async |client| client.stop("a test".into()).await).unwrap();
    assert_eq!(stopped.sent_to, ["contactor", "soft"]);
    let ended = view.wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    assert_eq!(ended.run.unwrap().end.unwrap().stop, StopOutcome::Confirmed);
    bench.witness().assert_all_off();
}

/// The prediction reaches a face before the start mark does, and one that comes later gets it at once.
#[test]
fn tells_the_prediction_before_the_start_and_to_late_faces() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let cycle = Cycle { hold: "time = \"20 s\"", ..Cycle::brief_ramps() };
    view.ask(async |client| client.start_run(request(&bench, cycle.text(), "drive")).await).unwrap();
    let mut predicted = false;
    loop {
        match view.next().unwrap() {
            Update::Predicted(pieces) => {
                assert!(pieces.iter().all(|piece| piece.series.len() == bench.rig.channels.len()));
                assert!(!pieces.is_empty());
                predicted = true;
            }
            Update::State(state) if state.run.as_ref().is_some_and(|run| run.anchor.is_some()) => break,
            _ => {}
        }
    }
    assert!(predicted, "the start mark came before the prediction");
    let mut late = View::of(&address);
    assert!(matches!(late.next().unwrap(), Update::Snapshot(_)));
    assert!(matches!(late.next().unwrap(), Update::Predicted(_)));
}

#[test]
fn shows_the_stream_without_a_hole_and_in_si() {
    /// Pieces looked at.
    const PIECES: usize = 40;
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let mut pieces: Vec<LivePiece> = Vec::new();
    while pieces.len() < PIECES {
        if let Update::Live(piece) = view.next().unwrap() {
            pieces.push(piece);
        }
    }
    for pair in pieces.windows(2) {
        let end_s = pair[0].t0_s + pair[0].dt_s * pair[0].channels[0].len() as f64;
        assert!(
            (pair[1].t0_s - end_s).abs() < 1e-9,
            "a piece ends at {end_s} s, the next begins at {} s",
            pair[1].t0_s
        );
    }
    for piece in &pieces {
        assert_eq!(piece.channels.len(), bench.rig.channels.len());
        for (series, channel) in piece.channels.iter().zip(&bench.rig.channels) {
            let (least, most) = channel.range;
            let within = |value: f32| f64::from(value) >= least && f64::from(value) <= most;
            assert!(series.iter().all(|(a, b)| a <= b && within(*a) && within(*b)), "{}: {series:?}", channel.id);
        }
    }
}

#[test]
fn rejects_what_makes_no_sense_and_moves_nothing() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let view = View::of(&address);
    let good = || request(&bench, Cycle::default().text(), "contactor");
    let unknown = RunRequest { starter: "winch".into(), ..good() };
    assert!(refusal(view.ask(async |client| client.start_run(unknown).await)).contains("contactor, soft, drive"));
    let bad = RunRequest { sequence_text: "[sequence]\n[[step]]\ndo = \"dance\"\n".into(), ..good() };
    assert!(refusal(view.ask(async |client| client.start_run(bad).await)).contains("sequence.toml:3"));
    let folder = RunRequest { out_dir: "/proc/x".into(), ..good() };
    assert!(refusal(view.ask(async |client| client.start_run(folder).await)).contains("nothing has moved"));
    assert!(refusal(view.ask(async |client| client.confirm(1, "Me".into()).await)).contains("no run"));
    let stopped = view.ask(async |client| client.stop("nobody".into()).await).unwrap();
    assert_eq!((stopped.sent_to.len(), stopped.text.contains("no stop was sent")), (0, true), "{stopped:?}");
    assert_eq!(bench.witness().most_on(), 0);
}

#[test]
fn lets_a_person_confirm_by_name_only_what_is_asked() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let cycle = Cycle { confirm: true, ..Cycle::brief_ramps() };
    let asking =
        RunRequest { confirmed_by: None, attending: "A. Tester".into(), ..request(&bench, cycle.text(), "soft") };
    view.ask(async |client| client.start_run(asking.clone()).await).unwrap();
    let question = |view: &mut View| {
        let asks = |state: &ramprig::api::Snapshot| state.run.as_ref().is_some_and(|run| run.question.is_some());
        view.wait_state("a question", asks).run.unwrap().question.unwrap().0
    };
    let id = question(&mut view);
    assert!(refusal(view.ask(async |client| client.start_run(asking).await)).contains("a run is on"));
    assert!(refusal(view.ask(async |client| client.confirm(id, "  ".into()).await)).contains("name"));
    assert!(
        refusal(view.ask(async |client| client.confirm(id + 7, "A. Tester".into()).await)).contains("does not wait")
    );
    assert_eq!(bench.witness().most_on(), 0, "nothing is on before the confirmation");
    // The area, then the line-up.
    view.ask(async |client| client.confirm(id, "A. Tester".into()).await).unwrap();
    view.wait_state("another question", |state| {
        state.run.as_ref().and_then(|run| run.question.as_ref()).is_some_and(|(other, _)| *other != id)
    });
    let id = question(&mut view);
    view.ask(async |client| client.confirm(id, "A. Tester".into()).await).unwrap();
    let ended = view.wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    let run = ended.run.unwrap();
    assert_eq!(run.end.unwrap().aborted, None);
    let found = crate::stand::peers::h5py_reads(std::path::Path::new(&run.recording));
    assert_eq!(found["header"]["attending"], "A. Tester");
    assert!(found["events"].to_string().contains("confirmed by A. Tester"), "{}", found["events"]);
}

#[test]
fn runs_by_the_owner_when_there_is_one() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let mut program = bench.run(&Cycle::brief_ramps().text(), "soft");
    program.stderr.wait_for(&format!("attached to the owner of terrace-bench at {address}"));
    let ended = program.end();
    ended.expect(0);
    assert_eq!(ended.object()["stop_outcome"], "confirmed");
    owner.interrupt();
    owner.end().expect(0);
}

#[test]
fn rejects_a_second_run_while_one_is_on() {
    let bench = Bench::real_time();
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let mut first = bench.run(&cycle.text(), "drive");
    assert!(View::of_run(&mut first).reaches_step("hold"));
    let second = bench.run(&Cycle::brief_ramps().text(), "soft").end();
    second.expect(2).says("a run is on");
    assert_eq!(second.stdout, "");
    bench.witness().wait_on();
    first.interrupt();
    first.end().expect(3);
    assert_eq!(bench.witness().most_on(), 1);
}

#[test]
fn stops_the_owners_run_by_ctrl_c_of_the_attached() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let program = bench.run(&cycle.text(), "drive");
    assert!(View::of(&address).reaches_step("hold"));
    bench.witness().wait_on();
    program.interrupt();
    program.end().expect(3);
    bench.witness().assert_all_off();
    // The owner goes on.
    assert_eq!(View::of(&address).reaches(|state| state.activity == Activity::Idle).unwrap().activity, Activity::Idle);
    owner.interrupt();
    owner.end().expect(0);
}

/// The process that ordered the run is killed: the hold goes to its end, the motor is stopped, nothing is started any more.
#[test]
fn ends_the_step_and_then_the_run_when_the_process_that_ordered_it_is_killed() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"5 s\"", times: 3, ..Cycle::brief_ramps() };
    let mut attached = bench.run(&cycle.text(), "drive");
    let mut view = View::of(&address);
    assert!(view.reaches_step("hold"));
    attached.kill();
    let ended = view.wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
    let end = ended.run.unwrap().end.unwrap();
    assert!(
        end.aborted.as_deref().is_some_and(|why| why.contains("the face that ordered this run is lost")),
        "{end:?}"
    );
    assert_eq!((end.stop, end.cycles), (StopOutcome::Confirmed, 1), "{end:?}");
    assert!(ended.log.iter().any(|event| event.text.contains("no start follows")), "{:?}", ended.log);
    bench.witness().assert_all_off();
    assert_eq!(bench.witness().starts(2), 1, "one start");
    // A watcher that comes and goes ends nothing: this view is none that the run hangs on.
    owner.interrupt();
    owner.end().expect(0);
}

#[test]
fn stops_its_run_when_the_owner_is_ended() {
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let attached = bench.run(&cycle.text(), "drive");
    assert!(View::of(&address).reaches_step("hold"));
    bench.witness().wait_on();
    owner.interrupt();
    owner.end().expect(3);
    bench.witness().assert_all_off();
    assert_eq!(bench.recordings(".partial"), Vec::<std::path::PathBuf>::new());
    // The attached program has heard how its run ended.
    let ended = attached.end();
    ended.expect(3);
    assert_eq!(ended.object()["stop_outcome"], "confirmed");
}

#[test]
fn says_not_confirmed_when_the_owner_of_an_attached_run_dies() {
    let bench = Bench::real_time();
    let (mut owner, address) = bench.serve();
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::brief_ramps() };
    let attached = bench.run(&cycle.text(), "drive");
    assert!(View::of(&address).reaches_step("hold"));
    bench.witness().wait_on();
    owner.kill();
    let ended = attached.end();
    ended.expect(4).says("NOT confirmed").says("emergency stop");
    assert_eq!(ended.stdout, "");
    bench.witness().wait_off();
}

#[test]
fn watch_refuses_to_draw_where_there_is_no_terminal() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut watch = command(["watch", "--at", &address]);
    let ended = Program::start(watch.stdin(std::process::Stdio::null())).end();
    ended.expect(2).says("terminal");
    assert_eq!(ended.stdout, "");
}

#[test]
fn watch_says_where_it_looked_when_nobody_serves() {
    let folder = tempfile::tempdir().unwrap();
    let mut watch = command(["watch"]);
    watch.arg(rig_path()).arg("--state-dir").arg(folder.path());
    let ended = Program::start(&mut watch).end();
    ended.expect(2).says("nobody serves rig terrace-bench").says(folder.path().to_str().unwrap());
}

/// The only rig that is served needs no name.
#[test]
fn watch_finds_the_only_rig_that_is_served() {
    let bench = Bench::real_time();
    let state = bench.state().display().to_string();
    let watch = || Program::start(command(["watch", "--state-dir", &state]).stdin(std::process::Stdio::null())).end();
    watch().expect(2).says("nobody serves a rig").says(&state);
    let (_owner, _) = bench.serve();
    watch().expect(2).says("draws on a terminal");
}

//! What is looked at before the first write, while a question is open, and until a stop is over.

use super::world::{Bench, World};
use ramprig::rig::register_map::Role;
use ramprig::sequence::duty::DutyLedger;
use ramprig::sequence::executor::PRIMING_QUESTION;
use ramprig::sequence::left_settings::LeftSettings;
use ramprig::sequence::link_proof::LinkProofs;
use ramprig::sequence::ports::*;
use ramprig::sequence::script::shipped;
use std::sync::{Arc, Mutex};

fn holding(world: &World) -> bool {
    world.step.starts_with("hold") && world.on().is_some()
}

fn said(words: &'static str) -> impl Fn(&World) -> bool + Send {
    move |world| world.log.iter().any(|line| line.contains(words))
}

fn reason(end: &RunEnd) -> &str {
    end.aborted.as_deref().unwrap_or_default()
}

fn is_order(line: &str) -> bool {
    ["stop ", "start ", "write ", "select ", "reset ", "clear run ", "heartbeat "]
        .iter()
        .any(|word| line.starts_with(word))
}

/// Lines of the log from this one on.
fn from(bench: &Bench, line: &str) -> Vec<String> {
    let log = bench.log();
    let at = log.iter().position(|known| known == line).unwrap_or_else(|| panic!("no {line:?} in {log:#?}"));
    log[at..].to_vec()
}

#[test]
fn writes_not_even_a_heartbeat_where_it_may_only_look_on() {
    type Change = fn(&mut World);
    let cases: [(&str, Change); 4] = [
        ("may only look on", |world| world.set_bench(Role::Remote, 0)),
        ("may only look on", |world| world.starter("soft").remote = Some(false)),
        ("emergency-stop circuit is open", |world| world.set_bench(Role::EmergencyStopOk, 0)),
        ("emergency-stop circuit is open", |world| world.starter("drive").emergency_stop_ok = Some(false)),
    ];
    for (words, change) in cases {
        let bench = Bench::new().set(change);
        let end = bench.run("drive");
        assert!(reason(&end).contains(words) && !end.started, "{end:?}");
        assert_eq!(bench.lock().sends, 0, "{words}: {:#?}", bench.log());
    }
}

#[test]
fn lets_go_of_everything_when_taken_over_while_a_question_is_open() {
    let waiting = || {
        Bench::new().set(|world| {
            world.answers = false;
            world.starter("drive").fault = 3;
        })
    };
    let bench = waiting().inject(said("ask drive has fault 3"), |world| {
        world.set_bench(Role::Remote, 0);
        world.note("taken over");
    });
    let end = bench.run("drive");
    assert!(end.taken_over && !end.started && reason(&end).contains("selector was moved to local"), "{end:?}");
    assert_eq!(from(&bench, "taken over").iter().find(|line| is_order(line)), None, "{:#?}", bench.log());
    let bench = waiting().inject(said("ask drive has fault 3"), |world| {
        world.set_bench(Role::EmergencyStopOk, 0);
        world.note("pressed");
    });
    let end = bench.run("drive");
    assert!(reason(&end).contains("emergency-stop circuit opened") && !end.started, "{end:?}");
    assert_eq!(from(&bench, "pressed").iter().find(|line| is_order(line)), None, "{:#?}", bench.log());
}

#[test]
fn orders_no_further_stage_when_taken_over_in_the_middle_of_a_stop() {
    let bench =
        Bench::new().set(|world| world.starter("drive").obeys.clear()).inject(holding, World::order_stop).inject(
            |world| world.log.iter().any(|line| line.starts_with("stop drive")),
            |world| {
                world.set_bench(Role::Remote, 0);
                world.note("taken over");
            },
        );
    let end = bench.run("drive");
    assert!(end.taken_over && reason(&end).contains("the run was ending: stopped by A. Tester"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "it runs, and the end says what is true");
    let after = from(&bench, "taken over");
    assert_eq!(after.iter().find(|line| is_order(line)), None, "{after:#?}");
    assert!(after.contains(&"let go drive".to_owned()), "repeats of the stop before end too: {after:#?}");
}

#[test]
fn lets_go_when_a_trip_and_a_take_over_are_seen_in_one_look() {
    let bench = Bench::new().inject(holding, |world| {
        world.trips.push(TripEvent { trip: 0, at_rig_ns: 0, acted_wall_ns: 0, value: 4e5 });
        world.set_bench(Role::Remote, 0);
        world.note("taken over");
    });
    let end = bench.run("drive");
    assert!(end.taken_over, "{end:?}");
    assert_eq!(from(&bench, "taken over").iter().find(|line| is_order(line)), None, "{:#?}", bench.log());
}

#[test]
fn believes_a_starters_own_selector_and_emergency_stop() {
    let bench = Bench::new().set(|world| world.starter("drive").remote = Some(true)).inject(holding, |world| {
        world.starter("drive").remote = Some(false);
    });
    let end = bench.run("drive");
    assert!(end.taken_over && reason(&end).contains("the selector of drive was moved to local"), "{end:?}");
    let bench = Bench::new().inject(holding, |world| world.starter("drive").emergency_stop_ok = Some(false));
    let end = bench.run("drive");
    assert!(reason(&end).contains("emergency-stop circuit opened"), "{end:?}");
    let cut = bench.log().into_iter().find(|line| line.starts_with("stop ")).unwrap();
    assert!(cut.starts_with("stop drive ContactorOff"), "{cut}");
}

#[test]
fn takes_back_the_run_orders_of_an_earlier_session_before_it_resets_or_starts() {
    let bench = Bench::new().set(|world| {
        world.starter("soft").run_left = true;
        world.starter("drive").run_left = true;
        world.starter("drive").fault = 1;
    });
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let log = bench.log();
    let place =
        |wanted: &str| log.iter().position(|line| line == wanted).unwrap_or_else(|| panic!("{wanted}: {log:#?}"));
    let (cleared, reset, start) = (place("clear run drive"), place("reset drive"), place("start drive"));
    assert!(cleared < reset && reset < start && place("clear run soft") < reset, "{log:#?}");
    assert!(log.contains(&"recorded clear run drive".to_owned()), "{log:#?}");
}

#[test]
fn asks_somebody_about_a_fault_whatever_was_confirmed_beforehand() {
    let latched = || Bench::new().set(|world| world.starter("drive").fault = 3);
    let bench = latched();
    bench.run("drive");
    let log = bench.log();
    assert!(log.iter().any(|line| line.starts_with("ask drive has fault 3 latched")), "{log:#?}");
    assert!(!log.iter().any(|line| line.contains("fault 3 latched") && line.contains("given beforehand")), "{log:#?}");
    let bench = latched().set(|world| world.answers = false).inject(said("ask drive has fault 3"), World::order_stop);
    let end = bench.run("drive");
    assert_eq!(reason(&end), "stopped by A. Tester");
    assert!(!bench.log().iter().any(|line| line.starts_with("reset ")), "{:#?}", bench.log());
}

/// A process that is killed while its own controller moves the set speed leaves a note of it.
#[test]
fn notes_a_set_speed_that_its_own_controller_moves_and_puts_it_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("rig.settings.json");
    let hold = "[[step]]\ndo = \"hold\"\ntime = \"6 s\"\nset_point = { controller = \"program\", channel = \"p_discharge\", \
                at = \"0.95 barg\", span = \"1 bar\", gain = 0.3, integral_time = \"1.5 s\", tick = \"500 ms\", \
                lowest_speed = 0.5, highest_speed = 0.9 }\n";
    let sequence = format!(
        "[sequence]\nid = \"s\"\nname = \"S\"\nabout = \"made for a test\"\n[[step]]\ndo = \"line-up\"\nline_up = \"terrace\"\n\
         [[step]]\ndo = \"wait\"\nuntil = [\"shaft-at-rest\", \"duty\"]\ntimeout = \"60 s\"\n[[step]]\ndo = \"start\"\n{hold}\
         [[step]]\ndo = \"stop\"\n"
    );
    let found = path.clone();
    let bench = Bench::new()
        .set(|world| {
            world.sequence = Some(sequence);
            world.settings_note = Some(path.clone());
        })
        .inject(said("by the program's controller"), move |world| {
            let note = LeftSettings::load(&found).unwrap();
            let left = note.of("drive").expect("a note before the write").clone();
            world.note(format!(
                "noted speed {:?} before {:?}, timer {:?}",
                left.written.speed, left.before.speed, left.before.comm_timeout_s
            ));
        });
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let log = bench.log();
    assert!(log.contains(&"noted speed None before Some(0.5), timer Some(5.0)".to_owned()), "{log:#?}");
    let settings = bench.lock().starter("drive").settings;
    assert_eq!((settings.speed, settings.comm_timeout_s), (Some(0.5), Some(5.0)), "put back as found");
    assert!(!path.exists(), "struck out");
}

#[test]
fn neither_starts_nor_goes_on_beside_a_channel_that_guards_nothing() {
    let failed = |world: &mut World| world.failed_channel = Some("p_discharge".to_owned());
    let bench = Bench::new().set(failed);
    let end = bench.run("drive");
    assert!(reason(&end).contains("p_discharge reads a failure") && !end.started, "{end:?}");
    let bench = Bench::new().inject(holding, failed);
    let end = bench.run("drive");
    assert!(reason(&end).contains("p_discharge reads a failure"), "{end:?}");
    let first = bench.log().into_iter().find(|line| line.starts_with("stop ")).unwrap();
    assert!(first.starts_with("stop drive Ramp"), "the ordinary way: {first}");
    let bench = Bench::new().inject(holding, |world| world.failed_channel = Some("p_valve_up".to_owned()));
    assert_eq!(bench.run("drive").aborted, None, "nothing is guarded by it");
}

#[test]
fn takes_a_shaft_that_never_turned_for_no_proof_of_a_stop() {
    let bench = Bench::new().inject(holding, |world| world.dead_tachometer = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("the shaft reads at rest though drive reports full speed"), "{end:?}");
    let bench = Bench::new().set(|world| {
        world.dead_tachometer = true;
        world.fast_current = false;
        let drive = world.starter("drive");
        (drive.tells_current, drive.reaches_speed) = (false, false);
    });
    let end = bench.run("drive");
    assert_eq!(end.stop, StopOutcome::Inferred, "status alone: {:#?}", bench.log());
}

/// A device at local refuses what is written to it before its selector is polled.
#[test]
fn takes_a_refusal_before_the_selector_is_polled_for_a_take_over() {
    let refusal =
        PortError::Refused { address: "bench".into(), unit: 3, code: 4, meaning: "SERVER DEVICE FAILURE".into() };
    let bench = Bench::new().set(move |world| world.settings_error = Some(refusal)).inject(
        |world| world.log.iter().any(|line| line.starts_with("write settings")),
        |world| world.set_bench(Role::Remote, 0),
    );
    let end = bench.run("drive");
    assert!(end.taken_over && reason(&end).contains("selector was moved to local"), "{end:?}");
    let log = bench.log();
    assert_eq!(log.iter().filter(|line| line.starts_with("write settings")).count(), 1, "{log:#?}");
}

fn silent_sequence() -> String {
    shipped("loss-of-communication").unwrap().to_owned()
}

/// Proof of the starter's own loss-of-communication timer, once a session.
#[test]
fn proves_that_the_starter_stops_by_itself_without_a_heartbeat() {
    let silent = |world: &World| world.step.starts_with("silence") && !world.starters[2].well;
    let bench = Bench::new().set(|world| world.sequence = Some(silent_sequence())).inject(silent, |world| {
        let drive = world.starter("drive");
        (drive.on, drive.fault) = (false, 1);
    });
    let end = bench.run("drive");
    assert_eq!((end.aborted, end.stop), (None, StopOutcome::Confirmed), "{:#?}", bench.log());
    let log = bench.log();
    assert!(log.iter().any(|line| line.contains("drive acted by itself")), "{log:#?}");
    assert!(!log.iter().any(|line| line.starts_with("stop ")), "nothing was ordered: {log:#?}");
    assert!(!bench.lock().starter("drive").well, "silent to the end");
    let bench = Bench::new().set(|world| world.sequence = Some(silent_sequence()));
    let end = bench.run("drive");
    assert!(reason(&end).contains("drive did not stop by itself within 3 s without a heartbeat"), "{end:?}");
    assert!(bench.log().iter().any(|line| line.starts_with("stop drive Coast")), "{:#?}", bench.log());
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

/// What was proven is kept for the session, and told in the next run's header.
#[test]
fn keeps_the_proof_of_a_silence_and_none_of_one_that_failed() {
    let folder = tempfile::tempdir().unwrap();
    let path = LinkProofs::file(folder.path(), "terrace");
    let proven = |acts: bool| {
        let bench = Bench::new().set(|world| {
            world.sequence = Some(silent_sequence());
            world.link_proofs = Some(path.clone());
        });
        let silent = move |world: &World| acts && world.step.starts_with("silence") && !world.starters[2].well;
        let bench = bench.inject(silent, |world| {
            let drive = world.starter("drive");
            (drive.on, drive.fault) = (false, 1);
        });
        bench.run("drive");
        let told = bench.lock().header.clone().unwrap().last_proofs;
        (LinkProofs::load(&path).unwrap().of("drive").cloned(), told)
    };
    let (none, told) = proven(false);
    assert_eq!(none, None);
    assert!(
        told[0].contains("emergency stop was last proven on 2026-11-02") && told[1].contains("never proven"),
        "{told:?}"
    );
    let (proof, _) = proven(true);
    let rig = ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "t").unwrap();
    let proof = proof.expect("a proof");
    assert_eq!((proof.timer_s, proof.is_virtual), (rig.starters[2].comm_timeout_s, false));
    assert!(!proof.at.boot.is_empty(), "{proof:?}");
    let (_, told) = proven(false);
    assert!(told[1].contains("drive: loss of communication proven in this session"), "{told:?}");
}

#[test]
fn starts_again_only_once_somebody_says_that_he_is_there() {
    let watched = || Bench::new().set(|world| world.presence_check_s = Some(5.0));
    // The name given beforehand answers the sequence's own questions; a sign of life it is not.
    let bench = watched();
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let log = bench.log();
    let asked: Vec<usize> = (0..log.len()).filter(|at| log[*at].contains("nobody has answered for")).collect();
    let asked: Vec<usize> = asked.into_iter().filter(|at| log[*at].starts_with("ask ")).collect();
    let starts: Vec<usize> = (0..log.len()).filter(|at| log[*at].starts_with("start drive")).collect();
    assert!(starts.len() >= 2 && !asked.is_empty(), "{log:#?}");
    let later = starts[1];
    assert!(asked.iter().any(|at| (starts[0]..later).contains(at)), "asked between two starts: {log:#?}");
    // Nobody answers: the motor stays off, and a person's stop ends it.
    let bench = watched().set(|world| world.answers = false);
    let bench = bench.inject(
        |world| said("nobody has answered for")(world) && world.on().is_none(),
        |world| {
            world.note("still waiting");
            world.order_stop();
        },
    );
    let end = bench.run("drive");
    assert!(reason(&end).contains("stopped by A. Tester"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
    let after = from(&bench, "still waiting");
    assert!(!after.iter().any(|line| line.starts_with("start ")), "{after:#?}");
    // A rig that wants no check asks nobody.
    let bench = Bench::new();
    bench.run("drive");
    assert!(!bench.log().iter().any(|line| line.contains("nobody has answered")));
}

fn starts_of(bench: &Bench, starter: &str) -> usize {
    let begins = format!("start {starter}");
    bench.log().iter().filter(|line| line.starts_with(&begins)).count()
}

#[test]
fn ends_the_step_and_starts_nothing_more_when_its_face_is_lost() {
    let lost = |world: &mut World| world.orders.push(OperatorOrder::Face { here: false });
    let bench = Bench::new().inject(holding, lost);
    let end = bench.run("drive");
    assert!(reason(&end).contains("the face that ordered this run is lost"), "{end:?}");
    assert_eq!((end.stop, end.cycles), (StopOutcome::Confirmed, 1), "the hold and its own stop were done: {end:?}");
    assert_eq!(starts_of(&bench, "drive"), 1, "{:#?}", bench.log());
    // One that is back in time is as if it had never gone.
    let bench = Bench::new().inject(holding, lost).inject(said("is lost: this step ends"), |world| {
        world.orders.push(OperatorOrder::Face { here: true });
    });
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    assert!(bench.log().iter().any(|line| line.contains("is back")), "{:#?}", bench.log());
}

#[test]
fn stops_after_grace_when_a_lost_face_is_not_back() {
    let text = shipped("three-starters").unwrap();
    let hold = text.find("do = \"hold\"").unwrap();
    let time = hold + text[hold..].find("time = ").unwrap();
    let end = time + text[time..].find('\n').unwrap();
    let long = format!("{}time = \"100 s\"{}", &text[..time], &text[end..]);
    let starting = |world: &World| world.step == "start" && world.on().is_some();
    let bench = Bench::new().set(|world| world.sequence = Some(long)).inject(starting, |world| {
        world.orders.push(OperatorOrder::Face { here: false });
    });
    let end = bench.run("drive");
    assert!(reason(&end).contains("was not back 10 s after its step"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
    assert!(bench.lock().now_s() < 60.0, "not the whole hold: {} s", bench.lock().now_s());
    assert!(bench.log().iter().any(|line| line.starts_with("stop drive Ramp")), "{:#?}", bench.log());
}

/// Rig file: three seconds where it does not say.
#[test]
fn warns_before_a_start_and_starts_nothing_when_somebody_objects() {
    let at = |log: &[String], words: &str| -> f64 {
        let line = log.iter().find(|line| line.starts_with(words)).unwrap_or_else(|| panic!("{words}: {log:#?}"));
        line.split(' ').nth(3).unwrap().parse().unwrap()
    };
    let bench = Bench::new().set(|world| world.warns = true);
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let log = bench.log();
    let place = |words: &str| log.iter().position(|line| line.starts_with(words)).unwrap();
    assert!(place("warn on") < place("start drive") && place("start drive") < place("warn off"), "{log:#?}");
    let lead_s = at(&log, "warn off") - at(&log, "warn on");
    assert!((3.0..3.1).contains(&lead_s), "expected 3 s, got {lead_s} s");
    type Change = fn(&mut World);
    let objections: [(&str, Change); 2] = [
        ("stopped by A. Tester", World::order_stop),
        ("emergency-stop circuit is open", |w| w.set_bench(Role::EmergencyStopOk, 0)),
    ];
    for (words, change) in objections {
        let bench = Bench::new().set(|world| world.warns = true).inject(said("warn on"), change);
        let end = bench.run("drive");
        assert!(reason(&end).contains(words) && !end.started, "{end:?}");
        let log = bench.log();
        assert!(log.iter().any(|line| line.starts_with("warn off")), "{log:#?}");
        assert!(!log.iter().any(|line| line.starts_with("start ")), "{log:#?}");
    }
}

/// The trip for the lost stream acts first and ends the run; the heartbeat stays away all the same.
#[test]
fn withholds_the_heartbeat_when_the_trip_saw_the_loss_first() {
    let bench = Bench::new().inject(holding, |world| {
        let trip = world.rig.trips.iter().position(|trip| trip.id == "stream-lost").unwrap();
        world.trips.push(TripEvent { trip, at_rig_ns: 0, acted_wall_ns: 0, value: f64::NAN });
        world.lost = Some("connection closed".into());
    });
    let end = bench.run("drive");
    assert!(reason(&end).contains("trip stream-lost"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
    assert!(!bench.lock().starter("drive").well);
}

/// The shipped filling of the terrace: the pump has its suction leg to draw empty of air first.
fn priming() -> Bench {
    Bench::new().set(|world| world.sequence = Some(shipped("fill-terrace").unwrap().to_owned()))
}

#[test]
fn stops_a_pump_that_does_not_prime_and_has_a_person_look_after_the_tries_it_has() {
    let duty = Arc::new(Mutex::new(DutyLedger::rested()));
    for round in 1..=2 {
        let bench = priming().set(|world| world.dry = true);
        let end = bench.run_with("drive", "A. Tester", Some("A. Tester"), Arc::clone(&duty));
        let why = end.aborted.clone().unwrap_or_default();
        assert!(why.contains("trip dry-run: p_discharge read 0.000000 40 s after the start"), "{round}: {why}");
        assert_eq!(end.stop, StopOutcome::Confirmed);
        let log = bench.log();
        assert!(log.iter().any(|line| line.starts_with("stop drive Coast (trip dry-run")), "{log:#?}");
        assert!(
            log.iter().any(|line| line.starts_with("event Danger") && line.contains("casing may be hot")),
            "{log:#?}"
        );
        assert_eq!(log.iter().filter(|line| line.contains("2 times, one after the other")).count(), 0, "{round}");
    }
    // The third is not begun before somebody has looked, whatever name was given beforehand.
    let bench = priming().set(|world| world.answers = false).inject(
        |world| world.log.iter().any(|line| line.contains("ran without water 2 times")),
        |world| {
            assert_eq!(world.starters[2].start_count, 0);
            world.orders.push(OperatorOrder::Confirm { id: PRIMING_QUESTION, by: "B. Tester".into() });
        },
    );
    let end = bench.run_with("drive", "A. Tester", Some("A. Tester"), Arc::clone(&duty));
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let primed = bench.log().iter().filter(|line| line.contains("the pump is primed, ")).count();
    assert!(primed >= 1, "{:#?}", bench.log());
    assert_eq!(duty.lock().unwrap().starts_in_vain(ramprig::sequence::duty::MOTOR), 0);
}

#[test]
fn stops_a_pump_that_loses_its_water_for_longer_than_it_may_and_bears_less() {
    let at = |world: &World| world.log.iter().any(|line| line.contains("the pump is primed, "));
    let lose = |for_s: f64| {
        let lost = Arc::new(Mutex::new(None));
        let noted = Arc::clone(&lost);
        let bench = priming().inject(at, move |world| {
            world.dry = true;
            *noted.lock().unwrap() = Some(world.now_s());
        });
        let bench = bench.inject(
            move |world| lost.lock().unwrap().is_some_and(|lost_s| world.now_s() - lost_s >= for_s),
            |world| world.dry = false,
        );
        let end = bench.run("drive");
        end.aborted.unwrap_or_default()
    };
    assert_eq!(lose(9.5), "");
    let why = lose(60.0);
    assert!(why.contains("for 10.0 s") && why.contains("it runs without water"), "{why}");
}

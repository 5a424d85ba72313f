//! Runs that go as they should: order of events, marks, settings, transfer, questions, duty.

use super::world::{Bench, terrace};
use ramprig::rig::register_map::Role;
use ramprig::sequence::duty::{DutyLedger, MOTOR};
use ramprig::sequence::marks::MarkKind;
use ramprig::sequence::ports::{OperatorOrder, SettingsMoment, StopOutcome};
use ramprig::sequence::script::{Script, shipped};
use ramprig::sequence::step::Step;
use ramprig::starters::Settings;
use std::sync::{Arc, Mutex};

fn position(log: &[String], start: &str) -> usize {
    log.iter().position(|line| line.starts_with(start)).unwrap_or_else(|| panic!("no {start:?} in {log:#?}"))
}

/// The shipped sequence's hold, s.
fn hold_s() -> f64 {
    let rig = terrace();
    let script = Script::parse(shipped("three-starters").unwrap(), "s.toml", &rig, 0).unwrap();
    let hold = script.program.iter().find_map(|instruction| match &instruction.step {
        Step::Hold(hold) => Some(hold.time_s),
        _ => None,
    });
    hold.unwrap()
}

#[test]
fn runs_two_cycles_through_each_starter_with_confirmed_stops() {
    for starter in ["contactor", "soft", "drive"] {
        let bench = Bench::new();
        let end = bench.run(starter);
        assert_eq!(end.aborted, None, "{starter}: {:#?}", bench.log());
        assert_eq!((end.cycles, end.stop, end.started, end.taken_over), (2, StopOutcome::Confirmed, true, false));
        let world = bench.lock();
        assert_eq!(world.outcomes, [(1, StopOutcome::Confirmed), (2, StopOutcome::Confirmed)]);
        assert_eq!(world.on(), None);
        let starts = world.log.iter().filter(|line| **line == format!("start {starter}")).count();
        assert_eq!(starts, 2, "{:#?}", world.log);
        assert!(world.slow > 10, "statuses are recorded");
        assert_eq!(world.armed, Vec::<usize>::new(), "trips disarmed at the end");
    }
}

#[test]
fn identifies_reads_records_and_predicts_before_the_first_start() {
    let bench = Bench::new();
    bench.run("drive");
    let log = bench.log();
    let order = [
        "identify contactor",
        "identify soft",
        "identify drive",
        "identify bench",
        "read settings drive",
        "write settings drive",
        "journal header",
        "journal prediction",
        "event Warning The pump starts by remote command",
        "select 3",
        "arm 3",
        "start drive",
        "mark Start",
        "stop drive Ramp",
        "mark Stop",
        "outcome 1 stop confirmed",
        "arm 0",
        "mark Settled",
    ];
    let places: Vec<_> = order.iter().map(|line| position(&log, line)).collect();
    let sorted = places.windows(2).all(|pair| pair[0] < pair[1]);
    assert!(sorted, "wanted {order:#?} in this order, found at {places:?} in {log:#?}");
    assert!(log.iter().all(|line| !line.starts_with("write settings contactor")), "only the run's starter is set");
}

#[test]
fn marks_each_cycle_in_order_and_between_send_and_answer() {
    let bench = Bench::new();
    bench.run("drive");
    let world = bench.lock();
    let kinds: Vec<_> = world.marks.iter().map(|mark| mark.kind.clone()).collect();
    let named = || MarkKind::Named { name: "cycle over".into() };
    let cycle = |cycle| [MarkKind::Start { cycle }, MarkKind::Stop { cycle }, MarkKind::Settled { cycle }, named()];
    assert_eq!(kinds, [cycle(1), cycle(2)].concat());
    assert!(world.marks.windows(2).all(|pair| pair[0].at_s <= pair[1].at_s), "{:#?}", world.marks);
    for mark in world.marks.iter().filter(|mark| matches!(mark.kind, MarkKind::Start { .. })) {
        assert!(mark.u_s > 0.0 && mark.u_s < 0.02, "start mark says how sure it is: {mark:?}");
    }
    // 6 s of ramp, the hold at speed, and polls
    let held_s = world.marks[1].at_s - world.marks[0].at_s;
    let least_s = 6.0 + hold_s();
    assert!((least_s..least_s + 0.3).contains(&held_s), "start to stop took {held_s} s, expected from {least_s} s");
}

#[test]
fn puts_settings_back_as_they_were() {
    let bench = Bench::new();
    let before = bench.lock().starter("drive").settings;
    bench.run("drive");
    assert_eq!(bench.lock().starter("drive").settings, before);
    let log = bench.log();
    assert_eq!(log.iter().filter(|line| *line == "write settings drive").count(), 2, "written once, put back once");
    let header = bench.lock().header.clone().unwrap();
    assert_eq!(header.settings_before, before);
    let recorded = bench.lock().settings.clone();
    let of = |moment| {
        let mut found = recorded.iter().filter(|record| record.moment == moment && record.starter == "drive");
        found.next_back().unwrap().settings
    };
    assert_eq!((of(SettingsMoment::Before), of(SettingsMoment::After)), (before, before));
    assert_eq!(of(SettingsMoment::InForce).ramp_up_s, Some(6.0));
    assert_eq!(header.settings_in_force.ramp_up_s, Some(6.0));
    assert_eq!((header.attending.as_str(), header.starter.as_str()), ("A. Tester", "drive"));
}

#[test]
fn waits_for_transfer_position_and_dead_time_before_the_start() {
    let bench = Bench::new().inject(
        |world| world.log.iter().any(|l| l.starts_with("select")),
        |world| {
            let at = format!("selected at {}", world.now_s());
            world.note(at);
        },
    );
    let bench = bench.inject(
        |world| world.on().is_some(),
        |world| {
            let at = format!("on at {}", world.now_s());
            world.note(at);
        },
    );
    bench.run("soft");
    let log = bench.log();
    let time = |start: &str| log[position(&log, start)].rsplit(' ').next().unwrap().parse::<f64>().unwrap();
    let waited_s = time("on at") - time("selected at");
    assert!((1.0..1.1).contains(&waited_s), "dead time 1 s, waited {waited_s} s");
    assert_eq!(log.iter().filter(|line| *line == "select 2").count(), 1, "no second move for the second cycle");
}

#[test]
fn asks_a_person_when_no_name_was_given() {
    let bench = Bench::new();
    let end = bench.run_as("drive", "A. Tester", None);
    assert_eq!(end.aborted, None);
    let log = bench.log();
    assert_eq!(log.iter().filter(|line| line.starts_with("ask ")).count(), 4, "area and three valves: {log:#?}");
    assert!(log.iter().any(|line| line == "event Note confirmed by B. Tester"), "{log:#?}");
    assert!(position(&log, "ask line-up terrace") < position(&log, "start drive"));
}

#[test]
fn accepts_the_virtual_name_only_from_a_rig_that_says_it_is_virtual() {
    let end = Bench::new().run_as("drive", "virtual rig", Some("virtual rig"));
    assert!(end.aborted.as_ref().is_some_and(|why| why.contains("does not say that it is virtual")), "{end:?}");
    assert!(!end.started);
    let bench = Bench::new().set(|world| {
        world.bench_virtual = true;
        world.starters.iter_mut().for_each(|starter| starter.identity.as_mut().unwrap().is_virtual = true);
    });
    assert_eq!(bench.run_as("drive", "virtual rig", Some("virtual rig")).aborted, None);
}

#[test]
fn waits_out_duty_between_cycles_and_counts_both_starts() {
    let duty = Arc::new(Mutex::new(DutyLedger::unknown()));
    let bench = Bench::new();
    bench.run_with("contactor", "A. Tester", Some("A. Tester"), Arc::clone(&duty));
    let world = bench.lock();
    let at = |wanted: &MarkKind| world.marks.iter().find(|mark| mark.kind == *wanted).unwrap().at_s;
    let rest_s = at(&MarkKind::Start { cycle: 2 }) - at(&MarkKind::Stop { cycle: 1 });
    assert!((6.0..6.3).contains(&rest_s), "rest of 6 s, started after {rest_s} s");
    assert!(at(&MarkKind::Start { cycle: 1 }) >= 6.0, "unknown history: the full rest before the first start");
    let rig = terrace();
    let mut ledger = duty.lock().unwrap();
    assert!(ledger.wait_s(MOTOR, rig.motor_duty) > 0.0);
    let tight = ramprig::rig::model::Duty { starts: None, starts_per_hour: 2, rest_s: 0.0 };
    assert!(ledger.wait_s("contactor", tight) > 3000.0, "two starts are on the books");
    assert!(ledger.wait_s("drive", tight) <= 0.0, "none of the drive's");
}

#[test]
fn runs_the_same_on_a_scaled_rig_whose_polls_are_not_scaled() {
    let bench = Bench::new().set(|world| world.scale = 8.0);
    let end = bench.run("drive");
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn goes_on_when_the_water_does_not_settle_and_says_so() {
    let bench = Bench::new().set(|world| world.quiet = false);
    let end = bench.run("contactor");
    assert_eq!(end.aborted, None);
    let world = bench.lock();
    assert!(world.marks.iter().any(|mark| mark.kind == MarkKind::NotSettled { cycle: 2 }), "{:#?}", world.marks);
    assert!(world.log.iter().any(|line| line.contains("cycle 1: not settled after")), "{:#?}", world.log);
}

#[test]
fn clears_a_latched_fault_only_after_a_person_says_so() {
    let bench = Bench::new().set(|world| world.starter("drive").fault = 1);
    let end = bench.run_as("drive", "A. Tester", None);
    assert_eq!(end.aborted, None, "{:#?}", bench.log());
    let log = bench.log();
    assert!(position(&log, "ask drive has fault 1 latched") < position(&log, "reset drive"));
    assert!(position(&log, "reset drive") < position(&log, "write settings drive"));
    assert_eq!(log.iter().filter(|line| *line == "reset drive").count(), 1);
}

#[test]
fn infers_a_stop_when_nothing_but_the_status_can_tell() {
    let bench = Bench::new().set(|world| {
        world.fast_current = false;
        world.starter("contactor").tells_current = false;
    });
    // the shaft keeps the speed channel busy for a while; with it silent there is no independent fact at all
    let bench = bench.inject(|world| world.step.starts_with("stop"), |world| world.fast_speed = false);
    let end = bench.run("contactor");
    assert_eq!(bench.lock().outcomes.first(), Some(&(1, StopOutcome::Inferred)), "{end:?} {:#?}", bench.log());
}

#[test]
fn leaves_a_bench_alone_that_stands_at_local() {
    let bench = Bench::new().set(|world| world.set_bench(Role::Remote, 0));
    let end = bench.run("drive");
    assert!(end.aborted.as_ref().is_some_and(|why| why.contains("does not stand at remote")), "{end:?}");
    assert_eq!(bench.lock().sends, 0, "{:#?}", bench.log());
    assert_eq!(bench.lock().starter("drive").settings, Settings { ..Bench::new().lock().starter("drive").settings });
}

/// The shipped sequence with a question to those who watch before everything else, and notes beside it.
fn asking() -> String {
    let ask = "[[step]]\ndo = \"ask\"\ntext = \"How high?\"\nnotes = \"three answers\"\n\n[[step]]\ndo = \"confirm\"";
    shipped("three-starters").unwrap().replacen("[[step]]\ndo = \"confirm\"", ask, 1)
}

#[test]
fn asks_those_who_watch_and_waits_for_somebody_to_go_on() {
    let bench = Bench::new().set(|world| world.sequence = Some(asking()));
    assert_eq!(bench.run_as("drive", "A. Tester", None).aborted, None);
    let log = bench.log();
    assert!(position(&log, "ask How high?") < position(&log, "ask The area"), "{log:#?}");
    assert!(log.iter().any(|line| line == "event Note asked those who watch: How high?"), "{log:#?}");
    // Where everything was confirmed beforehand nobody is there to guess.
    let bench = Bench::new().set(|world| world.sequence = Some(asking()));
    assert_eq!(bench.run("drive").aborted, None);
    assert!(!bench.log().iter().any(|line| line.starts_with("ask How high?")));
}

#[test]
fn passes_over_a_hold_when_told_to_and_over_no_confirmation() {
    let skip = |step| OperatorOrder::Skip { step, by: "A. Tester".into() };
    let text = shipped("three-starters").unwrap().replace("time = \"3.5 s\"", "time = \"100000 s\"");
    let bench = Bench::new()
        .set(|world| world.sequence = Some(text))
        .inject(
            |world| world.step.starts_with("hold") && world.cycle == 1,
            move |world| {
                // A step that is not on, and then the one that is: confirm, line up, say, wait, start, hold.
                world.orders.extend([skip(5), skip(6)]);
            },
        )
        .inject(
            |world| world.step.starts_with("hold") && world.cycle == 2,
            move |world| {
                world.orders.push(skip(12));
            },
        );
    let end = bench.run("drive");
    assert_eq!((end.aborted.as_ref(), end.cycles, end.stop), (None, 2, StopOutcome::Confirmed), "{:#?}", bench.log());
    let log = bench.log();
    assert!(log.iter().any(|line| line.contains("step 5 cannot be passed over (A. Tester)")), "{log:#?}");
    assert!(log.iter().any(|line| line.contains("step 6 passed over (A. Tester)")), "{log:#?}");
    let bench = Bench::new().set(|world| world.answers = false).inject(
        |world| world.log.iter().any(|line| line.starts_with("ask The area")),
        move |world| {
            world.orders.push(skip(1));
            world.order_stop();
        },
    );
    assert!(!bench.run_as("drive", "A. Tester", None).started, "a confirmation was passed over");
}

#[test]
fn resumes_at_a_cycle_with_everything_confirmed_anew() {
    let rig = terrace();
    let script = Script::parse(shipped("three-starters").unwrap(), "s.toml", &rig, 2).unwrap();
    assert_eq!(script.from_cycle(1).unwrap(), script);
    assert_eq!((script.from_cycle(0), script.from_cycle(3)), (None, None));
    let second = script.from_cycle(2).unwrap();
    let words = |script: &Script| -> Vec<String> {
        script
            .program
            .iter()
            .map(|instruction| format!("{} {}", instruction.cycle, instruction.step.in_words()))
            .collect()
    };
    assert_eq!((second.cycles, second.text_sha256.clone()), (1, script.text_sha256.clone()));
    let words = words(&second);
    for once in ["0 confirm", "0 line up terrace", "1 start"] {
        assert_eq!(words.iter().filter(|word| *word == once).count(), 1, "{once} in {words:?}");
    }
    assert!(words.iter().all(|word| !word.starts_with('2')), "cycles count from 1: {words:?}");
    let (wait, start) = (position(&words, "0 wait"), position(&words, "1 start"));
    assert!(wait < start && words.last().is_some_and(|word| word.starts_with("1 mark")), "{words:?}");
}

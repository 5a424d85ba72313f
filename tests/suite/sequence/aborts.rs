//! Runs that end early, one way each: what is sent, what is not, what the end says.

use super::world::{Bench, World};
use ramprig::rig::register_map::Role;
use ramprig::sequence::marks::MarkKind;
use ramprig::sequence::ports::*;
use ramprig::starters::StopKind;

fn holding(world: &World) -> bool {
    world.step.starts_with("hold") && world.on().is_some()
}

fn reason(end: &RunEnd) -> &str {
    end.aborted.as_deref().unwrap_or_default()
}

fn down() -> LinkState {
    LinkState::Down { since_wall_ns: 1, reason: "connection reset".into() }
}

fn stops(bench: &Bench) -> Vec<String> {
    bench.log().into_iter().filter(|line| line.starts_with("stop ")).collect()
}

#[test]
fn refuses_to_move_anything_without_a_named_person() {
    for (attending, confirmed) in [("  ", Some("A. Tester")), ("A. Tester", Some(" "))] {
        let bench = Bench::new();
        let end = bench.run_as("drive", attending, confirmed);
        assert!(!end.started && end.aborted.is_some(), "{end:?}");
        assert_eq!(bench.lock().sends, 0, "{:#?}", bench.log());
    }
}

#[test]
fn refuses_a_wrong_device_before_any_write() {
    let bench = Bench::new().set(|world| {
        world.starter("soft").identity =
            Err(PortError::WrongDevice { address: "h:1".into(), unit: 2, found: 1, expected: 2 });
    });
    let end = bench.run("drive");
    assert!(reason(&end).contains("identity register reads 0x0001"), "{end:?}");
    assert!(!end.started);
    assert_eq!(bench.lock().sends, 0, "{:#?}", bench.log());
}

#[test]
fn stops_once_when_a_person_asks_in_each_step() {
    for step in ["confirm", "line up", "wait", "start", "hold", "stop", "settle"] {
        let bench = Bench::new()
            .set(|world| world.quiet = step != "settle")
            .inject(move |world| world.step.starts_with(step), World::order_stop);
        let bench = if matches!(step, "confirm" | "line up") {
            bench.set(|world| world.answers = false).inject(
                move |world| step == "line up" && world.step == "confirm",
                |world| world.orders.push(OperatorOrder::Confirm { id: 1, by: "B. Tester".into() }),
            )
        } else {
            bench
        };
        let confirmed_by = if matches!(step, "confirm" | "line up") { None } else { Some("A. Tester") };
        let end = bench.run_as("drive", "A. Tester", confirmed_by);
        assert_eq!(reason(&end), "stopped by A. Tester", "{step}: {:#?}", bench.log());
        assert_eq!(end.stop, StopOutcome::Confirmed, "{step}");
        assert_eq!(bench.lock().on(), None, "{step}");
        let ours = stops(&bench).into_iter().filter(|line| line.contains("stopped by A. Tester")).count();
        assert_eq!(ours, 1, "{step}: one stop for one request: {:#?}", bench.log());
        let starts = bench.log().iter().filter(|line| line.starts_with("start ")).count();
        assert!(starts <= 1, "{step}: no start after a stop");
        assert_eq!(bench.lock().starter("drive").settings.ramp_up_s, Some(11.0), "{step}: settings put back");
    }
}

#[test]
fn shortens_deadlines_but_skips_no_stage_when_asked_twice() {
    let stubborn = |twice: bool| {
        let bench = Bench::new().set(|world| world.starter("drive").obeys = vec![StopKind::ContactorOff]);
        let bench = bench.inject(holding, |world| {
            world.order_stop();
            let at = format!("asked at {}", world.now_s());
            world.note(at);
        });
        let bench = if twice {
            bench.inject(
                |world| world.log.iter().any(|line| line.starts_with("stop ")),
                |world| world.orders.push(OperatorOrder::Hurry),
            )
        } else {
            bench
        };
        let end = bench.run("drive");
        let log = bench.log();
        let asked = log.iter().find_map(|line| line.strip_prefix("asked at ")).unwrap().parse::<f64>().unwrap();
        let kinds: Vec<_> = stops(&bench).iter().map(|line| line.split(' ').nth(2).unwrap().to_owned()).collect();
        assert_eq!(kinds, ["Ramp", "Coast", "ContactorOff"], "{log:#?}");
        assert_eq!(end.stop, StopOutcome::Confirmed);
        bench.lock().now_s() - asked
    };
    let (once_s, twice_s) = (stubborn(false), stubborn(true));
    assert!((14.0..14.5).contains(&once_s), "6 + 5 s of ramp, 3 s of coast, took {once_s} s");
    assert!((2.0..2.5).contains(&twice_s), "1 s and 1 s, took {twice_s} s");
}

#[test]
fn asks_twice_at_each_step_and_still_sees_the_stop_confirmed() {
    for step in ["wait", "start", "hold", "stop", "settle"] {
        let bench = Bench::new().set(|world| world.quiet = step != "settle").inject(
            move |world| world.step.starts_with(step),
            |world| {
                world.order_stop();
                world.orders.push(OperatorOrder::Hurry);
            },
        );
        let end = bench.run("drive");
        assert_eq!(reason(&end), "stopped by A. Tester", "{step}");
        assert_eq!(end.stop, StopOutcome::Confirmed, "{step}: {:#?}", bench.log());
        assert_eq!(bench.lock().on(), None, "{step}");
    }
}

#[test]
fn stops_in_the_trips_own_way_and_marks_when_the_line_was_pulled() {
    let bench = Bench::new().inject(holding, |world| {
        let at_rig_ns = (world.now_s() * 1e9) as u64;
        let acted_wall_ns = world.wall_ns();
        world.trips.push(TripEvent { trip: 0, at_rig_ns, acted_wall_ns, value: 400_000.0 });
        let line = format!("tripped at {}", world.now_s());
        world.note(line);
    });
    let end = bench.run("drive");
    assert!(reason(&end).starts_with("trip discharge-high: p_discharge read 400000"), "{end:?}");
    assert_eq!((end.stop, end.cycles), (StopOutcome::Confirmed, 0));
    assert_eq!(stops(&bench).len(), 1, "{:#?}", bench.log());
    assert!(stops(&bench)[0].starts_with("stop drive Ramp"), "{:#?}", stops(&bench));
    let log = bench.log();
    let tripped_s = log.iter().find_map(|line| line.strip_prefix("tripped at ")).unwrap().parse::<f64>().unwrap();
    let world = bench.lock();
    let mark = world.marks.iter().find(|mark| mark.kind == MarkKind::Stop { cycle: 1 }).unwrap();
    assert!((mark.at_s - tripped_s).abs() <= 0.01 && mark.u_s > 0.0, "trip {tripped_s} s, mark {mark:?}");
    assert_eq!(world.outcomes, [(1, StopOutcome::Confirmed)]);
}

#[test]
fn cuts_after_the_trips_deadline_when_the_ramp_does_not_stop_it() {
    let bench =
        Bench::new().set(|world| world.starter("drive").obeys = vec![StopKind::Coast]).inject(holding, |world| {
            world.trips.push(TripEvent { trip: 0, at_rig_ns: 0, acted_wall_ns: 0, value: 4e5 });
        });
    let end = bench.run("drive");
    let kinds: Vec<_> = stops(&bench).iter().map(|line| line.split(' ').nth(2).unwrap().to_owned()).collect();
    assert_eq!(kinds, ["Ramp", "Coast"]);
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn stops_when_the_samples_are_lost_and_judges_by_wall_time() {
    let bench = Bench::new().inject(holding, |world| world.lost = Some("no frame for 500 ms".into()));
    let end = bench.run("drive");
    assert!(reason(&end).contains("sample stream is lost"), "{end:?}");
    assert!(stops(&bench)[0].starts_with("stop drive Ramp"), "{:#?}", stops(&bench));
    assert_eq!(end.stop, StopOutcome::Confirmed, "status and the device's own current: {:#?}", bench.log());
    assert!(!bench.lock().starter("drive").well, "heartbeat withheld: blind is not well");
}

#[test]
fn ends_not_confirmed_when_the_link_stays_away() {
    let bench = Bench::new().inject(holding, |world| world.starter("drive").link = down());
    let end = bench.run("drive");
    assert!(reason(&end).contains("link to drive is lost: connection reset"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::NotConfirmed);
    assert!(stops(&bench).len() >= 2, "stops are ordered all the same: {:#?}", stops(&bench));
    assert!(!bench.lock().starter("drive").well, "heartbeat withheld, so the starter's own timer acts");
    assert_eq!(bench.lock().outcomes, [(1, StopOutcome::NotConfirmed)]);
    let log = bench.log();
    assert!(log.iter().any(|line| line.starts_with("event Danger") && line.contains("emergency stop")), "{log:#?}");
    assert!(log.iter().filter(|line| *line == "write settings drive").count() == 1, "settings stay: {log:#?}");
}

#[test]
fn confirms_after_all_when_the_link_comes_back_and_says_off() {
    let bench = Bench::new()
        .inject(holding, |world| {
            world.starter("drive").link = down();
            world.starter("drive").on = false;
            world.starter("drive").fault = 1;
        })
        .inject(
            |world| world.starters.iter().any(|s| s.link != LinkState::Up) && world.speed_rad_s <= 0.0,
            |world| world.starter("drive").link = LinkState::Up,
        );
    let end = bench.run("drive");
    assert_eq!(end.stop, StopOutcome::Confirmed, "{:#?}", bench.log());
}

#[test]
fn stops_when_slow_values_are_stale_though_the_link_is_up() {
    let bench = Bench::new().inject(holding, |world| world.polls_frozen = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("the status of drive is 2.0 s old (limit 2 s) though its link is up"), "{end:?}");
    assert!(stops(&bench)[0].starts_with("stop drive Coast"), "as for a lost link: {:#?}", stops(&bench));
    assert!(!bench.lock().starter("drive").well, "heartbeat withheld, so the starter's own timer acts");
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "a status from before the stop proves nothing");
    let bench = Bench::new().inject(holding, |world| world.bench_frozen_ns = Some(world.wall_ns()));
    let end = bench.run("drive");
    assert!(reason(&end).contains("the newest value of the bench unit is 2.0 s old"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn stops_when_the_bench_units_link_is_lost() {
    let bench = Bench::new().inject(holding, |world| world.bench_link = down());
    let end = bench.run("drive");
    assert!(reason(&end).contains("bench unit is lost"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn cuts_at_once_on_emergency_stop_and_on_a_starters_fault() {
    let bench = Bench::new().inject(holding, |world| world.set_bench(Role::EmergencyStopOk, 0));
    let end = bench.run("drive");
    assert!(reason(&end).contains("emergency-stop circuit opened"), "{end:?}");
    assert!(stops(&bench)[0].starts_with("stop drive ContactorOff"), "{:#?}", stops(&bench));
    let bench = Bench::new().inject(holding, |world| world.starter("drive").fault = 7);
    let end = bench.run("drive");
    assert!(reason(&end).contains("drive reports fault 7"), "{end:?}");
    assert!(stops(&bench)[0].starts_with("stop drive Coast"), "{:#?}", stops(&bench));
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn cuts_when_another_starter_comes_on() {
    let bench = Bench::new().inject(holding, |world| world.starter("soft").on = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("soft came on while drive was on"), "{end:?}");
    assert!(stops(&bench).iter().all(|line| line.starts_with("stop drive")), "only our own: {:#?}", stops(&bench));
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "the motor turns: {end:?}");
}

/// Its own status and current say off; the motor turns all the same.
#[test]
fn confirms_no_stop_while_another_starter_is_on() {
    let bench =
        Bench::new().set(|world| world.fast_current = false).inject(holding, |world| world.starter("soft").on = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("soft came on while drive was on"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "{:#?}", bench.log());
}

#[test]
fn cuts_a_starter_that_comes_on_again_after_its_stop() {
    for cycles in [1, 2] {
        let bench = Bench::new()
            .set(|world| world.quiet = false)
            .inject(move |world| world.outcomes.len() == cycles, |world| world.starter("drive").on = true);
        let end = bench.run("drive");
        assert!(reason(&end).contains("drive came on though it was stopped and no start was ordered"), "{end:?}");
        assert!(stops(&bench).last().unwrap().starts_with("stop drive ContactorOff"), "{:#?}", stops(&bench));
        assert_eq!(end.stop, StopOutcome::Confirmed, "{end:?}");
        assert_eq!(bench.lock().on(), None);
    }
}

#[test]
fn tells_and_does_not_stop_a_motor_that_somebody_else_started_after_the_stop() {
    let bench = Bench::new()
        .set(|world| world.quiet = false)
        .inject(|world| world.outcomes.len() == 1, |world| world.starter("soft").on = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("soft came on though it was stopped"), "{end:?}");
    assert!(stops(&bench).iter().all(|line| line.starts_with("stop drive")), "{:#?}", stops(&bench));
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "the motor turns: {end:?}");
}

/// A transducer that reads nothing at full speed proves nothing by reading nothing afterwards; another fact still does.
#[test]
fn takes_a_current_that_was_never_seen_for_no_proof_of_a_stop() {
    for (dead, said) in [(false, "line current off"), (true, "line current unknown")] {
        let bench = Bench::new().set(|world| world.dead_current = dead);
        assert_eq!(bench.run("drive").stop, StopOutcome::Confirmed, "by the drive's own current and the shaft");
        let words = format!("cycle 1: stop confirmed (status off, {said}, device current off, shaft at rest)");
        assert!(bench.log().iter().any(|line| line.contains(&words)), "{words}: {:#?}", bench.log());
    }
}

#[test]
fn ends_when_the_starter_goes_off_never_comes_on_or_never_reaches_its_speed() {
    let bench = Bench::new().inject(holding, |world| world.starter("drive").on = false);
    assert!(reason(&bench.run("drive")).contains("drive went off by itself"));
    let bench = Bench::new().set(|world| world.starter("drive").starts = false);
    assert!(reason(&bench.run("drive")).contains("did not report its output on within 5 s"));
    let bench = Bench::new().set(|world| world.starter("drive").reaches_speed = false);
    let end = bench.run("drive");
    assert!(reason(&end).contains("did not reach its speed within 20 s"), "{end:?}");
    assert_eq!(end.stop, StopOutcome::Confirmed);
}

#[test]
fn sends_nothing_more_after_a_take_over() {
    type Change = fn(&mut World);
    let take_overs: [(&str, Change); 3] = [
        ("selector was moved to local", |world| world.set_bench(Role::Remote, 0)),
        ("changed a setting: drive: ramp up (s) was 6, reads 2", |world| {
            world.starter("drive").settings.ramp_up_s = Some(2.0);
        }),
        ("transfer device was moved from position 3 to 1", |world| world.set_bench(Role::TransferPosition, 1)),
    ];
    for (text, change) in take_overs {
        let bench = Bench::new().inject(holding, move |world| {
            change(world);
            world.note("taken over");
        });
        let end = bench.run("drive");
        assert!(end.taken_over && reason(&end).contains(text), "{end:?}");
        let log = bench.log();
        let from = log.iter().position(|line| line == "taken over").unwrap();
        let sent =
            |line: &&String| ["stop ", "start ", "write ", "select ", "reset "].iter().any(|w| line.starts_with(w));
        assert_eq!(log[from..].iter().find(sent), None, "{text}: {log:#?}");
        assert!(!bench.lock().starter("drive").well, "{text}: a heartbeat is a write too");
        assert_eq!(bench.lock().on(), Some(2), "{text}: the motor is left to the person at the rig");
        assert_eq!(end.stop, StopOutcome::NotConfirmed, "{text}: it runs, and the end says what is true");
    }
}

/// The contactor drops at once, the bench unit tells why at its next poll.
#[test]
fn lets_go_when_the_selector_tells_later_than_the_status() {
    const LATER_NS: u64 = 100_000_000;
    let bench = Bench::new()
        .inject(holding, |world| {
            world.bench_frozen_ns = Some(world.wall_ns() - 1);
            world.starter("drive").on = false;
        })
        .inject(
            |world| world.bench_frozen_ns.is_some_and(|at_ns| world.wall_ns() > at_ns + LATER_NS),
            |world| {
                world.bench_frozen_ns = None;
                world.set_bench(Role::Remote, 0);
            },
        );
    let end = bench.run("drive");
    assert!(end.taken_over && reason(&end).contains("selector was moved to local"), "{end:?}");
    assert_eq!(stops(&bench), Vec::<String>::new());
}

#[test]
fn leaves_settings_that_others_changed_after_the_last_stop() {
    let bench = Bench::new()
        .inject(|world| world.outcomes.len() == 2, |world| world.starter("drive").settings.ramp_up_s = Some(3.0));
    let bench = bench.set(|world| world.quiet = true);
    bench.run("drive");
    assert_eq!(bench.lock().starter("drive").settings.ramp_up_s, Some(3.0), "{:#?}", bench.log());
}

#[test]
fn stops_when_the_record_fails_and_then_says_so() {
    for (what, starts) in [("header", 0), ("prediction", 0), ("mark", 1), ("outcome", 1)] {
        let bench = Bench::new().set(|world| world.journal_fails = Some(what));
        let end = bench.run("drive");
        assert!(reason(&end).contains("no space left"), "{what}: {end:?}");
        assert_eq!(bench.lock().on(), None, "{what}");
        assert_eq!(end.stop, StopOutcome::Confirmed, "{what}: {:#?}", bench.log());
        let log = bench.log();
        assert_eq!(log.iter().filter(|line| line.starts_with("start ")).count(), starts, "{what}: {log:#?}");
    }
}

#[test]
fn never_calls_a_welded_contact_stopped() {
    let bench = Bench::new().inject(holding, |world| world.starter("contactor").welded = true);
    let end = bench.run("contactor");
    assert_eq!(end.stop, StopOutcome::NotConfirmed, "{:#?}", bench.log());
    assert!(!bench.lock().starter("contactor").well);
}

#[test]
fn stops_when_the_start_order_fails_because_it_may_have_arrived() {
    let timeout = PortError::Timeout { address: "h:1".into(), unit: 3, timeout_ms: 250 };
    let bench = Bench::new().set(move |world| world.starter("drive").order_error = Some(timeout));
    let end = bench.run("drive");
    assert!(reason(&end).contains("no answer within 250 ms"), "{end:?}");
    assert!(end.started);
    assert_eq!((bench.lock().on(), end.stop), (None, StopOutcome::Confirmed), "{:#?}", bench.log());
}

#[test]
fn refuses_a_start_that_an_interlock_forbids_and_names_every_reason() {
    let selected = |world: &World| world.log.iter().any(|line| line.starts_with("select "));
    let bench = Bench::new().inject(selected, |world| world.set_bench(Role::EmergencyStopOk, 0));
    let end = bench.run("drive");
    assert!(reason(&end).contains("no start: "), "{end:?}");
    assert!(reason(&end).contains("the emergency-stop circuit is open"), "{end:?}");
    assert!(!end.started);
    let bench = Bench::new().set(|world| world.transfer_moves = false);
    let end = bench.run("drive");
    assert!(reason(&end).contains("transfer device reads position 0, 3 is needed"), "{end:?}");
    let bench = Bench::new().set(|world| world.starter("soft").on = true);
    let end = bench.run("drive");
    assert!(reason(&end).contains("soft is on, and this run did not start it"), "{end:?}");
    assert_eq!(stops(&bench), Vec::<String>::new());
}

#[test]
fn ends_when_a_device_or_the_stream_never_answers() {
    let bench = Bench::new().set(|world| world.starter("soft").link = down());
    assert!(reason(&bench.run("drive")).contains("no answer within 5 s from: soft"));
    let bench = Bench::new().set(|world| world.lost = Some("connection refused".into()));
    assert!(reason(&bench.run("drive")).contains("the sample stream (connection refused)"));
}

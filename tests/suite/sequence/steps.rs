//! Tables of states and observations for each step, and laws of the machine: pure, no clock, no ports.

use super::world::terrace;
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use ramprig::sequence::interlock::{Ending, Rules, Watch, start_blockers};
use ramprig::sequence::machine::{Advance, Command, State, advance};
use ramprig::sequence::marks::MarkKind;
use ramprig::sequence::observations::{BenchFacts, Observations, OrderMoment, StarterFacts};
use ramprig::sequence::ports::StopOutcome;
use ramprig::sequence::script::{Script, shipped};
use ramprig::sequence::step::Step;
use ramprig::starters::StopKind;

const DRIVE: usize = 2;
const SPEED: usize = 7;
const CURRENT: usize = 6;

fn script(rig: &Rig) -> Script {
    Script::parse(shipped("three-starters").unwrap(), "s.toml", rig, DRIVE).unwrap()
}

/// Everything as it has to be for a start of the drive.
fn well(rig: &Rig) -> Observations {
    let off = StarterFacts {
        link_up: true,
        polls_since_order: 9,
        running: Some(false),
        at_speed: Some(false),
        fault: Some(0),
        current_a: Some(0.0),
        ..StarterFacts::default()
    };
    let mut mean = vec![60_000.0; rig.channels.len()];
    mean[0] = -24_000.0;
    mean[SPEED] = 0.0;
    mean[CURRENT] = 0.0;
    Observations {
        attended: true,
        prediction_stored: true,
        stream_alive: true,
        starters: vec![off; 3],
        bench: Some(BenchFacts {
            link_up: true,
            values: vec![(Role::Remote, 1), (Role::EmergencyStopOk, 1), (Role::TransferPosition, 3)],
        }),
        mean,
        span_1s: vec![100.0; rig.channels.len()],
        duty_wait_s: vec![0.0; 3],
        ..Observations::default()
    }
}

fn running(rig: &Rig) -> Observations {
    let mut seen = well(rig);
    seen.starters[DRIVE].running = Some(true);
    seen.starters[DRIVE].current_a = Some(7.0);
    seen.mean[CURRENT] = 7.0;
    seen.mean[SPEED] = 150.0;
    seen
}

/// A state at instruction `at`, entered at 0 s, transfer device long in place.
fn at(at: usize, energised: bool) -> State {
    let watch = Watch { position: Some((3, -100.0)), all_off_since_s: Some(-100.0), lined_up: Some((0, -100.0)) };
    State { at, watch, energised: energised.then_some(DRIVE), ..State::at_start(0.0) }
}

fn turn(rig: &Rig, state: State, seen: &Observations, now_s: f64) -> Advance {
    advance(&script(rig), state, seen, now_s)
}

// Program: 0 confirm, 1 line-up, 2 say, then 3 wait, 4 start, 5 hold, 6 stop, 7 settle, 8 mark; 9.. the second cycle.

#[test]
fn confirm_asks_once_and_waits_for_its_own_answer() {
    let rig = terrace();
    let mut seen = well(&rig);
    let first = turn(&rig, at(0, false), &seen, 0.0);
    assert!(matches!(&first.commands[..], [Command::Ask { id: 1, .. }]), "{first:?}");
    seen.answers.insert(2);
    let second = turn(&rig, first.state, &seen, 1e6);
    assert_eq!((second.commands.len(), second.state.at), (0, 0), "no time-out, no second question");
    seen.answers.insert(1);
    let third = turn(&rig, second.state, &seen, 1e6);
    assert_eq!(third.state.at, 1, "{third:?}");
}

#[test]
fn line_up_tells_which_one_stands_then_say_passes_at_the_same_instant() {
    let rig = terrace();
    let mut seen = well(&rig);
    let nobody = at(1, false);
    let mut walk = turn(&rig, State { watch: Watch { lined_up: None, ..nobody.watch }, ..nobody }, &seen, 0.0);
    seen.mean[SPEED] = 5.0;
    for (number, valve) in ["throttle fully open", "fill_valve shut", "return_valve shut"].into_iter().enumerate() {
        let [Command::Ask { id, text }] = &walk.commands[..] else { panic!("{walk:?}") };
        assert!(text.ends_with(&format!("Valve {} of 3: {valve}", number + 1)), "{text}");
        assert_eq!(text.contains("hose laid out"), number == 0, "the whole is said once: {text}");
        assert_eq!(walk.state.watch.lined_up, None, "not before the last valve");
        let still = turn(&rig, walk.state.clone(), &seen, 1e6);
        assert_eq!((still.commands.len(), still.state.at), (0, 1), "each valve waits for its own answer");
        seen.answers.insert(*id);
        walk = turn(&rig, still.state, &seen, 0.0);
    }
    let after = walk;
    assert!(matches!(&after.commands[..], [Command::LinedUp { line_up: 0 }, Command::Say { .. }]), "{after:?}");
    assert_eq!(after.state.watch.lined_up, Some((0, 0.0)));
    assert_eq!(after.state.at, 3, "the wait stays while the shaft turns");
}

#[test]
fn line_up_asks_once_where_the_valves_tell_how_they_stand_and_for_the_charge_before_priming() {
    let mut rig = terrace();
    rig.line_ups.swap(0, 1);
    let mut seen = well(&rig);
    seen.bench.as_mut().unwrap().values.push((Role::LineUp, 2));
    let text = shipped("three-starters").unwrap().replace("line_up = \"terrace\"", "line_up = \"fill-terrace\"");
    let script = Script::parse(&text, "s.toml", &rig, DRIVE).unwrap();
    let mut walk = advance(&script, at(1, false), &seen, 0.0);
    let mut asked = Vec::new();
    while let [Command::Ask { id, text }] = &walk.commands[..] {
        asked.push(text.clone());
        seen.answers.insert(*id);
        walk = advance(&script, walk.state, &seen, 0.0);
    }
    assert_eq!(asked.len(), 4, "{asked:#?}");
    assert!(asked[0].contains("(fill_valve fully open, throttle shut, return_valve shut)"), "{}", asked[0]);
    assert!(asked[1].ends_with("read at the tanks: sump 0.00 m, terrace 8.30 m"), "{}", asked[1]);
    assert!(asked[2].contains("casing is charged") && asked[2].contains("cold"), "{}", asked[2]);
    assert!(asked[3].contains("vent path open"), "{}", asked[3]);
    assert_eq!(walk.state.at, 1, "it waits until the valves stand so");
    seen.bench.as_mut().unwrap().values[3].1 = 1;
    assert!(advance(&script, walk.state, &seen, 1.0).state.at > 1);
}

#[test]
fn start_has_valves_looked_at_again_after_their_time_and_a_confirmed_stop_renews_it() {
    let rig = terrace();
    let valid_s = rig.line_up_valid_s;
    let mut seen = well(&rig);
    let now_s = valid_s - 99.9;
    assert!(matches!(turn(&rig, at(4, false), &seen, now_s - 0.2).commands[..], [Command::Start { .. }]), "in time");
    let mut walk = turn(&rig, at(4, false), &seen, now_s);
    for valve in 0..3 {
        let [Command::Ask { id, .. }] = &walk.commands[..] else { panic!("valve {valve}: {walk:?}") };
        seen.answers.insert(*id);
        walk = turn(&rig, walk.state, &seen, now_s + 1.0);
    }
    assert!(matches!(walk.commands[..], [Command::LinedUp { line_up: 0 }]), "{walk:?}");
    let started = turn(&rig, walk.state, &seen, now_s + 1.1);
    assert!(matches!(started.commands[..], [Command::Start { .. }]), "{started:?}");
    let mut stopped = turn(&rig, at(6, true), &running(&rig), 500.0);
    let mut off = well(&rig);
    off.latest_order = Some(OrderMoment { instruction: 6, at_s: 500.0, u_s: 0.0 });
    for now_s in [500.1, 500.2] {
        stopped = turn(&rig, stopped.state, &off, now_s);
    }
    assert_eq!(stopped.state.watch.lined_up.map(|(line_up, at_s)| (line_up, at_s > 500.0)), Some((0, true)));
}

#[test]
fn law_no_start_leaves_without_a_line_up_that_stands() {
    let rig = terrace();
    let rules = Rules::of(&rig);
    let watch = at(4, false).watch;
    let words = |watch: &Watch, seen: &Observations| {
        ramprig::sequence::interlock::in_words(&start_blockers(&rules, seen, watch, DRIVE, rig.line_up_valid_s))
    };
    let nobody = Watch { lined_up: None, ..watch.clone() };
    assert_eq!(words(&nobody, &well(&rig)), "nobody has confirmed the line-up");
    assert!(words(&watch, &well(&rig)).contains("line-up terrace was last confirmed 62 min ago"));
    let mut seen = well(&rig);
    seen.bench.as_mut().unwrap().values.push((Role::LineUp, 2));
    let moved = words(&watch, &seen);
    assert_eq!(moved, "line-up terrace was confirmed, and the bench unit reads line-up number 2");
    seen.bench.as_mut().unwrap().values[3].1 = 0;
    assert_eq!(words(&watch, &seen), "the valves do not stand as line-up terrace any more");
    // A hand may still be at them: the start waits for a minute.
    assert_eq!(turn(&rig, at(4, false), &seen, 59.9).state.ending, None);
    let over = turn(&rig, at(4, false), &seen, 60.1).state.ending;
    assert!(
        matches!(&over, Some(Ending::Abort { reason, .. }) if reason.contains("do not stand as line-up")),
        "{over:?}"
    );
    seen.bench.as_mut().unwrap().values[3].1 = 1;
    assert_eq!(words(&watch, &seen), "", "valves that tell how they stand need nobody to look again");
}

#[test]
fn wait_needs_rest_and_duty_and_ends_the_run_at_its_timeout() {
    let rig = terrace();
    let table = [(5.0, 0.0, 3), (0.0, 2.0, 3), (f64::NAN, 0.0, 3), (0.0, 0.0, 4)];
    for (speed, duty_s, expected_at) in table {
        let mut seen = well(&rig);
        seen.mean[SPEED] = speed;
        seen.duty_wait_s[DRIVE] = duty_s;
        let next = turn(&rig, at(3, false), &seen, 1.0);
        assert_eq!(next.state.at, expected_at, "speed {speed} rad/s, duty {duty_s} s");
    }
    let mut seen = well(&rig);
    seen.mean[SPEED] = 5.0;
    let next = turn(&rig, at(3, false), &seen, 900.0);
    let Some(Ending::Abort { reason, .. }) = next.state.ending else { panic!("{next:?}") };
    assert_eq!(reason, "waited 900 s in vain: the shaft turns at 5.00 rad/s");
}

#[test]
fn start_moves_the_transfer_device_then_orders_marks_and_waits_for_running() {
    let rig = terrace();
    let mut seen = well(&rig);
    seen.bench.as_mut().unwrap().values[2].1 = 1;
    let select = turn(&rig, at(4, false), &seen, 0.0);
    assert_eq!(select.commands, [Command::SelectTransfer { position: 3 }]);
    seen.bench.as_mut().unwrap().values[2].1 = 3;
    let dead = turn(&rig, select.state, &seen, 0.5);
    assert_eq!((dead.commands.len(), dead.state.at), (0, 4), "dead time");
    let dead = turn(&rig, dead.state, &seen, 1.4);
    assert_eq!(dead.commands.len(), 0, "0.9 of 1 s since the position was seen");
    let start = turn(&rig, dead.state, &seen, 1.5);
    assert!(
        matches!(&start.commands[..], [Command::Start { starter: DRIVE, settings }] if settings.ramp_up_s == Some(6.0))
    );
    assert_eq!(start.state.energised, Some(DRIVE), "from the order on, not from the answer");
    seen.latest_order = Some(OrderMoment { instruction: 4, at_s: 1.51, u_s: 0.003 });
    let marked = turn(&rig, start.state, &seen, 1.52);
    assert_eq!((marked.marks[0].at_s, marked.marks[0].u_s), (1.51, 0.003));
    assert_eq!(marked.marks[0].kind, MarkKind::Start { cycle: 1 });
    let ran = turn(&rig, marked.state, &running(&rig), 1.6);
    assert_eq!(ran.state.at, 5, "{ran:?}");
}

#[test]
fn start_gives_up_when_nothing_runs_but_not_before_the_starter_was_asked() {
    let rig = terrace();
    let mut seen = well(&rig);
    let start = turn(&rig, at(4, false), &seen, 0.0);
    seen.latest_order = Some(OrderMoment { instruction: 4, at_s: 0.0, u_s: 0.0 });
    let marked = turn(&rig, start.state, &seen, 0.0);
    seen.starters[DRIVE].polls_since_order = 2;
    let waits = turn(&rig, marked.state, &seen, 50.0);
    assert_eq!(waits.state.ending, None, "only two polls");
    seen.starters[DRIVE].polls_since_order = 3;
    assert!(turn(&rig, waits.state, &seen, 50.0).state.ending.is_some());
}

#[test]
fn hold_counts_from_the_speed_reached() {
    let rig = terrace();
    let Step::Hold(hold) = &script(&rig).program[5].step else { panic!("not a hold") };
    let mut seen = running(&rig);
    let waits = turn(&rig, at(5, true), &seen, 10.0);
    assert_eq!((waits.state.at, waits.state.ending.is_none()), (5, true));
    seen.starters[DRIVE].at_speed = Some(true);
    let counts = turn(&rig, waits.state, &seen, 11.0);
    let counts = turn(&rig, counts.state, &seen, 11.0 + 0.99 * hold.time_s);
    assert_eq!(counts.state.at, 5);
    let done = turn(&rig, counts.state, &seen, 11.0 + hold.time_s);
    assert!(matches!(&done.commands[..], [Command::Stop { starter: DRIVE, kind: StopKind::Ramp, .. }]), "{done:?}");
    seen.starters[DRIVE].at_speed = Some(false);
    assert!(turn(&rig, at(5, true), &seen, hold.timeout_s).state.ending.is_some(), "the speed is never reached");
}

/// Status, fast current, device current, shaft speed -> what a stop amounts to.
#[test]
fn stop_is_confirmed_inferred_or_not_by_what_the_facts_say() {
    use StopOutcome::{Confirmed, Inferred, NotConfirmed};
    let (none, off, on) = (f64::NAN, 0.0, 7.0);
    let table = [
        (Some(false), off, off, off, Confirmed),
        (Some(false), off, none, 150.0, Confirmed),
        (Some(false), none, off, 150.0, Confirmed),
        (Some(false), none, none, off, Confirmed),
        (Some(false), none, none, 150.0, Inferred),
        (Some(false), none, none, none, Inferred),
        (Some(false), on, none, none, NotConfirmed),
        (Some(false), off, on, off, NotConfirmed),
        (Some(true), off, off, off, NotConfirmed),
        (None, off, off, off, NotConfirmed),
    ];
    let rig = terrace();
    for (status, fast_a, device_a, speed, expected) in table {
        let mut seen = well(&rig);
        seen.starters[DRIVE].running = status;
        seen.starters[DRIVE].current_a = (!device_a.is_nan()).then_some(device_a);
        seen.mean[CURRENT] = fast_a;
        seen.mean[SPEED] = speed;
        seen.shaft_turned = true;
        let evidence = ramprig::sequence::stopping::Evidence::of(&Rules::of(&rig), &seen, DRIVE);
        assert_eq!(evidence.outcome(), expected, "{status:?} {fast_a} A {device_a} A {speed} rad/s");
    }
    // A shaft that was never seen to turn proves nothing by standing still.
    let mut seen = well(&rig);
    (seen.starters[DRIVE].current_a, seen.mean[CURRENT]) = (None, f64::NAN);
    let evidence = ramprig::sequence::stopping::Evidence::of(&Rules::of(&rig), &seen, DRIVE);
    assert_eq!((evidence.outcome(), seen.shaft_turned), (Inferred, false));
}

#[test]
fn stop_marks_escalates_by_deadline_and_reports_its_outcome() {
    let rig = terrace();
    let mut seen = running(&rig);
    let ordered = turn(&rig, at(6, true), &seen, 0.0);
    seen.latest_order = Some(OrderMoment { instruction: 6, at_s: 0.0, u_s: 0.001 });
    let marked = turn(&rig, ordered.state, &seen, 0.1);
    assert_eq!(marked.marks[0].kind, MarkKind::Stop { cycle: 1 });
    let waits = turn(&rig, marked.state.clone(), &seen, 10.9);
    assert_eq!(waits.commands.len(), 0, "6 s of ramp and 5 s of margin");
    let coast = turn(&rig, waits.state, &seen, 11.1);
    assert!(matches!(&coast.commands[..], [Command::Stop { kind: StopKind::Coast, .. }]), "{coast:?}");
    let cut = turn(&rig, coast.state, &seen, 14.2);
    assert!(matches!(&cut.commands[..], [Command::Stop { kind: StopKind::ContactorOff, .. }]), "{cut:?}");
    let lost = turn(&rig, cut.state, &seen, 17.3);
    assert!(matches!(lost.state.ending, Some(Ending::Abort { .. })), "{lost:?}");
    assert_eq!(lost.state.energised, Some(DRIVE), "not confirmed: still to be stopped");
    let confirmed = turn(&rig, marked.state, &well(&rig), 6.5);
    let Some(Command::Outcome { cycle: 1, outcome, .. }) = confirmed.commands.first() else { panic!("{confirmed:?}") };
    assert_eq!((*outcome, confirmed.state.energised), (StopOutcome::Confirmed, None));
    assert_eq!(confirmed.state.cycles_done, 1);
}

#[test]
fn settle_needs_quiet_pressures_and_rest_for_a_whole_second() {
    let rig = terrace();
    let Step::Settle(settle) = &script(&rig).program[7].step else { panic!("not a settle") };
    let (timeout_s, span_pa) = (settle.timeout_s, settle.span_pa);
    let quiet = well(&rig);
    assert_eq!(turn(&rig, at(7, false), &quiet, 0.9).state.at, 7, "the last second began before the step");
    let done = turn(&rig, at(7, false), &quiet, 1.0);
    assert_eq!(done.marks[0].kind, MarkKind::Settled { cycle: 1 });
    let mut moving = well(&rig);
    moving.span_1s[3] = 1.01 * span_pa;
    assert_eq!(turn(&rig, at(7, false), &moving, 0.99 * timeout_s).state.at, 7);
    let out = turn(&rig, at(7, false), &moving, timeout_s);
    assert_eq!(out.marks[0].kind, MarkKind::NotSettled { cycle: 1 });
    assert_eq!(out.state.ending, None, "the run goes on");
    moving.span_1s[3] = f64::NAN;
    assert_eq!(turn(&rig, at(7, false), &moving, 0.5 * timeout_s).state.at, 7, "unknown is not quiet");
}

#[test]
fn law_the_same_inputs_give_the_same_outputs_and_an_ended_machine_stays() {
    let rig = terrace();
    for instruction in 0..=script(&rig).program.len() {
        for seen in [well(&rig), running(&rig), Observations::unknown(&rig)] {
            for now_s in [0.0, 1.0, 100.0] {
                let state = at(instruction, false);
                let (first, second) = (turn(&rig, state.clone(), &seen, now_s), turn(&rig, state, &seen, now_s));
                assert_eq!(format!("{first:?}"), format!("{second:?}"));
                if first.state.ending.is_some() {
                    let again = turn(&rig, first.state.clone(), &seen, now_s);
                    assert_eq!((again.commands.len(), again.marks.len()), (0, 0));
                    assert_eq!((again.state.at, again.state.ending), (first.state.at, first.state.ending));
                }
            }
        }
    }
}

#[test]
fn law_no_observation_short_of_everything_well_lets_a_start_leave() {
    let rig = terrace();
    let rules = Rules::of(&rig);
    type Spoil = fn(&mut Observations);
    let spoils: [(&str, Spoil); 18] = [
        ("no attending person", |seen| seen.attended = false),
        ("prediction is not in the record", |seen| seen.prediction_stored = false),
        ("no samples", |seen| seen.stream_alive = false),
        ("link to soft", |seen| seen.starters[1].link_up = false),
        ("status of soft", |seen| seen.starters[1].running = None),
        ("soft still has its output on", |seen| seen.starters[1].running = Some(true)),
        ("drive still has its output on", |seen| seen.starters[2].running = Some(true)),
        ("drive has fault 3", |seen| seen.starters[2].fault = Some(3)),
        ("contactor has fault 1", |seen| seen.starters[0].fault = Some(1)),
        ("soft carries 7.0 A though nothing should be on", |seen| seen.starters[1].current_a = Some(7.0)),
        ("the line carries 7.0 A though nothing should be on", |seen| seen.mean[CURRENT] = 7.0),
        ("selector stands at local", |seen| seen.bench.as_mut().unwrap().values[0].1 = 0),
        ("emergency-stop circuit is open", |seen| seen.bench.as_mut().unwrap().values[1].1 = 0),
        ("bench unit has not answered", |seen| seen.bench.as_mut().unwrap().values.clear()),
        ("shaft turns", |seen| seen.mean[SPEED] = -4.0),
        ("status of the shaft", |seen| seen.mean[SPEED] = f64::NAN),
        ("suction pressure says", |seen| seen.mean[0] = 20_000.0),
        ("duty: 3.0 s left", |seen| seen.duty_wait_s[DRIVE] = 3.0),
    ];
    let watch = at(4, false).watch;
    assert_eq!(start_blockers(&rules, &well(&rig), &watch, DRIVE, 0.0), []);
    for (text, spoil) in spoils {
        let mut seen = well(&rig);
        spoil(&mut seen);
        let blockers = start_blockers(&rules, &seen, &watch, DRIVE, 0.0);
        let words = ramprig::sequence::interlock::in_words(&blockers);
        assert!(words.contains(text), "wanted {text:?}, got {words:?}");
        let next = turn(&rig, at(4, false), &seen, 0.0);
        assert!(!next.commands.iter().any(|command| matches!(command, Command::Start { .. })), "{text}: {next:?}");
    }
    let moved = Watch { position: Some((3, -0.4)), ..watch };
    assert!(!start_blockers(&rules, &well(&rig), &moved, DRIVE, 0.0).is_empty(), "dead time");
}

#[test]
fn waits_the_fixed_rest_where_speed_is_not_measured() {
    let rig = terrace();
    let rules = Rules { speed_channel: None, ..Rules::of(&rig) };
    let seen = well(&rig);
    let mut watch = Watch::default();
    watch.look(&seen, 0.0);
    assert!(ramprig::sequence::interlock::rest_blocker(&rules, &seen, &watch, 7.9).is_some());
    assert!(ramprig::sequence::interlock::rest_blocker(&rules, &seen, &watch, 8.0).is_none());
    let mut unknown = seen.clone();
    unknown.starters[0].running = None;
    watch.look(&unknown, 8.0);
    watch.look(&seen, 8.1);
    assert!(ramprig::sequence::interlock::rest_blocker(&rules, &seen, &watch, 9.0).is_some(), "counts anew");
}

/// Between hold and stop of the first cycle: instruction 6.
fn with_speed(rig: &Rig, keys: &str) -> Result<Script, String> {
    let stop = "  [[step.step]]\n  do = \"stop\"";
    let text = shipped("three-starters").unwrap();
    assert!(text.contains(stop));
    let text = text.replacen(stop, &format!("[[step.step]]\ndo = \"speed\"\n{keys}\n\n{stop}"), 1);
    Script::parse(&text, "s.toml", rig, DRIVE).map_err(|problems| problems.to_string())
}

#[test]
fn speed_goes_along_its_course_with_a_write_every_fifth_of_a_second_and_ends_at_its_last_point() {
    let rig = terrace();
    let profile = "profile = [[\"0 s\", \"60 %\"], [\"1 s\", \"60 %\"], [\"3 s\", \"100 %\"]]\ntime = \"4 s\"";
    let script = with_speed(&rig, profile).unwrap_or_else(|why| panic!("{why}"));
    assert_eq!(script.program[6].step.in_words(), "speed 60 % to 100 % over 4 s");
    let mut state = State { speed: Some(0.9), ..at(6, true) };
    let mut written: Vec<(f64, f64)> = Vec::new();
    for tick in 0..=400 {
        let now_s = f64::from(tick) * 0.01;
        let next = advance(&script, state, &running(&rig), now_s);
        written.extend(next.commands.iter().filter_map(|command| match command {
            Command::SetSpeed { starter: DRIVE, speed } => Some((now_s, *speed)),
            _ => None,
        }));
        assert_eq!(next.state.at == 6, tick < 400, "at {now_s} s");
        state = next.state;
    }
    assert_eq!(written[0], (0.0, 0.6));
    assert!(written[1].0 > 1.0 && written[1].0 <= 1.21, "nothing new while it stands: {written:?}");
    assert!(written.windows(2).all(|pair| pair[1].0 - pair[0].0 >= 0.2 - 1e-9), "{written:?}");
    for (now_s, speed) in &written[1..] {
        let expected = if *now_s < 3.0 { 0.6 + 0.2 * (now_s - 1.0) } else { 1.0 };
        assert!((speed - expected).abs() < 1e-9, "at {now_s} s {speed}, on the line between the points {expected}");
    }
    assert_eq!(written.last().unwrap().1, 1.0);
    let off = advance(&script, at(6, true), &well(&rig), 0.0);
    assert!(matches!(&off.state.ending, Some(Ending::Abort { reason, .. }) if reason == "drive went off by itself"));
}

#[test]
fn speed_is_refused_where_there_is_none_to_set_and_where_its_course_is_none() {
    let rig = terrace();
    for (keys, words) in [
        ("to = 0.2", "0.2"),
        ("", "to, or profile"),
        ("to = 0.8\nprofile = [[\"0 s\", \"60 %\"]]", "to, or profile"),
        ("profile = [[\"1 s\", \"60 %\"], [\"2 s\", \"70 %\"]]", "times that rise from 0 s"),
        ("profile = [[\"0 s\", \"60 %\"], [\"0 s\", \"70 %\"]]", "times that rise from 0 s"),
        ("profile = [[\"0 s\", \"20 %\"]]", "20 %"),
    ] {
        let why = with_speed(&rig, keys).expect_err(keys);
        assert!(why.contains(words), "{keys}: {why}");
    }
    let text = with_speed(&rig, "to = 0.8").unwrap().text;
    let why = Script::parse(&text, "s.toml", &rig, 0).unwrap_err().to_string();
    assert!(why.contains("a set speed for contactor, which has none"), "{why}");
}

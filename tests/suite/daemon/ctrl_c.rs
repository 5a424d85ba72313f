//! Ctrl-C once and twice at each step of `run`: the motor is stopped, the recording closed, the code says what was true,
//! and nothing hangs.

use crate::stand::bench::Bench;
use crate::stand::peers;
use crate::stand::processes::Process;
use crate::stand::program::{Ended, Program, command};
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::api::Activity;
use rustix::process::Signal;

/// Where a run is cut short.
struct At {
    /// First words of the step.
    step: &'static str,
    starter: &'static str,
    cycle: Cycle,
    /// An output is on then.
    on: bool,
}

/// Ctrl-C so many times once the run is there.
fn interrupt(at: &At, times: u32) -> (Bench, Ended) {
    let bench = Bench::real_time();
    let mut args = bench.run_args(bench.wires(), &at.cycle.text(), at.starter);
    if !at.cycle.confirm {
        args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    }
    let mut program = Program::start(&mut command(args));
    let mut view = View::of_run(&mut program);
    view.wait_step(at.step);
    if at.on {
        bench.witness().wait_on();
    }
    program.interrupt();
    for _ in 1..times {
        // The second comes when the first has been taken.
        program.stderr.wait_for("stop sent");
        program.interrupt();
    }
    let ended = program.end();
    (bench, ended)
}

/// Exit code 3, everything off, the recording closed and readable, the rig free.
fn assert_cut_short(bench: &Bench, ended: &Ended, started: bool) {
    ended.expect(3);
    let witness = bench.witness();
    witness.assert_all_off();
    let object = ended.object();
    assert_eq!(object["stop_outcome"], "confirmed", "{object}");
    assert!(object["aborted"].as_str().unwrap().contains("Ctrl-C"), "{object}");
    assert_eq!((&object["taken_over"], &object["recording_complete"]), (&false.into(), &true.into()), "{object}");
    assert_eq!(bench.recordings(".partial"), Vec::<std::path::PathBuf>::new());
    let recordings = bench.recordings(".h5");
    assert_eq!(recordings.len(), 1, "{recordings:?}");
    let found = peers::h5py_reads(&recordings[0]);
    assert_eq!(found["complete"], true);
    let marks = found["marks"].as_array().unwrap();
    assert_eq!(marks.iter().any(|mark| mark[0] == "start"), started, "{marks:?}");
    assert_eq!(ramprig::daemon::owner::current_owner(&bench.state(), &bench.rig.id), None);
}

fn stops_at(at: &At, started: bool) {
    for times in [1, 2] {
        let (bench, ended) = interrupt(at, times);
        assert_cut_short(&bench, &ended, started);
    }
}

#[test]
fn stops_while_a_confirmation_is_awaited() {
    let cycle = Cycle { confirm: true, ..Cycle::default() };
    stops_at(&At { step: "confirm", starter: "drive", cycle, on: false }, false);
}

#[test]
fn stops_while_a_drive_ramps_up() {
    let cycle = Cycle { start: "ramp_up = \"5 s\"\nramp_down = \"2 s\"", ..Cycle::default() };
    stops_at(&At { step: "hold", starter: "drive", cycle, on: true }, true);
}

#[test]
fn stops_while_the_motor_is_held_at_speed_across_the_line() {
    let cycle = Cycle { hold: "time = \"20 s\"", ..Cycle::default() };
    stops_at(&At { step: "hold", starter: "contactor", cycle, on: true }, true);
}

#[test]
fn stops_while_a_drive_ramps_down() {
    let cycle = Cycle { start: "ramp_up = \"0.5 s\"\nramp_down = \"15 s\"", ..Cycle::default() };
    stops_at(&At { step: "stop", starter: "drive", cycle, on: true }, true);
}

#[test]
fn stops_while_the_water_settles() {
    // Less than the noise of the sensors: it never settles.
    let cycle = Cycle { settle: "timeout = \"20 s\"\nspan = \"0.00001 bar\"", ..Cycle::brief_ramps() };
    stops_at(&At { step: "settle", starter: "soft", cycle, on: false }, true);
}

/// SIGTERM is the same order.
#[test]
fn stops_by_a_request_to_terminate() {
    let bench = Bench::real_time();
    let cycle = Cycle { hold: "time = \"20 s\"", ..Cycle::brief_ramps() };
    let mut program = bench.run(&cycle.text(), "drive");
    View::of_run(&mut program).wait_step("hold");
    bench.witness().wait_on();
    program.signal(Signal::TERM);
    let ended = program.end();
    assert_cut_short(&bench, &ended, true);
}

#[test]
fn ends_while_links_are_awaited_and_moves_nothing() {
    let bench = Bench::real_time();
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let wires = bench.wires_by(nobody, bench.ready.samples);
    let mut program = bench.run_by(wires, &Cycle::default().text(), "drive");
    program.stderr.wait_for("waiting up to");
    program.interrupt();
    let ended = program.end();
    ended.expect(3).says("nothing has moved");
    assert_eq!(ended.stdout, "");
    assert_eq!((bench.witness().most_on(), bench.recordings("").len()), (0, 0));
    assert_eq!(ramprig::daemon::owner::current_owner(&bench.state(), &bench.rig.id), None);
}

/// The virtual rig of a demo lives until its motor is stopped, and not longer.
#[test]
fn ends_a_demo_with_its_motor_stopped_and_its_recording_closed() {
    let folder = tempfile::tempdir().unwrap();
    let mut program = Program::start(command(["demo", "--json", "--out"]).arg(folder.path()));
    let mut view = View::of_run(&mut program);
    view.wait_step("hold");
    let child = Process::only_child_of(program.pid());
    program.interrupt();
    let ended = program.end();
    ended.expect(3).says("stop confirmed");
    assert!(!child.still_runs(), "the virtual rig outlived the demo");
    assert_eq!(ended.stdout, "", "no result of a demo that was cut short");
    let names = || std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path());
    let recordings: Vec<_> = names().filter(|path| path.extension().is_some_and(|found| found == "h5")).collect();
    assert_eq!(recordings.len(), 1, "{recordings:?}");
    assert_eq!(peers::h5py_reads(&recordings[0])["stops"], serde_json::json!(["confirmed"]));
    assert!(names().all(|path| path.extension().is_none_or(|found| found != "partial")));
}

/// Closing goes on to its end: the run was done, so its code is that of a run that is done.
#[test]
fn closes_the_recording_whole_when_interrupted_while_closing() {
    for times in [1, 2] {
        let bench = Bench::real_time();
        let mut program = bench.run(&Cycle::brief_ramps().text(), "soft");
        let mut view = View::of_run(&mut program);
        view.wait_state("closing", |state| state.activity == Activity::Closing);
        for _ in 0..times {
            program.interrupt();
        }
        let ended = program.end();
        ended.expect(0);
        assert_eq!(ended.object()["recording_complete"], true);
        assert_eq!(bench.recordings(".partial"), Vec::<std::path::PathBuf>::new());
        assert_eq!(peers::h5py_reads(&bench.recordings(".h5")[0])["complete"], true);
        bench.witness().assert_all_off();
    }
}

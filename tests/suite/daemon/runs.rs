//! Runs to their end.

use crate::stand::bench::Bench;
use crate::stand::peers;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::api::Snapshot;
use ramprig::api::lead::Lead;
use ramprig::sequence::marks::Phase;

#[test]
fn runs_a_cycle_through_each_starter_and_leaves_one_closed_recording_each() {
    let bench = Bench::real_time();
    for (number, starter) in ["contactor", "soft", "drive"].into_iter().enumerate() {
        let cycle = if number == 0 { Cycle::default() } else { Cycle::brief_ramps() };
        let ended = bench.run(&cycle.text(), starter).end();
        ended.expect(0);
        let object = ended.object();
        assert_eq!((&object["starter"], &object["cycles"]), (&starter.into(), &1.into()), "{object}");
        assert_eq!((&object["stop_outcome"], &object["recording_complete"]), (&"confirmed".into(), &true.into()));
        let found = peers::h5py_reads(std::path::Path::new(object["recording"].as_str().unwrap()));
        assert_eq!(found["stops"], serde_json::json!(["confirmed"]));
        assert_eq!(bench.recordings(".h5").len(), number + 1);
    }
    let witness = bench.witness();
    witness.assert_all_off();
    assert_eq!(witness.most_on(), 1, "an output was on");
}

#[test]
fn opens_a_stream_that_was_lost_between_runs_and_runs_on() {
    let mut bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    bench.run(&Cycle::brief_ramps().text(), "drive").end().expect(0);
    bench.control("drop-stream");
    let mut view = View::of(&address);
    view.wait_state("the loss", |state| state.samples_lost.is_some());
    let ended = bench.run(&Cycle::brief_ramps().text(), "drive").end();
    ended.expect(0);
    assert_eq!(bench.recordings(".h5").len(), 2);
}

/// The cycle that is laid over the others keeps its beginning, however long the pump then runs on: the stream's own past is
/// shorter. Its figures stand beside it.
#[test]
fn keeps_the_beginning_of_a_phase_that_outlasts_the_recent_past() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let cycle = Cycle { hold: "time = \"40 s\"", ..Cycle::default() };
    let run = bench.run(&cycle.text(), "contactor");
    let ended = |state: &Snapshot| state.run.as_ref().is_some_and(|run| run.end.is_some());
    view.wait_state("the run ends", ended);
    run.end().expect(0);
    let measured = view.ask(async |client| client.measured().await).unwrap();
    let start = measured.overlays.iter().find(|overlay| overlay.phase == Phase::Start).unwrap();
    assert!(start.t0_s < -0.9 && start.spans.len() > 500, "from {} s, {} spans", start.t0_s, start.spans.len());
    let cycle = &measured.cycles[0];
    assert_eq!((cycle.starter.as_str(), cycle.cycle), ("contactor", 1));
    let rest_pa = f64::from(start.spans[0].1);
    assert!(cycle.highest.unwrap() > 2.0 * rest_pa, "{cycle:?}, at rest {rest_pa} Pa");
}

/// Two plugs in one another's sockets: said before the first start, and of no other run.
#[test]
fn says_that_the_cables_of_two_pressure_sensors_are_exchanged() {
    let mut bench = Bench::real_time();
    let said = "are their cables exchanged?";
    let right = bench.run(&Cycle::brief_ramps().text(), "drive").end();
    right.expect(0);
    assert!(!right.stderr.contains(said), "{}", right.stderr);
    let text = std::fs::read_to_string(crate::stand::bench::rig_path()).unwrap();
    let exchanged = text.replace("\ninput = 1\n", "\ninput = TWO\n").replace("\ninput = 2\n", "\ninput = 1\n");
    let exchanged = exchanged.replace("input = TWO", "input = 2");
    bench.rig_file_for_runs(bench.write("exchanged.toml", &exchanged));
    let wrong = bench.run(&Cycle::brief_ramps().text(), "drive").end();
    wrong.says(said).says("p_valve_up shows").says("p_discharge");
}

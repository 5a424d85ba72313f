//! Runs to their end.

use crate::stand::bench::Bench;
use crate::stand::peers;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;

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

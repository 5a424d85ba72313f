//! What a start needs, as faces are told it: held against what the virtual rig is made to be.

use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::api::Snapshot;

/// What does not hold, or is not known.
fn lacks(state: &Snapshot) -> Vec<&str> {
    state.readiness.iter().filter(|need| need.holds != Some(true)).map(|need| need.what.as_str()).collect()
}

#[test]
fn tells_what_a_start_lacks_while_it_is_lacking() {
    let mut bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    let well = |state: &Snapshot| state.readiness.len() > 8 && lacks(state).is_empty();
    view.wait_state("all there", well);
    for (hand, back, what) in
        [("press-emergency-stop", "release-emergency-stop", "emergency-stop circuit"), ("local", "remote", "selector")]
    {
        bench.control(hand);
        view.wait_state(what, |state| lacks(state).contains(&what));
        bench.control(back);
        view.wait_state("all there again", well);
    }
}

#[test]
fn a_start_goes_through_once_all_is_there_and_the_rest_is_told_after_it() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let mut view = View::of(&address);
    view.wait_state("all there", |state| state.readiness.len() > 8 && lacks(state).is_empty());
    bench.run(&Cycle::brief_ramps().text(), "drive").end().expect(0);
    view.wait_state("the rest of drive and motor", |state| {
        let rests =
            |need: &&ramprig::api::lead::Requirement| need.what == "duty of drive" && need.found.ends_with("s left");
        state.readiness.iter().any(|need| rests(&need) && need.holds == Some(false))
    });
    view.wait_state("rested", |state| lacks(state).is_empty());
}

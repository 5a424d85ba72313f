//! The shipped proof of the starters' own loss-of-communication timers, on the virtual rig.

use crate::stand::bench::Bench;
use crate::stand::program::run;
use ramprig::sequence::link_proof::LinkProofs;
use ramprig::virtual_rig::device::FAULT_COMMUNICATION;

#[test]
fn proves_the_timer_of_each_starter_and_leaves_its_fault_latched() {
    let sequence = ramprig::sequence::script::shipped("loss-of-communication").unwrap();
    for (index, starter) in ["contactor", "soft", "drive"].into_iter().enumerate() {
        // A latched fault forbids a start through any starter: a bench for each.
        let bench = Bench::real_time();
        let ended = bench.run(sequence, starter).end();
        ended.expect(0).says("heartbeat was withheld");
        assert_eq!(ended.object()["stop_outcome"], "confirmed", "{starter}");
        assert_eq!(bench.witness().fault(index), FAULT_COMMUNICATION, "{starter}: off by its own timer");
        bench.witness().assert_all_off();
        let proofs = LinkProofs::load(&LinkProofs::file(&bench.state(), &bench.rig.id)).unwrap();
        let proof = proofs.of(starter).unwrap_or_else(|| panic!("{starter}: no proof is kept"));
        assert!(proof.is_virtual && proof.timer_s == bench.rig.starters[index].comm_timeout_s, "{proof:?}");
        report_tells(&bench, ended.object()["recording"].as_str().unwrap(), starter);
    }
}

/// What was last proven before this run, which is not yet what it proved.
fn report_tells(bench: &Bench, recording: &str, starter: &str) {
    let page = bench.folder().join("report.html");
    run(["report", recording, "-o", page.to_str().unwrap()]).expect(0);
    let page = std::fs::read_to_string(page).unwrap();
    let never = format!("{starter}: loss of communication was never proven");
    for words in ["The hardwired emergency stop was last proven on 2026-11-02.", &never] {
        assert!(page.contains(words), "the report lacks {words:?}");
    }
}

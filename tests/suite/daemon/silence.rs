//! The shipped proof of the starters' own loss-of-communication timers, on the virtual rig.

use crate::stand::bench::Bench;
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
    }
}

//! Campaign `two-starters`: several runs in a row on one bench through starters drawn at random, with faults at random
//! moments. The world behind the ports fails the test at the order that would put a second starter on, and at a transfer
//! device moved under a starter that is on, welded, or before a shaft that turns.

use super::world::{Bench, World};
use crate::campaign;
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{LinkState, PortError, RunEnd, StopOutcome};
use ramprig::starters::StopKind;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::SeqCst};

/// Sequences of runs in the full campaign.
const SEQUENCES: u32 = 1_000;
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// What happens so shortly before the end of a run, wall ns, is not seen by it: some polls.
const UNSEEN_NS: u64 = 200_000_000;
/// Faults come within this time of a run's beginning, s of rig time.
const LATEST_FAULT_S: f64 = 60.0;

type Fault = (&'static str, fn(&mut World, usize, u16));

fn down() -> LinkState {
    LinkState::Down { since_wall_ns: 0, reason: "pulled".into() }
}

fn no_answer() -> PortError {
    PortError::LinkDown { address: "bench".into(), reason: "pulled".into() }
}

const FAULTS: [Fault; 16] = [
    ("obeys no stop", |world, starter, _| world.starters[starter].obeys.clear()),
    ("obeys the contactor only", |world, starter, _| world.starters[starter].obeys = vec![StopKind::ContactorOff]),
    ("does not start", |world, starter, _| world.starters[starter].starts = false),
    ("does not reach its speed", |world, starter, _| world.starters[starter].reaches_speed = false),
    ("faults", |world, starter, code| world.starters[starter].fault = code + 1),
    ("link down", |world, starter, _| world.starters[starter].link = down()),
    ("starts and does not answer", |world, starter, _| world.starters[starter].order_error = Some(no_answer())),
    ("welded", |world, starter, _| world.starters[starter].welded = world.starters[starter].on),
    ("tells no current", |world, starter, _| world.starters[starter].tells_current = false),
    ("goes on by itself", |world, starter, _| world.starters[starter].on |= world.on().is_none()),
    ("transfer device stuck", |world, _, _| world.transfer_moves = false),
    ("transfer device moved", |world, _, place| world.set_bench(Role::TransferPosition, place % 4)),
    ("local", |world, _, _| world.set_bench(Role::Remote, 0)),
    ("stream lost", |world, _, _| world.lost = Some("pulled".into())),
    ("stop key", |world, _, _| world.order_stop()),
    ("disk full", |world, _, _| world.journal_fails = Some("mark")),
];

/// What people do between runs: some faults are mended, a motor left on may be switched off by hand.
fn between(world: &mut World, chance: &mut ChaCha8Rng) {
    world.lost = None;
    world.journal_fails = None;
    world.orders.clear();
    for index in 0..world.starters.len() {
        let starter = &mut world.starters[index];
        if chance.random_bool(0.7) {
            (starter.on, starter.welded, starter.fault) = (false, false, 0);
        }
        if chance.random_bool(0.7) {
            starter.obeys = vec![StopKind::Ramp, StopKind::Coast, StopKind::ContactorOff];
            (starter.starts, starter.reaches_speed, starter.tells_current) = (true, true, true);
            (starter.link, starter.order_error) = (LinkState::Up, None);
        }
    }
    if chance.random_bool(0.7) {
        world.set_bench(Role::Remote, 1);
        world.transfer_moves = true;
    }
}

/// `stop confirmed` of a run that could still see: then no starter is on, nor a contact welded.
fn confirmed_and_seen(world: &World, end: &RunEnd, latest_fault_ns: u64) -> bool {
    let seen = world.lost.is_none() && world.starters.iter().all(|starter| starter.link == LinkState::Up);
    let unseen = world.wall_ns().saturating_sub(latest_fault_ns) < UNSEEN_NS;
    if end.taken_over || end.stop != StopOutcome::Confirmed || !seen || unseen {
        return false;
    }
    for starter in &world.starters {
        assert!(!starter.on && !starter.welded, "{} is on after {end:?}; {:#?}", starter.id, world.log);
    }
    true
}

#[test]
fn campaign_two_starters_are_never_on_together() {
    let mut chance = campaign::generator("two-starters");
    let (mut met, mut runs, mut started, mut clean, mut judged) = (BTreeMap::new(), 0, 0, 0, 0);
    let latest_ns = Arc::new(AtomicU64::new(0));
    for _ in 0..campaign::count(SEQUENCES) {
        let mut bench = Bench::new();
        bench.lock().scale = 4.0;
        for _ in 0..chance.random_range(2..=4) {
            let begun_s = bench.lock().now_s();
            for _ in 0..chance.random_range(0..=2) {
                let (name, fault) = FAULTS[chance.random_range(0..FAULTS.len())];
                let (starter, number) = (chance.random_range(0..STARTERS.len()), chance.random_range(0..1_000));
                let from_s = begun_s + chance.random_range(0.0..LATEST_FAULT_S);
                *met.entry(name).or_insert(0_u32) += 1;
                let latest_ns = Arc::clone(&latest_ns);
                bench = bench.inject(
                    move |world| world.now_s() >= from_s,
                    move |world| {
                        fault(world, starter, number);
                        latest_ns.store(world.wall_ns(), SeqCst);
                    },
                );
            }
            let end = bench.run(STARTERS[chance.random_range(0..STARTERS.len())]);
            runs += 1;
            started += u32::from(end.started);
            clean += u32::from(end.aborted.is_none());
            judged += u32::from(confirmed_and_seen(&bench.lock(), &end, latest_ns.load(SeqCst)));
            between(&mut bench.lock(), &mut chance);
        }
    }
    println!(
        "two-starters: {runs} runs, {started} with a start, {clean} without a fault that ended them, {judged} with a \
         confirmed stop that held; faults {met:?}"
    );
    assert!(
        started > 0 && clean > 0 && started > clean && judged > 0,
        "{started} of {runs} started, {clean} ended well"
    );
}

//! Campaign `late-answers`: random late, duplicate and garbled replies on a serial bus and on TCP. The device's register
//! changes before every read, so that each answer says when it was made; not one wrong value may be believed.

use super::device::{Act, Device, PATIENCE, Seen};
use super::rtu_device::{Lots, RtuDevice, at_once};
use super::{SOFT, rig};
use crate::campaign;
use ramprig::clock::SystemClock;
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// Bad replies of the full campaign, on each medium.
const REPLIES: u32 = 10_000;
const TIMEOUT: Duration = Duration::from_millis(20);
/// Share of bad replies.
const BAD: f64 = 0.08;

/// What happened to the replies.
#[derive(Default)]
struct Tally {
    late: AtomicU32,
    twice: AtomicU32,
    garbled: AtomicU32,
    missing: AtomicU32,
}

impl Tally {
    fn all(&self) -> u32 {
        [&self.late, &self.twice, &self.garbled, &self.missing].map(|n| n.load(Ordering::SeqCst)).iter().sum()
    }
    fn says(&self) -> String {
        let [late, twice, garbled, missing] =
            [&self.late, &self.twice, &self.garbled, &self.missing].map(|n| n.load(Ordering::SeqCst));
        format!("{late} late, {twice} twice, {garbled} garbled, {missing} missing")
    }
}

/// Up to three time-outs.
fn delay(chance: &mut ChaCha8Rng) -> Duration {
    TIMEOUT.mul_f64(chance.random_range(0.05..3.0))
}

/// What goes on the wire instead of the honest answer.
fn spoil(honest: &[u8], chance: &mut ChaCha8Rng, tally: &Tally, garble: fn(&mut Vec<u8>, &mut ChaCha8Rng)) -> Lots {
    if !chance.random_bool(BAD) {
        return at_once(honest.to_vec());
    }
    let count = |what: &AtomicU32| {
        what.fetch_add(1, Ordering::SeqCst);
    };
    match chance.random_range(0..10) {
        0..4 => {
            count(&tally.late);
            vec![(TIMEOUT + delay(chance), honest.to_vec())]
        }
        4..7 => {
            count(&tally.twice);
            vec![(Duration::ZERO, honest.to_vec()), (delay(chance), honest.to_vec())]
        }
        7..9 => {
            count(&tally.garbled);
            let mut bytes = honest.to_vec();
            garble(&mut bytes, chance);
            at_once(bytes)
        }
        _ => {
            count(&tally.missing);
            Vec::new()
        }
    }
}

/// Anything at all on a serial line: the check sum guards every byte.
fn garble_serial(bytes: &mut Vec<u8>, chance: &mut ChaCha8Rng) {
    match chance.random_range(0..3) {
        0 => bytes.truncate(chance.random_range(0..bytes.len())),
        1 => bytes.push(chance.random()),
        _ => {
            let at = chance.random_range(0..bytes.len());
            bytes[at] ^= chance.random_range(1..=255_u8);
        }
    }
}

/// Header, function or length on TCP, which carries no sum of its own above the data: TCP's guards them.
fn garble_tcp(bytes: &mut Vec<u8>, chance: &mut ChaCha8Rng) {
    match chance.random_range(0..3) {
        0 => bytes.truncate(chance.random_range(0..bytes.len())),
        1 => bytes.push(chance.random()),
        _ => bytes[chance.random_range(0..9)] ^= chance.random_range(1..=255_u8),
    }
}

/// Read again and again until so many replies were bad; wrong values believed, right ones, and reads that were refused.
fn read_on(fieldbus: &Fieldbus, device: &Device, rig: &Rig, tally: &Tally, replies: u32) -> (u32, u32, u32) {
    let (mut wrong, mut right, mut refused) = (0, 0, 0);
    let (unit, mut port) = (rig.starters[SOFT].unit, fieldbus.starter(SOFT));
    let mut raw = 0_u16;
    while tally.all() < replies {
        raw = 5 + (raw + 1) % 290;
        // Four neighbours, all different from one read to the next.
        for (role, shift) in
            [(Role::RampUp, 0), (Role::RampDown, 300), (Role::InitialVoltage, 600), (Role::CurrentLimit, 900)]
        {
            device.set(unit, role, raw + shift);
        }
        match port.read_settings() {
            Ok(settings) => {
                let map = &rig.starters[SOFT].map;
                let si = |role, shift| Some(map.field(role).unwrap().to_si(raw + shift));
                let all = settings.ramp_up_s == si(Role::RampUp, 0)
                    && settings.ramp_down_s == si(Role::RampDown, 300)
                    && settings.initial_voltage == si(Role::InitialVoltage, 600)
                    && settings.current_limit == si(Role::CurrentLimit, 900);
                if all {
                    right += 1;
                } else {
                    wrong += 1;
                    println!("wrong: {settings:?} where {raw} was set");
                }
            }
            Err(_) => {
                refused += 1;
                ramprig::clock::sleep_wall(TIMEOUT / 20);
            }
        }
    }
    (wrong, right, refused)
}

fn soft_alone() -> Rig {
    let mut rig = rig();
    rig.starters = vec![rig.starters[0].clone(), rig.starters[SOFT].clone()];
    rig.transfer = None;
    rig
}

#[test]
fn campaign_late_answers() {
    let mut chance = campaign::generator("late-answers");
    let replies = campaign::count(REPLIES);
    let seed: u64 = chance.next_u64();
    serial(seed, replies);
    tcp(seed, replies);
}

fn serial(seed: u64, replies: u32) {
    let mut rig = soft_alone();
    let port = RtuDevice::for_rig(&mut rig);
    rig.links[0].timeout_s = TIMEOUT.as_secs_f64();
    rig.links[0].poll_s = 0.2;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    let tally = Arc::new(Tally::default());
    let (kept, mut chance) = (Arc::clone(&tally), ChaCha8Rng::seed_from_u64(seed));
    port.script(move |_: &Seen, honest| spoil(honest, &mut chance, &kept, garble_serial));
    let (wrong, right, refused) = read_on(&fieldbus, &port.device, &rig, &tally, replies);
    println!("serial: {}: {wrong} wrong, {right} right, {refused} refused", tally.says());
    println!("serial: {:?}", fieldbus.statistics()[0]);
    assert_eq!(wrong, 0, "wrong values believed on the serial bus");
    assert!(right > replies / 20, "hardly anything was ever believed");
}

fn tcp(seed: u64, replies: u32) {
    let mut rig = soft_alone();
    let device = Device::for_rig(&mut rig);
    rig.links[0].timeout_s = TIMEOUT.as_secs_f64();
    rig.links[0].poll_s = 0.2;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    let tally = Arc::new(Tally::default());
    let (kept, mut chance) = (Arc::clone(&tally), ChaCha8Rng::seed_from_u64(seed));
    device.script(move |_, honest| {
        let lots = spoil(honest, &mut chance, &kept, garble_tcp);
        if lots == at_once(honest.to_vec()) { Act::Honest } else { Act::Late(lots) }
    });
    let (wrong, right, refused) = read_on(&fieldbus, &device, &rig, &tally, replies);
    println!("tcp: {}: {wrong} wrong, {right} right, {refused} refused", tally.says());
    println!("tcp: {:?}", fieldbus.statistics()[0]);
    assert_eq!(wrong, 0, "wrong values believed on TCP");
    assert!(right > replies / 20, "hardly anything was ever believed");
}

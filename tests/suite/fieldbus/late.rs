//! Campaign `late-answers`: random late, duplicate and garbled replies on serial buses and on TCP. The device's register
//! changes before every read, so that each answer says when it was made; not one wrong value may be believed.
//!
//! Nearly all of its time is time-outs and back-off on the wall clock, so that several independent links run side by side.

use super::device::{Act, Device, Seen};
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
/// Links of each medium that run at once.
const LINKS: u32 = 8;
/// For a link to come up; nothing is decided by it.
const LONG: Duration = Duration::from_secs(100);
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
    fn kinds(&self) -> [&AtomicU32; 4] {
        [&self.late, &self.twice, &self.garbled, &self.missing]
    }
    fn all(&self) -> u32 {
        self.kinds().map(|n| n.load(Ordering::SeqCst)).iter().sum()
    }
    fn says(&self) -> String {
        let [late, twice, garbled, missing] = self.kinds().map(|n| n.load(Ordering::SeqCst));
        format!("{late} late, {twice} twice, {garbled} garbled, {missing} missing")
    }
    /// As it stands now.
    fn taken(&self) -> Self {
        let [late, twice, garbled, missing] = self.kinds().map(|n| AtomicU32::new(n.load(Ordering::SeqCst)));
        Self { late, twice, garbled, missing }
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

/// What was believed of the reads.
#[derive(Default)]
struct Believed {
    wrong: u32,
    right: u32,
    refused: u32,
}

/// Read again and again until so many replies were bad.
fn read_on(fieldbus: &Fieldbus, device: &Device, rig: &Rig, tally: &Tally, replies: u32) -> Believed {
    let mut believed = Believed::default();
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
                    believed.right += 1;
                } else {
                    believed.wrong += 1;
                    println!("wrong: {settings:?} where {raw} was set");
                }
            }
            Err(_) => {
                believed.refused += 1;
                ramprig::clock::sleep_wall(TIMEOUT / 20);
            }
        }
    }
    believed
}

fn soft_alone() -> Rig {
    let mut rig = rig();
    rig.starters = vec![rig.starters[0].clone(), rig.starters[SOFT].clone()];
    rig.transfer = None;
    rig
}

/// One link's share of a campaign.
type OneLink = fn(u64, u32) -> (Tally, Believed);

#[test]
fn campaign_late_answers() {
    let mut chance = campaign::generator("late-answers");
    let replies = campaign::count(REPLIES).div_ceil(LINKS);
    let media: [(&str, OneLink); 2] = [("serial", serial), ("tcp", tcp)];
    let seeds: Vec<u64> = (0..2 * LINKS).map(|_| chance.next_u64()).collect();
    std::thread::scope(|scope| {
        let running: Vec<_> = media
            .into_iter()
            .zip(seeds.chunks(LINKS as usize))
            .map(|((name, one), seeds)| {
                let links: Vec<_> = seeds.iter().map(|seed| scope.spawn(move || one(*seed, replies))).collect();
                (name, links)
            })
            .collect();
        for (name, links) in running {
            let ended: Vec<(Tally, Believed)> = links.into_iter().map(|link| link.join().unwrap()).collect();
            verdict(name, &ended);
        }
    });
}

fn verdict(medium: &str, links: &[(Tally, Believed)]) {
    let sum = Tally::default();
    for (tally, _) in links {
        for (all, one) in sum.kinds().into_iter().zip(tally.kinds()) {
            all.fetch_add(one.load(Ordering::SeqCst), Ordering::SeqCst);
        }
    }
    let of = |what: fn(&Believed) -> u32| links.iter().map(|(_, believed)| what(believed)).sum::<u32>();
    let (wrong, right, refused) = (of(|b| b.wrong), of(|b| b.right), of(|b| b.refused));
    println!("late-answers: {medium}, {} bad replies: {}", sum.all(), sum.says());
    println!("late-answers: {medium}, reads: {wrong} wrong values accepted, {right} right, {refused} refused");
    assert_eq!(wrong, 0, "wrong values believed on {medium}");
    assert!(right > 0, "nothing was ever believed on {medium}");
    let least = sum.kinds().map(|kind| kind.load(Ordering::SeqCst)).into_iter().min().unwrap();
    assert!(least > sum.all() / 50, "a kind of bad reply hardly came: {}", sum.says());
}

fn serial(seed: u64, replies: u32) -> (Tally, Believed) {
    let mut rig = soft_alone();
    let port = RtuDevice::for_rig(&mut rig);
    let (fieldbus, tally) = (open(&mut rig), Arc::new(Tally::default()));
    let (kept, mut chance) = (Arc::clone(&tally), ChaCha8Rng::seed_from_u64(seed));
    port.script(move |_: &Seen, honest| spoil(honest, &mut chance, &kept, garble_serial));
    let believed = read_on(&fieldbus, &port.device, &rig, &tally, replies);
    port.honest();
    believed_in_the_end(&fieldbus);
    (tally.taken(), believed)
}

fn tcp(seed: u64, replies: u32) -> (Tally, Believed) {
    let mut rig = soft_alone();
    let device = Device::for_rig(&mut rig);
    let (fieldbus, tally) = (open(&mut rig), Arc::new(Tally::default()));
    let (kept, mut chance) = (Arc::clone(&tally), ChaCha8Rng::seed_from_u64(seed));
    device.script(move |_, honest| {
        let lots = spoil(honest, &mut chance, &kept, garble_tcp);
        if lots == at_once(honest.to_vec()) { Act::Honest } else { Act::Late(lots) }
    });
    let believed = read_on(&fieldbus, &device, &rig, &tally, replies);
    device.honest();
    believed_in_the_end(&fieldbus);
    (tally.taken(), believed)
}

fn open(rig: &mut Rig) -> Fieldbus {
    rig.links[0].timeout_s = TIMEOUT.as_secs_f64();
    rig.links[0].poll_s = 0.2;
    let fieldbus = fieldbus::open(rig, Arc::new(SystemClock));
    fieldbus.wait_up(LONG).unwrap();
    fieldbus
}

/// Once the device is honest again it is believed, however busy the computer is.
fn believed_in_the_end(fieldbus: &Fieldbus) {
    let mut port = fieldbus.starter(SOFT);
    crate::stand::wait_until("an honest device is believed again", || port.read_settings().is_ok());
}

//! From the payloads of packets to counts with every channel's limits looked at: what the sampling thread does with a
//! read of its socket, beside one loop of vector instructions written by hand that does both at once. Packets of at
//! most 1 400 bytes, 64 kB a read, a trip on every channel, none acts.

#![allow(unsafe_code, reason = "vector instructions of the loop beside ours")]

use super::peers::compared;
use ramprig::acquisition::decode;
use ramprig::acquisition::limits::Limits;
use ramprig::acquisition::{Input, Setup};
use ramprig::clock::SystemClock;
use ramprig::rig::model::{SampleCode, Trip, TripCause};
use ramprig::sequence::ports::{ArmedTrip, CommandRecord, StopLine};
use ramprig::signal::{Block, Scaling};
use ramprig::starters::StopKind;
use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

const ROUNDS: usize = 15;
const ROUND: Duration = Duration::from_millis(40);
const READ: usize = 64 * 1024;
const PACKET: usize = 1_400;
const LIMIT: i32 = 30_000;

struct Line;

impl StopLine for Line {
    fn stop(&self, _: StopKind, cause: &str) {
        panic!("nothing is over a limit here: {cause}");
    }
    fn take_records(&self) -> Vec<CommandRecord> {
        Vec::new()
    }
}

fn limits(channels: usize) -> Limits {
    let rig = ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
    let trip = |channel| Trip {
        id: format!("limit {channel}"),
        cause: TripCause::Limit,
        channel: Some(channel),
        above: Some(f64::from(LIMIT)),
        below: Some(-f64::from(LIMIT)),
        debounce_s: 0.0,
        blanking_s: 0.0,
        stop: StopKind::Ramp,
        deadline_s: 1.0,
        later_s: 3.0,
        priming: None,
    };
    let scaling = Scaling { scale: 1.0, offset: 0.0 };
    let inputs = (0..channels).map(|position| Input::plain(position, scaling)).collect();
    let setup = Setup { inputs, trips: (0..channels).map(trip).collect(), ..Setup::of(&rig) };
    let armed = |trip| ArmedTrip { trip, from_rig_ns: 0, stop_line: Arc::new(Line) };
    let mut limits = Limits::default();
    limits.arm((0..channels).map(armed).collect(), &setup);
    limits
}

/// Payloads of one read, of whole frames, all within the limits.
fn payloads(code: SampleCode, channels: usize) -> Vec<Vec<u8>> {
    let frame = code.bytes() * channels;
    let samples = PACKET / frame * channels;
    let count = |k: usize| ((k as i64 * 7_919) % (2 * i64::from(LIMIT)) - i64::from(LIMIT)) as i32;
    (0..READ / (samples * code.bytes()))
        .map(|packet| {
            let bytes = |k| count(packet * samples + k).to_be_bytes()[4 - code.bytes()..].to_vec();
            (0..samples).flat_map(bytes).collect()
        })
        .collect()
}

/// Samples a second.
fn rate(samples: usize, mut turn: impl FnMut()) -> f64 {
    let (begun, mut turns) = (Instant::now(), 0_usize);
    while begun.elapsed() < ROUND {
        for _ in 0..16 {
            turn();
        }
        turns += 16;
    }
    (turns * samples) as f64 / begun.elapsed().as_secs_f64()
}

fn one(code: SampleCode, channels: usize) -> (f64, f64, f64) {
    let payloads = payloads(code, channels);
    let samples = payloads.iter().map(|payload| payload.len() / code.bytes()).sum::<usize>();
    let mut limits = limits(channels);
    let mut block = Block { first_frame: 0, missing_before: 0, channels, counts: Vec::new(), arrived_wall_ns: 0 };
    let mut events = Vec::new();
    let mut ours = || {
        block.counts.clear();
        black_box(&payloads).iter().for_each(|payload| decode::append(code, payload, &mut block.counts));
        limits.check(black_box(&block), 10_000.0, &SystemClock, &mut events);
    };
    let (over, under) = (vec![LIMIT; channels], vec![-LIMIT; channels]);
    let mut counts = vec![0; samples];
    let mut theirs = || {
        let (mut outside, mut at) = (false, 0);
        for payload in black_box(&payloads) {
            outside |= beside::fused(code, payload, &mut counts[at..], &over, &under);
            at += payload.len() / code.bytes();
        }
        assert!(!black_box(outside));
    };
    ours();
    theirs();
    let mut pairs = Vec::new();
    for _ in 0..ROUNDS {
        // Time ours takes over the time theirs takes.
        pairs.push((1e9 / rate(samples, &mut ours), 1e9 / rate(samples, &mut theirs)));
    }
    assert_eq!(block.counts, counts, "both decode alike");
    compared(&pairs)
}

pub fn report() {
    if !beside::can() {
        println!("skip decode_8ch_vs_simd: the loop beside ours needs AVX2");
        println!("skip decode_64ch_vs_simd: the loop beside ours needs AVX2");
        return;
    }
    println!(
        "# samples of packets to counts, limits of every channel looked at; the worse of 16 and 24 bits is the ratio"
    );
    for channels in [8, 64] {
        let both = [SampleCode::L16, SampleCode::L24].map(|code| one(code, channels));
        let worse = if both[0].0 > both[1].0 { 0 } else { 1 };
        println!("ratio decode_{channels}ch_vs_simd {:.3}", both[worse].0);
        for (bits, (ratio, ours, theirs)) in [16, 24].into_iter().zip(both) {
            println!("abs decode_{channels}ch_l{bits} {ours:.4} {theirs:.4} ns/sample");
            println!("# L{bits}, {channels} channels: {ratio:.3}");
        }
    }
}

#[cfg(target_arch = "x86_64")]
mod beside {
    use super::SampleCode;
    use std::arch::x86_64::*;

    pub fn can() -> bool {
        is_x86_feature_detected!("avx2")
    }

    pub fn fused(code: SampleCode, payload: &[u8], counts: &mut [i32], over: &[i32], under: &[i32]) -> bool {
        assert!(can() && over.len().is_multiple_of(8) && counts.len() >= payload.len() / code.bytes());
        // SAFETY: AVX2 is there, and there is room for the counts.
        unsafe {
            match code {
                SampleCode::L24 => l24(payload, counts, over, under),
                _ => l16(payload, counts, over, under),
            }
        }
    }

    #[target_feature(enable = "avx2")]
    unsafe fn l24(payload: &[u8], counts: &mut [i32], over: &[i32], under: &[i32]) -> bool {
        let places = _mm256_setr_epi8(
            -1, 2, 1, 0, -1, 5, 4, 3, -1, 8, 7, 6, -1, 11, 10, 9, -1, 6, 5, 4, -1, 9, 8, 7, -1, 12, 11, 10, -1, 15, 14,
            13,
        );
        // The upper half is loaded four bytes early, so that nothing behind the payload is touched.
        let vectors = payload.len() / 24;
        let mut outside = _mm256_setzero_si256();
        let mut channel = 0;
        for k in 0..vectors {
            // SAFETY: within the slices.
            unsafe {
                let from = payload.as_ptr().add(24 * k);
                let low = _mm_loadu_si128(from.cast());
                let high = _mm_loadu_si128(from.add(8).cast());
                let both = _mm256_inserti128_si256::<1>(_mm256_castsi128_si256(low), high);
                let words = _mm256_srai_epi32::<8>(_mm256_shuffle_epi8(both, places));
                let most = _mm256_loadu_si256(over.as_ptr().add(channel).cast());
                let least = _mm256_loadu_si256(under.as_ptr().add(channel).cast());
                outside = _mm256_or_si256(outside, _mm256_cmpgt_epi32(words, most));
                outside = _mm256_or_si256(outside, _mm256_cmpgt_epi32(least, words));
                _mm256_storeu_si256(counts.as_mut_ptr().add(8 * k).cast(), words);
            }
            channel = if channel + 8 == over.len() { 0 } else { channel + 8 };
        }
        _mm256_testz_si256(outside, outside) == 0
    }

    #[target_feature(enable = "avx2")]
    unsafe fn l16(payload: &[u8], counts: &mut [i32], over: &[i32], under: &[i32]) -> bool {
        let swapped = _mm_setr_epi8(1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14);
        let mut outside = _mm256_setzero_si256();
        let mut channel = 0;
        for k in 0..payload.len() / 16 {
            // SAFETY: within the slices.
            unsafe {
                let halves = _mm_loadu_si128(payload.as_ptr().add(16 * k).cast());
                let words = _mm256_cvtepi16_epi32(_mm_shuffle_epi8(halves, swapped));
                let most = _mm256_loadu_si256(over.as_ptr().add(channel).cast());
                let least = _mm256_loadu_si256(under.as_ptr().add(channel).cast());
                outside = _mm256_or_si256(outside, _mm256_cmpgt_epi32(words, most));
                outside = _mm256_or_si256(outside, _mm256_cmpgt_epi32(least, words));
                _mm256_storeu_si256(counts.as_mut_ptr().add(8 * k).cast(), words);
            }
            channel = if channel + 8 == over.len() { 0 } else { channel + 8 };
        }
        _mm256_testz_si256(outside, outside) == 0
    }
}

#[cfg(not(target_arch = "x86_64"))]
mod beside {
    use super::SampleCode;
    pub fn can() -> bool {
        false
    }
    pub fn fused(_: SampleCode, _: &[u8], _: &mut [i32], _: &[i32], _: &[i32]) -> bool {
        false
    }
}

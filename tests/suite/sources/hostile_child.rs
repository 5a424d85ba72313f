//! A sampler that stalls, babbles, complains or lies about its rate, and a system that grants too small a buffer.

use super::{Kind, Stand, free_udp_port, source};
use crate::acquisition::{RATE_HZ, wait_for};
use ramprig::acquisition::{Acquisition, Input, Setup, start_with};
use ramprig::clock::{ManualClock, RigClock, SystemClock, WallClock};
use ramprig::rig::model::{SampleCode, SampleCommand, SampleWire};
use ramprig::sequence::ports::SampleView;
use ramprig::signal::Scaling;
use std::sync::Arc;

/// A shell's words as the source, RTP packets behind their length.
fn child(script: &str, clock: Arc<dyn WallClock>) -> Acquisition {
    let folder = tempfile::tempdir().unwrap();
    let mut source = source(Kind::FramedChild, SampleCode::L16, String::new(), &folder);
    let program = ["sh", "-c", script].map(str::to_owned).to_vec();
    source.wire = SampleWire::Command(SampleCommand { program, framed: true, restart: false });
    let inputs = vec![Input::plain(0, Scaling { scale: 1.0, offset: 0.0 })];
    start_with(Setup { source, inputs, trips: vec![] }, clock, RigClock::default()).unwrap()
}

fn lost(words: &'static str) -> impl Fn(&SampleView) -> bool {
    move |view| view.lost.as_ref().is_some_and(|why| why.contains(words))
}

/// One packet of two frames, 7 and 8, in the words of printf.
const PACKET: &str = r"\000\020\200\140\000\001\000\000\000\000\000\000\000\007\000\007\000\010";

#[test]
fn calls_a_child_lost_that_stalls_in_the_middle_of_a_packet_and_lives_on() {
    let clock = ManualClock::at(1_000_000_000);
    let acquisition = child(&format!(r"printf '{PACKET}\000\020\200\140'; exec sleep 1000"), Arc::new(clock.clone()));
    let port = acquisition.port();
    let view = wait_for(&*port, "two frames", |view| view.frames == 2);
    assert_eq!(view.lost, None);
    clock.advance_ns(600_000_000);
    let view = wait_for(&*port, "the stall", lost("no frame for 0.60 s"));
    assert_eq!(view.frames, 2, "half a packet is no frame");
}

#[test]
fn believes_nothing_of_a_child_that_writes_framed_garbage() {
    let clock = ManualClock::at(1_000_000_000);
    // Lengths that hold: one packet too short for a header, one of another version, one of another payload type, one with half a
    // sample; then lengths that hold nothing.
    let garbage = [
        r"\000\003\200\140\000",
        r"\000\016\100\140\000\001\000\000\000\000\000\000\000\007\000\007",
        r"\000\016\200\150\000\001\000\000\000\000\000\000\000\007\000\007",
        r"\000\015\200\140\000\001\000\000\000\000\000\000\000\007\000",
        r"\000\000\000\000",
    ]
    .concat();
    let acquisition = child(&format!(r"printf '{garbage}'; exec sleep 1000"), Arc::new(clock.clone()));
    let port = acquisition.port();
    let deadline = SystemClock.now_ns() + 60_000_000_000;
    while acquisition.statistics().stream.refused < 4 {
        assert!(SystemClock.now_ns() < deadline, "{:?}", acquisition.statistics());
        // Counters of refused packets come with the loss.
        clock.advance_ns(600_000_000);
        port.wait_newer(0, std::time::Duration::from_millis(20));
    }
    let view = wait_for(&*port, "the loss", lost("packets refused, the last one because"));
    assert_eq!(view.frames, 0);
}

#[test]
fn hands_on_what_a_child_says_on_its_standard_error_and_keeps_no_more_than_it_may() {
    let acquisition =
        child("for k in $(seq 300); do echo \"word $k\" >&2; done; exec sleep 1000", Arc::new(SystemClock));
    let mut said = Vec::new();
    crate::stand::wait_until("the last word, or how many more there were", || {
        said.extend(acquisition.take_said());
        said.iter().any(|line| line == "word 300" || line.ends_with("more lines)"))
    });
    assert_eq!(said[0], "word 1");
    assert!(said.len() <= 302, "{} lines", said.len());
}

#[test]
fn tells_a_rate_that_lies_and_never_calls_the_stream_lost_for_it() {
    const FOUND_HZ: f64 = 10_100.0;
    let clock = ManualClock::at(1_000_000_000);
    let mut stand = Stand::new(Kind::Tcp, SampleCode::L16, 1, Arc::new(clock.clone()));
    let port = stand.acquisition.port();
    let mut frames = 0;
    for _ in 0..70 {
        clock.advance_ns(100_000_000);
        stand.send(&[1; 1010]);
        frames += 1010;
        let view = wait_for(&*port, "the next frames", |view| view.frames == frames);
        assert_eq!(view.lost, None, "a clock that runs fast loses no sample: a run goes on");
    }
    let found_hz = stand.acquisition.rate_found_hz().unwrap();
    let error_hz = (found_hz - FOUND_HZ).abs();
    assert!(
        error_hz < 2.0,
        "expected {FOUND_HZ} Hz, got {found_hz} Hz of {RATE_HZ} said; tolerance 2 Hz (made stream)"
    );
    let port = stand.acquisition.port();
    assert_eq!(port.view().lost, None);
}

#[test]
fn says_nothing_against_a_rate_that_holds() {
    let clock = ManualClock::at(1_000_000_000);
    let mut stand = Stand::new(Kind::Tcp, SampleCode::L16, 1, Arc::new(clock.clone()));
    let port = stand.acquisition.port();
    for k in 1..=70 {
        clock.advance_ns(100_000_000);
        stand.send(&[1; 1000]);
        wait_for(&*port, "the next frames", |view| view.frames == 1000 * k);
    }
    assert_eq!(stand.acquisition.rate_found_hz(), None);
}

#[test]
fn rejects_a_receive_buffer_that_holds_too_little_of_the_stream() {
    let granted: f64 = std::fs::read_to_string("/proc/sys/net/core/rmem_max").unwrap().trim().parse().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut source = source(Kind::Udp, SampleCode::L24, format!("127.0.0.1:{}", free_udp_port()), &folder);
    // Twice what the system may grant (it counts double) for 50 ms.
    let channels = 64;
    source.rate_hz = 8.0 * granted / 0.05 / (3.0 * channels as f64);
    let scaling = Scaling { scale: 1.0, offset: 0.0 };
    let inputs = (0..channels).map(|position| Input::plain(position, scaling)).collect();
    let Err(error) = start_with(Setup { source, inputs, trips: vec![] }, Arc::new(SystemClock), RigClock::default())
    else {
        panic!("started")
    };
    let words = error.to_string();
    assert!(words.contains("the system grants a receive buffer of") && words.contains("net.core.rmem_max"), "{words}");
}

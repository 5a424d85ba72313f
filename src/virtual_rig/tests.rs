//! The sample wire on a toy bench over real sockets: pacing, viewers, gaps. The plant itself is played in `tests/suite`.

use super::bench::Motion;
use super::play::LEAP_S;
use super::*;
use crate::rig::model::{Channel, Quantity};
use crate::signal::{ChannelId, Scaling};
use crate::starters::{Settings, StopKind};
use std::io::Read;
use std::sync::atomic::Ordering;

const CHANNELS: usize = 8;
const RATE_HZ: f64 = 10_000.0;
/// An event that does not come within this wall time has failed.
const DEADLINE: Duration = Duration::from_secs(30);

/// Every channel is a saw of the frame number, so that a frame can be told by its value.
#[derive(Default)]
struct Saw {
    time_s: f64,
    rests_until_s: f64,
}

impl Bench for Saw {
    fn frame(&mut self, time_s: f64, out: &mut [f64]) -> Result<(), VirtualRigError> {
        self.time_s = time_s;
        let frame = (time_s * RATE_HZ).round();
        out.iter_mut().zip(0..).for_each(|(value, channel): (&mut f64, i32)| *value = frame + f64::from(channel));
        Ok(())
    }
    fn start(&mut self, _: usize, _: &Settings) {}
    fn stop(&mut self, _: usize, _: StopKind) {}
    fn set_speed(&mut self, _: usize, _: f64) {}
    fn rest(&mut self, until_s: f64) {
        self.rests_until_s = until_s;
    }
    fn passes_over(&self) -> bool {
        self.time_s < self.rests_until_s
    }
    fn motion(&self, _: usize) -> Motion {
        Motion::default()
    }
    fn current_a(&self) -> f64 {
        0.0
    }
    fn speed_rad_s(&self) -> f64 {
        0.0
    }
}

fn channels() -> Vec<Channel> {
    (0..CHANNELS)
        .map(|input| Channel {
            id: ChannelId(format!("c{input}")),
            label: String::new(),
            quantity: Quantity::GaugePressure,
            place: None,
            low_place: None,
            diaphragm_elevation_m: 0.0,
            scaling: Scaling { scale: 1.0, offset: 0.0 },
            range: (-8e6, 8e6),
            bandwidth_hz: 0.0,
            filter_class: 0,
            calibration_u: 0.0,
            input,
            chain: crate::rig::chain::Chain::default(),
        })
        .collect()
}

struct Played {
    ready: Ready,
    controls: crossbeam_channel::Sender<Fault>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

fn play(fast: Option<f64>) -> Played {
    let quiet = truth::SensorTruth { zero_si: 0.0, noise_si: 0.0, drift_si_s: 0.0, bandwidth_hz: 0.0 };
    let (controls, control_lines) = bounded(8);
    let truth = truth::DeviceTruth { transfer_travel_s: 0.5, ..truth::DeviceTruth::default() };
    let stage = Stage {
        rack: Rack::of(&[], None, &truth).unwrap(),
        sensors: Sensors::new(&channels(), &[quiet; CHANNELS], RATE_HZ, ChaCha8Rng::seed_from_u64(1)),
        stream: StreamOptions { payload_type: 97, fast, numbers: ChaCha8Rng::seed_from_u64(2) },
        modbus: TcpListener::bind("127.0.0.1:0").unwrap(),
        samples: TcpListener::bind("127.0.0.1:0").unwrap(),
        ports: Vec::new(),
        controls: control_lines,
    };
    let stop = Arc::new(AtomicBool::new(false));
    let (announce, announced) = bounded(1);
    let told = Arc::clone(&stop);
    let thread = std::thread::spawn(move || {
        stage.play(Saw::default(), told, |ready| announce.send(ready.clone()).unwrap()).unwrap();
    });
    let ready = announced.recv_timeout(DEADLINE).unwrap();
    Played { ready, controls, stop, thread: Some(thread) }
}

impl Drop for Played {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

/// One packet, taken apart by hand.
#[derive(Debug)]
struct Packet {
    sequence: u16,
    timestamp: u32,
    first_saw: i32,
    frames: u32,
}

struct View(TcpStream);

impl View {
    fn of(played: &Played) -> Self {
        let stream = TcpStream::connect(played.ready.samples).unwrap();
        stream.set_read_timeout(Some(DEADLINE)).unwrap();
        Self(stream)
    }
    fn next(&mut self) -> std::io::Result<Packet> {
        let mut length = [0; 2];
        self.0.read_exact(&mut length)?;
        let mut bytes = vec![0; usize::from(u16::from_be_bytes(length))];
        self.0.read_exact(&mut bytes)?;
        assert_eq!((bytes[0], bytes[1] & 0x7F), (0x80, 97), "RFC 3550 version 2, payload type");
        let samples: Vec<i32> =
            bytes[12..].chunks_exact(3).map(|b| i32::from_be_bytes([b[0], b[1], b[2], 0]) >> 8).collect();
        let first_saw = samples[0];
        for (frame, row) in samples.chunks_exact(CHANNELS).enumerate() {
            let expected: Vec<i32> = (0..8).map(|channel| first_saw + frame as i32 + channel).collect();
            assert_eq!(row, expected, "frames are contiguous inside a packet");
        }
        Ok(Packet {
            sequence: u16::from_be_bytes([bytes[2], bytes[3]]),
            timestamp: u32::from_be_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]),
            first_saw,
            frames: u32::try_from(samples.len() / CHANNELS).unwrap(),
        })
    }
}

/// Frames and sequence numbers missing between two packets; the saw must agree with the timestamps.
fn missing(before: &Packet, after: &Packet) -> (u32, u16) {
    let stamp = after.timestamp.wrapping_sub(before.timestamp);
    assert_eq!(i64::from(after.first_saw - before.first_saw), i64::from(stamp), "timestamps count frames");
    (stamp - before.frames, after.sequence.wrapping_sub(before.sequence).wrapping_sub(1))
}

#[test]
fn streams_without_loss_from_the_moment_of_connection() {
    for fast in [None, Some(50.0)] {
        let played = play(fast);
        let mut view = View::of(&played);
        let mut before = view.next().unwrap();
        for _ in 0..200 {
            let packet = view.next().unwrap();
            assert_eq!(missing(&before, &packet), (0, 0), "fast {fast:?}");
            before = packet;
        }
    }
}

#[test]
fn waits_for_a_viewer_that_takes_nothing_when_it_is_paced_by_credit() {
    let played = play(Some(1000.0));
    let mut view = View::of(&played);
    let mut before = view.next().unwrap();
    // Not to decide anything, only to give a rig that does not wait the time to run away.
    crate::clock::sleep_wall(Duration::from_millis(500));
    for _ in 0..5000 {
        let packet = view.next().unwrap();
        assert_eq!(missing(&before, &packet), (0, 0));
        before = packet;
    }
}

#[test]
fn leaves_out_frames_as_a_gap_and_never_silently() {
    let played = play(None);
    let mut view = View::of(&played);
    let mut before = view.next().unwrap();
    played.controls.send(Fault::Gap(100)).unwrap();
    let gap = std::iter::from_fn(|| {
        let packet = view.next().unwrap();
        let gap = missing(&before, &packet);
        before = packet;
        Some(gap)
    })
    .take(1000)
    .find(|gap| *gap != (0, 0));
    assert_eq!(gap, Some((100, 1)), "(frames, sequence numbers) missing");
}

#[test]
fn leaps_over_a_rest_in_a_hurry_and_plays_its_end_without_a_sequence_number_missing() {
    const REST_S: f64 = 600.0;
    let played = play(Some(50.0));
    let mut view = View::of(&played);
    let mut before = view.next().unwrap();
    let begun = before.timestamp;
    played.controls.send(Fault::Rest(Duration::from_secs_f64(REST_S))).unwrap();
    let (mut leapt, mut packets, mut since_leap) = (0, 0, 0);
    while since_leap < 200 {
        let packet = view.next().unwrap();
        let (frames, numbers) = missing(&before, &packet);
        assert_eq!(numbers, 0, "nothing was lost");
        assert!(f64::from(frames) <= LEAP_S * RATE_HZ, "{frames} frames at once are another time axis to a receiver");
        since_leap = if frames > 0 || leapt == 0 { 0 } else { since_leap + 1 };
        leapt += frames;
        packets += 1;
        before = packet;
    }
    let (leapt_s, passed_s) = (f64::from(leapt) / RATE_HZ, f64::from(before.timestamp.wrapping_sub(begun)) / RATE_HZ);
    assert!(
        leapt_s > REST_S - 5.0 && leapt_s <= REST_S,
        "{leapt_s} s of {REST_S} s were leapt over in {packets} packets"
    );
    assert!(passed_s > REST_S - 5.0, "rig time went on: {passed_s} s");
}

#[test]
fn serves_the_next_viewer_when_the_first_has_gone() {
    let played = play(None);
    let mut first = View::of(&played);
    first.next().unwrap();
    let mut second = View::of(&played);
    played.controls.send(Fault::DropStream).unwrap();
    while first.next().is_ok() {}
    second.next().unwrap();
    drop(second);
    View::of(&played).next().unwrap();
}

#[test]
fn announces_itself_in_one_line_that_can_be_read_back() {
    let played = play(None);
    let line = played.ready.announce();
    assert_eq!(Ready::parse(&line).unwrap(), played.ready);
    let value: serde_json::Value = serde_json::from_str(&line).unwrap();
    assert_eq!((value["ready"].as_bool(), value["virtual"].as_bool()), (Some(true), Some(true)));
    assert!(!line.contains('\n'));
    assert!(Ready::parse("{\"ready\":true}").is_err());
}

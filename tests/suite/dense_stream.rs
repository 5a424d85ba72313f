//! Dense streams: 64 channels of 100 000 samples a second, and eight of 10 000 while every core is kept busy. Received,
//! every channel's limit looked at, recorded; nothing may be lost. Processor time is that of the sampling and the
//! recording thread, as the system counts it; the sender's is not ours.

use crate::acquisition::{DEADLINE, PAYLOAD_TYPE, wait_for};
use crate::campaign;
use crate::recording::made;
use ramprig::acquisition::{Acquisition, Input, Setup, start_with};
use ramprig::clock::{RigClock, SystemClock, WallClock, sleep_wall};
use ramprig::recording::Recorder;
use ramprig::rig::model::{Channel, SampleCode, SampleWire, Source, Trip, TripCause};
use ramprig::sequence::ports::{ArmedTrip, CommandRecord, StopLine};
use ramprig::signal::{ChannelId, Scaling};
use ramprig::starters::StopKind;
use std::io::Write;
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::time::Duration;

/// Seconds of the stream in full.
const SECONDS: u32 = 60;
/// Blocks that may wait for the recorder, as in service.
const BLOCKS_WAITING: usize = 4096;
/// Most of one core that both threads may take together: the aim of the issue.
const MOST_CORES: f64 = 0.5;
/// Different packets that are sent in turn.
const PACKETS: usize = 32;

/// What is sent.
#[derive(Debug, Clone, Copy)]
struct Dense {
    channels: usize,
    rate_hz: f64,
    /// Frames a packet.
    frames: usize,
}

struct NoStop;

impl StopLine for NoStop {
    fn stop(&self, _: StopKind, cause: &str) {
        panic!("no sample is over a limit: {cause}");
    }
    fn take_records(&self) -> Vec<CommandRecord> {
        Vec::new()
    }
}

enum Wire {
    Stream(TcpStream),
    Datagrams(UdpSocket),
}

impl Dense {
    fn setup(&self, wire: SampleWire, address: String) -> Setup {
        let source = Source {
            id: "fast".to_owned(),
            wire,
            address,
            rate_hz: self.rate_hz,
            code: SampleCode::L24,
            payload_type: PAYLOAD_TYPE,
            max_age_s: 30.0,
        };
        let trip = |channel| Trip {
            id: format!("limit {channel}"),
            cause: TripCause::Limit,
            channel: Some(channel),
            above: Some(8_000_000.0),
            below: Some(-8_000_000.0),
            debounce_s: 0.0,
            blanking_s: 0.0,
            stop: StopKind::Ramp,
            deadline_s: 1.0,
            later_s: 3.0,
            priming: None,
        };
        let scaling = Scaling { scale: 1.0, offset: 0.0 };
        let inputs = (0..self.channels).map(|position| Input::plain(position, scaling)).collect();
        Setup { source, inputs, trips: (0..self.channels).map(trip).collect() }
    }

    fn recorder(&self, acquisition: &Acquisition, path: &std::path::Path, clock: RigClock) -> Recorder {
        let mut description = made::description();
        let like = description.channels[0].clone();
        let channel = |input| Channel { id: ChannelId(format!("c{input}")), input, ..like.clone() };
        description.channels = (0..self.channels).map(channel).collect();
        description.rate_hz = self.rate_hz;
        description.headline = 0;
        let blocks = acquisition.attach_recorder(BLOCKS_WAITING);
        Recorder::create(path, &description, blocks, Arc::new(SystemClock), clock).unwrap()
    }

    fn packets(&self) -> Vec<Vec<u8>> {
        let samples = self.channels * self.frames;
        let bytes = |packet: usize, k: usize| made::count(packet, k as u64).clamp(-7_000_000, 7_000_000).to_be_bytes();
        let payload = |packet| (0..samples).flat_map(move |k| bytes(packet, k)[1..].to_vec());
        (0..PACKETS)
            .map(|packet| [0x80, PAYLOAD_TYPE].into_iter().chain([0; 10]).chain(payload(packet)).collect())
            .collect()
    }

    /// Send in step with the wall clock; how many frames that were.
    fn send(&self, seconds: u32, mut wire: Wire) -> u64 {
        let mut packets = self.packets();
        let count = (f64::from(seconds) * self.rate_hz / self.frames as f64).round() as u64;
        let pace_ns = self.frames as f64 / self.rate_hz * 1e9;
        let begun_ns = SystemClock.now_ns();
        for k in 0..count {
            let due_ns = begun_ns + (k as f64 * pace_ns) as u64;
            sleep_wall(Duration::from_nanos(due_ns.saturating_sub(SystemClock.now_ns())));
            let packet = &mut packets[(k % PACKETS as u64) as usize];
            packet[2..4].copy_from_slice(&(k as u16).to_be_bytes());
            packet[4..8].copy_from_slice(&((k * self.frames as u64) as u32).to_be_bytes());
            match &mut wire {
                Wire::Stream(stream) => {
                    stream.write_all(&(packet.len() as u16).to_be_bytes()).unwrap();
                    stream.write_all(packet).unwrap();
                }
                Wire::Datagrams(socket) => assert_eq!(socket.send(packet).unwrap(), packet.len()),
            }
        }
        count * self.frames as u64
    }

    /// Send for `seconds`; the share of a core that sampling and recording took.
    fn run(&self, seconds: u32, datagrams: bool) -> f64 {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let free = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let (kind, address) = match datagrams {
            true => (SampleWire::Udp, free),
            false => (SampleWire::Tcp, listener.local_addr().unwrap()),
        };
        let rig_clock = RigClock::default();
        let setup = self.setup(kind, address.to_string());
        let acquisition = start_with(setup, Arc::new(SystemClock), rig_clock.clone()).unwrap();
        let port = acquisition.port();
        let armed = |trip| ArmedTrip { trip, from_rig_ns: 0, stop_line: Arc::new(NoStop) };
        port.arm((0..self.channels).map(armed).collect());
        let recorder = self.recorder(&acquisition, &folder.path().join("dense.h5"), rig_clock);
        let wire = if datagrams {
            let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
            socket.connect(address).unwrap();
            Wire::Datagrams(socket)
        } else {
            Wire::Stream(listener.accept().unwrap().0)
        };
        let (before, dense) = (our_time_s(), *self);
        let sender = std::thread::spawn(move || dense.send(seconds, wire));
        let sent = sender.join().unwrap();
        wait_for(&*port, "every frame", |view| view.frames >= sent);
        made::wait_until("every frame in the recording", || recorder.counts().stored >= sent);
        let cores = (our_time_s() - before) / f64::from(seconds);
        let statistics = acquisition.statistics();
        let lost = (statistics.stream.frames_missing, statistics.stream.refused, statistics.recorder_behind_frames);
        assert_eq!((statistics.stream.frames, lost), (sent, (0, 0, 0)), "{statistics:?}");
        let counts = recorder.counts();
        assert_eq!((counts.stored, counts.missing, counts.dropped), (sent, 0, 0), "{counts:?}");
        recorder.finish(4 * DEADLINE).unwrap();
        println!(
            "{} channels x {} Hz, datagrams {datagrams}: {sent} frames in {seconds} s, 0 lost, {cores:.3} of a core, \
             recorder's queue {} blocks at most",
            self.channels, self.rate_hz, statistics.recorder_queue_most
        );
        cores
    }
}

/// Processor time of the sampling and the recording threads of this process, s.
fn our_time_s() -> f64 {
    let ticks_a_s = rustix::param::clock_ticks_per_second() as f64;
    let mine = |tid: &std::path::Path| {
        let name = std::fs::read_to_string(tid.join("comm")).unwrap_or_default();
        let stat = std::fs::read_to_string(tid.join("stat")).unwrap_or_default();
        // Behind the name in brackets: fields 14 and 15 of proc_pid_stat(5) are user and system time.
        let fields: Vec<f64> =
            stat.rsplit(')').next().unwrap_or("").split_whitespace().map(|w| w.parse().unwrap_or(0.0)).collect();
        let ours = matches!(name.trim(), "sampling" | "recording");
        if ours { (fields.get(11).unwrap_or(&0.0) + fields.get(12).unwrap_or(&0.0)) / ticks_a_s } else { 0.0 }
    };
    std::fs::read_dir("/proc/self/task").unwrap().flatten().map(|task| mine(&task.path())).sum()
}

/// A process of its own, so that no other test's threads are counted.
#[test]
fn campaign_dense_stream_is_received_checked_and_recorded_without_loss() {
    let seconds = campaign::count(SECONDS);
    let mut child = Command::new(std::env::current_exe().unwrap());
    child.args(["dense_stream::child_dense_stream", "--exact", "--ignored", "--nocapture", "--test-threads=1"]);
    let said = child.env(CHILD_SECONDS, seconds.to_string()).stdin(Stdio::null()).output().unwrap();
    let text = format!("{}{}", String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
    print!("{text}");
    assert!(said.status.success() && text.contains("64 channels x 100000 Hz"), "{text}");
}

const CHILD_SECONDS: &str = "RAMPRIG_TEST_DENSE_SECONDS";

#[test]
#[ignore = "run by the test above in a process of its own"]
fn child_dense_stream() {
    let Some(seconds) = std::env::var(CHILD_SECONDS).ok().and_then(|text| text.parse().ok()) else { return };
    let dense = Dense { channels: 64, rate_hz: 100_000.0, frames: 100 };
    let cores = dense.run(seconds, false);
    assert!(cores < MOST_CORES, "{cores:.3} of a core, at most {MOST_CORES}");
}

#[test]
fn campaign_busy_computer_loses_nothing() {
    let end = Arc::new(AtomicBool::new(false));
    let cores = std::thread::available_parallelism().unwrap().get();
    let burners: Vec<_> = (0..cores)
        .map(|_| {
            let end = Arc::clone(&end);
            std::thread::spawn(move || {
                while !end.load(SeqCst) {
                    std::hint::spin_loop();
                }
            })
        })
        .collect();
    let sparse = Dense { channels: 8, rate_hz: 10_000.0, frames: 40 };
    for datagrams in [false, true] {
        sparse.run(campaign::count(SECONDS), datagrams);
    }
    end.store(true, SeqCst);
    burners.into_iter().for_each(|burner| burner.join().unwrap());
}

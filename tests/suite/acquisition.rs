//! Sampling over real sockets: made-up senders, and GStreamer as somebody else's.

use ramprig::acquisition::{Acquisition, AcquisitionError, Input, Setup, start_with};
use ramprig::clock::{ManualClock, RigClock, SystemClock, WallClock};
use ramprig::rig::model::{SampleCode, SampleWire, Source, Trip, TripCause};
use ramprig::sequence::ports::{ArmedTrip, CommandRecord, SamplePort, SampleView, StopLine};
use ramprig::signal::{Block, Scaling};
use ramprig::starters::StopKind;
use std::io::Write;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

pub const RATE_HZ: f64 = 10_000.0;
pub const PAYLOAD_TYPE: u8 = 96;
/// Generous: decides nothing but how long a broken test hangs.
pub const DEADLINE: Duration = Duration::from_secs(30);

/// A sender over a connected socket.
struct Sender {
    socket: TcpStream,
    channels: usize,
    payload_type: u8,
    sequence: u16,
    timestamp: u32,
    ssrc: u32,
}

impl Sender {
    fn packet(&mut self, counts: &[i32]) -> Vec<u8> {
        let mut bytes = vec![0x80, self.payload_type];
        bytes.extend(self.sequence.to_be_bytes());
        bytes.extend(self.timestamp.to_be_bytes());
        bytes.extend(self.ssrc.to_be_bytes());
        bytes.extend(counts.iter().flat_map(|count| count.to_be_bytes()[1..].to_vec()));
        self.skip((counts.len() / self.channels) as u32);
        let mut framed = (bytes.len() as u16).to_be_bytes().to_vec();
        framed.extend(bytes);
        framed
    }

    fn send(&mut self, counts: &[i32]) {
        let packet = self.packet(counts);
        self.socket.write_all(&packet).unwrap();
    }

    /// Lose a packet of so many frames.
    fn skip(&mut self, frames: u32) {
        self.sequence = self.sequence.wrapping_add(1);
        self.timestamp = self.timestamp.wrapping_add(frames);
    }
}

fn setup(address: String, channels: usize, trips: Vec<Trip>) -> Setup {
    let source = Source {
        id: "fast".to_owned(),
        wire: SampleWire::Tcp,
        address,
        rate_hz: RATE_HZ,
        code: SampleCode::L24,
        payload_type: PAYLOAD_TYPE,
        max_age_s: 0.5,
    };
    let scaling = Scaling { scale: 2.0, offset: 10.0 };
    Setup { source, inputs: (0..channels).map(|position| Input::plain(position, scaling)).collect(), trips }
}

struct Bench {
    acquisition: Acquisition,
    sender: Sender,
    listener: TcpListener,
    port: Box<dyn SamplePort>,
    blocks: crossbeam_channel::Receiver<Arc<Block>>,
    rig_clock: RigClock,
}

fn bench(channels: usize, trips: Vec<Trip>, clock: Arc<dyn WallClock>) -> Bench {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let rig_clock = RigClock::default();
    let acquisition = start_with(setup(address, channels, trips), clock, rig_clock.clone()).unwrap();
    let (socket, _) = listener.accept().unwrap();
    socket.set_nodelay(true).unwrap();
    let sender = Sender { socket, channels, payload_type: PAYLOAD_TYPE, sequence: 65_530, timestamp: 0, ssrc: 7 };
    let (port, blocks) = (acquisition.port(), acquisition.attach_recorder(1024));
    Bench { acquisition, sender, listener, port, blocks, rig_clock }
}

/// Wait on the port until `what` holds.
pub fn wait_for(port: &dyn SamplePort, what: &str, holds: impl Fn(&SampleView) -> bool) -> SampleView {
    let deadline_ns = SystemClock.now_ns() + DEADLINE.as_nanos() as u64;
    let mut view = port.view();
    while !holds(&view) {
        assert!(SystemClock.now_ns() < deadline_ns, "never saw: {what}; newest view {view:?}");
        view = port.wait_newer(view.newest_rig_ns, Duration::from_millis(20));
    }
    view
}

/// Blocks until `frames` frames were received.
pub fn collect(blocks: &crossbeam_channel::Receiver<Arc<Block>>, frames: usize) -> Vec<Arc<Block>> {
    let mut got = Vec::new();
    while got.iter().map(|b: &Arc<Block>| b.frames()).sum::<usize>() < frames {
        got.push(blocks.recv_timeout(DEADLINE).unwrap());
    }
    got
}

fn all_counts(blocks: &[Arc<Block>]) -> Vec<i32> {
    blocks.iter().flat_map(|block| block.counts.clone()).collect()
}

/// Counts over the whole 24-bit range.
fn counts(n: usize) -> Vec<i32> {
    (0..n as i64).map(|k| ((k * 7_654_321) % 16_777_216 - 8_388_608) as i32).collect()
}

#[test]
fn gives_trickled_bytes_bit_for_bit_and_follows_them_with_the_rig_clock() {
    let mut bench = bench(3, vec![], Arc::new(SystemClock));
    let sent = counts(3 * 40);
    for part in sent.chunks(3 * 10) {
        for byte in bench.sender.packet(part) {
            bench.sender.socket.write_all(&[byte]).unwrap();
        }
    }
    let blocks = collect(&bench.blocks, 40);
    assert_eq!(all_counts(&blocks), sent);
    assert_eq!(blocks[0].first_frame, 0);
    let view = wait_for(&*bench.port, "40 frames", |view| view.frames == 40);
    assert_eq!((view.newest_rig_ns, bench.rig_clock.now_ns()), (3_900_000, 3_900_000));
    assert_eq!((view.frames_missing, view.lost), (0, None));
    bench.acquisition.shutdown(DEADLINE).unwrap();
    assert_eq!(bench.port.view().lost.as_deref(), Some("sampling was ended"));
    assert!(bench.blocks.recv_timeout(DEADLINE).is_err(), "the recorder's queue ends with the thread");
}

#[test]
fn counts_gaps_across_the_wrap_of_sequence_and_timestamp() {
    let mut bench = bench(1, vec![], Arc::new(SystemClock));
    bench.sender.timestamp = u32::MAX - 25;
    for k in 0..12 {
        bench.sender.send(&[k; 10]);
        if k == 4 {
            bench.sender.skip(10);
            bench.sender.skip(7);
        }
    }
    let blocks = collect(&bench.blocks, 120);
    let after: Vec<_> = blocks.iter().filter(|b| b.missing_before > 0).collect();
    assert_eq!(after.len(), 1);
    assert_eq!((after[0].first_frame, after[0].missing_before, after[0].counts[0]), (67, 17, 5));
    let last = blocks.last().unwrap();
    assert_eq!(last.first_frame + last.frames() as u64, 137);
    let view = wait_for(&*bench.port, "all frames", |view| view.frames == 120);
    assert_eq!(view.frames_missing, 17);
    assert_eq!(bench.acquisition.statistics().stream.packets_lost, 2);
}

#[test]
fn refuses_what_makes_no_sense_names_it_and_goes_on() {
    let clock = ManualClock::at(1_000_000_000);
    let mut bench = bench(2, vec![], Arc::new(clock.clone()));
    bench.sender.send(&[1, 2]);
    bench.sender.payload_type = 97;
    bench.sender.send(&[3, 4]);
    bench.sender.payload_type = PAYLOAD_TYPE;
    bench.sender.socket.write_all(&[0, 0]).unwrap();
    bench.sender.socket.write_all(&[0, 3, 0x80, 96, 0]).unwrap();
    bench.sender.send(&[5, 6]);
    bench.sender.send(&[5, 6, 7]);
    let view = wait_for(&*bench.port, "two frames", |view| view.frames == 2);
    assert_eq!(view.frames_missing, 1, "the frame of the wrong payload type is missing");
    // Only refused packets from here on: they must not keep the stream alive.
    clock.advance_ns(600_000_000);
    let view =
        wait_for(&*bench.port, "stale", |view| bench.acquisition.statistics().losses == 1 && view.lost.is_some());
    let why = view.lost.unwrap();
    assert!(why.contains("no frame for 0.60 s (limit 0.5 s); 3 packets refused"), "{why}");
    assert!(why.contains("payload of 9 bytes is no whole number of frames of 2 channels"), "{why}");
    // Frames that come again end it without a reconnect.
    bench.sender.timestamp = bench.sender.timestamp.wrapping_add(5);
    bench.sender.send(&[8, 9]);
    wait_for(&*bench.port, "alive again", |view| view.lost.is_none() && view.frames == 3);
}

#[test]
fn ends_the_stream_when_the_frame_index_cannot_be_trusted() {
    let mut other = bench(1, vec![], Arc::new(SystemClock));
    other.sender.send(&[1; 10]);
    other.sender.ssrc = 8;
    other.sender.send(&[1; 10]);
    let view = wait_for(&*other.port, "lost", |view| view.lost.is_some());
    assert!(view.lost.unwrap().contains("the sender changed (SSRC 0x00000007 -> 0x00000008)"));

    let mut narrow = bench(1, vec![], Arc::new(SystemClock));
    narrow.sender.channels = 2;
    narrow.sender.send(&[1; 20]);
    narrow.sender.send(&[1; 20]);
    let view = wait_for(&*narrow.port, "lost", |view| view.lost.is_some());
    let why = view.lost.unwrap();
    assert!(why.contains("hold 20 frames of 1 channels but their timestamps advance by 10"), "{why}");

    let mut jump = bench(1, vec![], Arc::new(SystemClock));
    jump.sender.send(&[1; 10]);
    jump.sender.timestamp = jump.sender.timestamp.wrapping_add(1_000_000);
    jump.sender.send(&[1; 10]);
    let view = wait_for(&*jump.port, "lost", |view| view.lost.is_some());
    assert!(view.lost.unwrap().contains("jumped by 1000000 frames"));
}

#[test]
fn says_that_a_stream_broke_off_and_reconnects_only_when_told() {
    let mut bench = bench(1, vec![], Arc::new(SystemClock));
    bench.sender.send(&[1; 10]);
    bench.sender.socket.write_all(&[0, 40, 0x80]).unwrap();
    bench.sender.socket.shutdown(Shutdown::Both).unwrap();
    let view = wait_for(&*bench.port, "lost", |view| view.lost.is_some());
    let why = view.lost.unwrap();
    assert!(why.contains("closed the sample stream (3 bytes of an unfinished packet)"), "{why}");
    bench.listener.set_nonblocking(true).unwrap();
    bench.port.wait_newer(view.newest_rig_ns, Duration::from_millis(100));
    assert!(bench.listener.accept().is_err(), "nobody asked for a new connection");
    bench.listener.set_nonblocking(false).unwrap();
    bench.acquisition.reconnect();
    let (socket, _) = bench.listener.accept().unwrap();
    bench.sender = Sender { socket, ssrc: 99, timestamp: 123_456, ..bench.sender };
    bench.sender.send(&[2; 10]);
    let view = wait_for(&*bench.port, "new frames", |view| view.lost.is_none() && view.frames == 20);
    assert!(view.frames_missing > 0, "the time without a stream counts as missing");
    let blocks = collect(&bench.blocks, 20);
    assert_eq!(blocks[1].first_frame, 10 + view.frames_missing, "frame index goes on");
    assert_eq!(bench.acquisition.statistics().reconnections, 1);
}

#[derive(Default)]
struct Line(Mutex<Vec<(StopKind, String)>>);

impl StopLine for Line {
    fn stop(&self, kind: StopKind, cause: &str) {
        self.0.lock().unwrap().push((kind, cause.to_owned()));
    }
    fn take_records(&self) -> Vec<CommandRecord> {
        Vec::new()
    }
}

fn trip(cause: TripCause, above: Option<f64>) -> Trip {
    Trip {
        id: "t".to_owned(),
        cause,
        channel: above.map(|_| 1),
        above,
        below: None,
        debounce_s: 0.002,
        blanking_s: 0.0,
        stop: StopKind::Coast,
        deadline_s: 5.0,
        later_s: 3.0,
        priming: None,
    }
}

fn armed(line: &Arc<Line>, from_rig_ns: u64) -> Vec<ArmedTrip> {
    vec![ArmedTrip { trip: 0, from_rig_ns, stop_line: Arc::clone(line) as Arc<dyn StopLine> }]
}

#[test]
fn stops_on_a_limit_after_blanking_and_debounce() {
    let mut bench = bench(2, vec![trip(TripCause::Limit, Some(110.0))], Arc::new(SystemClock));
    let line = Arc::new(Line::default());
    bench.port.arm(armed(&line, 10_000_000));
    // 51 counts are 112 SI. Frames 0..100 are blanked; then 1 ms over, a dip, and over for good.
    for counts in [[0, 51]; 110].chunks(10).map(|frames| frames.concat()) {
        bench.sender.send(&counts);
    }
    bench.sender.send(&[0, 50]);
    wait_for(&*bench.port, "111 frames", |view| view.frames == 111);
    assert!(bench.port.take_trips().is_empty() && line.0.lock().unwrap().is_empty());
    bench.sender.send(&[[0, 51]; 40].concat());
    let view = wait_for(&*bench.port, "151 frames", |view| view.frames == 151);
    let trips = bench.port.take_trips();
    assert_eq!(trips.len(), 1, "{view:?}");
    assert_eq!((trips[0].at_rig_ns, trips[0].value), (11_100_000, 112.0));
    assert!(trips[0].acted_wall_ns > 0);
    assert_eq!(line.0.lock().unwrap()[0].0, StopKind::Coast);
    assert!(bench.port.take_trips().is_empty(), "given once");
}

#[test]
fn stops_on_a_stale_stream_by_wall_time_and_on_a_closed_one() {
    let clock = ManualClock::at(1_000_000_000);
    let mut stale = bench(2, vec![trip(TripCause::StreamLost, None)], Arc::new(clock.clone()));
    let line = Arc::new(Line::default());
    stale.port.arm(armed(&line, u64::MAX));
    stale.sender.send(&[1, 2]);
    wait_for(&*stale.port, "a frame", |view| view.frames == 1);
    clock.advance_ns(499_000_000);
    stale.port.wait_newer(u64::MAX - 1, Duration::from_millis(100));
    assert!(line.0.lock().unwrap().is_empty(), "not older than the limit");
    clock.advance_ns(2_000_000);
    let view = wait_for(&*stale.port, "the loss", |_| stale.acquisition.statistics().losses == 1);
    assert!(view.lost.is_some());
    let trips = stale.port.take_trips();
    assert!(trips.len() == 1 && trips[0].value.is_nan(), "{trips:?}");
    assert!(line.0.lock().unwrap()[0].1.contains("no frame for 0.50 s"));

    let closed = bench(2, vec![trip(TripCause::StreamLost, None)], Arc::new(SystemClock));
    let line = Arc::new(Line::default());
    closed.sender.socket.shutdown(Shutdown::Both).unwrap();
    wait_for(&*closed.port, "lost", |view| view.lost.is_some());
    closed.port.arm(armed(&line, 0));
    wait_for(&*closed.port, "the trip", |_| !line.0.lock().unwrap().is_empty());
    assert!(line.0.lock().unwrap()[0].1.contains("lost before the trip was armed"));
}

#[test]
fn gives_means_spans_and_live_pieces_in_si() {
    let mut bench = bench(1, vec![], Arc::new(SystemClock));
    for k in 0..300 {
        bench.sender.send(&[k; 50]);
    }
    let view = wait_for(&*bench.port, "15 000 frames", |view| view.frames == 15_000);
    // Last 0.1 s: packets 280..300, mean 289.5 counts; last 1 s: packets 100..300, 199 counts.
    assert_eq!((view.mean[0], view.span_1s[0]), (10.0 + 2.0 * 289.5, 2.0 * 199.0));
    let piece = bench.acquisition.live_since(1_000_000_000, 1000);
    assert_eq!((piece.t0_s, piece.dt_s, piece.channels[0].len()), (1.0, 0.005, 100));
    assert_eq!(piece.channels[0][0], (410.0, 410.0));
    let piece = bench.acquisition.live_since(0, 30);
    assert_eq!((piece.dt_s, piece.channels[0][1]), (0.05, (30.0, 48.0)));
}

#[test]
fn counts_and_reports_a_recorder_that_is_behind_and_forgets_one_that_is_gone() {
    let mut bench = bench(1, vec![], Arc::new(SystemClock));
    bench.blocks = bench.acquisition.attach_recorder(1);
    for k in 1..=5 {
        bench.sender.send(&[1; 10]);
        wait_for(&*bench.port, "frames", |view| view.frames == k * 10);
    }
    wait_for(&*bench.port, "the last block dropped", |_| bench.acquisition.statistics().recorder_behind_blocks == 4);
    let statistics = bench.acquisition.statistics();
    assert!(statistics.recorder_behind, "{statistics:?}");
    assert_eq!((statistics.recorder_behind_blocks, statistics.recorder_behind_frames), (4, 40));
    assert_eq!(bench.blocks.recv_timeout(DEADLINE).unwrap().first_frame, 0);
    bench.sender.send(&[1; 10]);
    assert_eq!(bench.blocks.recv_timeout(DEADLINE).unwrap().first_frame, 50);
    bench.acquisition.detach_recorder();
    assert!(bench.blocks.recv_timeout(DEADLINE).is_err());
    assert!(bench.acquisition.statistics().recorder_behind, "a hole stays a hole though the queue has room again");
    let _next = bench.acquisition.attach_recorder(1);
    assert!(!bench.acquisition.statistics().recorder_behind, "the next recording begins without one");
}

#[test]
fn rejects_an_address_where_nobody_listens_and_names_it() {
    let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let failed = start_with(setup(address.clone(), 1, vec![]), Arc::new(SystemClock), RigClock::default());
    let Err(AcquisitionError::Source(error)) = failed else { panic!("connected to nobody") };
    assert!(error.to_string().starts_with(&format!("{address}: cannot connect to the sample stream")), "{error}");
}

/// GStreamer sends a file of known samples to `sink`.
fn gstreamer(channels: usize, code: SampleCode, file: &std::path::Path, port: u16) -> std::process::Child {
    let bits = 8 * code.bytes();
    let parse = format!(
        "rawaudioparse use-sink-caps=false format=pcm pcm-format=s{bits}be sample-rate=10000 num-channels={channels} \
         interleaved=true"
    );
    // Channels without loudspeaker positions, else the payloader reorders eight of them.
    let unplaced = "capssetter caps=audio/x-raw,channel-mask=(bitmask)0x0";
    let pipeline = format!(
        "filesrc location={} ! {parse} ! {unplaced} ! rtpL{bits}pay pt={PAYLOAD_TYPE} ! rtpstreampay ! tcpclientsink host=127.0.0.1 \
         port={port}",
        file.display()
    );
    Command::new("gst-launch-1.0")
        .arg("-q")
        .args(pipeline.split(' '))
        .stdout(Stdio::null())
        .spawn()
        .expect("gst-launch-1.0 does not run: install it with tests/peers/install")
}

/// Samples of the file as the wire must carry them, through a relay since GStreamer's sink and we are both clients.
fn agrees_with_gstreamer(channels: usize, code: SampleCode) {
    let frames = 25_000;
    let narrow = 24 - 8 * code.bytes();
    let sent: Vec<i32> = counts(frames * channels).into_iter().map(|count| count >> narrow).collect();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("samples");
    let bytes: Vec<u8> = sent.iter().flat_map(|count| count.to_be_bytes()[4 - code.bytes()..].to_vec()).collect();
    std::fs::write(&file, bytes).unwrap();
    let (inward, outward) = (TcpListener::bind("127.0.0.1:0").unwrap(), TcpListener::bind("127.0.0.1:0").unwrap());
    let address = outward.local_addr().unwrap().to_string();
    let mut setup = setup(address, channels, vec![]);
    setup.source.code = code;
    let acquisition = start_with(setup, Arc::new(SystemClock), RigClock::default()).unwrap();
    let blocks = acquisition.attach_recorder(4096);
    let (mut to_us, _) = outward.accept().unwrap();
    let mut child = gstreamer(channels, code, &file, inward.local_addr().unwrap().port());
    let (mut from_peer, _) = inward.accept().unwrap();
    let relay = std::thread::spawn(move || std::io::copy(&mut from_peer, &mut to_us).unwrap());
    let got = collect(&blocks, frames);
    assert!(relay.join().unwrap() > (frames * channels * code.bytes()) as u64);
    assert!(child.wait().unwrap().success());
    let statistics = acquisition.statistics();
    assert_eq!((statistics.stream.frames_missing, statistics.stream.refused), (0, 0), "{statistics:?}");
    assert!(all_counts(&got) == sent, "samples differ from those in the file");
}

#[test]
fn agrees_with_gstreamer_bit_for_bit_on_eight_channels() {
    agrees_with_gstreamer(8, SampleCode::L24);
}

#[test]
fn agrees_with_gstreamer_bit_for_bit_on_six_channels() {
    agrees_with_gstreamer(6, SampleCode::L24);
}

#[test]
fn agrees_with_gstreamer_bit_for_bit_on_six_channels_of_16_bits() {
    agrees_with_gstreamer(6, SampleCode::L16);
}

/// The virtual rig on the shipped bench, sampled for `frames` by a recorder that now and then takes its time.
fn sample_the_virtual_rig(fast: Option<f64>, frames: u64) -> (Acquisition, RigClock) {
    use std::sync::atomic::{AtomicBool, Ordering};
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/terrace-bench.toml");
    let mut rig = ramprig::rig::load(&path).unwrap();
    let options = ramprig::virtual_rig::Options {
        rig: rig.clone(),
        line_up: 0,
        modbus_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
        sample_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
        ports: Default::default(),
        seed: Some(7),
        fast,
        truth_file: None,
        controls: None,
    };
    let (stop, announce) = (Arc::new(AtomicBool::new(false)), crossbeam_channel::bounded(1));
    let told = Arc::clone(&stop);
    let virtual_rig = std::thread::spawn(move || {
        ramprig::virtual_rig::run(options, told, |ready| announce.0.send(ready.samples).unwrap()).unwrap();
    });
    rig.source.address = announce.1.recv_timeout(DEADLINE).unwrap().to_string();
    let rig_clock = RigClock::default();
    let acquisition = ramprig::acquisition::start(Arc::new(rig), Arc::new(SystemClock), rig_clock.clone()).unwrap();
    let blocks = acquisition.attach_recorder(64);
    let mut next = None;
    while next.is_none_or(|next| next < frames) {
        let block = blocks.recv_timeout(DEADLINE).unwrap();
        assert_eq!((block.missing_before, block.first_frame), (0, next.unwrap_or(block.first_frame)));
        next = Some(block.first_frame + block.frames() as u64);
        if block.first_frame.is_multiple_of(50) {
            ramprig::clock::sleep_wall(Duration::from_millis(3));
        }
    }
    stop.store(true, Ordering::Release);
    virtual_rig.join().unwrap();
    (acquisition, rig_clock)
}

// Whether it keeps real time is up to the machine and no test's business; that nothing is lost is.
#[test]
fn loses_nothing_of_the_virtual_rig_at_its_own_pace_or_in_a_hurry() {
    for (fast, frames) in [(None, 10_000), (Some(50.0), 30_000)] {
        let (acquisition, rig_clock) = sample_the_virtual_rig(fast, frames);
        let statistics = acquisition.statistics();
        assert_eq!((statistics.stream.frames_missing, statistics.recorder_behind_blocks), (0, 0), "{statistics:?}");
        assert_eq!(statistics.stream.refused, 0, "{statistics:?}");
        assert!(rig_clock.now_ns() >= (frames - 1) * 100_000);
        let fit = acquisition.timebase().unwrap();
        assert_eq!(acquisition.rig_ns_at(SystemClock.now_ns()).is_some(), fit.is_real_time(), "{fit:?}");
    }
}

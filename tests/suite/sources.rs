//! One contract for every kind of sample source, over its real wire; and what only datagrams can do.

#[path = "sources/beside.rs"]
mod beside;
#[path = "sources/block_device.rs"]
mod block_device;
#[path = "sources/hostile_child.rs"]
mod hostile_child;

use crate::acquisition::{PAYLOAD_TYPE, RATE_HZ, collect, wait_for};
use beside::{HELD, held};
use block_device::{Bad, BlockDevice};
use ramprig::acquisition::beside::Beside;
use ramprig::acquisition::{Acquisition, Input, Setup, start_beside, start_with};
use ramprig::clock::{ManualClock, RigClock, SystemClock, WallClock};
use ramprig::rig::model::{SampleCode, SampleCommand, SampleWire, Source, Trip};
use ramprig::signal::{Block, Scaling};
use std::io::Write;
use std::net::{TcpListener, UdpSocket};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use tempfile::TempDir;

/// Kinds of source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Tcp,
    Udp,
    FramedChild,
    BareChild,
    Blocks,
}

const KINDS: [Kind; 5] = [Kind::Tcp, Kind::Udp, Kind::FramedChild, Kind::BareChild, Kind::Blocks];

impl Kind {
    /// The widest code that this kind of wire and RTP have both.
    fn wide(self) -> SampleCode {
        if self == Self::Blocks { SampleCode::L16 } else { SampleCode::L24 }
    }
}

/// The sender's end of a wire.
enum Wire {
    Stream(Box<dyn Write>),
    Datagrams(UdpSocket),
    Registers(BlockDevice),
}

/// A sender and the acquisition that listens to it.
struct Stand {
    kind: Kind,
    code: SampleCode,
    channels: usize,
    acquisition: Acquisition,
    blocks: crossbeam_channel::Receiver<Arc<Block>>,
    wire: Option<Wire>,
    listener: Option<TcpListener>,
    folder: TempDir,
    sequence: u16,
    timestamp: u32,
    ssrc: u32,
}

/// A port below those that the system hands out, so that no socket beside takes it before it is used.
fn free_udp_port() -> u16 {
    const FIRST: u32 = 20_000;
    const COUNT: u32 = 12_000;
    static NEXT: AtomicU32 = AtomicU32::new(0);
    loop {
        let port = FIRST + (std::process::id() + NEXT.fetch_add(1, Ordering::SeqCst)) % COUNT;
        let port = u16::try_from(port).unwrap();
        if UdpSocket::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

fn source(kind: Kind, code: SampleCode, address: String, folder: &TempDir) -> Source {
    let fifo = folder.path().join("samples").display().to_string();
    let child = |framed| SampleCommand { program: vec!["cat".to_owned(), fifo.clone()], framed, restart: true };
    let wire = match kind {
        Kind::Tcp => SampleWire::Tcp,
        Kind::Udp => SampleWire::Udp,
        Kind::FramedChild => SampleWire::Command(child(true)),
        Kind::BareChild => SampleWire::Command(child(false)),
        Kind::Blocks => SampleWire::Blocks(block_device::registers()),
    };
    let payload_type = PAYLOAD_TYPE;
    Source { id: "fast".to_owned(), wire, address, rate_hz: RATE_HZ, code, payload_type, max_age_s: 0.5 }
}

/// A child writes what comes through this pipe.
fn make_fifo(folder: &TempDir) {
    assert!(Command::new("mkfifo").arg(folder.path().join("samples")).status().unwrap().success());
}

fn fifo_writer(folder: &TempDir) -> Wire {
    // Opening waits for the child to read.
    Wire::Stream(Box::new(std::fs::OpenOptions::new().write(true).open(folder.path().join("samples")).unwrap()))
}

impl Stand {
    fn new(kind: Kind, code: SampleCode, channels: usize, clock: Arc<dyn WallClock>) -> Self {
        let beside = held(&clock);
        Self::beside(kind, code, channels, clock, (beside, vec![]))
    }

    fn beside(
        kind: Kind,
        code: SampleCode,
        channels: usize,
        clock: Arc<dyn WallClock>,
        (beside, trips): (Beside, Vec<Trip>),
    ) -> Self {
        let folder = tempfile::tempdir().unwrap();
        make_fifo(&folder);
        let dialled = matches!(kind, Kind::Tcp | Kind::Blocks);
        let listener = dialled.then(|| TcpListener::bind("127.0.0.1:0").unwrap());
        let address = match &listener {
            Some(listener) => listener.local_addr().unwrap().to_string(),
            None => format!("127.0.0.1:{}", free_udp_port()),
        };
        let scaling = Scaling { scale: 1.0, offset: 0.0 };
        // Every kind of source with a polled channel behind its own.
        let inputs = (0..=channels).map(|position| Input::plain(position, scaling)).collect();
        let setup = Setup { source: source(kind, code, address.clone(), &folder), inputs, trips };
        let acquisition = start_beside(setup, beside, clock, RigClock::default()).unwrap();
        let blocks = acquisition.attach_recorder(1024);
        let (wire, sequence, timestamp, ssrc) = (None, 65_530, u32::MAX - 12, 7);
        let mut stand =
            Self { kind, code, channels, acquisition, blocks, wire, listener, folder, sequence, timestamp, ssrc };
        stand.wire = Some(stand.connect(&address));
        stand
    }

    fn connect(&self, address: &str) -> Wire {
        match (self.kind, &self.listener) {
            (Kind::Tcp, Some(listener)) => Wire::Stream(Box::new(listener.accept().unwrap().0)),
            // The number turns over in the middle of the test.
            (Kind::Blocks, Some(listener)) => {
                Wire::Registers(BlockDevice::serve(listener, self.channels, u16::MAX - 1))
            }
            (Kind::Udp, _) => {
                let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
                socket.connect(address).unwrap();
                Wire::Datagrams(socket)
            }
            _ => fifo_writer(&self.folder),
        }
    }

    fn samples(&self, counts: &[i32]) -> Vec<u8> {
        let bytes = self.code.bytes();
        let written = |count: &i32| match self.code.is_rtp() {
            true => count.to_be_bytes()[4 - bytes..].to_vec(),
            false => count.to_le_bytes()[..bytes].to_vec(),
        };
        counts.iter().flat_map(written).collect()
    }

    fn packet(&mut self, counts: &[i32]) -> Vec<u8> {
        let mut bytes = vec![0x80, PAYLOAD_TYPE];
        bytes.extend(self.sequence.to_be_bytes());
        bytes.extend(self.timestamp.to_be_bytes());
        bytes.extend(self.ssrc.to_be_bytes());
        bytes.extend(self.samples(counts));
        self.lose((counts.len() / self.channels) as u32);
        bytes
    }

    /// A packet of so many frames that never leaves.
    fn lose(&mut self, frames: u32) {
        self.sequence = self.sequence.wrapping_add(1);
        self.timestamp = self.timestamp.wrapping_add(frames);
    }

    /// Frames that nobody will get.
    fn lose_frames(&mut self, frames: u32) {
        match &self.wire {
            Some(Wire::Registers(device)) => device.lose(frames),
            _ => self.lose(frames),
        }
    }

    fn send(&mut self, counts: &[i32]) {
        if let Some(Wire::Registers(device)) = &self.wire {
            return device.write(counts);
        }
        if self.kind == Kind::BareChild {
            let bytes = self.samples(counts);
            return self.write(&bytes);
        }
        let packet = self.packet(counts);
        if self.kind != Kind::Udp {
            self.write(&(packet.len() as u16).to_be_bytes());
        }
        self.write(&packet);
    }

    fn write(&mut self, bytes: &[u8]) {
        match self.wire.as_mut().unwrap() {
            Wire::Stream(stream) => stream.write_all(bytes).unwrap(),
            Wire::Datagrams(socket) => assert_eq!(socket.send(bytes).unwrap(), bytes.len()),
            Wire::Registers(_) => unreachable!("blocks are written as samples"),
        }
    }

    fn received(&self, frames: usize) -> Vec<i32> {
        let blocks = collect(&self.blocks, frames);
        let frames = blocks.iter().flat_map(|block| block.counts.chunks_exact(self.channels + 1));
        let own = |frame: &[i32]| {
            assert_eq!(frame[self.channels], HELD, "the polled channel");
            frame[..self.channels].to_vec()
        };
        frames.flat_map(own).collect()
    }
}

/// Counts over the whole range of a code.
fn counts(code: SampleCode, n: usize) -> Vec<i32> {
    let (least, most) = code.counts();
    let span = i64::from(most) - i64::from(least) + 1;
    (0..n as i64).map(|k| (i64::from(least) + (k * 7_654_321) % span) as i32).chain([least, most]).collect()
}

#[test]
fn gives_what_was_sent_bit_for_bit_from_every_kind_of_source() {
    for kind in KINDS {
        let bare =
            [SampleCode::S16Le, SampleCode::S24Le, SampleCode::S32Le].into_iter().filter(|_| kind == Kind::BareChild);
        let both = [SampleCode::L16, SampleCode::L24]
            .into_iter()
            .filter(|code| kind != Kind::Blocks || *code == SampleCode::L16);
        for code in both.chain(bare) {
            let mut stand = Stand::new(kind, code, 2, Arc::new(SystemClock));
            let sent = counts(code, 1998);
            sent.chunks(2 * 50).for_each(|part| stand.send(part));
            assert_eq!(stand.received(1000), sent, "{kind:?} {code:?}");
            let statistics = stand.acquisition.statistics();
            assert_eq!(
                (statistics.stream.frames_missing, statistics.stream.refused),
                (0, 0),
                "{kind:?} {statistics:?}"
            );
        }
    }
}

#[test]
fn counts_what_is_missing_where_the_wire_shows_it_and_says_where_it_does_not() {
    for kind in KINDS {
        let mut stand = Stand::new(kind, SampleCode::L16, 1, Arc::new(SystemClock));
        stand.send(&[1; 10]);
        stand.lose_frames(10);
        stand.lose_frames(5);
        stand.send(&[2; 10]);
        let blocks = collect(&stand.blocks, 20);
        let address = String::new();
        if source(kind, SampleCode::L16, address, &stand.folder).shows_loss() {
            assert_eq!(blocks.iter().map(|block| block.missing_before).sum::<u64>(), 15, "{kind:?}");
            assert_eq!(first_frame_of(&blocks, 2), 25, "{kind:?}");
        } else {
            assert_eq!(kind, Kind::BareChild);
            assert_eq!(blocks.iter().map(|block| block.missing_before).sum::<u64>(), 0);
        }
    }
}

/// Frame of the first block that holds this count.
fn first_frame_of(blocks: &[Arc<Block>], count: i32) -> u64 {
    blocks.iter().find(|block| block.counts[0] == count).unwrap().first_frame
}

#[test]
fn calls_a_source_lost_that_ends_or_falls_silent_and_goes_on_where_told() {
    for kind in KINDS {
        let clock = ManualClock::at(1_000_000_000);
        // A device of blocks is asked again by the clock; the others need it to stand still.
        let own: Arc<dyn WallClock> = match kind {
            Kind::Blocks => Arc::new(SystemClock),
            _ => Arc::new(clock.clone()),
        };
        let mut stand = Stand::new(kind, kind.wide(), 1, own);
        let port = stand.acquisition.port();
        stand.send(&[3; 10]);
        wait_for(&*port, "ten frames", |view| view.frames == 10);
        if kind == Kind::Udp {
            // Nobody hangs up on this wire: it falls silent, and may speak again.
            clock.advance_ns(600_000_000);
        } else if let Some(Wire::Registers(device)) = stand.wire.take() {
            device.hang_up();
        }
        let closed = |why: &String| kind != Kind::Blocks || !why.contains("no frame for");
        let view = wait_for(&*port, "lost", |view| view.lost.as_ref().is_some_and(closed));
        let why = view.lost.clone().unwrap();
        let words = match kind {
            Kind::Tcp | Kind::Blocks => "the sender closed the sample stream",
            Kind::Udp => "no frame for 0.60 s",
            _ => "the sampling program `cat` ended: exit status: 0",
        };
        assert!(why.contains(words), "{kind:?}: {why}");
        if kind != Kind::Udp {
            stand.acquisition.reconnect();
            stand.wire = Some(stand.connect(""));
        }
        stand.send(&[4; 10]);
        let view = wait_for(&*port, "new frames", |view| view.lost.is_none() && view.frames == 20);
        let blocks = collect(&stand.blocks, 20);
        assert_eq!(first_frame_of(&blocks, 4), 10 + view.frames_missing, "{kind:?}: the index goes on");
    }
}

/// A device that answers anything but what was asked is a lost stream, told with the reason; none of its registers becomes a
/// sample, and once it answers well again the stream goes on.
#[test]
fn believes_no_block_of_a_device_that_answers_wrongly() {
    let wrong = [Bad::Transaction, Bad::Unit, Bad::Function, Bad::Protocol, Bad::Short, Bad::Long, Bad::Endless];
    let exceptions = (1..=11).map(Bad::Exception);
    let resets = (0..12).map(Bad::Reset);
    for bad in wrong.into_iter().chain(exceptions).chain(resets) {
        let mut stand = Stand::new(Kind::Blocks, SampleCode::L16, 1, Arc::new(SystemClock));
        let port = stand.acquisition.port();
        stand.send(&[3; 10]);
        wait_for(&*port, "ten frames", |view| view.frames == 10);
        let Some(Wire::Registers(device)) = stand.wire.take() else { unreachable!("blocks") };
        device.turn_bad(bad);
        device.write(&[5; 10]);
        let told = |why: &String| !why.contains("no frame for");
        let view = wait_for(&*port, "lost", |view| view.lost.as_ref().is_some_and(told));
        assert_eq!(view.frames, 10, "{bad:?}: {:?}", view.lost);
        stand.acquisition.reconnect();
        stand.wire = Some(stand.connect(""));
        stand.send(&[4; 10]);
        wait_for(&*port, "new frames", |view| view.lost.is_none() && view.frames == 20);
        let blocks = collect(&stand.blocks, 20);
        let all: Vec<i32> = blocks.iter().flat_map(|block| block.counts.chunks_exact(2)).map(|pair| pair[0]).collect();
        assert_eq!(all, [[3; 10], [4; 10]].concat(), "{bad:?}");
    }
}

#[test]
fn takes_blocks_that_come_a_byte_at_a_time() {
    let mut stand = Stand::new(Kind::Blocks, SampleCode::L16, 2, Arc::new(SystemClock));
    if let Some(Wire::Registers(device)) = &stand.wire {
        device.trickle();
    }
    let sent = counts(SampleCode::L16, 198);
    stand.send(&sent);
    assert_eq!(stand.received(100), sent);
}

#[test]
fn refuses_a_child_that_cannot_be_started_or_may_not_be_started_again() {
    let folder = tempfile::tempdir().unwrap();
    let start = |program: &[&str]| {
        let program = program.iter().map(|word| (*word).to_owned()).collect();
        let command = SampleCommand { program, framed: false, restart: false };
        let mut source = source(Kind::BareChild, SampleCode::L16, String::new(), &folder);
        source.wire = SampleWire::Command(command);
        let inputs = vec![Input::plain(0, Scaling { scale: 1.0, offset: 0.0 })];
        start_with(Setup { source, inputs, trips: vec![] }, Arc::new(SystemClock), RigClock::default())
    };
    let Err(error) = start(&["./no-such-sampler"]) else { panic!("started") };
    assert!(error.to_string().contains("cannot start the sampling program `./no-such-sampler`"), "{error}");
    let acquisition = start(&["sh", "-c", "echo gone wrong >&2; exit 3"]).unwrap();
    let port = acquisition.port();
    let ended =
        |view: &ramprig::sequence::ports::SampleView| view.lost.as_ref().is_some_and(|why| why.contains("ended"));
    let why = wait_for(&*port, "the end", ended).lost.unwrap();
    assert!(why.contains("exit status: 3"), "{why}");
    acquisition.reconnect();
    let forbidden = |view: &ramprig::sequence::ports::SampleView| {
        view.lost.as_ref().is_some_and(|why| why.contains("restart = true"))
    };
    wait_for(&*port, "the refusal", forbidden);
}

#[test]
fn puts_datagrams_in_order_drops_repeats_and_leaves_other_senders_alone() {
    // A clock that stands still: no datagram is given up by time.
    let mut stand = Stand::new(Kind::Udp, SampleCode::L24, 1, Arc::new(ManualClock::at(1_000_000_000)));
    let packets: Vec<Vec<u8>> = (0..20).map(|k| stand.packet(&[k; 10])).collect();
    let order = [0, 2, 1, 1, 3, 6, 6, 5, 4, 7, 8, 9, 10, 12, 11, 13, 14, 19, 18, 17, 16, 15];
    let other = UdpSocket::bind("127.0.0.1:0").unwrap();
    let Some(Wire::Datagrams(socket)) = &stand.wire else { panic!("datagrams") };
    let address = socket.peer_addr().unwrap();
    for (turn, index) in order.into_iter().enumerate() {
        stand.write(&packets[index]);
        if turn == 3 {
            other.send_to(&packets[15], address).unwrap();
        }
    }
    let expected: Vec<i32> = (0..20).flat_map(|k| [k; 10]).collect();
    assert_eq!(stand.received(200), expected);
    let stream = stand.acquisition.statistics().stream;
    assert_eq!((stream.frames_missing, stream.packets_lost), (0, 0), "{stream:?}");
    // The second packet 1 came after its place was taken: late. The second 6 was still held: repeated.
    assert_eq!((stream.late, stream.repeated, stream.foreign), (1, 1, 1), "{stream:?}");
}

#[test]
fn ends_a_datagram_stream_whose_sender_changes_its_source_number() {
    let mut stand = Stand::new(Kind::Udp, SampleCode::L24, 1, Arc::new(SystemClock));
    stand.send(&[1; 10]);
    stand.ssrc = 8;
    stand.send(&[1; 10]);
    let port = stand.acquisition.port();
    let view = wait_for(&*port, "lost", |view| view.lost.is_some());
    assert!(view.lost.unwrap().contains("the sender changed (SSRC 0x00000007 -> 0x00000008)"));
}

/// Somebody else's sender of datagrams, `channels` of a file of samples.
fn sender(program: &str, args: &str, file: &std::path::Path) -> std::process::Child {
    let args = args.split(' ').map(|word| word.replace("FILE", &file.display().to_string()));
    let child =
        Command::new(program).args(args).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    child.unwrap_or_else(|e| panic!("{program}: {e}: install it with tests/peers/install"))
}

/// Every datagram behind its length, to whoever connects (RFC 4571); gives the ports of both ends.
fn frame_for_tcp() -> (u16, u16) {
    let (datagrams, listener) = (UdpSocket::bind("127.0.0.1:0").unwrap(), TcpListener::bind("127.0.0.1:0").unwrap());
    let ports = (datagrams.local_addr().unwrap().port(), listener.local_addr().unwrap().port());
    std::thread::spawn(move || {
        let mut stream = listener.accept().unwrap().0;
        let mut packet = [0; 65_536];
        while let Ok(length) = datagrams.recv(&mut packet) {
            let framed = [&u16::try_from(length).unwrap().to_be_bytes()[..], &packet[..length]].concat();
            if stream.write_all(&framed).is_err() {
                return;
            }
        }
    });
    ports
}

fn agrees_with_a_sender(kind: Kind, code: SampleCode, program: &str, args: impl Fn(u16) -> String) {
    let (folder, channels) = (tempfile::tempdir().unwrap(), CHANNELS_SENT);
    let (port, read_at) = match kind {
        Kind::Tcp => frame_for_tcp(),
        _ => {
            let port = free_udp_port();
            (port, port)
        }
    };
    let source = source(kind, code, format!("127.0.0.1:{read_at}"), &folder);
    let scaling = Scaling { scale: 1.0, offset: 0.0 };
    let inputs = (0..channels).map(|position| Input::plain(position, scaling)).collect();
    let setup = Setup { source, inputs, trips: vec![] };
    let acquisition = start_with(setup, Arc::new(SystemClock), RigClock::default()).unwrap();
    let blocks = acquisition.attach_recorder(4096);
    let frames = 5000;
    let sent: Vec<i32> = counts(code, frames * channels - 2);
    let bytes: Vec<u8> = sent.iter().flat_map(|count| count.to_be_bytes()[4 - code.bytes()..].to_vec()).collect();
    let file = folder.path().join("samples");
    std::fs::write(&file, bytes).unwrap();
    let mut child = sender(program, &args(port), &file);
    let got: Vec<i32> = collect(&blocks, frames).iter().flat_map(|block| block.counts.clone()).collect();
    let statistics = acquisition.statistics();
    assert_eq!((statistics.stream.frames_missing, statistics.stream.refused), (0, 0), "{statistics:?}");
    assert!(got == sent, "samples differ from those in the file");
    let _ = child.kill();
    let _ = child.wait();
}

/// Channels that other people's senders send.
const CHANNELS_SENT: usize = 6;

fn gstreamer(code: SampleCode, port: u16) -> String {
    let (bits, channels) = (8 * code.bytes(), CHANNELS_SENT);
    format!(
        "-q filesrc location=FILE ! rawaudioparse use-sink-caps=false format=pcm pcm-format=s{bits}be sample-rate=10000 \
         num-channels={channels} interleaved=true ! capssetter caps=audio/x-raw,channel-mask=(bitmask)0x0 ! \
         rtpL{bits}pay pt={PAYLOAD_TYPE} ! udpsink host=127.0.0.1 port={port}"
    )
}

#[test]
fn agrees_with_gstreamer_by_datagrams_of_16_and_24_bits() {
    for code in [SampleCode::L16, SampleCode::L24] {
        agrees_with_a_sender(Kind::Udp, code, "gst-launch-1.0", |port| gstreamer(code, port));
    }
}

#[test]
fn agrees_with_ffmpeg_of_16_and_24_bits() {
    // ffmpeg itself does not frame RTP for TCP (RFC 4571): what it sends as datagrams goes on behind its length.
    for kind in [Kind::Udp, Kind::Tcp] {
        for code in [SampleCode::L16, SampleCode::L24] {
            let bits = 8 * code.bytes();
            agrees_with_a_sender(kind, code, "ffmpeg", |port| {
                format!(
                    "-loglevel error -re -f s{bits}be -ar 10000 -ac {CHANNELS_SENT} -i FILE -c:a pcm_s{bits}be -payload_type \
                     {PAYLOAD_TYPE} -f rtp rtp://127.0.0.1:{port}"
                )
            });
        }
    }
}

/// Over a pipe ffmpeg is somebody else's sampler of bare frames.
#[test]
fn agrees_with_ffmpeg_as_a_child_that_writes_bare_frames() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("samples");
    let sent = counts(SampleCode::S24Le, 5000 * 6 - 2);
    std::fs::write(&file, sent.iter().flat_map(|count| count.to_le_bytes()[..3].to_vec()).collect::<Vec<u8>>())
        .unwrap();
    let program = format!(
        "ffmpeg -nostdin -loglevel error -f s24le -ar 10000 -ac 6 -i {} -c:a pcm_s24le -f s24le pipe:1",
        file.display()
    );
    let program = program.split(' ').map(str::to_owned).collect();
    let mut source = source(Kind::BareChild, SampleCode::S24Le, String::new(), &folder);
    source.wire = SampleWire::Command(SampleCommand { program, framed: false, restart: false });
    let scaling = Scaling { scale: 1.0, offset: 0.0 };
    let inputs = (0..6).map(|position| Input::plain(position, scaling)).collect();
    let setup = Setup { source, inputs, trips: vec![] };
    let acquisition = start_with(setup, Arc::new(SystemClock), RigClock::default()).unwrap();
    let blocks = acquisition.attach_recorder(4096);
    let got: Vec<i32> = collect(&blocks, 5000).iter().flat_map(|block| block.counts.clone()).collect();
    assert!(got == sent, "samples differ from those in the file");
}

#[test]
fn says_how_many_blocks_were_overwritten_before_or_while_they_were_read() {
    let mut stand = Stand::new(Kind::Blocks, SampleCode::L16, 2, Arc::new(SystemClock));
    let Some(Wire::Registers(device)) = &stand.wire else { panic!("registers") };
    let device = device.clone();
    device.tear_the_next();
    device.write(&[1; 10]);
    device.write(&[2; 10]);
    let blocks = collect(&stand.blocks, 5);
    assert_eq!((blocks[0].first_frame, blocks[0].missing_before, blocks[0].counts[0]), (5, 5, 2));
    // More blocks than the device keeps, while nobody reads: the oldest of them are gone.
    device.lose(5 * 2 * u32::from(block_device::KEPT));
    device.write(&[3; 10]);
    let blocks = collect(&stand.blocks, 5);
    assert_eq!(blocks[0].counts[0], 3);
    assert_eq!(blocks[0].first_frame, 10 + 10 * u64::from(block_device::KEPT));
    let stream = stand.acquisition.statistics().stream;
    assert_eq!(stream.packets_lost, 1 + 2 * u64::from(block_device::KEPT), "{stream:?}");
    // A device that was started anew counts from somewhere else.
    device.count_from(3);
    let port = stand.acquisition.port();
    let anew = |view: &ramprig::sequence::ports::SampleView| {
        view.lost.as_ref().is_some_and(|why| why.contains("counts its blocks anew"))
    };
    wait_for(&*port, "the new count", anew);
    stand.wire = None;
}

#[test]
fn rejects_an_address_to_listen_on_that_is_taken() {
    let taken = UdpSocket::bind("127.0.0.1:0").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let source = source(Kind::Udp, SampleCode::L24, taken.local_addr().unwrap().to_string(), &folder);
    let inputs = vec![Input::plain(0, Scaling { scale: 1.0, offset: 0.0 })];
    let failed = start_with(Setup { source, inputs, trips: vec![] }, Arc::new(SystemClock), RigClock::default());
    let Err(error) = failed else { panic!("listens twice") };
    assert!(error.to_string().contains("cannot listen for the sample stream"), "{error}");
}

/// The shipped bench with another `[source]`; every channel counts 16 bits where the text says so.
fn with_source(lines: &str) -> Result<Source, String> {
    let shipped = ramprig::rig::shipped("terrace-bench").unwrap();
    let narrow = lines.contains("16");
    let text = shipped
        .replacen("address = \"127.0.0.1:5021\"\nrate = \"10 kHz\"\npayload_type = 97\nmax_age = \"500 ms\"", lines, 1)
        .replace("8000000", if narrow { "32000" } else { "8000000" });
    assert_ne!(text, shipped);
    ramprig::rig::parse(&text, "rig.toml").map(|rig| rig.source).map_err(|problems| problems.to_string())
}

#[test]
fn accepts_each_kind_of_source_in_a_rig_file() {
    let udp =
        with_source("wire = \"udp\"\naddress = \"127.0.0.1:5021\"\nrate = \"10 kHz\"\nsamples = \"L16\"").unwrap();
    assert_eq!((udp.wire, udp.code, udp.max_age_s), (SampleWire::Udp, SampleCode::L16, 0.05));
    let child = with_source(
        "wire = \"command\"\ncommand = [\"./sampler\", \"--all\"]\nframing = \"bare\"\nsamples = \"S24LE\"\nrate = \"10 kHz\"",
    )
    .unwrap();
    assert!(!child.shows_loss());
    let program = vec!["./sampler".to_owned(), "--all".to_owned()];
    assert_eq!(child.wire, SampleWire::Command(SampleCommand { program, framed: false, restart: false }));
    assert_eq!(child.address, "./sampler");
    let registers = |kept: u32| {
        format!(
            "wire = \"modbus-blocks\"\naddress = \"127.0.0.1:5021\"\nrate = \"1 kHz\"\nmax_age = \"500 ms\"\n\
             blocks = {{ unit = 9, identity_address = 0, identity = 0x4231, number_address = 8, first_address = 160, frames = 50, \
             kept = {kept} }}"
        )
    };
    let slow =
        |text: &str| with_source(text).map_err(|told| told.lines().filter(|line| line.contains("blocks")).count());
    let Err(_) = slow(&registers(3)) else { panic!("three slots") };
    let text = with_source(&registers(3)).unwrap_err();
    assert!(text.contains("a power of two"), "{text}");
    assert!(with_source(&registers(4)).unwrap_err().lines().all(|line| !line.contains("source.blocks")));
}

#[test]
fn rejects_sources_that_cannot_be_and_says_where() {
    let refused = |lines: &str, words: &str| {
        let text = with_source(lines).unwrap_err();
        assert!(text.contains(words), "{text}");
    };
    refused("wire = \"radio\"\naddress = \"127.0.0.1:1\"\nrate = \"10 kHz\"", "source.wire: found \"radio\"");
    refused("wire = \"command\"\nframing = \"bare\"\nrate = \"10 kHz\"", "source.command: found no program");
    refused("wire = \"command\"\ncommand = [\"x\"]\nrate = \"10 kHz\"", "source.framing");
    refused("address = \"127.0.0.1:5021\"\nrate = \"10 kHz\"\nsamples = \"S32LE\"", "S32Le in RTP packets");
    let wide = with_source("address = \"127.0.0.1:5021\"\nrate = \"10 kHz\"\nsamples = \"L16\"");
    assert!(wide.is_ok());
    let shipped = ramprig::rig::shipped("terrace-bench").unwrap().replacen("payload_type = 97", "samples = \"L16\"", 1);
    let text = ramprig::rig::parse(&shipped, "rig.toml").unwrap_err().to_string();
    assert!(text.contains("counts [-8000000, 8000000]") && text.contains("-32768 to 32767"), "{text}");
}

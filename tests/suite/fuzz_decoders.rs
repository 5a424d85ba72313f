//! Campaign `fuzz-decoders`: every decoder of bytes from outside against spoiled valid input and against anything at all.
//! None may panic, and whatever is believed must be what an independent reading of the same bytes says.
//!
//! The bytes are drawn here, by a printed seed (a fuzzer that follows branches needs an unstable compiler).

use crate::campaign;
use ramprig::acquisition::bare::BareFrames;
use ramprig::acquisition::depacketizer::{Depacketizer, Format};
use ramprig::acquisition::framing::Deframer;
use ramprig::acquisition::reorder::{HOLD_NS, Reorder};
use ramprig::acquisition::rtp;
use ramprig::fieldbus::frame::{Answer, Request, Splitter, wrap};
use ramprig::fieldbus::listen::Listener;
use ramprig::fieldbus::rtu;
use ramprig::fieldbus::service::{FilePart, Service};
use ramprig::rig::maps::{parse_map, shipped_map, shipped_map_names};
use ramprig::rig::model::SampleCode;
use ramprig::rig::register_map::Table;
use ramprig::rig::serial_line::{Parity, SerialLine};
use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

/// Inputs of the full campaign, of each decoder of bytes.
const INPUTS: u32 = 1_000_000;
/// Map files of the full campaign: each is a whole document.
const MAPS: u32 = 20_000;

/// Change, cut, repeat or insert, once to four times.
fn spoil(bytes: &mut Vec<u8>, chance: &mut ChaCha8Rng) {
    for _ in 0..chance.random_range(1..=4) {
        if bytes.is_empty() {
            bytes.push(chance.random());
        }
        let at = chance.random_range(0..bytes.len());
        match chance.random_range(0..7) {
            0 => bytes[at] = chance.random(),
            1 => bytes[at] ^= 1 << chance.random_range(0..8),
            2 => bytes[at] = [0, 1, 0x7f, 0x80, 0xff][chance.random_range(0..5)],
            3 => bytes.truncate(at),
            4 => bytes.insert(at, chance.random()),
            5 => drop(bytes.remove(at)),
            _ => {
                let end = chance.random_range(at..=bytes.len().min(at + 16));
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
        }
    }
}

fn anything(chance: &mut ChaCha8Rng, most: usize) -> Vec<u8> {
    let mut bytes = vec![0; chance.random_range(0..most)];
    chance.fill_bytes(&mut bytes);
    bytes
}

/// Hand on in pieces.
fn in_pieces(bytes: &[u8], chance: &mut ChaCha8Rng, mut take: impl FnMut(&[u8])) {
    let mut rest = bytes;
    while !rest.is_empty() {
        let (now, later) = rest.split_at(chance.random_range(1..=rest.len().min(64)));
        take(now);
        rest = later;
    }
}

fn request(chance: &mut ChaCha8Rng) -> Request {
    let address = chance.random_range(0..60_000);
    let table = [Table::Coil, Table::DiscreteInput, Table::Holding, Table::Input][chance.random_range(0..4)];
    match chance.random_range(0..7) {
        0 => Request::WriteCoil { address, on: chance.random() },
        1 => Request::WriteRegister { address, value: chance.random() },
        2 => {
            Request::WriteCoils { address, values: (0..chance.random_range(1..40)).map(|_| chance.random()).collect() }
        }
        3 => Request::WriteRegisters {
            address,
            values: (0..chance.random_range(1..40)).map(|_| chance.random()).collect(),
        },
        4 => Request::MaskWrite { address, and: chance.random(), or: chance.random() },
        _ => Request::Read { table, address, count: chance.random_range(1..=40) },
    }
}

/// The one answer that carries `values`, written down apart from the codec.
fn right_pdu(request: &Request, values: &[u16]) -> Vec<u8> {
    match request {
        Request::Read { table: Table::Coil | Table::DiscreteInput, .. } => {
            let mut bytes = vec![0_u8; values.len().div_ceil(8)];
            values.iter().enumerate().for_each(|(at, bit)| bytes[at / 8] |= ((bit & 1) as u8) << (at % 8));
            [request.function(), bytes.len() as u8].into_iter().chain(bytes).collect()
        }
        Request::Read { .. } => {
            let bytes = values.iter().flat_map(|value| value.to_be_bytes());
            [request.function(), 2 * values.len() as u8].into_iter().chain(bytes).collect()
        }
        Request::MaskWrite { .. } => request.pdu().unwrap(),
        _ => request.pdu().unwrap()[..5].to_vec(),
    }
}

fn values(request: &Request, chance: &mut ChaCha8Rng) -> Vec<u16> {
    match request {
        Request::Read { table: Table::Coil | Table::DiscreteInput, count, .. } => {
            (0..*count).map(|_| chance.random_range(0..2)).collect()
        }
        Request::Read { count, .. } => (0..*count).map(|_| chance.random()).collect(),
        _ => Vec::new(),
    }
}

/// The check sum by division of polynomials, apart from the codec's table (MODBUS over Serial Line V1.02, 6.2.2).
fn sum(bytes: &[u8]) -> [u8; 2] {
    let mut crc = 0xFFFF_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xA001 } else { crc >> 1 };
        }
    }
    crc.to_le_bytes()
}

/// What a believed answer must have been on the wire.
fn written(request: &Request, answer: &Answer) -> Vec<u8> {
    match answer {
        Answer::Values(values) => right_pdu(request, values),
        Answer::Written => right_pdu(request, &[]),
    }
}

fn modbus_tcp(chance: &mut ChaCha8Rng) {
    let mut wire = Vec::new();
    for _ in 0..chance.random_range(1..4) {
        let request = request(chance);
        let mut pdu = right_pdu(&request, &values(&request, chance));
        if chance.random_bool(0.5) {
            spoil(&mut pdu, chance);
        }
        if let Ok(answer) = request.check(&pdu) {
            assert_eq!(written(&request, &answer), pdu, "{request:?} believed {answer:?}");
        }
        pdu.truncate(253);
        wire.extend(wrap(chance.random(), chance.random(), &pdu));
    }
    if chance.random_bool(0.5) {
        spoil(&mut wire, chance);
    }
    let (mut splitter, mut seen, mut broken) = (Splitter::default(), Vec::new(), false);
    in_pieces(&wire, chance, |piece| {
        splitter.push(piece);
        while !broken {
            match splitter.next_frame() {
                Ok(Some(frame)) => seen.extend(wrap(frame.transaction, frame.unit, &frame.pdu)),
                Ok(None) => break,
                Err(_) => broken = true,
            }
        }
    });
    assert!(wire.starts_with(&seen), "frames that were not on the wire");
    assert!(broken || seen.len() + splitter.pending_bytes() == wire.len(), "bytes went astray");
}

fn modbus_rtu(chance: &mut ChaCha8Rng) {
    let (unit, request) = (chance.random_range(1..248), request(chance));
    let mut body = [vec![unit], right_pdu(&request, &values(&request, chance))].concat();
    if chance.random_bool(0.3) {
        spoil(&mut body, chance);
    }
    let check = sum(&body);
    let mut frame = [&body[..], &check].concat();
    if chance.random_bool(0.4) {
        spoil(&mut frame, chance);
    }
    let (mut gathering, mut over) = (rtu::Gathering::new(unit, request.clone()), false);
    let mut taken: Vec<u8> = Vec::new();
    in_pieces(&frame, chance, |piece| {
        if over {
            return;
        }
        taken.extend(piece);
        match gathering.take(piece) {
            Ok(Some(answer)) => {
                let body = [vec![unit], written(&request, &answer)].concat();
                assert_eq!(taken, [&body[..], &sum(&body)].concat(), "{request:?} believed {answer:?}");
                over = true;
            }
            Ok(None) => {}
            Err(_) => over = true,
        }
    });
    if let Ok((unit, pdu)) = rtu::unwrap(&frame) {
        let body = [&[unit], pdu].concat();
        assert_eq!(frame, [&body[..], &sum(&body)].concat());
    }
}

/// True where some beginning of at least four bytes ends in its own check sum: the remainder of the whole is then zero.
fn begins_a_frame(bytes: &[u8]) -> bool {
    let mut crc = 0xFFFF_u16;
    bytes.iter().take(256).enumerate().any(|(at, byte)| {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xA001 } else { crc >> 1 };
        }
        at >= 3 && crc == 0
    })
}

/// What passes on a serial line, spoiled: a value that is heard came in a frame with a right check sum.
fn listening(chance: &mut ChaCha8Rng) {
    let line =
        SerialLine { rate_baud: 19_200, parity: Parity::Even, stop_bits: 1, turn_around_s: 0.0, max_hold_s: 0.05 };
    let mut wire = Vec::new();
    for _ in 0..chance.random_range(1..4) {
        let (unit, request) = (chance.random_range(1..248_u8), request(chance));
        let answer = right_pdu(&request, &values(&request, chance));
        for pdu in [request.pdu().unwrap(), answer] {
            let body = [vec![unit], pdu].concat();
            let check = sum(&body);
            wire.extend([&body[..], &check].concat());
        }
    }
    if chance.random_bool(0.7) {
        spoil(&mut wire, chance);
    }
    let mut listener = Listener::new(&line);
    let mut units = Vec::new();
    in_pieces(&wire, chance, |piece| listener.take(piece, 1_000, |value| units.push(value.unit)));
    let heard = listener.heard();
    assert_eq!(heard.bytes, wire.len() as u64);
    // An independent look: everything from a byte on that has a right check sum.
    let frames = |unit: u8| (0..wire.len()).any(|at| wire[at] == unit && begins_a_frame(&wire[at..]));
    units.dedup();
    assert!(units.into_iter().all(frames), "a value of a unit without a whole frame: {wire:02x?}");
    assert!(heard.answers == 0 || heard.requests > 0, "an answer to nothing: {heard:?}");
}

fn services(chance: &mut ChaCha8Rng) {
    let part = FilePart { file: chance.random(), record: chance.random(), registers: vec![chance.random(); 3] };
    let service = match chance.random_range(0..7) {
        0 => Service::ExceptionStatus,
        1 => Service::EchoData(chance.random()),
        2 => Service::EventLog,
        3 => Service::ReadFile(vec![part.clone(), part]),
        4 => Service::WriteFile(vec![part]),
        5 => Service::MaskWrite { address: chance.random(), and: chance.random(), or: chance.random() },
        _ => {
            Service::ReadWrite { read: 1, count: chance.random_range(1..9), write: 7, values: vec![chance.random(); 2] }
        }
    };
    let mut pdu = if chance.random_bool(0.5) { service.pdu() } else { anything(chance, 260) };
    spoil(&mut pdu, chance);
    let _ = service.check(&pdu);
}

const FORMAT: Format = Format { channels: 2, rate_hz: 10_000.0, code: SampleCode::L24, payload_type: 96 };

fn packet(sequence: u16, timestamp: u32, chance: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = vec![0x80, 96];
    bytes.extend(sequence.to_be_bytes());
    bytes.extend(timestamp.to_be_bytes());
    bytes.extend(7_u32.to_be_bytes());
    if chance.random_bool(0.2) {
        bytes[0] |= chance.random_range(1..3);
        (0..4 * (bytes[0] & 15)).for_each(|_| bytes.push(chance.random()));
    }
    if chance.random_bool(0.2) {
        bytes[0] |= 0x10;
        bytes.extend([0xbe, 0xde, 0, 1, 1, 2, 3, 4]);
    }
    (0..6 * 4).for_each(|_| bytes.push(chance.random()));
    if chance.random_bool(0.2) {
        bytes[0] |= 0x20;
        bytes.extend([0, 0, 3]);
    }
    bytes
}

/// One header field after the other is set wrong.
fn wrong_field(bytes: &mut [u8], chance: &mut ChaCha8Rng) {
    match chance.random_range(0..9) {
        0 => bytes[0] = bytes[0] & 0x3f | chance.random_range(0..4) << 6,
        1 => bytes[0] ^= 0x20,
        2 => bytes[0] ^= 0x10,
        3 => bytes[0] = bytes[0] & 0xf0 | chance.random_range(0..16),
        4 => bytes[1] ^= 0x80,
        5 => bytes[1] = bytes[1] & 0x80 | chance.random_range(0..128),
        6 => bytes[2..4].copy_from_slice(&chance.random::<u16>().to_be_bytes()),
        7 => bytes[4..8].copy_from_slice(&chance.random::<u32>().to_be_bytes()),
        _ => bytes[8..12].copy_from_slice(&chance.random::<u32>().to_be_bytes()),
    }
}

/// Where the payload of a packet lies by RFC 3550 section 5.1, read apart from the parser; `None`: no packet.
fn payload_of(bytes: &[u8]) -> Option<&[u8]> {
    let first = *bytes.first().filter(|_| bytes.len() >= 12)?;
    let mut from = 12 + 4 * usize::from(first & 15);
    if first & 0x10 != 0 {
        let words = usize::from(*bytes.get(from + 2)?) * 256 + usize::from(*bytes.get(from + 3)?);
        from += 4 + 4 * words;
    }
    let mut to = bytes.len();
    if first & 0x20 != 0 && from < to {
        let padding = usize::from(bytes[to - 1]);
        to = to.checked_sub(padding).filter(|_| padding > 0)?;
    } else if first & 0x20 != 0 {
        return None;
    }
    (first >> 6 == 2 && from <= to).then(|| &bytes[from..to])
}

fn rtp_packets(chance: &mut ChaCha8Rng) {
    let (mut sequence, mut timestamp) = (chance.random::<u16>(), chance.random::<u32>());
    let (mut wire, mut datagrams) = (Vec::new(), Vec::new());
    for _ in 0..chance.random_range(1..6) {
        let mut bytes = packet(sequence, timestamp, chance);
        (sequence, timestamp) = (sequence.wrapping_add(1), timestamp.wrapping_add(4));
        match chance.random_range(0..4) {
            0 => wrong_field(&mut bytes, chance),
            1 => spoil(&mut bytes, chance),
            2 if chance.random_bool(0.2) => bytes = anything(chance, 100),
            _ => {}
        }
        assert_eq!(rtp::parse(&bytes).ok().map(|packet| packet.payload), payload_of(&bytes), "{bytes:02x?}");
        wire.extend((bytes.len() as u16).to_be_bytes());
        wire.extend(&bytes);
        datagrams.push(bytes);
    }
    let (mut depacketizer, mut blocks, mut broken) = (Depacketizer::new(FORMAT), Vec::new(), false);
    in_pieces(&wire, chance, |piece| broken |= !broken && depacketizer.feed(piece, 0, &mut blocks).is_err());
    let counts = depacketizer.counts();
    let frames: u64 = blocks.iter().map(|block| block.frames() as u64).sum();
    assert_eq!(counts.frames, frames);
    assert_eq!(counts.frames + counts.frames_missing, depacketizer.next_frame());
    let mut next = 0;
    for block in &blocks {
        assert_eq!((block.first_frame, block.counts.len() % 2), (next + block.missing_before, 0));
        next = block.first_frame + block.frames() as u64;
    }
    // Every sample delivered was in a payload of ours, in this order.
    let held = |bytes: &[u8]| {
        let sample = |b: &[u8]| i32::from_be_bytes([b[0], b[1], b[2], 0]) >> 8;
        payload_of(bytes).filter(|p| p.len() % 6 == 0).map(|p| p.chunks(3).map(sample).collect::<Vec<_>>())
    };
    let sent: Vec<i32> = datagrams.iter().filter_map(|bytes| held(bytes)).flatten().collect();
    let mut from = sent.iter();
    assert!(blocks.iter().flat_map(|block| &block.counts).all(|count| from.any(|sample| sample == count)));
    let (mut reorder, mut out) = (Reorder::default(), Vec::new());
    datagrams.iter().for_each(|bytes| reorder.take(bytes, 0, &mut out));
    reorder.expire(HOLD_NS, &mut out);
    assert_eq!(out.len() as u64 + reorder.repeated, datagrams.len() as u64);
}

fn framing(chance: &mut ChaCha8Rng) {
    let mut wire = Vec::new();
    for _ in 0..chance.random_range(0..8) {
        let packet = anything(chance, 300);
        wire.extend((packet.len() as u16).to_be_bytes());
        wire.extend(packet);
    }
    spoil(&mut wire, chance);
    let (mut deframer, mut got) = (Deframer::new(), Vec::new());
    in_pieces(&wire, chance, |piece| {
        deframer.feed(piece);
        while let Some(packet) = deframer.next_packet() {
            got.push(packet.to_vec());
        }
    });
    let (mut rest, mut expected) = (&wire[..], Vec::new());
    while let [high, low, behind @ ..] = rest {
        let len = usize::from(*high) * 256 + usize::from(*low);
        if behind.len() < len {
            break;
        }
        expected.push(behind[..len].to_vec());
        rest = &behind[len..];
    }
    assert_eq!((got, deframer.pending()), (expected, rest.len()));
}

fn bare_frames(chance: &mut ChaCha8Rng) {
    let code = [SampleCode::L16, SampleCode::L24, SampleCode::S16Le, SampleCode::S24Le, SampleCode::S32Le];
    let code = code[chance.random_range(0..code.len())];
    let channels = chance.random_range(1..9);
    let wire = anything(chance, 700);
    let (mut bare, mut blocks) = (BareFrames::new(Format { channels, code, ..FORMAT }), Vec::new());
    in_pieces(&wire, chance, |piece| bare.feed(piece, 0, &mut blocks));
    let whole = wire.len() / (code.bytes() * channels) * code.bytes() * channels;
    let number = |bytes: &[u8]| {
        let mut low_first = bytes.to_vec();
        if code.is_rtp() {
            low_first.reverse();
        }
        let number: i64 = low_first.iter().enumerate().map(|(at, byte)| i64::from(*byte) << (8 * at)).sum();
        let span = 1_i64 << (8 * bytes.len());
        (if number >= span / 2 { number - span } else { number }) as i32
    };
    let expected: Vec<i32> = wire[..whole].chunks(code.bytes()).map(number).collect();
    let got: Vec<i32> = blocks.iter().flat_map(|block| block.counts.clone()).collect();
    assert_eq!((got, bare.pending()), (expected, wire.len() - whole));
}

/// Lines gone, twice, in each other's place; numbers and words changed; single bytes spoiled.
fn map_file(chance: &mut ChaCha8Rng) -> bool {
    let names: Vec<&str> = shipped_map_names().collect();
    let text = shipped_map(names[chance.random_range(0..names.len())]).unwrap();
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for _ in 0..chance.random_range(1..4) {
        let (at, other) = (chance.random_range(0..lines.len()), chance.random_range(0..lines.len()));
        match chance.random_range(0..5) {
            0 if lines.len() > 1 => drop(lines.remove(at)),
            1 => lines.insert(at, lines[other].clone()),
            2 => lines.swap(at, other),
            3 => {
                let numbers =
                    ["0", "-1", "65535", "65536", "1e99", "nan", "18446744073709551616", "\"\"", "true", "[]"];
                let number = numbers[chance.random_range(0..numbers.len())];
                let from = lines[at].find(|c: char| c.is_ascii_digit());
                if let Some(from) = from {
                    lines[at].replace_range(from..=from, number);
                }
            }
            _ => {
                let mut bytes = lines[at].clone().into_bytes();
                spoil(&mut bytes, chance);
                lines[at] = String::from_utf8_lossy(&bytes).into_owned();
            }
        }
    }
    match parse_map(&lines.join("\n"), "spoiled.toml") {
        Err(problems) => {
            assert!(!problems.0.is_empty() && problems.to_string().contains("spoiled.toml"), "{problems}");
            false
        }
        Ok(map) => {
            for (role, field) in &map.fields {
                let end = u32::from(field.address) + u32::from(field.registers());
                assert!(end <= 65_536 && field.scale.is_finite() && field.scale != 0.0, "{role:?} {field:?}");
            }
            true
        }
    }
}

/// One input, drawn and held against an independent reading.
type Decoder = fn(&mut ChaCha8Rng);

#[test]
fn campaign_fuzz_decoders() {
    let mut chance = campaign::generator("fuzz-decoders");
    let decoders: [(&str, Decoder); 7] = [
        ("Modbus TCP", modbus_tcp),
        ("Modbus RTU", modbus_rtu),
        ("listening", listening),
        ("services", services),
        ("RTP", rtp_packets),
        ("framing by length", framing),
        ("bare frames", bare_frames),
    ];
    let mut tried = BTreeMap::new();
    for _ in 0..campaign::count(INPUTS) {
        for (name, decoder) in decoders {
            decoder(&mut chance);
            *tried.entry(name).or_insert(0_u32) += 1;
        }
    }
    let accepted = (0..campaign::count(MAPS)).filter(|_| map_file(&mut chance)).count();
    println!("fuzz-decoders: {tried:?}, map files {} ({accepted} still valid)", campaign::count(MAPS));
}

//! The sample source as typed.

use super::control::address;
use super::{Assumptions, need_id, or_nan};
use crate::rig::model::{BlockRegisters, SampleCode, SampleCommand, SampleWire};
use crate::rig::reader::{Cursor, Spot, Text};
use crate::rig::register_map::Table;
use crate::units::Want;

/// RTP payload type where the file says none: one of those that RFC 3551 leaves free (96 to 127).
pub const PAYLOAD_TYPE: u8 = 97;

/// Words of `wire`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum WireWord {
    Tcp,
    Udp,
    Command,
    Blocks,
}

const WIRES: &[(&str, WireWord)] = &[
    ("tcp", WireWord::Tcp),
    ("udp", WireWord::Udp),
    ("command", WireWord::Command),
    ("modbus-blocks", WireWord::Blocks),
];
const TABLES: &[(&str, Table)] = &[("holding", Table::Holding), ("input", Table::Input)];
/// Registers of one device.
const REGISTERS: i64 = 65_536;
const FRAMINGS: &[(&str, bool)] = &[("rfc4571", true), ("bare", false)];
const CODES: &[(&str, SampleCode)] = &[
    ("L16", SampleCode::L16),
    ("L24", SampleCode::L24),
    ("S16LE", SampleCode::S16Le),
    ("S24LE", SampleCode::S24Le),
    ("S32LE", SampleCode::S32Le),
];
/// Stream lost after this long without a frame when the file does not say, s.
const MAX_AGE_S: f64 = 0.05;

/// `[source]`.
#[derive(Debug)]
pub struct SourceEntry {
    /// Id.
    pub id: Text,
    /// How the samples come in.
    pub wire: SampleWire,
    /// `host:port`, or the child's program.
    pub address: Text,
    /// Frames a second.
    pub rate_hz: f64,
    /// How a sample is written.
    pub code: SampleCode,
    /// RTP payload type.
    pub payload_type: u8,
    /// Stale after, s.
    pub max_age_s: f64,
    /// Place.
    pub spot: Option<Spot>,
}

impl SourceEntry {
    fn nothing(spot: Spot, number: f64) -> Self {
        let nothing = Text { text: String::new(), spot };
        Self {
            id: nothing.clone(),
            wire: SampleWire::Tcp,
            address: nothing,
            rate_hz: number,
            code: SampleCode::L24,
            payload_type: 0,
            max_age_s: number,
            spot: None,
        }
    }
}

/// A station has none: channels are then places that a prediction is made for.
pub(super) fn no_source(root: &Cursor<'_>) -> SourceEntry {
    SourceEntry::nothing(root.spot("source"), f64::INFINITY)
}

/// `[source]`.
pub(super) fn source(table: Option<Cursor<'_>>, assumed: &mut Assumptions) -> SourceEntry {
    let Some(table) = table else {
        return SourceEntry::nothing(Spot { key_path: "source".to_owned(), line: 1, column: 1 }, f64::NAN);
    };
    let (wire, address) = wire(&table);
    let payload_type = table.integer("payload_type", 0..=127).and_then(|number| u8::try_from(number).ok());
    let entry = SourceEntry {
        id: need_id(&table),
        address,
        rate_hz: or_nan(table.need_quantity("rate", &Want::FREQUENCY.between(10.0, 200e3))),
        code: code(&table, &wire),
        payload_type: assumed.take(payload_type, PAYLOAD_TYPE, "RTP payload type 97"),
        max_age_s: assumed.take(
            table.quantity("max_age", &Want::TIME),
            MAX_AGE_S,
            "stream lost after 50 ms without a frame",
        ),
        wire,
        spot: Some(table.here()),
    };
    table.close();
    entry
}

/// The wire, and what messages call it.
fn wire(table: &Cursor<'_>) -> (SampleWire, Text) {
    let word = table.word("wire", WIRES).unwrap_or(WireWord::Tcp);
    if word == WireWord::Blocks {
        return (SampleWire::Blocks(blocks(table)), address(table));
    }
    if word != WireWord::Command {
        let wire = if word == WireWord::Udp { SampleWire::Udp } else { SampleWire::Tcp };
        return (wire, address(table));
    }
    let program: Vec<String> = table.texts("command").unwrap_or_default().into_iter().map(|text| text.text).collect();
    if program.first().is_none_or(|name| name.trim().is_empty()) {
        table.note(
            "command",
            "no program",
            "a program and its arguments, such as [\"./sampler\", \"--rate\", \"10000\"]",
            None,
        );
    }
    let name = Text { text: program.first().cloned().unwrap_or_default(), spot: table.spot("command") };
    let framed = table.need_word("framing", FRAMINGS).unwrap_or(true);
    let restart = table.flag("restart").unwrap_or(false);
    (SampleWire::Command(SampleCommand { program, framed, restart }), name)
}

/// `blocks = { ... }` of a device that keeps samples behind registers.
fn blocks(table: &Cursor<'_>) -> BlockRegisters {
    let nothing =
        BlockRegisters { unit: 0, table: Table::Input, identity: (0, 0), number: 0, first: 0, frames: 1, kept: 2 };
    let Some(inside) = table.need_table("blocks") else { return nothing };
    let word = |key: &str, least: i64, most: i64| {
        inside.need_integer(key, least..=most).and_then(|number| u16::try_from(number).ok()).unwrap_or(1)
    };
    let entry = BlockRegisters {
        unit: inside.need_integer("unit", 0..=247).and_then(|unit| u8::try_from(unit).ok()).unwrap_or(1),
        table: inside.word("table", TABLES).unwrap_or(Table::Input),
        identity: (word("identity_address", 0, 65_535), word("identity", 0, 65_535)),
        number: word("number_address", 0, 65_535),
        first: word("first_address", 0, 65_535),
        frames: word("frames", 1, 8_192),
        kept: word("kept", 2, 1_024),
    };
    if !entry.kept.is_power_of_two() {
        let allowed = "a power of two, so that slots go on over the turn of the number";
        inside.note("kept", format!("{}", entry.kept), allowed, None);
    }
    inside.close();
    entry
}

/// Slots of all blocks fit into the device, and a block comes more often than the stream may be silent.
pub(super) fn check_blocks(root: &Cursor<'_>, source: &SourceEntry, channels: usize) {
    let (SampleWire::Blocks(blocks), Some(spot)) = (&source.wire, &source.spot) else { return };
    let slot = 1 + i64::from(blocks.frames) * channels as i64;
    let end = i64::from(blocks.first) + slot * i64::from(blocks.kept);
    if end > REGISTERS {
        let found = format!("{} slots of {slot} registers from {}", blocks.kept, blocks.first);
        root.document().note(spot, found, format!("an end at {REGISTERS}"), None);
    }
    let block_s = f64::from(blocks.frames) / source.rate_hz;
    if source.max_age_s < 2.0 * block_s {
        let found = format!("a block every {:.3} s with max_age {} s", block_s, source.max_age_s);
        root.document().note(spot, found, "max_age of two blocks at least", None);
    }
}

fn code(table: &Cursor<'_>, wire: &SampleWire) -> SampleCode {
    if matches!(wire, SampleWire::Blocks(_)) {
        let code = table.word("samples", CODES).unwrap_or(SampleCode::L16);
        if code != SampleCode::L16 {
            table.note("samples", format!("{code:?} in registers"), "L16: one register a sample", None);
        }
        return SampleCode::L16;
    }
    let code = table.word("samples", CODES).unwrap_or(SampleCode::L24);
    let bare = matches!(wire, SampleWire::Command(command) if !command.framed);
    if !bare && !code.is_rtp() {
        let hint = "bare frames of a child process (framing = \"bare\") may be low byte first".to_owned();
        table.note("samples", format!("{code:?} in RTP packets"), "L16 or L24", Some(hint));
    }
    code
}

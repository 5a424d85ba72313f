//! Links, starters and the transfer device as typed.

use super::machine::duty;
use super::panel::{self, PanelEntry};
use super::{Assumptions, need_id, need_name, or_nan};
use crate::rig::model::Duty;
use crate::rig::reader::{Cursor, Spot, Text};
use crate::rig::serial_line::{Parity, SerialLine};
use crate::starters::{Settings, StarterKind, StopKind};
use crate::units::{Dimension, Want};

/// The words for kinds of stop.
pub(super) const STOPS: &[(&str, StopKind)] =
    &[("ramp", StopKind::Ramp), ("coast", StopKind::Coast), ("contactor-off", StopKind::ContactorOff)];

const KINDS: &[(&str, StarterKind)] = &[
    ("across-the-line", StarterKind::AcrossTheLine),
    ("soft-starter", StarterKind::SoftStarter),
    ("variable-speed", StarterKind::VariableSpeed),
];

/// Allowed spans of the settings.
#[derive(Debug, Clone, Copy)]
pub struct SpanEntry {
    /// Least.
    pub least: Settings,
    /// Most.
    pub most: Settings,
}

/// `[[starter]]`.
#[derive(Debug)]
pub struct StarterEntry {
    /// Id.
    pub id: Text,
    /// Kind; `None`: could not be read.
    pub kind: Option<StarterKind>,
    /// Link id.
    pub link: Text,
    /// Modbus unit; `None`: could not be read.
    pub unit: Option<u8>,
    /// Map name.
    pub map: Text,
    /// Settings.
    pub settings: Settings,
    /// What is set at the starter itself.
    pub panel: PanelEntry,
    /// Spans; `None`: only the settings themselves.
    pub allowed: Option<SpanEntry>,
    /// Duty.
    pub duty: Duty,
    /// Position with its place.
    pub transfer_position: Option<u16>,
    /// Loss-of-communication time-out, s.
    pub comm_timeout_s: f64,
    /// Ordinary stop.
    pub stop: StopKind,
    /// Place of the table.
    pub spot: Spot,
    /// Place of the unit.
    pub unit_spot: Spot,
    /// Place of the position.
    pub position_spot: Spot,
    /// Place of the settings.
    pub settings_spot: Spot,
}

/// `[transfer]`.
#[derive(Debug)]
pub struct TransferEntry {
    /// Id.
    pub id: Text,
    /// Link id.
    pub link: Text,
    /// Modbus unit.
    pub unit: Option<u8>,
    /// Map name.
    pub map: Text,
    /// Dead time, s.
    pub dead_time_s: f64,
    /// Warning before a start, s.
    pub warn_lead_s: f64,
    /// Place of the table.
    pub spot: Spot,
    /// Place of the unit.
    pub unit_spot: Spot,
}

/// `[[device]]`: looked at, never commanded.
#[derive(Debug)]
pub struct DeviceEntry {
    /// Id.
    pub id: Text,
    /// Link id.
    pub link: Text,
    /// Modbus unit.
    pub unit: Option<u8>,
    /// Map name.
    pub map: Text,
    /// How it starts its motor; `None`: not said, or no motor.
    pub kind: Option<StarterKind>,
    /// Place of the table.
    pub spot: Spot,
    /// Place of the unit.
    pub unit_spot: Spot,
}

/// `[[link]]`.
#[derive(Debug)]
pub struct LinkEntry {
    /// Id.
    pub id: Text,
    /// `host:port`, or the path of a serial port.
    pub address: Text,
    /// How the serial port is driven; `None`: Modbus TCP.
    pub serial: Option<SerialLine>,
    /// Time-out, s.
    pub timeout_s: f64,
    /// Second connection for stops.
    pub second_stop_connection: bool,
    /// Poll period, s.
    pub poll_s: f64,
    /// Heartbeat period, s.
    pub heartbeat_s: f64,
    /// `observe` may read it.
    pub reads_allowed: bool,
    /// Connections that the device serves.
    pub connection_limit: Option<u32>,
    /// Connections in use by others.
    pub connections_used: u32,
    /// Place.
    pub spot: Spot,
}

/// `host:port` of a TCP server.
pub(super) fn address(table: &Cursor<'_>) -> Text {
    let address = need_name(table, "address");
    let fits =
        address.text.rsplit_once(':').is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok());
    if !address.text.is_empty() && !fits {
        table.note("address", format!("{:?}", address.text), "host:port, such as \"127.0.0.1:5020\"", None);
    }
    address
}

/// `[[link]]`.
pub(super) fn links(root: &Cursor<'_>, assumed: &mut Assumptions) -> Vec<LinkEntry> {
    let mut entries = Vec::new();
    for table in root.tables("link") {
        entries.push(LinkEntry {
            id: need_id(&table),
            address: if table.has("serial") { port(&table) } else { address(&table) },
            serial: serial_line(&table, assumed),
            timeout_s: assumed.take(
                table.quantity("timeout", &Want::TIME.between(1e-3, 60.0)),
                0.25,
                "link time-out 250 ms",
            ),
            second_stop_connection: table.flag("second_stop_connection").unwrap_or(false),
            poll_s: assumed.take(table.quantity("poll", &Want::TIME), 0.05, "status polled every 50 ms"),
            heartbeat_s: assumed.take(table.quantity("heartbeat", &Want::TIME), 0.2, "heartbeat every 200 ms"),
            reads_allowed: table.flag("reads_allowed").unwrap_or(false),
            connection_limit: connections(&table, "connection_limit", 1),
            connections_used: connections(&table, "connections_used", 0).unwrap_or(1),
            spot: table.here(),
        });
        table.close();
    }
    entries
}

/// A number of TCP connections.
fn connections(table: &Cursor<'_>, key: &str, least: i64) -> Option<u32> {
    table.integer(key, least..=64).and_then(|number| u32::try_from(number).ok())
}

/// Keys that only a TCP link has.
const OF_TCP: [&str; 3] = ["reads_allowed", "connection_limit", "connections_used"];

/// Keys that only a serial port has.
const OF_A_SERIAL_PORT: [&str; 5] = ["rate", "parity", "stop_bits", "turn_around", "max_hold"];
/// Rate and parity that every device on a serial line must offer (MODBUS over Serial Line V1.02, section 2.5.1).
const STANDARD_RATE_BAUD: u32 = 19_200;
/// Longest hold of the line by one transaction where the file does not say, s.
const DEFAULT_MAX_HOLD_S: f64 = 0.05;

const PARITIES: &[(&str, Parity)] = &[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)];

/// Path of a serial port. A name that follows the adapter, not the order of plugging in, is for the user to give.
fn port(table: &Cursor<'_>) -> Text {
    let port = need_name(table, "serial");
    if !port.text.is_empty() && !port.text.starts_with('/') {
        let allowed = "a path, best one that stays, such as \"/dev/serial/by-id/...\"";
        table.note("serial", format!("{:?}", port.text), allowed, None);
    }
    if table.has("address") {
        table.mark_read("address");
        table.note("address", "an address beside a serial port", "one of the two", None);
    }
    port
}

fn serial_line(table: &Cursor<'_>, assumed: &mut Assumptions) -> Option<SerialLine> {
    if !table.has("serial") {
        for key in OF_A_SERIAL_PORT.into_iter().filter(|key| table.has(key)) {
            table.mark_read(key);
            table.note(key, format!("{key} without a serial port"), "serial = \"/dev/...\" on the same link", None);
        }
        return None;
    }
    for key in OF_TCP.into_iter().filter(|key| table.has(key)) {
        table.note(key, format!("{key} on a serial port"), "no such key: a serial line is only ever listened to", None);
    }
    if table.flag("second_stop_connection") == Some(true) {
        let allowed = "false: a serial line has one master, its stops go out when the line is free";
        table.note("second_stop_connection", "true on a serial port", allowed, None);
    }
    let rate = table.integer("rate", 300..=4_000_000).and_then(|rate| u32::try_from(rate).ok());
    let parity = assumed.take(table.word("parity", PARITIES), Parity::Even, "serial links with even parity");
    let stop_bits = table.integer("stop_bits", 1..=2).and_then(|bits| u8::try_from(bits).ok());
    Some(SerialLine {
        rate_baud: assumed.take(rate, STANDARD_RATE_BAUD, "serial links at 19200 bit/s"),
        parity,
        // Without parity a second stop bit takes its place (MODBUS over Serial Line V1.02, section 2.5.1).
        stop_bits: stop_bits.unwrap_or(if parity == Parity::None { 2 } else { 1 }),
        turn_around_s: table.quantity("turn_around", &Want::TIME_FROM_ZERO.between(0.0, 1.0)).unwrap_or(0.0),
        max_hold_s: table.quantity("max_hold", &Want::TIME.between(1e-3, 10.0)).unwrap_or(DEFAULT_MAX_HOLD_S),
    })
}

fn unit(table: &Cursor<'_>) -> Option<u8> {
    table.need_integer("unit", 1..=247).and_then(|unit| u8::try_from(unit).ok())
}

/// Warning before a start where the file does not say, s (common practice, no source).
const WARN_LEAD_S: f64 = 3.0;

/// `[transfer]`.
pub(super) fn transfer(table: Cursor<'_>, assumed: &mut Assumptions) -> TransferEntry {
    let entry = TransferEntry {
        id: need_id(&table),
        link: need_name(&table, "link"),
        unit: unit(&table),
        map: need_name(&table, "map"),
        dead_time_s: assumed.take(
            table.quantity("dead_time", &Want::TIME_FROM_ZERO),
            1.0,
            "dead time of the transfer device 1 s",
        ),
        warn_lead_s: table.quantity("warn_lead", &Want::TIME).unwrap_or(WARN_LEAD_S),
        spot: table.here(),
        unit_spot: table.spot("unit"),
    };
    table.close();
    entry
}

/// `[[device]]`.
pub(super) fn devices(root: &Cursor<'_>) -> Vec<DeviceEntry> {
    let mut entries = Vec::new();
    for table in root.tables("device") {
        entries.push(DeviceEntry {
            id: need_id(&table),
            link: need_name(&table, "link"),
            unit: unit(&table),
            map: need_name(&table, "map"),
            kind: table.word("kind", KINDS),
            spot: table.here(),
            unit_spot: table.spot("unit"),
        });
        table.close();
    }
    entries
}

/// `[[starter]]`.
pub(super) fn starters(
    root: &Cursor<'_>,
    station: bool,
    control_valve: bool,
    assumed: &mut Assumptions,
) -> Vec<StarterEntry> {
    let said = match control_valve {
        true => "a stop closes the control valve first, whose limit switch cuts the motor",
        false => "a starter stops by its ramp, a contactor by opening",
    };
    let mut entries = Vec::new();
    for table in root.tables("starter") {
        let kind = table.need_word("kind", KINDS);
        let stop = table.word("stop", STOPS);
        let position = table.integer("transfer_position", 1..=16);
        entries.push(StarterEntry {
            id: need_id(&table),
            kind,
            link: wired(&table, station, "link"),
            unit: if station { Some(0) } else { unit(&table) },
            map: wired(&table, station, "map"),
            settings: settings(&table),
            panel: panel::read(&table),
            allowed: allowed(&table),
            duty: duty(&table),
            transfer_position: position.and_then(|position| u16::try_from(position).ok()),
            comm_timeout_s: match station {
                true => f64::INFINITY,
                false => or_nan(table.need_quantity("comm_timeout", &Want::TIME)),
            },
            stop: assumed.take(stop, default_stop(kind, control_valve), said),
            spot: table.here(),
            unit_spot: table.spot("unit"),
            position_spot: table.spot("transfer_position"),
            settings_spot: table.spot("settings"),
        });
        table.close();
    }
    entries
}

/// A name that only a starter on a wire has.
fn wired(table: &Cursor<'_>, station: bool, key: &str) -> Text {
    if station { Text { text: String::new(), spot: table.spot(key) } } else { need_name(table, key) }
}

fn default_stop(kind: Option<StarterKind>, control_valve: bool) -> StopKind {
    if kind == Some(StarterKind::AcrossTheLine) && !control_valve { StopKind::ContactorOff } else { StopKind::Ramp }
}

fn settings(table: &Cursor<'_>) -> Settings {
    let Some(table) = table.table("settings") else { return Settings::default() };
    let settings = Settings {
        ramp_up_s: table.quantity("ramp_up", &Want::TIME_FROM_ZERO),
        ramp_down_s: table.quantity("ramp_down", &Want::TIME_FROM_ZERO),
        initial_voltage: table.number("initial_voltage", 0.0..=1.0),
        current_limit: table.number("current_limit", 1.0..=10.0),
        speed: table.number("speed", 0.0..=1.2),
        set_point: None,
        comm_timeout_s: None,
    };
    table.close();
    settings
}

fn allowed(table: &Cursor<'_>) -> Option<SpanEntry> {
    let table = table.table("allowed")?;
    let time = Want::TIME_FROM_ZERO;
    let share = Want::from_zero(Dimension::Share, "[\"30 %\", \"100 %\"]").between(0.0, 1.2);
    let multiple = Want::from_zero(Dimension::Share, "[\"200 %\", \"500 %\"]").between(1.0, 10.0);
    let (ramp_up, ramp_down) = (table.span("ramp_up", &time), table.span("ramp_down", &time));
    let (voltage, speed) = (table.span("initial_voltage", &share), table.span("speed", &share));
    let current = table.span("current_limit", &multiple);
    table.close();
    let pick = |end: fn((f64, f64)) -> f64| Settings {
        ramp_up_s: ramp_up.map(end),
        ramp_down_s: ramp_down.map(end),
        initial_voltage: voltage.map(end),
        current_limit: current.map(end),
        speed: speed.map(end),
        set_point: None,
        comm_timeout_s: None,
    };
    Some(SpanEntry { least: pick(|span| span.0), most: pick(|span| span.1) })
}

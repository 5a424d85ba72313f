//! Rows of the tables in a recording: plain numbers and fixed-length text, because a file that is being read while
//! it is written (SWMR) must not hold strings of variable length.
//!
//! Fields are ordered so that no row has padding. A text longer than its field goes on in the next row: `part` counts
//! from 0, `of_parts` says how many rows belong together.

use crate::sequence::marks::{Mark, MarkKind, Phase};
use crate::sequence::ports::{
    CommandRecord, Event, Level, LinkStatistics, SettingsMoment, SettingsRecord, StatusReading, StopOutcome,
};
use crate::starters::Settings;
use hdf5::types::{FixedAscii, FixedUnicode};
use std::str::FromStr;

/// One block of frames as it arrived. Rows of the count datasets from `first_row` on are the frames from
/// `first_frame` on; what is between two blocks is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct BlockRow {
    /// Row of the count datasets that holds the block's first frame.
    pub first_row: u64,
    /// Frames since the stream's first, lost ones included.
    pub first_frame: u64,
    /// Frames in the block.
    pub frames: u64,
    /// Frames lost on the wire directly before.
    pub missing_before: u64,
    /// Frames lost directly before between the sampling thread and the disk.
    pub dropped_before: u64,
    /// Host's monotonic clock at the last byte, ns.
    pub arrived_wall_ns: u64,
}

/// A mark. `kind` is `start`, `stop`, `settled`, `not-settled` or `named`.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct MarkRow {
    pub at_s: f64,
    pub u_s: f64,
    /// 0 for a named mark.
    pub cycle: u32,
    pub part: u32,
    pub of_parts: u32,
    pub kind: FixedAscii<12>,
    pub name: FixedUnicode<64>,
}

/// A line of the log.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct EventRow {
    pub at_s: f64,
    pub part: u32,
    pub of_parts: u32,
    pub level: FixedAscii<8>,
    pub text: FixedUnicode<240>,
}

/// A command with its read-back; -1 where there is none.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct CommandRow {
    pub at_s: f64,
    pub sent_wall_ns: u64,
    /// -1: unconfirmed.
    pub answered_wall_ns: i64,
    pub wrote: u32,
    /// -1: unconfirmed.
    pub read_back: i32,
    pub part: u32,
    pub of_parts: u32,
    pub what: FixedUnicode<120>,
}

/// A polled status; NaN or -1 where the device has no such value.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct SlowRow {
    pub at_s: f64,
    pub at_wall_ns: u64,
    pub current_a: f64,
    pub speed_actual: f64,
    /// -1: none.
    pub start_count: i32,
    pub fault: u16,
    pub running: u8,
    pub at_speed: u8,
}

/// Figures of a link since it was opened; NaN where there is no such figure.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct LinkRow {
    pub at_s: f64,
    pub latency_p50_ms: f64,
    pub latency_p99_ms: f64,
    pub stop_delay_p99_ms: f64,
    pub answered: u64,
    pub timeouts: u64,
    pub reopens: u64,
    pub exceptions: u64,
    pub disbelieved: u64,
    pub crc_errors: u64,
    pub stray_bytes: u64,
    pub retries: u64,
    pub stops_sent: u64,
    pub setting_writes: u64,
    pub records_dropped: u64,
    pub link: FixedUnicode<40>,
}

/// Settings of a starter as read; NaN where it has no such setting. `moment` is `before`, `in-force` or `after`.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct SettingsRow {
    pub at_s: f64,
    pub ramp_up_s: f64,
    pub ramp_down_s: f64,
    pub initial_voltage: f64,
    pub current_limit: f64,
    pub speed: f64,
    pub set_point: f64,
    pub comm_timeout_s: f64,
    pub moment: FixedAscii<8>,
    pub starter: FixedUnicode<40>,
}

/// Outcome of the stop of a cycle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct StopRow {
    pub cycle: u32,
    pub outcome: FixedAscii<16>,
}

/// A predicted segment: samples `first_sample ..` of every predicted series.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct SegmentRow {
    pub t0_s: f64,
    pub dt_s: f64,
    pub first_sample: u64,
    pub samples: u64,
    pub cycle: u32,
    pub phase: FixedAscii<12>,
}

/// When the prediction was on disk.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct StoredRow {
    pub rig_s: f64,
    pub wall_ns: u64,
    pub utc: FixedAscii<32>,
}

/// End of the recording, written last: a file without it was cut off.
#[derive(Debug, Clone, Copy, PartialEq, hdf5::H5Type)]
#[repr(C)]
pub(super) struct EndRow {
    pub rig_s: f64,
    pub frames: u64,
    pub frames_missing: u64,
    pub frames_dropped: u64,
    pub utc: FixedAscii<32>,
}

/// Text that is known to be short ASCII; anything that does not fit is cut.
pub(super) fn ascii<const N: usize>(text: &str) -> FixedAscii<N> {
    let fits: String = text.chars().filter(char::is_ascii).take(N).collect();
    FixedAscii::from_ascii(&fits).unwrap_or_default()
}

/// Pieces of at most `N` bytes, cut between characters; at least one piece. NUL ends a fixed-length string, so it is
/// shown as a space.
fn pieces<const N: usize>(text: &str) -> Vec<FixedUnicode<N>> {
    let clean = text.replace('\0', " ");
    let mut rest = clean.as_str();
    let mut pieces = Vec::new();
    while !rest.is_empty() || pieces.is_empty() {
        let (head, tail) = rest.split_at(rest.floor_char_boundary(N));
        pieces.push(FixedUnicode::from_str(head).unwrap_or_default());
        rest = tail;
    }
    pieces
}

fn split<const N: usize, R>(text: &str, row: impl Fn(u32, u32, FixedUnicode<N>) -> R) -> Vec<R> {
    let pieces = pieces::<N>(text);
    let of_parts = pieces.len() as u32;
    pieces.into_iter().enumerate().map(|(part, piece)| row(part as u32, of_parts, piece)).collect()
}

/// Joins texts that were split. Of a text that was cut off with the file, what is there is kept.
fn join<'a, R>(
    rows: &'a [R],
    part: impl Fn(&R) -> u32,
    text: impl Fn(&'a R) -> &'a str,
) -> impl Iterator<Item = (&'a R, String)> {
    let mut joined: Vec<(&R, String)> = Vec::new();
    for row in rows {
        match joined.last_mut() {
            Some((_, whole)) if part(row) > 0 => whole.push_str(text(row)),
            _ => joined.push((row, text(row).to_owned())),
        }
    }
    joined.into_iter()
}

/// Rows of a mark.
pub(super) fn mark_rows(mark: &Mark) -> Vec<MarkRow> {
    let (kind, cycle, name) = match &mark.kind {
        MarkKind::Start { cycle } => ("start", *cycle, ""),
        MarkKind::Stop { cycle } => ("stop", *cycle, ""),
        MarkKind::Settled { cycle } => ("settled", *cycle, ""),
        MarkKind::NotSettled { cycle } => ("not-settled", *cycle, ""),
        MarkKind::Named { name } => ("named", 0, name.as_str()),
    };
    split(name, |part, of_parts, name| MarkRow {
        at_s: mark.at_s,
        u_s: mark.u_s,
        cycle,
        part,
        of_parts,
        kind: ascii(kind),
        name,
    })
}

/// Marks of rows; `Err` holds a kind that is not known.
pub(super) fn marks(rows: &[MarkRow]) -> Result<Vec<Mark>, String> {
    join(rows, |r| r.part, |r| r.name.as_str())
        .map(|(row, name)| {
            let cycle = row.cycle;
            let kind = match row.kind.as_str() {
                "start" => MarkKind::Start { cycle },
                "stop" => MarkKind::Stop { cycle },
                "settled" => MarkKind::Settled { cycle },
                "not-settled" => MarkKind::NotSettled { cycle },
                "named" => MarkKind::Named { name },
                other => return Err(format!("unknown kind of mark `{other}`")),
            };
            Ok(Mark { at_s: row.at_s, u_s: row.u_s, kind })
        })
        .collect()
}

const LEVELS: [(&str, Level); 5] = [
    ("note", Level::Note),
    ("notice", Level::Notice),
    ("caution", Level::Caution),
    ("warning", Level::Warning),
    ("danger", Level::Danger),
];

const OUTCOMES: [(&str, StopOutcome); 3] = [
    ("confirmed", StopOutcome::Confirmed),
    ("inferred", StopOutcome::Inferred),
    ("NOT confirmed", StopOutcome::NotConfirmed),
];

const PHASES: [(&str, Phase); 2] = [("start", Phase::Start), ("stop", Phase::Stop)];

fn word<T: PartialEq>(table: &[(&'static str, T)], value: &T) -> &'static str {
    table.iter().find(|(_, known)| known == value).map_or("", |(word, _)| word)
}

fn meaning<T: Copy>(table: &[(&str, T)], word: &str, what: &str) -> Result<T, String> {
    table
        .iter()
        .find(|(known, _)| *known == word)
        .map(|(_, value)| *value)
        .ok_or_else(|| format!("unknown {what} `{word}`"))
}

/// Rows of an event.
pub(super) fn event_rows(event: &Event) -> Vec<EventRow> {
    split(&event.text, |part, of_parts, text| EventRow {
        at_s: event.at_s,
        part,
        of_parts,
        level: ascii(word(&LEVELS, &event.level)),
        text,
    })
}

/// Events of rows.
pub(super) fn events(rows: &[EventRow]) -> Result<Vec<Event>, String> {
    join(rows, |r| r.part, |r| r.text.as_str())
        .map(|(row, text)| Ok(Event { at_s: row.at_s, level: meaning(&LEVELS, row.level.as_str(), "level")?, text }))
        .collect()
}

/// Rows of a command.
pub(super) fn command_rows(at_s: f64, record: &CommandRecord) -> Vec<CommandRow> {
    split(&record.what, |part, of_parts, what| CommandRow {
        at_s,
        sent_wall_ns: record.sent_wall_ns,
        answered_wall_ns: record.answered_wall_ns.map_or(-1, |ns| i64::try_from(ns).unwrap_or(i64::MAX)),
        wrote: u32::from(record.wrote),
        read_back: record.read_back.map_or(-1, i32::from),
        part,
        of_parts,
        what,
    })
}

/// Commands of rows, each with its rig time, s.
pub(super) fn commands(rows: &[CommandRow]) -> Vec<(f64, CommandRecord)> {
    join(rows, |r| r.part, |r| r.what.as_str())
        .map(|(row, what)| {
            let record = CommandRecord {
                sent_wall_ns: row.sent_wall_ns,
                answered_wall_ns: u64::try_from(row.answered_wall_ns).ok(),
                what,
                wrote: row.wrote as u16,
                read_back: u16::try_from(row.read_back).ok(),
            };
            (row.at_s, record)
        })
        .collect()
}

/// Row of a polled status.
pub(super) fn slow_row(at_s: f64, status: &StatusReading) -> SlowRow {
    SlowRow {
        at_s,
        at_wall_ns: status.at_wall_ns,
        current_a: status.current_a.unwrap_or(f64::NAN),
        speed_actual: status.speed_actual.unwrap_or(f64::NAN),
        start_count: status.start_count.map_or(-1, i32::from),
        fault: status.fault,
        running: u8::from(status.running),
        at_speed: u8::from(status.at_speed),
    }
}

/// Polled status of a row, with its rig time, s.
pub(super) fn slow(row: &SlowRow) -> (f64, StatusReading) {
    let number = |value: f64| (!value.is_nan()).then_some(value);
    let status = StatusReading {
        at_wall_ns: row.at_wall_ns,
        running: row.running != 0,
        at_speed: row.at_speed != 0,
        fault: row.fault,
        current_a: number(row.current_a),
        speed_actual: number(row.speed_actual),
        start_count: u16::try_from(row.start_count).ok(),
        ..StatusReading::default()
    };
    (row.at_s, status)
}

const MOMENTS: [(&str, SettingsMoment); 3] =
    [("before", SettingsMoment::Before), ("in-force", SettingsMoment::InForce), ("after", SettingsMoment::After)];

/// Row of a starter's settings.
pub(super) fn settings_row(record: &SettingsRecord) -> SettingsRow {
    let number = |value: Option<f64>| value.unwrap_or(f64::NAN);
    let of = &record.settings;
    SettingsRow {
        at_s: record.at_s,
        ramp_up_s: number(of.ramp_up_s),
        ramp_down_s: number(of.ramp_down_s),
        initial_voltage: number(of.initial_voltage),
        current_limit: number(of.current_limit),
        speed: number(of.speed),
        set_point: number(of.set_point),
        comm_timeout_s: number(of.comm_timeout_s),
        moment: ascii(word(&MOMENTS, &record.moment)),
        // Ids of a rig file have 40 bytes at most.
        starter: pieces::<40>(&record.starter)[0],
    }
}

/// A starter's settings from their row.
pub(super) fn settings(row: &SettingsRow) -> Result<SettingsRecord, String> {
    let number = |value: f64| (!value.is_nan()).then_some(value);
    let settings = Settings {
        ramp_up_s: number(row.ramp_up_s),
        ramp_down_s: number(row.ramp_down_s),
        initial_voltage: number(row.initial_voltage),
        current_limit: number(row.current_limit),
        speed: number(row.speed),
        set_point: number(row.set_point),
        comm_timeout_s: number(row.comm_timeout_s),
    };
    let moment = meaning(&MOMENTS, row.moment.as_str(), "moment")?;
    Ok(SettingsRecord { at_s: row.at_s, starter: row.starter.as_str().to_owned(), moment, settings })
}

/// Row of a link's figures.
pub(super) fn link_row(at_s: f64, figures: &LinkStatistics) -> LinkRow {
    let number = |value: Option<f64>| value.unwrap_or(f64::NAN);
    LinkRow {
        at_s,
        latency_p50_ms: number(figures.latency_p50_ms),
        latency_p99_ms: number(figures.latency_p99_ms),
        stop_delay_p99_ms: number(figures.stop_delay_p99_ms),
        answered: figures.answered,
        timeouts: figures.timeouts,
        reopens: figures.reopens,
        exceptions: figures.exceptions,
        disbelieved: figures.disbelieved,
        crc_errors: figures.crc_errors,
        stray_bytes: figures.stray_bytes,
        retries: figures.retries,
        stops_sent: figures.stops_sent,
        setting_writes: figures.setting_writes,
        records_dropped: figures.records_dropped,
        // Ids of a rig file have 40 bytes at most.
        link: pieces::<40>(&figures.link)[0],
    }
}

/// A link's figures from its row.
pub(super) fn link(row: &LinkRow) -> LinkStatistics {
    let number = |value: f64| (!value.is_nan()).then_some(value);
    LinkStatistics {
        link: row.link.as_str().to_owned(),
        answered: row.answered,
        latency_p50_ms: number(row.latency_p50_ms),
        latency_p99_ms: number(row.latency_p99_ms),
        timeouts: row.timeouts,
        reopens: row.reopens,
        exceptions: row.exceptions,
        disbelieved: row.disbelieved,
        crc_errors: row.crc_errors,
        stray_bytes: row.stray_bytes,
        retries: row.retries,
        stops_sent: row.stops_sent,
        stop_delay_p99_ms: number(row.stop_delay_p99_ms),
        setting_writes: row.setting_writes,
        records_dropped: row.records_dropped,
    }
}

/// Row of a stop outcome.
pub(super) fn stop_row(cycle: u32, outcome: StopOutcome) -> StopRow {
    StopRow { cycle, outcome: ascii(word(&OUTCOMES, &outcome)) }
}

/// Outcomes by cycle from 1. A later row of the same cycle replaces an earlier one; a cycle without a row is
/// `NOT confirmed`.
pub(super) fn stops(rows: &[StopRow]) -> Result<Vec<StopOutcome>, String> {
    let cycles = rows.iter().map(|row| row.cycle as usize).max().unwrap_or(0);
    if cycles > rows.len() + MAX_CYCLES_WITHOUT_OUTCOME {
        return Err(format!("cycle {cycles} in a table of {} rows", rows.len()));
    }
    let mut outcomes = vec![StopOutcome::NotConfirmed; cycles];
    for row in rows.iter().filter(|row| row.cycle > 0) {
        outcomes[row.cycle as usize - 1] = meaning(&OUTCOMES, row.outcome.as_str(), "stop outcome")?;
    }
    Ok(outcomes)
}

/// A damaged cycle number must not ask for gigabytes.
const MAX_CYCLES_WITHOUT_OUTCOME: usize = 100_000;

/// Word for a phase.
pub(super) fn phase_word(phase: Phase) -> FixedAscii<12> {
    ascii(word(&PHASES, &phase))
}

/// Phase of a word.
pub(super) fn phase(word: &FixedAscii<12>) -> Result<Phase, String> {
    meaning(&PHASES, word.as_str(), "phase")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_long_texts_whole_across_rows() {
        let text = "größer als ein Feld, ".repeat(40);
        let event = Event { at_s: 1.5, level: Level::Caution, text };
        let rows = event_rows(&event);
        assert!(rows.len() > 1, "{} rows", rows.len());
        let short = Event { at_s: 2.0, level: Level::Danger, text: String::new() };
        let all: Vec<_> = rows.into_iter().chain(event_rows(&short)).collect();
        assert_eq!(events(&all).unwrap(), vec![event, short]);
    }

    #[test]
    fn keeps_every_kind_of_mark() {
        let kinds = [
            MarkKind::Start { cycle: 1 },
            MarkKind::Stop { cycle: 1 },
            MarkKind::Settled { cycle: 1 },
            MarkKind::NotSettled { cycle: 2 },
            MarkKind::Named { name: "x".repeat(200) },
        ];
        let wanted: Vec<Mark> = kinds.into_iter().map(|kind| Mark { at_s: 0.1, u_s: 1e-4, kind }).collect();
        let rows: Vec<_> = wanted.iter().flat_map(mark_rows).collect();
        assert_eq!(marks(&rows).unwrap(), wanted);
    }

    #[test]
    fn keeps_what_a_command_did_not_get_back() {
        let record =
            CommandRecord { sent_wall_ns: 5, answered_wall_ns: None, what: "a".into(), wrote: 65535, read_back: None };
        assert_eq!(commands(&command_rows(0.5, &record)), vec![(0.5, record)]);
    }

    #[test]
    fn keeps_absent_slow_values_absent() {
        let status = StatusReading { at_wall_ns: 7, running: true, fault: 3, ..StatusReading::default() };
        assert_eq!(slow(&slow_row(0.25, &status)), (0.25, status));
    }

    #[test]
    fn says_not_confirmed_for_a_cycle_without_an_outcome() {
        let rows = [stop_row(2, StopOutcome::Inferred), stop_row(2, StopOutcome::Confirmed)];
        assert_eq!(stops(&rows).unwrap(), vec![StopOutcome::NotConfirmed, StopOutcome::Confirmed]);
    }

    #[test]
    fn rejects_words_it_does_not_know() {
        let mut row = stop_row(1, StopOutcome::Confirmed);
        row.outcome = ascii("perhaps");
        assert_eq!(stops(&[row]).unwrap_err(), "unknown stop outcome `perhaps`");
    }
}

//! Tables for other programs: a row a sample, a row a predicted sample, a row a cycle and channel, a row an event. SI
//! throughout, units in the names of the columns; what is missing is an empty field.

use crate::comparison::evaluate::RunResult;
use crate::comparison::metric::registry::METRICS;
use crate::comparison::table::kind_words;
use crate::comparison::{ChannelInfo, RunData};
use crate::sequence::marks::Phase;
use crate::sequence::ports::{Level, StopOutcome};
use std::io::{Result, Write};

/// A table that can be exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A row a sample.
    Samples,
    /// A row a predicted sample.
    Predicted,
    /// A row a cycle and channel.
    Cycles,
    /// A row an event.
    Events,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Samples, Self::Predicted, Self::Cycles, Self::Events];

    /// Its name, of folders too.
    pub fn name(self) -> &'static str {
        match self {
            Self::Samples => "samples",
            Self::Predicted => "predicted",
            Self::Cycles => "cycles",
            Self::Events => "events",
        }
    }
}

/// Write a table of a run as comma-separated values (RFC 4180), first row names.
///
/// # Errors
/// The sink's.
pub fn write(kind: Kind, run: &RunData, result: &RunResult, sink: &mut dyn Write) -> Result<()> {
    match kind {
        Kind::Samples => samples(run, sink),
        Kind::Predicted => predicted(run, sink),
        Kind::Cycles => cycles(run, result, sink),
        Kind::Events => events(run, sink),
    }
}

/// A channel's column: id and unit.
fn column(channel: &ChannelInfo) -> String {
    let unit = channel.unit.to_lowercase().replace('/', "_");
    format!("{}_{unit}", channel.id)
}

fn samples(run: &RunData, sink: &mut dyn Write) -> Result<()> {
    row(sink, std::iter::once("rig_time_s".to_owned()).chain(run.channels.iter().map(column)))?;
    let Some(first) = run.traces.first() else { return Ok(()) };
    for k in 0..first.values.len() {
        let at_s = first.t0_s + k as f64 * first.dt_s;
        let values = run.traces.iter().map(|trace| trace.values.get(k).copied().unwrap_or(f64::NAN));
        // The time to the microsecond: what lies below is rounding of the product.
        let time = format!("{:.6}", at_s);
        row(sink, std::iter::once(time).chain(values.map(number)))?;
    }
    Ok(())
}

fn predicted(run: &RunData, sink: &mut dyn Write) -> Result<()> {
    let names = ["cycle", "phase", "time_s"].map(str::to_owned).into_iter();
    let flow = std::iter::once("flow_m3_s".to_owned());
    row(sink, names.chain(run.channels.iter().map(column)).chain(flow))?;
    let Some(prediction) = &run.prediction else { return Ok(()) };
    for segment in &prediction.segments {
        let phase = match segment.phase {
            Phase::Start => "start",
            Phase::Stop => "stop",
        };
        let series: Vec<&Vec<f32>> = segment.series.iter().chain([&segment.flow_m3_s]).collect();
        let length = series.iter().map(|values| values.len()).min().unwrap_or(0);
        for k in 0..length {
            let at_s = segment.t0_s + k as f64 * segment.dt_s;
            let place = [segment.cycle.to_string(), phase.to_owned(), format!("{at_s:.6}")];
            row(sink, place.into_iter().chain(series.iter().map(|values| number(f64::from(values[k])))))?;
        }
    }
    Ok(())
}

fn cycles(run: &RunData, result: &RunResult, sink: &mut dyn Write) -> Result<()> {
    let fixed = [
        "recording",
        "rig",
        "started_utc",
        "virtual",
        "starter",
        "starter_kind",
        "cycle",
        "start_s",
        "stop_s",
        "settled",
        "stop_outcome",
        "channel",
        "headline",
    ];
    let keys = METRICS.iter().flat_map(|metric| std::iter::once(metric.key).chain(metric.predicted_key));
    row(sink, fixed.into_iter().chain(keys).map(str::to_owned))?;
    for (k, cycle) in result.cycles.iter().enumerate() {
        for of in &cycle.channels {
            let outcome = run.stop_outcomes.get(k).copied().unwrap_or(StopOutcome::NotConfirmed);
            let fields = [
                run.path.clone(),
                run.rig_id.clone(),
                run.started_utc.clone(),
                run.is_virtual.to_string(),
                result.starter.clone().unwrap_or_default(),
                kind_words(run.starter_kind).to_owned(),
                cycle.cycle.number.to_string(),
                number(cycle.cycle.start_s),
                cycle.cycle.stop_s.map_or_else(String::new, number),
                cycle.cycle.settled.to_string(),
                outcome.to_string(),
                run.channels.get(of.channel).map_or_else(String::new, |channel| channel.id.to_string()),
                (of.channel == run.headline).to_string(),
            ];
            let figures = METRICS.iter().flat_map(|metric| {
                let found = of.metrics.iter().find(|result| result.id == metric.id);
                let measured = found.and_then(|result| result.measured.ok()).map_or(f64::NAN, |v| v.value);
                let predicted = found.and_then(|result| result.predicted.ok()).map_or(f64::NAN, |v| v.value);
                std::iter::once(number(measured)).chain(metric.predicted_key.map(|_| number(predicted)))
            });
            row(sink, fields.into_iter().chain(figures))?;
        }
    }
    Ok(())
}

fn events(run: &RunData, sink: &mut dyn Write) -> Result<()> {
    row(sink, ["recording", "rig", "rig_time_s", "level", "text"].map(str::to_owned).into_iter())?;
    for event in &run.events {
        let level = match event.level {
            Level::Note => "note",
            Level::Notice => "notice",
            Level::Caution => "caution",
            Level::Warning => "warning",
            Level::Danger => "danger",
        };
        let fields = [run.path.clone(), run.rig_id.clone(), number(event.at_s), level.to_owned(), event.text.clone()];
        row(sink, fields.into_iter())?;
    }
    Ok(())
}

/// Shortest digits that give the number back; nothing where there is none.
fn number(value: f64) -> String {
    if value.is_finite() { format!("{value}") } else { String::new() }
}

fn row(sink: &mut dyn Write, fields: impl Iterator<Item = String>) -> Result<()> {
    let mut first = true;
    for field in fields {
        if !first {
            sink.write_all(b",")?;
        }
        first = false;
        if field.contains([',', '"', '\n', '\r']) {
            write!(sink, "\"{}\"", field.replace('"', "\"\""))?;
        } else {
            sink.write_all(field.as_bytes())?;
        }
    }
    sink.write_all(b"\r\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_what_would_break_a_row_and_leaves_gaps_empty() {
        let mut bytes = Vec::new();
        let fields = ["plain", "a, b", "say \"stop\"", "two\nlines"].map(str::to_owned);
        row(&mut bytes, fields.into_iter().chain([number(f64::NAN), number(0.1)])).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert_eq!(text, "plain,\"a, b\",\"say \"\"stop\"\"\",\"two\nlines\",,0.1\r\n");
    }
}

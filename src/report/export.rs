//! Tables for other programs: a row a sample, a row a predicted sample, a row a cycle and channel, a row an event. SI
//! throughout, units in the names of the columns; what is missing is an empty field. Written as comma-separated values or,
//! with the feature `parquet`, as Parquet.

pub mod csv;
#[cfg(feature = "parquet")]
pub mod parquet;

use crate::comparison::evaluate::{ChannelResult, CycleResult, MetricResult, RunResult};
use crate::comparison::metric::Reading;
use crate::comparison::metric::registry::METRICS;
use crate::comparison::table::kind_words;
use crate::comparison::{ChannelInfo, RunData};
use crate::sequence::marks::Phase;
use crate::sequence::ports::{Event, Level, StopOutcome};
use std::borrow::Cow;

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

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column<'a> {
    /// Name, with the unit where there is one.
    pub name: String,
    /// Values, a row each.
    pub values: Values<'a>,
}

/// Values of a column.
#[derive(Debug, Clone, PartialEq)]
pub enum Values<'a> {
    /// Times to the microsecond, s: what lies below is rounding of a product.
    Times(Vec<f64>),
    /// Numbers; not a number where there is none.
    Numbers(Cow<'a, [f64]>),
    /// Whole numbers.
    Whole(Vec<i64>),
    /// Yes and no.
    Flags(Vec<bool>),
    /// Words.
    Texts(Vec<String>),
}

impl Values<'_> {
    fn len(&self) -> usize {
        match self {
            Self::Times(values) => values.len(),
            Self::Numbers(values) => values.len(),
            Self::Whole(values) => values.len(),
            Self::Flags(values) => values.len(),
            Self::Texts(values) => values.len(),
        }
    }
}

/// A table of a run; all columns are of one length.
pub fn table<'a>(kind: Kind, run: &'a RunData, result: &RunResult) -> Vec<Column<'a>> {
    match kind {
        Kind::Samples => samples(run),
        Kind::Predicted => predicted(run),
        Kind::Cycles => cycles(run, result),
        Kind::Events => events(run),
    }
}

fn column<'a>(name: impl Into<String>, values: Values<'a>) -> Column<'a> {
    Column { name: name.into(), values }
}

fn numbers<'a>(name: impl Into<String>, values: Vec<f64>) -> Column<'a> {
    column(name, Values::Numbers(Cow::Owned(values)))
}

fn texts<'a>(name: &str, values: Vec<String>) -> Column<'a> {
    column(name, Values::Texts(values))
}

/// A channel's column: id and unit.
fn channel_name(channel: &ChannelInfo) -> String {
    let unit = channel.unit.to_lowercase().replace('/', "_");
    format!("{}_{unit}", channel.id)
}

fn samples(run: &RunData) -> Vec<Column<'_>> {
    let (rows, t0_s, dt_s) =
        run.traces.first().map_or((0, 0.0, 0.0), |first| (first.values.len(), first.t0_s, first.dt_s));
    let times = (0..rows).map(|k| t0_s + k as f64 * dt_s).collect();
    let of_channel = |(info, trace): (&ChannelInfo, &'_ crate::signal::Trace)| {
        let mut values = trace.values.clone();
        values.resize(rows, f64::NAN);
        numbers(channel_name(info), values)
    };
    let channels = run.channels.iter().zip(&run.traces).map(of_channel);
    std::iter::once(column("rig_time_s", Values::Times(times))).chain(channels).collect()
}

fn predicted(run: &RunData) -> Vec<Column<'_>> {
    let segments = run.prediction.iter().flat_map(|prediction| &prediction.segments);
    let (mut cycle, mut phase, mut time) = (Vec::new(), Vec::new(), Vec::new());
    let mut series: Vec<Vec<f64>> = vec![Vec::new(); run.channels.len() + 1];
    for segment in segments {
        let word = match segment.phase {
            Phase::Start => "start",
            Phase::Stop => "stop",
        };
        let all: Vec<&Vec<f32>> = segment.series.iter().chain([&segment.flow_m3_s]).collect();
        let length = all.iter().map(|values| values.len()).min().unwrap_or(0);
        cycle.extend(std::iter::repeat_n(i64::from(segment.cycle), length));
        phase.extend(std::iter::repeat_n(word.to_owned(), length));
        time.extend((0..length).map(|k| segment.t0_s + k as f64 * segment.dt_s));
        for (column, values) in series.iter_mut().zip(all) {
            column.extend(values[..length].iter().map(|value| f64::from(*value)));
        }
    }
    let names = run.channels.iter().map(channel_name).chain(["flow_m3_s".to_owned()]);
    let place = [column("cycle", Values::Whole(cycle)), texts("phase", phase), column("time_s", Values::Times(time))];
    place.into_iter().chain(names.zip(series).map(|(name, values)| numbers(name, values))).collect()
}

fn cycles<'a>(run: &RunData, result: &RunResult) -> Vec<Column<'a>> {
    let rows: Vec<(usize, &CycleResult, &ChannelResult)> = result
        .cycles
        .iter()
        .enumerate()
        .flat_map(|(k, cycle)| cycle.channels.iter().map(move |channel| (k, cycle, channel)))
        .collect();
    let text = |name: &str, of: &dyn Fn(&(usize, &CycleResult, &ChannelResult)) -> String| {
        texts(name, rows.iter().map(of).collect())
    };
    let number = |name: &str, of: &dyn Fn(&(usize, &CycleResult, &ChannelResult)) -> f64| {
        numbers(name, rows.iter().map(of).collect())
    };
    let flag = |name: &str, of: &dyn Fn(&(usize, &CycleResult, &ChannelResult)) -> bool| {
        column(name, Values::Flags(rows.iter().map(of).collect()))
    };
    let outcome = |k: usize| run.stop_outcomes.get(k).copied().unwrap_or(StopOutcome::NotConfirmed).to_string();
    let counted: Vec<u32> = result.counted().iter().map(|cycle| cycle.cycle.number).collect();
    let channel = |k: usize| run.channels.get(k).map_or_else(String::new, |channel| channel.id.to_string());
    let mut columns = vec![
        text("recording", &|_| run.path.clone()),
        text("rig", &|_| run.rig_id.clone()),
        text("started_utc", &|_| run.started_utc.clone()),
        flag("virtual", &|_| run.is_virtual),
        text("starter", &|_| result.starter.clone().unwrap_or_default()),
        text("starter_kind", &|_| kind_words(run.starter_kind).to_owned()),
        text("label", &|_| run.label.clone()),
        column("cycle", Values::Whole(rows.iter().map(|(_, cycle, _)| i64::from(cycle.cycle.number)).collect())),
        number("start_s", &|(_, cycle, _)| cycle.cycle.start_s),
        number("stop_s", &|(_, cycle, _)| cycle.cycle.stop_s.unwrap_or(f64::NAN)),
        flag("counts", &|(_, cycle, _)| counted.contains(&cycle.cycle.number)),
        flag("settled", &|(_, cycle, _)| cycle.cycle.settled),
        text("stop_outcome", &|(k, ..)| outcome(*k)),
        text("channel", &|(_, _, of)| channel(of.channel)),
        flag("headline", &|(_, _, of)| of.channel == run.headline),
    ];
    for metric in METRICS {
        let read = |of: &ChannelResult, which: fn(&MetricResult) -> Reading| {
            let found = of.metrics.iter().find(|result| result.id == metric.id);
            found.and_then(|result| which(result).ok()).map_or(f64::NAN, |value| value.value)
        };
        columns.push(number(metric.key, &|(_, _, of)| read(of, |result| result.measured)));
        if let Some(key) = metric.predicted_key {
            columns.push(number(key, &|(_, _, of)| read(of, |result| result.predicted)));
        }
    }
    columns
}

fn events<'a>(run: &RunData) -> Vec<Column<'a>> {
    let word = |level: Level| match level {
        Level::Note => "note",
        Level::Notice => "notice",
        Level::Caution => "caution",
        Level::Warning => "warning",
        Level::Danger => "danger",
    };
    let text = |of: &dyn Fn(&Event) -> String| run.events.iter().map(of).collect::<Vec<_>>();
    vec![
        texts("recording", text(&|_| run.path.clone())),
        texts("rig", text(&|_| run.rig_id.clone())),
        numbers("rig_time_s", run.events.iter().map(|event| event.at_s).collect()),
        texts("level", text(&|event| word(event.level).to_owned())),
        texts("text", text(&|event| event.text.clone())),
    ]
}

//! What a prediction comes to: a few figures a channel for people and scripts, and the series as CSV.

use super::bands::BandFigures;
use super::beside::BesideSummary;
use super::filling::Filling;
use super::simulate::HALF_GRID;
use super::strength::beyond_ratings;
use super::transfer::{Moved, moved, runs_over};
use super::{EventKind, MadeWith, PredictedEvent, Prediction, Segment, Separation, SuddenStop};
use crate::rig::model::{Quantity, Rig};
use crate::sequence::marks::Phase;
use crate::signal::features;
use crate::units::Dimension;
use crate::units::display::{System, significant};
use serde_json::{Map, Value, json};
use std::io::{self, Write};

/// The steady value is the mean of this much before the stop, s.
pub const STEADY_S: f64 = 1.0;
/// Acceleration ends when the shaft first reaches this share of its steady speed (the share that the comparison uses, which
/// counts from the onset of current; this one counts from the start mark).
pub const ACCELERATED_SHARE: f64 = 0.95;

/// Name of the flow through the pump among the series.
pub const PUMP_FLOW: &str = "pump_flow_m3_s";

/// Figures of one channel over the first start phase, SI.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelSummary {
    /// Channel id.
    pub id: String,
    /// What it measures.
    pub quantity: Quantity,
    /// Mean of the last [`STEADY_S`] before the stop.
    pub steady: f64,
    /// Largest from the start to the stop.
    pub maximum: f64,
    /// Smallest from the start to the stop.
    pub minimum: f64,
    /// When the largest comes, s after the start mark.
    pub maximum_at_s: f64,
}

/// Figures of a prediction.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// One entry a channel, rig order.
    pub channels: Vec<ChannelSummary>,
    /// From the start mark to [`ACCELERATED_SHARE`] of the steady speed, s; `None`: no speed channel or no start.
    pub acceleration_s: Option<f64>,
    /// What loss of supply does from steady running.
    pub loss_of_supply: Option<SuddenStop>,
    /// What an emergency stop does from steady running.
    pub emergency_stop: Option<SuddenStop>,
    /// What a start with empty lines comes to; `None`: nothing fills.
    pub filling: Option<Filling>,
    /// Tanks whose level moves.
    pub levels: Vec<Moved>,
    /// Flow through the pump, then the figures beside the channels, over the first start; those without a number are left out.
    pub beside: Vec<BesideSummary>,
    /// What happens in the whole run.
    pub events: Vec<PredictedEvent>,
    /// Vapour in the run; `None`: the water does not part.
    pub separation: Option<Separation>,
    /// Spans of the figures over the band's members, channel order; empty without a band.
    pub band: Vec<BandFigures>,
    /// Members of the band that ran to their end, and those asked for; none without a band.
    pub band_members: Option<(u32, u32)>,
    /// What the prediction was made with.
    pub made_with: MadeWith,
    /// What a person should know first.
    pub warnings: Vec<String>,
    /// What it assumes.
    pub assumptions: Vec<String>,
}

impl Summary {
    /// Figures of the first start of `prediction`, made for `rig`.
    pub fn of(rig: &Rig, prediction: &Prediction) -> Self {
        let start = prediction.segments.iter().find(|segment| segment.phase == Phase::Start);
        let channels = start.map(|segment| channels(rig, segment)).unwrap_or_default();
        let acceleration_s = start.and_then(|segment| acceleration_s(rig, segment, &channels));
        Self {
            channels,
            acceleration_s,
            loss_of_supply: prediction.loss_of_supply.clone(),
            emergency_stop: prediction.emergency_stop.clone(),
            filling: Filling::of(rig, prediction),
            levels: moved(rig, prediction),
            beside: start.map(|segment| beside(prediction, segment)).unwrap_or_default(),
            events: prediction.events.clone(),
            separation: prediction.separation,
            band: prediction.band.as_ref().map(|band| band.figures.clone()).unwrap_or_default(),
            band_members: prediction.band.as_ref().map(|band| (band.members - band.failed, band.members)),
            made_with: prediction.made_with.clone(),
            warnings: prediction.warnings.iter().cloned().chain(against_a_start(rig, prediction)).collect(),
            assumptions: prediction.assumptions.clone(),
        }
    }

    /// One JSON object; keys carry the channel's SI unit (`steady_pa`, `steady_a`, `steady_rad_s`).
    pub fn to_json(&self) -> Value {
        let channels: Map<String, Value> =
            self.channels.iter().map(|channel| (channel.id.clone(), entry(channel))).collect();
        json!({
            "channels": channels, "acceleration_s": self.acceleration_s, "made_with": self.made_with,
            "loss_of_supply": self.loss_of_supply.as_ref().map(|stop| sudden_json(&self.channels, stop)),
            "emergency_stop": self.emergency_stop.as_ref().map(|stop| sudden_json(&self.channels, stop)),
            "filling": self.filling, "levels": self.levels, "events": self.events, "beside": self.beside,
            "separation": self.separation.as_ref().map(separation_json),
            "warnings": self.warnings, "assumptions": self.assumptions,
            "band_members": self.band_members.map(|(_, asked)| asked),
            "band_members_in": self.band_members.map(|(within, _)| within),
            "band": self.band.iter().map(|figures| band_json(&self.channels, figures)).collect::<Map<String, Value>>(),
        })
    }
}

fn beside(prediction: &Prediction, segment: &Segment) -> Vec<BesideSummary> {
    let flow = BesideSummary::of(PUMP_FLOW, segment, &segment.flow_m3_s);
    let series = prediction.beside.iter().zip(&segment.beside);
    flow.into_iter().chain(series.filter_map(|(name, series)| BesideSummary::of(name, segment, series))).collect()
}

/// Why a start would be refused: parts beyond their ratings, tanks that run over. A station is told the same.
fn against_a_start(rig: &Rig, prediction: &Prediction) -> Vec<String> {
    let refused = if rig.station { "" } else { " (a start is refused)" };
    let all = beyond_ratings(rig, prediction).into_iter().chain(runs_over(rig, prediction));
    all.map(|why| format!("{why}{refused}")).collect()
}

fn separation_json(separation: &Separation) -> Value {
    json!({
        "largest_m3": separation.largest_m3, "residual_m3": separation.residual_m3,
        "residual_share": separation.residual_share(), "peak_by_grid": separation.peak_by_grid,
    })
}

fn band_json(channels: &[ChannelSummary], figures: &BandFigures) -> (String, Value) {
    let unit = channels.iter().find(|channel| channel.id == figures.id).map_or("si", |channel| unit(channel.quantity));
    let mut entry = Map::new();
    entry.insert(format!("maximum_{unit}"), json!([figures.maximum.0, figures.maximum.1]));
    entry.insert(format!("minimum_{unit}"), json!([figures.minimum.0, figures.minimum.1]));
    (figures.id.clone(), Value::Object(entry))
}

fn sudden_json(channels: &[ChannelSummary], loss: &SuddenStop) -> Value {
    let figures = loss.channels.iter().map(|figures| {
        let quantity = channels.iter().find(|channel| channel.id == figures.id).map(|channel| channel.quantity);
        let unit = quantity.map_or("si", unit);
        let mut entry = Map::new();
        let values = [("steady", figures.steady), ("maximum", figures.maximum), ("minimum", figures.minimum)];
        for (name, value) in values {
            entry.insert(format!("{name}_{unit}"), json!(value));
        }
        entry.insert("maximum_at_s".to_owned(), json!(figures.maximum_at_s));
        entry.insert("minimum_at_s".to_owned(), json!(figures.minimum_at_s));
        (figures.id.clone(), Value::Object(entry))
    });
    json!({
        "channels": figures.collect::<Map<String, Value>>(),
        "from_speed_rad_s": loss.from_speed_rad_s, "from_flow_m3_s": loss.from_flow_m3_s,
        "motor_off_after_s": loss.motor_off_after_s,
        "flow_ends_after_s": loss.flow_ends_after_s, "reverse_flow_m3_s": loss.reverse_flow_m3_s,
        "backspin_rad_s": loss.backspin_rad_s, "with_it": loss.with_it, "followed_s": loss.followed_s, "events": loss.events,
        "separation": loss.separation.as_ref().map(separation_json),
    })
}

fn entry(channel: &ChannelSummary) -> Value {
    let unit = unit(channel.quantity);
    let mut entry = Map::new();
    let figures = [("steady", channel.steady), ("maximum", channel.maximum), ("minimum", channel.minimum)];
    for (name, value) in figures {
        entry.insert(format!("{name}_{unit}"), json!(value));
    }
    entry.insert("maximum_at_s".to_owned(), json!(channel.maximum_at_s));
    Value::Object(entry)
}

fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::GaugePressure | Quantity::PressureDifference => "pa",
        Quantity::LineCurrent | Quantity::CurrentWave => "a",
        Quantity::ShaftSpeed => "rad_s",
        Quantity::Flow => "m3_s",
        Quantity::LinePower => "w",
        Quantity::Contact => "closed",
    }
}

fn channels(rig: &Rig, segment: &Segment) -> Vec<ChannelSummary> {
    rig.channels
        .iter()
        .zip(&segment.series)
        .map(|(channel, series)| {
            let after = from_mark(segment, series);
            let steady_samples = ((STEADY_S / segment.dt_s).round() as usize).clamp(1, after.len().max(1));
            let tail = &after[after.len().saturating_sub(steady_samples)..];
            let largest = features::maximum(&after).unwrap_or(features::Point { at: 0.0, value: f64::NAN });
            ChannelSummary {
                id: channel.id.0.clone(),
                quantity: channel.quantity,
                steady: tail.iter().sum::<f64>() / tail.len() as f64,
                maximum: largest.value,
                minimum: features::minimum(&after).map_or(f64::NAN, |smallest| smallest.value),
                maximum_at_s: largest.at * segment.dt_s + first_after(segment),
            }
        })
        .collect()
}

fn acceleration_s(rig: &Rig, segment: &Segment, channels: &[ChannelSummary]) -> Option<f64> {
    let speed = rig.channels.iter().position(|channel| channel.quantity == Quantity::ShaftSpeed)?;
    let level = ACCELERATED_SHARE * channels.get(speed)?.steady;
    let after = from_mark(segment, segment.series.get(speed)?);
    features::crossing(&after, 0, level, true).map(|at| at * segment.dt_s + first_after(segment))
}

/// Samples of the segment that lie before its mark.
fn samples_before(segment: &Segment) -> usize {
    ((-segment.t0_s / segment.dt_s) - 1e-6).ceil().max(0.0) as usize
}

/// Time of the first sample not before the mark, s after it.
fn first_after(segment: &Segment) -> f64 {
    segment.t0_s + samples_before(segment) as f64 * segment.dt_s
}

fn from_mark(segment: &Segment, series: &[f32]) -> Vec<f64> {
    series.iter().skip(samples_before(segment)).map(|value| f64::from(*value)).collect()
}

/// Every series of a prediction as one JSON object: a list of segments, each with `time_s` from its mark and one list a
/// name (channels with their unit, the pump's flow, what stands beside them); a figure that is none is `null`.
pub fn series_json(rig: &Rig, prediction: &Prediction) -> Value {
    let list = |series: &[f32]| Value::from(series.iter().map(|value| json!(*value)).collect::<Vec<_>>());
    let segments = prediction.segments.iter().map(|segment| {
        let mut series = Map::new();
        for (channel, values) in rig.channels.iter().zip(&segment.series) {
            series.insert(format!("{}_{}", channel.id, unit(channel.quantity)), list(values));
        }
        series.insert(PUMP_FLOW.to_owned(), list(&segment.flow_m3_s));
        for (name, values) in prediction.beside.iter().zip(&segment.beside) {
            series.insert(name.clone(), list(values));
        }
        json!({ "cycle": segment.cycle, "phase": segment.phase, "t0_s": segment.t0_s, "dt_s": segment.dt_s, "series": series })
    });
    Value::from(segments.collect::<Vec<_>>())
}

/// Loss of supply in a sentence.
pub fn loss_words(loss: &SuddenStop, units: System) -> String {
    let speed = units.plain(loss.from_speed_rad_s, Dimension::Speed);
    format!("Loss of supply at {speed} (no ramp helps then): {}", sudden_words(loss, units))
}

/// Steps, cells and change of wave speeds of a prediction in a line.
pub fn grid_words(made_with: &MadeWith) -> String {
    let halves = if made_with.solver.contains(HALF_GRID) { ", pipes in two halves of it" } else { "" };
    format!(
        "computed by the {}: pipe ends, valves, tanks and shaft in steps of {} ms{halves}, {} cells; wave speeds changed by up \
         to {} % so that pipes fit the step",
        made_with.solver,
        significant(1e3 * made_with.dt_s, 3),
        made_with.cells,
        significant(100.0 * made_with.wave_speed_adjustment, 2)
    )
}

/// An emergency stop in a sentence.
pub fn emergency_words(stop: &SuddenStop, units: System) -> String {
    let speed = units.plain(stop.from_speed_rad_s, Dimension::Speed);
    let off = match stop.motor_off_after_s {
        off_s if off_s > 0.0 => format!("contactor released after {} ms", significant(1e3 * off_s, 2)),
        _ => "torque off at once".to_owned(),
    };
    format!(
        "Emergency stop at {speed} ({off}, then the rotor coasts; no ramp helps then): {}",
        sudden_words(stop, units)
    )
}

fn sudden_words(loss: &SuddenStop, units: System) -> String {
    let mut text = String::new();
    if loss.from_flow_m3_s.abs() < LEAST_FLOW_M3_S && loss.reverse_flow_m3_s < LEAST_FLOW_M3_S {
        return "no water moves before it nor after.".to_owned();
    }
    text.push_str(&match loss.flow_ends_after_s {
        Some(time_s) => format!("forward flow ends after {} s", significant(time_s, 3)),
        None => format!("forward flow has not ended after {} s", significant(loss.followed_s, 3)),
    });
    if loss.reverse_flow_m3_s > (LEAST_SHARE * loss.from_flow_m3_s).max(LEAST_FLOW_M3_S) {
        text.push_str(&format!(", up to {} backwards", units.plain(loss.reverse_flow_m3_s, Dimension::Flow)));
    }
    if loss.backspin_rad_s > LEAST_SHARE * loss.from_speed_rad_s {
        text.push_str(&format!(", backspin up to {}", units.plain(loss.backspin_rad_s, Dimension::Speed)));
    }
    if !loss.with_it.is_empty() {
        text.push_str(&format!(", with {} losing it at the same moment", loss.with_it.join(" and ")));
    }
    if loss.events.iter().any(|event| event.kind == EventKind::CavityOpened) {
        text.push_str(", vapour cavities open");
    }
    if let Some(shut) = loss.events.iter().find(|event| event.kind == EventKind::ControlValveShut) {
        text.push_str(&format!(", the control valve is shut after {} s", significant(shut.after_mark_s, 3)));
    }
    text.push('.');
    if let Some(separation) = &loss.separation {
        text.push_str(&format!(" Cavities: {}.", separation.words()));
    }
    text
}

/// Reverse flow and backspin below this share of the forward figures are not worth a word.
const LEAST_SHARE: f64 = 1e-3;
/// Flow below which no water is said to move, m3/s (0.0036 m3/h).
const LEAST_FLOW_M3_S: f64 = 1e-6;

/// A number as a cell; one that is none leaves it empty.
fn cell(value: Option<f32>) -> String {
    value.filter(|value| value.is_finite()).map_or_else(String::new, |value| value.to_string())
}

/// Writes every segment as CSV (RFC 4180): cycle, phase, time after the mark, all channels in SI with the unit in the
/// heading, the band's ends where there is one, flow through the pump, and what stands beside the channels. A figure that is
/// none (NPSH margin of a pump without water) leaves its cell empty.
pub fn write_csv(rig: &Rig, prediction: &Prediction, out: &mut dyn Write) -> io::Result<()> {
    write!(out, "cycle,phase,time_s")?;
    for channel in &rig.channels {
        write!(out, ",{}_{}", channel.id, unit(channel.quantity))?;
    }
    for end in ["lower", "upper"].iter().filter(|_| prediction.band.is_some()) {
        for channel in &rig.channels {
            write!(out, ",{}_{end}_{}", channel.id, unit(channel.quantity))?;
        }
    }
    write!(out, ",pump_flow_m3_s")?;
    for name in &prediction.beside {
        write!(out, ",{name}")?;
    }
    write!(out, "\r\n")?;
    for (number, segment) in prediction.segments.iter().enumerate() {
        let ends = prediction.band.as_ref().and_then(|band| band.segments.get(number));
        let phase = match segment.phase {
            Phase::Start => "start",
            Phase::Stop => "stop",
        };
        for (index, flow_m3_s) in segment.flow_m3_s.iter().enumerate() {
            let time_s = segment.t0_s + index as f64 * segment.dt_s;
            write!(out, "{},{phase},{time_s:.6}", segment.cycle)?;
            for series in &segment.series {
                write!(out, ",{}", cell(series.get(index).copied()))?;
            }
            for series in ends.iter().flat_map(|ends| ends.lower.iter().chain(&ends.upper)) {
                write!(out, ",{}", cell(series.get(index).copied()))?;
            }
            write!(out, ",{}", cell(Some(*flow_m3_s)))?;
            for series in &segment.beside {
                write!(out, ",{}", cell(series.get(index).copied()))?;
            }
            write!(out, "\r\n")?;
        }
    }
    Ok(())
}

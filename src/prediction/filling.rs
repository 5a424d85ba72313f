//! What a start with empty lines comes to: priming time, arrivals of the front, line-fill surge.

use super::events::{EventKind, PredictedEvent};
use super::{Prediction, Segment};
use crate::rig::model::{Quantity, Rig};
use crate::sequence::marks::Phase;
use crate::units::Dimension;
use crate::units::display::System;
use serde::Serialize;

/// The steady value is the mean of this much before the stop, s.
const STEADY_S: f64 = 1.0;

/// Surges below this are not worth a word, Pa.
const LEAST_SURGE_PA: f64 = 1.0e3;

/// Figures of the first start, all times after its mark.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Filling {
    /// Water at the pump, s.
    pub water_at_pump_s: Option<f64>,
    /// The pump carries the lift, s.
    pub primed_s: Option<f64>,
    /// Front at the end of each pipe, in words and s, in order of time.
    pub fronts: Vec<(String, f64)>,
    /// The whole discharge side full, s.
    pub line_full_s: Option<f64>,
    /// One entry a pressure channel: how far it rises after the line is full above its steady value before the stop.
    pub surges: Vec<Surge>,
}

/// The line-fill surge at one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Surge {
    /// Channel id.
    pub id: String,
    /// Largest after the line is full, Pa gauge.
    pub peak_pa: f64,
    /// Peak above the steady value before the stop, Pa; 0 where it does not rise above it.
    pub surge_pa: f64,
}

impl Filling {
    /// Figures of the first start; `None` where nothing fills.
    #[must_use]
    pub fn of(rig: &Rig, prediction: &Prediction) -> Option<Self> {
        let start = |event: &&PredictedEvent| event.cycle <= 1 && event.phase == Phase::Start;
        let events: Vec<&PredictedEvent> = prediction.events.iter().filter(start).collect();
        let first = |kind: EventKind| events.iter().find(|event| event.kind == kind).map(|event| event.after_mark_s);
        let arrived = events.iter().filter(|event| event.kind == EventKind::FrontArrived);
        let fronts: Vec<(String, f64)> = arrived.map(|event| (event.text.clone(), event.after_mark_s)).collect();
        let (water_at_pump_s, primed_s) = (first(EventKind::WaterAtPump), first(EventKind::Primed));
        if fronts.is_empty() && water_at_pump_s.is_none() {
            return None;
        }
        let line_full_s = first(EventKind::LineFull);
        let segment = prediction.segments.iter().find(|segment| segment.phase == Phase::Start);
        let surges = segment.zip(line_full_s).map_or_else(Vec::new, |(segment, full_s)| surges(rig, segment, full_s));
        Some(Self { water_at_pump_s, primed_s, fronts, line_full_s, surges })
    }
}

impl Filling {
    /// The line-fill surge of every channel that has one, in a line; `None` without any.
    #[must_use]
    pub fn surge_words(&self, units: System) -> Option<String> {
        let surges = self.surges.iter().filter(|surge| surge.surge_pa > LEAST_SURGE_PA).map(|surge| {
            let surge_pa = units.plain(surge.surge_pa, Dimension::Pressure);
            format!("{} {surge_pa}", surge.id)
        });
        let surges: Vec<String> = surges.collect();
        (!surges.is_empty())
            .then(|| format!("surge once the line is full, over the steady value: {}", surges.join(", ")))
    }
}

fn surges(rig: &Rig, segment: &Segment, full_s: f64) -> Vec<Surge> {
    let pressures = rig.channels.iter().zip(&segment.series).filter(|(c, _)| c.quantity == Quantity::GaugePressure);
    pressures.map(|(channel, series)| surge(&channel.id.0, segment, series, full_s)).collect()
}

fn surge(id: &str, segment: &Segment, series: &[f32], full_s: f64) -> Surge {
    let first = (((full_s - segment.t0_s) / segment.dt_s).floor().max(0.0) as usize).min(series.len());
    let last = ((STEADY_S / segment.dt_s).round() as usize).clamp(1, series.len().max(1));
    let tail = &series[series.len().saturating_sub(last)..];
    let steady_pa = tail.iter().map(|value| f64::from(*value)).sum::<f64>() / tail.len() as f64;
    let peak_pa = series[first..].iter().fold(f64::NEG_INFINITY, |most, value| most.max(f64::from(*value)));
    Surge { id: id.to_owned(), peak_pa, surge_pa: (peak_pa - steady_pa).max(0.0) }
}

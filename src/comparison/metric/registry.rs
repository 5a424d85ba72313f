//! The list of metrics, in the order in which faces show them.

use super::{
    NotMeasured, Reading, acceleration_time, rise_time, rmse, share_in_band, start_peak_rate, start_surge, stop_surge,
    stop_trough,
};
use crate::comparison::align::ChannelCycle;
use crate::rig::chain::Demand;
use serde::Serialize;

/// Which channels a metric is read on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// Every pressure channel; the headline channel speaks for the rig.
    Pressure,
    /// The tachometer.
    Speed,
}

/// What part of a cycle a metric looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Span {
    /// Start phase.
    Start,
    /// Stop phase.
    Stop,
    /// Both.
    Cycle,
}

/// Unit of a metric.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Unit {
    /// Pressure.
    #[serde(rename = "Pa")]
    Pascal,
    /// Rate of pressure.
    #[serde(rename = "Pa/s")]
    PascalPerSecond,
    /// Time.
    #[serde(rename = "s")]
    Second,
    /// Share, 0..1.
    #[serde(rename = "1")]
    Share,
}

/// How a metric is computed.
#[derive(Clone, Copy)]
pub enum Measure {
    /// From one series; done to the measured and to the predicted one.
    Alone(fn(&ChannelCycle) -> Reading),
    /// From the measured series against the predicted one.
    Against(fn(&ChannelCycle, &ChannelCycle) -> Reading),
}

/// A metric.
#[derive(Clone, Copy)]
pub struct Metric {
    /// Key stem; JSON appends the unit (`start_surge` -> `start_surge_pa`).
    pub id: &'static str,
    /// JSON key with unit.
    pub key: &'static str,
    /// JSON key of the predicted value; `None` where there is no such thing.
    pub predicted_key: Option<&'static str>,
    /// What a person reads.
    pub label: &'static str,
    /// Part of the cycle.
    pub span: Span,
    /// Unit.
    pub unit: Unit,
    /// Channels.
    pub subject: Subject,
    /// What it asks of the measuring chain.
    pub demand: Demand,
    /// Definition in words.
    pub formula: &'static str,
    /// Function.
    pub measure: Measure,
}

impl Metric {
    /// Value of the measured series; what its chain cannot support is withheld.
    pub fn measured(&self, measured: &ChannelCycle, predicted: &ChannelCycle) -> Reading {
        if let Some((_, why)) = measured.withheld.iter().find(|(demand, _)| *demand == self.demand) {
            return Err(NotMeasured::Withheld(*why));
        }
        match self.measure {
            Measure::Alone(of) => of(measured),
            Measure::Against(of) => of(measured, predicted),
        }
    }

    /// Value of the predicted series.
    pub fn predicted(&self, predicted: &ChannelCycle) -> Reading {
        match self.measure {
            Measure::Alone(of) => of(predicted).map_err(|why| match why {
                NotMeasured::NoPhase(_) => NotMeasured::NoPrediction,
                other => other,
            }),
            Measure::Against(_) => Err(NotMeasured::NoPrediction),
        }
    }
}

/// All metrics.
pub const METRICS: &[Metric] = &[
    Metric {
        id: "start_surge",
        key: "start_surge_pa",
        predicted_key: Some("start_surge_predicted_pa"),
        label: "start surge",
        span: Span::Start,
        unit: Unit::Pascal,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        formula: "largest pressure of the start phase less the final running level (mean of the last second)",
        measure: Measure::Alone(start_surge::measure),
    },
    Metric {
        id: "start_peak_rate",
        key: "start_peak_rate_pa_s",
        predicted_key: Some("start_peak_rate_predicted_pa_s"),
        label: "peak rate of rise",
        span: Span::Start,
        unit: Unit::PascalPerSecond,
        subject: Subject::Pressure,
        demand: Demand::Rate,
        formula: "largest rise of the pressure over 10 ms within the start phase, per s",
        measure: Measure::Alone(start_peak_rate::measure),
    },
    Metric {
        id: "rise_time",
        key: "rise_time_s",
        predicted_key: Some("rise_time_predicted_s"),
        label: "rise time",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Pressure,
        demand: Demand::Time,
        formula: "first passing of 10 % to first passing of 90 % of the way from rest to the final running level",
        measure: Measure::Alone(rise_time::measure),
    },
    Metric {
        id: "acceleration",
        key: "acceleration_s",
        predicted_key: Some("acceleration_predicted_s"),
        label: "acceleration time",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Speed,
        demand: Demand::Time,
        formula: "time zero of the start to the first passing of 95 % of the final running speed",
        measure: Measure::Alone(acceleration_time::measure),
    },
    Metric {
        id: "stop_surge",
        key: "stop_surge_pa",
        predicted_key: Some("stop_surge_predicted_pa"),
        label: "stop surge",
        span: Span::Stop,
        unit: Unit::Pascal,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        formula: "largest pressure after the first crossing of the final static level, less that level (mean of the last \
                  second)",
        measure: Measure::Alone(stop_surge::measure),
    },
    Metric {
        id: "stop_trough",
        key: "stop_trough_pa",
        predicted_key: Some("stop_trough_predicted_pa"),
        label: "stop trough",
        span: Span::Stop,
        unit: Unit::Pascal,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        formula: "smallest pressure after the first crossing of the final static level, less that level",
        measure: Measure::Alone(stop_trough::measure),
    },
    Metric {
        id: "rmse",
        key: "rmse_pa",
        predicted_key: None,
        label: "RMSE of prediction",
        span: Span::Cycle,
        unit: Unit::Pascal,
        subject: Subject::Pressure,
        demand: Demand::Level,
        formula: "root mean square of measured less predicted over start and stop phase, aligned",
        measure: Measure::Against(rmse::measure),
    },
    Metric {
        id: "share_in_band",
        key: "share_in_band",
        predicted_key: None,
        label: "inside the band",
        span: Span::Cycle,
        unit: Unit::Share,
        subject: Subject::Pressure,
        demand: Demand::Level,
        formula: "share of the measured samples of start and stop phase, aligned, that lie between the ends of the band \
                  about the prediction, or beyond them by no more than twice the channel's standard uncertainty",
        measure: Measure::Against(share_in_band::measure),
    },
];

/// A metric by its id.
pub fn metric(id: &str) -> Option<&'static Metric> {
    METRICS.iter().find(|metric| metric.id == id)
}

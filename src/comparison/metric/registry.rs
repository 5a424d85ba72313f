//! The list of metrics, in the order in which faces show them.

use super::{
    NotMeasured, Reading, acceleration_time, backspin, coast_down, energy, filling, force_impulse, front_arrival,
    inrush, no_flow, peak_against, ringing, rise_time, rmse, share_in_band, start_peak_rate, start_surge, stop_surge,
    stop_trough,
};
use crate::comparison::align::ChannelCycle;
use crate::rig::chain::Demand;
use crate::units::Dimension;
use crate::units::display::System;
use serde::Serialize;

/// Which channels a metric is read on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// Every pressure channel; the headline channel speaks for the rig.
    Pressure,
    /// The tachometer.
    Speed,
    /// A flow meter.
    Flow,
    /// The motor's line current.
    Current,
    /// The power drawn from the line.
    Power,
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
    /// Frequency.
    #[serde(rename = "Hz")]
    Hertz,
    /// Shaft speed.
    #[serde(rename = "rad/s")]
    RadPerSecond,
    /// Volume.
    #[serde(rename = "m3")]
    CubicMetre,
    /// Current.
    #[serde(rename = "A")]
    Ampere,
    /// Energy.
    #[serde(rename = "J")]
    Joule,
    /// Impulse.
    #[serde(rename = "N s")]
    NewtonSecond,
}

/// People read energy in kJ, and impulse in N s, in both systems of units.
const KILO: f64 = 1e-3;

impl Unit {
    /// What it is a unit of; of a rate: of what changes; of energy and impulse: of what is summed up.
    pub fn dimension(self) -> Dimension {
        match self {
            Self::Pascal | Self::PascalPerSecond | Self::NewtonSecond => Dimension::Pressure,
            Self::Second => Dimension::Time,
            Self::Share => Dimension::Share,
            Self::Hertz => Dimension::Frequency,
            Self::RadPerSecond => Dimension::Speed,
            Self::CubicMetre => Dimension::Volume,
            Self::Ampere => Dimension::Current,
            Self::Joule => Dimension::Power,
        }
    }

    /// As people of a system of units read it.
    pub fn text(self, system: System) -> String {
        let name = system.unit_name(self.dimension());
        match self {
            Self::PascalPerSecond => format!("{name}/s"),
            Self::Joule => "kJ".to_owned(),
            Self::NewtonSecond => "N s".to_owned(),
            _ => name.to_owned(),
        }
    }

    /// The number that they read for `si`.
    pub fn number(self, si: f64, system: System) -> f64 {
        match self {
            Self::Joule => KILO * si,
            Self::NewtonSecond => si,
            _ => system.number(si, self.dimension()),
        }
    }
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
    /// Runs are compared by it: each such metric makes every difference harder to tell, since it counts among the comparisons.
    pub judged: bool,
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

    /// Standard deviations of a time over those of one passing of a level at the steepest slope.
    pub fn noise_gain(&self) -> f64 {
        // 1.5 times one passing less half of another, on a front that begins half as steep as it becomes.
        if self.id == "front_arrival" { 2.0 * 2.5_f64.sqrt() } else { 1.0 }
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
        judged: true,
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
        judged: true,
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
        judged: true,
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
        judged: true,
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
        judged: true,
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
        judged: true,
        formula: "smallest pressure after the first crossing of the final static level, less that level",
        measure: Measure::Alone(stop_trough::measure),
    },
    Metric {
        id: "coast_down",
        key: "coast_down_s",
        predicted_key: Some("coast_down_predicted_s"),
        label: "coast-down time",
        span: Span::Stop,
        unit: Unit::Second,
        subject: Subject::Speed,
        demand: Demand::Time,
        judged: false,
        formula: "stop order to the first passing of 5 % of the speed before it",
        measure: Measure::Alone(coast_down::measure),
    },
    Metric {
        id: "backspin",
        key: "backspin_rad_s",
        predicted_key: Some("backspin_predicted_rad_s"),
        label: "backspin",
        span: Span::Stop,
        unit: Unit::RadPerSecond,
        subject: Subject::Speed,
        demand: Demand::Level,
        judged: false,
        formula: "largest speed against the running direction after the stop",
        measure: Measure::Alone(backspin::measure),
    },
    Metric {
        id: "no_flow",
        key: "no_flow_s",
        predicted_key: Some("no_flow_predicted_s"),
        label: "time to no flow",
        span: Span::Stop,
        unit: Unit::Second,
        subject: Subject::Flow,
        demand: Demand::Time,
        judged: false,
        formula: "stop order to the first passing of 2 % of the flow before it",
        measure: Measure::Alone(no_flow::time),
    },
    Metric {
        id: "reverse_volume",
        key: "reverse_volume_m3",
        predicted_key: Some("reverse_volume_predicted_m3"),
        label: "reverse volume",
        span: Span::Stop,
        unit: Unit::CubicMetre,
        subject: Subject::Flow,
        demand: Demand::Level,
        judged: false,
        formula: "integral of the flow against its running direction over the stop phase",
        measure: Measure::Alone(no_flow::reverse_volume),
    },
    Metric {
        id: "ringing",
        key: "ringing_hz",
        predicted_key: Some("ringing_predicted_hz"),
        label: "ringing after the stop",
        span: Span::Stop,
        unit: Unit::Hertz,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        judged: false,
        formula: "one over the median time between tops of the swings about the final static level",
        measure: Measure::Alone(ringing::frequency),
    },
    Metric {
        id: "damping",
        key: "damping",
        predicted_key: Some("damping_predicted"),
        label: "damping of the ringing",
        span: Span::Stop,
        unit: Unit::Share,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        judged: false,
        formula: "damping ratio by the logarithmic decrement from the first to the last of those tops",
        measure: Measure::Alone(ringing::damping),
    },
    Metric {
        id: "front_arrival",
        key: "front_arrival_s",
        predicted_key: Some("front_arrival_predicted_s"),
        label: "front arrival",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Pressure,
        demand: Demand::Time,
        judged: false,
        formula: "time zero of the start to where the straight line through the first passings of 10 % and 30 % of the way from rest to \
                  the final running level meets the level at rest",
        measure: Measure::Alone(front_arrival::measure),
    },
    Metric {
        id: "line_fill",
        key: "line_fill_s",
        predicted_key: Some("line_fill_predicted_s"),
        label: "line-fill time",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Pressure,
        demand: Demand::Time,
        judged: false,
        formula: "of a cycle that fills an empty line: time zero of the start to the first passing of 90 % of the way from rest to the \
                  final running level",
        measure: Measure::Alone(filling::time),
    },
    Metric {
        id: "line_fill_surge",
        key: "line_fill_surge_pa",
        predicted_key: Some("line_fill_surge_predicted_pa"),
        label: "line-fill surge",
        span: Span::Start,
        unit: Unit::Pascal,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        judged: false,
        formula: "of a cycle that fills an empty line: largest pressure after the line-fill time less the final running level",
        measure: Measure::Alone(filling::surge),
    },
    Metric {
        id: "priming",
        key: "priming_s",
        predicted_key: Some("priming_predicted_s"),
        label: "priming time",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Pressure,
        demand: Demand::Time,
        judged: false,
        formula: "of a cycle in which the pump first draws its water: time zero of the start to the first passing of half the way from \
                  rest to the final running level",
        measure: Measure::Alone(filling::priming),
    },
    Metric {
        id: "inrush",
        key: "inrush_a",
        predicted_key: Some("inrush_predicted_a"),
        label: "inrush current",
        span: Span::Start,
        unit: Unit::Ampere,
        subject: Subject::Current,
        demand: Demand::Peak,
        judged: false,
        formula: "largest RMS line current of the start phase",
        measure: Measure::Alone(inrush::measure),
    },
    Metric {
        id: "force_impulse",
        key: "force_impulse_n_s",
        predicted_key: Some("force_impulse_predicted_n_s"),
        label: "force impulse of the start",
        span: Span::Start,
        unit: Unit::NewtonSecond,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        judged: false,
        formula: "area named for the channel (bore at an end, 2 sin(angle / 2) times it at an elbow) times the integral of the \
                  pressure above the final running level over the swing that holds the largest pressure of the start phase",
        measure: Measure::Alone(force_impulse::measure),
    },
    Metric {
        id: "energy",
        key: "energy_j",
        predicted_key: Some("energy_predicted_j"),
        label: "energy of the cycle",
        span: Span::Cycle,
        unit: Unit::Joule,
        subject: Subject::Power,
        demand: Demand::Level,
        judged: false,
        formula: "integral of the line power over start and stop phase",
        measure: Measure::Alone(energy::measure),
    },
    Metric {
        id: "peak_ratio",
        key: "peak_ratio",
        predicted_key: None,
        label: "peak against prediction",
        span: Span::Start,
        unit: Unit::Share,
        subject: Subject::Pressure,
        demand: Demand::Peak,
        judged: false,
        formula: "rise from the level before the start to its peak, measured over predicted",
        measure: Measure::Against(peak_against::ratio),
    },
    Metric {
        id: "peak_time_error",
        key: "peak_time_error_s",
        predicted_key: None,
        label: "peak later than predicted",
        span: Span::Start,
        unit: Unit::Second,
        subject: Subject::Pressure,
        demand: Demand::Time,
        judged: false,
        formula: "time of the measured peak of the start less that of the predicted one, aligned",
        measure: Measure::Against(peak_against::time_error),
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
        judged: false,
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
        judged: false,
        formula: "share of the measured samples of start and stop phase, aligned, that lie between the ends of the band \
                  about the prediction, or beyond them by no more than twice the channel's standard uncertainty",
        measure: Measure::Against(share_in_band::measure),
    },
];

/// A metric by its id.
pub fn metric(id: &str) -> Option<&'static Metric> {
    METRICS.iter().find(|metric| metric.id == id)
}

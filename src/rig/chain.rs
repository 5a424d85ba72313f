//! A channel's measuring chain, and what follows from it: the frequency it is flat to, its delay, and which kinds of
//! reading it can support.

use crate::hydraulics::impulse_line::{ImpulseLine, LineMode};
use crate::rig::register_map::Role;
use crate::signal::loop_current;
use serde::{Deserialize, Serialize};

/// What a pressure sensor counts from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SensorReference {
    /// The atmosphere, through a vent.
    Gauge,
    /// A volume shut at the maker's, Pa absolute: reads the barometer as pressure.
    Sealed {
        /// Pressure in that volume, Pa absolute.
        at_pa: f64,
    },
    /// Vacuum.
    Absolute,
}

impl SensorReference {
    /// What is added to the sensor's own reading to make it gauge pressure at this atmosphere, Pa.
    pub fn to_gauge_pa(self, atmosphere_pa: f64) -> f64 {
        match self {
            Self::Gauge => 0.0,
            Self::Sealed { at_pa } => at_pa - atmosphere_pa,
            Self::Absolute => -atmosphere_pa,
        }
    }

    /// Word in files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Gauge => "gauge",
            Self::Sealed { .. } => "sealed",
            Self::Absolute => "absolute",
        }
    }
}

/// How the converter's input is coupled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// It holds a level.
    Dc,
    /// It forgets levels.
    Ac {
        /// High-pass corner, Hz.
        corner_hz: f64,
    },
}

/// What the sensor puts on its wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wiring {
    /// A voltage or bridge, or numbers; range ends are range ends.
    Direct,
    /// A current of 4 to 20 mA over the range, NE 43 levels beyond it.
    Loop,
}

/// An anti-alias filter before the converter (low-pass, Butterworth).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AntiAlias {
    /// 3 dB corner, Hz.
    pub corner_hz: f64,
    /// Order.
    pub order: u32,
}

/// Calibration as its certificate says.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Calibration {
    /// Date, `2026-03-14`; empty: not said.
    pub date: String,
    /// Last day on which it holds; empty: not said.
    pub due: String,
    /// Certificate; empty: not said.
    pub certificate: String,
    /// What it was held against; empty: not said.
    pub reference: String,
    /// Who made it; empty: not said.
    pub by: String,
    /// Counts by powers of the value, SI: counts = a + b x + c x2; `None`: range and counts are taken at their word.
    pub fit: Option<[f64; 3]>,
}

/// What a calibration is worth on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CalibrationState {
    /// None is known.
    Missing,
    /// It holds, or nobody said until when.
    InForce,
    /// Its last day is over, or its date is still to come.
    Expired,
}

impl Calibration {
    /// What it is worth on a day, `2026-03-14` (of a longer text the first ten characters; ISO dates sort as text).
    #[must_use]
    pub fn state(&self, day: &str) -> CalibrationState {
        let day = day.get(..10).unwrap_or(day);
        match (self.date.is_empty(), self.due.is_empty()) {
            (true, _) => CalibrationState::Missing,
            _ if self.date.as_str() > day => CalibrationState::Expired,
            (false, false) if self.due.as_str() < day => CalibrationState::Expired,
            _ => CalibrationState::InForce,
        }
    }

    /// The same in words.
    #[must_use]
    pub fn in_words(&self, day: &str) -> String {
        let certificate =
            if self.certificate.is_empty() { String::new() } else { format!(", certificate {}", self.certificate) };
        let until = if self.due.is_empty() { String::new() } else { format!(", holds until {}", self.due) };
        match self.state(day) {
            CalibrationState::Missing => "NOT CALIBRATED, as far as the rig file says".to_owned(),
            CalibrationState::InForce => format!("calibrated {}{until}{certificate}", self.date),
            CalibrationState::Expired if self.due.is_empty() || self.date.as_str() > day.get(..10).unwrap_or(day) => {
                format!("calibrated {}, AFTER this day{certificate}", self.date)
            }
            CalibrationState::Expired => {
                format!("calibration of {} EXPIRED on {}{certificate}", self.date, self.due)
            }
        }
    }
}

/// What an impulse line makes of the pressure at its tap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LineFigures {
    /// Lowest natural frequency, Hz.
    pub natural_hz: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Gain within 5 % up to here, Hz.
    pub flat_to_hz: f64,
}

/// Gain error up to which a line counts as flat.
const FLAT_ERROR: f64 = 0.05;

impl LineFigures {
    /// From a line.
    pub fn of(line: &ImpulseLine) -> Self {
        let mode @ LineMode { natural_hz, damping } = line.mode();
        Self { natural_hz, damping, flat_to_hz: mode.flat_to_hz(FLAT_ERROR) }
    }
}

/// A zero that was found and is taken off the readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Zero {
    /// Taken off, SI.
    pub offset: f64,
    /// `vented`, or `full-line` with the static pressure that was proven.
    pub against: String,
    /// When, UTC, RFC 3339.
    pub at_utc: String,
    /// Person who held the level.
    pub by: String,
}

/// How a channel that does not come with the fast frames is polled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Polled {
    /// Index into the rig's devices.
    pub device: usize,
    /// Its register there.
    pub role: Role,
    /// Polled every so often, s; held between two polls.
    pub every_s: f64,
    /// A value older than this is no value, s.
    pub max_age_s: f64,
}

/// The chain of a channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Chain {
    /// Reference; gauge for channels that measure no pressure.
    pub reference: SensorReference,
    /// The sensor's own bandwidth, Hz; 0: not known.
    pub sensor_bandwidth_hz: f64,
    /// Damping set at the transmitter, time constant, s.
    pub damping_s: f64,
    /// Anti-alias filter, where there is one.
    pub anti_alias: Option<AntiAlias>,
    /// Constant delay of the converter's digital filter, s; taken off the channel's times.
    pub group_delay_s: f64,
    /// Coupling.
    pub coupling: Coupling,
    /// Wiring.
    pub wiring: Wiring,
    /// How the sensor sits, in words.
    pub mounting: String,
    /// Its impulse line; `None`: flush.
    pub line: Option<LineFigures>,
    /// Calibration.
    pub calibration: Calibration,
    /// 2L/a of the line that the channel looks at, s: the shortest plateau a surge can have; 0: not known.
    pub plateau_s: f64,
    /// Zero in force.
    pub zero: Option<Zero>,
    /// Standard deviation with a starter energised and no flow, SI; `None`: not measured.
    pub noise_floor: Option<f64>,
    /// Polled, not sampled; `None`: it comes with the fast frames.
    #[serde(default)]
    pub polled: Option<Polled>,
    /// Area on which the pressure acts where pipework must hold against it, m2: the bore at an end, `2 sin(angle / 2)` times the
    /// bore at an elbow; `None`: the rig file names none.
    #[serde(default)]
    pub thrust_area_m2: Option<f64>,
}

impl Default for Chain {
    fn default() -> Self {
        Self {
            reference: SensorReference::Gauge,
            sensor_bandwidth_hz: 0.0,
            damping_s: 0.0,
            anti_alias: None,
            group_delay_s: 0.0,
            coupling: Coupling::Dc,
            wiring: Wiring::Direct,
            mounting: "flush".to_owned(),
            line: None,
            calibration: Calibration::default(),
            plateau_s: 0.0,
            zero: None,
            noise_floor: None,
            polled: None,
            thrust_area_m2: None,
        }
    }
}

/// What a kind of reading asks of a chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Demand {
    /// A steady level.
    Level,
    /// A peak against a steady level.
    Peak,
    /// A rate of rise, read over 10 ms.
    Rate,
    /// The time between two levels; speed is judged on the result itself.
    Time,
}

impl Demand {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Level, Self::Peak, Self::Rate, Self::Time];

    /// What a person reads.
    pub fn words(self) -> &'static str {
        match self {
            Self::Level => "levels",
            Self::Peak => "surge and trough",
            Self::Rate => "rates of rise",
            Self::Time => "rise times",
        }
    }
}

/// Why a chain cannot support a reading.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Unsupported {
    /// AC coupling.
    #[error("the converter is AC-coupled ({corner_hz:.3} Hz): it forgets every level it is read against")]
    AcCoupled {
        /// Corner, Hz.
        corner_hz: f64,
    },
    /// The impulse line rings within what the filter lets through.
    #[error(
        "the impulse line rings at {natural_hz:.1} Hz and is within 5 % only to {flat_to_hz:.1} Hz, the filter passes \
         {passes_hz:.1} Hz; try: a lower filter_class, a shorter or wider line, or bleed it"
    )]
    Rings {
        /// Natural frequency, Hz.
        natural_hz: f64,
        /// Flat to, Hz.
        flat_to_hz: f64,
        /// Passed by filter and chain, Hz.
        passes_hz: f64,
    },
    /// Too slow.
    #[error("the chain passes {passes_hz:.2} Hz, the reading needs {needs_hz:.2} Hz")]
    TooSlow {
        /// Passed, Hz.
        passes_hz: f64,
        /// Needed, Hz.
        needs_hz: f64,
    },
}

/// A first-order chain reaches 95 % of a plateau that lasts three of its time constants: 1 - exp(-3) (closed form).
const TIME_CONSTANTS_A_PLATEAU: f64 = 3.0;
/// Rise time times bandwidth (0.34 to 0.35 for first and second order; the closed forms are in the check values).
const RISE_TIMES_BANDWIDTH: f64 = 0.35;
/// Time over which a rate of rise is read, s.
const RATE_WINDOW_S: f64 = 0.01;

impl Chain {
    /// Bandwidth of sensor, transmitter damping and anti-alias filter together, Hz: 1 / B^2 is the sum of the parts',
    /// since rise times add by their squares. 0: not known.
    ///
    /// Range: parts of first or second order with little overshoot; exact for none of them, within about 10 % (common
    /// practice, no source). A time constant tau counts as B = 1 / (2 pi tau). The impulse line is not in it: it rings
    /// before it falls off.
    pub fn bandwidth_hz(&self) -> f64 {
        let damping_hz = (self.damping_s > 0.0).then(|| 1.0 / (std::f64::consts::TAU * self.damping_s));
        let parts = [Some(self.sensor_bandwidth_hz), damping_hz, self.anti_alias.map(|filter| filter.corner_hz)];
        let squares: f64 = parts.iter().flatten().filter(|hz| **hz > 0.0).map(|hz| (hz * hz).recip()).sum();
        match parts.iter().flatten().filter(|hz| **hz > 0.0).count() {
            0 => 0.0,
            1 => parts.iter().flatten().copied().fold(0.0, f64::max),
            _ => squares.sqrt().recip(),
        }
    }

    /// Highest frequency that the chain and the analysis filter of `filter_class` let through, Hz; infinite: no limit
    /// known. Half power of a class is at 5/3 of its number (SAE J211-1).
    pub fn passes_hz(&self, bandwidth_hz: f64, filter_class: u32) -> f64 {
        let chain_hz = if bandwidth_hz > 0.0 { bandwidth_hz } else { f64::INFINITY };
        if filter_class == 0 { chain_hz } else { chain_hz.min(f64::from(filter_class) * 5.0 / 3.0) }
    }

    /// Can the chain support this kind of reading, where `passes_hz` gets through chain and analysis filter?
    ///
    /// # Errors
    /// What stands in the way.
    pub fn supports(&self, demand: Demand, passes_hz: f64) -> Result<(), Unsupported> {
        if let (Coupling::Ac { corner_hz }, false) = (self.coupling, demand == Demand::Rate) {
            return Err(Unsupported::AcCoupled { corner_hz });
        }
        let dynamic = matches!(demand, Demand::Peak | Demand::Rate);
        if let Some(line) = self.line.filter(|line| dynamic && passes_hz > line.flat_to_hz) {
            let LineFigures { natural_hz, flat_to_hz, .. } = line;
            return Err(Unsupported::Rings { natural_hz, flat_to_hz, passes_hz });
        }
        let needs_hz = self.needs_hz(demand);
        if passes_hz < needs_hz { Err(Unsupported::TooSlow { passes_hz, needs_hz }) } else { Ok(()) }
    }

    fn needs_hz(&self, demand: Demand) -> f64 {
        match demand {
            Demand::Peak if self.plateau_s > 0.0 => TIME_CONSTANTS_A_PLATEAU / (std::f64::consts::TAU * self.plateau_s),
            Demand::Rate => RISE_TIMES_BANDWIDTH / RATE_WINDOW_S,
            _ => 0.0,
        }
    }

    /// Ends of what counts as measured, SI, for a sensor of this range: a loop carries 3.8 to 20.5 mA.
    pub fn measurable(&self, range: (f64, f64)) -> (f64, f64) {
        match self.wiring {
            Wiring::Direct => range,
            Wiring::Loop => {
                let at = |current_ma| loop_current::value_of(current_ma, range);
                (at(loop_current::LEAST_VALID_MA), at(loop_current::MOST_VALID_MA))
            }
        }
    }

    /// The loop's current at a value, mA; `None` where there is no loop.
    pub fn current_ma(&self, value: f64, range: (f64, f64)) -> Option<f64> {
        let share = (value - range.0) / (range.1 - range.0);
        (self.wiring == Wiring::Loop).then(|| loop_current::current_ma(share))
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    #[test]
    fn law_sealed_and_absolute_sensors_differ_from_gauge_by_the_barometer() {
        let sealed = SensorReference::Sealed { at_pa: 101_325.0 };
        assert_eq!(SensorReference::Gauge.to_gauge_pa(95_000.0), 0.0);
        assert_eq!(SensorReference::Absolute.to_gauge_pa(95_000.0), -95_000.0);
        assert_eq!(sealed.to_gauge_pa(95_000.0), 6_325.0, "a low barometer reads as pressure");
    }

    #[test]
    fn law_parts_of_a_chain_add_by_the_squares_of_their_rise_times() {
        let chain = Chain { sensor_bandwidth_hz: 300.0, ..Chain::default() };
        assert_eq!(chain.bandwidth_hz(), 300.0);
        let filtered = Chain { anti_alias: Some(AntiAlias { corner_hz: 400.0, order: 4 }), ..chain.clone() };
        assert!((filtered.bandwidth_hz() - 240.0).abs() < 1e-9, "3-4-5: {}", filtered.bandwidth_hz());
        let damped = Chain { damping_s: 0.2, ..chain };
        let tau_hz = 1.0 / (std::f64::consts::TAU * 0.2);
        assert!((damped.bandwidth_hz() / tau_hz - 1.0).abs() < 1e-5, "the slow part rules");
        assert_eq!(Chain::default().bandwidth_hz(), 0.0);
    }

    #[test]
    fn withholds_what_the_chain_cannot_carry_and_says_why() {
        let ac = Chain { coupling: Coupling::Ac { corner_hz: 0.05 }, ..Chain::default() };
        assert!(matches!(ac.supports(Demand::Peak, 300.0), Err(Unsupported::AcCoupled { .. })));
        assert_eq!(ac.supports(Demand::Rate, 300.0), Ok(()));
        let line = LineFigures { natural_hz: 50.0, damping: 0.01, flat_to_hz: 11.0 };
        let tapped = Chain { line: Some(line), plateau_s: 0.4, ..Chain::default() };
        assert!(matches!(tapped.supports(Demand::Peak, 100.0), Err(Unsupported::Rings { .. })));
        assert_eq!(tapped.supports(Demand::Peak, 10.0), Ok(()));
        assert!(matches!(tapped.supports(Demand::Rate, 10.0), Err(Unsupported::TooSlow { .. })));
        assert!(matches!(tapped.supports(Demand::Peak, 1.0), Err(Unsupported::TooSlow { .. })));
        assert_eq!(tapped.supports(Demand::Level, 1.0), Ok(()));
    }
}

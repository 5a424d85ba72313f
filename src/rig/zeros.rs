//! Holds at known levels, and what they say of the channels: zero, drift between before and after, coupling of the
//! converter, noise with a starter energised.
//!
//! Limits here are common practice, no source.

use super::chain::{Coupling, Zero};
use super::model::{Channel, Quantity, Rig};
use crate::signal::Scaling;
use crate::signal::quality::{TwoLevels, decay};
use serde::{Deserialize, Serialize};

/// A zero counts for this long, s: a day's work.
const AGE_S: f64 = 24.0 * 3600.0;
/// A zero beyond this share of the range is no zero but a fault.
const MOST_SHARE: f64 = 0.02;
/// Two levels must lie this share of the range apart to say anything of the coupling.
const APART_SHARE: f64 = 0.02;
/// A gain off by more is told.
const GAIN_ERROR: f64 = 0.02;

/// How a level was known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "how")]
pub enum Held {
    /// Open to the atmosphere.
    Vented,
    /// Static head of a line that was proven full.
    FullLine {
        /// Line-up.
        line_up: String,
    },
    /// A starter energised, no flow: noise, no level.
    Energised {
        /// Starter.
        starter: String,
    },
}

/// One channel over a hold, SI as the rig file's own scaling gives it (no zero taken off).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeldChannel {
    /// Channel id.
    pub id: String,
    /// True level; `None`: not known.
    pub known: Option<f64>,
    /// Mean of the first half.
    pub first: f64,
    /// Mean of the second half.
    pub second: f64,
    /// Standard deviation about its half's mean.
    pub noise: f64,
}

/// One hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hold {
    /// When, UTC, RFC 3339.
    pub at_utc: String,
    /// Person.
    pub by: String,
    /// Length, s.
    pub hold_s: f64,
    /// How the level was known.
    #[serde(flatten)]
    pub held: Held,
    /// Channels.
    pub channels: Vec<HeldChannel>,
}

impl HeldChannel {
    /// From samples of one channel.
    pub fn of(id: &str, known: Option<f64>, values: &[f64]) -> Option<Self> {
        use crate::signal::statistics::{mean, standard_deviation};
        let (first, second) = values.split_at(values.len() / 2);
        if first.len() < 2 {
            return None;
        }
        let noise = (0.5 * (standard_deviation(first).powi(2) + standard_deviation(second).powi(2))).sqrt();
        Some(Self { id: id.to_owned(), known, first: mean(first), second: mean(second), noise })
    }

    fn mean(&self) -> f64 {
        0.5 * (self.first + self.second)
    }

    /// Reading less truth.
    pub fn offset(&self) -> Option<f64> {
        Some(self.mean() - self.known?)
    }
}

/// Age of a hold, s; `None`: its time or the present one cannot be read. A clock that was set back makes it negative.
fn age_s(hold: &Hold, now_utc: &str) -> Option<f64> {
    let at = |text: &str| text.parse::<jiff::Timestamp>().ok();
    Some((at(now_utc)?.as_millisecond() - at(&hold.at_utc)?.as_millisecond()) as f64 * 1e-3)
}

/// Put the newest holds of the day into the rig's channels. Answers with what a person should know.
pub fn apply(rig: &mut Rig, holds: &[Hold], now_utc: &str) -> Vec<String> {
    let fresh: Vec<&Hold> =
        holds.iter().filter(|hold| age_s(hold, now_utc).is_some_and(|age_s| (-60.0..AGE_S).contains(&age_s))).collect();
    let mut words = Vec::new();
    for channel in &mut rig.channels {
        words.extend(couple(channel, &fresh));
        words.extend(zero(channel, &fresh));
        let energised = newest(&fresh, &channel.id.0, |held| matches!(held, Held::Energised { .. }));
        channel.chain.noise_floor = energised.map(|(_, held)| held.noise);
    }
    words
}

fn newest<'a>(holds: &[&'a Hold], id: &str, wanted: impl Fn(&Held) -> bool) -> Option<(&'a Hold, &'a HeldChannel)> {
    let mut newest = holds.iter().rev().filter(|hold| wanted(&hold.held));
    newest.find_map(|hold| Some((*hold, hold.channels.iter().find(|channel| channel.id == id)?)))
}

fn is_level(held: &Held) -> bool {
    matches!(held, Held::Vented | Held::FullLine { .. })
}

fn zero(channel: &mut Channel, fresh: &[&Hold]) -> Option<String> {
    if channel.quantity != Quantity::GaugePressure || matches!(channel.chain.coupling, Coupling::Ac { .. }) {
        return None;
    }
    let (hold, held) = newest(fresh, &channel.id.0, is_level)?;
    let offset = held.offset()?;
    let span = (channel.range.1 - channel.range.0).abs();
    if offset.abs() > MOST_SHARE * span {
        return Some(format!(
            "channel {}: a zero of {:.1} mbar is more than {:.0} % of its range and was not taken: look at sensor, range \
             and what the level was",
            channel.id,
            offset / 100.0,
            100.0 * MOST_SHARE
        ));
    }
    channel.scaling = Scaling { offset: channel.scaling.offset - offset, ..channel.scaling };
    let against = match &hold.held {
        Held::FullLine { line_up } => format!("full-line {line_up}, {:.0} Pa", held.known.unwrap_or(f64::NAN)),
        _ => "vented".to_owned(),
    };
    channel.chain.zero = Some(Zero { offset, against, at_utc: hold.at_utc.clone(), by: hold.by.clone() });
    None
}

/// Two-level check from the two newest holds at levels that lie apart.
fn couple(channel: &mut Channel, fresh: &[&Hold]) -> Option<String> {
    if channel.quantity != Quantity::GaugePressure {
        return None;
    }
    let of = |hold: &&Hold| {
        let held = hold.channels.iter().find(|held| held.id == channel.id.0)?;
        Some((hold.hold_s, held.known?, held.clone()))
    };
    let levels: Vec<_> = fresh.iter().filter(|hold| is_level(&hold.held)).filter_map(of).collect();
    let (hold_s, known, later) = levels.last()?;
    let span = (channel.range.1 - channel.range.0).abs();
    let (_, before_known, earlier) =
        levels.iter().rev().find(|(_, level, _)| (level - known).abs() > APART_SHARE * span)?;
    let before = earlier.second;
    match decay(later.first - before, later.second - before, *hold_s, known - before_known) {
        TwoLevels::Holds { gain } if (gain - 1.0).abs() > GAIN_ERROR => {
            Some(format!("channel {}: reads {gain:.3} of the step between two known levels", channel.id))
        }
        TwoLevels::Holds { .. } => None,
        TwoLevels::Decays { corner_hz } => {
            channel.chain.coupling = Coupling::Ac { corner_hz };
            Some(format!(
                "channel {}: AC-coupled (about {corner_hz:.3} Hz): it lost a level while it was held; what needs a level is withheld",
                channel.id
            ))
        }
        TwoLevels::Unseen { gain } => {
            // The step was forgotten before the hold began, or was never there: either way no level can be believed.
            let corner_hz = 1.0 / hold_s;
            channel.chain.coupling = Coupling::Ac { corner_hz };
            Some(format!(
                "channel {}: reads {gain:.2} of the step between two known levels: AC-coupled, another input, or dead; what \
                 needs a level is withheld",
                channel.id
            ))
        }
    }
}

/// Drift of each channel's zero between the two newest holds of one kind, SI.
pub fn drifts(holds: &[Hold]) -> Vec<(String, f64)> {
    let Some(last) = holds.last().filter(|hold| is_level(&hold.held)) else { return Vec::new() };
    let of = |channel: &HeldChannel| {
        let earlier = holds[..holds.len() - 1].iter().rev().filter(|hold| hold.held == last.held);
        let before = earlier.filter_map(|hold| hold.channels.iter().find(|held| held.id == channel.id)).next()?;
        Some((channel.id.clone(), channel.offset()? - before.offset()?))
    };
    last.channels.iter().filter_map(of).collect()
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    const NOW: &str = "2026-05-01T12:00:00.000Z";

    fn hold(at_utc: &str, held: Held, known: f64, first: f64, second: f64) -> Hold {
        let channel = HeldChannel { id: "p_discharge".into(), known: Some(known), first, second, noise: 30.0 };
        Hold { at_utc: at_utc.into(), by: "nobody".into(), hold_s: 10.0, held, channels: vec![channel] }
    }

    fn applied(holds: &[Hold]) -> (Channel, Vec<String>) {
        let text = crate::rig::shipped("terrace-bench").unwrap();
        let mut rig = crate::rig::parse(text, "terrace-bench.toml").unwrap();
        let words = apply(&mut rig, holds, NOW);
        (rig.channels.into_iter().find(|channel| channel.id.0 == "p_discharge").unwrap(), words)
    }

    #[test]
    fn takes_the_newest_zero_of_the_day_off_and_no_older_one() {
        let (plain, _) = applied(&[]);
        let old = hold("2026-04-29T12:00:00Z", Held::Vented, 0.0, 900.0, 900.0);
        let new = hold("2026-05-01T11:00:00Z", Held::Vented, 0.0, 500.0, 520.0);
        let (channel, words) = applied(&[old.clone(), new]);
        assert_eq!(words, Vec::<String>::new());
        assert_eq!(channel.scaling.offset, plain.scaling.offset - 510.0);
        assert_eq!(channel.chain.zero.unwrap().offset, 510.0);
        assert_eq!(applied(&[old]).0.chain.zero, None, "two days old");
    }

    #[test]
    fn refuses_a_zero_that_is_a_fault() {
        let (channel, words) = applied(&[hold("2026-05-01T11:00:00Z", Held::Vented, 0.0, 9e4, 9e4)]);
        assert_eq!(channel.chain.zero, None);
        assert!(words[0].contains("was not taken"), "{words:?}");
    }

    #[test]
    fn tells_an_ac_coupled_converter_by_two_levels() {
        let full = Held::FullLine { line_up: "terrace".into() };
        let vented = hold("2026-05-01T10:00:00Z", Held::Vented, 0.0, 0.0, 0.0);
        let holds = hold("2026-05-01T11:00:00Z", full.clone(), 6e4, 6.01e4, 6.01e4);
        let (channel, words) = applied(&[vented.clone(), holds]);
        assert_eq!((channel.chain.coupling, words.len()), (Coupling::Dc, 0), "{words:?}");
        assert!((channel.chain.zero.unwrap().offset - 100.0).abs() < 1e-9);
        let forgets = hold("2026-05-01T11:00:00Z", full, 6e4, 4e4, 1e4);
        let (channel, words) = applied(&[vented, forgets]);
        let Coupling::Ac { corner_hz } = channel.chain.coupling else { panic!("{words:?}") };
        let expected = (4.0_f64).ln() / (std::f64::consts::PI * 10.0);
        assert!((corner_hz - expected).abs() < 1e-12, "expected {expected} got {corner_hz} Hz (closed form)");
        assert_eq!(channel.chain.zero, None, "a level that is lost is no zero");
    }

    #[test]
    fn reports_the_drift_between_before_and_after() {
        let before = hold("2026-05-01T08:00:00Z", Held::Vented, 0.0, 500.0, 500.0);
        let after = hold("2026-05-01T11:00:00Z", Held::Vented, 0.0, 740.0, 760.0);
        assert_eq!(drifts(&[before.clone(), after]), vec![("p_discharge".to_owned(), 250.0)]);
        assert_eq!(drifts(&[before]), vec![]);
    }
}

//! Cables of two pressure sensors that are exchanged: at rest each shows what is predicted of the other. Trips and the whole
//! comparison would look at the wrong place, and nothing else tells.

use crate::prediction::Prediction;
use crate::rig::model::{Quantity, Rig};
use crate::sequence::marks::Phase;

/// What a level or the day's barometer may make of a pressure at rest, Pa.
const SLACK_PA: f64 = 2_000.0;
/// The calibration's standard uncertainty counts so many times.
const COVERAGE: f64 = 2.0;
/// So many times what is left open, two pressures differ before they are told apart.
const APART: f64 = 4.0;

/// A pressure channel at rest, Pa gauge.
#[derive(Debug, Clone, Copy)]
struct AtRest {
    measured_pa: f64,
    predicted_pa: f64,
    open_pa: f64,
}

/// Pairs of channels that show one another's pressure before the first start, in words.
pub(super) fn exchanged(rig: &Rig, prediction: &Prediction, measured: &[f64]) -> Vec<String> {
    let Some(first) = prediction.segments.iter().find(|segment| segment.phase == Phase::Start) else {
        return Vec::new();
    };
    let at_rest = |index: usize| {
        let channel = rig.channels.get(index)?;
        let predicted = prediction.channels.iter().position(|id| *id == channel.id)?;
        let predicted_pa = f64::from(*first.series.get(predicted)?.first()?);
        let open_pa = SLACK_PA + COVERAGE * channel.calibration_u;
        let rests = AtRest { measured_pa: *measured.get(index)?, predicted_pa, open_pa };
        (channel.quantity == Quantity::GaugePressure).then_some((channel.id.0.as_str(), rests))
    };
    let all: Vec<_> = (0..rig.channels.len()).filter_map(at_rest).collect();
    let pairs = all.iter().enumerate().flat_map(|(at, one)| all[at + 1..].iter().map(move |other| (one, other)));
    pairs.filter(|(one, other)| crossed(one.1, other.1)).map(|(one, other)| words(*one, *other)).collect()
}

fn crossed(one: AtRest, other: AtRest) -> bool {
    let open_pa = one.open_pa.max(other.open_pa);
    let near = |measured_pa: f64, predicted_pa: f64| (measured_pa - predicted_pa).abs() < open_pa;
    (one.predicted_pa - other.predicted_pa).abs() > APART * open_pa
        && near(one.measured_pa, other.predicted_pa)
        && near(other.measured_pa, one.predicted_pa)
}

fn words((one, at): (&str, AtRest), (other, beside): (&str, AtRest)) -> String {
    let bar = |pa: f64| pa * 1e-5;
    format!(
        "{one} shows {:.2} bar and {other} {:.2} bar at rest, each what is predicted of the other ({:.2} and {:.2} bar): are their \
         cables exchanged? try: `input` of both in the rig file, or the plugs",
        bar(at.measured_pa),
        bar(beside.measured_pa),
        bar(at.predicted_pa),
        bar(beside.predicted_pa)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(measured_pa: f64, predicted_pa: f64) -> AtRest {
        AtRest { measured_pa, predicted_pa, open_pa: 4_000.0 }
    }

    #[test]
    fn tells_two_that_show_one_anothers_pressure_and_no_others() {
        assert!(crossed(at(29_500.0, 63_000.0), at(62_000.0, 29_000.0)), "exchanged");
        assert!(!crossed(at(63_500.0, 63_000.0), at(28_000.0, 29_000.0)), "as predicted");
        assert!(!crossed(at(0.0, 63_000.0), at(0.0, 29_000.0)), "a drained line");
        assert!(!crossed(at(33_000.0, 30_000.0), at(30_000.0, 33_000.0)), "too much alike to be told apart");
        assert!(!crossed(at(f64::NAN, 63_000.0), at(62_000.0, 29_000.0)), "not known");
    }
}

//! Set points that the program's own controller holds: whether they settle, by the predicted run itself.

use crate::rig::derived::answer_to_speed_pa;
use crate::rig::model::{Quantity, Rig};
use crate::sequence::script::Script;
use crate::sequence::step::Step;
use crate::sequence::step::held::Held;
use crate::starters::set_point::SetPointSettings;
use std::collections::BTreeMap;

/// Fewer ticks than this in a hold say nothing.
const TICKS_LEAST: usize = 12;
/// A swing up to this share of the span is no swing.
const QUIET_SHARE: f64 = 0.02;
/// The swing of the last quarter of a hold that is below this share of the quarter before it dies away.
const DYING_SHARE: f64 = 0.7;
/// Share of the gain at which the loop swings for ever that is told as one to try (half: a gain margin of 2, common
/// practice, no source).
const MARGIN: f64 = 0.5;

/// What the controller saw at each of its ticks, by instruction.
#[derive(Debug, Clone, Default)]
pub(super) struct HeldLooks(BTreeMap<usize, Vec<f64>>);

impl HeldLooks {
    /// A tick of the hold at `instruction`.
    pub(super) fn tick(&mut self, instruction: usize, value: Option<f64>) {
        self.0.entry(instruction).or_default().extend(value);
    }

    /// A warning for each hold (each line of the file once) whose value goes on swinging.
    pub(super) fn warnings(&self, rig: &Rig, script: &Script) -> Vec<String> {
        let mut warnings: BTreeMap<usize, String> = BTreeMap::new();
        for (at, values) in &self.0 {
            let Some(instruction) = script.program.get(*at) else { continue };
            let Step::Hold(hold) = &instruction.step else { continue };
            let Some(Held::Program { channel, settings }) = &hold.held else { continue };
            let Some((low, high)) = endless_swing(values, settings.span.abs()) else { continue };
            let Some(channel) = rig.channels.get(*channel) else { continue };
            let words = || match channel.quantity {
                Quantity::Flow => flow_words(&channel.id.0, settings, (low, high)),
                _ => words(rig, &channel.id.0, settings, (low, high)),
            };
            warnings.entry(instruction.line).or_insert_with(words);
        }
        warnings.into_values().collect()
    }
}

/// Ends of a swing that does not die away; `None`: it is quiet, dies away, or was too short to tell.
fn endless_swing(values: &[f64], span: f64) -> Option<(f64, f64)> {
    if values.len() < TICKS_LEAST {
        return None;
    }
    let quarter = values.len() / 4;
    let ends = |part: &[f64]| {
        part.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)))
    };
    let (before, last) = values[values.len() - 2 * quarter..].split_at(quarter);
    let ((low, high), (before_low, before_high)) = (ends(last), ends(before));
    let goes_on = high - low > QUIET_SHARE * span && high - low > DYING_SHARE * (before_high - before_low);
    goes_on.then_some((low, high))
}

fn words(rig: &Rig, channel: &str, settings: &SetPointSettings, (low_pa, high_pa): (f64, f64)) -> String {
    let answer_pa = answer_to_speed_pa(rig, settings.highest_speed);
    let most = settings.most_gain(answer_pa.copysign(settings.span));
    let bar = |pa: f64| pa * 1e-5;
    format!(
        "the set point of {channel} ({:.2} bar gauge) is not held: at the program's ticks it goes on swinging between {:.2} and \
         {:.2} bar. The pump answers a change of speed by up to {:.1} bar a full share at once; with integral_time {} s and a tick \
         of {} s a gain of {:.2} swings for ever, {} is set; try {:.2}",
        bar(settings.set_point),
        bar(low_pa),
        bar(high_pa),
        bar(answer_pa),
        settings.integral_s,
        settings.tick_s,
        most,
        settings.gain,
        MARGIN * most.min(settings.gain)
    )
}

/// A flow follows a change of speed by the water's own inertia: no gain at which it swings for ever is known beforehand.
fn flow_words(channel: &str, settings: &SetPointSettings, (low_m3_s, high_m3_s): (f64, f64)) -> String {
    let cubic_metres_an_hour = |m3_s: f64| 3600.0 * m3_s;
    format!(
        "the set point of {channel} ({:.2} m3/h) is not held: at the program's ticks it goes on swinging between {:.2} and {:.2} \
         m3/h with a gain of {}; try {:.2}",
        cubic_metres_an_hour(settings.set_point),
        cubic_metres_an_hour(low_m3_s),
        cubic_metres_an_hour(high_m3_s),
        settings.gain,
        MARGIN * settings.gain
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(share: f64) -> Vec<f64> {
        (0..40).map(|k| if k % 2 == 0 { share.powi(k) } else { -share.powi(k) }).collect()
    }

    #[test]
    fn tells_a_swing_that_goes_on_from_one_that_dies_away() {
        assert_eq!(endless_swing(&wave(1.0), 1.0), Some((-1.0, 1.0)));
        assert_eq!(endless_swing(&wave(0.9), 1.0), None, "dies away");
        assert_eq!(endless_swing(&wave(1.0), 200.0), None, "a hundredth of the span is quiet");
        assert_eq!(endless_swing(&wave(1.0)[..8], 1.0), None, "too short");
    }
}

//! Does a pump that was started prime, and does it keep its water? Pure: a trip of cause `not-primed` names a channel, the
//! value above which the pump counts as primed, and how long it may take; afterwards the channel may fall below that value
//! for the trip's debounce, no longer. Both are judged at every look from the start order to the stop.

use super::observations::Observations;
use crate::rig::model::{Rig, TripCause};
use crate::starters::StopKind;

/// What the machine needs to know of the rig's trip for a pump that does not prime.
#[derive(Debug, Clone, PartialEq)]
pub struct PrimingRules {
    /// Index into the rig's trips.
    pub trip: usize,
    /// Id of the trip.
    pub id: String,
    /// Channel, index into the rig's.
    pub channel: usize,
    /// Id of the channel.
    pub channel_id: String,
    /// Primed from here on, SI.
    pub above: f64,
    /// Time to get there after a start, s.
    pub within_s: f64,
    /// Time below it afterwards, s.
    pub debounce_s: f64,
    /// Starts in vain, one after the other, after which somebody has to say that the cause is mended.
    pub tries: u32,
    /// Kind of stop.
    pub stop: StopKind,
    /// Line-ups in which the pump has to prime, indices into the rig's.
    pub line_ups: Vec<usize>,
}

/// What is remembered since a start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priming {
    since_s: f64,
    primed: bool,
    below_since_s: Option<f64>,
}

/// What a look comes to.
#[derive(Debug, Clone, PartialEq)]
pub enum Judged {
    /// Nothing new.
    Nothing,
    /// Primed just now, this long after the start, s.
    Primed(f64),
    /// The run ends: why.
    Dry(String),
}

impl PrimingRules {
    /// Those of the rig's first such trip.
    pub fn of(rig: &Rig) -> Option<Self> {
        let (trip, declared) = rig.trips.iter().enumerate().find(|(_, trip)| trip.cause == TripCause::NotPrimed)?;
        let (channel, above) = (declared.channel?, declared.above?);
        let priming = declared.priming.as_ref()?;
        Some(Self {
            trip,
            id: declared.id.clone(),
            channel,
            channel_id: rig.channels.get(channel)?.id.0.clone(),
            above,
            within_s: priming.within_s,
            debounce_s: declared.debounce_s,
            tries: priming.tries,
            stop: declared.stop,
            line_ups: priming.line_ups.clone(),
        })
    }
}

impl Priming {
    /// A start was ordered at `now_s`.
    pub fn since(now_s: f64) -> Self {
        Self { since_s: now_s, primed: false, below_since_s: None }
    }

    /// A look at rig time `now_s`. A channel that is not known says nothing: whatever lost it ends the run by itself.
    pub fn look(&mut self, rules: &PrimingRules, seen: &Observations, now_s: f64) -> Judged {
        let Some(value) = seen.mean_of(rules.channel) else { return Judged::Nothing };
        let (id, channel) = (&rules.id, &rules.channel_id);
        if value > rules.above {
            self.below_since_s = None;
            if std::mem::replace(&mut self.primed, true) {
                return Judged::Nothing;
            }
            return Judged::Primed(now_s - self.since_s);
        }
        if !self.primed {
            let vain = now_s - self.since_s >= rules.within_s;
            let text = || {
                format!(
                    "trip {id}: {channel} read {value:.6} {} s after the start, a primed pump gives more than {} (SI): it \
                     does not prime",
                    rules.within_s, rules.above
                )
            };
            return if vain { Judged::Dry(text()) } else { Judged::Nothing };
        }
        let below_s = now_s - *self.below_since_s.get_or_insert(now_s);
        if below_s < rules.debounce_s {
            return Judged::Nothing;
        }
        Judged::Dry(format!(
            "trip {id}: {channel} read {value:.6} or less for {below_s:.1} s, a primed pump gives more than {} (SI): it runs \
             without water",
            rules.above
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules() -> PrimingRules {
        PrimingRules {
            trip: 0,
            id: "dry".to_owned(),
            channel: 0,
            channel_id: "p".to_owned(),
            above: 10.0,
            within_s: 30.0,
            debounce_s: 4.0,
            tries: 2,
            stop: StopKind::Coast,
            line_ups: vec![0],
        }
    }

    fn reads(value: f64) -> Observations {
        Observations { stream_alive: true, mean: vec![value], ..Observations::default() }
    }

    #[test]
    fn ends_a_start_in_vain_at_its_time_and_not_before() {
        let mut priming = Priming::since(100.0);
        for now_s in [100.0, 129.9] {
            assert_eq!(priming.look(&rules(), &reads(10.0), now_s), Judged::Nothing, "{now_s} s");
        }
        assert!(
            matches!(priming.look(&rules(), &reads(10.0), 130.0), Judged::Dry(why) if why.contains("does not prime"))
        );
        assert_eq!(Priming::since(0.0).look(&rules(), &reads(f64::NAN), 99.0), Judged::Nothing, "an unknown value");
    }

    #[test]
    fn tells_once_that_it_primed_then_bears_a_short_fall_and_no_long_one() {
        let mut priming = Priming::since(0.0);
        assert_eq!(priming.look(&rules(), &reads(11.0), 12.5), Judged::Primed(12.5));
        assert_eq!(priming.look(&rules(), &reads(11.0), 40.0), Judged::Nothing);
        assert_eq!(priming.look(&rules(), &reads(9.0), 50.0), Judged::Nothing);
        assert_eq!(priming.look(&rules(), &reads(11.0), 53.9), Judged::Nothing, "back in time");
        assert_eq!(priming.look(&rules(), &reads(9.0), 60.0), Judged::Nothing);
        assert_eq!(priming.look(&rules(), &reads(9.0), 63.9), Judged::Nothing);
        assert!(matches!(priming.look(&rules(), &reads(9.0), 64.0), Judged::Dry(why) if why.contains("without water")));
    }
}

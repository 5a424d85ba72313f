//! Trips watched by the sampling thread itself: limits sample by sample, and the loss of the stream.
//!
//! Thresholds are turned into raw counts once, so that a sample costs two comparisons. Debounce and blanking count in
//! rig time. A gap does not clear a limit that was passed before it: what happened in the gap is unknown, and unknown is
//! held against the plant. A trip acts once an arming; arming the same trip again with the same `from_rig_ns` keeps its
//! state, so the set may be sent as often as the caller likes.

use super::decode::Bounds;
use super::{Setup, rig_ns_of};
use crate::clock::WallClock;
use crate::rig::model::{Trip, TripCause};
use crate::sequence::ports::{ArmedTrip, TripEvent};
use crate::signal::{Block, Scaling};

/// A limit in raw counts.
#[derive(Debug, Clone, Copy)]
struct Limit {
    input: usize,
    scaling: Scaling,
    /// Offends when counts are larger.
    over: Option<i32>,
    /// Offends when counts are smaller.
    under: Option<i32>,
    debounce_frames: u64,
    from_frame: u64,
}

impl Limit {
    fn new(trip: &Trip, setup: &Setup, from_rig_ns: u64) -> Option<Self> {
        let input = *setup.inputs.get(trip.channel?)?;
        let rate_hz = setup.source.rate_hz;
        let at = |value: Option<f64>| value.map(|value| (value - input.scaling.offset) / input.scaling.scale);
        // A falling converter turns an upper limit in SI into a lower one in counts.
        let (upper, lower) =
            if input.scaling.scale > 0.0 { (at(trip.above), at(trip.below)) } else { (at(trip.below), at(trip.above)) };
        Some(Self {
            input: input.position,
            scaling: input.scaling,
            over: upper.map(|counts| counts.floor() as i32),
            under: lower.map(|counts| counts.ceil() as i32),
            debounce_frames: (trip.debounce_s * rate_hz).round().max(0.0) as u64,
            from_frame: (from_rig_ns as f64 * 1e-9 * rate_hz).ceil() as u64,
        })
    }

    fn offends(&self, counts: i32) -> bool {
        self.over.is_some_and(|limit| counts > limit) || self.under.is_some_and(|limit| counts < limit)
    }
}

/// An armed trip with its state.
struct Armed {
    armed: ArmedTrip,
    trip: Trip,
    limit: Option<Limit>,
    /// Frame and counts of the first sample of the present excursion.
    passed: Option<(u64, i32)>,
    acted: bool,
}

impl Armed {
    /// First sample of an excursion that lasted long enough, if this block completes one.
    fn look(&mut self, block: &Block) -> Option<(u64, f64)> {
        let limit = self.limit.as_ref().filter(|_| !self.acted)?;
        let skip = usize::try_from(limit.from_frame.saturating_sub(block.first_frame)).unwrap_or(usize::MAX);
        let samples = block.counts.iter().skip(limit.input).step_by(block.channels);
        for (frame, &counts) in (block.first_frame..).zip(samples).skip(skip) {
            if !limit.offends(counts) {
                self.passed = None;
                continue;
            }
            let (since, first) = *self.passed.get_or_insert((frame, counts));
            if frame - since >= limit.debounce_frames {
                return Some((since, limit.scaling.to_si(first)));
            }
        }
        None
    }

    fn same_arming(&self, other: &ArmedTrip) -> bool {
        self.armed.trip == other.trip && self.armed.from_rig_ns == other.from_rig_ns
    }

    /// Pull the line.
    fn act(&mut self, at_rig_ns: u64, value: f64, cause: &str, clock: &dyn WallClock) -> TripEvent {
        self.acted = true;
        let acted_wall_ns = clock.now_ns();
        self.armed.stop_line.stop(self.trip.stop, cause);
        TripEvent { trip: self.armed.trip, at_rig_ns, acted_wall_ns, value }
    }
}

/// All armed trips of the sampling thread.
#[derive(Default)]
pub struct Limits {
    armed: Vec<Armed>,
    /// Within these no trip has anything to look at.
    bounds: Bounds,
}

impl Limits {
    /// Replace the set. An index that the rig does not have, or a limit trip without a channel, cannot come from a
    /// checked rig; it is left out with an error in the log.
    pub fn arm(&mut self, trips: Vec<ArmedTrip>, setup: &Setup) {
        let before = std::mem::take(&mut self.armed);
        for armed in trips {
            let Some(trip) = setup.trips.get(armed.trip).cloned() else {
                tracing::error!(trip = armed.trip, "the rig has no such trip: not armed");
                continue;
            };
            let limit = Limit::new(&trip, setup, armed.from_rig_ns).filter(|_| trip.cause == TripCause::Limit);
            if limit.is_none() && trip.cause == TripCause::Limit {
                tracing::error!(trip = %trip.id, "limit trip without a channel of this rig: not armed");
                continue;
            }
            let known = before.iter().find(|known| known.same_arming(&armed));
            let (passed, acted) = known.map_or((None, false), |known| (known.passed, known.acted));
            self.armed.push(Armed { armed, trip, limit, passed, acted });
        }
        self.bounds = Bounds::open(setup.frame_channels());
        self.narrow_bounds();
    }

    fn narrow_bounds(&mut self) {
        for limit in self.armed.iter().filter(|armed| !armed.acted).filter_map(|armed| armed.limit.as_ref()) {
            self.bounds.narrow(limit.input, limit.over, limit.under);
        }
    }

    /// Look at every sample of a block; act at once on what has lasted long enough.
    pub fn check(&mut self, block: &Block, rate_hz: f64, clock: &dyn WallClock, events: &mut Vec<TripEvent>) {
        if self.armed.is_empty() {
            return;
        }
        // One pass over all channels at once; a trip looks for itself only where something is outside, or where its
        // limit was passed before.
        let calm = self.bounds.hold(&block.counts, block.channels);
        let before = events.len();
        for armed in self.armed.iter_mut().filter(|armed| !calm || armed.passed.is_some()) {
            if let Some((frame, value)) = armed.look(block) {
                let at_rig_ns = rig_ns_of(frame, rate_hz);
                let cause = format!("trip {}: {value:.6} SI at {:.4} s", armed.trip.id, at_rig_ns as f64 * 1e-9);
                events.push(armed.act(at_rig_ns, value, &cause, clock));
            }
        }
        if events.len() > before {
            // What has acted is not looked for any more.
            self.bounds = Bounds::open(block.channels);
            self.narrow_bounds();
        }
    }

    /// The stream is lost: act on the trips armed for that. Blanking does not hold them back, since rig time stands
    /// still without a stream.
    pub fn stream_lost(&mut self, newest_ns: u64, why: &str, clock: &dyn WallClock, events: &mut Vec<TripEvent>) {
        for armed in self.armed.iter_mut().filter(|a| a.trip.cause == TripCause::StreamLost && !a.acted) {
            let cause = format!("trip {}: {why}", armed.trip.id);
            events.push(armed.act(newest_ns, f64::NAN, &cause, clock));
        }
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;
    use crate::acquisition::{Input, made_source};
    use crate::clock::ManualClock;
    use crate::sequence::ports::{Heard, StopLine};
    use crate::starters::StopKind;
    use std::sync::Arc;

    const RATE_HZ: f64 = 10_000.0;

    fn trip(above: Option<f64>, below: Option<f64>, debounce_s: f64) -> Trip {
        Trip {
            id: "p_high".to_owned(),
            cause: TripCause::Limit,
            channel: Some(0),
            above,
            below,
            debounce_s,
            blanking_s: 0.0,
            stop: StopKind::Ramp,
            deadline_s: 5.0,
            later_s: 3.0,
            priming: None,
        }
    }

    fn setup(trip: Trip, scale: f64) -> Setup {
        Setup {
            source: made_source(RATE_HZ),
            inputs: vec![Input::plain(1, Scaling { scale, offset: 100.0 })],
            trips: vec![trip],
        }
    }

    /// Two channels; the second holds `counts`, the first offends always.
    fn block(first_frame: u64, counts: &[i32]) -> Block {
        let counts = counts.iter().flat_map(|&c| [i32::MAX, c]).collect();
        Block { first_frame, missing_before: 0, channels: 2, counts, arrived_wall_ns: 0 }
    }

    struct Bench {
        limits: Limits,
        setup: Setup,
        line: Arc<Heard>,
        events: Vec<TripEvent>,
    }

    impl Bench {
        fn new(trip: Trip, scale: f64) -> Self {
            let setup = setup(trip, scale);
            Self { limits: Limits::default(), setup, line: Arc::default(), events: Vec::new() }
        }
        fn arm(&mut self, from_rig_ns: u64) {
            let stop_line = Arc::clone(&self.line) as Arc<dyn StopLine>;
            self.limits.arm(vec![ArmedTrip { trip: 0, from_rig_ns, stop_line }], &self.setup);
        }
        fn check(&mut self, block: &Block) -> usize {
            self.limits.check(block, RATE_HZ, &ManualClock::at(77), &mut self.events);
            self.line.0.lock().unwrap().len()
        }
    }

    #[test]
    fn acts_on_the_first_sample_over_the_limit_and_only_once() {
        let mut bench = Bench::new(trip(Some(110.0), None, 0.0), 0.5);
        bench.arm(0);
        assert_eq!(bench.check(&block(0, &[0, 20, 20])), 0, "110 exactly is not above 110");
        assert_eq!(bench.check(&block(3, &[20, 21, 99])), 1);
        assert_eq!(bench.check(&block(6, &[99; 50])), 1, "one action an arming");
        let event = &bench.events[0];
        assert_eq!((event.at_rig_ns, event.value, event.acted_wall_ns), (400_000, 110.5, 77));
        let said = bench.line.0.lock().unwrap()[0].clone();
        assert_eq!(said, (StopKind::Ramp, "trip p_high: 110.500000 SI at 0.0004 s".to_owned()));
    }

    #[test]
    fn waits_out_the_debounce_across_blocks_and_gaps_and_forgets_shorter_excursions() {
        let mut bench = Bench::new(trip(Some(110.0), None, 0.001), 0.5);
        bench.arm(0);
        assert_eq!(bench.check(&block(0, &[30; 10])), 0, "0.9 ms");
        assert_eq!(bench.check(&block(10, &[0, 30, 30])), 0, "back under the limit, then again");
        assert_eq!(bench.check(&block(20, &[30])), 0, "0.9 ms after frame 11");
        assert_eq!(bench.check(&block(21, &[30])), 1, "1 ms after frame 11, the gap between does not clear it");
        assert_eq!(bench.events[0].at_rig_ns, 1_100_000);
    }

    #[test]
    fn looks_at_nothing_before_the_blanking_has_passed() {
        let mut bench = Bench::new(trip(None, Some(90.0), 0.0), 0.5);
        bench.arm(500_000);
        assert_eq!(bench.check(&block(0, &[-99; 5])), 0);
        assert_eq!(bench.check(&block(5, &[0, 0, -99])), 1);
        assert_eq!(bench.events[0].at_rig_ns, 700_000);
    }

    #[test]
    fn keeps_its_state_when_armed_again_alike_and_starts_afresh_when_armed_anew() {
        let mut bench = Bench::new(trip(Some(110.0), None, 0.0), 0.5);
        bench.arm(0);
        bench.check(&block(0, &[50]));
        bench.arm(0);
        assert_eq!(bench.check(&block(1, &[50])), 1);
        bench.arm(200_000);
        assert_eq!(bench.check(&block(2, &[50])), 2);
    }

    #[test]
    fn turns_the_limit_round_for_a_falling_converter() {
        let mut bench = Bench::new(trip(Some(110.0), None, 0.0), -0.5);
        bench.arm(0);
        assert_eq!(bench.check(&block(0, &[-20, 99])), 0, "-20 counts are 110 exactly, 99 counts are low");
        assert_eq!(bench.check(&block(2, &[-21])), 1);
        assert_eq!(bench.events[0].value, 110.5);
    }
}

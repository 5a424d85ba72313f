//! The sampling thread: read, check limits, publish, hand to the recorder. Its own OS thread, so that nothing that waits
//! elsewhere delays a stop.
//!
//! Order within a turn: orders are taken after the read and before the check, so that every frame that arrives after
//! trips were armed is looked at; limits come before anything that could wait.

use super::beside::Beside;
use super::hub::Hub;
use super::limits::Limits;
use super::rig_ns_of;
use super::source::{Source, SourceError};
use crate::clock::WallClock;
use crate::sequence::ports::TripEvent;
use crate::signal::Block;
use std::sync::Arc;
use std::time::Duration;

/// Wait for an order while the stream is closed.
const CLOSED_WAIT: Duration = Duration::from_millis(50);
/// Longest wait for a full recorder queue while the stream keeps pace with the wall clock: the next limit check is late
/// by as much.
const PATIENCE_REAL_TIME: Duration = Duration::from_millis(5);
/// The same while the sender is paced by this very reader, as a share of the longest allowed age: its plant stands still
/// meanwhile, but the wait must not make the stream look stale.
const PATIENCE_PACED: f64 = 0.5;

/// Whether the sender runs ahead of the wall clock, so that it must be paced by this reader.
#[derive(Debug, Default)]
struct Pace {
    wall_ns: u64,
    rig_ns: u64,
    opened_wall_ns: u64,
    opened_rig_ns: u64,
    hurried: bool,
}

impl Pace {
    /// Compare over stretches of at least a quarter of a second; backlog after a hiccup lasts less.
    const STRETCH_NS: u64 = 250_000_000;
    /// A sender that is this far ahead of the wall clock since the beginning is hurried, whatever the stretch says: it may fill
    /// a queue before the first stretch is over.
    const AHEAD_NS: u64 = 1_000_000_000;

    fn observe(&mut self, rig_ns: u64, wall_ns: u64) {
        if self.opened_wall_ns == 0 {
            (self.opened_wall_ns, self.opened_rig_ns) = (wall_ns, rig_ns);
        }
        let since_wall = wall_ns.saturating_sub(self.opened_wall_ns);
        let ahead = rig_ns.saturating_sub(self.opened_rig_ns) > since_wall + Self::AHEAD_NS;
        let (rig, wall) = (rig_ns.saturating_sub(self.rig_ns), wall_ns.saturating_sub(self.wall_ns));
        if self.wall_ns == 0 || wall >= Self::STRETCH_NS {
            self.hurried = self.wall_ns != 0 && rig > wall + wall / 2;
            (self.wall_ns, self.rig_ns) = (wall_ns, rig_ns);
        }
        self.hurried |= ahead;
    }

    fn patience(&self, max_age_ns: u64) -> Duration {
        if self.hurried { Duration::from_nanos(max_age_ns).mul_f64(PATIENCE_PACED) } else { PATIENCE_REAL_TIME }
    }
}

/// The thread's own data.
pub struct Sampler {
    hub: Arc<Hub>,
    source: Box<dyn Source>,
    clock: Arc<dyn WallClock>,
    limits: Limits,
    pace: Pace,
    blocks: Vec<Block>,
    events: Vec<TripEvent>,
    beside: Beside,
    open: bool,
    stale: bool,
    /// Why a polled channel has no value.
    slow_stale: Option<String>,
    ordered_end: bool,
}

impl Sampler {
    /// A sampler for an open source.
    pub fn new(hub: Arc<Hub>, source: Box<dyn Source>, clock: Arc<dyn WallClock>) -> Self {
        Self {
            hub,
            source,
            clock,
            limits: Limits::default(),
            pace: Pace::default(),
            blocks: Vec::new(),
            events: Vec::new(),
            beside: Beside::nothing(),
            open: true,
            stale: false,
            slow_stale: None,
            ordered_end: false,
        }
    }

    /// With channels that are polled.
    pub fn beside(mut self, beside: Beside) -> Self {
        self.beside = beside;
        self
    }

    /// Until told to end.
    pub fn run(mut self) {
        while !self.ordered_end {
            let read = if self.open {
                self.source.read(&mut self.blocks)
            } else {
                self.hub.wait_order(CLOSED_WAIT);
                Ok(())
            };
            self.take_orders();
            self.look_beside();
            self.deliver();
            self.hub.say(self.source.said());
            match read {
                Err(error) => self.closed(&error),
                Ok(()) => self.watch_age(),
            }
            self.hub.add_events(&mut self.events);
        }
    }

    fn take_orders(&mut self) {
        let orders = self.hub.take_orders();
        self.ordered_end |= orders.shutdown;
        if let Some(trips) = orders.arm {
            self.limits.arm(trips, self.hub.setup());
            self.act_if_already_lost();
        }
        if orders.reconnect && !self.open {
            self.reconnect();
        }
    }

    /// A polled value that has grown too old is lost like the stream itself; a newer one ends that.
    fn look_beside(&mut self) {
        let stale = self.beside.stale(self.clock.now_ns());
        if let Some(why) = stale.as_ref().filter(|_| self.slow_stale.is_none()) {
            self.lost(why);
        }
        self.slow_stale = stale;
        for block in &mut self.blocks {
            self.beside.widen(block);
        }
    }

    fn act_if_already_lost(&mut self) {
        if !self.open || self.stale || self.slow_stale.is_some() {
            let why = "the sample stream was lost before the trip was armed";
            self.limits.stream_lost(self.hub.newest_rig_ns(), why, &*self.clock, &mut self.events);
        }
    }

    fn deliver(&mut self) {
        if self.blocks.is_empty() {
            return;
        }
        let rate_hz = self.hub.setup().source.rate_hz;
        for block in &self.blocks {
            self.limits.check(block, rate_hz, &*self.clock, &mut self.events);
        }
        // A trip that acted is visible no later than the frames that made it act.
        self.hub.add_events(&mut self.events);
        let blocks: Vec<Arc<Block>> = self.blocks.drain(..).map(Arc::new).collect();
        self.hub.publish(&blocks, self.source.counts(), self.slow_stale.as_deref());
        self.stale = false;
        for block in blocks {
            let end = block.first_frame + block.frames() as u64;
            self.pace.observe(rig_ns_of(end, rate_hz), block.arrived_wall_ns);
            self.hub.record(block, self.pace.patience(self.hub.max_age_ns()));
        }
    }

    fn closed(&mut self, error: &SourceError) {
        self.open = false;
        self.lost(&error.to_string());
    }

    /// A stream that stays open and gives no frame is lost as well; frames that come again end that.
    fn watch_age(&mut self) {
        let age_ns = self.hub.age_wall_ns();
        if self.open && !self.stale && age_ns > self.hub.max_age_ns() {
            self.stale = true;
            self.lost(&self.hub.stale_text(age_ns, self.source.counts()));
        }
    }

    fn lost(&mut self, why: &str) {
        self.hub.publish_counts(self.source.counts());
        self.limits.stream_lost(self.hub.newest_rig_ns(), why, &*self.clock, &mut self.events);
        // A trip that acted is visible no later than the loss that made it act.
        self.hub.add_events(&mut self.events);
        self.hub.declare_lost(why);
    }

    /// The frames missed meanwhile are estimated from wall time, since the new stream's timestamps start anywhere.
    fn reconnect(&mut self) {
        let rate_hz = self.hub.setup().source.rate_hz;
        let missing = if self.pace.hurried { 0.0 } else { self.hub.age_wall_ns() as f64 * 1e-9 * rate_hz };
        match self.source.reopen(missing as u64) {
            Ok(()) => {
                (self.open, self.stale) = (true, false);
                self.hub.declare_reopened();
            }
            Err(error) => self.lost(&error.to_string()),
        }
    }
}

impl Drop for Sampler {
    /// However the thread ends, nobody may take the last samples for the present; an end that nobody ordered (a panic)
    /// counts as a lost stream and pulls the lines.
    fn drop(&mut self) {
        let why = if self.ordered_end { "sampling was ended" } else { "the sampling thread ended unexpectedly" };
        if !self.ordered_end {
            self.limits.stream_lost(self.hub.newest_rig_ns(), why, &*self.clock, &mut self.events);
            self.hub.add_events(&mut self.events);
        }
        self.hub.declare_lost(why);
        self.hub.detach_recorder();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquisition::depacketizer::StreamCounts;
    use crate::acquisition::{Input, Setup, made_source};
    use crate::clock::{ManualClock, RigClock};
    use crate::rig::model::{Trip, TripCause};
    use crate::sequence::ports::{ArmedTrip, Heard, StopLine};
    use crate::signal::Scaling;
    use crate::starters::StopKind;

    /// Reads nothing once, then breaks.
    struct Broken(StreamCounts, bool);

    impl Source for Broken {
        fn read(&mut self, _: &mut Vec<Block>) -> Result<(), SourceError> {
            assert!(!std::mem::replace(&mut self.1, true), "on purpose");
            Ok(())
        }
        fn reopen(&mut self, _: u64) -> Result<(), SourceError> {
            Ok(())
        }
        fn counts(&self) -> &StreamCounts {
            &self.0
        }
    }

    #[test]
    fn stops_the_motor_when_the_sampling_thread_panics() {
        let trip = Trip {
            id: "stream-lost".to_owned(),
            cause: TripCause::StreamLost,
            channel: None,
            above: None,
            below: None,
            debounce_s: 0.0,
            blanking_s: 0.0,
            stop: StopKind::Ramp,
            deadline_s: 5.0,
            later_s: 3.0,
            priming: None,
        };
        let input = Input::plain(0, Scaling { scale: 1.0, offset: 0.0 });
        let clock = Arc::new(ManualClock::at(1));
        let setup = Setup { source: made_source(10_000.0), inputs: vec![input], trips: vec![trip] };
        let hub = Arc::new(Hub::new(setup, clock.clone(), RigClock::default()));
        let line = Arc::new(Heard::default());
        let stop_line = Arc::clone(&line) as Arc<dyn StopLine>;
        hub.order(|orders| orders.arm = Some(vec![ArmedTrip { trip: 0, from_rig_ns: 0, stop_line }]));
        let sampler = Sampler::new(hub, Box::new(Broken(StreamCounts::default(), false)), clock);
        assert!(std::thread::spawn(move || sampler.run()).join().is_err(), "it panicked");
        let said = line.0.lock().unwrap().clone();
        let cause = "trip stream-lost: the sampling thread ended unexpectedly".to_owned();
        assert_eq!(said, [(StopKind::Ramp, cause)]);
    }
}

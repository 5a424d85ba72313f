//! What the sampling thread shares with everybody else: the recent past, the state of the stream, trips to arm and trips
//! that acted, the recorder's queue.
//!
//! Two locks, both held for microseconds: `state` (written by the sampling thread, read by ports and faces) and `orders`
//! (written by ports, read by the thread). The recorder's queue is bounded; who waits for how long is said at
//! [`Hub::record`].

use super::depacketizer::StreamCounts;
use super::recent::{CountSpan, Recent};
use super::timebase::{Fit, Timebase};
use super::{Input, LiveMinMax, Setup, Statistics, rig_ns_of};
use crate::clock::{RigClock, WallClock};
use crate::sequence::ports::{ArmedTrip, SamplePort, SampleView, TripEvent};
use crate::signal::{Block, Scaling};
use crossbeam_channel::{Receiver, SendTimeoutError, Sender, TrySendError};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Span of the mean in a view, s of rig time.
const MEAN_S: f64 = 0.1;
/// Span of largest less smallest in a view, s of rig time.
const SPAN_S: f64 = 1.0;

/// Lines of the source that wait to be taken.
const SAID_KEPT: usize = 100;

/// Written by the sampling thread.
struct State {
    recent: Recent,
    timebase: Timebase,
    counts: StreamCounts,
    last_arrival_ns: u64,
    lost: Option<String>,
    events: Vec<TripEvent>,
    recorder: Option<Sender<Arc<Block>>>,
    recorder_full: bool,
    statistics: Statistics,
    /// What the source said and nobody took yet, at most [`SAID_KEPT`] lines.
    said: VecDeque<String>,
}

/// Orders to the sampling thread.
#[derive(Default)]
pub struct Orders {
    /// New set of armed trips.
    pub arm: Option<Vec<ArmedTrip>>,
    /// Connect again.
    pub reconnect: bool,
    /// End.
    pub shutdown: bool,
}

impl Orders {
    fn pending(&self) -> bool {
        self.arm.is_some() || self.reconnect || self.shutdown
    }
}

/// The meeting place.
pub struct Hub {
    setup: Setup,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
    state: Mutex<State>,
    changed: Condvar,
    orders: Mutex<Orders>,
    /// Something lies in `orders`: the sampling thread takes that lock only then, since whoever holds it may be made to
    /// wait for the processor, and a stop would wait with it.
    any_order: AtomicBool,
    ordered: Condvar,
}

impl Hub {
    /// A hub for a stream that has just been opened.
    pub fn new(setup: Setup, clock: Arc<dyn WallClock>, rig_clock: RigClock) -> Self {
        let state = State {
            recent: Recent::new(setup.frame_channels(), setup.source.rate_hz),
            timebase: Timebase::default(),
            counts: StreamCounts::default(),
            last_arrival_ns: clock.now_ns(),
            lost: None,
            events: Vec::new(),
            recorder: None,
            recorder_full: false,
            statistics: Statistics::default(),
            said: VecDeque::new(),
        };
        Self {
            setup,
            clock,
            rig_clock,
            state: Mutex::new(state),
            changed: Condvar::new(),
            orders: Mutex::new(Orders::default()),
            any_order: AtomicBool::new(false),
            ordered: Condvar::new(),
        }
    }

    /// What the rig says.
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    // A poisoned lock means that a reader panicked; the numbers under it are whole between statements, and sampling must
    // go on.
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn orders(&self) -> MutexGuard<'_, Orders> {
        self.orders.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Leave an order for the sampling thread.
    pub fn order(&self, give: impl FnOnce(&mut Orders)) {
        give(&mut self.orders());
        self.any_order.store(true, SeqCst);
        self.ordered.notify_all();
    }

    /// Orders given since the last call.
    pub fn take_orders(&self) -> Orders {
        if self.any_order.swap(false, SeqCst) { std::mem::take(&mut *self.orders()) } else { Orders::default() }
    }

    /// Wait until there is an order or the time-out passes.
    pub fn wait_order(&self, timeout: Duration) {
        let waited = self.ordered.wait_timeout_while(self.orders(), timeout, |orders| !orders.pending());
        drop(waited.unwrap_or_else(PoisonError::into_inner));
    }

    /// Blocks arrived: show them to everybody but the recorder. Clears `lost`, unless a polled channel has no value.
    pub fn publish(&self, blocks: &[Arc<Block>], counts: &StreamCounts, slow_stale: Option<&str>) {
        let mut state = self.state();
        for block in blocks {
            state.recent.push(block);
            state.last_arrival_ns = block.arrived_wall_ns;
            let newest_ns = rig_ns_of(state.recent.end_frame().saturating_sub(1), self.setup.source.rate_hz);
            state.timebase.arrived(newest_ns, block.arrived_wall_ns);
            self.rig_clock.publish_ns(newest_ns);
        }
        state.counts.clone_from(counts);
        state.lost = slow_stale.map(str::to_owned);
        drop(state);
        self.changed.notify_all();
    }

    /// Counters moved without a frame.
    pub fn publish_counts(&self, counts: &StreamCounts) {
        self.state().counts.clone_from(counts);
    }

    /// Wall time since the newest frame arrived (or since the stream was opened), ns.
    pub fn age_wall_ns(&self) -> u64 {
        self.clock.now_ns().saturating_sub(self.state().last_arrival_ns)
    }

    /// Longest allowed age, ns.
    pub fn max_age_ns(&self) -> u64 {
        (self.setup.source.max_age_s * 1e9) as u64
    }

    /// Why a stream of this age counts as stale.
    pub fn stale_text(&self, age_ns: u64, counts: &StreamCounts) -> String {
        let source = &self.setup.source;
        let age_s = age_ns as f64 * 1e-9;
        let refused = counts.last_refusal.map_or_else(String::new, |last| {
            format!("; {} packets refused, the last one because: {last}", counts.refused)
        });
        format!("{}: no frame for {age_s:.2} s (limit {} s){refused}", source.address, source.max_age_s)
    }

    /// The stream is lost.
    pub fn declare_lost(&self, why: &str) {
        let mut state = self.state();
        state.statistics.losses += u64::from(state.lost.is_none());
        state.lost = Some(why.to_owned());
        drop(state);
        tracing::info!(why, "sample stream lost");
        self.changed.notify_all();
    }

    /// The connection is open again: age counts from now.
    pub fn declare_reopened(&self) {
        let mut state = self.state();
        state.statistics.reconnections += 1;
        state.last_arrival_ns = self.clock.now_ns();
        state.timebase = Timebase::default();
        state.lost = None;
    }

    /// Newest frame, rig ns.
    pub fn newest_rig_ns(&self) -> u64 {
        rig_ns_of(self.state().recent.end_frame().saturating_sub(1), self.setup.source.rate_hz)
    }

    /// Words of the source; of those that nobody takes the oldest go first.
    pub fn say(&self, lines: Vec<String>) {
        if lines.is_empty() {
            return;
        }
        let mut state = self.state();
        state.said.extend(lines);
        let beyond = state.said.len().saturating_sub(SAID_KEPT);
        state.said.drain(..beyond);
    }

    /// Words of the source since the last call.
    pub fn take_said(&self) -> Vec<String> {
        self.state().said.drain(..).collect()
    }

    /// Trips acted.
    pub fn add_events(&self, events: &mut Vec<TripEvent>) {
        if !events.is_empty() {
            self.state().events.append(events);
            self.changed.notify_all();
        }
    }

    /// Hand a block to the recorder, if one is attached. A full queue is waited for at most `patience`, once; then
    /// blocks are dropped, counted and reported as `recorder behind` until the queue takes one again.
    pub fn record(&self, block: Arc<Block>, patience: Duration) {
        let (recorder, full) = {
            let state = self.state();
            (state.recorder.clone(), state.recorder_full)
        };
        let Some(recorder) = recorder else { return };
        let frames = block.frames() as u64;
        let sent = match recorder.try_send(block) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(block)) if !full => recorder.send_timeout(block, patience),
            Err(TrySendError::Full(block)) => Err(SendTimeoutError::Timeout(block)),
            Err(TrySendError::Disconnected(block)) => Err(SendTimeoutError::Disconnected(block)),
        };
        self.recorded(frames, recorder.len() as u64, sent.err());
    }

    fn recorded(&self, frames: u64, queued: u64, failed: Option<SendTimeoutError<Arc<Block>>>) {
        let mut state = self.state();
        state.statistics.recorder_queue_most = state.statistics.recorder_queue_most.max(queued);
        match failed {
            None => state.recorder_full = false,
            Some(SendTimeoutError::Disconnected(_)) => state.recorder = None,
            Some(SendTimeoutError::Timeout(_)) => {
                if !state.recorder_full {
                    tracing::error!(queued, "recorder behind: blocks are being dropped");
                }
                state.recorder_full = true;
                state.statistics.recorder_behind = true;
                state.statistics.recorder_behind_blocks += 1;
                state.statistics.recorder_behind_frames += frames;
            }
        }
    }

    /// Attach a recorder's queue; an earlier one is detached.
    pub fn attach_recorder(&self, capacity: usize) -> Receiver<Arc<Block>> {
        let (sender, receiver) = crossbeam_channel::bounded(capacity);
        let mut state = self.state();
        state.recorder = Some(sender);
        state.recorder_full = false;
        state.statistics.recorder_behind = false;
        receiver
    }

    /// Detach it: the receiver ends after what is queued.
    pub fn detach_recorder(&self) {
        self.state().recorder = None;
    }

    /// Counters.
    pub fn statistics(&self) -> Statistics {
        let state = self.state();
        Statistics { stream: state.counts.clone(), ..state.statistics.clone() }
    }

    /// Fit of the device clock.
    pub fn timebase(&self) -> Option<Fit> {
        self.state().timebase.fit()
    }

    /// Decimated stretch after `rig_ns`.
    pub fn live_since(&self, rig_ns: u64, max_intervals: usize) -> LiveMinMax {
        let rate_hz = self.setup.source.rate_hz;
        let after = (rig_ns as f64 * 1e-9 * rate_hz).round() as u64;
        let piece = self.state().recent.decimate(after, max_intervals);
        let spans = |position: usize| piece.channels.get(position).map_or(&[][..], Vec::as_slice);
        let channel = |scaling: Scaling, spans: &[CountSpan]| spans.iter().map(|s| span_si(scaling, *s)).collect();
        LiveMinMax {
            t0_s: piece.first_frame as f64 / rate_hz,
            dt_s: piece.width as f64 / rate_hz,
            channels: self.setup.inputs.iter().map(|i| channel(i.scaling, spans(i.position))).collect(),
        }
    }

    fn view_of(&self, state: &State) -> SampleView {
        let age_wall_ns = self.clock.now_ns().saturating_sub(state.last_arrival_ns);
        let inputs = &self.setup.inputs;
        let (mean, span) = (state.recent.mean(MEAN_S), state.recent.span(SPAN_S));
        let (square, ends) = (state.recent.mean_square(MEAN_S), state.recent.ends(MEAN_S));
        // The age is judged here too: a sampling thread that hangs must not look alive.
        let stale = || (age_wall_ns > self.max_age_ns()).then(|| self.stale_text(age_wall_ns, &state.counts));
        SampleView {
            newest_rig_ns: rig_ns_of(state.recent.end_frame().saturating_sub(1), self.setup.source.rate_hz),
            age_wall_ns,
            mean: inputs.iter().map(|i| level(i, mean[i.position], square[i.position])).collect(),
            unbelievable: inputs.iter().map(|i| unbelievable(i, ends[i.position])).collect(),
            span_1s: inputs.iter().map(|i| i.scaling.scale.abs() * span[i.position]).collect(),
            frames: state.counts.frames,
            frames_missing: state.counts.frames_missing,
            lost: state.lost.clone().or_else(stale),
        }
    }
}

/// The mean in SI; of what swings about zero the RMS value, over a whole number of half cycles of 50 and of 60 Hz.
fn level(input: &Input, mean: f64, square: f64) -> f64 {
    let Scaling { scale, offset } = input.scaling;
    match input.waveform {
        false => offset + scale * mean,
        true => (scale * scale * square + 2.0 * scale * offset * mean + offset * offset).max(0.0).sqrt(),
    }
}

/// Every sample at or beyond an end of what can be believed.
fn unbelievable(input: &Input, ends: CountSpan) -> bool {
    let (Some((low, high)), Some((least, most))) = (input.believable, ends) else { return false };
    most <= low || least >= high
}

/// Smallest and largest in SI; a falling converter swaps them; `NaN` where all frames are missing.
fn span_si(scaling: Scaling, span: CountSpan) -> (f32, f32) {
    let Some((least, most)) = span else { return (f32::NAN, f32::NAN) };
    let (a, b) = (scaling.to_si(least) as f32, scaling.to_si(most) as f32);
    (a.min(b), a.max(b))
}

/// The executor's side of the hub.
pub struct Port(pub Arc<Hub>);

impl SamplePort for Port {
    fn view(&self) -> SampleView {
        self.0.view_of(&self.0.state())
    }

    fn arm(&self, trips: Vec<ArmedTrip>) {
        self.0.order(|orders| orders.arm = Some(trips));
    }

    fn take_trips(&self) -> Vec<TripEvent> {
        std::mem::take(&mut self.0.state().events)
    }

    /// Also returns when the stream turns lost or a trip acts meanwhile.
    fn wait_newer(&self, after_rig_ns: u64, timeout: Duration) -> SampleView {
        let rate_hz = self.0.setup.source.rate_hz;
        let state = self.0.state();
        let was_lost = state.lost.is_some();
        let nothing_new = |state: &mut State| {
            let newest_ns = rig_ns_of(state.recent.end_frame().saturating_sub(1), rate_hz);
            newest_ns <= after_rig_ns && state.lost.is_some() == was_lost && state.events.is_empty()
        };
        let waited = self.0.changed.wait_timeout_while(state, timeout, nothing_new);
        let (state, _) = waited.unwrap_or_else(PoisonError::into_inner);
        self.0.view_of(&state)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquisition::made_source;
    use crate::clock::ManualClock;

    const RATE_HZ: f64 = 10_000.0;
    /// 0.1 % of the value: half cycles are whole, what is left is rounding to counts.
    const SHARE: f64 = 1e-3;

    fn view_of(counts: impl Fn(f64) -> i32, input: Input) -> SampleView {
        let setup = Setup { source: made_source(RATE_HZ), inputs: vec![input], trips: Vec::new() };
        let hub = Hub::new(setup, Arc::new(ManualClock::at(0)), RigClock::default());
        let counts: Vec<i32> = (0..2_000).map(|k| counts(f64::from(k) / RATE_HZ)).collect();
        let block = Block { first_frame: 0, missing_before: 0, channels: 1, counts, arrived_wall_ns: 0 };
        hub.publish(&[Arc::new(block)], &StreamCounts::default(), None);
        Port(Arc::new(hub)).view()
    }

    /// What a welded contact looks like on the bare signal of a current transformer.
    #[test]
    fn law_a_current_as_it_swings_counts_by_its_rms_value() {
        let scaling = Scaling { scale: 1e-3, offset: 0.5 };
        for line_hz in [50.0, 60.0] {
            // 7 A rms at any phase, over counts of 1 mA with a zero of 0.5 A.
            let counts = |t: f64| {
                ((7.0 * 2.0_f64.sqrt() * (std::f64::consts::TAU * line_hz * t + 0.7).sin() - 0.5) / 1e-3).round() as i32
            };
            let got = view_of(counts, Input { waveform: true, ..Input::plain(0, scaling) }).mean[0];
            assert!((got - 7.0).abs() < 7.0 * SHARE, "{line_hz} Hz: expected 7 A, got {got} A (sine, closed form)");
            let mean = view_of(counts, Input::plain(0, scaling)).mean[0];
            assert!(mean.abs() < 0.01, "its mean says nothing: {mean} A");
        }
        let none = view_of(|_| -500, Input { waveform: true, ..Input::plain(0, scaling) }).mean[0];
        assert!(none.abs() < 1e-9, "no current: {none} A");
    }

    #[test]
    fn believes_no_channel_whose_every_sample_stands_at_an_end() {
        let input = Input { believable: Some((-100, 100)), ..Input::plain(0, Scaling { scale: 1.0, offset: 0.0 }) };
        for (counts, failed) in [(-100, true), (-101, true), (-99, false), (99, false), (100, true), (8_000, true)] {
            assert_eq!(view_of(|_| counts, input).unbelievable, [failed], "{counts} counts");
        }
        let touches = |t: f64| if t > 0.15 { 100 } else { 0 };
        assert_eq!(view_of(touches, input).unbelievable, [false], "half of the last 0.1 s");
        assert_eq!(
            view_of(|_| 8_000, Input::plain(0, input.scaling)).unbelievable,
            [false],
            "an end that is not known"
        );
    }
}

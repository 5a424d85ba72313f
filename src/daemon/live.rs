//! The task that shows the stream: about 20 pieces a second, and the state when it changed.

use super::Shared;
use super::overlay::Cutter;
use crate::api::{LivePiece, Snapshot, Update};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Wall time between pieces.
const PIECE_EVERY: Duration = Duration::from_millis(50);
/// Intervals in a piece at most.
const INTERVALS: usize = 40;
/// Pieces between two states sent for the sake of the clock alone.
const STATE_EVERY: u32 = 5;

pub(super) async fn pump(shared: Arc<Shared>, cancel: CancellationToken) {
    let mut ticks = tokio::time::interval(PIECE_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    let mut shown_ns = shared.rig_clock.now_ns();
    let mut count = 0_u32;
    let mut told: Option<Snapshot> = None;
    let mut cutter = Cutter::default();
    loop {
        tokio::select! {
            () = cancel.cancelled() => return,
            _ = ticks.tick() => {}
        }
        cutter.look(&shared);
        shared.look_after_control();
        shared.beat_ns.store(shared.clock.now_ns(), Ordering::Relaxed);
        if shared.hub.listeners() == 0 {
            shown_ns = shared.rig_clock.now_ns();
            continue;
        }
        if let Some((piece, until_ns)) = next_piece(&shared, shown_ns) {
            shown_ns = until_ns;
            shared.hub.tell(Update::Live(piece));
        }
        count = count.wrapping_add(1);
        if count.is_multiple_of(STATE_EVERY) {
            let snapshot = shared.snapshot();
            if told.as_ref() != Some(&snapshot) {
                shared.hub.tell(Update::State(Box::new(snapshot.clone())));
                told = Some(snapshot);
            }
        }
    }
}

fn next_piece(shared: &Shared, after_ns: u64) -> Option<(LivePiece, u64)> {
    let live = piece_of(shared, after_ns, INTERVALS);
    let intervals = live.channels.first().map_or(0, Vec::len);
    if intervals == 0 {
        return None;
    }
    let until_s = live.t0_s + live.dt_s * intervals as f64;
    Some((live, (until_s * 1e9) as u64))
}

/// The stream after a moment, in so many intervals at most.
pub(super) fn piece_of(shared: &Shared, after_ns: u64, intervals: usize) -> LivePiece {
    let live = shared.acquisition.live_since(after_ns, intervals);
    let channels = live.channels.iter().map(|series| series.iter().map(|pair| shown(*pair)).collect()).collect();
    LivePiece { t0_s: live.t0_s, dt_s: live.dt_s, channels }
}

/// JSON has no NaN; a missing stretch is drawn at zero width outside every chart.
pub(super) fn shown((least, most): (f32, f32)) -> (f32, f32) {
    if least.is_finite() && most.is_finite() { (least, most) } else { (f32::MIN, f32::MIN) }
}

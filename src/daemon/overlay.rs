//! The latest cycle of each starter on the headline channel, cut out of the recent past of the stream, so that a face can
//! lay the starters over one another after the runs.

use super::{Shared, locked};
use crate::api::lead::CycleView;
use crate::api::stage::Overlay;
use crate::sequence::marks::Phase;

/// Before the mark, s.
const LEAD_S: f64 = 1.0;
/// After the mark at most, s; the recent past of the stream is somewhat longer.
const SPAN_S: f64 = 20.0;
/// Intervals of a phase at most.
const INTERVALS: usize = 1050;

/// Cycles whose figures are kept.
const CYCLES_KEPT: usize = 200;

/// Which phase of which run.
#[derive(Debug, Clone, PartialEq)]
struct Part {
    run: u32,
    starter: String,
    mark_s: f64,
    phase: Phase,
    cycle: u32,
}

/// The phase that is on and not cut out yet.
#[derive(Debug, Default)]
pub(super) struct Cutter {
    on: Option<Part>,
    /// Cut out last: cut later again, it would have lost its beginning.
    done: Option<Part>,
}

impl Cutter {
    /// Look: a phase is cut out once it is over, or as long as it is drawn.
    pub fn look(&mut self, shared: &Shared) {
        let now_s = shared.rig_clock.now_ns() as f64 * 1e-9;
        let (part, over) = {
            let view = locked(&shared.view);
            let run = view.run.as_ref();
            let part = run.and_then(|run| {
                let (mark_s, phase, cycle) = run.anchor?;
                let starter = run.starter_of(cycle).to_owned();
                Some(Part { run: run.number, starter, mark_s, phase, cycle })
            });
            (part, run.is_some_and(|run| run.end.is_some()))
        };
        let Some(on) = self.on.as_ref() else {
            self.on = part.filter(|part| !over && self.done.as_ref() != Some(part));
            return;
        };
        let changed = part.as_ref() != Some(on);
        if !changed && !over && now_s < on.mark_s + SPAN_S {
            return;
        }
        let until_s = part.as_ref().filter(|_| changed).map_or(now_s, |next| next.mark_s);
        if let Some(overlay) = cut(shared, on, until_s) {
            note(shared, &overlay);
            let mut kept = locked(&shared.overlays);
            kept.retain(|other| other.starter != overlay.starter || other.phase != overlay.phase);
            kept.push(overlay);
        }
        // The same phase is cut once: what comes next is another one.
        self.done = self.on.take();
        self.on = part.filter(|_| changed && !over);
    }
}

fn cut(shared: &Shared, part: &Part, until_s: f64) -> Option<Overlay> {
    let from_s = (part.mark_s - LEAD_S).max(0.0);
    let piece = shared.acquisition.live_since((from_s * 1e9) as u64, INTERVALS);
    let kind = shared.rig.starters.iter().find(|starter| starter.id == part.starter)?.kind;
    let last_s = until_s.min(part.mark_s + SPAN_S);
    let spans = piece.channels.get(shared.rig.headline)?.iter().enumerate();
    let wanted = |(index, _): &(usize, &(f32, f32))| piece.t0_s + (*index as f64 + 1.0) * piece.dt_s <= last_s;
    let spans: Vec<(f32, f32)> = spans.take_while(wanted).map(|(_, span)| super::live::shown(*span)).collect();
    let (run, cycle, phase) = (part.run, part.cycle, part.phase);
    let t0_s = piece.t0_s - part.mark_s;
    let starter = part.starter.clone();
    (!spans.is_empty()).then_some(Overlay { starter, kind, run, cycle, phase, t0_s, dt_s: piece.dt_s, spans })
}

/// The cycle's figures, beside those of the cycles before it.
fn note(shared: &Shared, overlay: &Overlay) {
    let seen = || overlay.spans.iter().filter(|(least, _)| *least > f32::MIN);
    let highest = seen().map(|(_, most)| f64::from(*most)).reduce(f64::max);
    let lowest = seen().map(|(least, _)| f64::from(*least)).reduce(f64::min);
    let (predicted_highest, predicted_lowest, guess) = foretold(shared, overlay);
    let mut cycles = locked(&shared.cycles);
    let known = cycles.iter().position(|other| (other.run, other.cycle) == (overlay.run, overlay.cycle));
    let index = known.unwrap_or_else(|| {
        cycles.push(CycleView {
            run: overlay.run,
            cycle: overlay.cycle,
            starter: overlay.starter.clone(),
            kind: overlay.kind,
            highest: None,
            lowest: None,
            predicted_highest,
            predicted_lowest,
            guess,
        });
        cycles.len() - 1
    });
    match overlay.phase {
        Phase::Start => cycles[index].highest = highest,
        Phase::Stop => cycles[index].lowest = lowest,
    }
    let surplus = cycles.len().saturating_sub(CYCLES_KEPT);
    cycles.drain(..surplus);
}

/// Predicted highest of the start, predicted lowest of the stop, and the guess, while they are those of this cycle.
fn foretold(shared: &Shared, of: &Overlay) -> (Option<f64>, Option<f64>, Option<f64>) {
    let view = locked(&shared.view);
    if view.run.as_ref().is_none_or(|run| run.number != of.run) {
        return (None, None, None);
    }
    let predicted = |phase: Phase, pick: fn(f64, f64) -> f64| {
        let piece = view.predicted.iter().flatten().find(|piece| (piece.cycle, piece.phase) == (of.cycle, phase))?;
        piece.series.get(shared.rig.headline)?.iter().map(|value| f64::from(*value)).reduce(pick)
    };
    let guess = view.guess.as_ref().filter(|guess| guess.cycle == of.cycle).map(|guess| guess.value_pa);
    (predicted(Phase::Start, f64::max), predicted(Phase::Stop, f64::min), guess)
}

//! The latest cycle of each starter on the headline channel, cut out of the recent past of the stream, so that a face can
//! lay the starters over one another after the runs.

use super::{Shared, locked};
use crate::api::stage::Overlay;
use crate::sequence::marks::Phase;

/// Before the mark, s.
const LEAD_S: f64 = 1.0;
/// After the mark at most, s; the recent past of the stream is somewhat longer.
const SPAN_S: f64 = 20.0;
/// Intervals of a phase at most.
const INTERVALS: usize = 1050;

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
pub(super) struct Cutter(Option<Part>);

impl Cutter {
    /// Look: a phase is cut out once it is over, or as long as it is drawn.
    pub fn look(&mut self, shared: &Shared) {
        let now_s = shared.rig_clock.now_ns() as f64 * 1e-9;
        let (part, over) = {
            let view = locked(&shared.view);
            let run = view.run.as_ref();
            let part = run.and_then(|run| {
                let (mark_s, phase, cycle) = run.anchor?;
                Some(Part { run: run.number, starter: run.starter.clone(), mark_s, phase, cycle })
            });
            (part, run.is_some_and(|run| run.end.is_some()))
        };
        let Some(on) = self.0.as_ref() else {
            self.0 = part.filter(|_| !over);
            return;
        };
        let changed = part.as_ref() != Some(on);
        if !changed && !over && now_s < on.mark_s + SPAN_S {
            return;
        }
        let until_s = part.as_ref().filter(|_| changed).map_or(now_s, |next| next.mark_s);
        if let Some(overlay) = cut(shared, on, until_s) {
            let mut kept = locked(&shared.overlays);
            kept.retain(|other| other.starter != overlay.starter || other.phase != overlay.phase);
            kept.push(overlay);
        }
        // The same phase is cut once: what comes next is another one.
        self.0 = part.filter(|_| changed && !over);
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

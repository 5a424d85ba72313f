//! Cycles as the marks tell them.

use crate::sequence::marks::{Mark, MarkKind};
use serde::Serialize;

/// One start and stop in rig time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cycle {
    /// Number, from 1.
    pub number: u32,
    /// Start mark, s.
    pub start_s: f64,
    /// Stop mark, s; `None`: the run ended without one.
    pub stop_s: Option<f64>,
    /// End of the stop phase, s: settled, or given up settling, or the next start, or the end of the samples.
    pub end_s: f64,
    /// The line came to rest.
    pub settled: bool,
}

impl Cycle {
    /// End of the start phase, s.
    pub fn start_end_s(&self) -> f64 {
        self.stop_s.unwrap_or(self.end_s)
    }
}

/// Cycles in order of their start marks; `samples_end_s` closes what has no mark of its own.
pub fn cycles(marks: &[Mark], samples_end_s: f64) -> Vec<Cycle> {
    let starts: Vec<(u32, f64)> = marks.iter().filter_map(started).collect();
    let next_starts = starts.iter().skip(1).map(|(_, at_s)| *at_s).chain([samples_end_s]);
    let of = |(&(number, start_s), next_s): (&(u32, f64), f64)| {
        let at = |wanted: MarkKind| marks.iter().find(|m| m.kind == wanted).map(|m| m.at_s);
        let settled = at(MarkKind::Settled { cycle: number });
        let ended = settled.or_else(|| at(MarkKind::NotSettled { cycle: number }));
        Cycle {
            number,
            start_s,
            stop_s: at(MarkKind::Stop { cycle: number }),
            end_s: ended.unwrap_or(next_s),
            settled: settled.is_some(),
        }
    };
    starts.iter().zip(next_starts).map(of).collect()
}

fn started(mark: &Mark) -> Option<(u32, f64)> {
    match mark.kind {
        MarkKind::Start { cycle } => Some((cycle, mark.at_s)),
        _ => None,
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    fn mark(at_s: f64, kind: MarkKind) -> Mark {
        Mark { at_s, u_s: 0.0, kind }
    }

    #[test]
    fn closes_a_cycle_with_whatever_ended_it() {
        let marks = [
            mark(1.0, MarkKind::Start { cycle: 1 }),
            mark(5.0, MarkKind::Stop { cycle: 1 }),
            mark(8.0, MarkKind::Settled { cycle: 1 }),
            mark(10.0, MarkKind::Start { cycle: 2 }),
            mark(15.0, MarkKind::Stop { cycle: 2 }),
            mark(20.0, MarkKind::Start { cycle: 3 }),
        ];
        let got = cycles(&marks, 24.0);
        assert_eq!(got[0], Cycle { number: 1, start_s: 1.0, stop_s: Some(5.0), end_s: 8.0, settled: true });
        assert_eq!(got[1], Cycle { number: 2, start_s: 10.0, stop_s: Some(15.0), end_s: 20.0, settled: false });
        assert_eq!(got[2], Cycle { number: 3, start_s: 20.0, stop_s: None, end_s: 24.0, settled: false });
        assert_eq!(cycles(&[], 1.0), vec![]);
    }
}

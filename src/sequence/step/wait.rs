//! `do = "wait"`: a time (`time`), or conditions (`until = ["shaft-at-rest", "duty"]`) with a `timeout`.

use super::{Next, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::interlock::rest_blocker;
use crate::units::Want;

/// A condition to wait for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Until {
    /// The shaft is at rest.
    ShaftAtRest,
    /// The duty of motor and starter allows a start.
    Duty,
}

const WORDS: [(&str, Until); 2] = [("shaft-at-rest", Until::ShaftAtRest), ("duty", Until::Duty)];

/// A wait.
#[derive(Debug, Clone, PartialEq)]
pub struct Wait {
    /// A plain time, s.
    pub time_s: Option<f64>,
    /// Conditions, all of which have to hold.
    pub until: Vec<Until>,
    /// The run ends when the conditions do not hold after this time, s.
    pub timeout_s: f64,
    /// Starter whose duty counts.
    pub starter: usize,
}

impl Wait {
    pub(crate) fn read(table: &Cursor<'_>, starter: usize) -> Option<Self> {
        let time_s = table.quantity("time", &Want::TIME);
        let until = conditions(table)?;
        if table.has("time") == table.has("until") {
            let found = if table.has("time") { "both time and until" } else { "neither time nor until" };
            table.document().note(&table.here(), found, "one of time, until", None);
            return None;
        }
        let timeout_s = if table.has("until") { table.need_quantity("timeout", &Want::TIME)? } else { f64::INFINITY };
        Some(Self { time_s, until, timeout_s, starter })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>) -> Next {
        let open: Vec<String> = self.until.iter().filter_map(|until| self.open(*until, turn)).collect();
        if open.is_empty() && turn.in_step_s() >= self.time_s.unwrap_or(0.0) {
            return Next::Done;
        }
        if turn.in_step_s() >= self.timeout_s {
            return Next::abort(format!("waited {} s in vain: {}", self.timeout_s, open.join("; ")));
        }
        Next::Stay(super::Phase::Waiting)
    }

    fn open(&self, until: Until, turn: &Turn<'_>) -> Option<String> {
        match until {
            Until::ShaftAtRest => {
                rest_blocker(turn.rules, turn.seen, turn.watch, turn.now_s).map(|blocker| blocker.to_string())
            }
            Until::Duty => {
                let left_s = turn.seen.duty_wait_s.get(self.starter).copied().unwrap_or(f64::INFINITY);
                (left_s > 0.0).then(|| format!("duty: {left_s:.1} s left"))
            }
        }
    }

    pub(super) fn in_words(&self) -> String {
        if let Some(time_s) = self.time_s {
            return format!("wait {time_s} s");
        }
        let words: Vec<_> =
            WORDS.iter().filter(|(_, until)| self.until.contains(until)).map(|(word, _)| *word).collect();
        format!("wait for {}", words.join(" and "))
    }
}

fn conditions(table: &Cursor<'_>) -> Option<Vec<Until>> {
    if !table.has("until") {
        return Some(Vec::new());
    }
    let mut until = Vec::new();
    for text in table.texts("until")? {
        match WORDS.iter().find(|(word, _)| *word == text.text) {
            Some((_, condition)) => until.push(*condition),
            None => table.document().note(&text.spot, format!("{:?}", text.text), "\"shaft-at-rest\", \"duty\"", None),
        }
    }
    if until.is_empty() {
        table.note("until", "no condition", "\"shaft-at-rest\", \"duty\"", None);
    }
    Some(until)
}

//! `do = "line-up"`: a person sets the valves of `line_up` (default: the rig's first) and confirms them. Where the bench
//! unit reads back which line-up stands, the step waits until it is that one.

use super::{Next, Output, Phase, Turn, confirm};
use crate::rig::model::Rig;
use crate::rig::reader::{Cursor, nearest};
use crate::rig::register_map::Role;
use crate::sequence::machine::Command;

/// A bench that reads its line-up back has to read the confirmed one within this time, s.
pub const STANDS_WITHIN_S: f64 = 60.0;

/// A line-up to set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineUp {
    /// Id.
    pub id: String,
    /// Index into the rig's line-ups.
    pub index: usize,
    /// Sentence for the person.
    pub text: String,
}

impl LineUp {
    pub(crate) fn read(table: &Cursor<'_>, rig: &Rig) -> Option<Self> {
        let first = rig.line_ups.first().map(|line_up| line_up.id.clone());
        let wanted = table.text("line_up").map(|text| text.text).or(first.filter(|_| !table.has("line_up")))?;
        let found = rig.line_ups.iter().enumerate().find(|(_, line_up)| line_up.id == wanted);
        let Some((index, line_up)) = found else {
            let ids: Vec<_> = rig.line_ups.iter().map(|line_up| line_up.id.as_str()).collect();
            let hint = nearest(&wanted, ids.iter().copied()).map(str::to_owned);
            table.note("line_up", format!("{wanted:?}"), format!("a line-up of the rig: {}", ids.join(", ")), hint);
            return None;
        };
        Some(Self { id: wanted, index, text: line_up.text.clone() })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        if let Phase::Answered(since_s) = phase {
            return self.stands(turn, since_s);
        }
        let next = confirm::ask(turn, phase, &format!("line-up {}: {}", self.id, self.text), out);
        if next != Next::Done {
            return next;
        }
        out.commands.push(Command::LinedUp { line_up: self.index });
        match read_back(turn) {
            Some(_) => Next::Stay(Phase::Answered(turn.now_s)),
            None => Next::Done,
        }
    }

    fn stands(&self, turn: &Turn<'_>, since_s: f64) -> Next {
        match read_back(turn).map(usize::from) {
            Some(number) if number == self.index + 1 => Next::Done,
            number if turn.now_s - since_s >= STANDS_WITHIN_S => {
                let found = number.filter(|number| *number > 0).map_or("none".to_owned(), |number| number.to_string());
                let wanted = self.index + 1;
                Next::abort(format!(
                    "line-up {} (number {wanted}) does not stand {STANDS_WITHIN_S} s after it was confirmed: the bench unit \
                     reads {found}",
                    self.id
                ))
            }
            _ => Next::Stay(Phase::Answered(since_s)),
        }
    }
}

/// The line-up that the bench unit reads, from 1; `None` where it reads none back.
fn read_back(turn: &Turn<'_>) -> Option<u16> {
    turn.seen.bench.as_ref()?.value(Role::LineUp)
}

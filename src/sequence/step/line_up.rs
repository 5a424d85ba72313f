//! `do = "line-up"`: a person sets the valves of `line_up` (default: the rig's first) and confirms them one by one. Where the
//! bench unit reads back which line-up stands, one confirmation is enough, and the step waits until it is that one.
//!
//! A confirmation holds for the run that asked for it, and for `line_up_valid` after it or after the last confirmed stop: a
//! start after a longer rest asks again, valve by valve. Before a suction leg is drawn empty of air the charge of the casing
//! and the way out for the air are confirmed, too.

use super::{Next, Output, Phase, Turn};
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
}

impl LineUp {
    pub(crate) fn read(table: &Cursor<'_>, rig: &Rig) -> Option<Self> {
        let first = rig.line_ups.first().map(|line_up| line_up.id.clone());
        let wanted = table.text("line_up").map(|text| text.text).or(first.filter(|_| !table.has("line_up")))?;
        let Some(index) = rig.line_up_index(&wanted) else {
            let ids: Vec<_> = rig.line_ups.iter().map(|line_up| line_up.id.as_str()).collect();
            let hint = nearest(&wanted, ids.iter().copied()).map(str::to_owned);
            table.note("line_up", format!("{wanted:?}"), format!("a line-up of the rig: {}", ids.join(", ")), hint);
            return None;
        };
        Some(Self { id: wanted, index })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        if let Phase::Answered(since_s) = phase {
            return self.stands(turn, since_s);
        }
        match look(turn, phase, self.index, out) {
            Some(phase) => Next::Stay(phase),
            None if read_back(turn).is_some() => Next::Stay(Phase::Answered(turn.now_s)),
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

/// Has somebody look at the valves of line-up `index`, one after the other; `None` once the last is confirmed.
pub(super) fn look(turn: &Turn<'_>, phase: Phase, index: usize, out: &mut Output) -> Option<Phase> {
    let questions = questions(turn, index);
    let ask = |valve: usize, out: &mut Output| {
        let text = questions.get(valve)?.clone();
        out.commands.push(Command::Ask { id: turn.question_of_valve(valve), text });
        Some(Phase::Looking(valve))
    };
    let Phase::Looking(valve) = phase else { return ask(0, out) };
    if !turn.seen.answers.contains(&turn.question_of_valve(valve)) {
        return Some(phase);
    }
    let next = ask(valve + 1, out);
    if next.is_none() {
        out.commands.push(Command::LinedUp { line_up: index });
    }
    next
}

/// What is asked, in order; one question where the valves tell themselves how they stand.
fn questions(turn: &Turn<'_>, index: usize) -> Vec<String> {
    let Some(line_up) = turn.rules.line_ups.get(index) else { return vec![format!("line-up {}", index + 1)] };
    let whole = format!("line-up {}: {}", line_up.id, line_up.text);
    let all = line_up.valves.len();
    let beside = line_up.beside.iter().map(|beside| format!("line-up {}: {beside}", line_up.id));
    if read_back(turn).is_some() || all < 2 {
        let valves = if all == 0 { whole } else { format!("{whole} ({})", line_up.valves.join(", ")) };
        return std::iter::once(valves).chain(beside).collect();
    }
    let one = |(number, valve): (usize, &String)| {
        let begun = if number == 0 { whole.as_str() } else { &format!("line-up {}:", line_up.id) };
        format!("{begun} Valve {} of {all}: {valve}", number + 1)
    };
    line_up.valves.iter().enumerate().map(one).chain(beside).collect()
}

/// The line-up that the bench unit reads, from 1; `None` where it reads none back.
fn read_back(turn: &Turn<'_>) -> Option<u16> {
    turn.seen.bench.as_ref()?.value(Role::LineUp)
}

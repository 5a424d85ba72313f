//! `do = "line-up"`: a person sets the valves of `line_up` (default: the rig's first) and confirms them.

use super::{Next, Output, Phase, Turn, confirm};
use crate::rig::model::Rig;
use crate::rig::reader::{Cursor, nearest};
use crate::sequence::machine::Command;

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
        let next = confirm::ask(turn, phase, &format!("line-up {}: {}", self.id, self.text), out);
        if next == Next::Done {
            out.commands.push(Command::LinedUp { line_up: self.index });
        }
        next
    }
}

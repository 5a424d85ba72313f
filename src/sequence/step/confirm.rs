//! `do = "confirm"`: a person confirms a sentence (`text`). A prediction takes it as confirmed at once.

use super::{Next, Output, Phase, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;

/// A sentence to confirm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Confirm {
    /// The sentence.
    pub text: String,
}

impl Confirm {
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        Some(Self { text: table.need_text("text")?.text })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        ask(turn, phase, &self.text, out)
    }
}

/// Asks once, then waits for the answer without a time-out: a person may take as long as a person takes.
fn ask(turn: &Turn<'_>, phase: Phase, text: &str, out: &mut Output) -> Next {
    if phase == Phase::Fresh {
        out.commands.push(Command::Ask { id: turn.question(), text: text.to_owned() });
        return Next::Stay(Phase::Waiting);
    }
    if turn.seen.answers.contains(&turn.question()) { Next::Done } else { Next::Stay(phase) }
}

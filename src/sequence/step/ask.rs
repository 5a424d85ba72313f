//! `do = "ask"`: a question to the people who watch (`text`), before they see the answer. Somebody goes on from it by a
//! confirmation, with or without a number that they guessed; a prediction takes it as answered at once.

use super::{Next, Output, Phase, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;

/// A question to the people who watch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ask {
    /// The question.
    pub text: String,
}

impl Ask {
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        Some(Self { text: table.need_text("text")?.text })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        if phase == Phase::Fresh {
            out.commands.push(Command::Wonder { id: turn.question(), text: self.text.clone() });
            return Next::Stay(Phase::Waiting);
        }
        if turn.seen.answers.contains(&turn.question()) { Next::Done } else { Next::Stay(phase) }
    }
}

//! `do = "say"`: show a line (`text`) to the people at the rig.

use super::{Next, Output};
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;

/// A line to show.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Say {
    /// The line.
    pub text: String,
}

impl Say {
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        Some(Self { text: table.need_text("text")?.text })
    }

    pub(crate) fn advance(&self, out: &mut Output) -> Next {
        out.commands.push(Command::Say { text: self.text.clone() });
        Next::Done
    }
}

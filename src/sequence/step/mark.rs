//! `do = "mark"`: a named mark (`name`) at this moment.

use super::{Next, Output, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::marks::MarkKind;

/// A named mark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Name.
    pub name: String,
}

impl Mark {
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        Some(Self { name: table.need_text("name")?.text })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, out: &mut Output) -> Next {
        out.marks.push(turn.mark_now(MarkKind::Named { name: self.name.clone() }));
        Next::Done
    }
}

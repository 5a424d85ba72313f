//! `do = "repeat"`: the nested `[[step.step]]` tables, `times` over. Unrolled when the file is read: the machine knows no
//! loops.

use crate::rig::reader::Cursor;

/// Most repetitions in one step.
pub const MOST_TIMES: i64 = 1000;

/// Reads how often, and hands out the nested tables.
pub(crate) fn read<'d>(table: &Cursor<'d>) -> Option<(u32, Vec<Cursor<'d>>)> {
    let times = table.need_integer("times", 1..=MOST_TIMES);
    let inner = table.tables("step");
    if inner.is_empty() {
        table.note("step", "no nested step", "at least one [[step.step]]", None);
        return None;
    }
    Some((u32::try_from(times?).ok()?, inner))
}

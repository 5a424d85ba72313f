//! Where the stored rows belong in time.

use super::rows::BlockRow;
use std::ops::Range;

/// Rows without a gap between them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Span {
    /// First row of the count datasets.
    pub first_row: u64,
    /// Frame of that row, from the stream's first.
    pub first_frame: u64,
    /// Rows, which are as many frames.
    pub frames: u64,
}

/// Most frames that a recording may span, lost ones included: 13 hours at 10 kHz. A damaged table must not ask for
/// more memory than there is.
const MOST_FRAMES: u64 = 500_000_000;

/// Spans of the first `rows` rows. A table that is ahead of the counts is cut; rows behind the table have no place in
/// time and are left out. Both happen for moments in a file that is being written.
///
/// # Errors
/// In words, when the table contradicts itself.
pub(super) fn spans(table: &[BlockRow], rows: u64) -> Result<Vec<Span>, String> {
    let mut spans: Vec<Span> = Vec::new();
    let mut next_row = 0;
    for block in table.iter().filter(|block| block.frames > 0) {
        if next_row >= rows {
            break;
        }
        if block.first_row != next_row {
            return Err(format!("a block begins at row {}, {next_row} was expected", block.first_row));
        }
        let frames = block.frames.min(rows - next_row);
        next_row += frames;
        extend(&mut spans, block, frames)?;
    }
    match frame_range(&spans) {
        range if range.end - range.start > MOST_FRAMES => Err(format!("frames {range:?}: longer than any recording")),
        _ => Ok(spans),
    }
}

fn extend(spans: &mut Vec<Span>, block: &BlockRow, frames: u64) -> Result<(), String> {
    let end = spans.last().map(|last| last.first_frame + last.frames);
    match (spans.last_mut(), end) {
        (Some(last), Some(end)) if end == block.first_frame => last.frames += frames,
        (_, Some(end)) if end > block.first_frame => {
            return Err(format!("a block begins at frame {}, {end} was expected", block.first_frame));
        }
        _ if block.first_frame.checked_add(frames).is_none() => {
            return Err(format!("a block begins at frame {}", block.first_frame));
        }
        _ => spans.push(Span { first_row: block.first_row, first_frame: block.first_frame, frames }),
    }
    Ok(())
}

/// First frame and the frame after the last.
pub(super) fn frame_range(spans: &[Span]) -> Range<u64> {
    match (spans.first(), spans.last()) {
        (Some(first), Some(last)) => first.first_frame..last.first_frame.saturating_add(last.frames),
        _ => 0..0,
    }
}

/// Frames that are not stored between the first and the last.
pub(super) fn frames_lost(spans: &[Span]) -> u64 {
    let range = frame_range(spans);
    range.end - range.start - spans.iter().map(|span| span.frames).sum::<u64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(first_row: u64, first_frame: u64, frames: u64) -> BlockRow {
        BlockRow { first_row, first_frame, frames, missing_before: 0, dropped_before: 0, arrived_wall_ns: 0 }
    }

    #[test]
    fn joins_blocks_without_a_gap() {
        let table = [block(0, 5, 10), block(10, 15, 10), block(20, 30, 10)];
        let wanted = vec![
            Span { first_row: 0, first_frame: 5, frames: 20 },
            Span { first_row: 20, first_frame: 30, frames: 10 },
        ];
        let found = spans(&table, 30).unwrap();
        assert_eq!(found, wanted);
        assert_eq!((frame_range(&found), frames_lost(&found)), (5..40, 5));
    }

    #[test]
    fn believes_no_more_than_table_and_counts_both_say() {
        let table = [block(0, 0, 10), block(10, 20, 10)];
        assert_eq!(spans(&table, 4).unwrap(), vec![Span { first_row: 0, first_frame: 0, frames: 4 }]);
        assert_eq!(spans(&table, 25).unwrap()[1], Span { first_row: 10, first_frame: 20, frames: 10 });
        assert_eq!(spans(&[], 25).unwrap(), vec![]);
    }

    #[test]
    fn rejects_a_table_that_contradicts_itself() {
        for table in [
            vec![block(1, 0, 10)],
            vec![block(0, 0, 10), block(9, 10, 10)],
            vec![block(0, 10, 10), block(10, 19, 10)],
            vec![block(0, 0, 10), block(10, u64::MAX - 5, 10)],
            vec![block(0, 0, 10), block(10, 1 << 60, 10)],
        ] {
            assert!(spans(&table, 20).is_err(), "{table:?}");
        }
    }
}

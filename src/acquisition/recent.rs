//! The recent past of the stream in intervals of 5 ms: sum, smallest and largest of every channel. One structure serves
//! the executor's view (mean over 0.1 s, span over 1 s) and the live traces of the faces.
//!
//! Memory is fixed at creation; writing costs one pass over a block, reading touches intervals only.

use crate::clock::realtime;
use crate::signal::Block;

/// Width of an interval, s of rig time.
const INTERVAL_S: f64 = 0.005;
/// History kept, s of rig time.
const KEPT_S: f64 = 30.0;

/// One channel in one interval, raw counts.
#[derive(Debug, Clone, Copy)]
struct Cell {
    sum: i64,
    /// Of squares; rounding in the sixteenth digit.
    squares: f64,
    least: i32,
    most: i32,
}

const EMPTY: Cell = Cell { sum: 0, squares: 0.0, least: i32::MAX, most: i32::MIN };

/// One interval.
#[derive(Debug, Clone, Copy, Default)]
struct Slot {
    /// Number of the interval since the stream's first frame.
    interval: u64,
    /// Frames that arrived in it.
    frames: u32,
}

/// Ring of intervals.
#[derive(Debug)]
pub struct Recent {
    channels: usize,
    rate_hz: f64,
    width: u64,
    slots: Vec<Slot>,
    cells: Vec<Cell>,
    /// Frames seen, lost ones included: index after the newest frame.
    end_frame: u64,
}

/// Smallest and largest of one channel in an interval, raw counts.
pub type CountSpan = Option<(i32, i32)>;

/// A decimated stretch in raw counts, by frame position.
#[derive(Debug, Clone, PartialEq)]
pub struct Decimated {
    /// First frame of the first interval.
    pub first_frame: u64,
    /// Frames an interval.
    pub width: u64,
    /// For each frame position: the span of each interval, `None` where all frames are missing.
    pub channels: Vec<Vec<CountSpan>>,
}

impl Recent {
    /// An empty ring.
    pub fn new(channels: usize, rate_hz: f64) -> Self {
        let width = (INTERVAL_S * rate_hz).round().max(1.0) as u64;
        let slots = (KEPT_S * rate_hz / width as f64).ceil() as usize;
        let (slots, cells) = (vec![Slot::default(); slots], vec![EMPTY; slots * channels]);
        // Their places in memory stay: neither ever grows.
        realtime::care_for_memory(&slots);
        realtime::care_for_memory(&cells);
        Self { channels, rate_hz, width, slots, cells, end_frame: 0 }
    }

    /// Add a block.
    pub fn push(&mut self, block: &Block) {
        let mut frame = block.first_frame;
        let mut rest = block.counts.as_slice();
        while !rest.is_empty() {
            let to_edge = self.width - frame % self.width;
            let take = (to_edge as usize * self.channels).min(rest.len());
            let (now, later) = rest.split_at(take);
            self.add(frame / self.width, now);
            frame += (take / self.channels) as u64;
            rest = later;
        }
        self.end_frame = self.end_frame.max(frame);
    }

    fn add(&mut self, interval: u64, counts: &[i32]) {
        let place = (interval % self.slots.len() as u64) as usize;
        let cells = &mut self.cells[place * self.channels..(place + 1) * self.channels];
        let slot = &mut self.slots[place];
        if slot.interval != interval || slot.frames == 0 {
            *slot = Slot { interval, frames: 0 };
            cells.fill(EMPTY);
        }
        for frame in counts.chunks_exact(self.channels) {
            slot.frames += 1;
            for (cell, &count) in cells.iter_mut().zip(frame) {
                cell.sum += i64::from(count);
                cell.squares += f64::from(count) * f64::from(count);
                cell.least = cell.least.min(count);
                cell.most = cell.most.max(count);
            }
        }
    }

    /// Index after the newest frame.
    pub fn end_frame(&self) -> u64 {
        self.end_frame
    }

    /// Intervals that hold frames, from `first` to `last`.
    fn held(&self, first: u64, last: u64) -> impl Iterator<Item = (u32, &[Cell])> {
        (first..=last).filter_map(move |interval| {
            let place = (interval % self.slots.len() as u64) as usize;
            let slot = self.slots[place];
            let cells = &self.cells[place * self.channels..(place + 1) * self.channels];
            (slot.interval == interval && slot.frames > 0).then_some((slot.frames, cells))
        })
    }

    /// Intervals from the newest frame back over at least `span_s`; `None` before the first frame.
    fn window(&self, span_s: f64) -> Option<(u64, u64)> {
        let newest = self.end_frame.checked_sub(1)?;
        let back = (span_s * self.rate_hz).round() as u64;
        Some((self.end_frame.saturating_sub(back) / self.width, newest / self.width))
    }

    /// Mean counts of each frame position over the last `span_s` (rounded up to whole intervals); `NaN` where unknown.
    pub fn mean(&self, span_s: f64) -> Vec<f64> {
        let mut sums = vec![0_i64; self.channels];
        let mut frames = 0_u64;
        for (held, cells) in self.window(span_s).into_iter().flat_map(|(first, last)| self.held(first, last)) {
            frames += u64::from(held);
            sums.iter_mut().zip(cells).for_each(|(sum, cell)| *sum += cell.sum);
        }
        sums.iter().map(|&sum| if frames == 0 { f64::NAN } else { sum as f64 / frames as f64 }).collect()
    }

    /// Mean of the squares of counts, as [`Self::mean`].
    pub fn mean_square(&self, span_s: f64) -> Vec<f64> {
        let mut sums = vec![0.0; self.channels];
        let mut frames = 0_u64;
        for (held, cells) in self.window(span_s).into_iter().flat_map(|(first, last)| self.held(first, last)) {
            frames += u64::from(held);
            sums.iter_mut().zip(cells).for_each(|(sum, cell)| *sum += cell.squares);
        }
        sums.iter().map(|&sum| if frames == 0 { f64::NAN } else { sum / frames as f64 }).collect()
    }

    /// Smallest and largest counts of each frame position over the last `span_s`; `None` where unknown.
    pub fn ends(&self, span_s: f64) -> Vec<CountSpan> {
        let mut spans = vec![EMPTY; self.channels];
        for (_, cells) in self.window(span_s).into_iter().flat_map(|(first, last)| self.held(first, last)) {
            merge(&mut spans, cells);
        }
        spans.iter().map(|s| (s.least <= s.most).then_some((s.least, s.most))).collect()
    }

    /// Largest less smallest counts of each frame position over the last `span_s`; `NaN` where unknown.
    pub fn span(&self, span_s: f64) -> Vec<f64> {
        let span = |ends: CountSpan| ends.map_or(f64::NAN, |(least, most)| f64::from(most) - f64::from(least));
        self.ends(span_s).into_iter().map(span).collect()
    }

    /// Complete intervals after frame `after`, at most `most` of them, made as wide as that needs. What is older than
    /// the history is left out.
    pub fn decimate(&self, after: u64, most: usize) -> Decimated {
        let complete = self.end_frame / self.width;
        let oldest = complete.saturating_sub(self.slots.len() as u64 - 1);
        let first = after.div_ceil(self.width).max(oldest).min(complete);
        let group = (complete - first).div_ceil(most.max(1) as u64).max(1);
        let mut channels = vec![Vec::new(); self.channels];
        for k in 0..(complete - first) / group {
            let mut spans = vec![EMPTY; self.channels];
            let begin = first + k * group;
            self.held(begin, begin + group - 1).for_each(|(_, cells)| merge(&mut spans, cells));
            for (channel, span) in channels.iter_mut().zip(&spans) {
                channel.push((span.least <= span.most).then_some((span.least, span.most)));
            }
        }
        Decimated { first_frame: first * self.width, width: group * self.width, channels }
    }
}

fn merge(spans: &mut [Cell], cells: &[Cell]) {
    for (span, cell) in spans.iter_mut().zip(cells) {
        span.least = span.least.min(cell.least);
        span.most = span.most.max(cell.most);
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    /// One channel at 10 kHz that counts frames.
    fn ramp(first_frame: u64, frames: u64) -> Block {
        Block {
            first_frame,
            missing_before: 0,
            channels: 1,
            counts: (first_frame..first_frame + frames).map(|k| k as i32).collect(),
            arrived_wall_ns: 0,
        }
    }

    #[test]
    fn knows_mean_and_span_of_the_newest_samples_only() {
        let mut recent = Recent::new(1, 10_000.0);
        assert!(recent.mean(0.1)[0].is_nan() && recent.span(1.0)[0].is_nan());
        recent.push(&ramp(0, 333));
        recent.push(&ramp(333, 19_667));
        assert_eq!(recent.end_frame(), 20_000);
        assert_eq!(recent.mean(0.1)[0], 19_499.5, "mean of frames 19 000..20 000, closed form");
        assert_eq!(recent.span(1.0)[0], 9_999.0);
    }

    #[test]
    fn forgets_what_a_gap_jumped_over() {
        let mut recent = Recent::new(1, 10_000.0);
        recent.push(&ramp(0, 10_000));
        recent.push(&ramp(1_000_000, 20));
        assert_eq!(recent.mean(0.1)[0], 1_000_009.5);
        assert_eq!(recent.span(1.0)[0], 19.0);
    }

    #[test]
    fn gives_each_complete_interval_once_and_names_the_missing_ones() {
        let mut recent = Recent::new(1, 10_000.0);
        recent.push(&ramp(0, 120));
        let piece = recent.decimate(0, 100);
        assert_eq!((piece.first_frame, piece.width), (0, 50));
        assert_eq!(piece.channels, vec![vec![Some((0, 49)), Some((50, 99))]]);
        recent.push(&ramp(200, 50));
        let piece = recent.decimate(100, 100);
        assert_eq!(piece.channels, vec![vec![Some((100, 119)), None, Some((200, 249))]]);
        assert_eq!(recent.decimate(250, 100).channels, vec![vec![]]);
        let wide = recent.decimate(0, 2);
        assert_eq!(
            (wide.width, wide.channels[0].len()),
            (150, 1),
            "five intervals in groups of three: one is complete"
        );
    }
}

//! Bare frames: samples one after the other without number or time. A lost frame leaves no trace, and a lost byte shifts
//! every channel; who uses this must say so (`Source::shows_loss`).

use super::decode;
use super::depacketizer::{Format, StreamCounts};
use crate::signal::Block;

/// Puts bytes together to frames.
#[derive(Debug)]
pub struct BareFrames {
    format: Format,
    pending: Vec<u8>,
    next_frame: u64,
    gap: u64,
    counts: StreamCounts,
}

impl BareFrames {
    /// Nothing received yet.
    pub fn new(format: Format) -> Self {
        Self { format, pending: Vec::new(), next_frame: 0, gap: 0, counts: StreamCounts::default() }
    }

    /// Counters; `packets` counts pieces as they were read.
    pub fn counts(&self) -> &StreamCounts {
        &self.counts
    }

    /// Bytes held that are no whole frame yet.
    pub fn pending(&self) -> usize {
        self.pending.len()
    }

    /// A new child continues `frames_missing` later.
    pub fn reconnect(&mut self, frames_missing: u64) {
        self.pending.clear();
        self.gap += frames_missing;
        self.next_frame += frames_missing;
        self.counts.frames_missing += frames_missing;
    }

    /// Take bytes; every whole frame goes into one block.
    pub fn feed(&mut self, bytes: &[u8], arrived_wall_ns: u64, blocks: &mut Vec<Block>) {
        self.pending.extend_from_slice(bytes);
        let frames = self.pending.len() / self.format.frame_bytes();
        if frames == 0 {
            return;
        }
        let whole = frames * self.format.frame_bytes();
        let mut counts = Vec::with_capacity(frames * self.format.channels);
        decode::append(self.format.code, &self.pending[..whole], &mut counts);
        self.pending.drain(..whole);
        let (first_frame, channels) = (self.next_frame, self.format.channels);
        let missing_before = std::mem::take(&mut self.gap);
        blocks.push(Block { first_frame, missing_before, channels, counts, arrived_wall_ns });
        self.next_frame += frames as u64;
        self.counts.frames += frames as u64;
        self.counts.packets += 1;
    }
}

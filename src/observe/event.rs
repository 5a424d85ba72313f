//! One event: its recording and its row.

use super::row::Row;
use super::trigger::samples;
use crate::acquisition::Input;
use crate::clock::{RigClock, WallClock};
use crate::recording::{self, Recorder, RecordingError, RunDescription};
use crate::rig::model::Rig;
use crate::sequence::marks::{Mark, MarkKind};
use crate::sequence::ports::LinkStatistics;
use crate::signal::Block;
use crate::signal::filter::LowPass;
use crate::signal::quality::FLAT_S;
use crate::signal::statistics::mean;
use crossbeam_channel::Sender;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Blocks that may wait for the writer of the recording; the past before a trigger comes at once.
const BLOCKS_WAITING: usize = 4_096;
/// A block waits this long for the writer, then it is dropped and the recording says so.
const BLOCK_PATIENCE: Duration = Duration::from_secs(5);
/// Wall time for a recording to be finished.
const FINISH_DEADLINE: Duration = Duration::from_secs(30);
/// The final level is the mean over this long at the end, s.
const LEVEL_S: f64 = 1.0;

/// What a channel did during an event.
#[derive(Debug, Clone, Copy)]
pub(super) struct Watched {
    clipped: bool,
    last: i32,
    moved: bool,
}

/// An event being kept.
pub(super) struct OpenEvent {
    /// Its row so far.
    pub row: Row,
    /// Frame of the trigger.
    pub frame: u64,
    /// It ends at this frame.
    pub end_frame: u64,
    /// It ends here at the latest.
    pub latest_frame: u64,
    /// A start, and a stop after it, are marked.
    pub started: bool,
    pub stopped: bool,
    recorder: Option<(Recorder, Sender<Arc<Block>>)>,
    headline: Vec<f32>,
    watched: Vec<Option<Watched>>,
    frames: u64,
}

/// What an event's recording needs.
pub(super) struct Studio<'a> {
    pub rig: &'a Rig,
    pub inputs: &'a [Input],
    pub clock: &'a Arc<dyn WallClock>,
    pub rig_clock: &'a RigClock,
}

impl OpenEvent {
    /// Begin; `recording` is where the recording goes, `None`: not kept.
    pub fn begin(
        row: Row,
        frames: (u64, u64, u64),
        recording: Option<(&Path, &RunDescription)>,
        studio: &Studio<'_>,
    ) -> Result<Self, RecordingError> {
        let recorder = match recording {
            None => None,
            Some((path, description)) => {
                let (sender, blocks) = crossbeam_channel::bounded(BLOCKS_WAITING);
                let clock = Arc::clone(studio.clock);
                Some((Recorder::create(path, description, blocks, clock, studio.rig_clock.clone())?, sender))
            }
        };
        let (frame, end_frame, latest_frame) = frames;
        let event = Self {
            row,
            frame,
            end_frame,
            latest_frame,
            started: false,
            stopped: false,
            recorder,
            headline: Vec::new(),
            watched: vec![None; studio.inputs.len()],
            frames: 0,
        };
        event.mark(MarkKind::Named { name: format!("trigger {}", event.row.trigger) }, event.row.rig_s, 0.0);
        Ok(event)
    }

    /// Put a mark into the recording.
    pub fn mark(&self, kind: MarkKind, at_s: f64, u_s: f64) {
        if let Some((recorder, _)) = &self.recorder {
            // A journal that fails here shows in the end of the recording.
            let _ = recorder.journal().mark(&Mark { at_s, u_s, kind });
        }
    }

    /// Takes a block.
    pub fn take(&mut self, block: &Arc<Block>, studio: &Studio<'_>) {
        self.row.frames_missing += if self.frames > 0 { block.missing_before } else { 0 };
        self.frames += block.frames() as u64;
        if let Some((_, blocks)) = &self.recorder {
            // Dropped blocks are seen by their frame numbers, counted and told by the recording itself.
            let _ = blocks.send_timeout(Arc::clone(block), BLOCK_PATIENCE);
        }
        for ((channel, input), watched) in studio.rig.channels.iter().zip(studio.inputs).zip(&mut self.watched) {
            let (low, high) = channel.chain.measurable(channel.range);
            let counts = block.counts.iter().skip(input.position).step_by(block.channels.max(1));
            for &counts in counts {
                let value = input.scaling.to_si(counts);
                let seen = watched.get_or_insert(Watched { clipped: false, last: counts, moved: false });
                seen.clipped |=
                    (value >= high && channel.quantity.may_clip()) || (value <= low && channel.quantity.may_clip_low());
                // Polled values are held and contacts rest: neither is a dead sensor.
                seen.moved |= counts != seen.last || channel.chain.polled.is_some() || !channel.quantity.may_clip();
                seen.last = counts;
            }
        }
        if let Some(input) = studio.inputs.get(studio.rig.headline) {
            let after = samples(block, input).filter(|(frame, _)| *frame >= self.frame);
            self.headline.extend(after.map(|(_, value)| value as f32));
        }
    }

    /// End it: figures into the row, recording closed. A recording that is not whole is said in the fault and stays as it
    /// is on the disk.
    pub fn end(mut self, links: &[LinkStatistics], studio: &Studio<'_>) -> (Row, Option<String>) {
        if let Some((recorder, _)) = &self.recorder {
            let at_s = studio.rig_clock.now_ns() as f64 * 1e-9;
            // A journal that fails here shows in the end of the recording.
            links.iter().for_each(|figures| drop(recorder.journal().link(at_s, figures)));
        }
        let rate_hz = studio.rig.source.rate_hz;
        let ids = |flagged: &dyn Fn(&Watched) -> bool| {
            let named = studio.rig.channels.iter().zip(&self.watched);
            named.filter(|(_, w)| w.as_ref().is_some_and(flagged)).map(|(c, _)| c.id.0.clone()).collect()
        };
        let is_long = self.frames as f64 >= FLAT_S * rate_hz;
        let (clipped, flat) = (ids(&|w| w.clipped), ids(&|w| is_long && !w.moved));
        (self.row.clipped, self.row.flat) = (clipped, flat);
        self.figures(studio.rig);
        let fault = self.recorder.take().and_then(|(recorder, blocks)| {
            drop(blocks);
            close(recorder).err()
        });
        (self.row, fault)
    }

    /// Surge and trough of the headline channel, by the definitions of the metrics: against the final level, on the
    /// channel's filter.
    fn figures(&mut self, rig: &Rig) {
        let Some(channel) = rig.channels.get(rig.headline) else { return };
        let rate_hz = rig.source.rate_hz;
        let raw: Vec<f64> = self.headline.drain(..).map(f64::from).collect();
        let values = match LowPass::channel_class(channel.filter_class, 1.0 / rate_hz) {
            Ok(filter) if channel.filter_class > 0 => filter.phaseless(&raw),
            _ => raw,
        };
        let span = ((LEVEL_S * rate_hz) as usize).min(values.len());
        if span == 0 {
            return;
        }
        let level = mean(&values[values.len() - span..]);
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        self.row.surge_pa = Some(most - level);
        self.row.trough_pa = Some(least - level);
        self.row.peak_gauge_pa = Some(most);
        self.row.final_gauge_pa = Some(level);
    }
}

fn close(recorder: Recorder) -> Result<PathBuf, String> {
    let whole = recorder.failed();
    let partial = recorder.finish(FINISH_DEADLINE).map_err(|error| error.to_string())?;
    let closed = recording::close(&partial, None).map_err(|error| error.to_string())?;
    whole.map_or(Ok(closed), Err)
}

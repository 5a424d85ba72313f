//! Smallest and largest of every channel over short intervals, for as long as the session lasts: what no trigger caught
//! can still be found here.

use super::ObserveError;
use super::trigger::samples;
use crate::acquisition::Input;
use crate::signal::{Block, ChannelId};
use std::fmt::Write as _;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// A line costs no more, bytes (a reckoning for the quota).
const LINE_BYTES_A_CHANNEL: u64 = 26;

/// The envelope being written.
#[derive(Debug)]
pub struct Envelope {
    path: PathBuf,
    file: File,
    inputs: Vec<Input>,
    width: u64,
    rate_hz: f64,
    interval: Option<u64>,
    spans: Vec<(f64, f64)>,
    frames: u64,
    written: u64,
    room: u64,
}

impl Envelope {
    /// Go on with the file of a folder, or begin it; `room` bytes are left for it.
    pub fn open(
        folder: &Path,
        channels: &[ChannelId],
        inputs: &[Input],
        rate_hz: f64,
        width_s: f64,
        room: u64,
    ) -> Result<Self, ObserveError> {
        let path = folder.join("envelope.csv");
        let io = |source| ObserveError::io(&path, source);
        let is_new = !path.exists();
        let mut file = OpenOptions::new().create(true).append(true).open(&path).map_err(io)?;
        if is_new {
            let names: Vec<String> = channels.iter().map(|id| format!("{id}_min,{id}_max")).collect();
            writeln!(file, "utc,rig_s,frames,{}", names.join(",")).map_err(io)?;
        }
        let written = file.metadata().map_err(io)?.len();
        let width = ((width_s * rate_hz).round() as u64).max(1);
        let spans = vec![EMPTY; inputs.len()];
        Ok(Self {
            inputs: inputs.to_vec(),
            path,
            file,
            width,
            rate_hz,
            interval: None,
            spans,
            frames: 0,
            written,
            room,
        })
    }

    /// Takes a block; writes the intervals that it completes. `utc` is asked once a line.
    pub fn take(&mut self, block: &Block, utc: impl Fn() -> String) -> Result<(), ObserveError> {
        let mut first = 0;
        let frames = block.frames();
        while first < frames {
            let frame = block.first_frame + first as u64;
            let interval = frame / self.width;
            if self.interval.is_some_and(|open| open != interval) {
                self.end_interval(&utc)?;
            }
            self.interval = Some(interval);
            let count = ((self.width - frame % self.width) as usize).min(frames - first);
            for (span, input) in self.spans.iter_mut().zip(&self.inputs) {
                for (_, value) in samples(block, input).skip(first).take(count) {
                    *span = (span.0.min(value), span.1.max(value));
                }
            }
            self.frames += count as u64;
            first += count;
        }
        Ok(())
    }

    fn end_interval(&mut self, utc: &impl Fn() -> String) -> Result<(), ObserveError> {
        let Some(interval) = self.interval.take() else { return Ok(()) };
        let mut line = format!("{},{:.3},{}", utc(), (interval * self.width) as f64 / self.rate_hz, self.frames);
        for (low, high) in &self.spans {
            // Writing to a String cannot fail.
            let _infallible = write!(line, ",{low:.6e},{high:.6e}");
        }
        line.push('\n');
        self.spans.fill(EMPTY);
        self.frames = 0;
        if self.written + line.len() as u64 > self.room {
            return Ok(());
        }
        self.written += line.len() as u64;
        self.file.write_all(line.as_bytes()).map_err(|source| ObserveError::io(&self.path, source))
    }

    /// Its room is used up: no more lines are written.
    pub fn is_full(&self) -> bool {
        self.written + LINE_BYTES_A_CHANNEL * (2 + self.inputs.len() as u64) > self.room
    }

    /// Put what is written on the disk.
    pub fn sync(&mut self) -> Result<(), ObserveError> {
        self.file.sync_data().map_err(|source| ObserveError::io(&self.path, source))
    }

    /// End the open interval and put everything on the disk.
    pub fn finish(&mut self, utc: impl Fn() -> String) -> Result<(), ObserveError> {
        self.end_interval(&utc)?;
        self.sync()
    }
}

const EMPTY: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

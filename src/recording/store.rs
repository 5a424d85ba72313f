//! The open `.partial`: what the writer thread does to it. Nothing here waits for anything but the disk.

use super::description::RunDescription;
use super::error::RecordingError;
use super::names::{RecordingPath, release, sync_folder};
use super::opened::options;
use super::raw::bytes_of;
use super::rows::{self, BlockRow, EndRow, LinkRow, SegmentRow, SettingsRow, StoredRow, ascii};
use super::schema::{Committed, Documents, Form, Layout};
use super::side_log::{self, SideLog};
use crate::prediction::bands::BandSegment;
use crate::prediction::{Band, MadeWith, NodeReach, PredictedEvent, Prediction, Segment, Separation, SuddenStop};
use crate::sequence::ports::RunHeader;
use crate::signal::Block;
use hdf5::{Dataset, File, H5Type, OpenMode, Result as H5Result};
use serde::{Deserialize, Serialize};
use std::cell::RefCell;
use std::collections::HashMap;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::Arc;

/// Frames seen by a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FrameCounts {
    /// Frames taken and written.
    pub stored: u64,
    /// Frames lost on the wire.
    pub missing: u64,
    /// Frames lost between the sampling thread and the disk, because the disk did not keep up.
    pub dropped: u64,
}

/// The part of a prediction that is stored as text.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct PredictionText {
    pub made_with: MadeWith,
    pub assumptions: Vec<String>,
    #[serde(default)]
    pub warnings: Vec<String>,
    #[serde(default)]
    pub loss_of_supply: Option<SuddenStop>,
    #[serde(default)]
    pub emergency_stop: Option<SuddenStop>,
    #[serde(default)]
    pub events: Vec<PredictedEvent>,
    #[serde(default)]
    pub separation: Option<Separation>,
    #[serde(default)]
    pub reach: Vec<NodeReach>,
    #[serde(default)]
    pub band: Option<Band>,
    pub sha256: String,
}

/// The open file.
pub(super) struct Store {
    names: RecordingPath,
    file: File,
    layout: Layout,
    documents: Documents,
    committed: Committed,
    /// A second handle on the same file: `fdatasync` goes through it, and its shared lock says that somebody writes.
    disk: std::fs::File,
    side_log: RefCell<SideLog>,
    /// Place of each dataset in it, by the library's handle.
    places: HashMap<i64, u32>,
    channel_ids: Vec<crate::signal::ChannelId>,
    /// Position in a frame of each channel.
    inputs: Vec<usize>,
    next_frame: Option<u64>,
    counts: FrameCounts,
    /// What the side log has and the file has not yet.
    waiting: Waiting,
}

/// Rows of the count datasets and of `blocks` that wait for the file's next flush: whoever reads along believes them only
/// then, and the side log keeps them meanwhile.
#[derive(Default)]
struct Waiting {
    table: Vec<BlockRow>,
    columns: Vec<Vec<i32>>,
}

/// Rows that wait at most.
const ROWS_WAITING: usize = 65_536;

impl Store {
    /// Make the file with everything in it, durable, start SWMR, and only then call it `.partial`: whoever finds a `.partial`
    /// can recover it.
    pub fn create(names: RecordingPath, description: &RunDescription) -> Result<Self, RecordingError> {
        description.check(names.closed())?;
        let disk = names.claim_beginning()?;
        let made = Self::create_in(names.clone(), description, disk);
        if made.is_err() {
            let _ = std::fs::remove_file(names.beginning());
            let _ = side_log::remove(names.side_log());
        }
        made
    }

    fn create_in(
        names: RecordingPath,
        description: &RunDescription,
        disk: std::fs::File,
    ) -> Result<Self, RecordingError> {
        let path = names.beginning();
        let fault = |e: hdf5::Error| RecordingError::hdf5(path, "make the file", &e);
        let committed = create_file(path, description).map_err(fault)?;
        let image = std::fs::read(path).map_err(|e| RecordingError::io(path, "read what was made", &e))?;
        let side_log = SideLog::create(names.side_log(), &image)?;
        let file = options(|p| p.libver_latest()).open_as(path, OpenMode::ReadWrite).map_err(fault)?;
        let ids = description.channels.iter().map(|channel| &channel.id);
        let layout = Layout::open(path, &file, ids, &description.beside)?;
        let documents = Documents::open(&file).map_err(fault)?;
        file.start_swmr().map_err(fault)?;
        disk.try_lock_shared().map_err(|_| RecordingError::InUse { path: path.to_owned() })?;
        disk.sync_all().map_err(|e| RecordingError::io(path, "sync", &e))?;
        std::fs::rename(path, names.partial()).map_err(|e| RecordingError::io(path, "rename", &e))?;
        sync_folder(names.partial())?;
        let all = layout.datasets().into_iter().chain([&documents.header, &documents.made]);
        let places = all.zip(0..).map(|(dataset, place)| (dataset.id(), place)).collect();
        Ok(Self {
            file,
            layout,
            documents,
            committed,
            disk,
            side_log: RefCell::new(side_log),
            places,
            channel_ids: description.channels.iter().map(|channel| channel.id.clone()).collect(),
            inputs: description.channels.iter().map(|channel| channel.input).collect(),
            next_frame: None,
            counts: FrameCounts::default(),
            waiting: Waiting { table: Vec::new(), columns: vec![Vec::new(); description.channels.len()] },
            names,
        })
    }

    /// Frames so far.
    pub fn counts(&self) -> FrameCounts {
        self.counts
    }

    /// Append blocks in order; blocks before an offending one are kept.
    pub fn append_blocks(&mut self, blocks: &[Arc<Block>]) -> Result<(), RecordingError> {
        let (first, before) = (self.waiting.table.len(), self.waiting.columns.first().map_or(0, Vec::len));
        let mut fault = None;
        for block in blocks {
            match self.place(block) {
                Ok(row) => self.waiting.table.push(row),
                Err(refused) => {
                    fault = Some(refused);
                    break;
                }
            }
        }
        self.log(&self.layout.blocks, &self.waiting.table[first..])?;
        let kept = self.waiting.table.len() - first;
        self.spread(&blocks[..kept]);
        for (dataset, column) in self.layout.counts.iter().zip(&self.waiting.columns) {
            self.side_log.borrow_mut().counts(self.place_of(dataset)?, &column[before..]);
        }
        if self.waiting.columns.first().is_some_and(|column| column.len() >= ROWS_WAITING) {
            self.put_waiting()?;
        }
        fault.map_or(Ok(()), Err)
    }

    /// Counts of each channel. Block by block, so that a block stays in the processor's cache for all its channels.
    fn spread(&mut self, blocks: &[Arc<Block>]) {
        for block in blocks {
            for (column, &input) in self.waiting.columns.iter_mut().zip(&self.inputs) {
                column.extend(block.counts.chunks_exact(block.channels).map(|frame| frame[input]));
            }
        }
    }

    /// Put into the file what waits.
    fn put_waiting(&mut self) -> Result<(), RecordingError> {
        self.put(&self.layout.blocks, &self.waiting.table)?;
        for (dataset, column) in self.layout.counts.iter().zip(&self.waiting.columns) {
            self.put(dataset, column)?;
        }
        self.waiting.table.clear();
        self.waiting.columns.iter_mut().for_each(Vec::clear);
        Ok(())
    }

    /// Check a block against what came before and count it.
    fn place(&mut self, block: &Block) -> Result<BlockRow, RecordingError> {
        let refuse = |reason: String| RecordingError::Stream {
            path: self.names.partial().to_owned(),
            first_frame: block.first_frame,
            reason,
        };
        if let Some(beyond) = self.inputs.iter().find(|&&input| input >= block.channels) {
            return Err(refuse(format!("frames of {} values, a channel is on input {beyond}", block.channels)));
        }
        if block.channels == 0 || !block.counts.len().is_multiple_of(block.channels) {
            return Err(refuse(format!("{} values are no whole number of frames", block.counts.len())));
        }
        // What was lost before the first block is outside the recording.
        let expected = self.next_frame.unwrap_or(block.first_frame);
        let Some(gap) = block.first_frame.checked_sub(expected) else {
            return Err(refuse(format!("goes back: frame {expected} was expected")));
        };
        let missing_before = block.missing_before.min(gap);
        let frames = block.frames() as u64;
        let row = BlockRow {
            first_row: self.counts.stored,
            first_frame: block.first_frame,
            frames,
            missing_before,
            dropped_before: gap - missing_before,
            arrived_wall_ns: block.arrived_wall_ns,
        };
        self.next_frame = Some(block.first_frame + frames);
        self.counts.stored += frames;
        self.counts.missing += row.missing_before;
        self.counts.dropped += row.dropped_before;
        Ok(row)
    }

    /// Append rows of one of the datasets of `layout`, to the side log too.
    fn append<T: H5Type>(&self, dataset: &Dataset, rows: &[T]) -> Result<(), RecordingError> {
        self.log(dataset, rows)?;
        self.put(dataset, rows)
    }

    /// To the side log alone.
    fn log<T: H5Type>(&self, dataset: &Dataset, rows: &[T]) -> Result<(), RecordingError> {
        let bytes = bytes_of(rows).ok_or_else(|| self.strange(dataset, "its rows are no plain bytes"))?;
        if !bytes.is_empty() {
            self.side_log.borrow_mut().rows(self.place_of(dataset)?, bytes);
        }
        Ok(())
    }

    fn put<T: H5Type>(&self, dataset: &Dataset, rows: &[T]) -> Result<(), RecordingError> {
        append(dataset, rows).map_err(|e| self.fault(&format!("append to {}", dataset.name()), &e))
    }

    fn place_of(&self, dataset: &Dataset) -> Result<u32, RecordingError> {
        self.places.get(&dataset.id()).copied().ok_or_else(|| self.strange(dataset, "it has no place in the side log"))
    }

    fn strange(&self, dataset: &Dataset, why: &str) -> RecordingError {
        RecordingError::damaged(self.names.partial(), &dataset.name(), why)
    }

    /// Append settings; a new file always has their table.
    pub fn append_settings(&self, rows: &[SettingsRow]) -> Result<(), RecordingError> {
        match &self.layout.settings {
            Some(settings) => self.append(settings, rows),
            None => Ok(()),
        }
    }

    /// Append figures of links; a new file always has their table.
    pub fn append_links(&self, rows: &[LinkRow]) -> Result<(), RecordingError> {
        match &self.layout.links {
            Some(links) => self.append(links, rows),
            None => Ok(()),
        }
    }

    /// Append marks, events and the like.
    pub fn append_rows<T: H5Type>(
        &self,
        table: impl Fn(&Layout) -> &Dataset,
        rows: &[T],
    ) -> Result<(), RecordingError> {
        self.append(table(&self.layout), rows)
    }

    /// Append the header.
    pub fn write_header(&self, header: &RunHeader) -> Result<(), RecordingError> {
        self.write_document(&self.documents.header, header)
    }

    fn write_document(&self, dataset: &Dataset, value: &impl Serialize) -> Result<(), RecordingError> {
        if dataset.size() > 0 {
            return Err(RecordingError::damaged(self.names.partial(), &dataset.name(), "is written already"));
        }
        let text = serde_json::to_vec(value)
            .map_err(|e| RecordingError::damaged(self.names.partial(), &dataset.name(), e.to_string()))?;
        self.append(dataset, &text)
    }

    /// Append a whole prediction, not yet durable.
    pub fn write_prediction(&self, prediction: &Prediction) -> Result<(), RecordingError> {
        self.check_prediction(prediction)?;
        let mut first_sample = 0;
        let mut table = Vec::new();
        for (number, segment) in prediction.segments.iter().enumerate() {
            let samples = segment.flow_m3_s.len() as u64;
            table.push(SegmentRow {
                t0_s: segment.t0_s,
                dt_s: segment.dt_s,
                first_sample,
                samples,
                cycle: segment.cycle,
                phase: rows::phase_word(segment.phase),
            });
            first_sample += samples;
            for (dataset, series) in self.layout.series.iter().zip(&segment.series) {
                self.append(dataset, series)?;
            }
            for (dataset, series) in self.layout.beside.iter().zip(&segment.beside) {
                self.append(dataset, series)?;
            }
            self.append(&self.layout.flow_m3_s, &segment.flow_m3_s)?;
            if let Some(ends) = prediction.band.as_ref().and_then(|band| band.segments.get(number)) {
                for (datasets, ends) in self.layout.band.iter().zip([&ends.lower, &ends.upper]) {
                    for (dataset, series) in datasets.iter().zip(ends) {
                        self.append(dataset, series)?;
                    }
                }
            }
        }
        self.append(&self.layout.segments, &table)?;
        let text = PredictionText {
            made_with: prediction.made_with.clone(),
            assumptions: prediction.assumptions.clone(),
            warnings: prediction.warnings.clone(),
            loss_of_supply: prediction.loss_of_supply.clone(),
            emergency_stop: prediction.emergency_stop.clone(),
            events: prediction.events.clone(),
            separation: prediction.separation,
            reach: prediction.reach.clone(),
            // The ends are stored as series.
            band: prediction.band.clone().map(|band| Band { segments: Vec::new(), ..band }),
            sha256: prediction.sha256.clone(),
        };
        self.write_document(&self.documents.made, &text)
    }

    fn check_prediction(&self, prediction: &Prediction) -> Result<(), RecordingError> {
        let refuse = |reason: &str| Err(RecordingError::damaged(self.names.partial(), "/entry/prediction", reason));
        if self.documents.made.size() > 0 {
            return refuse("a prediction is stored already");
        }
        if prediction.channels != self.channel_ids {
            return refuse("the prediction's channels are not the rig's");
        }
        if prediction.beside.len() != self.layout.beside.len() {
            return refuse("the series beside the channels are not those of the rig");
        }
        let even = prediction.segments.iter().all(|segment| {
            segment.series.len() == self.channel_ids.len()
                && segment.beside.len() == prediction.beside.len()
                && segment.series.iter().chain(&segment.beside).all(|series| series.len() == segment.flow_m3_s.len())
        });
        if !even {
            return refuse("the series of a segment differ in length");
        }
        match prediction.band.as_ref().is_none_or(|band| beside_the_prediction(band, prediction)) {
            true => Ok(()),
            false => refuse("the band does not stand beside the prediction"),
        }
    }

    /// Say when the prediction was durable.
    pub fn write_stored(&self, rig_s: f64, wall_ns: u64, utc: &str) -> Result<(), RecordingError> {
        self.append(&self.layout.stored, &[StoredRow { rig_s, wall_ns, utc: ascii(utc) }])
    }

    /// Say that the recording is whole. What it tells of must be durable already.
    pub fn write_end(&self, rig_s: f64, utc: &str) -> Result<(), RecordingError> {
        let end = EndRow {
            rig_s,
            frames: self.counts.stored,
            frames_missing: self.counts.missing,
            frames_dropped: self.counts.dropped,
            utc: ascii(utc),
        };
        self.append(&self.layout.end, &[end])
    }

    /// Everything so far is lost neither by kill -9 nor by loss of power: the side log is on the disk.
    pub fn sync_log(&self) -> Result<(), RecordingError> {
        let synced = self.side_log.borrow_mut().sync();
        synced.map_err(|e| RecordingError::io(self.names.partial(), "write and sync the side log", &e))
    }

    /// The same, and it is seen by readers of the `.partial`. There rows are on the disk before the numbers that make them
    /// believed (the disk takes pages in any order); the numbers follow with the next rows.
    pub fn sync(&mut self) -> Result<(), RecordingError> {
        self.sync_log()?;
        self.put_waiting()?;
        let fault = |doing, e: &std::io::Error| RecordingError::io(self.names.partial(), doing, e);
        self.file.flush().map_err(|e| self.fault("flush", &e))?;
        self.disk.sync_data().map_err(|e| fault("sync", &e))?;
        self.commit().map_err(|e| fault("commit", &e))
    }

    /// Note how far the flush came. Each number is good by itself, so a torn write does no harm.
    fn commit(&self) -> std::io::Result<()> {
        let Documents { header, made } = &self.documents;
        let sizes = self.layout.datasets().into_iter().chain([header, made]).map(|dataset| dataset.size() as u64);
        let bytes: Vec<u8> = sizes.flat_map(u64::to_ne_bytes).collect();
        self.disk.write_all_at(&bytes, self.committed.at_byte)
    }

    /// Close the file; it keeps its name, and stands without its side log.
    pub fn close(self) -> Result<(), RecordingError> {
        let Self { names, file, layout, documents, disk, side_log, .. } = self;
        drop((layout, documents));
        file.close().map_err(|e| RecordingError::hdf5(names.partial(), "close", &e))?;
        disk.sync_all().map_err(|e| RecordingError::io(names.partial(), "sync", &e))?;
        side_log.into_inner().remove()?;
        release(disk);
        Ok(())
    }

    /// Leave the file as a killed process would. After a failed write the library would mark the file as closed in
    /// order though parts of it never reached the disk; left alone, it is readable up to the last good flush. The
    /// library's handles stay open on purpose until the process ends, so another process must recover the file.
    pub fn abandon(self) {
        let Self { file, layout, documents, disk, .. } = self;
        std::mem::forget((file, layout, documents));
        release(disk);
    }

    fn fault(&self, doing: &str, error: &hdf5::Error) -> RecordingError {
        RecordingError::hdf5(self.names.partial(), doing, error)
    }
}

/// Make the file with everything in it and close it, so that these bytes alone are a recording in which nothing is yet.
fn create_file(path: &Path, description: &RunDescription) -> H5Result<Committed> {
    let file = options(|p| p.libver_latest()).create(path)?;
    let layout = Layout::create(&file, description, Form::Partial)?;
    Documents::create(&file)?;
    let committed = Committed::create(&file, &layout)?;
    drop(layout);
    file.close()?;
    Ok(committed)
}

/// Has the band ends for every sample of every channel?
fn beside_the_prediction(band: &Band, prediction: &Prediction) -> bool {
    let mut pairs = band.segments.iter().zip(&prediction.segments);
    let lengths = |series: &[Vec<f32>]| series.iter().map(Vec::len).collect::<Vec<_>>();
    let even = |(ends, segment): (&BandSegment, &Segment)| {
        [&ends.lower, &ends.upper].iter().all(|ends| lengths(ends) == lengths(&segment.series))
    };
    band.segments.len() == prediction.segments.len() && pairs.all(even)
}

/// Append values to a one-dimensional dataset.
pub(super) fn append<T: H5Type>(dataset: &Dataset, rows: &[T]) -> H5Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    let first = dataset.size();
    dataset.resize(first + rows.len())?;
    dataset.write_slice(rows, first..first + rows.len())
}

//! Format 0: every group, dataset and attribute of a recording, and the one place that makes or opens them.
//!
//! | path | what |
//! |---|---|
//! | `/` | attributes `format` (0), `form` (`partial` or `closed`), `program`, `NX_class`, `default` |
//! | `/entry` | attributes: rig, sequence, starter, marks VIRTUAL and invented, person; once closed also `complete`, `recovered`, `loss`, counts of frames |
//! | `/entry/title`, `start_time`, `rig_text`, `sequence_text` | texts |
//! | `/entry/header_json` | header of the run as JSON (`partial`: bytes; closed: text) |
//! | `/entry/samples/<channel>` | raw counts, one dataset a channel, with its chain as attributes; rows are the frames that arrived |
//! | `/entry/samples/time_ns` | closed only: rig time of each row (dimension scale) |
//! | `/entry/blocks` | where each row belongs: first frame, missing before, arrival |
//! | `/entry/marks`, `events`, `commands`, `slow`, `stops`, `links`, `settings` | tables; `links`: figures of each link at the end; `settings`: of each starter before, in force, after |
//! | `/entry/end` | one row, written last |
//! | `/entry/committed` | `partial` only: rows of each dataset that are wholly on disk; a reader believes no more |
//! | `/entry/prediction/` | `segments`, `series/<channel>`, `flow_m3_s`, `beside/<name>` (pump, shaft, motor, levels, heads; unit in the name), `band_lower/<channel>`, `band_upper/<channel>` (no rows without a band), `made_json`, `stored` (when it was on disk) |
//! | `/entry/overview/` | closed only, derived: smallest and largest of short intervals in SI against `time_s`, what a general viewer plots first |
//! | `/entry/integrity/digests_json` | closed only: SHA-256 of each block of rows and of each object's attributes |
//! | `/entry/results/` | closed only, derived: `results_json` (the figures of `show`), attribute `alignment_u_s` (largest standard uncertainty of a start's time zero, s; NaN: not known) |
//!
//! Everything of a `.partial` is made before SWMR starts: the library does not refuse later objects, it silently
//! breaks readers.

use super::description::{RunDescription, put, write_channel, write_channel_group, write_entry};
use super::error::RecordingError;
use super::raw::create_text_attribute;
use super::rows::{
    BlockRow, CommandRow, EndRow, EventRow, LinkRow, MarkRow, SegmentRow, SettingsRow, SlowRow, StopRow, StoredRow,
};
use crate::signal::ChannelId;
use hdf5::dataset::AllocTime;
use hdf5::{Dataset, File, Group, H5Type, Result as H5Result};
use std::path::Path;

/// Format number written and the newest one read.
pub const FORMAT: u32 = 1;

pub(super) const ENTRY: &str = "entry";
pub(super) const SAMPLES: &str = "samples";
/// Dataset of rig times beside the counts; no channel may have its name.
pub(super) const TIME_AXIS: &str = "time_ns";
pub(super) const PREDICTION: &str = "prediction";
/// Group of the series beside the channels; recordings of older programs have none.
pub(super) const BESIDE: &str = "beside";
/// Groups of the lower and upper ends of the band; recordings of older programs have none.
pub(super) const BAND: [&str; 2] = ["band_lower", "band_upper"];

/// Which of the two forms of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// Being written: plain, extendable.
    Partial,
    /// Closed: compact.
    Closed,
}

impl Form {
    /// Word in the file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Partial => "partial",
            Self::Closed => "closed",
        }
    }
}

/// Rows of a chunk. Counts: 16 kB while writing, since every flush rewrites the chunk it ends in; 64 kB once closed,
/// where larger chunks compress better.
const SAMPLE_CHUNK_PARTIAL: usize = 4_096;
const SAMPLE_CHUNK_CLOSED: usize = 16_384;
const TABLE_CHUNK: usize = 64;
const BYTE_CHUNK: usize = 1_024;
/// The cheapest deflate level: on a made-up stream with 9 bits of noise, levels 1 to 9 differed by 2 % in size.
const DEFLATE_LEVEL: u8 = 1;

/// Handles of all datasets that grow.
pub(super) struct Layout {
    /// Counts by channel, rig order.
    pub counts: Vec<Dataset>,
    pub blocks: Dataset,
    pub marks: Dataset,
    pub events: Dataset,
    pub commands: Dataset,
    pub slow: Dataset,
    pub stops: Dataset,
    /// `None` in recordings of older programs.
    pub links: Option<Dataset>,
    /// `None` in recordings of older programs.
    pub settings: Option<Dataset>,
    pub end: Dataset,
    pub segments: Dataset,
    pub stored: Dataset,
    pub flow_m3_s: Dataset,
    /// Predicted series by channel, rig order.
    pub series: Vec<Dataset>,
    /// Predicted series beside the channels.
    pub beside: Vec<Dataset>,
    /// Lower, then upper ends of the band by channel, rig order; empty in recordings of older programs.
    pub band: [Vec<Dataset>; 2],
    /// Rows of each of [`Layout::datasets`] that a whole flush has written; `None`: all.
    committed: Option<Vec<u64>>,
}

/// Rows of each dataset that are wholly on disk. It lies at a fixed place of the file, and the writer puts the numbers
/// there past the library, after each good flush: inside the library they would be one flush late.
pub(super) struct Committed {
    /// Byte of the file at which the numbers begin.
    pub at_byte: u64,
}

/// Name of the dataset behind [`Committed`], below `/entry`.
pub(super) const COMMITTED: &str = "committed";
/// Its attribute: paths of the datasets, in the order of the numbers.
pub(super) const ROWS_OF: &str = "rows_of";

impl Committed {
    /// Make it, all zero.
    pub fn create(file: &File, layout: &Layout) -> Result<Self, hdf5::Error> {
        let numbers = vec![0_u64; layout.datasets().len() + DOCUMENTS];
        let dataset = file
            .group(ENTRY)?
            .new_dataset::<u64>()
            .alloc_time(Some(AllocTime::Early))
            .shape(numbers.len())
            .create(COMMITTED)?;
        dataset.write(&numbers)?;
        create_text_attribute(&dataset, ROWS_OF, &order(layout))?;
        file.flush()?;
        dataset.offset().map(|at_byte| Self { at_byte }).ok_or_else(|| "no fixed place in the file".into())
    }
}

fn order(layout: &Layout) -> String {
    let names = layout.datasets().into_iter().map(|dataset| dataset.name());
    names.chain([HEADER, MADE].map(|name| format!("/{ENTRY}/{name}"))).collect::<Vec<_>>().join(" ")
}

/// Texts that are not known when the file is made: bytes that grow in a `.partial`, plain text once closed.
pub(super) struct Documents {
    pub header: Dataset,
    pub made: Dataset,
}

/// How many there are.
const DOCUMENTS: usize = 2;

/// Path of each document below `/entry`.
pub(super) const HEADER: &str = "header_json";
/// Inputs, assumptions and hash of the prediction.
pub(super) const MADE: &str = "prediction/made_json";

impl Layout {
    /// Make everything in an empty file.
    pub fn create(file: &File, description: &RunDescription, form: Form) -> H5Result<Self> {
        let entry = create_root(file, form)?;
        write_entry(&entry, description)?;
        let samples = class(entry.create_group(SAMPLES)?, "NXdata")?;
        write_channel_group(&samples, description)?;
        let prediction = class(entry.create_group(PREDICTION)?, "NXcollection")?;
        let series = class(prediction.create_group("series")?, "NXcollection")?;
        let mut counts = Vec::new();
        let mut predicted = Vec::new();
        let mut band = [Vec::new(), Vec::new()];
        for (ends, name) in band.iter_mut().zip(BAND) {
            let group = class(prediction.create_group(name)?, "NXcollection")?;
            for channel in &description.channels {
                let dataset = samples_dataset::<f32>(&group, &channel.id.0, form)?;
                create_text_attribute(&dataset, "units", super::description::unit_of(channel.quantity))?;
                ends.push(dataset);
            }
        }
        for channel in &description.channels {
            let dataset = samples_dataset::<i32>(&samples, &channel.id.0, form)?;
            write_channel(&dataset, channel)?;
            counts.push(dataset);
            let dataset = samples_dataset::<f32>(&series, &channel.id.0, form)?;
            create_text_attribute(&dataset, "units", super::description::unit_of(channel.quantity))?;
            predicted.push(dataset);
        }
        let group = class(prediction.create_group(BESIDE)?, "NXcollection")?;
        create_text_attribute(&group, "names", &description.beside.join(" "))?;
        let beside = description.beside.iter().map(|name| samples_dataset::<f32>(&group, name, form));
        let beside = beside.collect::<H5Result<_>>()?;
        let flow_m3_s = samples_dataset::<f32>(&prediction, "flow_m3_s", form)?;
        create_text_attribute(&flow_m3_s, "units", "m3/s")?;
        Ok(Self {
            counts,
            blocks: table::<BlockRow>(&entry, "blocks", form)?,
            marks: table::<MarkRow>(&entry, "marks", form)?,
            events: table::<EventRow>(&entry, "events", form)?,
            commands: table::<CommandRow>(&entry, "commands", form)?,
            slow: table::<SlowRow>(&entry, "slow", form)?,
            stops: table::<StopRow>(&entry, "stops", form)?,
            links: Some(table::<LinkRow>(&entry, "links", form)?),
            settings: Some(table::<SettingsRow>(&entry, "settings", form)?),
            end: table::<EndRow>(&entry, "end", form)?,
            segments: table::<SegmentRow>(&prediction, "segments", form)?,
            stored: table::<StoredRow>(&prediction, "stored", form)?,
            flow_m3_s,
            series: predicted,
            beside,
            band,
            committed: None,
        })
    }

    /// Open everything.
    pub fn open<'a>(
        path: &Path,
        file: &File,
        channels: impl Iterator<Item = &'a ChannelId>,
        beside: &[String],
    ) -> Result<Self, RecordingError> {
        let dataset = |name: &str| {
            let full = format!("/{ENTRY}/{name}");
            file.dataset(&full).map_err(|e| RecordingError::damaged(path, &full, e.to_string()))
        };
        let mut counts = Vec::new();
        let mut series = Vec::new();
        let mut band = [Vec::new(), Vec::new()];
        let has_band = file.group(&format!("/{ENTRY}/{PREDICTION}/{}", BAND[0])).is_ok();
        for id in channels {
            counts.push(dataset(&format!("{SAMPLES}/{id}"))?);
            series.push(dataset(&format!("{PREDICTION}/series/{id}"))?);
            for (ends, name) in band.iter_mut().zip(BAND).filter(|_| has_band) {
                ends.push(dataset(&format!("{PREDICTION}/{name}/{id}"))?);
            }
        }
        Ok(Self {
            counts,
            blocks: dataset("blocks")?,
            marks: dataset("marks")?,
            events: dataset("events")?,
            commands: dataset("commands")?,
            slow: dataset("slow")?,
            stops: dataset("stops")?,
            links: file.dataset(&format!("/{ENTRY}/links")).ok(),
            settings: file.dataset(&format!("/{ENTRY}/settings")).ok(),
            end: dataset("end")?,
            segments: dataset("prediction/segments")?,
            stored: dataset("prediction/stored")?,
            flow_m3_s: dataset("prediction/flow_m3_s")?,
            series,
            beside: beside
                .iter()
                .map(|name| dataset(&format!("{PREDICTION}/{BESIDE}/{name}")))
                .collect::<Result<_, _>>()?,
            band,
            committed: None,
        })
    }

    /// Believe only what a whole flush has written: after a failed write the library lets datasets grow over chunks
    /// that never reached the disk and read as zeros.
    pub fn believe(&mut self, committed: Vec<u64>) -> Result<(), String> {
        let wanted = self.datasets().len() + DOCUMENTS;
        if committed.len() != wanted {
            return Err(format!("{} numbers, {wanted} were expected", committed.len()));
        }
        self.committed = Some(committed);
        Ok(())
    }

    /// Rows of one of the datasets that count.
    pub fn rows(&self, dataset: &Dataset) -> usize {
        let place = self.datasets().iter().position(|known| known.id() == dataset.id());
        let committed = place.and_then(|at| self.committed.as_ref()?.get(at).copied());
        dataset.size().min(committed.map_or(usize::MAX, |rows| rows as usize))
    }

    /// Bytes of a document that count, the header first.
    pub fn document_bytes(&self, document: usize) -> usize {
        let committed = self.committed.as_ref().and_then(|all| all.get(all.len() - DOCUMENTS + document));
        committed.map_or(usize::MAX, |&bytes| bytes as usize)
    }

    /// All datasets that grow, in a fixed order.
    pub fn datasets(&self) -> Vec<&Dataset> {
        let tables = [
            &self.blocks,
            &self.marks,
            &self.events,
            &self.commands,
            &self.slow,
            &self.stops,
            &self.end,
            &self.segments,
            &self.stored,
            &self.flow_m3_s,
        ];
        self.counts
            .iter()
            .chain(tables)
            .chain(&self.links)
            .chain(&self.settings)
            .chain(&self.series)
            .chain(&self.beside)
            .chain(self.band.iter().flatten())
            .collect()
    }

    /// Frames stored in every channel: channels reach the disk one after another, so a file that was cut off may hold
    /// a little more of the first.
    pub fn whole_frames(&self) -> usize {
        self.counts.iter().map(|counts| self.rows(counts)).min().unwrap_or(0)
    }
}

impl Documents {
    /// Make both, empty.
    pub fn create(file: &File) -> H5Result<Self> {
        let entry = file.group(ENTRY)?;
        let bytes = |name| entry.new_dataset::<u8>().chunk(BYTE_CHUNK).shape(0..).create(name);
        Ok(Self { header: bytes(HEADER)?, made: bytes(MADE)? })
    }

    /// Open both.
    pub fn open(file: &File) -> H5Result<Self> {
        let entry = file.group(ENTRY)?;
        Ok(Self { header: entry.dataset(HEADER)?, made: entry.dataset(MADE)? })
    }
}

fn create_root(file: &File, form: Form) -> H5Result<Group> {
    put(file, "format", FORMAT)?;
    create_text_attribute(file, "form", form.word())?;
    create_text_attribute(file, "program", concat!("ramprig ", env!("CARGO_PKG_VERSION")))?;
    create_text_attribute(file, "NX_class", "NXroot")?;
    create_text_attribute(file, "default", ENTRY)?;
    let entry = class(file.create_group(ENTRY)?, "NXentry")?;
    let shown = match form {
        Form::Partial => SAMPLES,
        Form::Closed => super::overview::GROUP,
    };
    create_text_attribute(&entry, "default", shown)?;
    Ok(entry)
}

/// Give a group its NeXus class.
pub(super) fn class(group: Group, nx_class: &str) -> H5Result<Group> {
    create_text_attribute(&group, "NX_class", nx_class)?;
    Ok(group)
}

/// An extendable series of numbers.
pub(super) fn samples_dataset<T: H5Type>(group: &Group, name: &str, form: Form) -> H5Result<Dataset> {
    let chunk = match form {
        Form::Partial => SAMPLE_CHUNK_PARTIAL,
        Form::Closed => SAMPLE_CHUNK_CLOSED,
    };
    growing::<T>(group, name, chunk, form)
}

fn table<T: H5Type>(group: &Group, name: &str, form: Form) -> H5Result<Dataset> {
    growing::<T>(group, name, TABLE_CHUNK, form)
}

fn growing<T: H5Type>(group: &Group, name: &str, chunk: usize, form: Form) -> H5Result<Dataset> {
    let builder = group.new_dataset::<T>().chunk(chunk);
    let builder = match form {
        Form::Partial => builder,
        Form::Closed => builder.shuffle().deflate(DEFLATE_LEVEL),
    };
    builder.shape(0..).create(name)
}

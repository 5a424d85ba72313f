//! Reading recordings of every kind: closed, recovered, finished but not closed, cut off, and (from another process)
//! one that is being written.

use super::description::{RunDescription, attribute, read_description, text_attribute, unit_of};
use super::error::RecordingError;
use super::opened::Opened;
use super::raw::read_text;
use super::rows;
use super::rows::{BlockRow, EndRow, SegmentRow, StoredRow};
use super::schema::{COMMITTED, ENTRY, Form, HEADER, Layout, MADE};
use super::span::{Span, frame_range, frames_lost, spans};
use super::store::PredictionText;
use crate::comparison::recalibrate::evaluate;
use crate::comparison::{ChannelInfo, RunData};
use crate::prediction::bands::BandSegment;
use crate::prediction::{Band, Prediction, Segment};
use crate::rig::model::{Channel, Quantity};
use crate::sequence::ports::{CommandRecord, StatusReading, StopOutcome};
use crate::signal::Trace;
use crate::signal::room::filled;
use crate::starters::StarterKind;
use hdf5::{Dataset, H5Type};
use std::path::Path;

/// A recording in a few lines, without its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingSummary {
    /// Closed (compact, read back), as against still `.partial`.
    pub closed: bool,
    /// The run ended in order: the end mark is there.
    pub complete: bool,
    /// Made from a file that had been cut off.
    pub recovered: bool,
    /// What was lost, in words, when recovered.
    pub loss: Option<String>,
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// The rig said that it is virtual.
    pub is_virtual: bool,
    /// The rig file says that the rig is invented.
    pub invented: bool,
    /// Starter id.
    pub starter: String,
    /// Starter kind.
    pub starter_kind: Option<StarterKind>,
    /// Start of the recording, UTC, RFC 3339.
    pub started_utc: String,
    /// Person in attendance.
    pub attending: String,
    /// What the person called it; empty: nothing.
    pub label: String,
    /// Frames stored.
    pub frames: u64,
    /// Frames missing between the first and the last.
    pub frames_missing: u64,
    /// Rig time from the first frame to the last, s.
    pub duration_s: f64,
    /// Rig time at which the prediction was on disk, s.
    pub prediction_stored_s: Option<f64>,
    /// Stop outcome of each cycle, from 1.
    pub stop_outcomes: Vec<StopOutcome>,
}

/// What went over the wires besides the samples.
#[derive(Debug, Clone, PartialEq)]
pub struct WireLog {
    /// Commands with their read-backs, each with its rig time, s.
    pub commands: Vec<(f64, CommandRecord)>,
    /// Polled status, each with its rig time, s.
    pub slow: Vec<(f64, StatusReading)>,
}

/// A recording whose structure is open and whose frames are placed in time.
pub(super) struct Recording {
    pub opened: Opened,
    pub description: RunDescription,
    pub layout: Layout,
    pub spans: Vec<Span>,
}

/// Read a whole run.
///
/// # Errors
/// Not found, empty, foreign, truncated, damaged, or of a newer format; each names the file.
pub fn read(path: &Path) -> Result<RunData, RecordingError> {
    let recording = Recording::open(path)?;
    let d = &recording.description;
    Ok(RunData {
        path: path.display().to_string(),
        rig_id: d.rig_id.clone(),
        rig_name: d.rig_name.clone(),
        rig_text: d.rig_text.clone(),
        sequence_text: d.sequence_text.clone(),
        is_virtual: d.is_virtual,
        started_utc: d.started_utc.clone(),
        header: recording.json(HEADER)?,
        label: d.label.clone(),
        starter_kind: d.starter_kind,
        channels: d.channels.iter().map(channel_info).collect(),
        headline: d.headline,
        traces: recording.traces()?,
        frames: recording.frames(),
        frames_missing: frames_lost(&recording.spans),
        shows_loss: d.shows_loss,
        marks: recording.table_of(&recording.layout.marks, rows::marks)?,
        events: recording.table_of(&recording.layout.events, rows::events)?,
        prediction: recording.prediction()?,
        prediction_stored_s: recording.prediction_stored_s()?,
        stop_outcomes: recording.table_of(&recording.layout.stops, rows::stops)?,
        links: match &recording.layout.links {
            Some(links) => recording.table_of(links, |rows| Ok(rows.iter().map(rows::link).collect()))?,
            None => Vec::new(),
        },
        settings: match &recording.layout.settings {
            Some(settings) => recording.table_of(settings, |rows| rows.iter().map(rows::settings).collect())?,
            None => Vec::new(),
        },
        complete: recording.opened.form == Form::Closed && recording.end()?.is_some(),
    })
}

/// Read everything but samples, prediction and texts: quick whatever the length of the run.
///
/// # Errors
/// As [`read`].
pub fn summary(path: &Path) -> Result<RecordingSummary, RecordingError> {
    let recording = Recording::open(path)?;
    let closed = recording.opened.form == Form::Closed;
    let recovered = closed && attribute(path, &recording.opened.entry, "recovered")?;
    let d = &recording.description;
    let range = frame_range(&recording.spans);
    Ok(RecordingSummary {
        closed,
        complete: recording.end()?.is_some(),
        recovered,
        loss: recovered.then(|| text_attribute(path, &recording.opened.entry, "loss")).transpose()?,
        rig_id: d.rig_id.clone(),
        rig_name: d.rig_name.clone(),
        is_virtual: d.is_virtual,
        invented: d.invented,
        starter: d.starter.clone(),
        starter_kind: d.starter_kind,
        started_utc: d.started_utc.clone(),
        attending: d.attending.clone(),
        label: d.label.clone(),
        frames: recording.frames(),
        frames_missing: frames_lost(&recording.spans),
        duration_s: (range.end - range.start) as f64 / d.rate_hz,
        prediction_stored_s: recording.prediction_stored_s()?,
        stop_outcomes: recording.table_of(&recording.layout.stops, rows::stops)?,
    })
}

/// Read the commands and the polled status.
///
/// # Errors
/// As [`read`].
pub fn read_wire_log(path: &Path) -> Result<WireLog, RecordingError> {
    let recording = Recording::open(path)?;
    Ok(WireLog {
        commands: recording.table_of(&recording.layout.commands, |rows| Ok(rows::commands(rows)))?,
        slow: recording.table_of(&recording.layout.slow, |rows| Ok(rows.iter().map(rows::slow).collect()))?,
    })
}

fn channel_info(channel: &Channel) -> ChannelInfo {
    ChannelInfo {
        id: channel.id.clone(),
        label: channel.label.clone(),
        unit: unit_of(channel.quantity).to_owned(),
        waveform: channel.quantity == Quantity::CurrentWave,
        filter_class: channel.filter_class,
        bandwidth_hz: channel.bandwidth_hz,
        calibration_u: channel.calibration_u,
        range: channel.range,
        scaling: channel.scaling,
        elevation_m: channel.diaphragm_elevation_m,
        chain: channel.chain.clone(),
    }
}

/// The frames of a recording as they came over the wire.
pub struct RecordedFrames {
    recording: Recording,
}

impl RecordedFrames {
    /// Open a recording of any kind.
    ///
    /// # Errors
    /// As [`read`].
    pub fn open(path: &Path) -> Result<Self, RecordingError> {
        Ok(Self { recording: Recording::open(path)? })
    }

    /// Frames a second.
    pub fn rate_hz(&self) -> f64 {
        self.recording.description.rate_hz
    }

    /// Values in a frame; places on the wire that no channel stood on read 0.
    pub fn width(&self) -> usize {
        self.recording.description.channels.iter().map(|channel| channel.input + 1).max().unwrap_or(0)
    }

    /// Contiguous stretches of at most `most` frames in order, each with the number of its first frame. `take` may end it
    /// by an error.
    ///
    /// # Errors
    /// Damage, or what `take` gives.
    pub fn each<E: From<RecordingError>>(
        &self,
        most: usize,
        mut take: impl FnMut(u64, &[i32]) -> Result<(), E>,
    ) -> Result<(), E> {
        let (recording, width) = (&self.recording, self.width());
        for span in &recording.spans {
            for from in (0..span.frames).step_by(most.max(1)) {
                let frames = (span.frames - from).min(most.max(1) as u64) as usize;
                let mut counts = vec![0; frames * width];
                for (dataset, channel) in recording.layout.counts.iter().zip(&recording.description.channels) {
                    let column: Vec<i32> =
                        rows_of(recording.path(), dataset, (span.first_row + from) as usize, frames)?;
                    counts
                        .iter_mut()
                        .skip(channel.input)
                        .step_by(width)
                        .zip(column)
                        .for_each(|(at, count)| *at = count);
                }
                take(span.first_frame + from, &counts)?;
            }
        }
        Ok(())
    }
}

impl Recording {
    pub fn open(path: &Path) -> Result<Self, RecordingError> {
        let opened = Opened::open(path)?;
        let description = read_description(path, &opened.entry)?;
        let mut layout = Layout::open(
            path,
            &opened.file,
            description.channels.iter().map(|channel| &channel.id),
            &description.beside,
        )?;
        if opened.form == Form::Partial {
            let committed = opened.entry.dataset(COMMITTED).and_then(|dataset| dataset.read_raw());
            let fault = |why| RecordingError::damaged(path, "/entry/committed", why);
            layout.believe(committed.map_err(|e| fault(e.to_string()))?).map_err(fault)?;
        }
        let rows = layout.whole_frames() as u64;
        let table: Vec<BlockRow> = rows_of(path, &layout.blocks, 0, layout.rows(&layout.blocks))?;
        let fault = |why| RecordingError::damaged(path, "/entry/blocks", why);
        let spans = spans(&table, rows).map_err(fault)?;
        let placed: u64 = spans.iter().map(|span| span.frames).sum();
        if opened.form == Form::Closed && placed != rows {
            return Err(fault(format!("places {placed} rows, {rows} are stored")));
        }
        Ok(Self { opened, description, layout, spans })
    }

    fn path(&self) -> &Path {
        &self.opened.path
    }

    /// Frames stored in every channel.
    pub fn frames(&self) -> u64 {
        self.spans.iter().map(|span| span.frames).sum()
    }

    /// The end mark.
    pub fn end(&self) -> Result<Option<EndRow>, RecordingError> {
        Ok(self.table(&self.layout.end)?.first().copied())
    }

    /// All rows of a table that count.
    fn table<T: H5Type>(&self, dataset: &Dataset) -> Result<Vec<T>, RecordingError> {
        rows_of(self.path(), dataset, 0, self.layout.rows(dataset))
    }

    fn table_of<R: H5Type, T>(
        &self,
        dataset: &Dataset,
        meaning: impl Fn(&[R]) -> Result<T, String>,
    ) -> Result<T, RecordingError> {
        let rows = self.table(dataset)?;
        meaning(&rows).map_err(|why| RecordingError::damaged(self.path(), &dataset.name(), why))
    }

    /// Text of a document, whichever way it is stored; `None`: not written.
    pub fn document(&self, name: &str) -> Result<Option<String>, RecordingError> {
        let item = format!("/{ENTRY}/{name}");
        let fault = |e: hdf5::Error| RecordingError::damaged(self.path(), &item, e.to_string());
        let dataset = self.opened.entry.dataset(name).map_err(fault)?;
        let text = match self.opened.form {
            Form::Closed => read_text(&dataset).map_err(fault)?,
            Form::Partial => {
                let bytes = self.layout.document_bytes(usize::from(name == MADE)).min(dataset.size());
                String::from_utf8(rows_of(self.path(), &dataset, 0, bytes)?)
                    .map_err(|_| RecordingError::damaged(self.path(), &item, "is not UTF-8"))?
            }
        };
        Ok((!text.is_empty()).then_some(text))
    }

    fn json<T: serde::de::DeserializeOwned>(&self, name: &str) -> Result<Option<T>, RecordingError> {
        self.document(name)?
            .map(|text| serde_json::from_str(&text))
            .transpose()
            .map_err(|e| RecordingError::damaged(self.path(), &format!("/{ENTRY}/{name}"), e.to_string()))
    }

    fn traces(&self) -> Result<Vec<Trace>, RecordingError> {
        let range = frame_range(&self.spans);
        let length = (range.end - range.start) as usize;
        let rows = self.frames() as usize;
        let mut traces = Vec::new();
        for (dataset, channel) in self.layout.counts.iter().zip(&self.description.channels) {
            let counts: Vec<i32> = rows_of(self.path(), dataset, 0, rows)?;
            let mut values = filled(length, f64::NAN);
            for span in &self.spans {
                let at = (span.first_frame - range.start) as usize;
                let (first, frames) = (span.first_row as usize, span.frames as usize);
                let stored = &counts[first..first + frames];
                for (value, &count) in values[at..at + frames].iter_mut().zip(stored) {
                    *value = channel.scaling.to_si(count);
                }
            }
            if let Some(fit) = channel.chain.calibration.fit {
                evaluate(&channel_info(channel), fit, &mut values);
            }
            // A frame was taken before its converter's filter let it out.
            let t0_s = range.start as f64 / self.description.rate_hz - channel.chain.group_delay_s;
            traces.push(Trace { t0_s, dt_s: 1.0 / self.description.rate_hz, values });
        }
        Ok(traces)
    }

    fn prediction_stored_s(&self) -> Result<Option<f64>, RecordingError> {
        let stored: Vec<StoredRow> = self.table(&self.layout.stored)?;
        Ok(stored.first().map(|row| row.rig_s))
    }

    /// The prediction, if it was stored whole.
    fn prediction(&self) -> Result<Option<Prediction>, RecordingError> {
        if self.prediction_stored_s()?.is_none() {
            return Ok(None);
        }
        let text: Option<PredictionText> = self.json(MADE)?;
        let Some(text) = text else { return Ok(None) };
        let segments: Vec<SegmentRow> = self.table(&self.layout.segments)?;
        Ok(Some(Prediction {
            channels: self.description.channels.iter().map(|channel| channel.id.clone()).collect(),
            beside: self.description.beside.clone(),
            segments: segments.iter().map(|row| self.segment(row)).collect::<Result<_, _>>()?,
            made_with: text.made_with,
            assumptions: text.assumptions,
            warnings: text.warnings,
            loss_of_supply: text.loss_of_supply,
            emergency_stop: text.emergency_stop,
            events: text.events,
            separation: text.separation,
            reach: text.reach,
            band: text.band.map(|band| self.band(band, &segments)).transpose()?,
            sha256: text.sha256,
        }))
    }

    /// With its ends, where they are stored as series; an older program put them into the text.
    fn band(&self, band: Band, rows: &[SegmentRow]) -> Result<Band, RecordingError> {
        if !band.segments.is_empty() {
            return Ok(band);
        }
        let ends = |row: &SegmentRow, datasets: &[Dataset]| -> Result<Vec<Vec<f32>>, RecordingError> {
            let (first, samples) = (row.first_sample as usize, row.samples as usize);
            datasets.iter().map(|dataset| rows_of::<f32>(self.path(), dataset, first, samples)).collect()
        };
        let [lower, upper] = &self.layout.band;
        let segment = |row| Ok(BandSegment { lower: ends(row, lower)?, upper: ends(row, upper)? });
        Ok(Band { segments: rows.iter().map(segment).collect::<Result<_, RecordingError>>()?, ..band })
    }

    fn segment(&self, row: &SegmentRow) -> Result<Segment, RecordingError> {
        let series =
            |dataset: &Dataset| rows_of::<f32>(self.path(), dataset, row.first_sample as usize, row.samples as usize);
        Ok(Segment {
            cycle: row.cycle,
            phase: rows::phase(&row.phase)
                .map_err(|why| RecordingError::damaged(self.path(), "/entry/prediction/segments", why))?,
            t0_s: row.t0_s,
            dt_s: row.dt_s,
            series: self.layout.series.iter().map(series).collect::<Result<_, _>>()?,
            flow_m3_s: series(&self.layout.flow_m3_s)?,
            beside: self.layout.beside.iter().map(series).collect::<Result<_, _>>()?,
        })
    }
}

fn rows_of<T: H5Type>(path: &Path, dataset: &Dataset, first: usize, count: usize) -> Result<Vec<T>, RecordingError> {
    let fault = |why: String| RecordingError::damaged(path, &dataset.name(), why);
    let stored = dataset.size();
    let end = first.checked_add(count).filter(|&end| end <= stored);
    let Some(end) = end else {
        return Err(fault(format!("rows {first} and {count} more, {stored} are stored")));
    };
    if count == 0 {
        return Ok(Vec::new());
    }
    dataset.read_slice_1d::<T, _>(first..end).map(|rows| rows.into_iter().collect()).map_err(|e| fault(e.to_string()))
}

//! A session in a folder: past blocks, triggers, the open event, rows, envelope, quota.

use super::envelope::Envelope;
use super::event::{OpenEvent, Studio};
use super::row::{COLUMNS, Row, read_rows};
use super::trigger::{Fired, Triggers, samples};
use super::{ObserveError, Registers};
use crate::acquisition::{Input, Setup};
use crate::clock::{RigClock, WallClock, utc_now_rfc3339};
use crate::recording::RunDescription;
use crate::rig::model::{Device, Quantity, Rig};
use crate::rig::observing::TriggerOn;
use crate::rig::register_map::Role;
use crate::sequence::marks::MarkKind;
use crate::sequence::ports::LinkStatistics;
use crate::signal::Block;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Envelope and session file go to the disk once this much rig time has passed, s.
const SYNC_EVERY_S: f64 = 10.0;
/// The level is the mean over this long before a trigger, s.
const LEVEL_S: f64 = 1.0;
/// Share of the quota that is kept for the envelope.
const ENVELOPE_SHARE: f64 = 0.25;

/// What a session is about.
#[derive(Debug, Clone)]
pub struct SessionSetup {
    /// The rig.
    pub rig: Arc<Rig>,
    /// Folder.
    pub folder: PathBuf,
    /// Label, such as `before` or `after`.
    pub label: String,
}

/// A channel over the whole session.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ChannelHealth {
    /// Channel id.
    pub id: String,
    /// Samples at an end of the range, s.
    pub clipped_s: f64,
    /// Longest stretch of one value, s.
    pub flat_s: f64,
    /// Time zero taken by `zero` (UTC), before the session; empty: none.
    pub zero_utc: String,
    /// False for channels that no zero is taken of (currents, contacts, polled ones); not said by older programs.
    #[serde(default)]
    pub takes_zero: Option<bool>,
}

/// `session.json`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SessionRecord {
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// Label.
    pub label: String,
    /// First beginning, UTC.
    pub began_utc: String,
    /// Newest sign of life, UTC.
    pub seen_utc: String,
    /// Times the program was started on it.
    pub starts: u32,
    /// Rig time watched, s.
    pub watched_s: f64,
    /// Frames missing.
    pub frames_missing: u64,
    /// Events of which no recording was kept, since the quota was used up.
    pub unkept: u64,
    /// The envelope has used its share of the quota up and is no longer written.
    pub envelope_full: bool,
    /// Devices, in the rig's order.
    pub devices: Vec<String>,
    /// Those of them that drive a motor; empty in sessions of older programs.
    #[serde(default)]
    pub pumps: Vec<String>,
    /// Level bands, lowest first.
    pub bands: Vec<String>,
    /// Events wanted for each device and band.
    pub events_wanted: u32,
    /// Channels.
    pub channels: Vec<ChannelHealth>,
    /// A device said that it is virtual.
    pub is_virtual: bool,
}

#[derive(Debug, Clone, Copy, Default)]
struct Standing {
    last: Option<i32>,
    frames: u64,
}

/// A session in progress. Memory is fixed: past blocks of `pre`, one event of at most `longest`.
pub struct Session {
    setup: SessionSetup,
    inputs: Vec<Input>,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
    triggers: Triggers,
    /// Past blocks, each with what ran at its end.
    past: VecDeque<(Arc<Block>, Vec<Option<bool>>)>,
    past_frames: u64,
    open: Option<OpenEvent>,
    envelope: Envelope,
    rows: File,
    events: u64,
    kept_bytes: u64,
    running: Vec<Option<bool>>,
    standing: Vec<Standing>,
    record: SessionRecord,
    base_watched_s: f64,
    frames: u64,
    synced_frame: u64,
    /// Figures of the links when they were looked at last.
    links: Vec<LinkStatistics>,
}

impl Session {
    /// Begin a session, or go on with the one in the folder.
    pub fn open(setup: SessionSetup, clock: Arc<dyn WallClock>, rig_clock: RigClock) -> Result<Self, ObserveError> {
        let rig = Arc::clone(&setup.rig);
        let observing = &rig.observing;
        if observing.triggers.is_empty() {
            let channel = rig.channels.get(rig.headline).map_or_else(String::new, |channel| channel.id.0.clone());
            return Err(ObserveError::NoTrigger { file: rig.id.clone(), channel });
        }
        let folder = &setup.folder;
        std::fs::create_dir_all(folder).map_err(|source| ObserveError::io(folder, source))?;
        let record = record_of(&setup)?;
        keep_rig_text(folder, &rig.text)?;
        let inputs = Setup::of(&rig).inputs;
        let rate_hz = rig.source.rate_hz;
        let ids: Vec<_> = rig.channels.iter().map(|channel| channel.id.clone()).collect();
        let room = (observing.disk_quota_bytes as f64 * ENVELOPE_SHARE) as u64;
        let envelope = Envelope::open(folder, &ids, &inputs, rate_hz, observing.envelope_s, room)?;
        let events = read_rows(folder)?.last().map_or(0, |row| row.event).max(newest_recording(folder));
        let mut session = Self {
            triggers: Triggers::new(&observing.triggers, &inputs, rate_hz),
            rows: open_rows(folder)?,
            kept_bytes: bytes_of_recordings(folder),
            running: Vec::new(),
            standing: vec![Standing::default(); inputs.len()],
            base_watched_s: record.watched_s,
            frames: 0,
            synced_frame: 0,
            links: Vec::new(),
            past: VecDeque::new(),
            past_frames: 0,
            open: None,
            envelope,
            events,
            record,
            inputs,
            clock,
            rig_clock,
            setup,
        };
        session.write_record()?;
        Ok(session)
    }

    /// What is known of the session.
    pub fn record(&self) -> &SessionRecord {
        &self.record
    }

    /// Events so far, those of earlier starts included.
    pub fn events(&self) -> u64 {
        self.events
    }

    /// Rig time watched since this start, s.
    pub fn watched_s(&self) -> f64 {
        self.frames as f64 / self.setup.rig.source.rate_hz
    }

    /// Frames held in memory, of past blocks and of the open event's headline channel.
    pub fn frames_held(&self) -> u64 {
        self.past_frames
    }

    fn frames_of(&self, time_s: f64) -> u64 {
        (time_s * self.setup.rig.source.rate_hz).round() as u64
    }

    /// Takes a block. Answers with the row of an event that ended, and what was wrong with its recording.
    pub fn take(
        &mut self,
        block: &Arc<Block>,
        registers: &dyn Registers,
    ) -> Result<Option<(Row, Option<String>)>, ObserveError> {
        self.frames += block.frames() as u64;
        self.record.frames_missing += block.missing_before;
        self.envelope.take(block, utc_now_rfc3339)?;
        self.look_at_channels(block);
        let running: Vec<Option<bool>> = (0..self.record.devices.len()).map(|k| registers.is_running(k)).collect();
        let fired = self.triggers.look(block, registers);
        self.keep_past(block, &running);
        let begins = self.open.is_none() && !fired.is_empty();
        if let Some(first) = fired.first() {
            match self.open.as_mut() {
                Some(open) => {
                    let post = (self.setup.rig.observing.post_s * self.setup.rig.source.rate_hz) as u64;
                    open.end_frame = (first.frame + post).min(open.latest_frame);
                    open.take(block, &self.setup.studio(&self.inputs, &self.clock, &self.rig_clock));
                }
                None => self.begin(*first, registers, &running)?,
            }
        } else if let Some(open) = self.open.as_mut() {
            open.take(block, &self.setup.studio(&self.inputs, &self.clock, &self.rig_clock));
        }
        if let Some(open) = self.open.as_mut().filter(|_| !begins) {
            self.setup.mark_switching(open, block, &self.running, &running);
        }
        self.running = running;
        let end_frame = block.first_frame + block.frames() as u64;
        if end_frame.saturating_sub(self.synced_frame) >= self.frames_of(SYNC_EVERY_S) {
            self.synced_frame = end_frame;
            self.sync()?;
        }
        match self.open.take_if(|open| end_frame >= open.end_frame) {
            Some(open) => {
                self.links = registers.links();
                self.end_event(open).map(Some)
            }
            None => Ok(None),
        }
    }

    fn keep_past(&mut self, block: &Arc<Block>, running: &[Option<bool>]) {
        let most = self.frames_of(self.setup.rig.observing.pre_s);
        if block.missing_before > 0 {
            self.past.clear();
            self.past_frames = 0;
        }
        self.past.push_back((Arc::clone(block), running.to_vec()));
        self.past_frames += block.frames() as u64;
        // The block before the wanted past stays: the past begins somewhere within it.
        while let Some(oldest) = self.past.front().map(|(oldest, _)| oldest.frames() as u64)
            && self.past_frames - oldest > most
        {
            self.past.pop_front();
            self.past_frames -= oldest;
        }
    }

    fn look_at_channels(&mut self, block: &Block) {
        let rate_hz = self.setup.rig.source.rate_hz;
        let channels = self.setup.rig.channels.iter().zip(&self.inputs);
        for ((channel, input), (health, standing)) in
            channels.zip(self.record.channels.iter_mut().zip(&mut self.standing))
        {
            let (low, high) = channel.chain.measurable(channel.range);
            let mut clipped = 0_u64;
            let counts = block.counts.iter().skip(input.position).step_by(block.channels.max(1));
            for &counts in counts {
                let value = input.scaling.to_si(counts);
                clipped += u64::from(
                    (value >= high && channel.quantity.may_clip()) || (value <= low && channel.quantity.may_clip_low()),
                );
                standing.frames = if standing.last == Some(counts) { standing.frames + 1 } else { 1 };
                standing.last = Some(counts);
                // A flat stretch is told once it has ended or grown: the longest counts. Polled values are held, contacts rest.
                if channel.chain.polled.is_none() && channel.quantity.may_clip() {
                    health.flat_s = health.flat_s.max(standing.frames as f64 / rate_hz);
                }
            }
            health.clipped_s += clipped as f64 / rate_hz;
        }
    }

    fn begin(&mut self, fired: Fired, registers: &dyn Registers, running: &[Option<bool>]) -> Result<(), ObserveError> {
        self.events += 1;
        let rig = Arc::clone(&self.setup.rig);
        let observing = &rig.observing;
        let trigger = &observing.triggers[fired.trigger];
        let level_m = self.level_m(fired.frame);
        let room = (observing.disk_quota_bytes as f64 * (1.0 - ENVELOPE_SHARE)) as u64;
        let event_bytes = self.frames_of(observing.longest_s) * 4 * rig.channels.len() as u64;
        let is_kept = self.kept_bytes + event_bytes <= room;
        let name = format!("event-{:06}.h5", self.events);
        let row = Row {
            event: self.events,
            utc: utc_now_rfc3339(),
            rig_s: fired.frame as f64 / rig.source.rate_hz,
            trigger: trigger.id.clone(),
            pump: self.pump(&trigger.on, running, &registers.ids()),
            pumps_running_before: self.past.front().and_then(|(_, running)| count(running)),
            level_band: observing.band(level_m),
            level_m,
            label: self.setup.label.clone(),
            recording: is_kept.then(|| name.clone()),
            ..Row::default()
        };
        self.record.unkept += u64::from(!is_kept);
        self.record.is_virtual |= registers.is_virtual();
        let path = self.setup.folder.join(name);
        let description = self.description(&row);
        let recording = is_kept.then_some((path.as_path(), &description));
        let end = fired.frame + self.frames_of(observing.post_s);
        let latest =
            (fired.frame + self.frames_of(observing.longest_s)).saturating_sub(self.frames_of(observing.pre_s));
        let studio = self.setup.studio(&self.inputs, &self.clock, &self.rig_clock);
        let mut open = match OpenEvent::begin(row.clone(), (fired.frame, end, latest), recording, &studio) {
            Ok(open) => open,
            // A recording that cannot be made must not cost the row.
            Err(error) => {
                tracing::error!("{error}");
                let row = Row { recording: None, ..row };
                OpenEvent::begin(row, (fired.frame, end, latest), None, &studio)
                    .map_err(|e| ObserveError::io(&path, std::io::Error::other(e.to_string())))?
            }
        };
        for (past, _) in &self.past {
            open.take(past, &studio);
        }
        let known = self.past.iter().take(self.past.len().saturating_sub(1));
        for ((_, was), (past, now)) in known.zip(self.past.iter().skip(1)) {
            self.setup.mark_switching(&mut open, past, was, now);
        }
        self.open = Some(open);
        Ok(())
    }

    /// The device that the trigger names, else the one that was switched, else the only one that runs.
    fn pump(&self, on: &TriggerOn, running: &[Option<bool>], ids: &[String]) -> Option<String> {
        if let TriggerOn::Field { device, .. } = on {
            return ids.get(*device).cloned();
        }
        let was = |k: usize| self.running.get(k).copied().flatten();
        let switched = (0..running.len()).find(|&k| running[k].is_some() && was(k).is_some() && running[k] != was(k));
        let mut on = (0..running.len()).filter(|&k| running[k] == Some(true));
        let alone = on.next().filter(|_| on.next().is_none());
        switched.or(alone).and_then(|k| ids.get(k).cloned())
    }

    /// Level before a frame, m above datum: static head over the diaphragm of the level channel.
    fn level_m(&self, frame: u64) -> Option<f64> {
        let rig = &self.setup.rig;
        let channel = rig.observing.level_channel?;
        let (channel, input) = (rig.channels.get(channel)?, self.inputs.get(channel)?);
        let from = frame.saturating_sub(self.frames_of(LEVEL_S));
        let (mut sum, mut frames) = (0.0, 0_u64);
        for (block, _) in &self.past {
            for (_, value) in samples(block, input).filter(|(at, _)| (from..frame).contains(at)) {
                (sum, frames) = (sum + value, frames + 1);
            }
        }
        let weight_n_m3 = rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2;
        (frames > 0).then(|| channel.diaphragm_elevation_m + sum / frames as f64 / weight_n_m3)
    }

    fn description(&self, row: &Row) -> RunDescription {
        let rig = &self.setup.rig;
        let about = "observed, nothing commanded";
        let watched = RunDescription::watched(rig, row.pump.as_deref(), self.record.is_virtual, about, &row.utc);
        RunDescription { label: row.label.clone(), ..watched }
    }

    fn end_event(&mut self, open: OpenEvent) -> Result<(Row, Option<String>), ObserveError> {
        let studio = self.setup.studio(&self.inputs, &self.clock, &self.rig_clock);
        let (mut row, fault) = open.end(&self.links, &studio);
        row.pumps_running_after = count(&self.running);
        let path = self.setup.folder.join("events.csv");
        let io = |source| ObserveError::io(&path, source);
        self.rows.write_all(format!("{}\n", row.line()).as_bytes()).map_err(io)?;
        self.rows.sync_data().map_err(io)?;
        self.kept_bytes = bytes_of_recordings(&self.setup.folder);
        self.write_record()?;
        Ok((row, fault))
    }

    fn sync(&mut self) -> Result<(), ObserveError> {
        self.envelope.sync()?;
        self.write_record()
    }

    fn write_record(&mut self) -> Result<(), ObserveError> {
        self.record.seen_utc = utc_now_rfc3339();
        self.record.envelope_full = self.envelope.is_full();
        self.record.watched_s = self.base_watched_s + self.watched_s();
        let path = self.setup.folder.join("session.json");
        write_whole(&path, &serde_json::to_string_pretty(&self.record).unwrap_or_default())
    }

    /// End: an open event is ended as it is, everything goes to the disk.
    pub fn finish(mut self) -> Result<Option<(Row, Option<String>)>, ObserveError> {
        let last = match self.open.take() {
            Some(open) => Some(self.end_event(open)?),
            None => None,
        };
        self.envelope.finish(utc_now_rfc3339)?;
        self.write_record()?;
        Ok(last)
    }
}

impl SessionSetup {
    /// Marks the start and the stop of a motor within an event, as its registers told them by the end of a block, and
    /// which motor it was.
    fn mark_switching(&self, open: &mut OpenEvent, block: &Block, was: &[Option<bool>], now: &[Option<bool>]) {
        let end_frame = block.first_frame + block.frames() as u64;
        let at_s = end_frame as f64 / self.rig.source.rate_hz;
        let u_s = self.rig.links.iter().map(|link| link.poll_s).fold(0.0, f64::max);
        let went = |to: bool| now.iter().zip(was).position(|(now, was)| *now == Some(to) && *was == Some(!to));
        let (on, off) = (went(true), went(false));
        if let Some(device) = on.or(off).filter(|_| open.row.pump.is_none()) {
            open.row.pump = device_ids(&self.rig).into_iter().nth(device);
        }
        if !open.started && on.is_some() {
            open.started = true;
            open.mark(MarkKind::Start { cycle: 1 }, at_s, u_s);
        } else if open.started && !open.stopped && off.is_some() {
            open.stopped = true;
            open.mark(MarkKind::Stop { cycle: 1 }, at_s, u_s);
        }
    }

    fn studio<'a>(&'a self, inputs: &'a [Input], clock: &'a Arc<dyn WallClock>, rig_clock: &'a RigClock) -> Studio<'a> {
        Studio { rig: &self.rig, inputs, clock, rig_clock }
    }
}

/// Devices in the order of [`Registers`].
fn device_ids(rig: &Rig) -> Vec<String> {
    rig.watched().into_iter().map(|device| device.id).collect()
}

/// Those that tell whether they drive a motor.
fn pump_ids(rig: &Rig) -> Vec<String> {
    let tells = |device: &Device| [Role::Running, Role::StatusWord].into_iter().any(|r| device.map.field(r).is_some());
    rig.watched().into_iter().filter(tells).map(|device| device.id).collect()
}

fn count(running: &[Option<bool>]) -> Option<u32> {
    let known: Vec<bool> = running.iter().flatten().copied().collect();
    (!known.is_empty()).then(|| known.iter().filter(|on| **on).count() as u32)
}

fn record_of(setup: &SessionSetup) -> Result<SessionRecord, ObserveError> {
    let (rig, path) = (&setup.rig, setup.folder.join("session.json"));
    let mut record = match std::fs::read_to_string(&path) {
        Ok(text) => serde_json::from_str::<SessionRecord>(&text).map_err(|error| ObserveError::Format {
            path: path.clone(),
            line: error.line(),
            reason: error.to_string(),
        })?,
        Err(_) => SessionRecord { rig_id: rig.id.clone(), began_utc: utc_now_rfc3339(), ..SessionRecord::default() },
    };
    if record.rig_id != rig.id {
        let found = record.rig_id.clone();
        return Err(ObserveError::OtherRig { path: setup.folder.clone(), found, wanted: rig.id.clone() });
    }
    record.starts += 1;
    record.rig_name.clone_from(&rig.name);
    record.label.clone_from(&setup.label);
    record.bands = rig.observing.bands();
    record.events_wanted = rig.observing.events_wanted;
    record.devices = device_ids(rig);
    record.pumps = pump_ids(rig);
    let known = std::mem::take(&mut record.channels);
    record.channels = rig
        .channels
        .iter()
        .map(|channel| ChannelHealth {
            zero_utc: channel.chain.zero.as_ref().map(|zero| zero.at_utc.clone()).unwrap_or_default(),
            takes_zero: Some(channel.quantity == Quantity::GaugePressure && channel.chain.polled.is_none()),
            id: channel.id.0.clone(),
            ..known.iter().find(|health| health.id == channel.id.0).cloned().unwrap_or_default()
        })
        .collect();
    Ok(record)
}

fn keep_rig_text(folder: &Path, text: &str) -> Result<(), ObserveError> {
    write_whole(&folder.join("rig.toml"), text)
}

/// A file that is there whole or as it was: written beside and renamed.
fn write_whole(path: &Path, text: &str) -> Result<(), ObserveError> {
    let beside = path.with_extension("new");
    let io = |source| ObserveError::io(path, source);
    let mut file = File::create(&beside).map_err(io)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_data()).map_err(io)?;
    std::fs::rename(&beside, path).map_err(io)
}

fn open_rows(folder: &Path) -> Result<File, ObserveError> {
    let path = folder.join("events.csv");
    let io = |source| ObserveError::io(&path, source);
    let text = std::fs::read(&path).unwrap_or_default();
    let mut file = OpenOptions::new().create(true).append(true).open(&path).map_err(io)?;
    if text.is_empty() {
        writeln!(file, "{}", COLUMNS.join(",")).map_err(io)?;
    } else if !text.ends_with(b"\n") {
        // A loss of supply cut the last line short; it stays visible as what it is.
        let whole = text.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        file.set_len(whole as u64).map_err(io)?;
    }
    Ok(file)
}

/// Largest number of a recording in the folder: one that a crash cut off has no row.
fn newest_recording(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let number = |name: String| name.strip_prefix("event-")?.split('.').next()?.parse().ok();
    entries.filter_map(|entry| number(entry.file_name().to_string_lossy().into_owned())).max().unwrap_or(0)
}

fn bytes_of_recordings(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let recordings = entries.filter(|entry| entry.file_name().to_string_lossy().starts_with("event-"));
    recordings.filter_map(|entry| entry.metadata().ok()).map(|metadata| metadata.len()).sum()
}

//! The recorder: one OS thread owns the file, because every HDF5 call takes one process-wide lock and waits for the
//! disk. Everybody else talks to it through bounded channels.
//!
//! Blocks are collected and written once every [`FLUSH_EVERY_NS`], so that a fast stream costs no more calls than a
//! slow one. What is lost by kill -9 or with the supply is what arrived since the last flush of the side log: 0.2 s and the time of
//! one flush. The HDF5 file, which others read along, follows three times as slowly.

use super::description::RunDescription;
use super::error::RecordingError;
use super::journal::{Entry, RunJournal};
use super::names::RecordingPath;
use super::rows;
use super::store::{FrameCounts, Store};
use crate::clock::{RigClock, WallClock, utc_now_rfc3339};
use crate::prediction::Prediction;
use crate::sequence::ports::Journal;
use crate::signal::Block;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded, never, select};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Wall time between flushes of the side log, ns: no more is lost.
pub const FLUSH_EVERY_NS: u64 = 200_000_000;
/// Every so many of them the `.partial` is flushed too, for those who read along: each flush writes the chunk again in which
/// every channel ends, twice the bytes that came since the last one.
const LOG_FLUSHES_A_FLUSH: u32 = 3;
/// Journal entries that may wait for the disk; one more is an error that stops the run.
pub const JOURNAL_ROOM: usize = 4_096;
/// Wall time between two looks for blocks: waking for each of them cost more than writing it. Orders and the journal's
/// entries do not wait for it.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Frames collected at most before they are written early.
const FRAMES_COLLECTED: usize = 65_536;

/// What the writer thread tells.
#[derive(Debug, Default)]
pub(super) struct Shared {
    state: Mutex<State>,
}

#[derive(Debug, Default, Clone)]
struct State {
    counts: FrameCounts,
    fault: Option<RecordingError>,
}

impl Shared {
    fn with<T>(&self, act: impl FnOnce(&mut State) -> T) -> T {
        act(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Why the thread ended early, if it did.
    pub fn fault(&self) -> Option<RecordingError> {
        self.with(|state| state.fault.clone())
    }
}

/// A recording being made. Dropped without [`Recorder::finish`], it writes what it has, without the end mark.
#[derive(Debug)]
pub struct Recorder {
    names: RecordingPath,
    entries: Sender<Entry>,
    finish: Sender<()>,
    done: Receiver<Result<(), RecordingError>>,
    thread: JoinHandle<()>,
    shared: Arc<Shared>,
}

impl Recorder {
    /// Make `path` + `.partial` (path: `X.h5`) and start writing `blocks` to it.
    ///
    /// The sender of `blocks` must not wait long: when the channel stays full it drops the block; the gap is seen here
    /// by the frame numbers, stored, counted as dropped and told by [`Recorder::failed`].
    ///
    /// # Errors
    /// The folder is not writable, `X.h5` or `X.h5.partial` exists, or the description cannot be stored; then no file
    /// is left behind.
    pub fn create(
        path: &Path,
        description: &RunDescription,
        blocks: Receiver<Arc<Block>>,
        clock: Arc<dyn WallClock>,
        rig_clock: RigClock,
    ) -> Result<Self, RecordingError> {
        let names = RecordingPath::of_closed(path);
        let store = Store::create(names.clone(), description)?;
        let (entries, entry_receiver) = bounded(JOURNAL_ROOM);
        let (finish, finish_receiver) = bounded(1);
        let (done_sender, done) = bounded(1);
        let shared = Arc::new(Shared::default());
        let writer = Writer {
            store,
            blocks,
            entries: entry_receiver,
            finish: finish_receiver,
            shared: Arc::clone(&shared),
            clock,
            rig_clock,
            collected: Vec::new(),
            frames_collected: 0,
            unflushed: false,
            log_flushes: 0,
        };
        let thread = std::thread::Builder::new()
            .name("recording".into())
            .spawn(move || writer.run_to_end(&done_sender))
            .map_err(|e| RecordingError::io(names.partial(), "start the writer thread", &e))?;
        Ok(Self { names, entries, finish, done, thread, shared })
    }

    /// The journal of this recording; may be called more than once.
    pub fn journal(&self) -> Box<dyn Journal> {
        Box::new(RunJournal::new(self.names.partial(), self.entries.clone(), Arc::clone(&self.shared)))
    }

    /// Name while it is written.
    pub fn partial_path(&self) -> &Path {
        self.names.partial()
    }

    /// Frames so far.
    pub fn counts(&self) -> FrameCounts {
        self.shared.with(|state| state.counts)
    }

    /// Why the recording is not whole: the writer stopped, or frames were dropped before the disk. `None`: well.
    pub fn failed(&self) -> Option<String> {
        let State { counts, fault } = self.shared.with(|state| state.clone());
        if let Some(fault) = fault {
            return Some(fault.to_string());
        }
        if self.thread.is_finished() {
            return Some(format!("{}: writer thread ended", self.names.partial().display()));
        }
        (counts.dropped > 0).then(|| {
            let path = self.names.partial().display();
            format!("{path}: {} frames dropped, the disk does not keep up", counts.dropped)
        })
    }

    /// Write what is still in the channels, then the end mark; stop the thread. Answers with the `.partial`, ready for
    /// [`super::close`].
    ///
    /// # Errors
    /// The writer had failed, or is still busy after `deadline` (wall); the file then has no end mark and can be
    /// recovered.
    pub fn finish(self, deadline: Duration) -> Result<PathBuf, RecordingError> {
        let path = self.names.partial().to_owned();
        // Full or closed: the thread has its order already, or has ended.
        let _ = self.finish.try_send(());
        let outcome = match self.done.recv_timeout(deadline) {
            Ok(outcome) => outcome,
            Err(RecvTimeoutError::Timeout) => {
                return Err(RecordingError::Deadline { path, deadline_s: deadline.as_secs_f64() });
            }
            Err(RecvTimeoutError::Disconnected) => {
                Err(RecordingError::WriterGone { path: path.clone(), reason: "it panicked".into() })
            }
        };
        let _ = self.thread.join();
        outcome.map(|()| path)
    }
}

/// The thread's side.
struct Writer {
    store: Store,
    blocks: Receiver<Arc<Block>>,
    entries: Receiver<Entry>,
    finish: Receiver<()>,
    shared: Arc<Shared>,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
    collected: Vec<Arc<Block>>,
    frames_collected: usize,
    unflushed: bool,
    /// Flushes of the side log since the last one of the file.
    log_flushes: u32,
}

impl Writer {
    fn run_to_end(mut self, done: &Sender<Result<(), RecordingError>>) {
        let written = self.run().and_then(|ended| match ended {
            Ended::Ordered => self.end(),
            Ended::Abandoned => self.drain().and_then(|()| self.flush()),
        });
        let shared = Arc::clone(&self.shared);
        let outcome = match written {
            Ok(()) => self.store.close(),
            // The stream is at fault, not the disk: what was written before is sound.
            Err(fault @ RecordingError::Stream { .. }) => {
                self.store.sync().and_then(|()| self.store.close()).and(Err(fault))
            }
            Err(fault) => {
                self.store.abandon();
                Err(fault)
            }
        };
        if let Err(fault) = &outcome {
            tracing::error!("recording: {fault}");
            shared.with(|state| state.fault = Some(fault.clone()));
        }
        let _ = done.try_send(outcome);
    }

    fn run(&mut self) -> Result<Ended, RecordingError> {
        let mut flush_at_ns = self.clock.now_ns() + FLUSH_EVERY_NS;
        loop {
            self.take_blocks()?;
            let now_ns = self.clock.now_ns();
            if now_ns >= flush_at_ns {
                self.flush_log()?;
                flush_at_ns = now_ns + FLUSH_EVERY_NS;
            }
            let wait = Duration::from_nanos(flush_at_ns.saturating_sub(now_ns)).min(LOOK_EVERY);
            select! {
                recv(self.finish) -> order => {
                    return Ok(if order.is_ok() { Ended::Ordered } else { Ended::Abandoned });
                }
                recv(self.entries) -> entry => match entry {
                    Ok(entry) => self.write_entry(entry)?,
                    Err(_) => self.entries = never(),
                },
                default(wait) => {}
            }
        }
    }

    /// Takes the blocks that wait now; what comes meanwhile is for the next look, so that a flood keeps nothing else waiting.
    fn take_blocks(&mut self) -> Result<(), RecordingError> {
        for _ in 0..self.blocks.len() {
            let Ok(block) = self.blocks.try_recv() else { break };
            self.frames_collected += block.frames();
            self.collected.push(block);
            if self.frames_collected >= FRAMES_COLLECTED {
                self.write_collected()?;
            }
        }
        Ok(())
    }

    fn write_collected(&mut self) -> Result<(), RecordingError> {
        if self.collected.is_empty() {
            return Ok(());
        }
        let written = self.store.append_blocks(&self.collected);
        self.collected.clear();
        self.frames_collected = 0;
        self.unflushed = true;
        self.shared.with(|state| state.counts = self.store.counts());
        written
    }

    /// What came since the last time is on the disk; every third time it is in the `.partial` as well.
    fn flush_log(&mut self) -> Result<(), RecordingError> {
        self.write_collected()?;
        self.log_flushes += 1;
        if self.log_flushes >= LOG_FLUSHES_A_FLUSH {
            return self.flush();
        }
        self.store.sync_log()
    }

    fn flush(&mut self) -> Result<(), RecordingError> {
        self.write_collected()?;
        self.log_flushes = 0;
        if self.unflushed {
            self.store.sync()?;
            self.unflushed = false;
        }
        Ok(())
    }

    fn write_entry(&mut self, entry: Entry) -> Result<(), RecordingError> {
        self.unflushed = true;
        let store = &self.store;
        match entry {
            Entry::Header(header) => store.write_header(&header),
            Entry::Prediction(prediction, answer) => {
                let outcome = self.write_prediction(&prediction);
                // The caller may have given up waiting.
                let _ = answer.try_send(outcome.clone());
                outcome
            }
            Entry::Mark(mark) => store.append_rows(|l| &l.marks, &rows::mark_rows(&mark)),
            Entry::Event(event) => store.append_rows(|l| &l.events, &rows::event_rows(&event)),
            Entry::Command(at_s, record) => store.append_rows(|l| &l.commands, &rows::command_rows(at_s, &record)),
            Entry::Slow(at_s, status) => store.append_rows(|l| &l.slow, &[rows::slow_row(at_s, &status)]),
            Entry::Settings(record) => store.append_settings(&[rows::settings_row(&record)]),
            Entry::Link(at_s, figures) => store.append_links(&[rows::link_row(at_s, &figures)]),
            Entry::Stop(cycle, outcome) => store.append_rows(|l| &l.stops, &[rows::stop_row(cycle, outcome)]),
        }
    }

    /// The stored time is taken after the prediction is on disk, so it is never too early.
    fn write_prediction(&mut self, prediction: &Prediction) -> Result<(), RecordingError> {
        self.store.write_prediction(prediction)?;
        self.flush()?;
        self.store.write_stored(self.rig_s(), self.clock.now_ns(), &utc_now_rfc3339())?;
        self.store.sync()
    }

    /// Take everything that waits in the channels.
    fn drain(&mut self) -> Result<(), RecordingError> {
        loop {
            self.take_blocks()?;
            match self.entries.try_recv() {
                Ok(entry) => self.write_entry(entry)?,
                Err(_) if self.blocks.is_empty() => return Ok(()),
                Err(_) => {}
            }
        }
    }

    fn end(&mut self) -> Result<(), RecordingError> {
        self.drain()?;
        self.flush()?;
        self.store.write_end(self.rig_s(), &utc_now_rfc3339())?;
        self.store.sync()
    }

    fn rig_s(&self) -> f64 {
        self.rig_clock.now_ns() as f64 * 1e-9
    }
}

/// Why the loop ended without a fault.
enum Ended {
    Ordered,
    Abandoned,
}

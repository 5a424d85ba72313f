//! One run, on a thread of its own: identify, predict, open the recording, execute, close the recording.

use super::cables;
use super::guard;
use super::operator::{Desk, DeskOperator, desk};
use super::service::refused;
use super::tap::{TapJournal, pieces};
use super::view::RunMemory;
use super::{Shared, locked, wear};
use crate::api::{Activity, PredictedPiece, RunRequest, ServiceError};
use crate::clock::{uptime, utc_now_rfc3339};
use crate::prediction::{Prediction, strength, transfer};
use crate::recording::{self, Recorder, RunDescription};
use crate::rig::model::{Rig, Source};
use crate::sequence::duty::{DutyLedger, MOTOR};
use crate::sequence::executor::{ExecutorInput, VIRTUAL_NAME, execute};
use crate::sequence::link_proof::LinkProofs;
use crate::sequence::ports::{Event, Journal, Level, RunEnd, StopOutcome};
use crate::sequence::script::Script;
use crate::sequence::step::Step;
use crossbeam_channel::{Receiver, Sender, bounded};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Blocks that may wait for the recorder: at 48 frames a block and 10 kHz about 20 s of stream.
const BLOCKS_WAITING: usize = 4096;
/// Longest wait for a stream that is opened again before a run.
const STREAM_DEADLINE: Duration = Duration::from_secs(5);
/// Time between looks at it.
const STREAM_LOOK: Duration = Duration::from_millis(50);
/// Wall time to write what is left after a run.
const FINISH_DEADLINE: Duration = Duration::from_secs(30);

/// The run that is on.
pub(super) struct Active {
    /// Every starter that it may start; empty: no run.
    starters: Vec<usize>,
    ended: Receiver<()>,
    predicted: Vec<PredictedPiece>,
    /// Going down: no further run.
    last: bool,
}

impl Active {
    /// The prediction, for a face that comes later.
    pub fn predicted(&self) -> Option<Vec<PredictedPiece>> {
        (!self.predicted.is_empty()).then(|| self.predicted.clone())
    }

    /// A run is on.
    pub fn is_on(&self) -> bool {
        !self.starters.is_empty()
    }

    /// Starters that the run may start; empty: no run is on.
    pub fn starters(&self) -> &[usize] {
        &self.starters
    }
}

/// Refuse further runs; says whether one is on.
pub(super) fn refuse_more(shared: &Shared) -> bool {
    let mut run = locked(&shared.run);
    match run.as_mut() {
        Some(active) => {
            let on = !active.last && active.is_on();
            active.last = true;
            on
        }
        None => {
            let (_, ended) = bounded(0);
            *run = Some(Active { starters: Vec::new(), ended, predicted: Vec::new(), last: true });
            false
        }
    }
}

/// Wait until no run is on; `false` when the deadline passes first.
pub(super) async fn wait_ended(shared: &Shared, deadline: Duration) -> bool {
    let Some(ended) = locked(&shared.run).as_ref().map(|active| active.ended.clone()) else { return true };
    let waiting = tokio::task::spawn_blocking(move || {
        // The sender is dropped with the run's thread, however that ends.
        !matches!(ended.recv_timeout(deadline), Err(crossbeam_channel::RecvTimeoutError::Timeout))
    });
    waiting.await.unwrap_or(false)
}

/// What a run works with.
struct Job {
    number: u32,
    starter: usize,
    script: Script,
    request: RunRequest,
    path: PathBuf,
    operator: DeskOperator,
}

/// Accept a run and start its thread.
pub(super) fn start(shared: &Arc<Shared>, request: RunRequest) -> Result<u32, ServiceError> {
    let mut active = locked(&shared.run);
    if let Some(on) = active.as_ref() {
        let why = if on.last { "the daemon is going down" } else { "a run is on; try: wait for it, or stop it" };
        return Err(refused(why));
    }
    let starter = shared.rig.starters.iter().position(|s| s.id == request.starter).ok_or_else(|| {
        let known: Vec<&str> = shared.rig.starters.iter().map(|s| s.id.as_str()).collect();
        refused(format!("no starter `{}`; this rig has: {}", request.starter, known.join(", ")))
    })?;
    let script = Script::parse(&request.sequence_text, &request.sequence_name, &shared.rig, starter)
        .map_err(|problems| refused(problems.to_string()))?;
    let script = match request.from_cycle {
        Some(cycle) => script.from_cycle(cycle).ok_or_else(|| {
            refused(format!("no cycle {cycle}: the sequence has {}; nothing has moved", script.cycles))
        })?,
        None => script,
    };
    let named = Some(request.out_dir.trim()).filter(|named| !named.is_empty()).map(Path::new);
    let out_dir = named.unwrap_or(&shared.out_dir);
    std::fs::create_dir_all(out_dir).map_err(|e| refused(format!("{}: {e}; nothing has moved", out_dir.display())))?;
    let path = out_dir.join(file_name(&shared.rig.id, &request.starter, &utc_now_rfc3339()));
    let waker = Arc::downgrade(shared);
    let (desk, operator) = desk(move || {
        if let Some(shared) = waker.upgrade() {
            shared.tell_state();
        }
    });
    let number = begin_memory(shared, &request, starters_by_cycle(&shared.rig, &script), (desk, &path));
    let (done, ended) = bounded(0);
    let starters = starters_of(&script, starter);
    let job = Job { number, starter, script, request, path, operator };
    let for_thread = Arc::clone(shared);
    std::thread::Builder::new()
        .name("executor".to_owned())
        .spawn(move || whole_run(&for_thread, job, done))
        .map_err(|e| refused(format!("thread executor: {e}; nothing has moved")))?;
    *active = Some(Active { starters, ended, predicted: Vec::new(), last: false });
    shared.tell_run_of_its_face();
    Ok(number)
}

/// Every starter that a run may start, its own first of all.
fn starters_of(script: &Script, starter: usize) -> Vec<usize> {
    let others = script.starters_used().into_iter().filter(|other| *other != starter);
    std::iter::once(starter).chain(others).collect()
}

/// `terrace-bench-drive-20261124T231500.123Z.h5`
fn file_name(rig: &str, starter: &str, utc: &str) -> String {
    format!("{rig}-{starter}-{}.h5", utc.replace(['-', ':'], ""))
}

/// Id of the starter that each cycle starts, from the first.
fn starters_by_cycle(rig: &Rig, script: &Script) -> Vec<String> {
    let starts = script.program.iter().filter_map(|instruction| match &instruction.step {
        Step::Start(start) => rig.starters.get(start.starter).map(|starter| starter.id.clone()),
        _ => None,
    });
    starts.collect()
}

fn begin_memory(shared: &Shared, request: &RunRequest, starters: Vec<String>, (desk, path): (Desk, &Path)) -> u32 {
    let mut view = locked(&shared.view);
    let number = view.run.as_ref().map_or(1, |run| run.number + 1);
    view.activity = Activity::Running;
    (view.guess, view.predicted) = (None, None);
    view.run = Some(RunMemory {
        number,
        starter: request.starter.clone(),
        starters,
        sequence: request.sequence_name.clone(),
        desk,
        face: request.face.clone(),
        stop: None,
        anchor: None,
        recording: path.display().to_string(),
        end: None,
        recording_complete: false,
    });
    number
}

/// The thread: whatever happens, the stop line has been pulled if needed and the end is told.
fn whole_run(shared: &Arc<Shared>, job: Job, done: Sender<()>) {
    let number = job.number;
    let used = starters_of(&job.script, job.starter);
    let lines: Vec<_> = used.iter().filter_map(|index| shared.stop_lines.get(*index)).cloned().collect();
    let outcome = guard::or_stop(&lines, || run_and_close(shared, job));
    let (end, complete) = outcome.unwrap_or_else(|| {
        let aborted = Some("internal fault: the executor panicked; a stop was sent".to_owned());
        let stop = StopOutcome::NotConfirmed;
        let end = RunEnd { aborted, taken_over: false, stop, cycles: 0, started: true, refused: false };
        (end, false)
    });
    tell_end(shared, &end);
    {
        let mut view = locked(&shared.view);
        view.activity = Activity::Idle;
        if let Some(run) = view.run.as_mut().filter(|run| run.number == number) {
            run.end = Some(end);
            run.recording_complete = complete;
        }
    }
    {
        let mut active = locked(&shared.run);
        if active.as_ref().is_some_and(|on| !on.last) {
            *active = None;
        }
    }
    shared.tell_state();
    drop(done);
}

fn tell_end(shared: &Shared, end: &RunEnd) {
    let (level, text) = match (&end.aborted, end.stop) {
        (Some(why), _) if end.refused => (Level::Notice, format!("refused: {why}")),
        (None, StopOutcome::Confirmed) => (Level::Note, "all steps done, stop confirmed".to_owned()),
        (None, stop) => (Level::Danger, format!("all steps done, {stop}")),
        (Some(why), StopOutcome::Confirmed) => (Level::Notice, format!("ended early: {why}; stop confirmed")),
        (Some(why), stop) => (Level::Danger, format!("ended early: {why}; {stop}: use the emergency stop")),
    };
    tell(shared, level, text);
}

fn tell(shared: &Shared, level: Level, text: String) {
    shared.tell(Event { at_s: shared.rig_clock.now_ns() as f64 * 1e-9, level, text });
}

/// An end before anything moved.
fn nothing_moved(why: String) -> (RunEnd, bool) {
    let end = RunEnd {
        aborted: Some(format!("{why}; nothing has moved")),
        taken_over: false,
        stop: StopOutcome::Confirmed,
        cycles: 0,
        started: false,
        refused: true,
    };
    (end, true)
}

fn run_and_close(shared: &Arc<Shared>, job: Job) -> (RunEnd, bool) {
    let prepared = match prepare(shared, &job) {
        Ok(prepared) => prepared,
        Err(why) => return nothing_moved(why),
    };
    let end = drive(shared, job, &prepared);
    // The tail after the stop is worth having; then the recorder gets no more.
    shared.acquisition.detach_recorder();
    let behind = shared.acquisition.statistics().recorder_behind;
    locked(&shared.view).activity = Activity::Closing;
    shared.tell_state();
    let complete = close(shared, prepared.recorder, behind);
    (end, complete)
}

/// Everything that exists before the first order.
struct Prepared {
    attending: String,
    prediction: Prediction,
    recorder: Recorder,
    duty: Arc<Mutex<DutyLedger>>,
}

/// A stream that was lost since the last run is opened again here, between runs only; one whose rate is not what the rig
/// says is refused, since every time would be wrong.
fn stream_ready(shared: &Shared, is_virtual: bool) -> Result<(), String> {
    let port = shared.acquisition.port();
    if port.view().lost.is_some() {
        shared.acquisition.reconnect();
    }
    let until_ns = shared.clock.now_ns() + u64::try_from(STREAM_DEADLINE.as_nanos()).unwrap_or(u64::MAX);
    let mut view = port.view();
    while let Some(why) = view.lost.clone() {
        let left = Duration::from_nanos(until_ns.saturating_sub(shared.clock.now_ns()));
        if left.is_zero() {
            return Err(why);
        }
        view = port.wait_newer(view.newest_rig_ns, left.min(STREAM_LOOK));
    }
    if shared.acquisition.statistics().stream.is_replay() {
        let address = &shared.rig.source.address;
        return Err(format!(
            "{address}: these samples come out of a recording (`ramprig replay`); a run is commanded on live ones only"
        ));
    }
    let lying = shared.acquisition.rate_found_hz().filter(|_| !is_virtual);
    lying.map_or(Ok(()), |found_hz| Err(lying_rate(&shared.rig.source, found_hz)))
}

/// Frames that come at another rate than the rig file says, in words.
pub(super) fn lying_rate(source: &Source, found_hz: f64) -> String {
    let (address, said_hz) = (&source.address, source.rate_hz);
    format!("{address}: frames come at {found_hz:.1} a second, the rig file says {said_hz}; mend `rate`")
}

fn prepare(shared: &Arc<Shared>, job: &Job) -> Result<Prepared, String> {
    let identity = shared.fieldbus.starter(job.starter).identify().map_err(|e| e.to_string())?;
    locked(&shared.view).is_virtual = identity.is_virtual;
    stream_ready(shared, identity.is_virtual)?;
    let attending = match job.request.attending.trim() {
        "" if identity.is_virtual => VIRTUAL_NAME.to_owned(),
        "" => return Err("a start needs a person in attendance; try: --attending NAME".to_owned()),
        name => name.to_owned(),
    };
    let prediction = shared.foretell(&job.request, &job.script, job.starter)?;
    let mut beyond = strength::beyond_ratings(&shared.rig, &prediction);
    beyond.extend(transfer::runs_over(&shared.rig, &prediction));
    if !beyond.is_empty() {
        return Err(beyond.join("; "));
    }
    for words in cables::exchanged(&shared.rig, &prediction, &shared.acquisition.port().view().mean) {
        tell(shared, Level::Caution, words);
    }
    let shown = pieces(&prediction);
    locked(&shared.view).predicted = Some(shown.clone());
    if let Some(active) = locked(&shared.run).as_mut() {
        active.predicted = shown;
    }
    let duty = ledger(shared, identity.is_virtual)?;
    wear::recall(shared)?;
    let text = &job.request.sequence_text;
    let description =
        RunDescription::of(&shared.rig, job.starter, text, identity.is_virtual, &attending, &utc_now_rfc3339())
            .ok_or_else(|| format!("no starter {}", job.starter))?;
    let description = RunDescription { label: job.request.label.trim().to_owned(), ..description };
    let blocks = shared.acquisition.attach_recorder(BLOCKS_WAITING);
    let clock = Arc::clone(&shared.clock);
    let recorder = Recorder::create(&job.path, &description, blocks, clock, shared.rig_clock.clone());
    let recorder = recorder.map_err(|error| {
        shared.acquisition.detach_recorder();
        error.to_string()
    })?;
    Ok(Prepared { attending, prediction, recorder, duty })
}

fn duty_file(shared: &Shared) -> PathBuf {
    shared.state_dir.join(format!("{}.duty.json", shared.rig.id))
}

/// Duty so far: kept for the daemon's life, so that between runs it ages by rig time; read from its file before the
/// first run. A virtual rig that nobody has run yet is known to be rested; a real one without a ledger is not.
fn ledger(shared: &Shared, is_virtual: bool) -> Result<Arc<Mutex<DutyLedger>>, String> {
    let mut kept = locked(&shared.duty);
    if let Some(ledger) = kept.as_ref() {
        return Ok(Arc::clone(ledger));
    }
    let path = duty_file(shared);
    let ledger = match path.exists() {
        false if is_virtual => DutyLedger::rested(),
        _ => DutyLedger::load(&path, &uptime()).map_err(|e| format!("{e}; try: move the file away"))?,
    };
    Ok(Arc::clone(kept.insert(Arc::new(Mutex::new(ledger)))))
}

/// Rig time until a starter and the motor may start again, s: 0 before the first run of this process, whose own permissives
/// tell; infinite while the motor runs.
pub(super) fn duty_wait_s(shared: &Shared, starter: usize) -> f64 {
    let kept = locked(&shared.duty).clone();
    let (Some(ledger), Some(of)) = (kept, shared.rig.starters.get(starter)) else { return 0.0 };
    let mut ledger = locked(&ledger);
    ledger.pass_to(shared.rig_clock.now_ns() as f64 * 1e-9);
    ledger.wait_s(&of.id, of.duty).max(ledger.wait_s(MOTOR, shared.rig.motor_duty))
}

/// As [`duty_wait_s`], before the first run too: by the ledger's file as it stands; `None`: nothing is known.
pub(super) fn duty_shown_s(shared: &Shared, starter: usize) -> Option<f64> {
    if locked(&shared.duty).is_some() {
        return Some(duty_wait_s(shared, starter));
    }
    let of = shared.rig.starters.get(starter)?;
    let path = duty_file(shared);
    if !path.exists() {
        return locked(&shared.view).is_virtual.then_some(0.0);
    }
    let mut ledger = DutyLedger::load(&path, &uptime()).ok()?;
    Some(ledger.wait_s(&of.id, of.duty).max(ledger.wait_s(MOTOR, shared.rig.motor_duty)))
}

fn drive(shared: &Arc<Shared>, job: Job, prepared: &Prepared) -> RunEnd {
    let mut starters: Vec<_> = (0..shared.rig.starters.len()).map(|index| shared.fieldbus.starter(index)).collect();
    let mut bench = shared.fieldbus.bench();
    let samples = shared.acquisition.port();
    let mut journal = TapJournal {
        inner: prepared.recorder.journal(),
        shared: Arc::clone(shared),
        bench: Vec::new(),
        worn: shared.fieldbus.stored_writes(),
        rate_told: false,
        said_before: shared.acquisition.take_said(),
    };
    let mut operator = job.operator;
    let end = execute(ExecutorInput {
        rig: &shared.rig,
        script: &job.script,
        prediction: &prepared.prediction,
        starters: &mut starters,
        bench: bench.as_mut().map(|port| &mut **port as _),
        samples: samples.as_ref(),
        journal: &mut journal,
        operator: &mut operator,
        wall: shared.clock.as_ref(),
        rig_clock: shared.rig_clock.clone(),
        attending: prepared.attending.clone(),
        confirmed_by: job.request.confirmed_by.clone(),
        duty: Arc::clone(&prepared.duty),
        duty_file: Some(duty_file(shared)),
        settings_note: Some(shared.state_dir.join(format!("{}.settings.json", shared.rig.id))),
        link_proofs: Some(LinkProofs::file(&shared.state_dir, &shared.rig.id)),
    });
    if let Err(why) = wear::keep(shared) {
        tell(shared, Level::Caution, why);
    }
    if let Some(fit) = shared.acquisition.timebase() {
        let at_s = shared.rig_clock.now_ns() as f64 * 1e-9;
        // As above: said elsewhere.
        let _ = journal.event(&Event { at_s, level: Level::Note, text: fit.words() });
    }
    for link in shared.fieldbus.statistics() {
        let at_s = shared.rig_clock.now_ns() as f64 * 1e-9;
        // A journal that fails here has failed before, and the run says so.
        let _ = journal.link(at_s, &link);
        let _ = journal.event(&Event { at_s, level: Level::Note, text: link.line() });
    }
    end
}

/// Finish and close the recording; `false` when it is not whole: what failed stays as `.partial`; a recording with a hole
/// that the recorder left is closed, and the hole is in its block table.
fn close(shared: &Shared, recorder: Recorder, behind: bool) -> bool {
    let whole = recorder.failed();
    let outcome = recorder.finish(FINISH_DEADLINE).and_then(|partial| recording::close(&partial, None));
    let fault = whole.or_else(|| outcome.err().map(|error| error.to_string()));
    let fault = fault.or_else(|| behind.then(|| "the recorder was behind and frames never reached it".to_owned()));
    let Some(text) = fault else { return true };
    tell(shared, Level::Caution, format!("recording incomplete: {text}"));
    false
}

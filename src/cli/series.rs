//! `series`: many runs of one sequence, one after the other, resumable; one table at the end.
//!
//! What was done stands in `series.json` in the series' folder, written durably after each run; each run has a folder of
//! its own. A series that was cut off is gone on with by the same command: a run whose recording is closed and whole
//! counts, one that was cut off is kept and done again.

use super::args::SeriesArgs;
use super::child::VirtualChild;
use super::exit::{Exit, of_run};
use super::failure::Failure;
use super::output::Output;
use super::serve::{Reached, Served, exit_of, own, run_to_end, wait_ready};
use super::wires::{load_wired, load_with, state_dir};
use crate::api::RunRequest;
use crate::clock::{SystemClock, WallClock, uptime, utc_now_rfc3339};
use crate::comparison::evaluate::evaluate;
use crate::comparison::series::{SeriesRun, in_columns, judged, rows, strangers, words};
use crate::comparison::verdict::Pairing;
use crate::recording;
use crate::rig::model::Rig;
use crate::sequence::executor::VIRTUAL_NAME;
use crate::sequence::link_proof::{LinkProofs, refuse_unattended};
use crate::sequence::ports::StopOutcome;
use crate::sequence::script::Script;
use crate::sequence::series::{Series, Turn, Variant};
use crate::units::display::System;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

const STATE_FILE: &str = "series.json";
const TABLE_FILE: &str = "series.csv";
/// What makes a virtual rig the same one when a series is gone on with; only the virtual rig reads it.
const SEED_FILE: &str = "virtual-rig.seed";
/// The countdown of a rest is looked at this often (wall).
const LOOK: Duration = Duration::from_millis(200);

/// What is known of a series, in its folder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct State {
    /// Digests of what it was made of: the same files go on with it, others do not.
    rig_sha256: String,
    series_sha256: String,
    sequence_sha256: String,
    /// Seed of the order.
    seed: u64,
    /// Settings, as the series file has them.
    variants: Vec<Variant>,
    /// Every run in its order.
    runs: Vec<Planned>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Planned {
    #[serde(flatten)]
    turn: Turn,
    /// Times it was begun.
    begun: u32,
    /// Its recording, once it is done.
    recording: Option<PathBuf>,
    /// How earlier tries ended.
    failed: Vec<String>,
}

/// All that stays the same during a series.
struct Plan {
    rig: Rig,
    series: Series,
    /// Sequence of each setting.
    sequences: Vec<String>,
    folder: PathBuf,
}

/// `series`.
pub async fn series(args: &SeriesArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let mut rig = if args.virtual_rig { load_wired(&args.rig)? } else { load_with(&args.rig, &args.wires)? };
    let read = |path: &Path| {
        std::fs::read_to_string(path).map_err(|e| Failure::configuration(format!("{}: {e}", path.display())))
    };
    let (rig_text, text) = (read(&args.rig)?, read(&args.series)?);
    let wrong = |problems: crate::rig::problem::Problems| Failure::configuration(problems.to_string());
    let series = Series::parse(&text, &args.series.display().to_string(), &rig).map_err(wrong)?;
    let sequence_path = args.series.parent().unwrap_or(Path::new("")).join(&series.sequence);
    let sequence = read(&sequence_path)?;
    let of = |variant| series.sequence_for(variant, (&sequence, &sequence_path.display().to_string()), &rig);
    let sequences = series.variants.iter().map(of).collect::<Result<Vec<_>, _>>().map_err(wrong)?;
    if !args.virtual_rig && args.terms.confirmed_by.is_some() {
        attended_or_proven(&rig, &series, &sequences, &state_dir(args.wires.state_dir.as_deref()))?;
    }
    let pairing = if series.paired { Pairing::Paired } else { Pairing::Independent };
    let folder = std::path::absolute(&args.out).map_err(Failure::internal)?;
    let mut state = State::open(&folder, &series, [&rig_text, &text, &sequence])?;
    state.find_finished(&folder)?;
    state.save(&folder)?;
    output.note(&format!("{}: {} of {} runs done, seed {}", series.name, state.done(), state.runs.len(), state.seed));
    let mut exit = Exit::Done;
    if state.done() < state.runs.len() {
        output.note(
            "CAUTION the runs follow one another: after each rest the motor starts again. Keep clear of the coupling, the hose and \
             the hose end between the runs too; the hardwired emergency stop is the real one.",
        );
        let mut child = if args.virtual_rig {
            Some(VirtualChild::start(&args.rig, args.fast, Some(&folder.join(SEED_FILE))).await?)
        } else {
            None
        };
        if let Some(child) = &child {
            output.note("SERIES on a VIRTUAL rig: no real water, no real motor.");
            child.wire(&mut rig);
        }
        let state_folder =
            if args.virtual_rig { folder.join("state") } else { state_dir(args.wires.state_dir.as_deref()) };
        let plan = Plan { rig: rig.clone(), series, sequences, folder: folder.clone() };
        let outcome = with_owner(rig, &state_folder, (&plan, &mut state, args), (child.as_mut(), output)).await;
        if let Some(child) = child {
            child.end().await;
        }
        exit = outcome?;
    }
    show(&state, &folder, pairing, output, units)?;
    Ok(exit)
}

/// Questions that are answered beforehand are answered by nobody: every starter must then have been seen, in this session, to
/// stop the motor by itself when the program falls silent.
fn attended_or_proven(rig: &Rig, series: &Series, sequences: &[String], states: &Path) -> Result<(), Failure> {
    let proofs = LinkProofs::load(&LinkProofs::file(states, &rig.id)).map_err(Failure::refused)?;
    for (variant, text) in series.variants.iter().zip(sequences) {
        let starter = rig.starter_index(&variant.starter).unwrap_or(0);
        let script = Script::parse(text, &series.sequence, rig, starter)
            .map_err(|problems| Failure::configuration(problems.to_string()))?;
        refuse_unattended(rig, &script, &proofs, false, &uptime()).map_err(Failure::refused)?;
    }
    Ok(())
}

async fn with_owner(
    rig: Rig,
    state_folder: &Path,
    (plan, state, args): (&Plan, &mut State, &SeriesArgs),
    (child, output): (Option<&mut VirtualChild>, Output),
) -> Result<Exit, Failure> {
    let served = own(rig, state_folder, Reached::here(&plan.folder))?;
    output.note(&format!("watch it: ramprig watch --at {}", served.address));
    let outcome = match wait_ready(&served, output).await {
        Ok(()) => Runner { served: &served, plan, args, child, output }.all(state).await,
        Err(failure) => Err(failure),
    };
    let report = served.daemon.shutdown("signal", served.signals.hurry.clone()).await;
    let ended = exit_of(&report, None, output);
    outcome.map(|exit| if exit == Exit::Done { ended } else { exit })
}

/// Goes through the order.
struct Runner<'a> {
    served: &'a Served,
    plan: &'a Plan,
    args: &'a SeriesArgs,
    /// The virtual rig, where this process started it.
    child: Option<&'a mut VirtualChild>,
    output: Output,
}

/// How a rest ended.
enum Rest {
    Over,
    Signal,
}

impl Runner<'_> {
    async fn all(&mut self, state: &mut State) -> Result<Exit, Failure> {
        let (total, begun_ns) = (state.runs.len(), SystemClock.now_ns());
        let mut done_here = 0_u32;
        let mut resting_pa = None;
        for planned in &state.runs {
            resting_pa = resting_pa.or(self.rest_pa(planned)?);
        }
        for number in 0..total {
            if state.runs[number].recording.is_some() {
                continue;
            }
            let turn = &state.runs[number].turn;
            let variant = &self.plan.series.variants[turn.variant];
            let left = (total - state.done()) as f64;
            let a_run_s = SystemClock.now_ns().saturating_sub(begun_ns) as f64 * 1e-9 / f64::from(done_here.max(1));
            let time = if done_here == 0 { String::new() } else { format!(", {} left", minutes(a_run_s * left)) };
            self.output.note(&format!("run {} of {total}: {} (repeat {}){time}", number + 1, variant.id, turn.repeat));
            if let Rest::Signal = self.rest(&variant.starter).await? {
                self.output.note(
                    "ended by a signal between two runs; nothing is on; the same command goes on with the series",
                );
                return Ok(Exit::Aborted);
            }
            state.runs[number].begun += 1;
            state.save(&self.plan.folder)?;
            let exit = self.one(&mut state.runs[number], number).await;
            state.save(&self.plan.folder)?;
            match exit? {
                Exit::Done => done_here += 1,
                exit => {
                    self.output.note("the series ends here; the same command goes on with it once the cause is mended");
                    return Ok(exit);
                }
            }
            if let Some(why) = self.drifted(&state.runs[number], &mut resting_pa)? {
                let then = "the series ends here: look for the cause, then the same command goes on";
                self.output.note(&format!("CAUTION {why}; {then}"));
                return Ok(Exit::Differs);
            }
        }
        Ok(Exit::Done)
    }

    async fn one(&self, planned: &mut Planned, number: usize) -> Result<Exit, Failure> {
        let variant = &self.plan.series.variants[planned.turn.variant];
        let folder = run_folder(&self.plan.folder, number);
        std::fs::create_dir_all(&folder).map_err(|e| Failure::configuration(format!("{}: {e}", folder.display())))?;
        let request = RunRequest {
            sequence_text: self.plan.sequences[planned.turn.variant].clone(),
            sequence_name: self.plan.series.sequence.clone(),
            starter: variant.starter.clone(),
            attending: self.args.terms.attending.clone().unwrap_or_default(),
            // A rig that is no real one confirms itself.
            confirmed_by: match &self.child {
                Some(_) => Some(self.args.terms.confirmed_by.clone().unwrap_or_else(|| VIRTUAL_NAME.to_owned())),
                None => self.args.terms.confirmed_by.clone(),
            },
            out_dir: folder.display().to_string(),
            label: variant.id.clone(),
            band: self.args.terms.band,
            face: None,
            from_cycle: None,
        };
        let run = run_to_end(&self.served.daemon, request, &self.served.signals, self.output).await?;
        let Some(end) = &run.end else { return Ok(Exit::Internal) };
        let exit = of_run(end, run.recording_complete);
        if exit == Exit::Done {
            planned.recording = Some(PathBuf::from(&run.recording));
        } else {
            let why = end.aborted.as_deref().unwrap_or("recording incomplete");
            self.output.note(&format!("{}: {why}; {}", variant.id, end.stop));
            planned.failed.push(format!("{why}; {}", end.stop));
        }
        Ok(exit)
    }

    /// Waits until motor and starter may start again.
    async fn rest(&mut self, starter: &str) -> Result<Rest, Failure> {
        let Some(index) = self.plan.rig.starter_index(starter) else { return Ok(Rest::Over) };
        let mut told = false;
        loop {
            if self.served.signals.end.is_cancelled() {
                self.output.progress_done();
                return Ok(Rest::Signal);
            }
            let left_s = self.served.daemon.duty_wait_s(index);
            if left_s <= 0.0 {
                self.output.progress_done();
                return Ok(Rest::Over);
            }
            if left_s.is_infinite() {
                let why =
                    "the duty ledger says that it runs, or may never start: look at the motor before anything else";
                return Err(Failure::refused(anyhow::anyhow!("{starter}: {why}")));
            }
            let words = format!("  {starter}: rests {left_s:.0} s of rig time more (duty of motor and starter)");
            if told {
                self.output.progress(&words);
            } else {
                self.output.note(&words);
                told = true;
                if self.args.fast
                    && let Some(child) = &mut self.child
                {
                    child.rest(left_s).await;
                }
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                () = self.served.signals.end.cancelled() => {}
            }
        }
    }

    /// Pressure of the headline channel before the first start of a run that is done.
    fn rest_pa(&self, planned: &Planned) -> Result<Option<f64>, Failure> {
        let (Some(_), Some(path)) = (self.plan.series.drift_pa, &planned.recording) else { return Ok(None) };
        let run = evaluate(&recording::read(path).map_err(Failure::refused)?);
        Ok(run.zeros.iter().find(|zero| zero.channel == run.headline).map(|zero| zero.before_pa))
    }

    /// Whether the resting pressure went off that of the first run of the series.
    fn drifted(&self, planned: &Planned, first_pa: &mut Option<f64>) -> Result<Option<String>, Failure> {
        let (Some(limit_pa), Some(rest_pa)) = (self.plan.series.drift_pa, self.rest_pa(planned)?) else {
            return Ok(None);
        };
        let off_pa = rest_pa - *first_pa.get_or_insert(rest_pa);
        Ok((off_pa.abs() > limit_pa).then(|| {
            format!("the pressure at rest is {off_pa:.0} Pa off that of the first run, {limit_pa:.0} Pa are allowed")
        }))
    }
}

/// A time that is left, for a person.
fn minutes(left_s: f64) -> String {
    if left_s < 90.0 { format!("about {left_s:.0} s") } else { format!("about {:.0} min", left_s / 60.0) }
}

fn run_folder(folder: &Path, number: usize) -> PathBuf {
    folder.join("runs").join(format!("{:04}", number + 1))
}

fn digest(text: &str) -> String {
    hex::encode(Sha256::digest(text.as_bytes()))
}

impl State {
    /// The state in the folder, or a new one.
    fn open(folder: &Path, series: &Series, [rig, own, sequence]: [&str; 3]) -> Result<Self, Failure> {
        let path = folder.join(STATE_FILE);
        let fault = |why: String| Failure::configuration(format!("{}: {why}", path.display()));
        let digests = [rig, own, sequence].map(digest);
        match std::fs::read_to_string(&path) {
            Ok(text) => {
                let state: Self =
                    serde_json::from_str(&text).map_err(|e| fault(format!("not the state of a series: {e}")))?;
                let theirs = [&state.rig_sha256, &state.series_sha256, &state.sequence_sha256];
                let names = ["rig file", "series file", "sequence file"];
                let changed: Vec<&str> = (0..3).filter(|i| *theirs[*i] != digests[*i]).map(|i| names[i]).collect();
                if !changed.is_empty() {
                    let why = format!("the {} changed since this series was begun", changed.join(" and the "));
                    return Err(fault(format!("{why}; try: another folder with --out, or the files as they were")));
                }
                Ok(state)
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                std::fs::create_dir_all(folder)
                    .map_err(|e| Failure::configuration(format!("{}: {e}", folder.display())))?;
                let seed = series.seed.unwrap_or_else(rand::random);
                let [rig_sha256, series_sha256, sequence_sha256] = digests;
                let planned = |turn| Planned { turn, begun: 0, recording: None, failed: Vec::new() };
                Ok(Self {
                    rig_sha256,
                    series_sha256,
                    sequence_sha256,
                    seed,
                    variants: series.variants.clone(),
                    runs: series.order(seed).into_iter().map(planned).collect(),
                })
            }
            Err(error) => Err(fault(error.to_string())),
        }
    }

    /// Runs that were begun, are not known to be done, and have a whole recording all the same: the program ended between
    /// the two.
    fn find_finished(&mut self, folder: &Path) -> Result<(), Failure> {
        for (number, planned) in self.runs.iter_mut().enumerate() {
            if planned.begun == 0 || planned.recording.is_some() {
                continue;
            }
            let Ok(files) = std::fs::read_dir(run_folder(folder, number)) else { continue };
            let mut files: Vec<PathBuf> = files.filter_map(|file| Some(file.ok()?.path())).collect();
            files.sort();
            planned.recording = files.into_iter().find(|file| is_whole(file));
        }
        Ok(())
    }

    fn done(&self) -> usize {
        self.runs.iter().filter(|planned| planned.recording.is_some()).count()
    }

    fn save(&self, folder: &Path) -> Result<(), Failure> {
        let path = folder.join(STATE_FILE);
        let fault = |e: std::io::Error| Failure::configuration(format!("{}: {e}", path.display()));
        let text = serde_json::to_string_pretty(self).map_err(Failure::internal)?;
        let beside = folder.join(format!("{STATE_FILE}.new"));
        let written = std::fs::File::create(&beside).and_then(|mut file| {
            file.write_all(text.as_bytes())?;
            file.sync_all()
        });
        written.and_then(|()| std::fs::rename(&beside, &path)).map_err(fault)
    }
}

/// A closed recording of a run that came to its own end.
fn is_whole(file: &Path) -> bool {
    let closed = file.extension().is_some_and(|ending| ending == "h5");
    closed
        && recording::summary(file).is_ok_and(|found| {
            let stopped = found.stop_outcomes.iter().all(|outcome| *outcome == StopOutcome::Confirmed);
            found.complete && !found.recovered && stopped && !found.stop_outcomes.is_empty()
        })
}

fn show(state: &State, folder: &Path, pairing: Pairing, output: Output, units: System) -> Result<(), Failure> {
    let mut runs = Vec::new();
    for (number, planned) in state.runs.iter().enumerate() {
        let Some(path) = &planned.recording else { continue };
        let result = evaluate(&recording::read(path).map_err(Failure::refused)?);
        let variant = &state.variants[planned.turn.variant];
        let (id, starter) = (variant.id.clone(), variant.starter.clone());
        runs.push(SeriesRun { number: number + 1, variant: id, starter, repeat: planned.turn.repeat, result });
    }
    let judgements = judged(&runs, pairing);
    let strange = strangers(&runs);
    let path = folder.join(TABLE_FILE);
    std::fs::write(&path, rows(&runs, units))
        .map_err(|e| Failure::configuration(format!("{}: {e}", path.display())))?;
    if !output.json {
        output.text(&in_columns(&runs, units));
        output.text(&words(&judgements, pairing, units));
        strange.iter().for_each(|line| output.text(&format!("  {line}")));
        output.text(&format!("table: {}", path.display()));
    }
    let object = json!({
        "runs": state.runs.len(), "done": state.done(), "seed": state.seed, "table": path,
        "order": state.runs, "settings": state.variants, "judged": pairing, "ranking": judgements, "stands_out": strange,
        "written_utc": utc_now_rfc3339(),
    });
    output.object(&object).map_err(Failure::internal)
}

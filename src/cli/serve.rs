//! `serve`, `run` and `watch`: one process owns the rig, the others talk to it.

use super::args::{RunArgs, ServeArgs, WatchArgs};
use super::exit::{Exit, of_run};
use super::failure::Failure;
use super::follow::{follow, subscribe};
use super::manager::Manager;
use super::output::Output;
use super::signals::Signals;
use super::wires::{load_with, read_sequence, starter_index, state_dir};
use crate::api::client::Client;
use crate::api::lead::Lead;
use crate::api::stage::Stage;
use crate::api::{RunRequest, RunView, Service, ServiceError};
use crate::clock::{SystemClock, realtime};
use crate::daemon::owner::{current_owner, owned as current_rigs};
use crate::daemon::{Daemon, DaemonError, Options, ShutdownReport};
use crate::rig::model::Rig;
use crate::sequence::ports::StopOutcome;
use crate::tui::{Look, Watching};
use crate::units::display::System;
use crate::web::Terms;
use serde_json::json;
use std::io::IsTerminal;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Wall time for links and samples to come up.
const READY_DEADLINE: Duration = Duration::from_secs(20);
const READY_UNTOLD: Duration = Duration::from_secs(1);

/// A daemon in this process with its API listening.
pub struct Served {
    /// The daemon.
    pub daemon: Daemon,
    /// Its API.
    pub address: SocketAddr,
    /// Signals that ask it to end.
    pub signals: Signals,
}

/// Where and on which terms a process that owns a rig is reached.
#[derive(Debug)]
pub struct Reached {
    /// Address.
    pub http: SocketAddr,
    /// Terms.
    pub terms: Terms,
    /// Folder for recordings of runs whose face names none.
    pub out_dir: PathBuf,
}

impl Reached {
    /// From this computer only, on a free port.
    pub fn here(out_dir: &Path) -> Self {
        Self { http: SocketAddr::from(([127, 0, 0, 1], 0)), terms: Terms::default(), out_dir: out_dir.to_owned() }
    }
}

/// Own a rig in this process and listen.
pub fn own(rig: Rig, state_dir: &Path, reached: Reached) -> Result<Served, Failure> {
    let Reached { http, terms, out_dir } = reached;
    terms.allow(http).map_err(Failure::refused)?;
    let listener =
        TcpListener::bind(http).map_err(|e| Failure::configuration(format!("--http {http}: {e}; try: port 0")))?;
    let address = listener.local_addr().map_err(Failure::internal)?;
    realtime::allow(realtime::Care::RealTime);
    let options = Options { rig, state_dir: state_dir.to_owned(), out_dir, clock: Arc::new(SystemClock) };
    let daemon = Daemon::open(options).map_err(Failure::from)?;
    daemon.publish(&address.to_string()).map_err(Failure::refused)?;
    let signals = Signals::listen(daemon.tasks()).map_err(Failure::internal)?;
    let stage: Arc<dyn Stage> = Arc::new(daemon.clone());
    let end = daemon.tasks().cancelled();
    daemon.tasks().start("http", async move {
        if let Err(error) = crate::web::serve(listener, stage, terms, end.cancelled_owned()).await {
            tracing::error!("{error}");
        }
    });
    Ok(Served { daemon, address, signals })
}

/// `serve`.
pub async fn serve(args: &ServeArgs, output: Output) -> Result<Exit, Failure> {
    let rig = load_with(&args.rig, &args.wires)?;
    let name = rig.name.clone();
    let out_dir = std::path::absolute(&args.out).map_err(Failure::internal)?;
    let reached = Reached { http: args.http, terms: super::access::terms(&args.access)?, out_dir };
    let scheme = if reached.terms.encrypted() { "https" } else { "http" };
    let served = own(rig, &state_dir(args.wires.state_dir.as_deref()), reached)?;
    output
        .announce(&json!({"ready": true, "http": served.address, "rig": name, "pid": std::process::id()}).to_string());
    let manager = Manager::of_environment();
    if let Some(manager) = &manager {
        manager.tell("READY=1");
    }
    if let Some(told) = Manager::of_environment() {
        let tasks = served.daemon.tasks();
        tasks.start("signs of life", told.keep_alive(served.daemon.clone(), tasks.cancelled()));
    }
    if let Err(missing) = ready(&served, output).await? {
        output.note(&format!("NOTICE not complete yet: {missing}"));
    }
    output.note(&format!(
        "serving {name} at {scheme}://{0} (page for the hall) and {scheme}://{0}/desk (for who leads); end with Ctrl-C",
        served.address
    ));
    let fault = served.daemon.tasks().cancelled();
    tokio::select! {
        () = served.signals.end.cancelled() => {}
        () = fault.cancelled() => output.note("DANGER a task of the program failed; shutting down"),
    }
    // From here on no sign of life is wanted: stopping the plant has deadlines of its own.
    if let Some(manager) = &manager {
        manager.tell("STOPPING=1");
    }
    let report = served.daemon.shutdown("signal", served.signals.hurry.clone()).await;
    Ok(exit_of(&report, served.daemon.tasks().fault(), output))
}

/// Nobody is told of a wait shorter than `READY_UNTOLD`.
async fn ready(served: &Served, output: Output) -> Result<Result<(), String>, Failure> {
    let mut outcome = ready_within(served, READY_UNTOLD).await?;
    if let Err(missing) = &outcome {
        let most_s = READY_DEADLINE.as_secs();
        output.note(&format!("waiting up to {most_s} s for links and samples ({missing}); Ctrl-C ends it"));
        outcome = ready_within(served, READY_DEADLINE).await?;
    }
    Ok(outcome)
}

async fn ready_within(served: &Served, deadline: Duration) -> Result<Result<(), String>, Failure> {
    let (waiting, end) = (served.daemon.clone(), served.signals.end.clone());
    tokio::task::spawn_blocking(move || waiting.wait_ready(deadline, &end)).await.map_err(Failure::internal)
}

/// Wait for links and samples, or say what is missing. A signal ends the wait, and the run that would have followed.
pub async fn wait_ready(served: &Served, output: Output) -> Result<(), Failure> {
    let outcome = ready(served, output).await?;
    if served.signals.end.is_cancelled() {
        let cause = anyhow::anyhow!("ended by a signal; nothing has moved");
        return Err(Failure { exit: Exit::Aborted, cause });
    }
    outcome.map_err(|missing| Failure::configuration(format!("{missing}; nothing has moved")))
}

/// Code of a shutdown.
pub fn exit_of(report: &ShutdownReport, fault: Option<String>, output: Output) -> Exit {
    for name in &report.still_running {
        output.note(&format!("NOTICE did not end in time: {name}"));
    }
    match (report.stop, fault) {
        (Some(StopOutcome::NotConfirmed | StopOutcome::Inferred), _) => Exit::StopNotConfirmed,
        (Some(StopOutcome::Confirmed), _) => Exit::Aborted,
        (None, Some(fault)) => {
            output.note(&fault);
            Exit::Internal
        }
        (None, None) => Exit::Done,
    }
}

/// `run`: through the owner if there is one, else as the owner.
pub async fn run(args: &RunArgs, output: Output) -> Result<Exit, Failure> {
    let rig = load_with(&args.rig, &args.wires)?;
    let (sequence_text, sequence_name) = read_sequence(&args.sequence)?;
    let starter = rig.starters[starter_index(&rig, args.starter.as_deref())?].id.clone();
    let out_dir = std::path::absolute(&args.out).map_err(Failure::internal)?;
    let request = RunRequest {
        sequence_text,
        sequence_name,
        starter,
        attending: args.terms.attending.clone().unwrap_or_default(),
        confirmed_by: args.terms.confirmed_by.clone(),
        label: args.label.clone(),
        out_dir: out_dir.display().to_string(),
        band: args.terms.band,
        face: None,
        from_cycle: None,
    };
    let state = state_dir(args.wires.state_dir.as_deref());
    if let Some(address) = current_owner(&state, &rig.id).and_then(|owner| owner.address) {
        output.note(&format!("attached to the owner of {} at {address}", rig.id));
        let client = super::reach::client(&address, &args.reach)?;
        // Its run hangs on this process; one of our own ends with it anyway.
        let face = Some(format!("run {}", hex::encode(rand::random::<[u8; 8]>())));
        // Reached by another address than loopback, it keeps recordings where it keeps its own.
        let near = address.parse().is_ok_and(|address: SocketAddr| address.ip().is_loopback());
        let out_dir = if near { request.out_dir } else { String::new() };
        return attached(&client, RunRequest { face, out_dir, ..request }, output).await;
    }
    let served = own(rig, &state, Reached::here(&out_dir))?;
    let outcome = match wait_ready(&served, output).await {
        Ok(()) => here(&served, request, output).await,
        Err(failure) => Err(failure),
    };
    let report = served.daemon.shutdown("signal", served.signals.hurry.clone()).await;
    let ended = exit_of(&report, None, output);
    outcome.map(|exit| if exit == Exit::Done { ended } else { exit })
}

/// Run in this process; a signal stops the plant and the run is followed to its end all the same.
async fn here(served: &Served, request: RunRequest, output: Output) -> Result<Exit, Failure> {
    output.note(&format!("page: http://{}", served.address));
    output.note(&format!("watch it: ramprig watch --at {}", served.address));
    let run = run_to_end(&served.daemon, request, &served.signals, output).await?;
    show_end(&run, output)
}

/// Start a run and follow it; the first signal stops it, the second hurries it.
pub async fn run_to_end(
    service: &dyn Service,
    request: RunRequest,
    signals: &Signals,
    output: Output,
) -> Result<RunView, Failure> {
    let face = request.face.clone();
    let mut updates = subscribe(service, face.as_deref()).await.map_err(Failure::refused)?;
    let number = service.start_run(request).await.map_err(Failure::refused)?;
    let stopping = async {
        signals.end.cancelled().await;
        stop_once(service, output).await;
        signals.hurry.cancelled().await;
        stop_once(service, output).await;
        std::future::pending::<()>().await;
    };
    tokio::select! {
        run = follow(output, service, (&mut updates, face.as_deref()), number) => run.map_err(lost_sight),
        () = stopping => Err(Failure::internal(anyhow::anyhow!("unreachable"))),
    }
}

/// The owner went away while its run was on: what became of the motor is not known here.
fn lost_sight(error: ServiceError) -> Failure {
    let text =
        format!("{error}; the run was on: stop NOT confirmed from here; look at the motor, use the emergency stop");
    Failure { exit: Exit::StopNotConfirmed, cause: anyhow::anyhow!(text) }
}

async fn stop_once(service: &dyn Service, output: Output) {
    output.progress_done();
    match service.stop("Ctrl-C".to_owned()).await {
        Ok(report) => output.note(&report.text),
        Err(error) => output.note(&format!("DANGER stop not sent: {error}; use the emergency stop")),
    }
}

async fn attached(client: &Client, request: RunRequest, output: Output) -> Result<Exit, Failure> {
    let tasks = crate::daemon::tasks::TaskGroup::new(tokio_util::sync::CancellationToken::new());
    let signals = Signals::listen(&tasks).map_err(Failure::internal)?;
    let run = run_to_end(client, request, &signals, output).await?;
    tasks.end(Duration::from_secs(1)).await;
    show_end(&run, output)
}

/// Say how a run ended, in words and as JSON; a refusal is a failure and has no object.
fn show_end(run: &RunView, output: Output) -> Result<Exit, Failure> {
    let Some(end) = &run.end else { return Ok(Exit::Internal) };
    let exit = of_run(end, run.recording_complete);
    if let Some(why) = end.aborted.as_ref().filter(|_| end.refused) {
        return Err(Failure { exit, cause: anyhow::anyhow!("{}: refused: {why}", run.starter) });
    }
    match &end.aborted {
        None => output.note(&format!("{}: all steps done, {}", run.starter, end.stop)),
        Some(why) => output.note(&format!("{}: ended early: {why}; {}", run.starter, end.stop)),
    }
    match run.recording_complete {
        true => output.text(&format!("recording: {}", run.recording)),
        false => output.note(&format!(
            "CAUTION recording incomplete, kept as {0}.partial; try: ramprig recover {0}.partial",
            run.recording
        )),
    }
    let object = json!({
        "starter": run.starter, "recording": run.recording, "recording_complete": run.recording_complete,
        "cycles": end.cycles, "aborted": end.aborted, "stop_outcome": end.stop, "taken_over": end.taken_over,
    });
    output.object(&object).map_err(Failure::internal)?;
    Ok(exit)
}

/// `watch`.
pub async fn watch(args: &WatchArgs, units: System) -> Result<Exit, Failure> {
    let address = match &args.at {
        Some(address) => address.clone(),
        None => owner_address(args)?,
    };
    let client: Arc<dyn Lead> = Arc::new(super::reach::client(&address, &args.reach)?);
    client.snapshot().await.map_err(Failure::refused)?;
    needs_terminal("watch")?;
    crate::tui::watch(client, watching(args.name.clone(), units)).await.map_err(|error| match error {
        crate::tui::TuiError::Service(ServiceError::Unreachable { .. }) => Failure::refused(error),
        other => Failure::internal(other),
    })?;
    Ok(Exit::Done)
}

/// Who watches, on the terminal that this is.
pub fn watching(name: Option<String>, system: System) -> Watching {
    Watching { name, system, look: Look::of_environment(), clock: Arc::new(SystemClock) }
}

/// A screen is drawn on a terminal and nowhere else.
pub fn needs_terminal(what: &str) -> Result<(), Failure> {
    match std::io::stdout().is_terminal() && std::io::stdin().is_terminal() {
        true => Ok(()),
        false => Err(Failure::configuration(format!("{what} draws on a terminal, and there is none"))),
    }
}

fn owner_address(args: &WatchArgs) -> Result<String, Failure> {
    let state = state_dir(args.state_dir.as_deref());
    let id = match args.rig.as_deref() {
        Some(rig) if rig.exists() => super::wires::load(rig)?.id,
        Some(rig) => rig.display().to_string(),
        None => the_only_one(&state)?,
    };
    current_owner(&state, &id).and_then(|owner| owner.address).ok_or_else(|| {
        Failure::configuration(format!(
            "nobody serves rig {id} (looked in {}); try: ramprig serve RIG",
            state.display()
        ))
    })
}

/// Where one rig is served on this computer nobody has to name it.
fn the_only_one(state: &Path) -> Result<String, Failure> {
    let next = "ramprig watch RIG, or ramprig watch --at HOST:PORT";
    match current_rigs(state).as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(Failure::configuration(format!(
            "watch what? nobody serves a rig (looked in {}); try: {next}",
            state.display()
        ))),
        several => Err(Failure::configuration(format!(
            "watch what? several rigs are served: {}; try: {next}",
            several.join(", ")
        ))),
    }
}

/// Errors of opening a daemon are configuration, not faults of ours.
impl From<DaemonError> for Failure {
    fn from(error: DaemonError) -> Self {
        if let DaemonError::Samples(error) = error {
            let next = "is the converter on, its cable in, and `address` of [source] in the rig file right? --samples-at HOST:PORT \
                        names another";
            return Self::configuration(format!("{error}; try: {next}"));
        }
        Self::refused(error)
    }
}

//! `demo`: the whole way on the virtual rig, from a rig file to evidence.

use super::args::DemoArgs;
use super::child::VirtualChild;
use super::evidence;
use super::exit::{Exit, of_run};
use super::failure::Failure;
use super::output::Output;
use super::serve::{Reached, Served, exit_of, needs_terminal, own, run_to_end, wait_ready, watching};
use crate::api::lead::Lead;
use crate::api::{RunRequest, RunView};
use crate::units::display::System;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Name that the shipped files get in the demo's folder.
const RIG_FILE: &str = "terrace-bench.toml";
const SEQUENCE_FILE: &str = "three-starters.toml";
/// Members of the band about each prediction: fewer than the usual, so that the audience does not wait for them.
const MEMBERS: u32 = 64;
/// With `--fast`: one vector of lanes; every further one costs the hurry that was asked for.
const MEMBERS_FAST: u32 = 8;

/// Run it.
pub async fn demo(args: &DemoArgs, output: Output, units: System) -> Result<Exit, Failure> {
    if args.watch {
        needs_terminal("demo --watch")?;
    }
    let out = prepare_folder(args.out.as_deref())?;
    let (rig_path, sequence_text) = write_inputs(&out)?;
    output.note("DEMO on a VIRTUAL rig, invented: no real water, no real motor.");
    let child = VirtualChild::start(&rig_path, args.fast, None).await?;
    let outcome = with_child(&child, &rig_path, &sequence_text, &out, (args, output, units)).await;
    child.end().await;
    let (runs, exit) = outcome?;
    if exit != Exit::Done {
        return Ok(exit);
    }
    let files: Vec<PathBuf> = runs.iter().map(|run| PathBuf::from(&run.recording)).collect();
    evidence::show(&files, &out.join("report.html"), output, units)?;
    output
        .note("next: ramprig init my-bench.toml (ten questions about your own rig), then ramprig check my-bench.toml");
    Ok(Exit::Done)
}

fn prepare_folder(given: Option<&Path>) -> Result<PathBuf, Failure> {
    let folder = given.map_or_else(
        || PathBuf::from("runs").join(format!("demo-{}", crate::clock::utc_now_rfc3339().replace(['-', ':'], ""))),
        Path::to_owned,
    );
    let refused = |e: std::io::Error| Failure::configuration(format!("{}: {e}; nothing has moved", folder.display()));
    std::fs::create_dir_all(&folder).map_err(refused)?;
    std::path::absolute(&folder).map_err(refused)
}

/// The rig and sequence as shipped, beside the recordings made with them.
fn write_inputs(out: &Path) -> Result<(PathBuf, String), Failure> {
    let missing = || Failure::internal(anyhow::anyhow!("the shipped files are not in this program"));
    let rig = crate::rig::shipped("terrace-bench").ok_or_else(missing)?;
    let sequence = crate::sequence::script::shipped("three-starters").ok_or_else(missing)?;
    let write = |name: &str, text: &str| {
        let path = out.join(name);
        std::fs::write(&path, text)
            .map(|()| path.clone())
            .map_err(|e| Failure::configuration(format!("{}: {e}; nothing has moved", path.display())))
    };
    write(SEQUENCE_FILE, sequence)?;
    Ok((write(RIG_FILE, rig)?, sequence.to_owned()))
}

async fn with_child(
    child: &VirtualChild,
    rig_path: &Path,
    sequence_text: &str,
    out: &Path,
    (args, output, units): (&DemoArgs, Output, System),
) -> Result<(Vec<RunView>, Exit), Failure> {
    let mut rig = super::wires::load_wired(rig_path)?;
    child.wire(&mut rig);
    let starters: Vec<String> = rig.starters.iter().map(|starter| starter.id.clone()).collect();
    let served = own(rig, &out.join("state"), Reached::here(out))?;
    output.note(&format!("page: http://{}", served.address));
    output.note(&format!("watch it: ramprig watch --at {}", served.address));
    let members = if args.fast { MEMBERS_FAST } else { MEMBERS };
    let outcome = match wait_ready(&served, output).await {
        Ok(()) if args.watch => {
            let runs = all_starters(&served, &starters, sequence_text, (out, members), output.behind_a_screen());
            watched(runs, Arc::new(served.daemon.clone()), (units, output)).await
        }
        Ok(()) => all_starters(&served, &starters, sequence_text, (out, members), output).await,
        Err(failure) => Err(failure),
    };
    let report = served.daemon.shutdown("signal", served.signals.hurry.clone()).await;
    let ended = exit_of(&report, None, output);
    outcome.map(|(runs, exit)| (runs, if exit == Exit::Done { ended } else { exit }))
}

/// The runs with the watch screen in front. Leaving the screen leaves the runs alone, as it does in `watch`.
async fn watched<T>(
    runs: impl Future<Output = Result<T, Failure>>,
    service: Arc<dyn Lead>,
    (units, output): (System, Output),
) -> Result<T, Failure> {
    tokio::pin!(runs);
    tokio::select! {
        outcome = &mut runs => return outcome,
        left = crate::tui::watch(service, watching(Some("watch".to_owned()), units)) => {
            let why = left.err().map(|error| format!(" ({error})")).unwrap_or_default();
            output.note(&format!("screen left{why}; the demo goes on to its end; Ctrl-C stops it"));
        }
    }
    runs.await
}

async fn all_starters(
    served: &Served,
    starters: &[String],
    sequence_text: &str,
    (out, members): (&Path, u32),
    output: Output,
) -> Result<(Vec<RunView>, Exit), Failure> {
    let request = |starter: &String| RunRequest {
        sequence_text: sequence_text.to_owned(),
        sequence_name: SEQUENCE_FILE.to_owned(),
        starter: starter.clone(),
        attending: String::new(),
        confirmed_by: Some("virtual rig".to_owned()),
        out_dir: out.display().to_string(),
        label: String::new(),
        band: Some(members),
        face: None,
        from_cycle: None,
    };
    let requests: Vec<RunRequest> = starters.iter().map(request).collect();
    served.daemon.foresee(&requests);
    let mut runs = Vec::new();
    for request in requests {
        let starter = request.starter.clone();
        if served.signals.end.is_cancelled() {
            output.note("ended by a signal between two runs; nothing is on");
            return Ok((runs, Exit::Aborted));
        }
        output.note(&format!("run {} of {}: {starter}", runs.len() + 1, starters.len()));
        let run = run_to_end(&served.daemon, request, &served.signals, output).await?;
        let Some(end) = &run.end else { return Ok((runs, Exit::Internal)) };
        let exit = of_run(end, run.recording_complete);
        if exit != Exit::Done {
            let why = end.aborted.as_deref().unwrap_or("recording incomplete");
            output.note(&format!("{starter}: {why}; {}", end.stop));
            return Ok((runs, exit));
        }
        output.note(&format!("  {} cycles, {}", end.cycles, end.stop));
        runs.push(run);
    }
    Ok((runs, Exit::Done))
}

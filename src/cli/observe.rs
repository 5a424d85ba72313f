//! `observe`: watch, and look at what was watched.

use super::args::ObserveArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use super::signals::Signals;
use super::wires::{load_to_watch, read_holds, state_dir};
use crate::acquisition::{self, Acquisition};
use crate::clock::{RigClock, SystemClock, WallClock};
use crate::daemon::owner::Ownership;
use crate::daemon::tasks::TaskGroup;
use crate::fieldbus::observed::{self, Manner, Observed};
use crate::observe::{
    Row, Session, SessionSetup, SuspendGuard, completeness, differences, port_notices, session_of, unit_text,
};
use crate::rig::model::Rig;
use crate::signal::Block;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Blocks that may wait for the session: 1.5 s of the smallest ones; of the largest (a full pipe) they hold 34 MB.
const BLOCKS_WAITING: usize = 256;
/// Longest wait for a block before signals and the stream are looked at.
const LOOK: Duration = Duration::from_millis(200);
/// A lost stream is opened again this often, ns of wall time.
const REOPEN_NS: u64 = 5_000_000_000;
const SHUTDOWN: Duration = Duration::from_secs(10);

/// `observe`.
pub async fn observe(args: &ObserveArgs, output: Output) -> Result<Exit, Failure> {
    if let Some(folder) = &args.complete {
        return complete(folder, &state_dir(args.wires.state_dir.as_deref()), output);
    }
    if let [first, second] = &args.differs[..] {
        return differ(first, second, output);
    }
    let Some(path) = &args.rig else { return Err(Failure::configuration("observe needs a rig file")) };
    let rig = Arc::new(load_to_watch(path, &args.wires)?);
    if args.unit {
        return unit(path, args, output);
    }
    let state = state_dir(args.wires.state_dir.as_deref());
    let _owned = Ownership::take(&state, &rig.id).map_err(Failure::refused)?;
    let setup = SessionSetup { rig: Arc::clone(&rig), folder: args.out.clone(), label: args.label.clone() };
    let clock: Arc<dyn WallClock> = Arc::new(SystemClock);
    let rig_clock = RigClock::default();
    let session = Session::open(setup.clone(), Arc::clone(&clock), rig_clock.clone()).map_err(Failure::refused)?;
    let tasks = TaskGroup::new(CancellationToken::new());
    let signals = Signals::listen(&tasks).map_err(Failure::internal)?;
    say_what_is_done(&rig, output);
    let guard = SuspendGuard::take();
    if let Err(why) = &guard {
        output.note(&format!("NOTICE suspend is NOT inhibited ({why}): set the computer to stay awake, lid included"));
    }
    let buses = observed::observe(&rig, &clock).map_err(Failure::internal)?;
    let sampling = acquisition::start_polled(Arc::clone(&rig), buses.slow_values(), Arc::clone(&clock), rig_clock)
        .map_err(Failure::refused)?;
    let watching = Watching { buses, sampling, clock, hours: args.hours, signals, output };
    tokio::task::block_in_place(|| watching.run(session))?;
    let found = completeness(&setup.folder, &read_holds(&state, &rig.id)?).map_err(Failure::refused)?;
    output.text(&found.text());
    output.object(&found).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

/// Said wherever a station is watched; common practice, no source.
pub(super) const AT_A_STATION: &str = "\
WARNING at a station: confined space, gas or no oxygen in well and chamber; explosive atmosphere (classified area), where a
laptop has no place; arc flash at an open panel; stored charge in a drive; wet floor near the supply. Go by its operator's
rules and permits, never alone. Pumps start by themselves.";

fn say_what_is_done(rig: &Rig, output: Output) {
    output.note(AT_A_STATION);
    for warning in &rig.warnings {
        output.note(&format!("WARNING {warning}"));
    }
    output.note(&format!("watching {}: nothing is commanded; end with Ctrl-C", rig.name));
    for (link, manner) in observed::manners(rig) {
        output.note(&match manner {
            Manner::Listened => format!("link {link}: listened to, nothing is sent"),
            Manner::Read => format!("link {link}: read, as reads_allowed says; nothing is written"),
            Manner::Untouched(why) => format!("link {link}: not touched: {why}"),
        });
    }
    for notice in port_notices(rig) {
        output.note(&format!("NOTICE {notice}"));
    }
}

struct Watching {
    buses: Observed,
    sampling: Acquisition,
    clock: Arc<dyn WallClock>,
    hours: Option<f64>,
    signals: Signals,
    output: Output,
}

impl Watching {
    fn run(self, mut session: Session) -> Result<(), Failure> {
        let blocks = self.sampling.attach_recorder(BLOCKS_WAITING);
        let mut reopen_ns = 0;
        while !self.signals.end.is_cancelled() && !self.is_over(&session) {
            match blocks.recv_timeout(LOOK) {
                Ok(block) => self.take(&mut session, &block)?,
                Err(RecvTimeoutError::Timeout) => self.look_after_the_stream(&mut reopen_ns),
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        self.end(session, &blocks)
    }

    fn is_over(&self, session: &Session) -> bool {
        self.hours.is_some_and(|hours| session.watched_s() >= hours * 3600.0)
    }

    fn take(&self, session: &mut Session, block: &Arc<Block>) -> Result<(), Failure> {
        if let Some(ended) = session.take(block, &self.buses).map_err(Failure::refused)? {
            self.tell(&ended);
        }
        Ok(())
    }

    fn tell(&self, (row, fault): &(Row, Option<String>)) {
        let known = |text: &Option<String>| text.clone().unwrap_or_else(|| "not known".to_owned());
        let surge = row.surge_pa.map_or_else(|| "not measured".to_owned(), |pa| format!("{:.3} bar", pa / 1e5));
        self.output.note(&format!(
            "event {}: {} at {}, pump {}, surge {surge}, {}",
            row.event,
            row.trigger,
            row.utc,
            known(&row.pump),
            row.recording.as_deref().unwrap_or("NOT KEPT: the disk quota is used up"),
        ));
        if let Some(fault) = fault {
            self.output.note(&format!("CAUTION event {}: recording incomplete: {fault}", row.event));
        }
    }

    /// A stream that was lost is opened again, for as long as it takes.
    fn look_after_the_stream(&self, reopen_ns: &mut u64) {
        let now_ns = self.clock.now_ns();
        if let Some(why) = self.sampling.port().view().lost
            && now_ns >= *reopen_ns
        {
            tracing::warn!("{why}; it is opened again");
            *reopen_ns = now_ns + REOPEN_NS;
            self.sampling.reconnect();
        }
    }

    fn end(self, mut session: Session, blocks: &Receiver<Arc<Block>>) -> Result<(), Failure> {
        self.sampling.detach_recorder();
        if self.hours.is_none() {
            while let Ok(block) = blocks.recv_timeout(LOOK) {
                self.take(&mut session, &block)?;
            }
        }
        let _ = self.sampling.shutdown(SHUTDOWN);
        if let Some(ended) = session.finish().map_err(Failure::refused)? {
            self.tell(&ended);
        }
        let behind = self.sampling.statistics().recorder_behind_frames;
        if behind > 0 {
            self.output.note(&format!("CAUTION {behind} frames were dropped: the disk did not keep up"));
        }
        for ((link, _), (heard, fault)) in self.buses.manners().iter().zip(self.buses.links()) {
            self.output.note(&format!(
                "link {link}: {} requests, {} answers, {} strays, {} bytes of garbage{}",
                heard.requests,
                heard.answers,
                heard.strays,
                heard.garbage,
                fault.map(|fault| format!("; {fault}")).unwrap_or_default()
            ));
        }
        Ok(())
    }
}

fn complete(folder: &Path, state: &Path, output: Output) -> Result<Exit, Failure> {
    let record = session_of(folder).map_err(Failure::refused)?;
    let found = completeness(folder, &read_holds(state, &record.rig_id)?).map_err(Failure::refused)?;
    output.text(&found.text());
    output.object(&found).map_err(Failure::internal)?;
    Ok(if found.missing.is_empty() { Exit::Done } else { Exit::Differs })
}

fn differ(first: &Path, second: &Path, output: Output) -> Result<Exit, Failure> {
    let found = differences(first, second).map_err(Failure::refused)?;
    let cell = |value: &Option<String>| value.clone().unwrap_or_else(|| "-".to_owned());
    for difference in &found {
        output.text(&format!("{}: {} | {}", difference.key, cell(&difference.first), cell(&difference.second)));
    }
    if found.is_empty() {
        output.text("no difference");
    }
    output.object(&json!({ "differences": found })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn unit(rig: &Path, args: &ObserveArgs, output: Output) -> Result<Exit, Failure> {
    let program = std::env::current_exe().map_err(Failure::internal)?;
    let absolute = |path: &Path| std::path::absolute(path).map_err(Failure::internal);
    let text = unit_text(&program, &absolute(rig)?, &absolute(&args.out)?, &args.label);
    output.text(text.trim_end());
    output.object(&json!({ "unit": text })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

//! Follow one run to its end: a live line of progress, log lines as they come, questions shown.

use super::output::Output;
use crate::api::{Activity, RunView, Service, ServiceError, Snapshot, Update};
use crate::sequence::ports::{Event, Level};
use tokio::sync::mpsc::Receiver;

/// Follow run `number` until it has ended and its recording is closed.
///
/// # Errors
/// The daemon is gone.
pub async fn follow(
    output: Output,
    service: &dyn Service,
    (updates, face): (&mut Receiver<Update>, Option<&str>),
    number: u32,
) -> Result<RunView, ServiceError> {
    let mut shown = Shown::default();
    loop {
        let update = match updates.recv().await {
            Some(update) => update,
            None => {
                *updates = subscribe(service, face).await?;
                continue;
            }
        };
        match update {
            Update::Snapshot(snapshot) | Update::State(snapshot) => {
                shown.state(output, &snapshot);
                if let Some(run) = ended(&snapshot, number) {
                    output.progress_done();
                    return Ok(run);
                }
            }
            Update::Log(event) => shown.event(output, &event),
            Update::Live(_) | Update::Predicted(_) | Update::Dropped(_) => {}
        }
    }
}

/// Updates, under a name where the run hangs on this face.
///
/// # Errors
/// The daemon is gone.
pub async fn subscribe(service: &dyn Service, face: Option<&str>) -> Result<Receiver<Update>, ServiceError> {
    match face {
        Some(face) => service.subscribe_as(face.to_owned()).await,
        None => service.subscribe().await,
    }
}

fn ended(snapshot: &Snapshot, number: u32) -> Option<RunView> {
    let run = snapshot.run.as_ref().filter(|run| run.number == number && run.end.is_some())?;
    (snapshot.activity != Activity::Closing).then(|| run.clone())
}

#[derive(Default)]
struct Shown {
    question: Option<u32>,
    said: Option<String>,
}

impl Shown {
    fn state(&mut self, output: Output, snapshot: &Snapshot) {
        let Some(run) = &snapshot.run else { return };
        if run.said != self.said {
            self.said.clone_from(&run.said);
            if let Some(text) = &run.said {
                output.progress_done();
                output.note(&format!("  {text}"));
            }
        }
        match &run.question {
            Some((id, text)) if self.question != Some(*id) => {
                self.question = Some(*id);
                output.progress_done();
                output.note(&format!("  CONFIRM: {text}\n  (`ramprig watch --name NAME`, keys t and c)"));
            }
            _ => {}
        }
        if let Some(line) = progress_line(snapshot, run) {
            output.progress(&line);
        }
    }

    fn event(&self, output: Output, event: &Event) {
        // What the executor says aloud is in the log too.
        if self.said.as_deref() == Some(event.text.as_str()) {
            return;
        }
        let word = match event.level {
            Level::Note => return,
            Level::Notice => "NOTICE",
            Level::Caution => "CAUTION",
            Level::Warning => "WARNING",
            Level::Danger => "DANGER",
        };
        output.progress_done();
        output.note(&format!("  {word} {:.2} s: {}", event.at_s, event.text));
    }
}

fn progress_line(snapshot: &Snapshot, run: &RunView) -> Option<String> {
    let progress = run.progress.as_ref()?;
    let of = progress.step_s.map_or_else(String::new, |s| format!("/{s:.1}"));
    let doing = match snapshot.activity {
        Activity::Stopping => "STOPPING ",
        Activity::Closing => "closing the recording ",
        _ => "",
    };
    Some(format!(
        "  {} cycle {}/{}  {doing}{} {:.1}{of} s   rig time {:.1} s",
        run.starter, progress.cycle, progress.cycles, progress.step, progress.in_step_s, snapshot.rig_time_s
    ))
}

//! `compare`, `report` and `recover`: from recordings to evidence.

use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::comparison::RunData;
use crate::comparison::evaluate::{RunResult, evaluate};
use crate::comparison::summary::summary;
use crate::comparison::table::table;
use crate::recording;
use crate::report::{compose::compose, html::page};
use crate::units::display::System;
use serde_json::json;
use std::path::{Path, PathBuf};

fn read(files: &[PathBuf]) -> Result<Vec<RunData>, Failure> {
    files.iter().map(|file| recording::read(file).map_err(Failure::refused)).collect()
}

fn evaluate_all(runs: &[RunData]) -> Vec<RunResult> {
    runs.iter().map(evaluate).collect()
}

/// `compare`.
pub fn compare(files: &[PathBuf], output: Output, units: System) -> Result<Exit, Failure> {
    let results = evaluate_all(&read(files)?);
    let summaries: Vec<_> = results.iter().map(summary).collect();
    if !output.json {
        output.text(table(&results, units).trim_end());
    }
    output.object(&json!({ "runs": summaries })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

/// `report`.
pub fn report(files: &[PathBuf], out: &Path, output: Output, units: System) -> Result<Exit, Failure> {
    write_report(&read(files)?, out, units)?;
    output.text(&format!("report: {}", out.display()));
    output.object(&json!({ "report": out })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn write_report(runs: &[RunData], out: &Path, units: System) -> Result<(), Failure> {
    let document = compose(runs, units).map_err(Failure::internal)?;
    std::fs::write(out, page(&document)).map_err(|e| Failure::configuration(format!("{}: {e}", out.display())))
}

/// Table, report and one object about all of it (the end of `demo`).
pub fn show(files: &[PathBuf], report: &Path, output: Output, units: System) -> Result<(), Failure> {
    let runs = read(files)?;
    let results = evaluate_all(&runs);
    write_report(&runs, report, units)?;
    if !output.json {
        output.text(&format!("\n{}", table(&results, units).trim_end()));
        for file in files {
            output.text(&format!("recording: {}", file.display()));
        }
        output.text(&format!("report:    {}", report.display()));
    }
    let summaries: Vec<_> = results.iter().map(summary).collect();
    output.object(&json!({ "runs": summaries, "report": report })).map_err(Failure::internal)
}

/// `recover`.
pub fn recover(file: &Path, output: Output) -> Result<Exit, Failure> {
    let recovered = recording::recover(file).map_err(Failure::refused)?;
    let summary = &recovered.summary;
    output.text(&format!("recovered: {} ({} frames)", recovered.path.display(), summary.frames));
    if let Some(loss) = &summary.loss {
        output.text(&format!("loss: {loss}"));
    }
    let object = json!({
        "recovered": recovered.path, "frames": summary.frames, "frames_missing": summary.frames_missing,
        "complete": summary.complete, "loss": summary.loss,
    });
    output.object(&object).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

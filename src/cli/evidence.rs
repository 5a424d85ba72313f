//! `compare`, `report` and `recover`: from recordings to evidence.

use super::args::{CompareArgs, Paper, ReportArgs};
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::comparison::RunData;
use crate::comparison::evaluate::{RunResult, evaluate, evaluate_all};
use crate::comparison::recalibrate::{doubtful, recalibrate};
use crate::comparison::set_up;
use crate::comparison::summary::summary;
use crate::comparison::table::{figure, table, titles};
use crate::comparison::tolerance::{Held, Standing, Tolerance, against_limits, against_prediction, against_run};
use crate::comparison::verdict::Pairing;
use crate::recording;
use crate::report::{compose::compose, html::page};
use crate::rig::calibration::read_file;
use crate::units::display::System;
use serde_json::json;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn read(files: &[PathBuf]) -> Result<Vec<RunData>, Failure> {
    files.iter().map(|file| recording::read(file).map_err(Failure::refused)).collect()
}

/// Recordings, with channels evaluated anew by calibration files; and what was done, in words.
fn read_anew(files: &[PathBuf], calibrations: &[PathBuf]) -> Result<(Vec<RunData>, Vec<String>), Failure> {
    let (mut runs, mut words) = (read(files)?, Vec::new());
    for path in calibrations {
        let fault = |why: String| Failure::configuration(format!("{}: {why}", path.display()));
        let text = std::fs::read_to_string(path).map_err(|e| fault(e.to_string()))?;
        let filed = read_file(&text, &path.display().to_string())
            .map_err(|problems| Failure::configuration(problems.to_string()))?;
        let digest = hex::encode(Sha256::digest(text.as_bytes()));
        let trace = format!("{}, sha256 {}...", path.display(), &digest[..16]);
        for run in &mut runs {
            let done = recalibrate(run, &filed, &trace);
            words.push(done.ok_or_else(|| fault(format!("{} has no channel `{}`", run.path, filed.channel)))?);
        }
    }
    words.dedup();
    Ok((runs, words))
}

/// How the cycles of two runs are held against one another.
fn pairing(paired: bool) -> Pairing {
    if paired { Pairing::Paired } else { Pairing::Independent }
}

fn results(runs: &[RunData]) -> Vec<RunResult> {
    evaluate_all(runs).into_iter().map(|(_, result)| result).collect()
}

/// `compare`.
pub fn compare(args: &CompareArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let (runs, anew) = read_anew(&args.files, &args.calibrations)?;
    let results = results(&runs);
    let summaries: Vec<_> = results.iter().map(summary).collect();
    let set_up = set_up::words(&runs, &titles(&results));
    if !output.json {
        // Before any figure: what else is not the same may be what a difference comes from.
        set_up.iter().for_each(|line| output.text(&format!("set up otherwise: {line}")));
        output.text(table(&results, pairing(args.paired), units).trim_end());
        anew.iter().for_each(|line| output.text(line));
    }
    let doubtful: BTreeSet<String> = runs.iter().flat_map(doubtful).collect();
    doubtful.iter().for_each(|line| output.note(&format!("CAUTION {line}")));
    let mut object = json!({ "runs": summaries, "judged": pairing(args.paired), "set_up_differences": set_up, "evaluated_anew": anew, "calibration_cautions": doubtful });
    let mut exit = Exit::Done;
    if let Some(share) = args.tolerance {
        let to = Tolerance { share, guard: args.guard };
        let held = hold(&results, to, args.against.as_deref())?;
        if !output.json {
            output.text(&tolerance_text(&held, to, args.against.as_deref(), units));
        }
        if held.iter().any(|held| !held.within) {
            exit = Exit::Differs;
        }
        object["tolerance"] =
            json!({ "share": share, "guard": args.guard, "within": exit == Exit::Done, "held": held });
    }
    if !args.limits.is_empty() {
        let (held, unknown): (Vec<_>, Vec<_>) =
            results.iter().map(|run| against_limits(run, &args.limits, args.guard)).unzip();
        let (held, unknown) = (held.concat(), unknown.concat());
        if !output.json {
            output.text(&limits_text(&held, &unknown, args.guard, units));
        }
        let within = unknown.is_empty() && held.iter().all(|held| held.within);
        if !within {
            exit = Exit::Differs;
        }
        object["limits"] = json!({ "guard": args.guard, "within": within, "held": held, "not_measured": unknown });
    }
    output.object(&object).map_err(Failure::internal)?;
    Ok(exit)
}

fn hold(results: &[RunResult], to: Tolerance, against: Option<&Path>) -> Result<Vec<Held>, Failure> {
    let reference = against.map(recording::read).transpose().map_err(Failure::refused)?.map(|run| evaluate(&run));
    let held: Vec<Held> = results
        .iter()
        .flat_map(|run| match &reference {
            Some(reference) => against_run(run, reference, to),
            None => against_prediction(run, to),
        })
        .collect();
    if held.is_empty() {
        let what = "nothing to hold to a tolerance: no figure is both measured and there to compare with; see the reasons above";
        return Err(Failure::configuration(what));
    }
    Ok(held)
}

/// How all of them stand, in a word; a figure that nobody knows leaves it open.
fn verdict(held: &[Held], all_known: bool) -> &'static str {
    match held.iter().map(|held| held.standing).max() {
        Some(Standing::Beyond) => "OUTSIDE",
        Some(Standing::Within) if all_known => "within",
        _ => "OPEN: the uncertainty reaches over the limit, or nothing was measured",
    }
}

fn guarded(guard: f64) -> String {
    match guard > 0.0 {
        true => format!("guard band {guard} times the expanded uncertainty (JCGM 106)"),
        false => "no guard band: the uncertainty is left out".to_owned(),
    }
}

fn tolerance_text(held: &[Held], to: Tolerance, against: Option<&Path>, units: System) -> String {
    let about = against.map_or_else(|| "the prediction".to_owned(), |file| file.display().to_string());
    let within = held.iter().filter(|held| held.within).count();
    let mut lines = vec![format!(
        "\ntolerance {} % about {about}, {}: {} ({within} of {} figures within)",
        100.0 * to.share,
        guarded(to.guard),
        verdict(held, true),
        held.len()
    )];
    lines.extend(held.iter().filter(|held| !held.within).map(|held| {
        let of = |si: f64| figure(held.key, si, units);
        let (measured, reference, allowed) = (of(held.measured), of(held.reference), of(held.allowed));
        format!(
            "  {}: {} {measured}, {reference} +- {allowed} allowed, guard band {}: {}",
            held.recording,
            held.label,
            of(held.guard),
            held.standing
        )
    }));
    lines.join("\n")
}

fn limits_text(held: &[Held], unknown: &[String], guard: f64, units: System) -> String {
    let mut lines = vec![format!("\nlimits, {}: {}", guarded(guard), verdict(held, unknown.is_empty()))];
    lines.extend(held.iter().map(|held| {
        let of = |si: f64| figure(held.key, si, units);
        let (measured, allowed, guard) = (of(held.measured), of(held.allowed), of(held.guard));
        let (recording, label, standing) = (&held.recording, held.label, held.standing);
        format!("  {recording}: {label} {measured} at worst, limit {allowed}, guard band {guard}: {standing}")
    }));
    lines.extend(unknown.iter().map(|words| format!("  {words}")));
    lines.join("\n")
}

/// `report`.
pub fn report(args: &ReportArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let (runs, anew) = read_anew(&args.files, &args.calibrations)?;
    let default = if args.pdf { "report.pdf" } else { "report.html" };
    let out = args.out.as_deref().unwrap_or(Path::new(default));
    if args.pdf {
        write_file(out, &pdf(&runs, args.paper, (pairing(args.paired), units))?)?;
    } else {
        write_report(&runs, out, (pairing(args.paired), units))?;
    }
    anew.iter().for_each(|line| output.text(line));
    output.text(&format!("report: {}", out.display()));
    output.object(&json!({ "report": out })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn write_report(runs: &[RunData], out: &Path, (pairing, units): (Pairing, System)) -> Result<(), Failure> {
    let document = compose(runs, pairing, units).map_err(Failure::internal)?;
    write_file(out, page(&document).as_bytes())
}

fn write_file(out: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(out, bytes).map_err(|e| Failure::configuration(format!("{}: {e}", out.display())))
}

#[cfg(feature = "pdf")]
fn pdf(runs: &[RunData], paper: Paper, (pairing, units): (Pairing, System)) -> Result<Vec<u8>, Failure> {
    let paper = match paper {
        Paper::A4 => crate::report::pdf::Paper::A4,
        Paper::Letter => crate::report::pdf::Paper::Letter,
    };
    let document = compose(runs, pairing, units).map_err(Failure::internal)?;
    crate::report::pdf::pdf(&document, paper).map_err(Failure::internal)
}

#[cfg(not(feature = "pdf"))]
fn pdf(_: &[RunData], _: Paper, _: (Pairing, System)) -> Result<Vec<u8>, Failure> {
    let why = "--pdf: this build writes no PDF; build one that does with `cargo build --release --features pdf`, or print the \
               HTML page, which is made for A4 and Letter as well";
    Err(Failure::configuration(why))
}

/// Table, report and one object about all of it (the end of `demo`).
pub fn show(files: &[PathBuf], report: &Path, output: Output, units: System) -> Result<(), Failure> {
    let runs = read(files)?;
    let results = results(&runs);
    write_report(&runs, report, (Pairing::Independent, units))?;
    if !output.json {
        output.text(&format!("\n{}", table(&results, Pairing::Independent, units).trim_end()));
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

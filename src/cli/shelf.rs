//! `list`, `show` and `export`: finding recordings, looking into one, and handing them to other programs.

use super::args::{ExportArgs, ListArgs};
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::comparison::RunData;
use crate::comparison::evaluate::evaluate;
use crate::comparison::summary::summary;
use crate::comparison::table::{kind_words, table};
use crate::comparison::verdict::Pairing;
use crate::recording::{self, RecordingSummary};
use crate::report::export::{self, Column, Kind, csv};
use crate::sequence::ports::{SettingsMoment, StopOutcome};
use crate::units::display::System;
use crate::units::{Dimension, Reference};
use serde_json::{Value, json};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Columns of a list.
const COLUMNS: usize = 10;
/// Folders are followed this deep.
const DEEPEST: usize = 8;

/// `list`.
pub fn list(args: &ListArgs, output: Output) -> Result<Exit, Failure> {
    let files = find(&args.places)?;
    let (mut rows, mut unreadable) = (Vec::new(), Vec::new());
    for file in files {
        match recording::summary(&file) {
            Ok(found) if wanted(args, &found) && has_event(args, &file)? => rows.push((file, found)),
            Ok(_) => {}
            Err(error) => unreadable.push((file, error.to_string())),
        }
    }
    rows.sort_by(|a, b| a.1.started_utc.cmp(&b.1.started_utc).then_with(|| a.0.cmp(&b.0)));
    if !output.json {
        output.text(&text_of(&rows));
    }
    for (_, why) in &unreadable {
        output.note(&format!("not read: {why}"));
    }
    let object = json!({
        "recordings": rows.iter().map(|(file, found)| object_of(file, found)).collect::<Vec<_>>(),
        "not_read": unreadable.iter().map(|(file, why)| json!({ "file": file, "why": why })).collect::<Vec<_>>(),
    });
    output.object(&object).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

/// Recordings below the places named, whole or partial, in the order of their names.
fn find(places: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    for place in places {
        let kind = std::fs::metadata(place);
        let kind =
            kind.map_err(|e| Failure::configuration(format!("{}: {e}; name a folder or recordings", place.display())))?;
        if kind.is_dir() { descend(place, DEEPEST, &mut found)? } else { found.push(place.clone()) }
    }
    found.sort();
    found.dedup();
    Ok(found)
}

fn descend(folder: &Path, deeper: usize, found: &mut Vec<PathBuf>) -> Result<(), Failure> {
    let fault = |e: std::io::Error| Failure::configuration(format!("{}: {e}", folder.display()));
    for entry in std::fs::read_dir(folder).map_err(fault)? {
        let entry = entry.map_err(fault)?;
        let path = entry.path();
        let name = path.to_string_lossy();
        if entry.file_type().map_err(fault)?.is_dir() {
            if deeper > 0 {
                descend(&path, deeper - 1, found)?;
            }
        } else if name.ends_with(".h5") || name.ends_with(".h5.partial") {
            found.push(path);
        }
    }
    Ok(())
}

fn wanted(args: &ListArgs, found: &RecordingSummary) -> bool {
    let alike = |asked: &Option<String>, of: &[&str]| asked.as_deref().is_none_or(|asked| of.contains(&asked));
    // ISO dates sort as text; a day includes all its times.
    let day = found.started_utc.get(..10).unwrap_or("");
    alike(&args.rig, &[&found.rig_id, &found.rig_name])
        && alike(&args.label, &[&found.label])
        && alike(&args.starter, &[&found.starter, kind_words(found.starter_kind)])
        && args.from.as_deref().is_none_or(|from| day >= from)
        && args.to.as_deref().is_none_or(|to| day <= to)
}

fn has_event(args: &ListArgs, file: &Path) -> Result<bool, Failure> {
    let Some(text) = &args.event else { return Ok(true) };
    let run = recording::read(file).map_err(Failure::refused)?;
    let text = text.to_lowercase();
    Ok(run.events.iter().any(|event| event.text.to_lowercase().contains(&text)))
}

fn worst(found: &RecordingSummary) -> StopOutcome {
    found.stop_outcomes.iter().copied().max().unwrap_or(StopOutcome::NotConfirmed)
}

fn state(found: &RecordingSummary) -> &'static str {
    match (found.closed, found.complete, found.recovered) {
        (_, _, true) => "recovered",
        (false, _, _) => "not closed",
        (true, true, false) => "complete",
        (true, false, false) => "cut off",
    }
}

fn text_of(rows: &[(PathBuf, RecordingSummary)]) -> String {
    if rows.is_empty() {
        return "no recording".to_owned();
    }
    let head = ["started (UTC)", "rig", "starter", "label", "cycles", "s", "missing", "stop", "state", "file"]
        .map(str::to_owned);
    let lines: Vec<[String; COLUMNS]> = std::iter::once(head)
        .chain(rows.iter().map(|(file, found)| {
            let mark = if found.is_virtual { " VIRTUAL" } else { "" };
            [
                found.started_utc.get(..19).unwrap_or(&found.started_utc).replace('T', " "),
                format!("{}{mark}", found.rig_id),
                found.starter.clone(),
                found.label.clone(),
                found.stop_outcomes.len().to_string(),
                format!("{:.1}", found.duration_s),
                found.frames_missing.to_string(),
                worst(found).to_string().trim_start_matches("stop ").to_owned(),
                state(found).to_owned(),
                file.display().to_string(),
            ]
        }))
        .collect();
    let width = |column: usize| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..COLUMNS).map(width).collect();
    let text = |line: &[String; COLUMNS]| {
        let cells = line.iter().zip(&widths).map(|(cell, &width)| format!("{cell:width$}"));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    lines.iter().map(text).collect::<Vec<_>>().join("\n")
}

fn object_of(file: &Path, found: &RecordingSummary) -> Value {
    json!({
        "file": file, "started_utc": found.started_utc, "rig": found.rig_id, "rig_name": found.rig_name,
        "virtual": found.is_virtual, "starter": found.starter, "starter_kind": found.starter_kind,
        "attending": found.attending, "label": found.label, "cycles": found.stop_outcomes.len(), "duration_s": found.duration_s,
        "frames": found.frames, "frames_missing": found.frames_missing, "stop_outcome": worst(found),
        "state": state(found), "loss": found.loss,
    })
}

/// `show`.
pub fn show(file: &Path, output: Output, units: System) -> Result<Exit, Failure> {
    let found = recording::summary(file).map_err(Failure::refused)?;
    let run = recording::read(file).map_err(Failure::refused)?;
    let notes = recording::notes(file).map_err(Failure::refused)?;
    let wires = recording::read_wire_log(file).map_err(Failure::refused)?;
    let result = evaluate(&run);
    if !output.json {
        output.text(&text_of(&[(file.to_owned(), found.clone())]));
        output.text(&details(&run, units));
        if let Some(set_s) = run.header.as_ref().and_then(|header| header.settings_in_force.ramp_up_s) {
            let measured =
                result.mean_measured("acceleration").map_or_else(|why| why.to_string(), |s| format!("{s:.2} s"));
            output.text(&format!("ramp up as set: {set_s:.2} s; acceleration as measured: {measured}"));
        }
        notes.iter().for_each(|note| output.text(&note.in_words()));
        output.text(&format!("\n{}", table(std::slice::from_ref(&result), Pairing::Independent, units).trim_end()));
    }
    let object = json!({
        "recording": object_of(file, &found),
        "header": run.header,
        "channels": run.channels.iter().map(|channel| json!({
            "id": channel.id, "label": channel.label, "unit": channel.unit, "range": channel.range,
            "filter_class": channel.filter_class, "calibration_u": channel.calibration_u,
            "calibration": channel.chain.calibration,
            "calibration_state": channel.chain.calibration.state(&run.started_utc),
        })).collect::<Vec<_>>(),
        "marks": run.marks,
        "events": run.events,
        "notes": notes,
        "commands": wires.commands.len(),
        "links": run.links,
        "settings": run.settings,
        "metrics": summary(&result),
    });
    output.object(&object).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn details(run: &RunData, units: System) -> String {
    let mut lines = Vec::new();
    if let Some(header) = &run.header {
        lines.push(format!("attending: {}; confirmed by: {}", header.attending, header.confirmed_by));
    }
    if let (Some(prediction), Some(at_s)) = (&run.prediction, run.prediction_stored_s) {
        let digest = prediction.sha256.get(..12).unwrap_or("");
        lines.push(format!("prediction: on disk at {at_s:.2} s of rig time, sha256 {digest}..."));
    }
    lines.push("channels:".to_owned());
    for channel in &run.channels {
        let of = |si: f64| match channel.unit.as_str() {
            "Pa" => units.show(si, Dimension::Pressure, Reference::Gauge),
            "rad/s" => units.plain(si, Dimension::Speed),
            unit => format!("{si} {unit}"),
        };
        let (low, high) = channel.range;
        let calibration = match run.is_virtual {
            true => String::new(),
            false => format!("; {}", channel.chain.calibration.in_words(&run.started_utc)),
        };
        let id = channel.id.to_string();
        lines.push(format!("  {id:<16} {}, {} to {}{calibration}", channel.label, of(low), of(high)));
    }
    if !run.settings.is_empty() {
        lines.push("settings as read:".to_owned());
        lines.extend(run.settings.iter().map(|found| {
            let moment = match found.moment {
                SettingsMoment::Before => "before",
                SettingsMoment::InForce => "in force",
                SettingsMoment::After => "after",
            };
            let words = crate::report::compose::settings_text(&found.settings);
            format!("  {:9.3} s  {} {moment}: {words}", found.at_s, found.starter)
        }));
    }
    if !run.links.is_empty() {
        lines.push("links:".to_owned());
        lines.extend(run.links.iter().map(|link| format!("  {}", link.line())));
    }
    lines.push("events:".to_owned());
    lines.extend(run.events.iter().map(|event| format!("  {:9.3} s  {:?}: {}", event.at_s, event.level, event.text)));
    lines.join("\n")
}

/// `export`.
pub fn export(args: &ExportArgs, output: Output) -> Result<Exit, Failure> {
    let kinds: Vec<Kind> = match args.tables.is_empty() {
        true => Kind::ALL.to_vec(),
        false => args.tables.iter().map(|table| (*table).into()).collect(),
    };
    let mut written = Vec::new();
    for file in &args.files {
        let run = recording::read(file).map_err(Failure::refused)?;
        let result = evaluate(&run);
        for kind in &kinds {
            let columns = export::table(*kind, &run, &result);
            let target = target(&args.out, *kind, (&run, file), args.form());
            write_table(&target, |sink| write_columns(args, &columns, sink))?;
            output.note(&format!("written: {}", target.display()));
            written.push(target);
        }
    }
    output.object(&json!({ "written": written })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

#[cfg_attr(not(feature = "parquet"), allow(unused_variables, reason = "there is one form without the feature"))]
fn write_columns(args: &ExportArgs, columns: &[Column<'_>], sink: &mut (dyn Write + Send)) -> std::io::Result<()> {
    #[cfg(feature = "parquet")]
    if args.parquet {
        return export::parquet::write(columns, sink).map_err(std::io::Error::other);
    }
    csv::write(columns, sink)
}

/// `OUT/samples/rig=ID/day=2026-01-31/NAME.csv` (or `.parquet`): programs that read a folder of tables take rig and day from the names.
fn target(out: &Path, kind: Kind, (run, file): (&RunData, &Path), form: &str) -> PathBuf {
    let day = run.started_utc.get(..10).unwrap_or("unknown");
    let name = file.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let stem = name.trim_end_matches(".partial").trim_end_matches(".h5").to_owned();
    out.join(kind.name()).join(format!("rig={}", run.rig_id)).join(format!("day={day}")).join(format!("{stem}.{form}"))
}

fn write_table(
    target: &Path,
    body: impl FnOnce(&mut (dyn Write + Send)) -> std::io::Result<()>,
) -> Result<(), Failure> {
    let fault = |e: std::io::Error| {
        let hint =
            if e.kind() == std::io::ErrorKind::AlreadyExists { "; remove it, or export to another folder" } else { "" };
        Failure::configuration(format!("{}: {e}{hint}", target.display()))
    };
    if let Some(folder) = target.parent() {
        std::fs::create_dir_all(folder).map_err(fault)?;
    }
    let file = std::fs::File::options().write(true).create_new(true).open(target).map_err(fault)?;
    let mut sink = BufWriter::new(file);
    body(&mut sink).and_then(|()| sink.flush()).map_err(fault)
}

//! `init`, `check` and `predict`: a bench in words and numbers, before anything moves.

use super::args::{InitArgs, PredictArgs};
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use super::wires::{load, load_with_water, read_sequence, starter_index};
use crate::prediction::filling::Filling;
use crate::prediction::summary::{Summary, emergency_words, grid_words, loss_words, series_json, write_csv};
use crate::prediction::{BandWish, PredictedEvent, Prediction, Rehearsal, SuddenStop, rehearse_with_band};
use crate::rig::check_report;
use crate::rig::derived::derive;
use crate::rig::init::{InitAnswers, init as rig_text};
use crate::rig::model::{Quantity, Rig};
use crate::sequence::marks::Phase;
use crate::sequence::script::Script;
use crate::units::Dimension;
use crate::units::display::{System, significant};
use serde_json::json;
use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufWriter, IsTerminal, Write};
use std::path::Path;

/// `check`.
pub fn check(path: &Path, output: Output, units: System) -> Result<Exit, Failure> {
    let rig = load(path)?;
    if rig.logger {
        let words = check_report::logger_text(&rig);
        output.text(words.trim_end());
        let found = serde_json::json!({ "rig": rig.id, "name": rig.name, "invented": rig.invented, "logger": true,
            "devices": rig.devices.iter().map(|device| device.id.as_str()).collect::<Vec<_>>(),
            "channels": rig.channels.iter().map(|channel| channel.id.0.as_str()).collect::<Vec<_>>(),
            "triggers": rig.observing.triggers.len(), "assumptions": rig.assumptions });
        output.object(&found).map_err(Failure::internal)?;
        return Ok(Exit::Done);
    }
    let mut derived = derive(&rig);
    derived.notices.extend(crate::observe::port_notices(&rig));
    if output.json {
        output.announce(&check_report::json(&derived).map_err(Failure::internal)?);
    } else {
        output.text(check_report::text(&derived, units).trim_end());
        if let Some(starter) = rig.starters.first() {
            output.note(&format!("next: ramprig predict {} three-starters --starter {}", path.display(), starter.id));
        }
    }
    Ok(Exit::Done)
}

/// `init`.
pub fn init(args: &InitArgs, output: Output) -> Result<Exit, Failure> {
    let mut answers = InitAnswers::default();
    for given in &args.answers {
        let (key, answer) = given
            .split_once('=')
            .ok_or_else(|| Failure::configuration(format!("--answer {given}: not of the form KEY=VALUE")))?;
        answers.set(key, answer).map_err(|e| Failure::configuration(format!("--answer {given}: {e}")))?;
    }
    let to_stdout = args.file.as_os_str() == "-";
    if !to_stdout && args.file.exists() {
        return Err(Failure::configuration(format!("{} exists and is not overwritten", args.file.display())));
    }
    if args.answers.is_empty() && !args.assume {
        ask(&mut answers, output)?;
    }
    let text = rig_text(&answers);
    if to_stdout {
        if !output.json {
            output.announce(text.trim_end());
        }
        output.object(&json!({ "rig_text": text })).map_err(Failure::internal)?;
        return Ok(Exit::Done);
    }
    let refused = |e: std::io::Error| Failure::configuration(format!("{}: {e}", args.file.display()));
    let mut file = OpenOptions::new().write(true).create_new(true).open(&args.file).map_err(refused)?;
    file.write_all(text.as_bytes()).map_err(refused)?;
    output.text(&format!("wrote {}; next: ramprig check {}", args.file.display(), args.file.display()));
    output.object(&json!({ "rig": args.file })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

/// Ask on a terminal; an empty line keeps what is assumed.
fn ask(answers: &mut InitAnswers, output: Output) -> Result<(), Failure> {
    if !std::io::stdin().is_terminal() {
        let text = "no terminal to ask on; try: --answer KEY=VALUE, or --assume to take what is assumed";
        return Err(Failure::configuration(text));
    }
    output.note("ten questions; Enter takes what stands in brackets; quantities with their unit (m, mm, ft, in; m3/h, gpm; kW, hp)");
    let mut lines = std::io::stdin().lock().lines();
    for question in InitAnswers::questions().iter().filter(|question| question.asked) {
        loop {
            output.note(&format!("{} [{}]:", question.text, question.assumed));
            let line = lines.next().transpose().map_err(Failure::internal)?;
            let Some(line) = line else { return Err(Failure::configuration("the input ended before the last answer")) };
            match answers.set(question.key, &line) {
                Ok(()) => break,
                Err(error) => output.note(&error.to_string()),
            }
        }
    }
    Ok(())
}

/// `predict`.
pub fn predict(args: &PredictArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let rig = args.faults.iter().fold(load_with_water(&args.rig)?, |rig, fault| rig.with_pump_fault(*fault));
    let starter = starter_index(&rig, args.starter.as_deref())?;
    let (text, name) = read_sequence(&args.sequence)?;
    let script = Script::parse(&text, &name, &rig, starter).map_err(|p| Failure::configuration(p.to_string()))?;
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let wish = BandWish { members: args.band, seed: args.seed, threads };
    let Rehearsal { prediction, duration_s, .. } =
        rehearse_with_band(&rig, &script, starter, wish, &|| true).map_err(Failure::refused)?;
    if let Some(path) = &args.csv {
        write_series(path, &rig, &prediction)?;
    }
    let summary = Summary::of(&rig, &prediction);
    if output.json {
        let mut object = summary.to_json();
        if args.series {
            object["segments"] = series_json(&rig, &prediction);
        }
        output.announce(&object.to_string());
        return Ok(Exit::Done);
    }
    let starter_id = rig.starters.get(starter).map_or("no starter", |s| s.id.as_str());
    output.text(&format!("{}: {} through {starter_id}, {duration_s:.1} s", rig.name, script.name));
    output.text(table(&summary, units).trim_end());
    output.text(beside(&rig, &summary, units).trim_end());
    if let Some(filling) = &summary.filling {
        output.text(&format!("\n{}", filling_text(filling, units).trim_end()));
    }
    for warning in &prediction.warnings {
        output.text(&format!("warning: {warning}"));
    }
    output.text(&grid_words(&prediction.made_with));
    for assumption in &prediction.assumptions {
        output.text(&format!("assumed: {assumption}"));
    }
    Ok(Exit::Done)
}

fn write_series(path: &Path, rig: &Rig, prediction: &Prediction) -> Result<(), Failure> {
    let refused = |e: std::io::Error| Failure::configuration(format!("{}: {e}", path.display()));
    let mut file = BufWriter::new(File::create(path).map_err(refused)?);
    write_csv(rig, prediction, &mut file).map_err(refused)?;
    file.flush().map_err(refused)
}

/// Names of the rig that the words of an event hold: what it happens to.
fn named<'a>(rig: &'a Rig, event: &PredictedEvent) -> BTreeSet<&'a str> {
    let within = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
    let words: BTreeSet<&str> = event.text.split(|c: char| !within(c)).collect();
    let elements = rig.network.elements.iter().map(|element| element.name.as_str());
    let names = elements.chain(rig.network.nodes.iter().map(|node| node.name.as_str()));
    names.filter(|name| words.contains(name)).collect()
}

/// Events, each with how many more like it follow: a valve that chatters or a cavity that comes and goes is told once, but
/// what happens to another element is told of its own.
fn told<'a>(rig: &Rig, events: &'a [PredictedEvent]) -> Vec<(&'a PredictedEvent, String)> {
    let named: Vec<BTreeSet<&str>> = events.iter().map(|event| named(rig, event)).collect();
    let alike = |a: usize, b: usize| {
        (events[a].phase, events[a].kind) == (events[b].phase, events[b].kind) && named[a] == named[b]
    };
    let first = (0..events.len()).filter(|&index| !(0..index).any(|earlier| alike(earlier, index)));
    first
        .map(|index| match (index + 1..events.len()).filter(|&later| alike(later, index)).count() {
            0 => (&events[index], String::new()),
            count => (&events[index], format!(" (and {count} more of this kind)")),
        })
        .collect()
}

/// Events of the first cycle, and what no ramp changes.
fn beside(rig: &Rig, summary: &Summary, units: System) -> String {
    let mut text = String::new();
    let first_cycle: Vec<PredictedEvent> = summary.events.iter().filter(|event| event.cycle <= 1).cloned().collect();
    for (event, more) in told(rig, &first_cycle) {
        let mark = if event.phase == Phase::Start { "start" } else { "stop" };
        let after = significant(event.after_mark_s, 4);
        text.push_str(&format!("{after} s after the {mark}: {}{more}\n", event.text));
    }
    if let Some(separation) = &summary.separation {
        text.push_str(&format!("cavities: {}\n", separation.words()));
    }
    for (figures, channel) in summary.band.iter().zip(&summary.channels) {
        let dimension = channel.quantity.dimension();
        let shown = |si: f64| significant(units.number(si, dimension), 4);
        text.push_str(&format!(
            "band {:11} largest {} to {}, smallest {} to {} {} (95 % of members)\n",
            figures.id,
            shown(figures.maximum.0),
            shown(figures.maximum.1),
            shown(figures.minimum.0),
            shown(figures.minimum.1),
            units.unit_counted(dimension, channel.quantity.reference()),
        ));
    }
    text.push_str(&sudden_stops(rig, summary, units));
    text
}

/// The first start with empty lines: priming, fronts, full line, and how hard the front met the end.
fn filling_text(filling: &Filling, units: System) -> String {
    let mut text = "Filling from empty, s after the first start\n".to_owned();
    let mut row = |time_s: Option<f64>, what: &str| {
        let time =
            time_s.map_or_else(|| "not in this run".to_owned(), |time_s| format!("{} s", significant(time_s, 4)));
        text.push_str(&format!("{what:58} {time:>16}\n"));
    };
    if filling.water_at_pump_s.is_some() {
        row(filling.water_at_pump_s, "water has risen to the pump");
        row(filling.primed_s, "primed");
    }
    filling.fronts.iter().for_each(|(what, at_s)| row(Some(*at_s), what));
    row(filling.line_full_s, "the discharge side is full");
    if !filling.surges.is_empty() {
        text.push_str(&format!("{:16} {:>12} {:>12}\n", "line-fill surge", "surge", "peak"));
    }
    for surge in &filling.surges {
        let shown = |si: f64| significant(units.number(si, Dimension::Pressure), 4);
        let unit = units.unit_name(Dimension::Pressure);
        let (over, peak) = (shown(surge.surge_pa), shown(surge.peak_pa));
        text.push_str(&format!("{:16} {over:>12} {peak:>12}  {unit}\n", surge.id));
    }
    if !filling.surges.is_empty() {
        text.push_str(
            "surge: peak behind the full line over the steady value; only a ramp that outlasts the fill lowers it\n",
        );
    }
    text
}

/// What a sudden stop makes happen, one line an event.
fn sudden_events(rig: &Rig, after_what: &str, stop: &SuddenStop) -> String {
    told(rig, &stop.events)
        .into_iter()
        .map(|(event, more)| {
            format!("{} s after {after_what}: {}{more}\n", significant(event.after_mark_s, 4), event.text)
        })
        .collect()
}

/// Loss of supply and emergency stop, which no ramp changes: in words, with what happens, then side by side.
fn sudden_stops(rig: &Rig, summary: &Summary, units: System) -> String {
    let Some(loss) = &summary.loss_of_supply else { return String::new() };
    let mut text = format!("\n{}\n{}", loss_words(loss, units), sudden_events(rig, "loss of supply", loss));
    let emergency = summary.emergency_stop.as_ref();
    if let Some(stop) = emergency {
        text.push_str(&format!("{}\n{}", emergency_words(stop, units), sudden_events(rig, "emergency stop", stop)));
    }
    text.push_str(&format!("{:16} {:>12} {:>25} {:>25}\n", "", "", "loss of supply", "emergency stop"));
    let [largest, smallest] = ["largest", "smallest"];
    text.push_str(&format!(
        "{:16} {:>12} {largest:>12} {smallest:>12} {largest:>12} {smallest:>12}\n",
        "no ramp helps", "before"
    ));
    for (index, (figures, channel)) in loss.channels.iter().zip(&summary.channels).enumerate() {
        let dimension = channel.quantity.dimension();
        let shown = |si: f64| significant(units.number(si, dimension), 4);
        let other = emergency.and_then(|stop| stop.channels.get(index));
        text.push_str(&format!(
            "{:16} {:>12} {:>12} {:>12} {:>12} {:>12}  {}\n",
            figures.id,
            shown(figures.steady),
            shown(figures.maximum),
            shown(figures.minimum),
            other.map_or_else(String::new, |other| shown(other.maximum)),
            other.map_or_else(String::new, |other| shown(other.minimum)),
            units.unit_counted(dimension, channel.quantity.reference()),
        ));
    }
    text
}

/// Figures beside the channels that have a row of their own, in words; speed and current only where no channel reads them.
fn known(summary: &Summary) -> Vec<(&'static str, &'static str, Dimension)> {
    let read = |quantities: &[Quantity]| summary.channels.iter().any(|channel| quantities.contains(&channel.quantity));
    let mut known = vec![
        ("pump_flow_m3_s", "pump flow", Dimension::Flow),
        ("pump_head_m", "pump head", Dimension::Length),
        ("pump_torque_n_m", "pump torque", Dimension::Torque),
        ("motor_torque_n_m", "motor torque", Dimension::Torque),
        ("line_power_w", "line power", Dimension::Power),
        ("gas_at_pump_1", "gas at pump", Dimension::Share),
    ];
    if !read(&[Quantity::LineCurrent, Quantity::CurrentWave]) {
        known.push(("line_current_a", "line current", Dimension::Current));
    }
    if !read(&[Quantity::ShaftSpeed]) {
        known.push(("shaft_speed_rad_s", "shaft speed", Dimension::Speed));
    }
    known
}

/// Rows of pump, shaft and motor, of other pumps and of gas, and how far each pipe is full at the stop, in the columns of
/// the channels.
fn machine(summary: &Summary, units: System) -> String {
    let gas = summary.beside.iter().filter_map(|figures| {
        let node = figures.name.strip_prefix("gas_")?.strip_suffix("_m3")?;
        Some((figures, format!("gas at {node}"), Dimension::Volume))
    });
    let others = summary.beside.iter().filter_map(|figures| {
        let of = |word: &str, unit: &str| figures.name.strip_prefix(word)?.strip_suffix(unit);
        let flow = of("flow_", "_m3_s").map(|pump| (figures, format!("flow of {pump}"), Dimension::Flow));
        flow.or_else(|| of("speed_", "_rad_s").map(|pump| (figures, format!("speed of {pump}"), Dimension::Speed)))
    });
    let machine = known(summary).into_iter().filter_map(|(name, words, dimension)| {
        let figures = summary.beside.iter().find(|figures| figures.name == name)?;
        Some((figures, words.to_owned(), dimension))
    });
    let shut_in = summary.beside.iter().filter(|figures| figures.name == "air_shut_in_m3" && figures.maximum > 0.0);
    let shut_in = shut_in.map(|figures| (figures, "air shut in".to_owned(), Dimension::Volume));
    let mut text = String::new();
    for (figures, words, dimension) in machine.chain(others).chain(gas).chain(shut_in) {
        let shown = |si: f64| significant(units.number(si, dimension), 4);
        text.push_str(&format!(
            "{words:16} {:6} {:>12} {:>12} {:>12} {:>12} s\n",
            units.unit_name(dimension),
            shown(figures.steady),
            shown(figures.maximum),
            shown(figures.minimum),
            significant(figures.maximum_at_s, 3),
        ));
    }
    for figures in &summary.beside {
        let Some(pipe) = figures.name.strip_prefix("front_").and_then(|rest| rest.strip_suffix("_m")) else { continue };
        if figures.minimum < figures.maximum {
            let (least, last) =
                (units.plain(figures.minimum, Dimension::Length), units.plain(figures.last, Dimension::Length));
            text.push_str(&format!("{pipe}: full over {least} at its least, {last} at the stop\n"));
        }
    }
    text
}

fn table(summary: &Summary, units: System) -> String {
    let mut text =
        format!("{:23} {:>12} {:>12} {:>12} {:>14}\n", "first start", "steady", "largest", "smallest", "largest after");
    for channel in &summary.channels {
        let dimension = channel.quantity.dimension();
        let shown = |si: f64| significant(units.number(si, dimension), 4);
        text.push_str(&format!(
            "{:16} {:6} {:>12} {:>12} {:>12} {:>12} s\n",
            channel.id,
            units.unit_counted(dimension, channel.quantity.reference()),
            shown(channel.steady),
            shown(channel.maximum),
            shown(channel.minimum),
            significant(channel.maximum_at_s, 3),
        ));
    }
    text.push_str(&machine(summary, units));
    text.extend(summary.levels.iter().map(|moved| moved.words(units) + "\n"));
    let surges = summary.filling.as_ref().and_then(|filling| filling.surge_words(units));
    text.extend(surges.map(|line| line + "\n"));
    let npsh = summary.beside.iter().find(|figures| figures.name == "npsh_margin_m");
    if let Some(npsh) = npsh {
        text.push_str(&format!(
            "NPSH margin: {} at its least, {} s after the start; {} before the stop\n",
            units.plain(npsh.minimum, Dimension::Length),
            significant(npsh.minimum_at_s, 3),
            units.plain(npsh.last, Dimension::Length)
        ));
    }
    if let Some(time_s) = summary.acceleration_s {
        text.push_str(&format!("acceleration to 95 % of the steady speed: {} s\n", significant(time_s, 3)));
    }
    text
}

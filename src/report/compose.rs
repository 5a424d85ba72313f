//! From recordings to a document: the answer first (numbers and one picture), then each starter against its prediction,
//! then what a reader needs to judge it.

use super::chart::{Chart, ChartError, Line, POINTS_ENOUGH, Shade};
use super::document::{Document, Piece, Section, Table};
use super::judged::NOTHING_SHARE;
use super::{duty_point, judged, levels, lined_up, repeats, verifying};
use crate::comparison::align::{AlignedCycle, BandCycle, ChannelCycle, Piece as Samples};
use crate::comparison::evaluate::{RunResult, evaluate_all};
use crate::comparison::metric::registry::{METRICS, Metric, Unit};
use crate::comparison::recalibrate::doubtful;
use crate::comparison::set_up;
use crate::comparison::table::{concerns, late, titles};
use crate::comparison::verdict::Pairing;
use crate::comparison::{ChannelInfo, RunData};
use crate::prediction::summary::{emergency_words, loss_words};
use crate::sequence::marks::Phase;
use crate::sequence::ports::LinkStatistics;
use crate::signal::features::{min_max, outline, stretch};
use crate::units::display::{System, significant};
use crate::units::{Dimension, Reference};
use std::collections::BTreeSet;

/// Cautions of every report.
const CAUTIONS: &[(&str, &str)] = &[(
    "WARNING",
    "Rotating machinery, stored pressure, hose whip, electricity, restart into backspin. Local codes, the makers' \
         manuals and licensed practice come before this report. The program that made it is not an emergency stop.",
)];
/// Without figures of it.
const NO_LOSS_FIGURES: &str = "A ramp does not help against loss of supply or an emergency stop: the rotor then coasts as \
     it will, and the water does what it does without any ramp. No figures of it are stored with these recordings.";
/// Digits of a number in a table.
const DIGITS: usize = 4;
/// Id of the metric that stands beside the ramp as set.
const ACCELERATION: &str = "acceleration";
/// Near black: no cycle is drawn in it.
const PREDICTED_COLOUR: usize = 5;

/// A report of one or more runs; their differences by `pairing`.
///
/// # Errors
/// The drawing library refuses a chart.
pub fn compose(runs: &[RunData], pairing: Pairing, system: System) -> Result<Document, ChartError> {
    let (aligned, results): (Vec<Vec<AlignedCycle>>, Vec<RunResult>) = evaluate_all(runs).into_iter().unzip();
    let names = titles(&results);
    let mut sections = vec![answer(runs, &aligned, &results, &names, system)?];
    for ((run, cycles), name) in runs.iter().zip(&aligned).zip(&names) {
        sections.push(starter_section(run, cycles, name, system)?);
    }
    sections.extend(repeats::sections(&results, &names, (pairing, system)));
    sections.extend(judged::sections(&results, &names, system));
    sections.extend(levels::section(runs, &aligned, &names, system));
    sections.extend(duty_point::section(runs, &aligned, &names, system));
    sections.push(made_with(runs, &names));
    sections.push(channels_section(runs, &names, system));
    sections.extend(lined_up::section(runs, &names));
    sections.extend(links_section(runs, &names));
    sections.push(events_section(runs, &names));
    sections.push(verifying::section(runs, &names));
    sections.push(definitions());
    Ok(Document { title: title(runs), marks: marks(runs), sections })
}

fn title(runs: &[RunData]) -> String {
    runs.first().map_or_else(|| "Nothing".to_owned(), |run| format!("Starts and stops of {}", run.rig_name))
}

fn marks(runs: &[RunData]) -> Vec<String> {
    let mut marks = Vec::new();
    if runs.iter().any(|run| run.is_virtual) {
        marks.push("VIRTUAL RIG".to_owned());
        marks.push("invented data, no real water".to_owned());
    }
    if runs.iter().any(|run| !run.complete) {
        marks.push("RECORDING INCOMPLETE".to_owned());
    }
    marks
}

fn answer(
    runs: &[RunData],
    aligned: &[Vec<AlignedCycle>],
    results: &[RunResult],
    names: &[String],
    system: System,
) -> Result<Section, ChartError> {
    let mut pieces = vec![Piece::Text(tested(runs, results, names))];
    let set_up = set_up::words(runs, names);
    pieces.extend((!set_up.is_empty()).then(|| Piece::Text(format!("Set up otherwise: {}.", set_up.join("; ")))));
    pieces.push(Piece::Table(metric_table(results, names, system)));
    pieces.extend(ramp_table(runs, results, names));
    let lines = aligned.iter().zip(runs).zip(names).enumerate().filter_map(|(colour, ((cycles, run), name))| {
        let cycle = cycles.first()?;
        phase_line(cycle.measured.get(run.headline)?, Phase::Start, name, colour, false, system)
    });
    let chart = pressure_chart("First start through each starter, measured", lines.collect(), None, system);
    let alt = format!("Headline pressure over time from current onset, one line a starter: {}", names.join(", "));
    pieces.push(Piece::Figure { svg: chart.to_svg(&alt)?, alt, caption: headline_caption(runs) });
    let doubtful: BTreeSet<String> = runs.iter().flat_map(doubtful).collect();
    let late = results.iter().zip(names).filter_map(|(run, name)| Some(format!("{name}: {}", late(run)?)));
    pieces.extend(late.map(|text| Piece::Caution { word: "CAUTION".into(), text }));
    pieces.extend(doubtful.into_iter().map(|text| Piece::Caution { word: "CAUTION".into(), text }));
    pieces.extend(CAUTIONS.iter().map(|(word, text)| Piece::Caution { word: (*word).into(), text: (*text).into() }));
    pieces.push(Piece::Caution { word: "NOTICE".into(), text: loss_notice(runs, system) });
    Ok(Section { heading: "The answer".into(), pieces })
}

/// What the stored predictions say of loss of supply, at the headline channel; the harshest of the runs where they differ.
fn loss_notice(runs: &[RunData], system: System) -> String {
    let losses = runs.iter().filter_map(|run| {
        let loss = run.prediction.as_ref()?.loss_of_supply.as_ref()?;
        let id = &run.channels.get(run.headline)?.id.0;
        let emergency = run.prediction.as_ref()?.emergency_stop.as_ref();
        Some((loss, loss.channels.iter().find(|figures| figures.id == *id)?, emergency))
    });
    let Some((loss, figures, emergency)) = losses.max_by(|a, b| a.1.maximum.total_cmp(&b.1.maximum)) else {
        return NO_LOSS_FIGURES.to_owned();
    };
    let pressure = |si: f64| system.show(si, Dimension::Pressure, Reference::Gauge);
    let emergency = emergency.map_or_else(String::new, |stop| format!(" {}", emergency_words(stop, system)));
    format!(
        "{} Predicted at {}: {} before, then from {} ({} s after) to {} ({} s after).{emergency}",
        loss_words(loss, system),
        figures.id,
        pressure(figures.steady),
        pressure(figures.minimum),
        significant(figures.minimum_at_s, 3),
        pressure(figures.maximum),
        significant(figures.maximum_at_s, 3),
    )
}

fn tested(runs: &[RunData], results: &[RunResult], names: &[String]) -> String {
    let first = runs.first();
    let when = first.map_or("", |run| run.started_utc.as_str());
    let who = first.and_then(|run| run.header.as_ref()).map_or("nobody named", |header| header.attending.as_str());
    let foretold = results.iter().all(|run| run.prediction_made_before_start_s.is_some_and(|before_s| before_s >= 0.0));
    let foretold = if foretold { "; the prediction was on disk before the first start command" } else { "" };
    format!(
        "Through {}; begun {when}; in attendance: {who}. Measured and predicted values go through the same filter{foretold}.",
        names.join(", ")
    )
}

fn headline_caption(runs: &[RunData]) -> String {
    let channel = runs.first().and_then(|run| run.channels.get(run.headline));
    channel.map_or_else(String::new, |c| format!("Channel {} ({}), filter class {}.", c.id, c.label, c.filter_class))
}

fn number(value: f64, unit: Unit, system: System) -> String {
    significant(unit.number(value, system), DIGITS)
}

/// Metrics down, starters across: mean measured, and predicted in brackets.
fn metric_table(results: &[RunResult], names: &[String], system: System) -> Table {
    let mut head = vec!["mean of cycles: measured (predicted)".to_owned()];
    head.extend(names.iter().cloned());
    let row = |metric: &Metric| {
        let mut row = vec![format!("{}, {}", metric.label, metric.unit.text(system))];
        row.extend(results.iter().map(|run| cell(run, metric, system)));
        row
    };
    let mut rows: Vec<Vec<String>> = METRICS.iter().filter(|metric| concerns(metric, results)).map(row).collect();
    let mut lines = vec!["line before the starts".to_owned()];
    lines.extend(results.iter().map(|run| run.line_state().to_string()));
    rows.push(lines);
    let mut stops = vec!["stop outcome".to_owned()];
    stops.extend(results.iter().map(|run| run.stop_outcome.to_string()));
    rows.push(stops);
    let mut missing = vec!["frames missing".to_owned()];
    missing.extend(results.iter().map(|run| match run.shows_loss {
        true => run.frames_missing.to_string(),
        false => "not detectable".to_owned(),
    }));
    rows.push(missing);
    Table { head, rows }
}

/// The ramp as set beside the acceleration as measured: what was asked of the starter, and what the shaft did.
fn ramp_table(runs: &[RunData], results: &[RunResult], names: &[String]) -> Vec<Piece> {
    let head = ["starter", "ramp up as set, s", "acceleration as measured, s", "acceleration predicted, s"];
    let seconds =
        |value: Option<f64>, without: &str| value.map_or_else(|| without.to_owned(), |s| significant(s, DIGITS));
    let row = |((run, result), name): ((&RunData, &RunResult), &String)| {
        let set_s = run.header.as_ref()?.settings_in_force.ramp_up_s?;
        Some(vec![
            name.clone(),
            seconds(Some(set_s), "-"),
            seconds(result.mean_measured(ACCELERATION).ok(), "not measured"),
            seconds(result.mean_predicted(ACCELERATION).ok(), "-"),
        ])
    };
    let rows: Vec<Vec<String>> = runs.iter().zip(results).zip(names).filter_map(row).collect();
    if rows.is_empty() {
        return Vec::new();
    }
    let text = "A ramp as set is a wish; the shaft accelerates as motor, load and current limit let it:";
    vec![Piece::Text(text.to_owned()), Piece::Table(Table { head: head.map(str::to_owned).to_vec(), rows })]
}

fn cell(run: &RunResult, metric: &Metric, system: System) -> String {
    let measured = match run.mean_measured(metric.id) {
        Ok(value) if run.is_at_least(metric.id) => format!("at least {}", number(value, metric.unit, system)),
        Ok(value) => number(value, metric.unit, system),
        Err(_) => "not measured".to_owned(),
    };
    let beside = run.mean_measured(metric.id).map_or(0.0, f64::abs);
    match run.mean_predicted(metric.id) {
        Ok(value) if value.abs() < NOTHING_SHARE * beside => format!("{measured} (0)"),
        Ok(value) => format!("{measured} ({})", number(value, metric.unit, system)),
        Err(_) => measured,
    }
}

fn starter_section(run: &RunData, cycles: &[AlignedCycle], name: &str, system: System) -> Result<Section, ChartError> {
    let mut pieces = Vec::new();
    for (phase, word) in [(Phase::Start, "start"), (Phase::Stop, "stop")] {
        let mut lines = Vec::new();
        for cycle in cycles {
            let label = format!("measured, cycle {}", cycle.cycle.number);
            let measured = cycle.measured.get(run.headline);
            lines.extend(measured.and_then(|m| phase_line(m, phase, &label, lines.len(), false, system)));
        }
        let predicted = cycles.first().and_then(|cycle| cycle.predicted.get(run.headline));
        lines.extend(
            predicted.and_then(|p| phase_line(p, phase, "predicted beforehand", PREDICTED_COLOUR, true, system)),
        );
        let shade = predicted.and_then(|p| phase_shade(p.band.as_deref()?, phase, system));
        let mut alt =
            format!("Headline pressure over time in the {word} phase, measured cycles and the prediction, {name}");
        if let Some(shade) = &shade {
            alt.push_str(&format!(". Shaded behind them: {}", shade.name));
        }
        let chart = pressure_chart(&format!("{name}: {word}"), lines, shade, system);
        pieces.push(Piece::Figure { svg: chart.to_svg(&alt)?, alt, caption: lag_caption(cycles, phase) });
    }
    if let Some(header) = &run.header {
        pieces.push(Piece::Text(format!(
            "Settings in force, as read back: {}.",
            settings_text(&header.settings_in_force)
        )));
        pieces.extend((!header.last_proofs.is_empty()).then(|| Piece::Text(header.last_proofs.join(" "))));
    }
    Ok(Section { heading: format!("Measured against predicted: {name}"), pieces })
}

fn lag_caption(cycles: &[AlignedCycle], phase: Phase) -> String {
    if phase == Phase::Stop {
        return "Time zero: the stop command.".to_owned();
    }
    let lags: Vec<String> =
        cycles.iter().filter_map(|cycle| cycle.zero.lag_s()).map(|lag| format!("{:.0} ms", lag * 1e3)).collect();
    let u_s = cycles.iter().map(|cycle| cycle.zero_u_s).filter(|u_s| u_s.is_finite()).fold(0.0, f64::max);
    let known = format!("known within {:.2} ms (standard uncertainty)", u_s * 1e3);
    match lags.is_empty() {
        true => format!("Time zero: the start command, {known}."),
        false => {
            let lags = lags.join(", ");
            format!("Time zero: current onset, {known}; lag against the command taken out, cycle by cycle: {lags}.")
        }
    }
}

/// Settings in words.
pub fn settings_text(settings: &crate::starters::Settings) -> String {
    let percent = |v: f64| format!("{:.0} %", v * 100.0);
    let parts = [
        settings.ramp_up_s.map(|s| format!("ramp up {s:.2} s")),
        settings.ramp_down_s.map(|s| format!("ramp down {s:.2} s")),
        settings.initial_voltage.map(|v| format!("initial voltage {}", percent(v))),
        settings.current_limit.map(|v| format!("current limit {v:.2} x full load")),
        settings.speed.map(|v| format!("speed {} of rated", percent(v))),
        settings.set_point.map(|v| format!("set point {} in SI units", significant(v, DIGITS))),
    ];
    let known: Vec<String> = parts.into_iter().flatten().collect();
    if known.is_empty() { "this starter has none".to_owned() } else { known.join(", ") }
}

fn phase_of(cycle: &ChannelCycle, phase: Phase) -> Option<&Samples> {
    match phase {
        Phase::Start => cycle.start.as_ref(),
        Phase::Stop => cycle.stop.as_ref(),
    }
}

fn phase_line(
    cycle: &ChannelCycle,
    phase: Phase,
    name: &str,
    colour: usize,
    dashed: bool,
    system: System,
) -> Option<Line> {
    let piece = phase_of(cycle, phase)?;
    let shown = |(index, value): (usize, f64)| {
        (piece.t0_s + index as f64 * piece.dt_s, system.number(value, Dimension::Pressure))
    };
    let points = outline(&piece.values, POINTS_ENOUGH).into_iter().map(shown).collect();
    Some(Line { name: name.to_owned(), points, colour, dashed })
}

/// The band of a phase as an area: lowest and highest of each stretch.
fn phase_shade(band: &BandCycle, phase: Phase, system: System) -> Option<Shade> {
    let (lower, upper) = (phase_of(&band.lower, phase)?, phase_of(&band.upper, phase)?);
    let width = stretch(lower.values.len(), POINTS_ENOUGH);
    let number = |pa: f64| system.number(pa, Dimension::Pressure);
    let lowest = min_max(&lower.values, width).into_iter().map(|ends| ends.map(|(low, _)| low));
    let highest = min_max(&upper.values, width).into_iter().map(|ends| ends.map(|(_, high)| high));
    let at_s = |index: usize| lower.t0_s + (index * width) as f64 * lower.dt_s;
    let ends = lowest.zip(highest).enumerate();
    let ends = ends.filter_map(|(index, (low, high))| Some((at_s(index), number(low?), number(high?)))).collect();
    Some(Shade { name: format!("band of {} rigs like this one", band.members), ends })
}

fn pressure_chart(title: &str, lines: Vec<Line>, shade: Option<Shade>, system: System) -> Chart {
    Chart {
        shade,
        title: title.to_owned(),
        x_label: "time, s".into(),
        y_label: format!("pressure, {} gauge", system.unit_name(Dimension::Pressure)),
        lines,
    }
}

fn made_with(runs: &[RunData], names: &[String]) -> Section {
    let mut rows = Vec::new();
    for (run, name) in runs.iter().zip(names) {
        let prediction = run.prediction.as_ref();
        let identity = run.header.as_ref().map(|h| {
            let firmware = h.identity.firmware.map_or_else(|| "-".to_owned(), |f| format!("{f}"));
            format!("{:#06x}, firmware {firmware}", h.identity.signature)
        });
        rows.push(vec![
            name.clone(),
            run.path.rsplit('/').next().unwrap_or(&run.path).to_owned(),
            identity.unwrap_or_else(|| "-".to_owned()),
            prediction.map_or_else(|| "none".to_owned(), |p| short(&p.sha256)),
            prediction.map_or_else(|| "-".to_owned(), |p| p.made_with.solver.clone()),
        ]);
    }
    let head = ["starter", "recording", "device identity", "prediction SHA-256", "solver"].map(str::to_owned).to_vec();
    let mut pieces = vec![Piece::Table(Table { head, rows })];
    if let Some(prediction) = runs.first().and_then(|run| run.prediction.as_ref()) {
        if !prediction.warnings.is_empty() {
            pieces.push(Piece::Text("The prediction warns:".into()));
            pieces.push(Piece::Points(prediction.warnings.clone()));
        }
        pieces.push(Piece::Text("The prediction assumes:".into()));
        pieces.push(Piece::Points(prediction.assumptions.clone()));
    }
    Section { heading: "Made with".into(), pieces }
}

fn short(hash: &str) -> String {
    hash.chars().take(16).collect()
}

fn channels_section(runs: &[RunData], names: &[String], system: System) -> Section {
    let head = ["run", "channel", "what", "range", "bandwidth, Hz", "filter class", "calibration u", "calibration"];
    // Runs whose channel is the same share a row.
    let mut rows: Vec<(Vec<String>, Vec<&str>)> = Vec::new();
    for (run, name) in runs.iter().zip(names) {
        for row in run.channels.iter().map(|info| channel_row(run, info, system)) {
            match rows.iter_mut().find(|known| known.0 == row) {
                Some(known) => known.1.push(name),
                None => rows.push((row, vec![name])),
            }
        }
    }
    let whose = |of: &[&str]| if of.len() == runs.len() { "all".to_owned() } else { of.join(", ") };
    let rows = rows.into_iter().map(|(row, of)| std::iter::once(whose(&of)).chain(row).collect()).collect();
    let table = Table { head: head.map(str::to_owned).to_vec(), rows };
    Section { heading: "Channels".into(), pieces: vec![Piece::Table(table)] }
}

fn channel_row(run: &RunData, info: &ChannelInfo, system: System) -> Vec<String> {
    let dimension = match info.unit.as_str() {
        "Pa" => Some(Dimension::Pressure),
        "rad/s" => Some(Dimension::Speed),
        "m3/s" => Some(Dimension::Flow),
        "W" => Some(Dimension::Power),
        "A" => Some(Dimension::Current),
        _ => None,
    };
    let unit = dimension.map_or(info.unit.as_str(), |dimension| system.unit_name(dimension));
    let shown = |v: f64| significant(dimension.map_or(v, |d| system.number(v, d)), DIGITS);
    let calibration = match run.is_virtual {
        true => "virtual: no instrument".to_owned(),
        false => info.chain.calibration.in_words(&run.started_utc),
    };
    vec![
        info.id.to_string(),
        info.label.clone(),
        format!("{} to {} {unit}", shown(info.range.0), shown(info.range.1)),
        significant(info.bandwidth_hz, DIGITS),
        if info.filter_class == 0 { "none".to_owned() } else { info.filter_class.to_string() },
        format!("{} {unit}", shown(info.calibration_u)),
        calibration,
    ]
}

/// What the links did during the runs.
fn links_section(runs: &[RunData], names: &[String]) -> Option<Section> {
    let head = [
        "starter",
        "link",
        "answers",
        "median, ms",
        "99th percentile, ms",
        "time-outs",
        "retries",
        "not believed",
        "reopened",
        "stops sent",
        "stop delay p99, ms",
    ];
    let ms = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |ms| significant(ms, 3));
    let row = |name: &String, link: &LinkStatistics| {
        vec![
            name.clone(),
            link.link.clone(),
            link.answered.to_string(),
            ms(link.latency_p50_ms),
            ms(link.latency_p99_ms),
            link.timeouts.to_string(),
            link.retries.to_string(),
            link.disbelieved.to_string(),
            link.reopens.to_string(),
            link.stops_sent.to_string(),
            ms(link.stop_delay_p99_ms),
        ]
    };
    let rows: Vec<Vec<String>> =
        runs.iter().zip(names).flat_map(|(run, name)| run.links.iter().map(move |link| row(name, link))).collect();
    let table = Table { head: head.map(str::to_owned).to_vec(), rows };
    (!table.rows.is_empty()).then(|| Section { heading: "Links".into(), pieces: vec![Piece::Table(table)] })
}

fn events_section(runs: &[RunData], names: &[String]) -> Section {
    let mut pieces = Vec::new();
    for (run, name) in runs.iter().zip(names) {
        let lines: Vec<String> = run.events.iter().map(|e| format!("{:9.3} s  {}", e.at_s, e.text)).collect();
        pieces.push(Piece::Text(format!("{name}:")));
        pieces.push(Piece::Verbatim(lines.join("\n")));
    }
    Section { heading: "Events".into(), pieces }
}

fn definitions() -> Section {
    let points = METRICS.iter().map(|m| format!("{}: {}", m.label, m.formula)).collect();
    Section { heading: "Definitions".into(), pieces: vec![Piece::Points(points)] }
}

//! The cycles so far, and the latest of each starter over one another on one scale.

use super::super::desk::Desk;
use super::super::picture::Picture;
use super::super::words::{Unit, cut, kind, pressure};
use super::heading;
use crate::api::lead::CycleView;
use crate::api::stage::Overlay;
use crate::sequence::marks::Phase;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::{Axis, Block, Borders, Chart, Dataset, GraphType, Paragraph};

/// How the starters are told apart: by sign first, by colour beside it.
const SIGNS: [(Marker, &str, Color); 3] = [
    (Marker::Braille, "line", Color::Cyan),
    (Marker::Dot, "dots", Color::Yellow),
    (Marker::Custom('+'), "crosses", Color::Magenta),
];
/// From here on starters are named in full.
const WIDE: u16 = 100;
/// Rows of the table, and of a chart, at least.
const TABLE_LEAST: u16 = 5;
const CHART_LEAST: u16 = 8;

pub(super) fn draw(picture: &Picture, desk: &Desk, frame: &mut Frame<'_>, area: Rect) {
    let table = table(picture, desk, area);
    let wanted = u16::try_from(table.len()).unwrap_or(u16::MAX).max(TABLE_LEAST);
    let room = area.height.saturating_sub(CHART_LEAST);
    if picture.measured.overlays.is_empty() || room < TABLE_LEAST {
        frame.render_widget(Paragraph::new(table), area);
        return;
    }
    let [top, below] =
        Layout::vertical([Constraint::Length(wanted.min(room)), Constraint::Min(CHART_LEAST)]).areas(area);
    frame.render_widget(Paragraph::new(table), top);
    let [start, stop] = Layout::horizontal([Constraint::Percentage(50), Constraint::Percentage(50)]).areas(below);
    overlaid(picture, desk, Phase::Start, frame, start);
    overlaid(picture, desk, Phase::Stop, frame, stop);
}

fn table(picture: &Picture, desk: &Desk, area: Rect) -> Vec<Line<'static>> {
    let bar = pressure(desk.system);
    let starter = starter_width(area.width);
    let head = columns(
        ["run", "cycle", "starter", "highest", "predicted", "guess", "lowest", "predicted"].map(str::to_owned),
        starter,
    );
    let mut lines = vec![heading(&format!("Cycles so far, {}", bar.name)), Line::raw(head)];
    if picture.measured.cycles.is_empty() {
        lines.push(Line::raw("No cycle measured yet: figures come after each start and stop."));
        return lines;
    }
    // The newest first: they are what is spoken about.
    let rows = picture.measured.cycles.iter().rev().skip(desk.scroll.min(picture.measured.cycles.len() - 1));
    lines.extend(rows.take(usize::from(area.height)).map(|cycle| Line::raw(row(cycle, bar, starter))));
    lines
}

/// Width of the starter's column.
fn starter_width(width: u16) -> usize {
    if width >= WIDE { 30 } else { 22 }
}

fn columns([run, cycle, name, highest, predicted, guess, lowest, foretold]: [String; 8], starter: usize) -> String {
    format!("{run:<4}{cycle:<6}{name:<starter$}{highest:>9}{predicted:>11}{guess:>8}{lowest:>8}{foretold:>11}")
}

fn row(cycle: &CycleView, bar: Unit, starter: usize) -> String {
    let name = cut(&format!("{}, {}", cycle.starter, kind(cycle.kind)), starter - 1);
    let figures = [cycle.highest, cycle.predicted_highest, cycle.guess, cycle.lowest, cycle.predicted_lowest];
    let [highest, predicted, guess, lowest, foretold] = figures.map(|value| bar.number(value));
    columns(
        [cycle.run.to_string(), cycle.cycle.to_string(), name, highest, predicted, guess, lowest, foretold],
        starter,
    )
}

fn overlaid(picture: &Picture, desk: &Desk, phase: Phase, frame: &mut Frame<'_>, area: Rect) {
    let bar = pressure(desk.system);
    let all = &picture.measured.overlays;
    let points: Vec<(usize, Vec<(f64, f64)>)> = all
        .iter()
        .filter(|overlay| overlay.phase == phase)
        .map(|overlay| (place(all, overlay), line(overlay, bar)))
        .collect();
    let values = || all.iter().flat_map(|overlay| line(overlay, bar)).map(|point| point.1);
    let (low, high) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
    let until_s = points.iter().flat_map(|(_, line)| line.last()).map(|point| point.0).fold(3.0, f64::max);
    let names: Vec<String> =
        starters(all).iter().enumerate().map(|(at, id)| format!("{} {id}", SIGNS[at % SIGNS.len()].1)).collect();
    let title = match phase {
        Phase::Start => format!(" start, {}: {} ", bar.name, names.join(", ")),
        Phase::Stop => format!(" stop, {} ", bar.name),
    };
    let datasets = points.iter().map(|(at, line)| {
        let (marker, _, colour) = SIGNS[at % SIGNS.len()];
        Dataset::default().marker(marker).graph_type(GraphType::Line).style(Style::new().fg(colour)).data(line)
    });
    let margin = (0.08 * (high - low)).max(0.02);
    let (low, high) = if low <= high { (low - margin, high + margin) } else { (0.0, 1.0) };
    let chart = Chart::new(datasets.collect())
        .legend_position(None)
        .block(Block::new().borders(Borders::TOP).title(title))
        .x_axis(Axis::default().bounds([-1.0, until_s]).labels(["-1 s".to_owned(), format!("{until_s:.0} s")]))
        .y_axis(Axis::default().bounds([low, high]).labels([low, high].map(|value| format!("{value:.*}", bar.digits))));
    frame.render_widget(chart, area);
}

fn starters(all: &[Overlay]) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for overlay in all {
        if !names.contains(&overlay.starter.as_str()) {
            names.push(&overlay.starter);
        }
    }
    names
}

fn place(all: &[Overlay], of: &Overlay) -> usize {
    starters(all).iter().position(|id| *id == of.starter).unwrap_or(0)
}

fn line(overlay: &Overlay, bar: Unit) -> Vec<(f64, f64)> {
    let seen = overlay.spans.iter().enumerate().filter(|(_, (least, _))| *least > f32::MIN);
    seen.flat_map(|(at, (least, most))| {
        let at_s = overlay.t0_s + (at as f64 + 0.5) * overlay.dt_s;
        [(at_s, f64::from(*least) * bar.by), (at_s, f64::from(*most) * bar.by)]
    })
    .collect()
}

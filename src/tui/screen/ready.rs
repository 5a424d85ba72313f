//! Before a start: what would be played, what a start needs and how that stands, the line-up valve by valve, what is to be
//! confirmed.

use super::super::desk::Desk;
use super::super::picture::Picture;
use super::super::words::{cut, kind, unit, wrapped};
use super::{hanging, headed, heading};
use crate::api::Snapshot;
use crate::api::lead::{Reading, Requirement};
use crate::api::stage::{LineUpView, RigView};
use crate::units::display::System;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Text};
use ratatui::widgets::Paragraph;

/// Said before every start.
const CAUTION: &str = "From here the pump starts without anybody beside it: hose restrained and rated, couplings locked, guards on, \
                       area clear, shaft at rest. Locked out is only what a person has isolated at the rig.";

pub(super) fn draw(picture: &Picture, desk: &Desk, frame: &mut Frame<'_>, area: Rect) {
    let Some(snapshot) = &picture.snapshot else { return };
    let width = usize::from(area.width);
    let chosen = chosen(picture, snapshot, desk, width);
    let rows = u16::try_from(chosen.len()).unwrap_or(4);
    let [top, below] = Layout::vertical([Constraint::Length(rows), Constraint::Min(1)]).areas(area);
    let [left, gap, right] =
        Layout::horizontal([Constraint::Percentage(55), Constraint::Length(2), Constraint::Min(20)]).areas(below);
    let _ = gap;
    frame.render_widget(Paragraph::new(chosen), top);
    frame.render_widget(needed(snapshot, desk.system, left), left);
    let beside = beside(picture, snapshot, desk, usize::from(right.width));
    let most = beside.len().saturating_sub(usize::from(right.height));
    let from = desk.scroll.min(most);
    let mut shown: Vec<Line<'static>> = beside.into_iter().skip(from).take(usize::from(right.height)).collect();
    if from < most
        && let Some(last) = shown.last_mut()
    {
        *last = Line::styled("... (page down)", Style::new().add_modifier(Modifier::BOLD));
    }
    frame.render_widget(Paragraph::new(shown), right);
}

fn chosen(picture: &Picture, snapshot: &Snapshot, desk: &Desk, width: usize) -> Vec<Line<'static>> {
    let sequence = picture.rig.as_ref().and_then(|rig| rig.sequences.get(desk.sequence));
    let of = picture.rig.as_ref().map_or(0, |rig| rig.sequences.len());
    let name = sequence.map_or_else(|| "none fits this rig".to_owned(), |sequence| sequence.name.clone());
    let starter = snapshot.starters.get(desk.starter);
    let through = starter.map_or_else(String::new, |starter| format!("{}, {}", starter.id, kind(starter.kind)));
    let mut lines = vec![
        headed("Sequence ", &format!("{name}   (up/down: {} of {of})", desk.sequence + 1)),
        headed("Starter  ", &format!("{through}   (left/right)")),
    ];
    lines.extend(sequence.map(|sequence| Line::raw(cut(&sequence.about, width))));
    lines
}

fn needed(snapshot: &Snapshot, system: System, area: Rect) -> Text<'static> {
    let (width, height) = (usize::from(area.width), usize::from(area.height));
    let mut all: Vec<&Requirement> = snapshot.readiness.iter().collect();
    all.sort_by_key(|requirement| requirement.holds == Some(true));
    let missing = all.iter().filter(|requirement| requirement.holds != Some(true)).count();
    let head = match missing {
        0 if all.is_empty() => "Needed for a start: not told".to_owned(),
        0 => "Needed for a start: all there".to_owned(),
        missing => format!("Needed for a start: {missing} missing"),
    };
    let mut lines = vec![heading(&head)];
    let mut left = all.len();
    for requirement in all {
        let of = lines_of(requirement, system, width);
        if lines.len() + of.len() > height.saturating_sub(usize::from(left > 1)) {
            lines.push(Line::raw(format!("... and {left} more")));
            break;
        }
        lines.extend(of);
        left -= 1;
    }
    Text::from(lines)
}

fn lines_of(requirement: &Requirement, system: System, width: usize) -> Vec<Line<'static>> {
    let (sign, colour) = match requirement.holds {
        Some(true) => ("ok   ", Color::Green),
        Some(false) => ("NO   ", Color::Red),
        None => ("?    ", Color::Yellow),
    };
    let (found, needs) = found_and_needs(requirement, system);
    let text = match requirement.holds {
        Some(true) => format!("{}: {found}", requirement.what),
        _ => format!("{}: {found}; needs: {needs}", requirement.what),
    };
    let style = if requirement.holds == Some(true) {
        Style::new()
    } else {
        Style::new().fg(colour).add_modifier(Modifier::BOLD)
    };
    hanging(sign, &text, width).into_iter().map(|line| Line::styled(line, style)).collect()
}

fn found_and_needs(requirement: &Requirement, system: System) -> (String, String) {
    let Some(Reading { value, low, high, unit: si }) = &requirement.reading else {
        return (requirement.found.clone(), requirement.needs.clone());
    };
    let unit = unit(system, si);
    let limit = |value: &f64| unit.number(Some(*value));
    let needs = match (low, high) {
        (Some(low), Some(high)) => format!("{} to {} {}", limit(low), limit(high), unit.name),
        (None, Some(high)) => format!("at most {} {}", limit(high), unit.name),
        (Some(low), None) => format!("at least {} {}", limit(low), unit.name),
        (None, None) => "a value".to_owned(),
    };
    (format!("{} ({needs})", unit.show(*value)), needs)
}

fn beside(picture: &Picture, snapshot: &Snapshot, desk: &Desk, width: usize) -> Vec<Line<'static>> {
    let mut lines = picture.rig.as_ref().map_or_else(Vec::new, |rig| line_up(rig, snapshot));
    lines.push(Line::raw(""));
    lines.push(heading("Before every start"));
    lines.extend(wrapped(CAUTION, width).into_iter().map(Line::raw));
    let sequence = picture.rig.as_ref().and_then(|rig| rig.sequences.get(desk.sequence));
    let confirms = sequence.map_or(&[][..], |sequence| sequence.confirms.as_slice());
    lines.extend(listed("Asked for in this sequence", confirms, width));
    let calibrations = snapshot.channels.iter().filter_map(|channel| {
        channel.calibration_caution.as_ref().map(|words| format!("CAUTION {}: {words}", channel.id))
    });
    let warnings: Vec<String> = calibrations.chain(snapshot.warnings.iter().cloned()).collect();
    lines.extend(listed("Warnings of the rig file", &warnings, width));
    lines
}

fn listed(head: &str, texts: &[String], width: usize) -> Vec<Line<'static>> {
    if texts.is_empty() {
        return Vec::new();
    }
    let items = texts.iter().flat_map(|text| hanging("- ", text, width)).map(Line::raw);
    [Line::raw(""), heading(head)].into_iter().chain(items).collect()
}

fn line_up(rig: &RigView, snapshot: &Snapshot) -> Vec<Line<'static>> {
    let stands = snapshot.line_up.as_ref().and_then(|id| rig.line_ups.iter().find(|line_up| line_up.id == *id));
    let (line_up, how) = match stands {
        Some(line_up) => (Some(line_up), "stands"),
        None => (rig.line_ups.first(), "not read back"),
    };
    let Some(line_up) = line_up else { return vec![heading("Line-up: the rig has none")] };
    let valve = |(element, opening): &(usize, f64)| {
        let name = rig.elements.get(*element).map_or("?", |element| element.name.as_str());
        Line::raw(format!("{name:<16} {}", opened(*opening)))
    };
    std::iter::once(heading(&format!("Line-up {} ({how})", line_up.id)))
        .chain(line_up.valves.iter().map(valve))
        .chain(levels(rig, line_up))
        .collect()
}

fn levels(rig: &RigView, line_up: &LineUpView) -> Vec<Line<'static>> {
    let level = |(node, level_m): &(usize, f64)| {
        let name = rig.nodes.get(*node).map_or("?", |node| node.name.as_str());
        Line::raw(format!("{name:<16} level {level_m:.1} m"))
    };
    line_up.levels.iter().map(level).collect()
}

fn opened(opening: f64) -> String {
    match opening {
        share if share <= 0.0 => "shut".to_owned(),
        share if share >= 1.0 => "open".to_owned(),
        share => format!("{:.0} % open", share * 100.0),
    }
}

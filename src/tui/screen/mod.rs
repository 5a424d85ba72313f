//! The screens: the same head and foot about each, with the state in words, the question that waits, and the stop key.

mod foot;
mod help;
mod log;
mod ready;
mod results;
mod run;

use super::desk::{Desk, Shown};
use super::look::Look;
use super::picture::Picture;
use super::words::{Tone, cut, state, wrapped};
use crate::api::Snapshot;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Paragraph, Wrap};

/// Smallest terminal with screens.
const LEAST: (u16, u16) = (60, 16);
/// Rows of a screen's own part below which the foot gives way.
const BODY_LEAST: u16 = 6;

/// Draw the whole screen.
pub fn draw(picture: &Picture, desk: &Desk, look: Look, frame: &mut Frame<'_>) {
    let area = frame.area();
    if area.width < LEAST.0 || area.height < LEAST.1 {
        small(picture, frame, area);
    } else {
        whole(picture, desk, look, frame, area);
    }
    look.apply(frame.buffer_mut());
}

/// A sentence where no screen fits.
fn small(picture: &Picture, frame: &mut Frame<'_>, area: Rect) {
    let state = match (&picture.lost, &picture.snapshot) {
        (Some(_), _) => "NO ANSWER".to_owned(),
        (None, Some(snapshot)) => state(snapshot).0,
        (None, None) => "waiting".to_owned(),
    };
    let (width, height) = LEAST;
    let text = format!("s STOP. {state}. Window {}x{}, needs {width}x{height}.", area.width, area.height);
    frame.render_widget(Paragraph::new(text).wrap(Wrap { trim: true }), area);
}

fn whole(picture: &Picture, desk: &Desk, look: Look, frame: &mut Frame<'_>, area: Rect) {
    let spare = area.height.saturating_sub(3 + BODY_LEAST);
    let foot = foot::lines(picture, desk, usize::from(area.width), usize::from(spare));
    let rows = u16::try_from(foot.len()).unwrap_or(spare);
    let [head, state, body, below, keys] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(1),
        Constraint::Min(BODY_LEAST),
        Constraint::Length(rows),
        Constraint::Length(1),
    ])
    .areas(area);
    frame.render_widget(title(picture, desk), head);
    frame.render_widget(state_line(picture, usize::from(area.width)), state);
    match desk.shown {
        Shown::Ready => ready::draw(picture, desk, frame, body),
        Shown::Run => run::draw(picture, desk, look, frame, body),
        Shown::Results => results::draw(picture, desk, frame, body),
        Shown::Log => log::draw(picture, desk, frame, body),
        Shown::Help => help::draw(desk, frame, body),
    }
    frame.render_widget(Paragraph::new(foot), below);
    frame.render_widget(foot::keys(picture, desk, usize::from(area.width)), keys);
}

fn title(picture: &Picture, desk: &Desk) -> Line<'static> {
    let mut spans = Vec::new();
    for shown in Shown::ALL {
        let (key, name) = shown.label();
        let style = if shown == desk.shown { Style::new().add_modifier(Modifier::REVERSED) } else { Style::new() };
        spans.extend([Span::styled(format!(" {key} {name} "), style), Span::raw(" ")]);
    }
    let Some(snapshot) = &picture.snapshot else { return Line::from(spans) };
    if snapshot.is_virtual {
        let style = Style::new().add_modifier(Modifier::REVERSED | Modifier::BOLD);
        spans.extend([Span::styled("VIRTUAL RIG", style), Span::raw(" ")]);
    }
    spans.push(Span::raw(snapshot.rig_name.clone()));
    Line::from(spans)
}

fn state_line(picture: &Picture, width: usize) -> Line<'static> {
    if let Some(lost) = &picture.lost {
        let words = format!("NO ANSWER: {lost}; a stop may not arrive: use the emergency stop");
        return Line::styled(cut(&words, width), Tone::Danger.style());
    }
    let Some(snapshot) = &picture.snapshot else { return Line::raw("waiting for the daemon") };
    let (words, tone) = state(snapshot);
    let right = match controls_note(snapshot, width) {
        None => controls(snapshot),
        Some(_) => controllers(snapshot),
    };
    let left = cut(&words, width.saturating_sub(right.chars().count() + 2));
    let gap = width.saturating_sub(left.chars().count() + right.chars().count());
    Line::from(vec![Span::styled(left, tone.style()), Span::raw(" ".repeat(gap)), Span::raw(right)])
}

/// Who holds the controls.
fn controllers(snapshot: &Snapshot) -> String {
    match &snapshot.controller {
        Some(holder) => format!("controls: {} ({})", holder.name, holder.from),
        None => "controls: nobody".to_owned(),
    }
}

/// The same with what stands beside it.
fn controls(snapshot: &Snapshot) -> String {
    let note = snapshot.controls_note.as_ref().map_or_else(String::new, |note| format!(", {note}"));
    format!("{}{note}", controllers(snapshot))
}

/// What stands beside the controls and finds no room in the state's line: it has one below.
fn controls_note(snapshot: &Snapshot, width: usize) -> Option<String> {
    let beside = state(snapshot).0.chars().count() + 2 + controls(snapshot).chars().count();
    snapshot.controls_note.as_ref().filter(|_| beside > width).map(|note| format!("Controls: {note}"))
}

/// A line with its first word set apart.
fn headed(head: &str, text: &str) -> Line<'static> {
    Line::from(vec![
        Span::styled(head.to_owned(), Style::new().add_modifier(Modifier::BOLD)),
        Span::raw(text.to_owned()),
    ])
}

/// A heading within a screen.
fn heading(text: &str) -> Line<'static> {
    Line::from(Span::styled(text.to_owned(), Style::new().add_modifier(Modifier::BOLD | Modifier::UNDERLINED)))
}

/// A long text with its first line behind a sign and the rest under it.
fn hanging(sign: &str, text: &str, width: usize) -> Vec<String> {
    let indent = sign.chars().count();
    let lines = wrapped(text, width.saturating_sub(indent).max(8));
    let mark = |(index, line): (usize, String)| match index {
        0 => format!("{sign}{line}"),
        _ => format!("{}{line}", " ".repeat(indent)),
    };
    lines.into_iter().enumerate().map(mark).collect()
}

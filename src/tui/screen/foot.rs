//! Under every screen: what is asked, said and noted, what came of the latest key, and the keys, the stop first.

use super::super::desk::Desk;
use super::super::picture::Picture;
use super::super::words::{cut, pressure, wrapped};
use crate::api::RunView;
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};

/// From here on keys stand apart.
const WIDE: usize = 100;
/// Lines of notes at most.
const NOTES_MOST: usize = 3;

/// At most `rows` lines; what a person has to answer comes before everything else.
pub(super) fn lines(picture: &Picture, desk: &Desk, width: usize, rows: usize) -> Vec<Line<'static>> {
    let run = picture.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref());
    let mut lines = run.map_or_else(Vec::new, |run| told(run, width));
    lines.extend(typed(desk));
    let controls = picture.snapshot.as_ref().and_then(|snapshot| super::controls_note(snapshot, width));
    lines.extend(controls.map(|note| Line::raw(cut(&note, width))));
    let last = usize::from(desk.notice.is_some());
    lines.truncate(rows.saturating_sub(last));
    lines.extend(desk.notice.iter().map(|text| Line::styled(text.clone(), Style::new().add_modifier(Modifier::BOLD))));
    lines
}

fn told(run: &RunView, width: usize) -> Vec<Line<'static>> {
    if run.end.is_some() {
        return Vec::new();
    }
    let reversed = Style::new().add_modifier(Modifier::REVERSED);
    let (text, style) = match (&run.question, run.for_audience) {
        (Some((_, question)), true) => (format!(" ASKED: {question} (n notes a guess, c goes on)"), reversed),
        (Some((_, question)), false) => (format!(" CONFIRM AT THE RIG, then c: {question}"), reversed),
        (None, _) => (run.said.as_ref().map_or_else(String::new, |said| format!("Said: {said}")), Style::new()),
    };
    let mut lines: Vec<Line<'static>> = wrapped(text.trim_start(), width)
        .into_iter()
        .map(|line| Line::styled(format!("{line:<width$}"), style))
        .collect();
    if text.is_empty() {
        lines.clear();
    }
    if let Some(notes) = run.progress.as_ref().and_then(|progress| progress.notes.as_ref()) {
        let noted = wrapped(&format!("Notes: {}", notes.replace('\n', " ")), width);
        lines.extend(
            noted
                .into_iter()
                .take(NOTES_MOST)
                .map(|line| Line::styled(line, Style::new().add_modifier(Modifier::ITALIC))),
        );
    }
    lines
}

fn typed(desk: &Desk) -> Option<Line<'static>> {
    let typed = desk.typed.as_ref()?;
    let unit = pressure(desk.system).name;
    let style = Style::new().add_modifier(Modifier::BOLD);
    Some(Line::styled(format!("Guess in {unit}: {typed}_   (Enter writes it down, Esc drops it)"), style))
}

/// The keys, the stop first and always there.
pub(super) fn keys(picture: &Picture, desk: &Desk, width: usize) -> Line<'static> {
    let stop = Span::styled(" s STOP ", Style::new().add_modifier(Modifier::REVERSED | Modifier::BOLD));
    let gap = if width >= WIDE { "   " } else { " " };
    let keys: &[&str] = match desk.held.is_some() {
        true => &["g start", "c confirm", "k pass over", "n guess", "b give"],
        false => &["t take the controls", "u units", "h help", "q leave"],
    };
    let mut spans = vec![stop, Span::raw(format!(" not the emergency stop |{gap}{}", keys.join(gap)))];
    if picture.missed > 0 {
        spans.push(Span::raw(format!("  {} missed", picture.missed)));
    }
    Line::from(spans)
}

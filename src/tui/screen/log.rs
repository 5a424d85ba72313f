//! What happened, the newest at the bottom, with the figures of the links.

use super::super::desk::Desk;
use super::super::picture::Picture;
use super::super::words::{down, level};
use super::{hanging, heading};
use crate::sequence::ports::LinkStatistics;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

pub(super) fn draw(picture: &Picture, desk: &Desk, frame: &mut Frame<'_>, area: Rect) {
    let Some(snapshot) = &picture.snapshot else { return };
    let width = usize::from(area.width);
    let links: Vec<String> = snapshot.links.iter().map(LinkStatistics::brief).collect();
    let mut top = vec![heading("Log (up/down, page keys)")];
    if !links.is_empty() {
        top.push(Line::raw(format!("link median/p99: {}", links.join("; "))));
    }
    let lost = snapshot.starters.iter().filter_map(|starter| Some((&starter.id, down(&starter.link)?)));
    top.extend(lost.map(|(id, reason)| Line::raw(format!("NOTICE link of {id}: {reason}"))));
    let rows = usize::from(area.height).saturating_sub(top.len());
    let written = snapshot.log.iter().flat_map(|event| {
        hanging(&format!("{:8.2} s ", event.at_s), &format!("{}{}", level(event.level), event.text), width)
    });
    let written: Vec<String> = written.collect();
    let until = written.len().saturating_sub(desk.scroll_up(written.len().saturating_sub(rows)));
    let shown = &written[until.saturating_sub(rows)..until];
    top.extend(shown.iter().cloned().map(Line::raw));
    frame.render_widget(Paragraph::new(top), area);
}

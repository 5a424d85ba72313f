//! While a run is on: the live trace over the prediction, the step and what is left of it, large figures.

use super::super::desk::Desk;
use super::super::large::{ROWS, large};
use super::super::look::Look;
use super::super::picture::Picture;
use super::super::trace;
use super::super::words::{Unit, cut, length, pressure, progress, stop_words, unit, wrapped};
use super::heading;
use crate::api::RunView;
use crate::units::display::System;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

/// Width of the figures, from a narrow terminal to a wide one.
const FIGURES: (u16, u16) = (25, 34);
/// From here on the terminal is wide.
const WIDE: u16 = 110;
/// Narrower than this there is no room for large figures beside the chart.
const BESIDE: u16 = 76;

pub(super) fn draw(picture: &Picture, desk: &Desk, look: Look, frame: &mut Frame<'_>, area: Rect) {
    let stands = stands(picture, usize::from(area.width));
    let rows = u16::try_from(stands.len()).unwrap_or(1);
    let [top, below] = Layout::vertical([Constraint::Length(rows), Constraint::Min(4)]).areas(area);
    frame.render_widget(Paragraph::new(stands), top);
    if area.width < BESIDE {
        let [chart, figures] = Layout::vertical([Constraint::Min(4), Constraint::Length(3)]).areas(below);
        trace::draw(picture, desk.system, frame, chart);
        frame.render_widget(
            Paragraph::new(Sheet::of(picture, desk.system).lines(3, false, usize::from(area.width))),
            figures,
        );
        return;
    }
    let width = if area.width >= WIDE { FIGURES.1 } else { FIGURES.0 };
    let [chart, gap, figures] =
        Layout::horizontal([Constraint::Min(30), Constraint::Length(1), Constraint::Length(width)]).areas(below);
    let _ = gap;
    trace::draw(picture, desk.system, frame, chart);
    let sheet = Sheet::of(picture, desk.system);
    let lines = sheet.lines(usize::from(figures.height), !look.ascii, usize::from(width));
    frame.render_widget(Paragraph::new(lines), figures);
}

/// Where the run stands, or how it ended.
fn stands(picture: &Picture, width: usize) -> Vec<Line<'static>> {
    let Some(snapshot) = &picture.snapshot else { return Vec::new() };
    if let Some(text) = progress(snapshot) {
        let next = snapshot.run.as_ref().and_then(|run| run.progress.as_ref()?.next.clone());
        let next = next.map_or_else(String::new, |next| format!("; next: {next}"));
        return wrapped(&format!("{text}{next}"), width).into_iter().take(2).map(Line::raw).collect();
    }
    if picture.is_busy() {
        let text = "Getting ready: the run is predicted, then its recording is opened. Nothing has moved.";
        return wrapped(text, width).into_iter().map(Line::raw).collect();
    }
    let ended = |run: &RunView| run.end.as_ref().map(|end| ended(run, end));
    let text =
        snapshot.run.as_ref().and_then(ended).unwrap_or_else(|| "No run yet: 1 shows what a start needs.".to_owned());
    wrapped(&text, width).into_iter().take(3).map(Line::raw).collect()
}

fn ended(run: &RunView, end: &crate::sequence::ports::RunEnd) -> String {
    let how = match &end.aborted {
        Some(why) if end.refused => return format!("{}: refused: {why}", run.starter),
        Some(why) => format!("ended early: {why}"),
        None => format!("all steps done, {} cycles", end.cycles),
    };
    let whole = if run.recording_complete { "recording" } else { "recording INCOMPLETE" };
    format!("{}: {}; {how}; {whole}: {}", run.starter, stop_words(Some(end.stop)), run.recording)
}

/// A figure with its name, and whether it is one of the large ones.
struct Figure {
    name: String,
    number: String,
    unit: &'static str,
    large: bool,
}

/// The figures beside the chart.
struct Sheet {
    figures: Vec<Figure>,
    small: Vec<String>,
}

impl Sheet {
    fn of(picture: &Picture, system: System) -> Self {
        let mut sheet = Self { figures: Vec::new(), small: Vec::new() };
        let bar = pressure(system);
        sheet.figure("speed", picture.channel_of("rad/s").and_then(|at| picture.newest(at)), unit(system, "rad/s"));
        let gauge = picture.headline().and_then(|at| picture.newest(at));
        sheet.figure(&headline_name(picture, system, gauge), gauge, bar);
        sheet.surge(picture, bar, gauge);
        let current = picture.channel_of("A").and_then(|at| picture.newest(at));
        sheet.small.push(format!("current {}", unit(system, "A").show(current)));
        sheet.fronts(picture, system);
        sheet
    }

    fn figure(&mut self, name: &str, si: Option<f64>, unit: Unit) {
        self.figures.push(Figure { name: name.to_owned(), number: unit.number(si), unit: unit.name, large: true });
    }

    /// Highest of the start less the pressure now, which is the surge once the pressure has settled; after the stop the lowest.
    fn surge(&mut self, picture: &Picture, bar: Unit, gauge: Option<f64>) {
        let stopped = picture.cycle_marks().stop_s.is_some();
        let above = picture.highest.zip(gauge).map(|(highest, now)| highest - now);
        if stopped {
            self.figure("lowest since the stop", picture.lowest, bar);
        } else {
            self.figure("surge so far, above now", above, bar);
        }
        let band = |(value, ends): (f64, Option<(f64, f64)>)| {
            let ends = ends.map_or_else(String::new, |(low, high)| {
                format!(" ({}-{})", bar.number(Some(low)), bar.number(Some(high)))
            });
            format!("{}{ends}", bar.number(Some(value)))
        };
        let foretold = if stopped { picture.predicted_lowest() } else { picture.predicted_highest() };
        if !stopped {
            self.small.push(format!("highest {}", bar.show(picture.highest)));
        }
        self.small.push(format!("predicted {}", foretold.map_or_else(|| "--".to_owned(), band)));
        let guess = picture.snapshot.as_ref().and_then(|snapshot| snapshot.guess.as_ref());
        self.small.extend(guess.map(|guess| format!("guess {}", bar.show(Some(guess.value_pa)))));
    }

    fn fronts(&mut self, picture: &Picture, system: System) {
        let metre = length(system);
        for (name, full_m, of_m) in picture.fronts() {
            let of = of_m.map_or_else(String::new, |of_m| format!(" of {}", metre.number(Some(of_m))));
            self.small.push(format!("front in {name} {}{of} {} (predicted)", metre.number(Some(full_m)), metre.name));
        }
    }

    /// Large where there is room for it.
    fn lines(&self, height: usize, blocks: bool, width: usize) -> Vec<Line<'static>> {
        let bold = Style::new().add_modifier(Modifier::BOLD);
        let small: Vec<String> = self.small.iter().flat_map(|text| wrapped(text, width)).collect();
        let wanted = self.figures.len() * (ROWS + 1) + small.len();
        if !blocks || wanted > height {
            let all = self.figures.iter().map(|figure| format!("{} {}  {}", figure.number, figure.unit, figure.name));
            let lines = all.map(|text| Line::styled(cut(&text, width), bold)).chain(small.into_iter().map(Line::raw));
            return lines.take(height).collect();
        }
        let mut lines = Vec::new();
        for figure in &self.figures {
            lines.push(heading(&cut(&figure.name, width)));
            if figure.large {
                let rows = large(&figure.number);
                let last = rows.len() - 1;
                lines.extend(rows.into_iter().enumerate().map(|(at, row)| {
                    Line::styled(if at == last { format!("{row}{}", figure.unit) } else { row }, bold)
                }));
            }
        }
        lines.extend(small.into_iter().map(Line::raw));
        lines
    }
}

/// The pressure's name with its head beside it.
fn headline_name(picture: &Picture, system: System, gauge: Option<f64>) -> String {
    let weight = picture.rig.as_ref().map(|rig| rig.pa_per_m);
    match gauge.zip(weight) {
        Some((gauge, weight)) => format!("pressure ({} head)", length(system).show(Some(gauge / weight))),
        None => "pressure".to_owned(),
    }
}

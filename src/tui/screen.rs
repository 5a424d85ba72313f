//! The watch screen: live trace with the predicted trace, step, large figures, outcome in words, log, the stop key.
//! State is always said in words; colour only repeats it (IEC 60073).

use super::picture::{Picture, WINDOW_S};
use crate::api::{Activity, RunView, Snapshot};
use crate::sequence::ports::{Level, LinkState, LinkStatistics, StopOutcome};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::symbols::Marker;
use ratatui::text::{Line, Span};
use ratatui::widgets::{Axis, Block, Borders, Chart, Dataset, GraphType, Paragraph, Wrap};

/// Pa in a bar.
const BAR_PA: f64 = 1.0e5;
/// rad/s in one revolution a minute.
const RPM_RAD_S: f64 = std::f64::consts::TAU / 60.0;
/// Smallest useful terminal.
const LEAST: (u16, u16) = (60, 16);

/// Draw the whole screen.
pub fn draw(picture: &Picture, frame: &mut Frame<'_>) {
    let area = frame.area();
    if area.width < LEAST.0 || area.height < LEAST.1 {
        let text = format!("terminal is {}x{}, needs {}x{} | s stop", area.width, area.height, LEAST.0, LEAST.1);
        frame.render_widget(Paragraph::new(text).wrap(Wrap { trim: true }), area);
        return;
    }
    let log_rows = if area.height >= 36 { 8 } else { 4 };
    let [top, middle, below, log, keys] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Min(8),
        Constraint::Length(4),
        Constraint::Length(log_rows),
        Constraint::Length(1),
    ])
    .areas(area);
    frame.render_widget(title(picture), top);
    chart(picture, frame, middle);
    frame.render_widget(figures(picture), below);
    frame.render_widget(log_lines(picture, usize::from(log_rows) - 1), log);
    frame.render_widget(key_line(picture), keys);
}

fn title(picture: &Picture) -> Paragraph<'_> {
    let Some(snapshot) = &picture.snapshot else {
        return Paragraph::new(picture.lost.as_deref().unwrap_or("waiting for the rig"));
    };
    let mut spans = vec![Span::styled(snapshot.rig_name.clone(), Style::new().add_modifier(Modifier::BOLD))];
    if snapshot.is_virtual {
        spans.push(Span::styled("  VIRTUAL RIG", Style::new().add_modifier(Modifier::REVERSED)));
    }
    for (says_no, words) in [(snapshot.remote, "LOCAL"), (snapshot.emergency_stop_ok, "EMERGENCY STOP OPEN")] {
        if says_no == Some(false) {
            spans.push(Span::raw("  "));
            spans.push(Span::styled(words, Style::new().fg(Color::Red).add_modifier(Modifier::BOLD)));
        }
    }
    spans.push(Span::raw("  "));
    spans.push(state_words(picture, snapshot));
    spans.push(Span::raw(format!("  rig time {:.1} s", picture.newest_s().max(snapshot.rig_time_s))));
    Paragraph::new(Line::from(spans))
}

fn state_words(picture: &Picture, snapshot: &Snapshot) -> Span<'static> {
    if let Some(lost) = &picture.lost {
        return Span::styled(format!("NO ANSWER: {lost}"), Style::new().fg(Color::Red));
    }
    match snapshot.activity {
        Activity::Idle if snapshot.samples_lost.is_some() => {
            Span::styled("nothing runs, NO SAMPLES", Style::new().fg(Color::Yellow))
        }
        Activity::Idle => Span::raw("nothing runs"),
        Activity::Running => Span::styled("running", Style::new().fg(Color::Green)),
        Activity::Stopping => Span::styled("stopping", Style::new().fg(Color::Yellow)),
        Activity::Closing => Span::raw("closing the recording"),
        Activity::ShuttingDown => Span::styled("shutting down", Style::new().fg(Color::Yellow)),
    }
}

/// Chart values in the unit a person reads, with that unit.
fn shown_unit(si: &str) -> (f64, &'static str) {
    match si {
        "Pa" => (1.0 / BAR_PA, "bar gauge"),
        "Pa difference" => (1.0 / BAR_PA, "bar"),
        "rad/s" => (1.0 / RPM_RAD_S, "rpm"),
        "A" => (1.0, "A"),
        _ => (1.0, "SI"),
    }
}

fn bounds(points: &[&[(f64, f64)]], from_s: f64) -> (f64, f64) {
    let values = points.iter().flat_map(|series| series.iter()).filter(|p| p.0 >= from_s).map(|p| p.1);
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let margin = (0.08 * (high - low)).max(0.02);
    (low - margin, high + margin)
}

fn chart(picture: &Picture, frame: &mut Frame<'_>, area: Rect) {
    let Some(channel) = picture.snapshot.as_ref().and_then(|s| s.channels.get(picture.chosen)) else { return };
    let (factor, unit) = shown_unit(&channel.unit);
    let newest_s = picture.newest_s();
    let from_s = (newest_s - WINDOW_S).max(0.0);
    let measured: Vec<(f64, f64)> = picture.live.get(picture.chosen).map_or_else(Vec::new, |points| {
        points.iter().flat_map(|p| [(p.0, p.1 * factor), (p.0, p.2 * factor)]).collect()
    });
    let until_s = newest_s + WINDOW_S * 0.1;
    let shown = |points: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        let near = points.into_iter().filter(|p| p.0 >= from_s && p.0 <= until_s);
        near.map(|p| (p.0, p.1 * factor)).collect()
    };
    let predicted = shown(picture.predicted_points());
    let [lower, upper] = picture.band_points().map(shown);
    let (low, high) = bounds(&[&measured, &predicted, &lower, &upper], from_s);
    let line = |name: &'static str, data, colour, marker| {
        Dataset::default()
            .name(name)
            .marker(marker)
            .graph_type(GraphType::Line)
            .style(Style::new().fg(colour))
            .data(data)
    };
    let datasets = vec![
        line("lower", lower.as_slice(), Color::DarkGray, Marker::Dot),
        line("upper", upper.as_slice(), Color::DarkGray, Marker::Dot),
        line("predicted", predicted.as_slice(), Color::Yellow, Marker::Dot),
        line("measured", measured.as_slice(), Color::Cyan, Marker::Braille),
    ];
    let y_labels = [low, f64::midpoint(low, high), high].map(|v| format!("{v:.2}"));
    let x_labels = [from_s, until_s].map(|t| format!("{t:.0} s"));
    let band = if upper.is_empty() { "" } else { " between the ends of its band" };
    let caution = channel.calibration_caution.as_ref().map_or_else(String::new, |words| format!("{words}: "));
    let title = format!(" {}, {unit}: {caution}line measured, dots predicted{band} ", channel.label);
    let widget = Chart::new(datasets)
        .legend_position(None)
        .block(Block::new().borders(Borders::TOP).title(title))
        .x_axis(Axis::default().bounds([from_s, until_s]).labels(x_labels))
        .y_axis(Axis::default().bounds([low, high]).labels(y_labels));
    frame.render_widget(widget, area);
}

fn figure_of(picture: &Picture, snapshot: &Snapshot, unit: &str) -> Option<f64> {
    let index = snapshot.channels.iter().position(|c| c.unit == unit)?;
    picture.newest(index)
}

fn figures(picture: &Picture) -> Paragraph<'_> {
    let Some(snapshot) = &picture.snapshot else { return Paragraph::new("") };
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let headline = snapshot.channels.iter().position(|c| c.headline).and_then(|i| picture.newest(i));
    let shown = |value: Option<f64>, text: fn(f64) -> String| value.map_or_else(|| "--".to_owned(), text);
    let speed = shown(figure_of(picture, snapshot, "rad/s"), |v| format!("{:.0} rpm", v / RPM_RAD_S));
    let pressure = shown(headline, |v| format!("{:.2} bar ({:.1} m of water)", v / BAR_PA, v / 9806.65));
    let current = shown(figure_of(picture, snapshot, "A"), |v| format!("{v:.1} A"));
    let first = Line::from(vec![
        Span::raw("speed "),
        Span::styled(speed, bold),
        Span::raw("   discharge "),
        Span::styled(pressure, bold),
        Span::raw("   current "),
        Span::styled(current, bold),
    ]);
    let mut lines = vec![first];
    lines.extend(snapshot.run.as_ref().map(run_lines).unwrap_or_default());
    lines.extend(picture.notice.as_ref().map(|text| Line::from(text.clone())));
    Paragraph::new(lines)
}

fn run_lines(run: &RunView) -> Vec<Line<'static>> {
    let step = run.progress.as_ref().map_or_else(String::new, |p| {
        let of = p.step_s.map_or_else(String::new, |s| format!(" of {s:.1} s"));
        format!(
            "{}, cycle {} of {}, step {} of {}: {} ({:.1} s{of})",
            run.starter, p.cycle, p.cycles, p.step_number, p.steps, p.step, p.in_step_s
        )
    });
    let mut lines = vec![Line::from(step)];
    if let Some((_, question)) = &run.question {
        lines.push(Line::styled(format!("CONFIRM (key c): {question}"), Style::new().add_modifier(Modifier::REVERSED)));
    } else {
        lines.push(outcome_line(run));
    }
    lines
}

fn outcome_line(run: &RunView) -> Line<'static> {
    let stop = run.stop.map(|outcome| match outcome {
        StopOutcome::Confirmed => Span::styled("stop confirmed", Style::new().fg(Color::Green)),
        StopOutcome::Inferred => Span::styled("stop inferred (status only)", Style::new().fg(Color::Yellow)),
        StopOutcome::NotConfirmed => {
            Span::styled("stop NOT confirmed: use the emergency stop", Style::new().fg(Color::Red))
        }
    });
    let end = run.end.as_ref().map(|end| match &end.aborted {
        None => "all steps done".to_owned(),
        Some(why) => format!("ended early: {why}"),
    });
    let mut spans: Vec<Span<'static>> = stop.into_iter().collect();
    if let Some(text) = end.or_else(|| run.said.clone()) {
        if !spans.is_empty() {
            spans.push(Span::raw("; "));
        }
        spans.push(Span::raw(text));
    }
    Line::from(spans)
}

fn level_word(level: Level) -> &'static str {
    match level {
        Level::Note => "",
        Level::Notice => "NOTICE ",
        Level::Caution => "CAUTION ",
        Level::Warning => "WARNING ",
        Level::Danger => "DANGER ",
    }
}

fn log_lines(picture: &Picture, rows: usize) -> Paragraph<'_> {
    let block = Block::new().borders(Borders::TOP).title(" log ");
    let Some(snapshot) = &picture.snapshot else { return Paragraph::new("").block(block) };
    let links: Vec<String> = snapshot.links.iter().map(LinkStatistics::brief).collect();
    let block = match links.is_empty() {
        true => block,
        false => block.title(Line::from(format!(" link median/p99: {} ", links.join("; "))).right_aligned()),
    };
    let down = snapshot.starters.iter().filter_map(|s| match &s.link {
        LinkState::Up => None,
        LinkState::Down { reason, .. } => Some(Line::from(format!("NOTICE link of {}: {reason}", s.id))),
    });
    let events =
        snapshot.log.iter().rev().map(|e| Line::from(format!("{:8.2} s {}{}", e.at_s, level_word(e.level), e.text)));
    let mut lines: Vec<Line<'_>> = down.take(1).chain(events).take(rows).collect();
    lines.reverse();
    Paragraph::new(lines).block(block)
}

fn key_line(picture: &Picture) -> Paragraph<'_> {
    let stop = Span::styled(" s STOP ", Style::new().add_modifier(Modifier::REVERSED));
    let rest = " (not the emergency stop)  c confirm  1-8 channel  q leave, no stop";
    let mut spans = vec![stop, Span::raw(rest)];
    if picture.missed > 0 {
        spans.push(Span::raw(format!("  {} missed", picture.missed)));
    }
    Paragraph::new(Line::from(spans))
}

//! The chart: measured trace over the prediction, the ends of its band, and the guess.

use super::picture::{Picture, WINDOW_S};
use super::words::{Unit, unit, wrapped};
use crate::units::display::System;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::{Axis, Chart, Dataset, GraphType, Paragraph};

/// What is drawn ahead of the newest sample, as a share of the window; before the start this much lies behind it.
const AHEAD: f64 = 0.1;

type Points = Vec<(f64, f64)>;

/// Everything that a chart draws, in the units of a person, times counted from the mark.
struct Traces {
    from_s: f64,
    until_s: f64,
    measured: Points,
    predicted: Points,
    band: [Points; 2],
    guess: Points,
}

/// Draw the chosen channel.
pub(super) fn draw(picture: &Picture, system: System, frame: &mut Frame<'_>, area: Rect) {
    let Some(channel) = picture.snapshot.as_ref().and_then(|s| s.channels.get(picture.chosen)) else { return };
    let unit = unit(system, &channel.unit);
    let columns = usize::from(area.width) * 2;
    let traces = traces(picture, unit, columns);
    let (low, high) = bounds(&traces, unit);
    let caution = channel.calibration_caution.as_ref().map_or_else(String::new, |words| format!("{words}; "));
    let of = if channel.unit == "Pa" { format!("{} gauge", unit.name) } else { unit.name.to_owned() };
    let (name, legend) = (format!("{}, {of}", channel.label), legend(&traces));
    let told = if caution.is_empty() { name.clone() } else { format!("{name}: {caution}") };
    let one = format!("{name}: {caution}{legend}");
    let heads = match one.chars().count() + 2 <= usize::from(area.width) {
        true => vec![one],
        false => wrapped(&told, usize::from(area.width))
            .into_iter()
            .chain(wrapped(&legend, usize::from(area.width)))
            .collect(),
    };
    let rows = u16::try_from(heads.len()).unwrap_or(1);
    let [above, area] = Layout::vertical([Constraint::Length(rows), Constraint::Min(3)]).areas(area);
    let style = Style::new().add_modifier(Modifier::BOLD);
    frame.render_widget(
        Paragraph::new(heads.into_iter().map(|text| Line::styled(text, style)).collect::<Vec<_>>()),
        above,
    );
    let y_labels = [low, f64::midpoint(low, high), high].map(|value| format!("{value:.*}", unit.digits.max(1)));
    let x_labels = [traces.from_s, traces.until_s].map(|at_s| format!("{at_s:.0} s"));
    let widget = Chart::new(datasets(&traces))
        .legend_position(None)
        .x_axis(Axis::default().bounds([traces.from_s, traces.until_s]).labels(x_labels))
        .y_axis(Axis::default().bounds([low, high]).labels(y_labels));
    frame.render_widget(widget, area);
}

fn legend(traces: &Traces) -> String {
    let mut parts = vec!["line measured"];
    let there = [
        (!traces.predicted.is_empty(), "dots predicted"),
        (!traces.band[0].is_empty(), "points its band"),
        (!traces.guess.is_empty(), "dashes guess"),
    ];
    parts.extend(there.into_iter().filter(|(is, _)| *is).map(|(_, words)| words));
    parts.join(", ")
}

fn traces(picture: &Picture, unit: Unit, columns: usize) -> Traces {
    let newest_s = picture.newest_s();
    let before_s = picture.before_the_start_s();
    let (from_s, until_s) = picture.cycle_span_s().unwrap_or_else(|| {
        // Before the start the prediction takes most of the width.
        let until_s = newest_s + WINDOW_S * if before_s.is_some() { 1.0 - AHEAD } else { AHEAD };
        ((until_s - WINDOW_S).max(0.0), until_s)
    });
    let zero_s = picture.cycle_marks().start_s.or(before_s).unwrap_or(0.0);
    let shown = |points: Points| -> Points {
        let near = points.into_iter().filter(|p| p.0 >= from_s && p.0 <= until_s);
        near.map(|p| (p.0 - zero_s, p.1 * unit.by)).collect()
    };
    let [predicted, lower, upper] = picture.predicted_points().map(shown);
    let measured = thinned(picture, (from_s, until_s), columns);
    let measured = measured.into_iter().map(|(at_s, value)| (at_s - zero_s, value * unit.by)).collect();
    let guess = picture.snapshot.as_ref().and_then(|snapshot| snapshot.guess.as_ref());
    let guess = guess.filter(|_| Some(picture.chosen) == picture.headline()).map_or_else(Vec::new, |guess| {
        [from_s, until_s].map(|at_s| (at_s - zero_s, guess.value_pa * unit.by)).to_vec()
    });
    Traces { from_s: from_s - zero_s, until_s: until_s - zero_s, measured, predicted, band: [lower, upper], guess }
}

/// What rests is not blown up to its noise.
fn least_span(unit: Unit) -> f64 {
    match unit.name {
        "bar" => 0.5,
        "psi" => 7.0,
        "rpm" => 100.0,
        "A" => 2.0,
        _ => 0.02,
    }
}

/// Smallest and largest of each column.
fn thinned(picture: &Picture, (from_s, until_s): (f64, f64), columns: usize) -> Points {
    let mut spans = vec![(f64::INFINITY, f64::NEG_INFINITY); columns.max(1)];
    let points = picture.live.get(picture.chosen).into_iter().flatten();
    for (at_s, least, most) in points.filter(|point| point.0 >= from_s && point.1 > f64::from(f32::MIN)) {
        let column = ((at_s - from_s) / (until_s - from_s) * columns as f64) as usize;
        if let Some(span) = spans.get_mut(column) {
            *span = (span.0.min(*least), span.1.max(*most));
        }
    }
    let at = |column: usize| from_s + (column as f64 + 0.5) * (until_s - from_s) / columns as f64;
    let seen = spans.into_iter().enumerate().filter(|(_, span)| span.0 <= span.1);
    seen.flat_map(|(column, span)| [(at(column), span.0), (at(column), span.1)]).collect()
}

fn bounds(traces: &Traces, unit: Unit) -> (f64, f64) {
    let all = [&traces.measured, &traces.predicted, &traces.band[0], &traces.band[1], &traces.guess];
    let values = all.into_iter().flatten().map(|point| point.1).filter(|value| value.is_finite());
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let margin = (0.08 * (high - low)).max((least_span(unit) - (high - low)) / 2.0);
    (low - margin, high + margin)
}

fn datasets(traces: &Traces) -> Vec<Dataset<'_>> {
    let line = |data, colour, marker| {
        Dataset::default().marker(marker).graph_type(GraphType::Line).style(Style::new().fg(colour)).data(data)
    };
    vec![
        line(traces.band[0].as_slice(), Color::Gray, Marker::Custom('·')),
        line(traces.band[1].as_slice(), Color::Gray, Marker::Custom('·')),
        line(traces.guess.as_slice(), Color::Magenta, Marker::Custom('╌')),
        line(traces.predicted.as_slice(), Color::Yellow, Marker::Dot),
        line(traces.measured.as_slice(), Color::Cyan, Marker::Braille),
    ]
}

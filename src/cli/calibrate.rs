//! `calibrate`: reference points in, a calibration out.

use super::args::Wires;
use super::args::{CalibrateArgs, Curve};
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use super::wires::load_unzeroed;
use crate::report::chart::{Chart, Line};
use crate::rig::calibration::{Calibrated, calibrate as fit_points};
use crate::rig::model::Quantity;
use crate::signal::regression::Shape;
use crate::units::Dimension;
use crate::units::display::{System, significant};
use serde_json::json;
use std::path::Path;

/// `calibrate`.
pub fn calibrate(args: &CalibrateArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let rig = load_unzeroed(&args.rig, &Wires::default())?;
    let name = args.points.display().to_string();
    let text = std::fs::read_to_string(&args.points).map_err(|e| Failure::configuration(format!("{name}: {e}")))?;
    let shape = args.shape.map(|curve| match curve {
        Curve::Line => Shape::Line,
        Curve::Parabola => Shape::Parabola,
    });
    let made =
        fit_points(&text, &name, &rig, shape).map_err(|problems| Failure::configuration(problems.to_string()))?;
    let channel = rig.channels.iter().find(|channel| channel.id.0 == made.channel);
    let quantity = channel.map_or(Quantity::GaugePressure, |channel| channel.quantity);
    let dimension = quantity.dimension();
    if !output.json {
        output.text(&words(&made, quantity, units));
    }
    let picture = args.plot.as_deref().map(|path| (path, residuals(&made, dimension, units)));
    if let Some((path, picture)) = picture {
        let svg = picture.to_svg("residuals of the reference points about the fit").map_err(Failure::internal)?;
        write_new(path, &svg)?;
        output.text(&format!("residuals: {}", path.display()));
    }
    if let Some(path) = &args.out {
        write_new(path, &made.to_toml())?;
        output.text(&format!("calibration: {}", path.display()));
    }
    output.object(&json!({ "calibrated": made })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    use std::io::Write;
    let made = std::fs::File::options().write(true).create_new(true).open(path);
    made.and_then(|mut file| file.write_all(text.as_bytes()))
        .map_err(|e| Failure::configuration(format!("{}: {e}", path.display())))
}

fn words(made: &Calibrated, quantity: Quantity, units: System) -> String {
    let shown = |si: f64| units.plain(si, quantity.dimension());
    let counted = |si: f64| units.show(si, quantity.dimension(), quantity.reference());
    let [a, b, c] = made.calibration.fit.unwrap_or_default();
    let mut lines = vec![
        format!(
            "{}: {} points from {} to {}, against {}",
            made.channel,
            made.points.len(),
            counted(made.span.0),
            counted(made.span.1),
            made.calibration.reference
        ),
        format!(
            "counts = {a:.6e} + {b:.6e} x + {c:.6e} x2, x in SI; residual {} counts",
            significant(made.residual_sd, 3)
        ),
        format!(
            "standard uncertainty of a reading {} (the reference's own included), 95 % interval of the fit +- {}, largest \
             deviation {} % of the span",
            shown(made.standard_uncertainty),
            shown(made.u95),
            significant(100.0 * made.nonlinearity, 3)
        ),
        format!("  {:>14} {:>14} {:>14}", "reference", "counts", "residual"),
    ];
    lines.extend(made.points.iter().map(|(reference, counts, residual)| {
        format!("  {:>14} {:>14} {:>14}", counted(*reference), significant(*counts, 7), shown(*residual))
    }));
    lines.join("\n")
}

fn residuals(made: &Calibrated, dimension: Dimension, units: System) -> Chart {
    let shown = |si: f64| units.number(si, dimension);
    let mut points: Vec<(f64, f64)> = made.points.iter().map(|point| (shown(point.0), shown(point.2))).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (low, high) = (shown(made.span.0), shown(made.span.1));
    let level = |value: f64, name: &str, colour: usize| Line {
        name: name.to_owned(),
        points: vec![(low, value), (high, value)],
        colour,
        dashed: true,
    };
    let u95 = shown(made.u95);
    Chart {
        title: format!("{}: points about the fit", made.channel),
        x_label: format!("reference, {}", units.unit_name(dimension)),
        y_label: format!("residual, {}", units.unit_name(dimension)),
        lines: vec![
            Line { name: "points".to_owned(), points, colour: 0, dashed: false },
            level(u95, "95 % of single readings", 1),
            level(-u95, "", 1),
        ],
        shade: None,
    }
}

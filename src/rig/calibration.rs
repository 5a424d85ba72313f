//! Reference points of one channel, typed, and the calibration that follows from them.
//!
//! A point is what the reference said and what the converter gave: raw counts, or the value this program showed with the
//! range of the rig file, which is taken back to counts. The fit is of counts on reference ([`signal::calibration`]), so that
//! a recording's counts can be evaluated with a calibration made later.
//!
//! [`signal::calibration`]: crate::signal::calibration

use super::chain::Calibration;
use super::file::{calibration_of, want_of, want_uncertainty_of};
use super::model::{Channel, Quantity, Rig};
use super::problem::Problems;
use super::reader::{Cursor, Document};
use crate::signal::calibration::{Calibration as Fitted, Point};
use crate::signal::regression::Shape;
use serde::Serialize;

/// A slope further off the range of the rig file than this is no calibration but another unit or another channel.
pub const SLOPE_OFF: f64 = 0.2;
/// Pressure units that are taken for one another, Pa (SI and NIST SP 811, from memory).
const UNITS: [(&str, f64); 7] = [
    ("Pa", 1.0),
    ("kPa", 1.0e3),
    ("bar", 1.0e5),
    ("MPa", 1.0e6),
    ("psi", 6_894.757),
    ("m of water", 9_806.65),
    ("mbar", 100.0),
];

/// A calibration with what it was made from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibrated {
    /// Channel id.
    pub channel: String,
    /// As it goes into a rig file, or beside a recording.
    pub calibration: Calibration,
    /// Standard uncertainty of one reading, SI: the largest over the span, with the reference's own.
    pub standard_uncertainty: f64,
    /// Half width of the 95 % interval of one reading, SI, from the fit alone: the largest over the span.
    pub u95: f64,
    /// Covariance of the coefficients, by power.
    pub covariance: [[f64; 3]; 3],
    /// Standard deviation of the residuals, counts.
    pub residual_sd: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Largest deviation from the fit, share of the span.
    pub nonlinearity: f64,
    /// Lowest and highest reference, SI.
    pub span: (f64, f64),
    /// (reference, SI; counts; residual as SI).
    pub points: Vec<(f64, f64, f64)>,
}

/// Read points and fit them.
///
/// # Errors
/// Every problem of the file at once.
pub fn calibrate(text: &str, file: &str, rig: &Rig, shape: Option<Shape>) -> Result<Calibrated, Problems> {
    let document = Document::parse(text, file)?;
    let made = read(&document, rig, shape);
    let problems = document.finish();
    match made {
        Some(made) if problems.0.is_empty() => Ok(made),
        _ => Err(problems),
    }
}

fn read(document: &Document<'_>, rig: &Rig, shape: Option<Shape>) -> Option<Calibrated> {
    let root = document.root();
    let id = root.need_text("channel");
    let channel = id.as_ref().and_then(|id| rig.channels.iter().find(|channel| channel.id.0 == id.text));
    if let (Some(id), None) = (&id, channel) {
        let known: Vec<&str> = rig.channels.iter().map(|channel| channel.id.0.as_str()).collect();
        root.note(
            "channel",
            format!("{:?}", id.text),
            format!("a channel of the rig file: {}", known.join(", ")),
            None,
        );
    }
    let channel = channel?;
    let calibration = root.need_table("calibration").map(calibration_of);
    let of_reference = root.need_quantity("reference_uncertainty", &want_uncertainty_of(channel.quantity));
    let asked = root.word("shape", &[("line", Shape::Line), ("parabola", Shape::Parabola)]);
    let points: Vec<Option<Point>> = root.tables("point").iter().map(|table| point(table, channel)).collect();
    root.close();
    let points: Vec<Point> = points.into_iter().collect::<Option<_>>()?;
    if !document.problems().is_empty() {
        return None;
    }
    let refuse = |why: String, hint: Option<String>| {
        document.note(&document.root().here(), why, "points that a calibration follows from", hint);
    };
    let fitted = match Fitted::new(&points, shape.or(asked).unwrap_or(Shape::Line)) {
        Ok(fitted) => fitted,
        Err(error) => {
            refuse(error.to_string(), None);
            return None;
        }
    };
    if let Some((why, hint)) = wrong_slope(&fitted, channel) {
        refuse(why, hint);
        return None;
    }
    Some(made(channel, calibration?, &fitted, (&points, of_reference?)))
}

fn point(table: &Cursor<'_>, channel: &Channel) -> Option<Point> {
    let want = want_of(Some(channel.quantity))?;
    let reference = table.need_quantity("reference", &want);
    let counts = table.number("counts", -2.147_483_648e9..=2.147_483_647e9);
    let shown = table.quantity("shown", &want);
    if table.has("counts") == table.has("shown") {
        table.note(
            "counts",
            if table.has("counts") { "both counts and shown" } else { "neither counts nor shown" },
            "one of them: counts = 1638 (raw), or shown = \"1.998 barg\" (as this program showed it, no zero taken off)",
            None,
        );
    }
    let scaling = unzeroed(channel);
    let reading = counts.or_else(|| shown.map(|si| (si - scaling.1) / scaling.0));
    Some(Point { reference: reference?, reading: reading? })
}

/// Scale and offset of the rig file itself, without a zero taken off.
fn unzeroed(channel: &Channel) -> (f64, f64) {
    let zero = channel.chain.zero.as_ref().map_or(0.0, |zero| zero.offset);
    (channel.scaling.scale, channel.scaling.offset + zero)
}

/// Counts a SI unit that the rig file's range promises are found, or the slope says of which units it is.
fn wrong_slope(fitted: &Fitted, channel: &Channel) -> Option<(String, Option<String>)> {
    let (low, high) = fitted.span();
    let slope = (fitted.fit().at(high) - fitted.fit().at(low)) / (high - low);
    let ratio = slope * channel.scaling.scale;
    if (ratio - 1.0).abs() <= SLOPE_OFF {
        return None;
    }
    let why = format!(
        "{slope:.6e} counts a SI unit, {ratio:.4} times what range and counts of `{}` in the rig file say",
        channel.id.0
    );
    let near = |of: f64| (ratio / of - 1.0).abs() <= 0.03;
    let pair = UNITS.iter().find_map(|(typed, a)| {
        let other = UNITS.iter().find(|(meant, b)| typed != meant && near(b / a))?;
        Some(format!("the unit of the reference points: typed in {typed}, but meant in {}?", other.0))
    });
    let hint = pair.filter(|_| channel.quantity == Quantity::GaugePressure);
    Some((
        why,
        hint.or_else(|| Some("the right channel, its range and counts in the rig file, the columns".to_owned())),
    ))
}

fn made(channel: &Channel, mut calibration: Calibration, fitted: &Fitted, of: (&[Point], f64)) -> Calibrated {
    let ((low, high), fit, (points, of_reference)) = (fitted.span(), fitted.fit(), of);
    // Along the span: the scatter is the same everywhere, the fit's own share and the slope are not.
    let along = |of: &dyn Fn(f64) -> f64| {
        let places = (0..=20).map(|k| low + (high - low) * f64::from(k) / 20.0);
        places.map(|value| of(fit.at(value))).fold(0.0, f64::max)
    };
    calibration.fit = Some(fit.coefficients);
    Calibrated {
        channel: channel.id.0.clone(),
        calibration,
        standard_uncertainty: along(&|reading| fitted.u_value(reading)).hypot(of_reference),
        u95: along(&|reading| fitted.u95_value(reading)),
        covariance: fit.covariance,
        residual_sd: fit.residual_sd,
        dof: fit.dof,
        nonlinearity: fitted.nonlinearity(),
        span: (low, high),
        points: points
            .iter()
            .zip(&fit.residuals)
            .map(|(point, residual)| (point.reference, point.reading, residual / fit.slope_at(point.reference)))
            .collect(),
    }
}

/// A calibration file: what `calibrate` wrote.
#[derive(Debug, Clone, PartialEq)]
pub struct Filed {
    /// Channel id.
    pub channel: String,
    /// Calibration, with its fit.
    pub calibration: Calibration,
    /// Standard uncertainty, SI.
    pub standard_uncertainty: f64,
}

impl Calibrated {
    /// Text of a calibration file. Numbers are SI.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let of = &self.calibration;
        let fit = of.fit.unwrap_or_default();
        let mut text = format!(
            "# Calibration of one channel. Give it to `compare`, `report` or `show` with --calibration, or copy the table into\n\
             # the rig file as [channel.calibration] and the uncertainty as calibration_uncertainty.\n\
             channel = {}\nstandard_uncertainty_si = {:e}\n\n[calibration]\ndate = {}\n",
            quoted(&self.channel),
            self.standard_uncertainty,
            quoted(&of.date),
        );
        for (key, value) in
            [("due", &of.due), ("certificate", &of.certificate), ("reference", &of.reference), ("by", &of.by)]
        {
            if !value.is_empty() {
                text.push_str(&format!("{key} = {}\n", quoted(value)));
            }
        }
        text.push_str(&format!(
            "fit = [{:e}, {:e}, {:e}] # counts = a + b x + c x2, x in SI\n",
            fit[0], fit[1], fit[2]
        ));
        text
    }
}

/// Read a calibration file.
///
/// # Errors
/// Every problem of it.
pub fn read_file(text: &str, file: &str) -> Result<Filed, Problems> {
    let document = Document::parse(text, file)?;
    let root = document.root();
    let channel = root.need_text("channel");
    let u = root.need_number("standard_uncertainty_si", 0.0..=f64::MAX);
    let calibration = root.need_table("calibration").map(calibration_of);
    root.close();
    let found = match (channel, u, calibration) {
        (Some(channel), Some(standard_uncertainty), Some(calibration)) if calibration.fit.is_some() => {
            Some(Filed { channel: channel.text, calibration, standard_uncertainty })
        }
        _ => None,
    };
    if found.is_none() && document.problems().is_empty() {
        document.note(&document.root().here(), "no fit", "a file that `ramprig calibrate` wrote", None);
    }
    let problems = document.finish();
    match found {
        Some(found) if problems.0.is_empty() => Ok(found),
        _ => Err(problems),
    }
}

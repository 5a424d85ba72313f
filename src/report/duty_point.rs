//! The duty point as measured beside the supplier's curve, and the grades of acceptance that it keeps.

use super::document::{Piece, Section, Table};
use crate::comparison::RunData;
use crate::comparison::acceptance::Grade;
use crate::comparison::align::AlignedCycle;
use crate::comparison::metric::final_level;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump_figures::{Tapping, total_head_m};
use crate::hydraulics::spec::{ElementKind, ElementSpec, Place};
use crate::rig::model::{Channel, Quantity, Rig};
use crate::signal::statistics::mean;
use crate::units::Dimension;
use crate::units::display::{System, significant};

const DIGITS: usize = 4;
/// Flows at which the curve is looked at, over the measured one.
const CURVE_FROM: f64 = 0.8;
const CURVE_TO: f64 = 1.25;
const CURVE_STEPS: u32 = 900;

/// A duty point reduced to rated speed.
#[derive(Debug, Clone, PartialEq)]
struct DutyPoint {
    /// As measured.
    flow_m3_s: f64,
    head_m: f64,
    speed_rad_s: f64,
    /// At rated speed: flow by the ratio of speeds, head by its square (ISO 9906).
    rated_flow_m3_s: f64,
    rated_head_m: f64,
    /// The supplier's curve at that flow, m.
    curve_head_m: f64,
    /// Grades within whose tolerances of flow and head some point of the curve lies.
    grades: Vec<Grade>,
}

/// What was read at the end of a start.
#[derive(Debug, Clone, Copy)]
struct Levels {
    flow_m3_s: f64,
    speed_rad_s: f64,
}

/// The section; `None` without a run.
pub(super) fn section(
    runs: &[RunData],
    aligned: &[Vec<AlignedCycle>],
    names: &[String],
    system: System,
) -> Option<Section> {
    let (mut rows, mut without) = (Vec::new(), Vec::new());
    for ((run, cycles), name) in runs.iter().zip(aligned).zip(names) {
        match duty_point(run, cycles) {
            Ok(point) => rows.push(row(name, &point, system)),
            Err(why) => without.push(format!("{name}: not measured: {why}")),
        }
    }
    let unit = |dimension| system.unit_name(dimension);
    let head = vec![
        "run".to_owned(),
        format!("flow, {}", unit(Dimension::Flow)),
        format!("total head, {}", unit(Dimension::Length)),
        format!("speed, {}", unit(Dimension::Speed)),
        format!("flow at rated speed, {}", unit(Dimension::Flow)),
        format!("head at rated speed, {}", unit(Dimension::Length)),
        format!("curve at that flow, {}", unit(Dimension::Length)),
        "head against the curve, %".to_owned(),
        "grades kept".to_owned(),
    ];
    let said = "Mean of the last second before each stop, reduced to rated speed: flow by the ratio of speeds, head by its square \
                (ISO 9906). A grade is kept where some point of the supplier's curve has the measured flow and head within the \
                grade's tolerances (ISO 9906:2012 table 8, ANSI/HI 14.6; efficiency is not judged). The uncertainty of the \
                measurement is not taken off the tolerance, as the code has it. One point of a bench is no acceptance test.";
    let mut pieces = Vec::new();
    if !rows.is_empty() {
        pieces.push(Piece::Table(Table { head, rows }));
        pieces.push(Piece::Text(said.to_owned()));
    }
    if !without.is_empty() {
        pieces.push(Piece::Points(without));
    }
    (!pieces.is_empty()).then(|| Section { heading: "Duty point against the supplier's curve".into(), pieces })
}

fn row(name: &str, point: &DutyPoint, system: System) -> Vec<String> {
    let shown = |si: f64, dimension| significant(system.number(si, dimension), DIGITS);
    let grades: Vec<&str> = point.grades.iter().map(|grade| grade.name()).collect();
    vec![
        name.to_owned(),
        shown(point.flow_m3_s, Dimension::Flow),
        shown(point.head_m, Dimension::Length),
        shown(point.speed_rad_s, Dimension::Speed),
        shown(point.rated_flow_m3_s, Dimension::Flow),
        shown(point.rated_head_m, Dimension::Length),
        shown(point.curve_head_m, Dimension::Length),
        format!("{:+.1}", 100.0 * (point.rated_head_m / point.curve_head_m - 1.0)),
        if grades.is_empty() { "none".to_owned() } else { grades.join(", ") },
    ]
}

/// The pump with its element.
fn pump_of(rig: &Rig) -> Option<(&ElementSpec, Pump)> {
    let found = rig.network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(spec) if !spec.curve.is_empty() => Some((element, spec)),
        _ => None,
    });
    let (element, spec) = found?;
    let pump = Pump::new(&element.name, spec, rig.liquid.density_kg_m3, rig.liquid.gravity_m_s2).ok()?;
    Some((element, pump))
}

fn duty_point(run: &RunData, cycles: &[AlignedCycle]) -> Result<DutyPoint, String> {
    let rig = crate::rig::parse(&run.rig_text, "the rig file in the recording")
        .map_err(|_| "the rig file in the recording is not read any more".to_owned())?;
    let (element, pump) = pump_of(&rig).ok_or("the rig file has no curve of the supplier")?;
    let level = |wanted: &dyn Fn(&Channel) -> bool, what: &str| {
        let channel =
            rig.channels.iter().find(|channel| wanted(channel)).ok_or_else(|| format!("no channel measures {what}"))?;
        let place = run
            .channels
            .iter()
            .position(|info| info.id == channel.id)
            .ok_or_else(|| format!("no channel measures {what}"))?;
        let levels = cycles.iter().filter_map(|cycle| final_level(cycle.measured.get(place)?.start.as_ref()?).ok());
        let levels: Vec<f64> = levels.filter(|level| !level.is_nan()).collect();
        if levels.is_empty() {
            Err(format!("{} has no steady level", channel.id))
        } else {
            Ok((mean(&levels), channel))
        }
    };
    let at = |node: usize| move |channel: &Channel| channel.place == Some(Place::Node(node));
    let (flow_m3_s, _) = level(&|channel| channel.quantity == Quantity::Flow, "flow")?;
    let (speed_rad_s, _) = level(&|channel| channel.quantity == Quantity::ShaftSpeed, "the shaft's speed")?;
    let gauge = |node: usize, what: &str| {
        let (gauge_pa, channel) =
            level(&|channel| channel.quantity == Quantity::GaugePressure && at(node)(channel), what)?;
        let bore_m = bore_at(&rig, node).ok_or_else(|| format!("no pipe meets the tapping of {}", channel.id))?;
        Ok::<_, String>(Tapping { gauge_pa, elevation_m: channel.diaphragm_elevation_m, bore_m })
    };
    let (suction, discharge) = (gauge(element.from, "the pump's suction")?, gauge(element.to, "the pump's discharge")?);
    let head_m = total_head_m(&suction, &discharge, flow_m3_s, rig.liquid.density_kg_m3, rig.liquid.gravity_m_s2);
    reduced(&pump, Levels { flow_m3_s, speed_rad_s }, head_m)
}

/// Bore of a pipe that ends at a node, m.
fn bore_at(rig: &Rig, node: usize) -> Option<f64> {
    rig.network.elements.iter().filter(|element| element.from == node || element.to == node).find_map(|element| {
        match &element.kind {
            ElementKind::Pipe(pipe) => Some(pipe.bore_m),
            _ => None,
        }
    })
}

fn reduced(pump: &Pump, at: Levels, head_m: f64) -> Result<DutyPoint, String> {
    if !(at.speed_rad_s.abs() > 0.0 && at.flow_m3_s > 0.0) {
        return Err("the pump did not run forward with flow".to_owned());
    }
    let ratio = pump.rated_speed_rad_s() / at.speed_rad_s.abs();
    let (flow_m3_s, rated_head_m) = (at.flow_m3_s * ratio, head_m * ratio * ratio);
    let curve = |flow_m3_s: f64| pump.at(flow_m3_s, pump.rated_speed_rad_s()).head_m;
    let kept = |grade: &Grade| {
        let tolerances = grade.tolerances();
        (0..=CURVE_STEPS).any(|step| {
            let share = CURVE_FROM + (CURVE_TO - CURVE_FROM) * f64::from(step) / f64::from(CURVE_STEPS);
            let guaranteed_m3_s = share * flow_m3_s;
            tolerances.flow.holds(flow_m3_s, guaranteed_m3_s)
                && tolerances.head.holds(rated_head_m, curve(guaranteed_m3_s))
        })
    };
    Ok(DutyPoint {
        flow_m3_s: at.flow_m3_s,
        head_m,
        speed_rad_s: at.speed_rad_s,
        rated_flow_m3_s: flow_m3_s,
        rated_head_m,
        curve_head_m: curve(flow_m3_s),
        grades: Grade::ALL.into_iter().filter(kept).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bench() -> (Rig, Pump) {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
        let pump = pump_of(&rig).unwrap().1;
        (rig, pump)
    }

    #[test]
    fn law_a_point_of_the_curve_keeps_every_grade_at_any_speed() {
        let (_, pump) = bench();
        for share in [0.5, 0.8, 1.0, 1.1] {
            let (flow_m3_s, speed_rad_s) = (share * pump.rated_flow_m3_s(), share * pump.rated_speed_rad_s());
            // A hair above, since one grade allows nothing below.
            let head_m = pump.at(flow_m3_s, speed_rad_s).head_m * (1.0 + 1e-12);
            let point = reduced(&pump, Levels { flow_m3_s, speed_rad_s }, head_m).unwrap();
            assert_eq!(point.grades, Grade::ALL, "{point:?}");
            let off = (point.rated_head_m / point.curve_head_m - 1.0).abs();
            assert!(off < 1e-9, "expected the curve itself, off by {off:e} (affinity)");
        }
    }

    #[test]
    fn drops_the_grades_whose_tolerances_a_point_leaves() {
        let (_, pump) = bench();
        let (flow_m3_s, speed_rad_s) = (pump.rated_flow_m3_s(), pump.rated_speed_rad_s());
        let kept = |share: f64| {
            let head_m = share * pump.at(flow_m3_s, speed_rad_s).head_m;
            reduced(&pump, Levels { flow_m3_s, speed_rad_s }, head_m).unwrap().grades
        };
        // Flow and head may both be off: what counts is the nearest point of a falling curve.
        assert!(kept(0.95).contains(&Grade::B2) && !kept(0.95).contains(&Grade::U1), "{:?}", kept(0.95));
        assert!(kept(0.90).contains(&Grade::B2) && !kept(0.90).contains(&Grade::B1), "{:?}", kept(0.90));
        assert!(kept(0.70).is_empty(), "{:?}", kept(0.70));
        assert!(reduced(&pump, Levels { flow_m3_s: 0.0, speed_rad_s }, 10.0).is_err());
    }
}

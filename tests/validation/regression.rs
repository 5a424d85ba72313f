//! Regression, calibration, total head and acceptance tolerances against 09_signals_statistics.

use crate::harness::Sheet;
use ramprig::comparison::acceptance::{Grade, Reading, fluctuation};
use ramprig::hydraulics::pump_figures::{Tapping, total_head_m};
use ramprig::signal::calibration::{Calibration, Point};
use ramprig::signal::regression::{Fit, Shape, fit};
use ramprig::signal::statistics::one_way;

const FILE: &str = "09_signals_statistics";

/// What is checked by tests of other files.
const ELSEWHERE: &[&str] =
    &["strd-univ-", "gum-g4-", "t-table-", "butter-", "cfc-", "welch-", "repeat-", "logdec-", "rise", "xcorr-"];

fn finish(sheet: Sheet, own: &[&str], left_out: &[(&str, &str)]) {
    const OWN: &[&str] = &["strd-lr-", "strd-anova-", "gum-h3-", "cal-", "head-", "iso9906-"];
    let mut all: Vec<(&str, &str)> = left_out.to_vec();
    all.extend(ELSEWHERE.iter().map(|prefix| (*prefix, "signals.rs")));
    all.extend(OWN.iter().filter(|prefix| !own.contains(prefix)).map(|prefix| (*prefix, "another test of this file")));
    all.push(("ma-", "signals.rs"));
    sheet.finish(&all);
}

#[test]
fn published_strd_and_gum_regression() {
    const FUNCTION: &str = "signal::regression::fit";
    let mut sheet = Sheet::open(FILE, "signals-regression");
    for (prefix, shape) in [("strd-lr-Norris", Shape::Line), ("strd-lr-NoInt2", Shape::Proportional)] {
        for case in sheet.cases(prefix) {
            let of = fit(&case.si_list("x"), &case.si_list("y"), shape).unwrap();
            if shape == Shape::Line {
                sheet.check(&case, "B0", of.coefficients[0], FUNCTION);
                sheet.check(&case, "sd_B0", of.u_of(0), FUNCTION);
                sheet.check(&case, "F", of.f_ratio, FUNCTION);
            }
            sheet.check(&case, "B1", of.coefficients[1], FUNCTION);
            sheet.check(&case, "sd_B1", of.u_of(1), FUNCTION);
            sheet.check(&case, "residual_sd", of.residual_sd, FUNCTION);
            sheet.check(&case, "R2", of.r_squared, FUNCTION);
        }
    }
    for case in sheet.cases("gum-h3-") {
        let t: Vec<f64> = case.list("t_k").iter().map(|t| t - case.number("t0")).collect();
        let of: Fit = fit(&t, &case.list("b_k"), Shape::Line).unwrap();
        sheet.check(&case, "y1", of.coefficients[0], FUNCTION);
        sheet.check(&case, "s_y1", of.u_of(0), FUNCTION);
        sheet.check(&case, "y2", of.coefficients[1], FUNCTION);
        sheet.check(&case, "s_y2", of.u_of(1), FUNCTION);
        sheet.check(&case, "r_y1_y2", of.correlation(0, 1), "signal::regression::Fit::correlation");
        if case.id == "gum-h3-line" {
            sheet.check(&case, "s", of.residual_sd, FUNCTION);
        }
    }
    finish(sheet, &["strd-lr-", "gum-h3-"], &[]);
}

#[test]
fn published_strd_analysis_of_variance() {
    const FUNCTION: &str = "signal::statistics::one_way";
    let mut sheet = Sheet::open(FILE, "signals-anova");
    for case in sheet.cases("strd-anova-") {
        let groups = case.rows("groups");
        let of = one_way(&groups.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
        sheet.check(&case, "F", of.f_ratio(), FUNCTION);
        sheet.check(&case, "SS_between", of.between, FUNCTION);
        sheet.check(&case, "SS_within", of.within, FUNCTION);
        sheet.check(&case, "MS_between", of.between / of.dof_between, FUNCTION);
        sheet.check(&case, "MS_within", of.within / of.dof_within, FUNCTION);
        sheet.check(&case, "R2", of.between / (of.between + of.within), FUNCTION);
        sheet.check(&case, "residual_sd", of.pooled_s(), FUNCTION);
    }
    finish(sheet, &["strd-anova-"], &[]);
}

#[test]
fn published_calibration_lines_and_their_inversion() {
    let mut sheet = Sheet::open(FILE, "signals-calibration");
    for case in sheet.cases("cal-") {
        let (pressures, outputs) = (case.list("pressure"), case.list("output"));
        let pairs = pressures.iter().zip(&outputs);
        let points: Vec<Point> =
            pairs.map(|(reference, reading)| Point { reference: *reference, reading: *reading }).collect();
        let of = Calibration::new(&points, Shape::Line).unwrap();
        let function = "signal::calibration::Calibration::new";
        sheet.check(&case, "slope", of.fit().coefficients[1], function);
        sheet.check(&case, "intercept", of.fit().coefficients[0], function);
        sheet.check(&case, "residual_sd", of.fit().residual_sd, function);
        sheet.check(&case, "se_slope", of.fit().u_of(1), function);
        sheet.check(&case, "se_intercept", of.fit().u_of(0), function);
        let reading = case.number("y0");
        sheet.check(&case, "x0", of.value(reading), "signal::calibration::Calibration::value");
        sheet.check(&case, "u_x0_single", of.u_value(reading), "signal::calibration::Calibration::u_value");
        let percent = 100.0 * of.nonlinearity();
        sheet.check(&case, "max_nonlinearity_pct_of_span", percent, "signal::calibration::Calibration::nonlinearity");
    }
    finish(sheet, &["cal-"], &[]);
}

#[test]
fn published_total_head_between_gauges() {
    let mut sheet = Sheet::open(FILE, "signals-head");
    for case in sheet.cases("head-") {
        let flow_m3_s = case.si("Q");
        let tapping = |pressure: &str, elevation_m: f64, bore: &str| Tapping {
            gauge_pa: case.si(pressure),
            elevation_m,
            bore_m: case.si(bore),
        };
        let suction = tapping("p_suction", 0.0, "D1");
        let discharge = tapping("p_discharge", case.si("dz_gauges"), "D2");
        sheet.check(&case, "v1", suction.velocity_m_s(flow_m3_s), "hydraulics::pump_figures::Tapping::velocity_m_s");
        sheet.check(&case, "v2", discharge.velocity_m_s(flow_m3_s), "hydraulics::pump_figures::Tapping::velocity_m_s");
        let head_m = total_head_m(&suction, &discharge, flow_m3_s, case.si("rho"), case.si("g"));
        sheet.check(&case, "H", head_m, "hydraulics::pump_figures::total_head_m");
    }
    finish(sheet, &["head-"], &[]);
}

#[test]
fn published_acceptance_tolerances() {
    const FUNCTION: &str = "comparison::acceptance::Grade::tolerances";
    let mut sheet = Sheet::open(FILE, "signals-acceptance");
    for case in sheet.cases("iso9906-2012-") {
        let of = Grade::of_name(case.text("grade")).unwrap().tolerances();
        sheet.check(&case, "flow", of.flow.to_string(), FUNCTION);
        sheet.check(&case, "head", of.head.to_string(), FUNCTION);
        sheet.check(&case, "efficiency", of.efficiency.to_string(), FUNCTION);
    }
    for case in sheet.cases("iso9906-1999-") {
        let of = Grade::of_name(case.text("class")).unwrap().tolerances();
        sheet.check(&case, "t_Q", 100.0 * of.flow.high.unwrap(), FUNCTION);
        sheet.check(&case, "t_H", 100.0 * of.head.high.unwrap(), FUNCTION);
        sheet.check(&case, "t_eta", 100.0 * of.efficiency.low, FUNCTION);
    }
    for case in sheet.cases("iso9906-fluct-") {
        let reading = match case.text("quantity") {
            "differential head" => Reading::DifferentialHead,
            "speed of rotation" => Reading::Speed,
            "flow rate" | "outlet head" | "inlet head" | "input power" | "torque" => Reading::Ordinary,
            other => panic!("{other}"),
        };
        for (name, share) in ["grade1", "grade2", "grade3"].iter().zip(fluctuation(reading)) {
            sheet.check(&case, name, 100.0 * share, "comparison::acceptance::fluctuation");
        }
    }
    finish(sheet, &["iso9906-"], &[]);
}

//! Head losses by the steady solver.

use super::bed::{chain, liquid, tank};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::roots::brent;
use ramprig::hydraulics::spec::{ElementKind, LiquidSpec, NetworkSpec, PipeSpec};
use ramprig::hydraulics::steady;

/// The case whose pipe has no fittings.
const WITHOUT_FITTINGS: &str = "dw-D0.0519-Q0.001";
/// Width of the bracket at which the search for a level ends, m.
const LEVEL_TOLERANCE_M: f64 = 1.0e-13;

#[test]
fn published_fluids_head_losses_in_steady_flow() {
    let mut sheet = Sheet::open("02_pipe_friction", "hydraulics-steady-losses");
    for case in sheet.cases("dw-") {
        let rough = pipe(&case);
        let friction_m = level_for_flow(&case, PipeSpec { minor_loss_k: 0.0, ..rough });
        sheet.check_si(&case, "h_friction", friction_m, "steady::solve");
        if case.id != WITHOUT_FITTINGS {
            let minor_m = level_for_flow(&case, PipeSpec { fixed_darcy_f: Some(0.0), ..rough });
            sheet.check_si(&case, "h_minor", minor_m, "steady::solve");
        }
    }
    let elsewhere = "not a steady state: checked with the friction functions";
    let figures = |name: &'static str| {
        ["dw-D0.0519-Q0.003/", "dw-D0.0779-Q0.01/", "dw-D0.0519-Q0.001/", "dw-D0.0635-Q0.006/"]
            .map(|id| (format!("{id}{name}"), elsewhere))
    };
    let by_figure: Vec<_> = ["V", "Re", "f_colebrook"].into_iter().flat_map(figures).collect();
    let mut left_out: Vec<(&str, &str)> = by_figure.iter().map(|(path, why)| (path.as_str(), *why)).collect();
    left_out.extend(["f-", "moody-", "hw-", "borda-"].map(|prefix| (prefix, elsewhere)));
    let minor = format!("{WITHOUT_FITTINGS}/h_minor");
    left_out.push((&minor, "a pipe without any loss carries any flow at no difference of level: nothing to solve"));
    sheet.finish(&left_out);
}

fn pipe(case: &Case) -> PipeSpec {
    PipeSpec {
        length_m: case.si("L"),
        bore_m: case.si("D"),
        roughness_m: case.si("eps"),
        wave_speed_m_s: 1000.0,
        minor_loss_k: case.si("sumK"),
        fixed_darcy_f: None,
        creep: None,
        lay_flat: None,
    }
}

/// Level difference of two tanks at which the pipe between them carries the case's flow.
fn level_for_flow(case: &Case, pipe: PipeSpec) -> f64 {
    let viscosity_m2_s = case.si("mu") / case.si("rho");
    let liquid = LiquidSpec { viscosity_m2_s, ..liquid(case.si("rho"), case.si("g")) };
    let flow_m3_s = |level_m: f64| {
        let network: NetworkSpec = chain(liquid, vec![tank(level_m), tank(0.0)], vec![ElementKind::Pipe(pipe)]);
        steady::solve(&network, 0.0).unwrap().flows_m3_s[0]
    };
    brent(|level_m| flow_m3_s(level_m) - case.si("Q"), 0.0, 100.0, LEVEL_TOLERANCE_M).unwrap()
}

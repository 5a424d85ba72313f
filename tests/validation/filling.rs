//! Rigid-column filling against independently computed values.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::filling::{self, LineToFill};

const ELSEWHERE: &str = "rigid columns and air pockets are checked beside their elements";

#[test]
fn published_rigid_column_filling() {
    let mut sheet = Sheet::open("05_rigid_column_air_filling", "filling");
    for case in sheet.cases("fill-").into_iter().filter(|case| !case.id.starts_with("fill-closed-")) {
        let line = with_friction(&case);
        let filled = filling::fill(&line).unwrap();
        sheet.check_si(&case, "t_full", filled.time_s, "filling::fill");
        sheet.check_si(&case, "v_front_at_full", filled.front_speed_m_s, "filling::fill");
        let quasi_steady_s = filling::fill_quasi_steady_s(&line).unwrap();
        sheet.check_si(&case, "t_quasi_steady", quasi_steady_s, "filling::fill_quasi_steady_s");
    }
    for case in sheet.cases("fill-closed-") {
        let filled = filling::fill(&without_friction(&case)).unwrap();
        sheet.check_si(&case, "v_front", filled.front_speed_m_s, "filling::fill");
        sheet.check_si(&case, "t_full", filled.time_s, "filling::fill");
    }
    let others =
        ["startup-", "potter-", "sudden-", "utube-", "surge-shaft-", "air-pocket-", "pocket-slam-", "priming-"];
    sheet.finish(&others.map(|prefix| (prefix, ELSEWHERE)));
}

fn with_friction(case: &Case) -> LineToFill {
    LineToFill {
        driving_head_m: case.si("H"),
        length_m: case.si("L"),
        wetted_m: case.si("x0"),
        bore_m: case.si("D"),
        darcy_f: case.si("f"),
        entry_k: case.si("K_entry"),
        slope_up: case.si("slope_up"),
        gravity_m_s2: case.si("g"),
    }
}

fn without_friction(case: &Case) -> LineToFill {
    LineToFill {
        driving_head_m: case.si("H"),
        length_m: case.si("L"),
        wetted_m: case.si("x0"),
        bore_m: 1.0,
        darcy_f: 0.0,
        entry_k: case.si("c=1+Ke") - 1.0,
        slope_up: 0.0,
        gravity_m_s2: case.si("g"),
    }
}

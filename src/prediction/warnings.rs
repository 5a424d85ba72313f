//! What a person should know of a prediction first: each warning with its physical reason and the number that shows it.

use crate::rig::derived::{coarse_words, why_no_water};
use crate::rig::model::Rig;
use crate::sequence::script::Script;
use crate::starters::StarterKind;

/// Every warning of a run at a step of `step_s`, whose first run-up takes `run_up_s`, with what was said of set speeds.
pub(super) fn of(rig: &Rig, script: &Script, step_s: f64, run_up_s: Option<f64>, speeds: &[String]) -> Vec<String> {
    let mut warnings: Vec<String> = Vec::new();
    for line_up in script.line_ups() {
        let id = rig.line_ups.get(line_up).map_or("", |line_up| line_up.id.as_str());
        warnings.extend(why_no_water(rig, line_up).map(|why| format!("line-up {id}: {why}")));
    }
    warnings.extend(speeds.iter().cloned());
    warnings.extend(coarse_words(rig, step_s, &times(rig, script, run_up_s)));
    warnings
}

/// What the machine does within a run, in words and s.
fn times(rig: &Rig, script: &Script, run_up_s: Option<f64>) -> Vec<(String, f64)> {
    let mut times = Vec::new();
    times.extend(run_up_s.map(|time_s| ("the run-up".to_owned(), time_s)));
    let ramped = rig.starters.get(script.starter).filter(|starter| starter.kind != StarterKind::AcrossTheLine);
    times.extend(ramped.and_then(|s| s.settings.ramp_down_s).map(|time_s| ("the ramp down".to_owned(), time_s)));
    if script.line_ups().len() > 1 {
        let name = |element: usize| rig.network.elements.get(element).map_or("", |element| element.name.as_str());
        times.extend(
            rig.strokes.iter().map(|(element, s)| (format!("the travel of valve {}", name(*element)), s.time_s)),
        );
    }
    if let Some(valve) = &rig.control_valve {
        times.push(("the control valve's emergency closing".to_owned(), valve.spec.emergency.time_s));
    }
    times
}

//! The time step against what it must show: waves, the motor's supply, run-ups and strokes of valves.

use super::delivery_reflection_time_s;
use crate::rig::model::Rig;
use crate::units::display::significant;

/// Steps that something must take, or its peak is flattened (common practice, no source).
const FEWEST_STEPS: f64 = 10.0;

/// The step by which pipe ends, valves and the shaft advance at the rig's time step: two of it (half grid), s.
pub fn boundary_step_s(rig: &Rig) -> f64 {
    2.0 * rig.time_step_s
}

/// Why no prediction can be made at the rig's time step: what it is held against in words and s; `None`: one can.
pub fn too_coarse(rig: &Rig) -> Option<(String, f64)> {
    let step_s = boundary_step_s(rig);
    let reflection_s = delivery_reflection_time_s(&rig.network);
    let period_s = 1.0 / rig.motor.frequency_hz;
    let wave = format!(
        "2L/a of the delivery line is {}: a wave would be back before one step is over",
        milliseconds(reflection_s)
    );
    let supply =
        format!("a period of the motor's supply is {}: a step beyond it sees no contactor act", milliseconds(period_s));
    if reflection_s > 0.0 && step_s > reflection_s {
        return Some((wave, reflection_s));
    }
    (step_s > period_s * (1.0 + 1e-9)).then_some((supply, period_s))
}

/// What takes fewer than ten steps of `step_s`, of `times` in words and s, and the delivery line's waves: one warning;
/// `None`: nothing does.
pub fn coarse_words(rig: &Rig, step_s: f64, times: &[(String, f64)]) -> Option<String> {
    let wave = ("2L/a of the delivery line".to_owned(), delivery_reflection_time_s(&rig.network));
    let short = std::iter::once(&wave).chain(times).filter(|(_, time_s)| *time_s > 0.0);
    let (what, time_s) = short.min_by(|a, b| a.1.total_cmp(&b.1))?;
    (*time_s < FEWEST_STEPS * step_s * (1.0 - 1e-6)).then(|| {
        format!(
            "the time step is coarse: {what} is {}, {} steps of {} (pipe ends, valves and shaft advance by two time steps): \
             peaks made within it are flattened; try: time_step = \"{}\"",
            milliseconds(*time_s),
            significant(time_s / step_s, 2),
            milliseconds(step_s),
            milliseconds(0.5 * time_s / FEWEST_STEPS)
        )
    })
}

fn milliseconds(time_s: f64) -> String {
    format!("{} ms", significant(1e3 * time_s, 3))
}

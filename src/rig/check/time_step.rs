//! A time step that waves and motor fit into.

use crate::rig::derived::too_coarse;
use crate::rig::model::Rig;
use crate::rig::reader::{Document, Spot};

/// Compares the time step with the delivery line's waves and the motor's supply (needs a compiled rig).
pub(in crate::rig) fn time_step(document: &Document<'_>, rig: &Rig, rig_spot: &Spot) {
    let Some((why, most_s)) = too_coarse(rig) else { return };
    let spot = Spot { key_path: format!("{}.time_step", rig_spot.key_path), ..rig_spot.clone() };
    let found =
        format!("a time step of {:.3} ms, by two of which pipe ends, valves and shaft advance", 1e3 * rig.time_step_s);
    document.note(&spot, found, format!("at most {:.3} ms, since {why}", 0.5e3 * most_s), None);
}

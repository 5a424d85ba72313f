//! `[uncertainty]` as typed: half-widths as shares (levels in m); what is left out keeps its default.

use crate::rig::reader::Cursor;
use crate::rig::uncertainty::Uncertainty;
use crate::units::Want;

/// `[uncertainty]`, which may be left out.
pub(super) fn read(root: &Cursor<'_>) -> Uncertainty {
    let assumed = Uncertainty::default();
    let Some(table) = root.table("uncertainty") else { return assumed };
    // Beyond these a member would be another machine, not the same one known less well.
    let share = |key: &str, most: f64, stand_in: f64| table.number(key, 0.0..=most).unwrap_or(stand_in);
    let read = Uncertainty {
        wave_speed: share("wave_speed", 0.5, assumed.wave_speed),
        roughness: share("roughness", 0.95, assumed.roughness),
        losses: share("losses", 0.9, assumed.losses),
        pump_head: share("pump_head", 0.2, assumed.pump_head),
        pump_flow: share("pump_flow", 0.2, assumed.pump_flow),
        inertia: share("inertia", 0.5, assumed.inertia),
        motor_torque: share("motor_torque", 0.3, assumed.motor_torque),
        ramp_time: share("ramp_time", 0.5, assumed.ramp_time),
        level_m: table.quantity("level", &Want::LENGTH.between(0.0, 10.0)).unwrap_or(assumed.level_m),
    };
    table.close();
    read
}

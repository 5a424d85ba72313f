//! A pipe or hose as typed.

use super::network::WaveSpeed;
use super::{Assumptions, or_nan};
use crate::hydraulics::spec::{LiquidSpec, PipeSpec};
use crate::rig::reader::Cursor;
use crate::units::Want;

/// Reads `[[pipe]]` or `[[hose]]`.
pub(super) fn pipe(
    table: &Cursor<'_>,
    _is_hose: bool,
    _liquid: &LiquidSpec,
    assumed: &mut Assumptions,
) -> (PipeSpec, WaveSpeed) {
    let spec = PipeSpec {
        length_m: or_nan(table.need_quantity("length", &Want::LENGTH)),
        bore_m: or_nan(table.need_quantity("bore", &Want::LENGTH)),
        roughness_m: assumed.take(
            table.quantity("roughness", &Want::LENGTH),
            50e-6,
            "roughness 0.05 mm where the file does not say",
        ),
        wave_speed_m_s: or_nan(table.need_quantity("wave_speed", &Want::VELOCITY)),
        minor_loss_k: table.number("minor_loss", 0.0..=1000.0).unwrap_or(0.0),
        fixed_darcy_f: table.number("darcy_friction_factor", 1e-4..=1.0),
    };
    (spec, WaveSpeed::Said)
}

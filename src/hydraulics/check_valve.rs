//! Check valves that close at zero flow.
//!
//! Range: Kv above 0, cracking head 0 or more. Accuracy: opens and shuts within the step in which flow turns; no reverse flow
//! (`law_volume_balances_and_check_valves_pass_one_way`), time of opening against scipy in
//! `published_starts_and_trips_of_motor_pump_and_line`. A real valve is late: see `moc::boundary::disc_valve`.
//! Source: an ideal valve, by definition; its loss IEC 60534-1.

use super::error::HydraulicsError;
use super::spec::CheckValveSpec;
use super::valve::kv_loss_s2_m5;

/// Flow below which a backward flow closes the valve, m3/s: solver noise, not a property of the valve.
const CLOSING_FLOW_M3_S: f64 = 1.0e-12;
/// Head above the cracking head that opens it, m: solver noise as well.
const OPENING_HEAD_M: f64 = 1.0e-9;

/// A check valve and whether it stands open.
///
/// Open: `H_from - H_to = cracking + r Q|Q|`. Shut: `Q = 0`. It opens when the head across it exceeds the cracking
/// head and shuts when its flow turns back, within the time step in which that happens.
#[derive(Debug, Clone)]
pub(crate) struct CheckValve {
    pub(crate) loss_s2_m5: f64,
    pub(crate) cracking_head_m: f64,
    pub(crate) open: bool,
}

impl CheckValve {
    pub(crate) fn new(name: &str, spec: &CheckValveSpec, gravity_m_s2: f64) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        if !(spec.kv_m3_h > 0.0 && spec.kv_m3_h.is_finite()) {
            return refuse("Kv", spec.kv_m3_h, "m3/h", "above 0");
        }
        if !(spec.cracking_head_m >= 0.0 && spec.cracking_head_m.is_finite()) {
            return refuse("cracking head", spec.cracking_head_m, "m", "0 or more");
        }
        let loss_s2_m5 = kv_loss_s2_m5(spec.kv_m3_h, gravity_m_s2);
        Ok(Self { loss_s2_m5, cracking_head_m: spec.cracking_head_m, open: false })
    }

    /// True when the state just solved contradicts the position the valve was solved in.
    pub(crate) fn must_move(&self, head_across_m: f64, flow_m3_s: f64) -> bool {
        if self.open { flow_m3_s < -CLOSING_FLOW_M3_S } else { head_across_m > self.cracking_head_m + OPENING_HEAD_M }
    }
}

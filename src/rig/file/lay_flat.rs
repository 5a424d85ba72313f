//! `lay_flat = true` of a hose, and how it folds.

use super::Assumptions;
use crate::hydraulics::spec::{KinkSpec, LayFlatSpec, LiquidSpec};
use crate::rig::reader::Cursor;
use crate::units::{Dimension, Want};

/// Keys that mean something only beside `lay_flat = true`.
const KEYS: [&str; 6] = ["rounding_pressure", "slack", "slack_pressure", "kink", "kink_at", "kink_pressure"];
/// Share of the area that a jacket gives before its threads are stretched, where nothing says: from memory.
const SLACK_SHARE: f64 = 0.01;
/// Pressure at which most of that is given, where nothing says, Pa: from memory.
const SLACK_PA: f64 = 0.5e5;

/// `lay_flat`, `rounding_pressure`, `slack`, `slack_pressure`, `kink`, `kink_at`, `kink_pressure`.
///
/// `area_swell`: growth of the area that the hose's `swell` stands for.
pub(super) fn lay_flat(
    table: &Cursor<'_>,
    (is_hose, bore_m): (bool, f64),
    area_swell: Option<f64>,
    liquid: &LiquidSpec,
    assumed: &mut Assumptions,
) -> Option<LayFlatSpec> {
    let wanted = table.flag("lay_flat").unwrap_or(false);
    if !wanted || !is_hose {
        refuse(table, wanted);
        return None;
    }
    let id = table.text("id").map(|id| id.text).unwrap_or_default();
    let weight_pa = liquid.density_kg_m3 * liquid.gravity_m_s2 * bore_m;
    let rounding = table.quantity("rounding_pressure", &Want::PRESSURE_DIFFERENCE.between(10.0, 2e4));
    let rounding_pa = assumed.take(
        rounding,
        weight_pa,
        &format!("hose {id} is pressed round by the weight of water one bore high, {:.1} mbar", weight_pa / 100.0),
    );
    let share = area_swell.map_or(SLACK_SHARE, |growth| 0.5 * growth);
    let slack = table.quantity("slack", &Want::from_zero(Dimension::Share, "\"2 %\"").between(0.0, 0.5));
    let slack_line =
        format!("the jacket of hose {id} gives {:.1} % of its area before its threads stretch", share * 100.0);
    let slack_pressure = table.quantity("slack_pressure", &Want::PRESSURE_DIFFERENCE.between(1e2, 1e6));
    Some(LayFlatSpec {
        rounding_pa,
        slack_share: assumed.take(slack, share, &slack_line),
        slack_pa: assumed.take(slack_pressure, SLACK_PA, &format!("most of that below {} bar", SLACK_PA / 1e5)),
        kink: kink(table),
    })
}

fn refuse(table: &Cursor<'_>, wanted: bool) {
    if wanted {
        let allowed = "lay_flat on a [[hose]] only: a pipe stays round";
        table.note("lay_flat", "a pipe that lies flat", allowed, None);
    }
    for key in KEYS {
        if table.has(key) && !wanted {
            table.note(key, format!("{key} without lay_flat"), "lay_flat = true beside it", None);
        }
        table.mark_read(key);
    }
}

/// `kink`: a loss coefficient on the hose's velocity head, at a share of its length; `kink_pressure` halves it.
fn kink(table: &Cursor<'_>) -> Option<KinkSpec> {
    let loss_k = table.number("kink", 0.0..=1e5);
    let share = table.quantity("kink_at", &Want::from_zero(Dimension::Share, "\"50 %\"").between(0.0, 1.0));
    let opens_pa = table.quantity("kink_pressure", &Want::PRESSURE_DIFFERENCE);
    for key in ["kink_at", "kink_pressure"] {
        if table.has(key) && !table.has("kink") {
            table.note(key, format!("{key} without kink"), "kink = 50 (a loss coefficient) beside it", None);
        }
    }
    loss_k.map(|loss_k| KinkSpec { share: share.unwrap_or(0.5), loss_k, opens_pa: opens_pa.unwrap_or(f64::INFINITY) })
}

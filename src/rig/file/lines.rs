//! What lines hold before a start, water or air, and how the pump deals with air.

use super::or_nan;
use crate::hydraulics::plant::SelfPriming;
use crate::hydraulics::priming::AirHandling;
use crate::rig::model::Lines;
use crate::rig::reader::Cursor;
use crate::units::{Dimension, Want};

/// `line` and `suction` of a line-up: `full` or `drained`; without `line` no air is followed at all.
pub(super) fn lines(line_up: &Cursor<'_>) -> Option<Lines> {
    let words = [("full", false), ("drained", true)];
    let discharge_drained = line_up.word("line", &words);
    let suction_drained = line_up.word("suction", &words);
    if line_up.has("suction") && !line_up.has("line") {
        let allowed = "line = \"full\" or \"drained\" beside it";
        line_up.note("suction", "suction without line", allowed, None);
    }
    discharge_drained
        .map(|discharge_drained| Lines { discharge_drained, suction_drained: suction_drained.unwrap_or(false) })
}

/// `self_priming` of the pump: what it draws with a charged casing.
pub(super) fn self_priming(pump: &Cursor<'_>) -> Option<SelfPriming> {
    let table = pump.table("self_priming")?;
    let volume = Want::from_zero(Dimension::Volume, "\"4 l\", \"1 gal\"");
    let priming = SelfPriming {
        air: AirHandling {
            free_air_m3_s: or_nan(table.need_quantity("air_rate", &Want::FLOW)),
            vacuum_max_pa: or_nan(table.need_quantity("vacuum", &Want::PRESSURE_DIFFERENCE.between(1e3, 1.1e5))),
        },
        casing_air_m3: or_nan(table.need_quantity("casing_air", &volume)),
        leak_m3_s: table.quantity("leak", &Want::FLOW_FROM_ZERO).unwrap_or(0.0),
    };
    table.close();
    Some(priming)
}

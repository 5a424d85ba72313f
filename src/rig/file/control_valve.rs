//! `[[control_valve]]` as typed: what its own controller does. Body and ends are read as those of any valve.

use super::{Assumptions, or_nan};
use crate::rig::reader::Cursor;
use crate::starters::control_valve::{ControlValveSpec, OnLossOfSupply, OpensAfter, Stroke};
use crate::starters::ramp_shape::RampShape;
use crate::units::{Dimension, Want};

/// Where the limit switch may sit.
const LIMIT_SWITCH: Want = Want::from_zero(Dimension::Share, "\"5 %\"").between(0.0, 0.95);

/// `opens`, `opening_delay`, `opening_time`, `opening_law`, `closing_time`, `closing_law`, `limit_switch`, `emergency_time`,
/// `emergency_law`, `on_loss_of_supply`.
pub(super) fn control(table: &Cursor<'_>, assumed: &mut Assumptions) -> ControlValveSpec {
    let opens = [("at-speed", OpensAfter::AtSpeed), ("with-start", OpensAfter::Start)];
    let without = [("closes", OnLossOfSupply::Closes), ("stays", OnLossOfSupply::Stays)];
    ControlValveSpec {
        opens_after: assumed.take(
            table.word("opens", &opens),
            OpensAfter::AtSpeed,
            "a control valve opens once the motor is at speed",
        ),
        opening_delay_s: table.quantity("opening_delay", &Want::TIME_FROM_ZERO.between(0.0, 600.0)).unwrap_or(0.0),
        opening: stroke(table, "opening"),
        closing: stroke(table, "closing"),
        limit_switch: assumed.take(
            table.quantity("limit_switch", &LIMIT_SWITCH),
            0.0,
            "the limit switch of a control valve cuts the motor when the valve is shut",
        ),
        emergency: stroke(table, "emergency"),
        on_loss_of_supply: table.need_word("on_loss_of_supply", &without).unwrap_or(OnLossOfSupply::Stays),
    }
}

/// `NAME_time` and `NAME_law`: pairs of (share of the time, share of the stroke), straight where there is none.
fn stroke(table: &Cursor<'_>, name: &str) -> Stroke {
    let share = Want::from_zero(Dimension::Share, "[\"40 %\", \"80 %\"]").between(0.0, 1.0);
    let key = format!("{name}_law");
    let law = table.pairs(&key, &share, &share).map_or(RampShape::Linear, RampShape::Profile);
    if !law.is_sound() {
        let allowed = "pairs of (share of the time, share of the stroke) from 0 % and 0 % to 100 % and 100 %, time rising, the \
                       stroke never going back";
        table.note(&key, "a law that is no stroke", allowed, None);
    }
    let time_s = or_nan(table.need_quantity(&format!("{name}_time"), &Want::TIME.between(0.01, 3600.0)));
    Stroke { time_s, law }
}

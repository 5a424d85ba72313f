//! What a hold with a set point holds, and which side runs the controller.
//!
//! ```toml
//! set_point = { controller = "drive" }   # the drive's own, as set at its panel (`set_point` of its [[starter]])
//! set_point = { controller = "program", channel = "p_discharge", at = "1.2 barg", span = "2 bar", gain = 0.2,
//!               integral_time = "2 s", tick = "500 ms", lowest_speed = 0.4, highest_speed = 1.0 }
//! ```
//!
//! The program reads the mean of the channel's last 0.1 s and writes the drive's set speed once a tick, read back each
//! time. The channel reads a pressure or a flow, and `at` and `span` are one, too (`at = "12 m3/h", span = "30 m3/h"`); a level
//! is held by the pressure channel that stands in it. With `delay` the controller acts on the value as it was that long ago.

use crate::rig::model::{Channel, Quantity, Rig};
use crate::rig::reader::{Cursor, nearest};
use crate::starters::StarterKind;
use crate::starters::set_point::{Controlled, SetPointSettings};
use crate::units::Want;

/// A program's controller may not look more often than this, s: each look is a write on the bus with its read-back.
const SHORTEST_TICK_S: f64 = 0.2;
/// As the controller itself allows, s.
const LONGEST_DELAY_S: f64 = 60.0;

/// Who holds what.
#[derive(Debug, Clone, PartialEq)]
pub enum Held {
    /// The drive's own controller, which its panel sets.
    Drive,
    /// This program, by the drive's set speed.
    Program {
        /// Channel, index into the rig's.
        channel: usize,
        /// The controller.
        settings: SetPointSettings,
    },
}

/// `set_point` of a hold through `starter`; `None` without one, or with one that was refused.
pub(super) fn read(table: &Cursor<'_>, rig: &Rig, starter: usize) -> Option<Held> {
    let table = table.table("set_point")?;
    let by_program = table.need_word("controller", &[("drive", false), ("program", true)]);
    let drive = rig.starters.get(starter).filter(|starter| starter.kind == StarterKind::VariableSpeed);
    let has_own = drive.is_some_and(|drive| drive.panel.set_point.is_some());
    let held = match by_program? {
        false => {
            if !has_own {
                let allowed = "a drive whose [[starter]] has a set_point, or controller = \"program\"";
                table.note("controller", "the drive's own controller, which this starter does not have", allowed, None);
            }
            Some(Held::Drive)
        }
        true => {
            if drive.is_none() || has_own {
                let found =
                    "a program that sets the speed of a starter which has no set speed or a controller of its own";
                table.note("controller", found, "a drive without set_point in the rig file", None);
            }
            program(&table, rig, starter)
        }
    };
    table.close();
    held
}

fn program(table: &Cursor<'_>, rig: &Rig, starter: usize) -> Option<Held> {
    let channel = held_channel(table, rig);
    let starter = rig.starters.get(starter)?;
    let least = starter.settings_min.speed.unwrap_or(0.0);
    let most = starter.settings_max.speed.unwrap_or(1.2);
    let flow = channel.is_some_and(|index| rig.channels[index].quantity == Quantity::Flow);
    let (of_value, of_span) = match flow {
        true => (&Want::FLOW, &Want::FLOW),
        false => (&Want::GAUGE, &Want::PRESSURE_DIFFERENCE),
    };
    let at = table.need_quantity("at", of_value);
    let span = table.need_quantity("span", of_span);
    let gain = table.need_number("gain", 0.0..=1000.0);
    let integral_s = table.need_quantity("integral_time", &Want::TIME);
    let tick_s = table.need_quantity("tick", &Want::TIME.between(SHORTEST_TICK_S, 60.0));
    let delay_s = table.quantity("delay", &Want::TIME_FROM_ZERO.between(0.0, LONGEST_DELAY_S)).unwrap_or(0.0);
    let lowest_speed = table.need_number("lowest_speed", least..=most);
    let highest_speed = table.need_number("highest_speed", least..=most);
    let sign = if table.flag("faster_lowers").unwrap_or(false) { -1.0 } else { 1.0 };
    let channel = channel?;
    let settings = SetPointSettings {
        controlled: Controlled::Channel { channel },
        set_point: at?,
        span: sign * span?,
        gain: gain?,
        integral_s: integral_s?,
        tick_s: tick_s?,
        delay_s,
        lowest_speed: lowest_speed?,
        highest_speed: highest_speed?,
    };
    if settings.lowest_speed > settings.highest_speed {
        let found = format!("{}", settings.lowest_speed);
        table.note("lowest_speed", found, format!("at most highest_speed, {}", settings.highest_speed), None);
    }
    Some(Held::Program { channel, settings })
}

fn held_channel(table: &Cursor<'_>, rig: &Rig) -> Option<usize> {
    let wanted = table.need_text("channel")?;
    let can_be_held = |channel: &Channel| matches!(channel.quantity, Quantity::GaugePressure | Quantity::Flow);
    let found = rig.channel_index(&wanted.text).filter(|i| can_be_held(&rig.channels[*i]));
    if found.is_none() {
        let held = rig.channels.iter().filter(|channel| can_be_held(channel));
        let ids: Vec<&str> = held.map(|channel| channel.id.0.as_str()).collect();
        let hint = nearest(&wanted.text, ids.iter().copied()).map(str::to_owned);
        let allowed = format!("a pressure or flow channel: {}", ids.join(", "));
        table.note("channel", format!("{:?}", wanted.text), allowed, hint);
    }
    found
}

//! What is set at a starter itself, as typed: keys of `[[starter]]` that no register holds.

use super::{need_name, or_nan};
use crate::rig::reader::{Cursor, Text};
use crate::starters::PanelSettings;
use crate::starters::panel::{DutyRating, Kick, SoftStop, StarDelta};
use crate::starters::ramp_shape::RampShape;
use crate::starters::set_point::{Controlled, SetPointSettings};
use crate::units::{Dimension, Want};

/// Panel settings; the node of a set point is still a name.
#[derive(Debug)]
pub struct PanelEntry {
    /// Everything but the node.
    pub settings: PanelSettings,
    /// Node of the set point, where it has one.
    pub node: Option<Text>,
}

impl PanelEntry {
    /// The settings with the set point's node filled in; `None` when the name does not resolve.
    pub(in crate::rig) fn resolved(&self, find: impl Fn(&Text) -> Option<usize>) -> Option<PanelSettings> {
        let mut settings = self.settings.clone();
        if let (Some(name), Some(control)) = (&self.node, &mut settings.set_point) {
            let node = find(name)?;
            control.controlled = match control.controlled {
                Controlled::Pressure { .. } => Controlled::Pressure { node },
                Controlled::Level { .. } => Controlled::Level { node },
                elsewhere @ (Controlled::Flow | Controlled::Channel { .. }) => elsewhere,
            };
        }
        Some(settings)
    }
}

/// `star_delta`, `kick`, `soft_stop`, `duty_rating`, `torque_limit`, `braking_torque`, `ramp_up_shape` or `ramp_up_profile` (and down), `set_point`.
pub(super) fn read(table: &Cursor<'_>) -> PanelEntry {
    let (set_point, node) = set_point(table).unzip();
    let settings = PanelSettings {
        star_delta: star_delta(table),
        kick: kick(table),
        soft_stop: table
            .word("soft_stop", &[("voltage", SoftStop::Voltage), ("torque", SoftStop::Torque)])
            .unwrap_or_default(),
        ramp_up_shape: shape(table, "ramp_up_shape", "ramp_up_profile"),
        ramp_down_shape: shape(table, "ramp_down_shape", "ramp_down_profile"),
        set_point,
        torque_limit: table.number("torque_limit", 0.1..=5.0),
        braking_torque: table.number("braking_torque", 0.0..=2.0),
        duty_rating: duty_rating(table),
    };
    PanelEntry { settings, node: node.flatten() }
}

fn star_delta(table: &Cursor<'_>) -> Option<StarDelta> {
    let table = table.table("star_delta")?;
    let entry = StarDelta {
        star_s: or_nan(table.need_quantity("star", &Want::TIME.between(1e-3, 60.0))),
        pause_s: or_nan(table.need_quantity("pause", &Want::TIME_FROM_ZERO.between(0.0, 1.0))),
    };
    table.close();
    Some(entry)
}

fn kick(table: &Cursor<'_>) -> Option<Kick> {
    let table = table.table("kick")?;
    let entry = Kick {
        voltage: or_nan(table.need_number("voltage", 0.1..=1.0)),
        time_s: or_nan(table.need_quantity("time", &Want::TIME.between(1e-3, 2.0))),
    };
    table.close();
    Some(entry)
}

/// `duty_rating = { current, time, starts_per_hour }`, and `rated_current` where it is not the motor's full-load current.
fn duty_rating(table: &Cursor<'_>) -> Option<DutyRating> {
    let table = table.table("duty_rating")?;
    let starts = table.need_integer("starts_per_hour", 1..=3600);
    let entry = DutyRating {
        rated_current_a: table.quantity("rated_current", &Want::positive(Dimension::Current, "\"12 A\"")),
        current: or_nan(table.need_number("current", 1.0..=10.0)),
        time_s: or_nan(table.need_quantity("time", &Want::TIME.between(0.1, 600.0))),
        starts_per_hour: starts.and_then(|starts| u32::try_from(starts).ok()).unwrap_or(0),
    };
    table.close();
    Some(entry)
}

fn shape(table: &Cursor<'_>, word: &str, profile: &str) -> RampShape {
    let share = Want::from_zero(Dimension::Share, "[\"30 %\", \"50 %\"]").between(0.0, 1.0);
    let named = table.word(word, &[("straight", false), ("s", true)]);
    let points = table.pairs(profile, &share, &share);
    if named.is_some() && points.is_some() {
        table.note(profile, "a profile beside a shape", "one of the two", None);
    }
    match (named, points) {
        (Some(true), _) => RampShape::S,
        (_, Some(points)) => {
            let shape = RampShape::Profile(points);
            if !shape.is_sound() {
                let allowed = "pairs of (share of ramp time, share of the change) from 0 % and 0 % to 100 % and 100 %, \
                               time rising, the change never falling back";
                table.note(profile, "a profile that is no ramp", allowed, None);
            }
            shape
        }
        _ => RampShape::Linear,
    }
}

fn set_point(table: &Cursor<'_>) -> Option<(SetPointSettings, Option<Text>)> {
    let table = table.table("set_point")?;
    let here = usize::MAX;
    let words = [
        ("pressure", Controlled::Pressure { node: here }),
        ("flow", Controlled::Flow),
        ("level", Controlled::Level { node: here }),
    ];
    let controlled = table.need_word("of", &words).unwrap_or(Controlled::Flow);
    let (want, span) = match controlled {
        Controlled::Pressure { .. } | Controlled::Channel { .. } => (Want::GAUGE, Want::PRESSURE_DIFFERENCE),
        Controlled::Flow => (Want::FLOW_FROM_ZERO, Want::FLOW),
        Controlled::Level { .. } => (Want::ELEVATION, Want::LENGTH),
    };
    let node = (controlled != Controlled::Flow).then(|| need_name(&table, "node"));
    let span = or_nan(table.need_quantity("span", &span));
    let settings = SetPointSettings {
        controlled,
        set_point: or_nan(table.need_quantity("at", &want)),
        span: if table.flag("faster_lowers").unwrap_or(false) { -span } else { span },
        gain: or_nan(table.need_number("gain", 0.0..=1000.0)),
        integral_s: or_nan(table.need_quantity("integral_time", &Want::TIME)),
        tick_s: or_nan(table.need_quantity("tick", &Want::TIME.between(1e-3, 60.0))),
        delay_s: or_nan(table.need_quantity("delay", &Want::TIME_FROM_ZERO.between(0.0, 60.0))),
        lowest_speed: or_nan(table.need_number("lowest_speed", 0.0..=1.2)),
        highest_speed: or_nan(table.need_number("highest_speed", 0.0..=1.2)),
    };
    table.close();
    Some((settings, node))
}

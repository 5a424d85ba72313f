//! What a starter does with its [`Settings`]: what each is relative to, what is assumed where one is not given, and
//! what is refused.
//!
//! | setting | soft starter | drive |
//! |---|---|---|
//! | `ramp_up_s` | initial to full voltage, whatever the motor does; 5 s if not given | standstill to **rated** frequency (a target of 0.8 takes 0.8 of it); 5 s if not given |
//! | `ramp_down_s` | full to initial voltage, then off; not given: off at once | rated frequency to standstill; as `ramp_up_s` if not given |
//! | `initial_voltage` | share of line voltage at the first instant; 0.4 if not given | - |
//! | `current_limit` | motor current, multiple of full-load current; none if not given | the same; 1.5 if not given |
//! | `speed` | - | share of rated frequency; 1.0 if not given |
//! | `set_point` | - | value that the drive's own controller holds, SI; that of its panel if not given |
//! | `comm_timeout_s` | - | - |
//!
//! A starter does not look at a setting it does not have (`-`); refusing such a setting is the rig check's business.
//! The assumed values are common practice, no source.

use super::{Settings, StarterError, StarterKind};

/// Assumed ramp time, s.
pub const RAMP_S: f64 = 5.0;
/// Assumed initial voltage of a soft starter, share of line voltage.
pub const INITIAL_VOLTAGE: f64 = 0.4;
/// Assumed current limit of a drive, multiple of the motor's full-load current.
pub const DRIVE_CURRENT_LIMIT: f64 = 1.5;

/// `over` where it says something, else `under`.
pub(super) fn merge(over: &Settings, under: &Settings) -> Settings {
    Settings {
        ramp_up_s: over.ramp_up_s.or(under.ramp_up_s),
        ramp_down_s: over.ramp_down_s.or(under.ramp_down_s),
        initial_voltage: over.initial_voltage.or(under.initial_voltage),
        current_limit: over.current_limit.or(under.current_limit),
        speed: over.speed.or(under.speed),
        set_point: over.set_point.or(under.set_point),
        comm_timeout_s: over.comm_timeout_s.or(under.comm_timeout_s),
    }
}

/// Refuse what no starter can do: NaN, a negative time, a voltage above the line's.
pub(super) fn check(starter: &str, kind: StarterKind, settings: &Settings) -> Result<(), StarterError> {
    let soft = kind == StarterKind::SoftStarter;
    let drive = kind == StarterKind::VariableSpeed;
    let rows = [
        ("ramp_up_s", settings.ramp_up_s, soft || drive, 0.0, 3600.0, "s"),
        ("ramp_down_s", settings.ramp_down_s, soft || drive, 0.0, 3600.0, "s"),
        ("initial_voltage", settings.initial_voltage, soft, 0.0, 1.0, "x line voltage"),
        ("current_limit", settings.current_limit, soft || drive, 0.5, 20.0, "x full-load current"),
        ("speed", settings.speed, drive, 0.0, 1.2, "x rated frequency"),
    ];
    for (setting, value, applies, low, high, unit) in rows {
        match value {
            Some(value) if applies && !(low..=high).contains(&value) => {
                return Err(StarterError::Setting { starter: starter.to_owned(), setting, value, low, high, unit });
            }
            _ => {}
        }
    }
    Ok(())
}

/// Share of a ramp done in a time step; a ramp without time is done at once.
pub(super) fn ramp_share(dt_s: f64, ramp_s: f64) -> f64 {
    if ramp_s > dt_s { dt_s / ramp_s } else { 1.0 }
}

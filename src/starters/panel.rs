//! What is set at a starter itself, by its own panel, and not over the bus: connection of the windings, kick, kind of soft
//! stop, shape of the ramps, set-point control. All of it is off unless a rig file says otherwise.
//!
//! | setting | starter | relative to |
//! |---|---|---|
//! | `star_delta.star_s` | across the line | from the star contactor's closing to its opening |
//! | `star_delta.pause_s` | across the line | no voltage between star and delta |
//! | `kick.voltage` | soft starter | share of line voltage, before the ramp begins; the current limit does not act then |
//! | `kick.time_s` | soft starter | added to the ramp time, which starts afterwards at the initial voltage |
//! | `soft_stop` | soft starter | what falls over `ramp_down_s`: voltage straight from full to initial, then off; or torque straight from that at the stop to nothing |
//! | `duty_rating` | soft starter | current as a multiple of its rated current (the motor's full-load current if not given), time of a start, starts an hour |
//! | `torque_limit` | drive | motor torque, multiple of the motor's rated torque; the current limit acts beside it |
//! | `braking_torque` | drive | torque against the rotation, multiple of rated torque; 0.05 if not given: no braking resistor |
//! | `ramp_up_shape`, `ramp_down_shape` | drive | the time and change of the straight ramp |
//! | `set_point` | drive | [`super::set_point`] |

use super::ramp_shape::RampShape;
use super::set_point::SetPointSettings;
use super::variable_speed::BRAKING_TORQUE;
use super::{StarterError, StarterKind};
use serde::{Deserialize, Serialize};

/// All of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[serde(default)]
pub struct PanelSettings {
    /// Across the line: windings in star first, then in delta.
    pub star_delta: Option<StarDelta>,
    /// Soft starter: a kick before the ramp.
    pub kick: Option<Kick>,
    /// Soft starter: what its ramp stop lowers.
    pub soft_stop: SoftStop,
    /// Drive: shape of every rise.
    pub ramp_up_shape: RampShape,
    /// Drive: shape of every fall.
    pub ramp_down_shape: RampShape,
    /// Drive: its own controller of level, flow or pressure.
    pub set_point: Option<SetPointSettings>,
    /// Drive: most torque that it lets the motor give, multiple of rated torque; `None`: the current limit alone.
    pub torque_limit: Option<f64>,
    /// Drive: most torque against the rotation, multiple of rated torque; `None`: [`BRAKING_TORQUE`], what losses take up.
    pub braking_torque: Option<f64>,
    /// Soft starter: what its own thyristors stand.
    pub duty_rating: Option<DutyRating>,
}

/// What a soft starter's thyristors stand, as its maker states it: a current for a time, so many starts an hour.
///
/// Source: the form of the AC-53a rating of IEC 60947-4-2 (rated current, multiple, time, starts an hour; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DutyRating {
    /// Rated current, A; `None`: the motor's full-load current.
    pub rated_current_a: Option<f64>,
    /// Current of a start, multiple of the rated current.
    pub current: f64,
    /// How long it stands that, s.
    pub time_s: f64,
    /// Such starts an hour.
    pub starts_per_hour: u32,
}

impl DutyRating {
    /// What heats the thyristors in a start as rated, A2 s: `(X I_e)^2 T_x`.
    pub fn heat_a2_s(&self, full_load_current_a: f64) -> f64 {
        let current_a = self.current * self.rated_current_a.unwrap_or(full_load_current_a);
        current_a * current_a * self.time_s
    }
}

/// Windings in star, a pause, windings in delta.
///
/// In star each winding has line voltage over sqrt 3: a third of the torque and a third of the line current. The torque
/// swing of closing onto a rotor whose field is out of step is not modelled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StarDelta {
    /// Time in star, s.
    pub star_s: f64,
    /// Time without voltage between star and delta, s.
    pub pause_s: f64,
}

/// A kick that breaks a stuck rotor loose.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Kick {
    /// Voltage, share of line voltage.
    pub voltage: f64,
    /// How long, s.
    pub time_s: f64,
}

/// What a soft starter's ramp stop lowers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum SoftStop {
    /// Voltage, from full to initial; torque then holds until it collapses with the square of voltage.
    #[default]
    Voltage,
    /// Torque, straight from what it is at the stop to nothing.
    Torque,
}

impl PanelSettings {
    /// Most braking torque of a drive, multiple of rated torque.
    pub fn braking(&self) -> f64 {
        self.braking_torque.unwrap_or(BRAKING_TORQUE)
    }

    /// Refuse what no starter of that kind has or can do.
    ///
    /// # Errors
    /// [`StarterError`] names the starter, the setting and its limits.
    pub fn check(&self, starter: &str, kind: StarterKind) -> Result<(), StarterError> {
        let line = kind == StarterKind::AcrossTheLine;
        let soft = kind == StarterKind::SoftStarter;
        let drive = kind == StarterKind::VariableSpeed;
        let shaped = self.ramp_up_shape != RampShape::Linear || self.ramp_down_shape != RampShape::Linear;
        let foreign = [
            ("star_delta", self.star_delta.is_some() && !line),
            ("kick", self.kick.is_some() && !soft),
            ("soft_stop", self.soft_stop != SoftStop::Voltage && !soft),
            ("ramp shape", shaped && !drive),
            ("set_point", self.set_point.is_some() && !drive),
            ("torque_limit", self.torque_limit.is_some() && !drive),
            ("braking_torque", self.braking_torque.is_some() && !drive),
            ("duty_rating", self.duty_rating.is_some() && !soft),
        ];
        let name = starter.to_owned();
        if let Some((setting, _)) = foreign.into_iter().find(|(_, foreign)| *foreign) {
            return Err(StarterError::NotOfThisKind { starter: name, setting, kind });
        }
        if !self.ramp_up_shape.is_sound() || !self.ramp_down_shape.is_sound() {
            return Err(StarterError::Shape { starter: name });
        }
        self.check_numbers(starter)
    }

    fn check_numbers(&self, starter: &str) -> Result<(), StarterError> {
        let rows = [
            ("star_s", self.star_delta.map(|star| star.star_s), 0.0, 60.0, "s"),
            ("pause_s", self.star_delta.map(|star| star.pause_s), 0.0, 1.0, "s"),
            ("kick voltage", self.kick.map(|kick| kick.voltage), 0.0, 1.0, "x line voltage"),
            ("kick time_s", self.kick.map(|kick| kick.time_s), 0.0, 2.0, "s"),
            ("torque_limit", self.torque_limit, 0.1, 5.0, "x rated torque"),
            ("braking_torque", self.braking_torque, 0.0, 2.0, "x rated torque"),
            ("duty_rating current", self.duty_rating.map(|duty| duty.current), 1.0, 10.0, "x rated current"),
            ("duty_rating time_s", self.duty_rating.map(|duty| duty.time_s), 0.1, 600.0, "s"),
        ];
        for (setting, value, low, high, unit) in rows {
            match value {
                Some(value) if !(low..=high).contains(&value) => {
                    let starter = starter.to_owned();
                    return Err(StarterError::Setting { starter, setting, value, low, high, unit });
                }
                _ => {}
            }
        }
        self.set_point.map_or(Ok(()), |control| control.check(starter))
    }
}

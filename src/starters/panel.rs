//! What is set at a starter itself, by its own panel, and not over the bus: connection of the windings, kick, kind of soft
//! stop, shape of the ramps, set-point control. All of it is off unless a rig file says otherwise.
//!
//! | setting | starter | relative to |
//! |---|---|---|
//! | `star_delta.star_s` | across the line | from the star contactor's closing to its opening |
//! | `star_delta.pause_s` | across the line | no voltage between star and delta |
//! | `kick.voltage` | soft starter | share of line voltage, before the ramp begins; the current limit does not act then |
//! | `kick.time_s` | soft starter | added to the ramp time, which starts afterwards at the initial voltage |
//! | `soft_stop` | soft starter | what falls straight to nothing over `ramp_down_s`: voltage, or torque from that at the stop |
//! | `ramp_up_shape`, `ramp_down_shape` | drive | the time and change of the straight ramp |
//! | `set_point` | drive | [`super::set_point`] |

use super::ramp_shape::RampShape;
use super::set_point::SetPointSettings;
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

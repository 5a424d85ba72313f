//! What the devices and the sample stream need of the physics, and nothing else: the seam that lets the register side be
//! tested on a toy and played on the plant.

use super::VirtualRigError;
use crate::rig::pump_fault::PumpFault;
use crate::starters::{Settings, StopKind};

/// What a starter's output does, as the physics has it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Motion {
    /// Output energised.
    pub on: bool,
    /// Full voltage or set speed reached.
    pub at_speed: bool,
    /// Output voltage or frequency, share of rated.
    pub share: f64,
}

/// The physics behind the wires. Starters are numbered as in the rig file.
pub trait Bench: Send {
    /// Bring the physics to `time_s` (rig time, never backwards) and write the true value of each channel, SI, to `out`.
    ///
    /// # Errors
    /// The physics has no solution any more; the rig must end.
    fn frame(&mut self, time_s: f64, out: &mut [f64]) -> Result<(), VirtualRigError>;
    /// Close the output of a starter that stands on the motor.
    fn start(&mut self, starter: usize, settings: &Settings);
    /// Stop a starter that stands on the motor.
    fn stop(&mut self, starter: usize, kind: StopKind);
    /// A new set speed for a running drive, share of rated; one with a controller of its own does not listen.
    fn set_speed(&mut self, starter: usize, share: f64);
    /// A new set point for a running drive that has a controller of its own, SI.
    fn set_point(&mut self, _starter: usize, _value: f64) {}
    /// Hold the pump control valve where it stands, or let it go.
    fn stick_valve(&mut self, _stuck: bool) {}
    /// Give the pump a fault, or end it; nothing where there is no pump.
    fn spoil(&mut self, _fault: PumpFault) {}
    /// Until this rig time nobody wants anything of the bench: it need not compute what stands still.
    fn rest(&mut self, _until_s: f64) {}
    /// A rest is being passed over: nothing is computed.
    fn passes_over(&self) -> bool {
        false
    }
    /// Set the valves as in this line-up of the rig (from 0), and whatever a person does beside: levels stated, lines
    /// emptied. Nothing is on, the shaft stands.
    ///
    /// # Errors
    /// The bench cannot stand so; the rig must end.
    fn set_line_up(&mut self, _line_up: usize) -> Result<(), VirtualRigError> {
        Ok(())
    }
    /// What the starter's output does.
    fn motion(&self, starter: usize) -> Motion;
    /// Motor line current, A rms.
    fn current_a(&self) -> f64;
    /// Shaft speed, rad/s, signed.
    fn speed_rad_s(&self) -> f64;
}

//! The plant: network, shaft and whatever turns it, advanced together one time step at a time.
//!
//! SEAM (signatures fixed; bodies come with the solver):

/// What turns (or brakes) the shaft. Implemented by `starters::DriveTrain`.
pub trait ShaftDriver: Send {
    /// Torque on the shaft at speed `speed_rad_s` at the current time level, N m, and its derivative to speed.
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64);
    /// Step the driver's own state (ramps, frequency, switches) to the next time level; `speed_rad_s` is the speed of
    /// the level just solved.
    fn advance(&mut self, dt_s: f64, speed_rad_s: f64);
    /// Line current at the present level, A rms.
    fn current_a(&self, speed_rad_s: f64) -> f64;
    /// Electrical power drawn from the line, W.
    fn power_w(&self, speed_rad_s: f64) -> f64;
}

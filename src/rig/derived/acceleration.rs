//! How long the shaft takes to come up to speed across the line.

use super::FigureError;
use crate::hydraulics::plant::Plant;
use crate::hydraulics::spec::{GridOptions, NetworkSpec, ShaftSpec};
use crate::starters::{DriveTrain, MotorSpec, PanelSettings, Settings, StarterKind, StarterSpec};

/// Share of the running speed at which the shaft counts as accelerated.
pub const ACCELERATED_SHARE: f64 = 0.95;
/// Longest run-up waited for, s: beyond it no motor's thermal limit would allow the start.
const LONGEST_S: f64 = 20.0;

/// Time from the start command to 95 % of `running_rad_s` with the motor across the line, line full, s.
///
/// The whole plant is run (water hammer and all), contactor delay included. Accuracy: one time step (0.5 ms at most).
/// Errors: a line that is not at rest, a shaft that does not get there in 20 s.
pub fn across_the_line_s(
    motor: &MotorSpec,
    network: &NetworkSpec,
    shaft: &ShaftSpec,
    running_rad_s: f64,
    grid: &GridOptions,
) -> Result<f64, FigureError> {
    let starter = StarterSpec {
        id: "across the line".to_owned(),
        kind: StarterKind::AcrossTheLine,
        settings: Settings::default(),
        panel: PanelSettings::default(),
    };
    let mut drive = DriveTrain::new(*motor, vec![starter])?;
    drive.start(0, Settings::default())?;
    let mut plant = Plant::new(network, shaft, drive, grid)?;
    let target_rad_s = ACCELERATED_SHARE * running_rad_s;
    while plant.speed_rad_s() < target_rad_s {
        if plant.time_s() > LONGEST_S {
            return Err(FigureError::NotReached {
                reached_rad_s: plant.speed_rad_s(),
                after_s: LONGEST_S,
                target_rad_s,
            });
        }
        plant.advance()?;
    }
    Ok(plant.time_s())
}

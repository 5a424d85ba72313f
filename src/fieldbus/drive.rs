//! How a drive under IEC 61800-7-201 is stopped and how its status word shows it. States, words and the way to
//! operation are in [`crate::starters::state`]. Pure.

use crate::starters::StopKind;
use crate::starters::state::{Command, DriveState};

/// Command of a stop. A ramp is a quick stop: the drive's own ramp with the output off at its end, and a state of its
/// own from the first moment, so that its acceptance shows at once (a drive that ramps out of disable operation may go
/// on showing operation enabled). Both ways of cutting are disable voltage, the one command that every state obeys:
/// shutdown is no transition out of quick stop active, so it could not end a ramp that takes too long.
pub fn stop_command(kind: StopKind) -> Command {
    match kind {
        StopKind::Ramp => Command::QuickStop,
        StopKind::Coast | StopKind::ContactorOff => Command::DisableVoltage,
    }
}

/// True when `state` shows that a stop of `kind` was accepted.
pub fn stop_accepted(kind: StopKind, state: DriveState) -> bool {
    match kind {
        StopKind::Ramp => state != DriveState::OperationEnabled,
        StopKind::Coast | StopKind::ContactorOff => !state.output_on(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_no_accepted_cut_leaves_the_output_on() {
        for state in DriveState::ALL {
            for kind in [StopKind::Coast, StopKind::ContactorOff] {
                assert!(!(stop_accepted(kind, state) && state.output_on()), "{kind:?} in {}", state.name());
            }
        }
    }

    #[test]
    fn law_a_ramp_counts_as_accepted_in_every_state_but_operation() {
        for state in DriveState::ALL {
            assert_eq!(stop_accepted(StopKind::Ramp, state), state != DriveState::OperationEnabled, "{}", state.name());
        }
    }
}

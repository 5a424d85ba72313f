//! The master's side of the IEC 61800-7-201 (CiA 402) power-drive state machine: which state a status word shows and
//! which control word goes one step on. Pure.
//!
//! Source: IEC 61800-7-201, state machine and bit tables, from memory.

use crate::starters::StopKind;

/// State of the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriveState {
    /// Starts up; takes no orders.
    NotReady,
    /// Waits for shutdown.
    SwitchOnDisabled,
    /// Waits for switch on.
    ReadyToSwitchOn,
    /// Waits for enable operation.
    SwitchedOn,
    /// Drives the motor.
    OperationEnabled,
    /// Ramps down by a quick stop.
    QuickStopActive,
    /// Reacts to a fault; the motor may still be driven.
    FaultReactionActive,
    /// Fault latched, output off.
    Fault,
}

/// Control word: shutdown.
pub const SHUTDOWN: u16 = 0x06;
/// Control word: switch on.
pub const SWITCH_ON: u16 = 0x07;
/// Control word: enable operation.
pub const ENABLE_OPERATION: u16 = 0x0F;
/// Control word: disable voltage.
pub const DISABLE_VOLTAGE: u16 = 0x00;
/// Control word: quick stop.
pub const QUICK_STOP: u16 = 0x02;
/// Control word: fault reset (acts on its rising edge).
pub const FAULT_RESET: u16 = 0x80;

const TARGET_REACHED_BIT: u16 = 1 << 10;

/// State shown by a status word; `None` for a pattern the standard does not have.
pub fn state_of(status_word: u16) -> Option<DriveState> {
    match (status_word & 0x4F, status_word & 0x6F) {
        (0x00, _) => Some(DriveState::NotReady),
        (0x40, _) => Some(DriveState::SwitchOnDisabled),
        (0x0F, _) => Some(DriveState::FaultReactionActive),
        (0x08, _) => Some(DriveState::Fault),
        (_, 0x21) => Some(DriveState::ReadyToSwitchOn),
        (_, 0x23) => Some(DriveState::SwitchedOn),
        (_, 0x27) => Some(DriveState::OperationEnabled),
        (_, 0x07) => Some(DriveState::QuickStopActive),
        _ => None,
    }
}

/// True when the status word says that the target speed is reached.
pub fn target_reached(status_word: u16) -> bool {
    status_word & TARGET_REACHED_BIT != 0
}

/// True when the motor is driven in this state.
pub fn output_on(state: DriveState) -> bool {
    matches!(state, DriveState::OperationEnabled | DriveState::QuickStopActive | DriveState::FaultReactionActive)
}

/// Control word that goes one step from `state` towards operation enabled; `None`: nothing to write (there already,
/// not ready yet, or in a fault, which only a reset clears).
pub fn step_to_operation(state: DriveState) -> Option<u16> {
    match state {
        DriveState::SwitchOnDisabled => Some(SHUTDOWN),
        DriveState::ReadyToSwitchOn => Some(SWITCH_ON),
        DriveState::SwitchedOn => Some(ENABLE_OPERATION),
        DriveState::QuickStopActive => Some(DISABLE_VOLTAGE),
        DriveState::OperationEnabled | DriveState::NotReady | DriveState::FaultReactionActive | DriveState::Fault => {
            None
        }
    }
}

/// Control word of a stop. A ramp is a quick stop (the drive's own ramp, output off at its end). Both ways of cutting
/// are disable voltage, the one command that every state obeys: shutdown is no transition out of quick stop active, so
/// it could not end a ramp that takes too long.
pub fn stop_word(kind: StopKind) -> u16 {
    match kind {
        StopKind::Ramp => QUICK_STOP,
        StopKind::Coast | StopKind::ContactorOff => DISABLE_VOLTAGE,
    }
}

/// True when `state` shows that a stop of `kind` was accepted.
pub fn stop_accepted(kind: StopKind, state: DriveState) -> bool {
    match kind {
        StopKind::Ramp => state != DriveState::OperationEnabled,
        StopKind::Coast | StopKind::ContactorOff => !output_on(state),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_iec61800_7_201_status_words_from_memory() {
        // Bits 0 ready, 1 switched on, 2 operation enabled, 3 fault, 5 quick stop not active, 6 switch on disabled.
        let words = [
            (0x00, DriveState::NotReady),
            (0x20, DriveState::NotReady),
            (0x40, DriveState::SwitchOnDisabled),
            (0x60, DriveState::SwitchOnDisabled),
            (0x21, DriveState::ReadyToSwitchOn),
            (0x23, DriveState::SwitchedOn),
            (0x27, DriveState::OperationEnabled),
            (0x07, DriveState::QuickStopActive),
            (0x0F, DriveState::FaultReactionActive),
            (0x2F, DriveState::FaultReactionActive),
            (0x08, DriveState::Fault),
            (0x28, DriveState::Fault),
        ];
        for (word, state) in words {
            // Bits 4, 7 and above say nothing about the state.
            for other in [0x0000, 0x0010, 0x0080, 0xFF90] {
                assert_eq!(state_of(word | other), Some(state), "status word {:#06x}", word | other);
            }
        }
        for word in [0x01, 0x03, 0x22, 0x25, 0x41, 0x4F, 0x48] {
            assert_eq!(state_of(word), None, "status word {word:#06x}");
        }
    }

    #[test]
    fn law_the_walk_from_any_state_never_enables_without_the_way_in_between() {
        for word in 0..=u16::MAX {
            if let Some(state) = state_of(word).filter(|state| step_to_operation(*state) == Some(ENABLE_OPERATION)) {
                assert_eq!(state, DriveState::SwitchedOn, "status word {word:#06x}");
            }
        }
    }

    #[test]
    fn law_no_accepted_cut_leaves_the_output_on() {
        for word in 0..=u16::MAX {
            let Some(state) = state_of(word) else { continue };
            for kind in [StopKind::Coast, StopKind::ContactorOff] {
                assert!(!(stop_accepted(kind, state) && output_on(state)), "status word {word:#06x}");
            }
            assert!(stop_accepted(StopKind::Ramp, state) || state == DriveState::OperationEnabled);
        }
    }
}

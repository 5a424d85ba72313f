//! The device side of the IEC 61800-7-201 state machine (the power drive system's finite-state automaton), written as a
//! table of its own: the controller's side lives in `starters::state`, and the two share no code, so that one mistake
//! cannot pass both.
//!
//! Source: IEC 61800-7-201, states, control word and status word bits (from memory). Where the standard leaves an option
//! code open, the choice here is: shut-down and disable-voltage let the rotor coast, disable-operation ramps down, quick
//! stop ramps down and ends in switch-on disabled, the fault reaction is to coast.

/// State of the automaton.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProfileState {
    /// Power stage off, waits for shut-down.
    SwitchOnDisabled,
    /// Waits for switch-on.
    ReadyToSwitchOn,
    /// Power stage on, no torque.
    SwitchedOn,
    /// Runs.
    OperationEnabled,
    /// Ramps down after a quick stop.
    QuickStopActive,
    /// Latched fault.
    Fault,
}

/// What the automaton wants of the power stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProfileAction {
    /// Nothing.
    None,
    /// Output on, ramp up to the set speed.
    Start,
    /// Ramp down, then output off.
    RampDown,
    /// Output off at once.
    Coast,
    /// Clear the fault.
    ClearFault,
}

/// A pattern of control word bits: `word & mask == value`.
type Pattern = (u16, u16);

const SHUT_DOWN: Pattern = (0b1000_0111, 0b0110);
const SWITCH_ON: Pattern = (0b1000_1111, 0b0111);
const ENABLE: Pattern = (0b1000_1111, 0b1111);
const DISABLE_OPERATION: Pattern = SWITCH_ON;
const DISABLE_VOLTAGE: Pattern = (0b1000_0010, 0b0000);
const QUICK_STOP: Pattern = (0b1000_0110, 0b0010);
/// Bit 7, acted on at its rising edge only.
const FAULT_RESET: u16 = 0b1000_0000;

use ProfileAction as Do;
use ProfileState as In;

/// (from, control word pattern, to, action, number of the transition in the standard). A ramped way out of operation
/// stays in its `from` state until the output is off; then `to` holds.
const TRANSITIONS: [(In, Pattern, In, Do, u8); 14] = [
    (In::SwitchOnDisabled, SHUT_DOWN, In::ReadyToSwitchOn, Do::None, 2),
    (In::ReadyToSwitchOn, SWITCH_ON, In::SwitchedOn, Do::None, 3),
    (In::ReadyToSwitchOn, ENABLE, In::SwitchedOn, Do::None, 3),
    (In::ReadyToSwitchOn, QUICK_STOP, In::SwitchOnDisabled, Do::None, 7),
    (In::ReadyToSwitchOn, DISABLE_VOLTAGE, In::SwitchOnDisabled, Do::None, 7),
    (In::SwitchedOn, ENABLE, In::OperationEnabled, Do::Start, 4),
    (In::SwitchedOn, SHUT_DOWN, In::ReadyToSwitchOn, Do::None, 6),
    (In::SwitchedOn, QUICK_STOP, In::SwitchOnDisabled, Do::None, 10),
    (In::SwitchedOn, DISABLE_VOLTAGE, In::SwitchOnDisabled, Do::None, 10),
    (In::OperationEnabled, DISABLE_OPERATION, In::SwitchedOn, Do::RampDown, 5),
    (In::OperationEnabled, SHUT_DOWN, In::ReadyToSwitchOn, Do::Coast, 8),
    (In::OperationEnabled, QUICK_STOP, In::QuickStopActive, Do::RampDown, 11),
    (In::OperationEnabled, DISABLE_VOLTAGE, In::SwitchOnDisabled, Do::Coast, 9),
    (In::QuickStopActive, DISABLE_VOLTAGE, In::SwitchOnDisabled, Do::Coast, 12),
];

/// The automaton with what it remembers between words.
#[derive(Debug, Clone)]
pub struct DriveProfile {
    state: ProfileState,
    word: u16,
    ramping_to: Option<ProfileState>,
}

impl Default for DriveProfile {
    fn default() -> Self {
        Self { state: In::SwitchOnDisabled, word: 0, ramping_to: None }
    }
}

impl DriveProfile {
    /// Present state.
    #[cfg(test)]
    pub fn state(&self) -> ProfileState {
        self.state
    }

    /// Take a control word; transitions that chain (ready to switch on, switched on, operation enabled on one word) are
    /// all taken. `may_energise` false (local, emergency stop pressed) blocks transitions 2 and 4. Returns the action
    /// for the power stage.
    pub fn command(&mut self, word: u16, may_energise: bool) -> ProfileAction {
        let reset_edge = word & FAULT_RESET != 0 && self.word & FAULT_RESET == 0;
        self.word = word;
        if self.state == In::Fault {
            return self.reset(reset_edge);
        }
        let mut action = Do::None;
        while let Some(next) = self.transition(may_energise) {
            action = next;
            if matches!(action, Do::RampDown) {
                break;
            }
        }
        action
    }

    /// The output went off: by the end of a ramp (`ramped`) or because something outside the automaton cut it.
    pub fn output_off(&mut self, ramped: bool) {
        let landing = self.ramping_to.take().filter(|_| ramped);
        self.state = match self.state {
            In::Fault => In::Fault,
            In::OperationEnabled => landing.unwrap_or(In::SwitchOnDisabled),
            _ => In::SwitchOnDisabled,
        };
    }

    /// A fault occurred; the reaction (coast) is the caller's.
    pub fn fault(&mut self) {
        self.ramping_to = None;
        self.state = In::Fault;
    }

    /// The fault was cleared by other means than the control word. Enabling still needs the whole way.
    pub fn clear_fault(&mut self) {
        if self.state == In::Fault {
            self.state = In::SwitchOnDisabled;
        }
    }

    /// Status word: bits 0 to 3, 5 and 6 by state, 4 voltage enabled, 9 remote, 10 target reached.
    pub fn status_word(&self, voltage: bool, remote: bool, target_reached: bool) -> u16 {
        let by_state = match self.state {
            In::SwitchOnDisabled => 0b100_0000,
            In::ReadyToSwitchOn => 0b010_0001,
            In::SwitchedOn => 0b010_0011,
            In::OperationEnabled => 0b010_0111,
            In::QuickStopActive => 0b000_0111,
            In::Fault => 0b000_1000,
        };
        by_state | u16::from(voltage) << 4 | u16::from(remote) << 9 | u16::from(target_reached) << 10
    }

    fn reset(&mut self, edge: bool) -> ProfileAction {
        if !edge {
            return Do::None;
        }
        self.clear_fault();
        Do::ClearFault
    }

    fn transition(&mut self, may_energise: bool) -> Option<ProfileAction> {
        let found = TRANSITIONS.iter().find(|(from, (mask, value), _, _, number)| {
            let blocked = !may_energise && matches!(number, 2 | 4);
            *from == self.state && self.word & mask == *value && !blocked
        });
        let (_, _, to, action, number) = *found?;
        match number {
            5 if self.ramping_to.is_some() => return None,
            5 => self.ramping_to = Some(to),
            _ => {
                self.ramping_to = None;
                self.state = to;
            }
        }
        Some(action)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn walks_to_operation_and_back_by_the_standards_words() {
        let mut profile = DriveProfile::default();
        let walk = [
            (0x0006, Do::None, In::ReadyToSwitchOn),
            (0x0007, Do::None, In::SwitchedOn),
            (0x000F, Do::Start, In::OperationEnabled),
            (0x0007, Do::RampDown, In::OperationEnabled),
        ];
        for (word, action, state) in walk {
            assert_eq!(profile.command(word, true), action, "word {word:#06x}");
            assert_eq!(profile.state(), state, "word {word:#06x}");
        }
        assert_eq!(profile.command(0x0007, true), Do::None, "the same word again does not restart the ramp");
        profile.output_off(true);
        assert_eq!(profile.state(), In::SwitchedOn);
        assert_eq!(profile.command(0x0000, true), Do::None);
        assert_eq!(profile.state(), In::SwitchOnDisabled);
    }

    #[test]
    fn takes_both_steps_when_one_word_asks_for_operation() {
        let mut profile = DriveProfile::default();
        profile.command(0x0006, true);
        assert_eq!(profile.command(0x000F, true), Do::Start);
        assert_eq!(profile.state(), In::OperationEnabled);
    }

    #[test]
    fn stays_disabled_when_the_enable_word_is_still_there_after_a_reset() {
        let mut profile = DriveProfile::default();
        profile.command(0x0006, true);
        profile.command(0x000F, true);
        profile.fault();
        assert_eq!(profile.command(0x000F, true), Do::None, "a fault is left by a reset only");
        assert_eq!(profile.command(0x008F, true), Do::ClearFault);
        assert_eq!(profile.command(0x000F, true), Do::None, "restart inhibit: shut-down must come first");
        assert_eq!(profile.state(), In::SwitchOnDisabled);
        profile.command(0x0006, true);
        assert_eq!(profile.command(0x000F, true), Do::Start);
    }

    #[test]
    fn resets_only_at_the_rising_edge_of_bit_seven() {
        let mut profile = DriveProfile::default();
        profile.command(0x0080, true);
        profile.fault();
        assert_eq!(profile.command(0x0080, true), Do::None, "bit 7 was set before the fault");
        assert_eq!(profile.command(0x0000, true), Do::None);
        assert_eq!(profile.command(0x0080, true), Do::ClearFault);
    }

    #[test]
    fn coasts_or_ramps_as_the_word_says() {
        let stops = [
            (0x0000, Do::Coast, In::SwitchOnDisabled),
            (0x0006, Do::Coast, In::ReadyToSwitchOn),
            (0x0002, Do::RampDown, In::QuickStopActive),
        ];
        for (word, action, state) in stops {
            let mut profile = DriveProfile::default();
            profile.command(0x0006, true);
            profile.command(0x000F, true);
            assert_eq!(profile.command(word, true), action, "word {word:#06x}");
            assert_eq!(profile.state(), state, "word {word:#06x}");
        }
    }

    #[test]
    fn published_iec61800_7_201_status_words() {
        // IEC 61800-7-201, status word patterns (from memory): mask, value.
        let patterns: [(In, u16, u16); 6] = [
            (In::SwitchOnDisabled, 0x4F, 0x40),
            (In::ReadyToSwitchOn, 0x6F, 0x21),
            (In::SwitchedOn, 0x6F, 0x23),
            (In::OperationEnabled, 0x6F, 0x27),
            (In::QuickStopActive, 0x6F, 0x07),
            (In::Fault, 0x4F, 0x08),
        ];
        for (state, mask, value) in patterns {
            let profile = DriveProfile { state, word: 0, ramping_to: None };
            let got = profile.status_word(true, true, false);
            assert_eq!(got & mask, value, "{state:?}: status word {got:#06x}, IEC 61800-7-201 (from memory)");
            assert_eq!(got & 0x0210, 0x0210, "voltage enabled and remote");
        }
    }

    #[test]
    fn rejects_enabling_while_local_or_stopped() {
        let mut profile = DriveProfile::default();
        profile.command(0x0006, false);
        assert_eq!(profile.state(), In::SwitchOnDisabled);
        profile.command(0x0006, true);
        assert_eq!(profile.command(0x000F, false), Do::None);
        assert_eq!(profile.state(), In::SwitchedOn);
    }
}

//! The drive state machine of IEC 61800-7-201 (also CiA 402-2): status words read, control words chosen.
//!
//! Pure: words in, words out. Addresses, timing and read-back belong to the adapter.

/// States of the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DriveState {
    /// Starting up; takes no command.
    NotReadyToSwitchOn,
    /// Ready for parameters; no power may be applied.
    SwitchOnDisabled,
    /// Power may be applied.
    ReadyToSwitchOn,
    /// Power applied, output off.
    SwitchedOn,
    /// Output on, set point followed.
    OperationEnabled,
    /// Quick stop ramp running or done.
    QuickStopActive,
    /// Reacting to a fault.
    FaultReactionActive,
    /// Fault; output off.
    Fault,
}

impl DriveState {
    /// Every state, in the order of the standard's table.
    pub const ALL: [Self; 8] = [
        Self::NotReadyToSwitchOn,
        Self::SwitchOnDisabled,
        Self::ReadyToSwitchOn,
        Self::SwitchedOn,
        Self::OperationEnabled,
        Self::QuickStopActive,
        Self::FaultReactionActive,
        Self::Fault,
    ];

    /// Name in the standard, lower case.
    pub fn name(self) -> &'static str {
        match self {
            Self::NotReadyToSwitchOn => "not ready to switch on",
            Self::SwitchOnDisabled => "switch on disabled",
            Self::ReadyToSwitchOn => "ready to switch on",
            Self::SwitchedOn => "switched on",
            Self::OperationEnabled => "operation enabled",
            Self::QuickStopActive => "quick stop active",
            Self::FaultReactionActive => "fault reaction active",
            Self::Fault => "fault",
        }
    }

    /// (mask, value): the state holds when `word & mask == value`. Quick stop's bit 5 says nothing in four of them.
    pub fn coding(self) -> (u16, u16) {
        match self {
            Self::NotReadyToSwitchOn => (0x4f, 0x00),
            Self::SwitchOnDisabled => (0x4f, 0x40),
            Self::ReadyToSwitchOn => (0x6f, 0x21),
            Self::SwitchedOn => (0x6f, 0x23),
            Self::OperationEnabled => (0x6f, 0x27),
            Self::QuickStopActive => (0x6f, 0x07),
            Self::FaultReactionActive => (0x4f, 0x0f),
            Self::Fault => (0x4f, 0x08),
        }
    }

    /// State of a status word; `None` when the word matches no state (0x0211, for one), which a caller must treat as
    /// unknown and never as stopped.
    pub fn decode(statusword: u16) -> Option<Self> {
        Self::ALL.into_iter().find(|state| {
            let (mask, value) = state.coding();
            statusword & mask == value
        })
    }

    /// The drive puts voltage on the motor in this state.
    pub fn output_on(self) -> bool {
        matches!(self, Self::OperationEnabled | Self::QuickStopActive | Self::FaultReactionActive)
    }
}

/// A status word read in full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Status {
    /// State; `None`: unknown word.
    pub state: Option<DriveState>,
    /// Bit 4: the power part has voltage.
    pub voltage_enabled: bool,
    /// Bit 7.
    pub warning: bool,
    /// Bit 9: control words over the network are obeyed.
    pub remote: bool,
    /// Bit 10.
    pub target_reached: bool,
    /// Bit 11: an internal limit acts.
    pub internal_limit: bool,
}

impl Status {
    /// Read a status word.
    ///
    /// ```
    /// use ramprig::starters::state::{DriveState, Status};
    /// assert_eq!(Status::decode(0x0237).state, Some(DriveState::OperationEnabled));
    /// assert_eq!(Status::decode(0x0211).state, None);
    /// ```
    pub fn decode(statusword: u16) -> Self {
        let bit = |n: u16| statusword & (1 << n) != 0;
        Self {
            state: DriveState::decode(statusword),
            voltage_enabled: bit(4),
            warning: bit(7),
            remote: bit(9),
            target_reached: bit(10),
            internal_limit: bit(11),
        }
    }

    /// Name of the state, `unknown` when the word matches none.
    pub fn state_name(&self) -> &'static str {
        self.state.map_or("unknown", DriveState::name)
    }
}

/// Commands of the control word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Command {
    /// To ready to switch on; from operation enabled the output goes off at once.
    Shutdown,
    /// Apply power.
    SwitchOn,
    /// Apply power and enable the output in one word.
    SwitchOnEnable,
    /// Output and power off at once; the motor coasts.
    DisableVoltage,
    /// Quick stop ramp.
    QuickStop,
    /// Output off by the drive's own ramp setting, power stays.
    DisableOperation,
    /// Output on.
    EnableOperation,
    /// Acknowledge a fault: acts on the rise of bit 7 only, so a word without bit 7 must have gone before.
    FaultReset,
}

impl Command {
    /// Every command, in the order of the standard's table.
    pub const ALL: [Self; 8] = [
        Self::Shutdown,
        Self::SwitchOn,
        Self::SwitchOnEnable,
        Self::DisableVoltage,
        Self::QuickStop,
        Self::DisableOperation,
        Self::EnableOperation,
        Self::FaultReset,
    ];

    /// Name in the standard, lower case.
    pub fn name(self) -> &'static str {
        match self {
            Self::Shutdown => "shutdown",
            Self::SwitchOn => "switch on",
            Self::SwitchOnEnable => "switch on + enable operation",
            Self::DisableVoltage => "disable voltage",
            Self::QuickStop => "quick stop",
            Self::DisableOperation => "disable operation",
            Self::EnableOperation => "enable operation",
            Self::FaultReset => "fault reset",
        }
    }

    /// (mask, value) of the control word: bits outside the mask do not matter to the command.
    pub fn coding(self) -> (u16, u16) {
        match self {
            Self::Shutdown => (0x87, 0x06),
            Self::SwitchOn | Self::DisableOperation => (0x8f, 0x07),
            Self::SwitchOnEnable | Self::EnableOperation => (0x8f, 0x0f),
            Self::DisableVoltage => (0x82, 0x00),
            Self::QuickStop => (0x86, 0x02),
            Self::FaultReset => (0x80, 0x80),
        }
    }

    /// The word to send.
    pub fn word(self) -> u16 {
        self.coding().1
    }

    /// Numbers of the transitions it causes, as the standard's table has them.
    pub fn transitions(self) -> &'static str {
        match self {
            Self::Shutdown => "2,6,8",
            Self::SwitchOn => "3",
            Self::SwitchOnEnable => "3+4",
            Self::DisableVoltage => "7,9,10,12",
            Self::QuickStop => "7,10,11",
            Self::DisableOperation => "5",
            Self::EnableOperation => "4,16",
            Self::FaultReset => "15 (0->1 edge of bit 7)",
        }
    }
}

/// What a caller wants of a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wanted {
    /// Output on, set point followed.
    Operation,
    /// Stop by the drive's own ramp: leave operation enabled by disabling operation, power stays.
    RampStop,
    /// Stop by the quick stop ramp.
    QuickStop,
    /// Output off at once, the motor coasts.
    Off,
    /// A fault acknowledged; never part of a start.
    FaultCleared,
}

/// The control word that leads a drive one step towards what is wanted; `None` when it is there, when only the drive
/// itself can go on, or when the way is barred (a fault bars operation until a person has it cleared).
///
/// An unknown status word is no state: do not call this with a guess. To switch off whatever the state, send
/// `Command::DisableVoltage.word()`.
///
/// ```
/// use ramprig::starters::state::{DriveState, Wanted, next_command};
/// assert_eq!(next_command(DriveState::SwitchOnDisabled, Wanted::Operation), Some(0x06));
/// assert_eq!(next_command(DriveState::Fault, Wanted::Operation), None);
/// ```
pub fn next_command(state: DriveState, wanted: Wanted) -> Option<u16> {
    let command = match wanted {
        Wanted::Operation => towards_operation(state),
        Wanted::RampStop => (state == DriveState::OperationEnabled).then_some(Command::DisableOperation),
        Wanted::QuickStop => (state == DriveState::OperationEnabled).then_some(Command::QuickStop),
        Wanted::Off => towards_off(state),
        Wanted::FaultCleared => (state == DriveState::Fault).then_some(Command::FaultReset),
    };
    command.map(Command::word)
}

fn towards_operation(state: DriveState) -> Option<Command> {
    match state {
        DriveState::SwitchOnDisabled => Some(Command::Shutdown),
        DriveState::ReadyToSwitchOn => Some(Command::SwitchOn),
        DriveState::SwitchedOn => Some(Command::EnableOperation),
        // A stop under way is finished first: back to switch on disabled, then a fresh start.
        DriveState::QuickStopActive => Some(Command::DisableVoltage),
        DriveState::NotReadyToSwitchOn
        | DriveState::OperationEnabled
        | DriveState::FaultReactionActive
        | DriveState::Fault => None,
    }
}

fn towards_off(state: DriveState) -> Option<Command> {
    match state {
        DriveState::ReadyToSwitchOn
        | DriveState::SwitchedOn
        | DriveState::OperationEnabled
        | DriveState::QuickStopActive => Some(Command::DisableVoltage),
        DriveState::NotReadyToSwitchOn
        | DriveState::SwitchOnDisabled
        | DriveState::FaultReactionActive
        | DriveState::Fault => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_no_word_matches_two_states() {
        for word in 0..=u16::MAX {
            let matches = DriveState::ALL.into_iter().filter(|state| {
                let (mask, value) = state.coding();
                word & mask == value
            });
            assert!(matches.count() <= 1, "status word {word:#06x} matches two states");
        }
    }

    #[test]
    fn law_every_state_decodes_from_its_own_value() {
        for state in DriveState::ALL {
            assert_eq!(DriveState::decode(state.coding().1), Some(state));
        }
    }

    #[test]
    fn rejects_words_that_match_no_state() {
        for word in [0x0211_u16, 0x0003, 0x0047, 0x004f & !0x0002, 0xffff] {
            assert_eq!(Status::decode(word).state, None, "{word:#06x}");
            assert_eq!(Status::decode(word).state_name(), "unknown");
        }
    }

    /// Device side of the standard's transition table, for walking the commands through.
    fn device(state: DriveState, word: u16) -> DriveState {
        use DriveState::*;
        let is = |command: Command| {
            let (mask, value) = command.coding();
            word & mask == value
        };
        match state {
            SwitchOnDisabled if is(Command::Shutdown) => ReadyToSwitchOn,
            ReadyToSwitchOn if is(Command::SwitchOn) => SwitchedOn,
            SwitchedOn if is(Command::EnableOperation) => OperationEnabled,
            OperationEnabled if is(Command::DisableOperation) => SwitchedOn,
            OperationEnabled if is(Command::QuickStop) => QuickStopActive,
            ReadyToSwitchOn | SwitchedOn | OperationEnabled | QuickStopActive if is(Command::DisableVoltage) => {
                SwitchOnDisabled
            }
            Fault if is(Command::FaultReset) => SwitchOnDisabled,
            as_is => as_is,
        }
    }

    fn walk(from: DriveState, wanted: Wanted) -> Vec<DriveState> {
        let mut states = vec![from];
        while let Some(word) = next_command(*states.last().unwrap(), wanted) {
            states.push(device(*states.last().unwrap(), word));
            assert!(states.len() < 10, "{from:?} to {wanted:?} never ends: {states:?}");
        }
        states
    }

    #[test]
    fn reaches_operation_in_three_commands_from_switch_on_disabled() {
        use DriveState::*;
        let way = walk(SwitchOnDisabled, Wanted::Operation);
        assert_eq!(way, [SwitchOnDisabled, ReadyToSwitchOn, SwitchedOn, OperationEnabled]);
    }

    #[test]
    fn stops_from_operation_in_one_command_each_way() {
        use DriveState::*;
        assert_eq!(walk(OperationEnabled, Wanted::RampStop), [OperationEnabled, SwitchedOn]);
        assert_eq!(walk(OperationEnabled, Wanted::QuickStop), [OperationEnabled, QuickStopActive]);
        assert_eq!(walk(OperationEnabled, Wanted::Off), [OperationEnabled, SwitchOnDisabled]);
    }

    #[test]
    fn law_wanting_off_ends_with_output_off_from_every_state_a_command_can_leave() {
        for state in DriveState::ALL {
            let end = *walk(state, Wanted::Off).last().unwrap();
            let self_clearing = end == DriveState::FaultReactionActive;
            assert!(!end.output_on() || self_clearing, "{state:?} ends in {end:?}");
        }
    }

    #[test]
    fn rejects_a_start_out_of_a_fault_until_it_is_cleared() {
        assert_eq!(next_command(DriveState::Fault, Wanted::Operation), None);
        assert_eq!(next_command(DriveState::FaultReactionActive, Wanted::Operation), None);
        let way = walk(DriveState::Fault, Wanted::FaultCleared);
        assert_eq!(way, [DriveState::Fault, DriveState::SwitchOnDisabled]);
    }
}

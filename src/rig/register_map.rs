//! Register maps as data: what a device's registers mean. Files in `rig-configs/maps/*.toml`.
//! `fieldbus` uses them to command, `virtual_rig` to answer.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What a field is for. The executor knows only roles, never addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Signature that tells the kind of device (constant).
    Identity,
    /// Firmware revision (constant).
    Firmware,
    /// 0x5652 ("VR") when the device is virtual; absent or another value: real.
    VirtualMark,
    /// Write 1: run, 0: stop by ramp (or open the contactor).
    Run,
    /// Write 1: output off at once, coast.
    Cut,
    /// Write 1: clear a latched fault; never starts anything.
    Reset,
    /// A number the master changes at every beat.
    Heartbeat,
    /// Loss-of-communication time-out, scaled to seconds.
    CommTimeout,
    /// 1: output energised (contactor's auxiliary contact, starter's bypass or ramping, drive output on).
    Running,
    /// 1: full voltage or set speed reached.
    AtSpeed,
    /// 0: none; else a fault code (1 = loss of communication).
    Fault,
    /// Motor current, scaled to A (slow value, independent of the output status).
    Current,
    /// Setting: ramp up, scaled to s.
    RampUp,
    /// Setting: ramp down, scaled to s.
    RampDown,
    /// Setting: initial voltage, scaled to share 0..1.
    InitialVoltage,
    /// Setting: current limit, scaled to multiples of full load.
    CurrentLimit,
    /// Setting: speed, scaled to share of rated frequency.
    SpeedSetpoint,
    /// Actual output frequency, scaled to share of rated.
    SpeedActual,
    /// IEC 61800-7-201 control word.
    ControlWord,
    /// IEC 61800-7-201 status word.
    StatusWord,
    /// Transfer device: wanted position.
    TransferSelect,
    /// Transfer device: position read back (0: between positions).
    TransferPosition,
    /// 1: selector stands at remote.
    Remote,
    /// 1: hardwired emergency-stop circuit is closed (not pressed).
    EmergencyStopOk,
    /// Starts counted by the device since power-up.
    StartCount,
    /// 1 for each starter output that is on, one bit a transfer position (bit 0 = position 1). Read only.
    OutputsOn,
    /// Most starter outputs ever on at the same moment since power-up. Read only (virtual rig's own witness).
    MostOutputsOn,
    /// Shaft speed, signed, scaled to rad/s (slow).
    ShaftSpeed,
    /// Time scale of a virtual rig, rig seconds per wall second times 10.
    TimeScale,
}

/// Modbus table a field lives in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Table {
    /// Coils (FC 01, 05, 15).
    Coil,
    /// Discrete inputs (FC 02).
    DiscreteInput,
    /// Holding registers (FC 03, 06, 16).
    Holding,
    /// Input registers (FC 04).
    Input,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 29] = [
        Self::Identity,
        Self::Firmware,
        Self::VirtualMark,
        Self::Run,
        Self::Cut,
        Self::Reset,
        Self::Heartbeat,
        Self::CommTimeout,
        Self::Running,
        Self::AtSpeed,
        Self::Fault,
        Self::Current,
        Self::RampUp,
        Self::RampDown,
        Self::InitialVoltage,
        Self::CurrentLimit,
        Self::SpeedSetpoint,
        Self::SpeedActual,
        Self::ControlWord,
        Self::StatusWord,
        Self::TransferSelect,
        Self::TransferPosition,
        Self::Remote,
        Self::EmergencyStopOk,
        Self::StartCount,
        Self::OutputsOn,
        Self::MostOutputsOn,
        Self::ShaftSpeed,
        Self::TimeScale,
    ];

    /// Its name in map files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Identity => "identity",
            Self::Firmware => "firmware",
            Self::VirtualMark => "virtual_mark",
            Self::Run => "run",
            Self::Cut => "cut",
            Self::Reset => "reset",
            Self::Heartbeat => "heartbeat",
            Self::CommTimeout => "comm_timeout",
            Self::Running => "running",
            Self::AtSpeed => "at_speed",
            Self::Fault => "fault",
            Self::Current => "current",
            Self::RampUp => "ramp_up",
            Self::RampDown => "ramp_down",
            Self::InitialVoltage => "initial_voltage",
            Self::CurrentLimit => "current_limit",
            Self::SpeedSetpoint => "speed_setpoint",
            Self::SpeedActual => "speed_actual",
            Self::ControlWord => "control_word",
            Self::StatusWord => "status_word",
            Self::TransferSelect => "transfer_select",
            Self::TransferPosition => "transfer_position",
            Self::Remote => "remote",
            Self::EmergencyStopOk => "emergency_stop_ok",
            Self::StartCount => "start_count",
            Self::OutputsOn => "outputs_on",
            Self::MostOutputsOn => "most_outputs_on",
            Self::ShaftSpeed => "shaft_speed",
            Self::TimeScale => "time_scale",
        }
    }

    /// The role of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }

    /// True for roles that the master writes.
    pub fn is_command(self) -> bool {
        matches!(
            self,
            Self::Run
                | Self::Cut
                | Self::Reset
                | Self::Heartbeat
                | Self::CommTimeout
                | Self::RampUp
                | Self::RampDown
                | Self::InitialVoltage
                | Self::CurrentLimit
                | Self::SpeedSetpoint
                | Self::ControlWord
                | Self::TransferSelect
        )
    }

    /// True for roles that one bit cannot hold.
    pub fn needs_register(self) -> bool {
        !matches!(
            self,
            Self::Run | Self::Cut | Self::Reset | Self::Running | Self::AtSpeed | Self::Remote | Self::EmergencyStopOk
        )
    }
}

impl Table {
    /// Its name in map files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Coil => "coil",
            Self::DiscreteInput => "discrete-input",
            Self::Holding => "holding",
            Self::Input => "input",
        }
    }
}

/// One field: 1 bit of a table of bits, or a whole 16-bit register.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// Table.
    pub table: Table,
    /// Protocol address, from 0.
    pub address: u16,
    /// Two's complement.
    pub signed: bool,
    /// SI value = raw * scale + offset.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// Allowed raw values, low and high, for a writable field.
    pub allowed: Option<(i32, i32)>,
    /// May be written.
    pub writable: bool,
    /// Value the device must answer (identity).
    pub expect: Option<u16>,
}

/// A device's registers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegisterMap {
    /// Name of the map (file stem).
    pub name: String,
    /// One line on the device.
    pub about: String,
    /// Commanded by IEC 61800-7-201 words instead of the `run` bit.
    pub cia402: bool,
    /// Fields by role.
    pub fields: BTreeMap<Role, Field>,
}

impl RegisterMap {
    /// The field that plays `role`, if the device has it.
    pub fn field(&self, role: Role) -> Option<&Field> {
        self.fields.get(&role)
    }
}

impl Field {
    /// SI value of a raw register.
    pub fn to_si(&self, raw: u16) -> f64 {
        let number = if self.signed { f64::from(raw.cast_signed()) } else { f64::from(raw) };
        number * self.scale + self.offset
    }

    /// Raw register of an SI value, or `None` outside 16 bits or the allowed span.
    pub fn to_raw(&self, value: f64) -> Option<u16> {
        let number = ((value - self.offset) / self.scale).round();
        let (low, high) = if self.signed { (-32768.0, 32767.0) } else { (0.0, 65535.0) };
        if !(number >= low && number <= high) {
            return None;
        }
        let whole = number as i32;
        if let Some((least, most)) = self.allowed
            && (whole < least || whole > most)
        {
            return None;
        }
        Some(whole as u16)
    }
}

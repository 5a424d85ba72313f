//! Register maps as data: what a device's registers mean. Files in `rig-configs/maps/*.toml`.
//! `fieldbus` uses them to command, `virtual_rig` to answer.

use super::number_form::{NumberForm, WordOrder};
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
    /// Setting: what the drive's own controller holds, scaled to SI (Pa gauge, m3/s, m above datum).
    SetPoint,
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
    /// Virtual rig: set the valves as in the line-up of that number (from 1, rig file's order), as a person would. Never
    /// written to a real one.
    LineUpSelect,
    /// Line-up that the valves stand in, from 1; 0: none, or on the way.
    LineUp,
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
    /// Whether the starter starts again by itself after a fault; `expect` says which value means that it does not.
    RestartAfterFault,
    /// Whether it runs by itself when its supply comes; `expect` says which value means that it does not.
    RunOnPowerUp,
    /// Whether it catches a motor that turns; `expect` says which value is wanted on this rig.
    FlyingStart,
    /// What a drive under IEC 61800-7-201 does on a quick stop, which is how it is stopped by a ramp: which ramp it takes.
    /// `expect` says which value means the ramp that `ramp_down` sets.
    QuickStopOption,
    /// Write 1: the line contactor before the starter opens; never one between a drive and its motor.
    LineOff,
    /// Bench unit: write 1 to warn (a lamp, a horn) before a start, 0 when it is over.
    StartWarning,
    /// Measured value 1 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_1")]
    Value1,
    /// Measured value 2 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_2")]
    Value2,
    /// Measured value 3 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_3")]
    Value3,
    /// Measured value 4 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_4")]
    Value4,
    /// Measured value 5 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_5")]
    Value5,
    /// Measured value 6 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_6")]
    Value6,
    /// Measured value 7 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_7")]
    Value7,
    /// Measured value 8 of an analogue module; a channel says what it measures.
    #[serde(rename = "value_8")]
    Value8,
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
    pub const ALL: [Self; 46] = [
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
        Self::SetPoint,
        Self::SpeedActual,
        Self::ControlWord,
        Self::StatusWord,
        Self::TransferSelect,
        Self::TransferPosition,
        Self::LineUpSelect,
        Self::LineUp,
        Self::Remote,
        Self::EmergencyStopOk,
        Self::StartCount,
        Self::OutputsOn,
        Self::MostOutputsOn,
        Self::ShaftSpeed,
        Self::TimeScale,
        Self::RestartAfterFault,
        Self::RunOnPowerUp,
        Self::FlyingStart,
        Self::QuickStopOption,
        Self::LineOff,
        Self::StartWarning,
        Self::Value1,
        Self::Value2,
        Self::Value3,
        Self::Value4,
        Self::Value5,
        Self::Value6,
        Self::Value7,
        Self::Value8,
    ];

    /// Measured values of an analogue module.
    pub const VALUES: [Self; 8] = [
        Self::Value1,
        Self::Value2,
        Self::Value3,
        Self::Value4,
        Self::Value5,
        Self::Value6,
        Self::Value7,
        Self::Value8,
    ];

    /// What must read as the map expects before a start: a starter that may turn the motor by itself is not started.
    pub const BEFORE_A_START: [Self; 3] = [Self::RestartAfterFault, Self::RunOnPowerUp, Self::FlyingStart];

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
            Self::SetPoint => "set_point",
            Self::SpeedActual => "speed_actual",
            Self::ControlWord => "control_word",
            Self::StatusWord => "status_word",
            Self::TransferSelect => "transfer_select",
            Self::TransferPosition => "transfer_position",
            Self::LineUpSelect => "line_up_select",
            Self::LineUp => "line_up",
            Self::Remote => "remote",
            Self::EmergencyStopOk => "emergency_stop_ok",
            Self::StartCount => "start_count",
            Self::OutputsOn => "outputs_on",
            Self::MostOutputsOn => "most_outputs_on",
            Self::ShaftSpeed => "shaft_speed",
            Self::TimeScale => "time_scale",
            Self::RestartAfterFault => "restart_after_fault",
            Self::RunOnPowerUp => "run_on_power_up",
            Self::FlyingStart => "flying_start",
            Self::QuickStopOption => "quick_stop_option",
            Self::LineOff => "line_off",
            Self::StartWarning => "start_warning",
            Self::Value1 => "value_1",
            Self::Value2 => "value_2",
            Self::Value3 => "value_3",
            Self::Value4 => "value_4",
            Self::Value5 => "value_5",
            Self::Value6 => "value_6",
            Self::Value7 => "value_7",
            Self::Value8 => "value_8",
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
                | Self::LineOff
                | Self::StartWarning
                | Self::Reset
                | Self::Heartbeat
                | Self::CommTimeout
                | Self::RampUp
                | Self::RampDown
                | Self::InitialVoltage
                | Self::CurrentLimit
                | Self::SpeedSetpoint
                | Self::SetPoint
                | Self::ControlWord
                | Self::TransferSelect
                | Self::LineUpSelect
        )
    }

    /// True for roles whose number may take more than one register: settings and measured values. What the program
    /// decides by (identity, bits, words, faults, positions, counts) must come whole in one.
    pub fn may_be_wide(self) -> bool {
        Self::VALUES.contains(&self)
            || matches!(
                self,
                Self::CommTimeout
                    | Self::Current
                    | Self::RampUp
                    | Self::RampDown
                    | Self::InitialVoltage
                    | Self::CurrentLimit
                    | Self::SpeedSetpoint
                    | Self::SetPoint
                    | Self::SpeedActual
            )
    }

    /// True for roles that one bit cannot hold.
    pub fn needs_register(self) -> bool {
        !matches!(
            self,
            Self::Run
                | Self::Cut
                | Self::LineOff
                | Self::StartWarning
                | Self::Reset
                | Self::Running
                | Self::AtSpeed
                | Self::Remote
                | Self::EmergencyStopOk
                | Self::RestartAfterFault
                | Self::RunOnPowerUp
                | Self::FlyingStart
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

/// One field: a bit of a table of bits, a bit of a register, or a number in one, two or four registers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// Table.
    pub table: Table,
    /// Protocol address of the first register, from 0.
    pub address: u16,
    /// What kind of number.
    pub form: NumberForm,
    /// In which order its words and bytes lie.
    pub order: WordOrder,
    /// One bit of the register, 0 the lowest.
    pub bit: Option<u8>,
    /// A writable bit of a register is changed by the device itself (FC 22, mask write); else the register is read and
    /// written back.
    pub mask_write: bool,
    /// SI value = number * scale + offset.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// Allowed numbers before scaling, low and high, for a writable field.
    pub allowed: Option<(i64, i64)>,
    /// May be written.
    pub writable: bool,
    /// Value the device must answer (identity, and what is checked before a start).
    pub expect: Option<u16>,
    /// Kept by the device without power: every write wears its memory.
    pub stored: bool,
    /// Most writes in all, as this computer counts them.
    pub write_budget: Option<u32>,
    /// What a command register or a status code reads for yes, and what is written for no: a register that is no bit plays a
    /// role of one. Any other number reads as no.
    pub codes: Option<(u16, u16)>,
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
    /// Names of the values of an enumeration, by role.
    pub words: BTreeMap<Role, BTreeMap<u16, String>>,
}

impl RegisterMap {
    /// The field that plays `role`, if the device has it.
    pub fn field(&self, role: Role) -> Option<&Field> {
        self.fields.get(&role)
    }

    /// Name of a value, where the role is an enumeration that has it.
    pub fn word(&self, role: Role, raw: u64) -> Option<&str> {
        let raw = u16::try_from(raw).ok()?;
        self.words.get(&role)?.get(&raw).map(String::as_str)
    }

    /// False for a value that an enumeration does not have.
    pub fn knows(&self, role: Role, raw: u64) -> bool {
        !self.words.contains_key(&role) || self.word(role, raw).is_some()
    }
}

impl Field {
    /// An unsigned register (or a bit of a table of bits) as it is, read only.
    pub fn plain(table: Table, address: u16) -> Self {
        Self {
            table,
            address,
            form: NumberForm::U16,
            order: WordOrder::HighFirst,
            bit: None,
            mask_write: false,
            scale: 1.0,
            offset: 0.0,
            allowed: None,
            writable: false,
            expect: None,
            stored: false,
            write_budget: None,
            codes: None,
        }
    }

    /// Registers (or bits of a table of bits) that it takes.
    pub fn registers(&self) -> u16 {
        if self.bit.is_some() { 1 } else { self.form.registers() }
    }

    /// True when `address` of `table` is one of its own.
    pub fn covers(&self, table: Table, address: u16) -> bool {
        self.table == table && address.checked_sub(self.address).is_some_and(|place| place < self.registers())
    }

    /// Bit pattern from registers as they came; the field's own come first. Missing ones count as 0.
    pub fn gather(&self, registers: &[u16]) -> u64 {
        let own = &registers[..registers.len().min(usize::from(self.registers()))];
        match (self.bit, self.codes) {
            (Some(bit), _) => own.first().map_or(0, |register| u64::from(*register >> bit & 1)),
            (None, Some((on, _))) => own.first().map_or(0, |register| u64::from(*register == on)),
            (None, None) => self.order.gather(own),
        }
    }

    /// Registers of a bit pattern, as they go on the wire. A bit of a register comes alone in its register.
    pub fn spread(&self, raw: u64) -> Vec<u16> {
        match (self.bit, self.codes) {
            (Some(bit), _) => vec![u16::from(raw != 0) << bit],
            (None, Some((on, off))) => vec![if raw == 0 { off } else { on }],
            (None, None) => self.order.spread(raw, self.registers()),
        }
    }

    /// The number of a bit pattern, before scaling.
    pub fn number(&self, raw: u64) -> f64 {
        if self.bit.is_some() { f64::from(u8::from(raw != 0)) } else { self.form.number(raw) }
    }

    /// SI value of a bit pattern.
    pub fn to_si(&self, raw: impl Into<u64>) -> f64 {
        self.to_si_of(self.number(raw.into()))
    }

    /// SI value of a number before scaling.
    pub fn to_si_of(&self, number: f64) -> f64 {
        number * self.scale + self.offset
    }

    /// Bit pattern nearest to an SI value, or `None` when it does not fit the form or the allowed span.
    pub fn to_raw(&self, value: f64) -> Option<u64> {
        let raw = self.form.pattern((value - self.offset) / self.scale)?;
        self.allows(raw).then_some(raw)
    }

    /// True when the number of a bit pattern is within the allowed span.
    pub fn allows(&self, raw: u64) -> bool {
        let number = self.number(raw);
        self.allowed.is_none_or(|(least, most)| number >= least as f64 && number <= most as f64)
    }
}

//! A checked rig: plain SI numbers, indices resolved, nothing missing. Only `rig::load` makes one.

use crate::hydraulics::plant::{LinesAtStart, SelfPriming};
use crate::hydraulics::spec::{ElementKind, GridOptions, LiquidSpec, NetworkSpec, Place, ShaftSpec};
use crate::rig::chain::{Chain, Wiring};
use crate::rig::observing::Observing;
use crate::rig::register_map::{RegisterMap, Table};
use crate::rig::serial_line::SerialLine;
use crate::rig::uncertainty::Uncertainty;
use crate::signal::{ChannelId, Scaling};
use crate::starters::control_valve::Stroke;
use crate::starters::heating::StartRating;
use crate::starters::{
    ControlValveSpec, DriveTrain, MotorSpec, PanelSettings, Settings, StarterError, StarterKind, StarterSpec, StopKind,
};
use crate::units::{Dimension, Reference};
use serde::Serialize;

/// A bench or a station.
#[derive(Debug, Clone, Serialize)]
pub struct Rig {
    /// Short id, used in file names and for the owner's lock (`terrace-bench`).
    pub id: String,
    /// Full name.
    pub name: String,
    /// One line on the rig.
    pub about: String,
    /// True when the file says that the rig is invented (demo data).
    pub invented: bool,
    /// Liquid and site.
    pub liquid: LiquidSpec,
    /// Liquid temperature, degC.
    pub temperature_c: f64,
    /// Motor.
    pub motor: MotorSpec,
    /// Motor duty.
    pub motor_duty: Duty,
    /// Starts in a row from cold and hot, where the motor's maker states them.
    pub motor_starts: Option<StartRating>,
    /// Rotating side.
    pub shaft: ShaftSpec,
    /// Pipes, pump, valves and tanks, with valves as the file's first line-up sets them.
    pub network: NetworkSpec,
    /// One rating for each element of `network.elements`, same order.
    pub ratings: Vec<Rating>,
    /// How the pump draws air out of its suction leg; `None`: it does not.
    pub self_priming: Option<SelfPriming>,
    /// NPSH margin below which a notice is given, m.
    pub npsh_margin_m: f64,
    /// The pump control valve; shut in `network`.
    pub control_valve: Option<PumpControlValve>,
    /// Valves that take time to move, with their element (index into the network's); part of the way takes its share.
    pub strokes: Vec<(usize, Stroke)>,
    /// (node, area m2) of held tanks whose area is known.
    pub held: Vec<(usize, f64)>,
    /// (outlet, tank): where water falls from an outlet into a tank.
    pub falls: Vec<(usize, usize)>,
    /// Line-ups; at least one.
    pub line_ups: Vec<LineUp>,
    /// Starters.
    pub starters: Vec<Starter>,
    /// The device that decides which starter is on the motor; `None` only with a single starter.
    pub transfer: Option<Transfer>,
    /// Devices that are looked at and never commanded.
    pub devices: Vec<Device>,
    /// Links.
    pub links: Vec<Link>,
    /// The fast sample source.
    pub source: Source,
    /// Channels in wire order.
    pub channels: Vec<Channel>,
    /// Index into `channels` of the headline channel (the one the short table is about).
    pub headline: usize,
    /// Permissives.
    pub permissives: Vec<Permissive>,
    /// Trips.
    pub trips: Vec<Trip>,
    /// When the hardwired emergency stop was last proven, as the file says (a date); `None`: it does not say.
    pub emergency_stop_proven: Option<String>,
    /// A start needs somebody who has answered within this time, s of wall time; `None`: the rig wants no such check.
    pub presence_check_s: Option<f64>,
    /// A face on another computer may start a run, not only stop one.
    pub remote_start: bool,
    /// From the end of the step in which the face that ordered a run was lost to the stop of the run, s of wall time.
    pub grace_s: f64,
    /// A start later than this after somebody looked at the valves, or after the last confirmed stop, has them looked at
    /// again, s of rig time.
    pub line_up_valid_s: f64,
    /// Warnings shown before a start.
    pub warnings: Vec<String>,
    /// Largest stop delay the rig accepts on any link, s.
    pub stop_delay_budget_s: f64,
    /// Shaft counts as at rest below this speed, rad/s.
    pub rest_speed_rad_s: f64,
    /// Fixed rest when speed is not measured, s.
    pub rest_fallback_s: f64,
    /// What `observe` looks for.
    pub observing: Observing,
    /// How sure all this is.
    pub uncertainty: Uncertainty,
    /// Largest time step of a prediction, s.
    pub time_step_s: f64,
    /// Predictions take the friction of changing flow, too (decay coefficient by VB96).
    pub unsteady_friction: bool,
    /// Predicted for or watched, never commanded.
    pub station: bool,
    /// A station of which only what is watched is described: no machine and no water, so nothing to predict with.
    pub logger: bool,
    /// The file's text, as read.
    pub text: String,
    /// SHA-256 of the text, hex.
    pub text_sha256: String,
    /// Everything that was assumed because the file did not say, in words.
    pub assumptions: Vec<String>,
}

impl Rig {
    /// What a plant is built from: the network with its valves as line-up `line_up` sets them (the first one when there
    /// is no such line-up), the rotating side, and every starter with its settings in force.
    pub fn plant_parts(&self, line_up: usize) -> (NetworkSpec, ShaftSpec, Vec<StarterSpec>) {
        self.plant_parts_for(&[line_up])
    }

    /// As [`Rig::plant_parts`] of the first of these line-ups, for a plant that goes through them all: blank is what none
    /// of them lets water into.
    pub fn plant_parts_for(&self, line_ups: &[usize]) -> (NetworkSpec, ShaftSpec, Vec<StarterSpec>) {
        let network = self.lined_up(&self.network, line_ups);
        let starter = |starter: &Starter| StarterSpec {
            id: starter.id.clone(),
            kind: starter.kind,
            settings: starter.settings,
            panel: starter.panel.clone(),
        };
        (network, self.shaft, self.starters.iter().map(starter).collect())
    }

    /// A network of this rig as in steady running: its control valve, which stands shut at rest, is open.
    pub fn running(&self, network: &NetworkSpec) -> NetworkSpec {
        let mut network = network.clone();
        let valve = self.control_valve.as_ref().and_then(|valve| network.elements.get_mut(valve.element));
        if let Some(ElementKind::Valve(valve)) = valve.map(|element| &mut element.kind) {
            valve.opening = 1.0;
        }
        network
    }

    /// A drive train with this rig's control valve, if it has one.
    ///
    /// # Errors
    /// A control valve that cannot be.
    pub fn with_control_valve(&self, train: DriveTrain) -> Result<DriveTrain, StarterError> {
        match &self.control_valve {
            Some(valve) => train.with_control_valve(valve.element, valve.spec.clone()),
            None => Ok(train),
        }
    }

    /// Time that a stop by ramp takes by the rig file, s: the control valve's way to its limit switch, else the ramp.
    pub fn ramp_stop_s(&self, ramp_down_s: f64) -> f64 {
        self.control_valve.as_ref().map_or(ramp_down_s, |valve| VALVE_TIME_MARGIN * valve.spec.stop_s())
    }

    /// A network of the rig's shape with valves and levels as the first of these line-ups says, and what all of them shut off
    /// blank.
    pub fn lined_up(&self, network: &NetworkSpec, line_ups: &[usize]) -> NetworkSpec {
        let set = |line_up: &usize| {
            let mut network = network.clone();
            if let Some(line_up) = self.line_ups.get(*line_up) {
                super::compile::set_line_up(&mut network, line_up);
                super::compile::set_levels(&mut network, &self.network, line_up, &self.held);
            }
            network
        };
        let moves = self.control_valve.as_ref().map(|valve| valve.element);
        super::blank::blank(line_ups.iter().map(set).collect(), moves).unwrap_or_else(|| network.clone())
    }

    /// The grid that predictions are made on: the half grid, cells of one time step at most, pipe ends, tanks and shaft
    /// by two of them. A band's slowest wave needs the longest step on the same cells; it still keeps to the bound.
    pub fn grid(&self) -> GridOptions {
        let dt_max_s = self.time_step_s * (1.0 - self.uncertainty.wave_speed);
        let unsteady_friction = self.unsteady_friction;
        GridOptions { dt_max_s, unsteady_friction, half_grid: true, ..GridOptions::default() }
    }

    /// How the lines stand before a start in line-up `line_up`; `None` where air is not followed.
    pub fn lines_at_start(&self, line_up: usize) -> Option<LinesAtStart> {
        let lines = self.line_ups.get(line_up)?.lines?;
        Some(LinesAtStart {
            discharge_drained: lines.discharge_drained,
            suction_drained: lines.suction_drained,
            self_priming: self.self_priming,
        })
    }

    /// What `observe` looks at, in its order: a bench's starters and transfer device, then the devices that are only looked
    /// at. A station's starters are described to predict with; they have no wires.
    pub fn watched(&self) -> Vec<Device> {
        let device = |id: &str, link, unit, map: &RegisterMap, kind| Device {
            id: id.to_owned(),
            link,
            unit,
            map: map.clone(),
            kind,
        };
        let starters = self.starters.iter().filter(|_| !self.station);
        let starters = starters.map(|s| device(&s.id, s.link, s.unit, &s.map, Some(s.kind)));
        let transfer = self.transfer.iter().map(|t| device(&t.id, t.link, t.unit, &t.map, None));
        starters.chain(transfer).chain(self.devices.iter().cloned()).collect()
    }

    /// Index of the starter of that id.
    pub fn starter_index(&self, id: &str) -> Option<usize> {
        self.starters.iter().position(|starter| starter.id == id)
    }

    /// Index of the channel of that id.
    pub fn channel_index(&self, id: &str) -> Option<usize> {
        self.channels.iter().position(|channel| channel.id.0 == id)
    }

    /// Index of the line-up of that id.
    pub fn line_up_index(&self, id: &str) -> Option<usize> {
        self.line_ups.iter().position(|line_up| line_up.id == id)
    }
}

/// An actuator may take this much longer than its plate says (common practice, no source).
const VALVE_TIME_MARGIN: f64 = 1.1;

/// The pump control valve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PumpControlValve {
    /// Element of the network.
    pub element: usize,
    /// What its own controller does.
    pub spec: ControlValveSpec,
}

/// Rated pressures of an element.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rating {
    /// Largest allowed pressure, Pa gauge.
    pub max_gauge_pa: f64,
    /// Smallest allowed pressure, Pa gauge (negative: vacuum).
    pub min_gauge_pa: f64,
}

/// Allowed starts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Duty {
    /// Starts one after the other, from cold and from hot; `None`: the file does not say, and only the two others count.
    pub starts: Option<StartRating>,
    /// Starts in any hour of rig time.
    pub starts_per_hour: u32,
    /// Least time between a stop and the next start, s.
    pub rest_s: f64,
}

/// A named setting of all valves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineUp {
    /// Id.
    pub id: String,
    /// (element index, opening 0..1).
    pub valves: Vec<(usize, f64)>,
    /// Sentence for the person who sets the valves.
    pub text: String,
    /// What the lines hold before a start; `None`: full, and air is not followed.
    pub lines: Option<Lines>,
    /// (node, level m) of tanks that stand otherwise than the file's `[[tank]]` says; a held tank moves from there.
    pub levels: Vec<(usize, f64)>,
    /// Pumps beside the commanded one: element index and the speed at which it runs, rad/s; `None`: it stands.
    pub other_pumps: Vec<(usize, Option<f64>)>,
}

/// What the lines hold before a start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Lines {
    /// Everything from the pump to the outlets is empty.
    pub discharge_drained: bool,
    /// The suction leg is empty.
    pub suction_drained: bool,
}

/// A starter of the rig.
#[derive(Debug, Clone, Serialize)]
pub struct Starter {
    /// Id (`contactor`, `soft`, `drive`).
    pub id: String,
    /// Kind.
    pub kind: StarterKind,
    /// Index into `links`.
    pub link: usize,
    /// Modbus unit.
    pub unit: u8,
    /// Its registers.
    pub map: RegisterMap,
    /// Settings to write before a start.
    pub settings: Settings,
    /// What is set at the starter itself; never written.
    pub panel: PanelSettings,
    /// Allowed span of each setting, same fields.
    pub settings_min: Settings,
    /// Allowed span of each setting, same fields.
    pub settings_max: Settings,
    /// Own duty.
    pub duty: Duty,
    /// Position of the transfer device that puts this starter on the motor.
    pub transfer_position: Option<u16>,
    /// Loss-of-communication time-out the starter must hold, s of wall time.
    pub comm_timeout_s: f64,
    /// How it stops in an ordinary stop step when the sequence does not say.
    pub stop: StopKind,
}

/// The transfer device.
#[derive(Debug, Clone, Serialize)]
pub struct Transfer {
    /// Id.
    pub id: String,
    /// Index into `links`.
    pub link: usize,
    /// Modbus unit.
    pub unit: u8,
    /// Its registers (roles `transfer_select`, `transfer_position`, `remote`, `emergency_stop_ok` ...).
    pub map: RegisterMap,
    /// Dead time after a change of position before any start, s of rig time.
    pub dead_time_s: f64,
    /// The warning output, where the map has one, is on for this long before a start, s of wall time.
    pub warn_lead_s: f64,
}

/// A device that is looked at and never commanded.
#[derive(Debug, Clone, Serialize)]
pub struct Device {
    /// Id.
    pub id: String,
    /// Index into `links`.
    pub link: usize,
    /// Modbus unit.
    pub unit: u8,
    /// Its registers.
    pub map: RegisterMap,
    /// How it starts its motor, where the file says.
    pub kind: Option<StarterKind>,
}

/// A bus.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Link {
    /// Id.
    pub id: String,
    /// `host:port` of a Modbus TCP server; on a serial link the path of the port.
    pub address: String,
    /// How a serial port is driven; `None`: Modbus TCP.
    pub serial: Option<SerialLine>,
    /// Answer time-out, s of wall time.
    pub timeout_s: f64,
    /// Open a second connection kept for stops.
    pub second_stop_connection: bool,
    /// Poll period for status, s of wall time.
    pub poll_s: f64,
    /// Heartbeat period, s of wall time.
    pub heartbeat_s: f64,
    /// TCP: `observe` may read this link.
    pub reads_allowed: bool,
    /// TCP connections that the device serves at most; `None`: not said.
    pub connection_limit: Option<u32>,
    /// Of these, what the station's own masters use.
    pub connections_used: u32,
}

/// The fast sample source.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Source {
    /// Id.
    pub id: String,
    /// How the samples come in.
    pub wire: SampleWire,
    /// TCP: `host:port` that we connect to; UDP: `host:port` that we listen on; a child process: its program, for
    /// messages.
    pub address: String,
    /// Frames a second.
    pub rate_hz: f64,
    /// How a sample is written.
    pub code: SampleCode,
    /// RTP payload type expected.
    pub payload_type: u8,
    /// Stream counts as lost after this wall time without a frame, s.
    pub max_age_s: f64,
}

impl Source {
    /// False where a lost frame leaves no trace: the wire carries neither numbers nor times.
    pub fn shows_loss(&self) -> bool {
        !matches!(&self.wire, SampleWire::Command(command) if !command.framed)
    }
}

/// Ways for samples to come in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SampleWire {
    /// RTP over TCP, each packet behind its length (RFC 4571).
    Tcp,
    /// RTP over UDP.
    Udp,
    /// What a child process writes on its standard output.
    Command(SampleCommand),
    /// Blocks of samples that a device keeps behind registers (Modbus TCP), read one after the other.
    Blocks(BlockRegisters),
}

/// Where a device keeps its blocks of samples. Block `n` (1, 2, ... 65535, 0, 1 ...) lies in slot `(n - 1) mod kept`: first
/// its number, then its frames, one register a sample. The device writes the number before the samples, so that the same number
/// before and after a reading means an untouched block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct BlockRegisters {
    /// Modbus unit.
    pub unit: u8,
    /// Holding or input registers.
    pub table: Table,
    /// Address of the signature, and what it must read.
    pub identity: (u16, u16),
    /// Address of the number of the newest finished block; 0 before the first one.
    pub number: u16,
    /// Address of slot 0.
    pub first: u16,
    /// Frames in a block.
    pub frames: u16,
    /// Slots, a power of two.
    pub kept: u16,
}

/// A child process that samples.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SampleCommand {
    /// Program and its arguments; no shell reads them.
    pub program: Vec<String>,
    /// True: RTP packets behind their length (RFC 4571). False: bare frames, one after the other, so that a lost frame
    /// cannot be noticed.
    pub framed: bool,
    /// It may be started again after it ended by itself (between runs only).
    pub restart: bool,
}

/// How one sample is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SampleCode {
    /// 16 bits, two's complement, high byte first (RFC 3551).
    L16,
    /// 24 bits, two's complement, high byte first (RFC 3190).
    L24,
    /// 16 bits, low byte first; bare frames only.
    S16Le,
    /// 24 bits in three bytes, low byte first; bare frames only.
    S24Le,
    /// 32 bits, low byte first; bare frames only.
    S32Le,
}

impl SampleCode {
    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
        match self {
            Self::L16 | Self::S16Le => 2,
            Self::L24 | Self::S24Le => 3,
            Self::S32Le => 4,
        }
    }

    /// True for what RTP has a payload format for.
    pub fn is_rtp(self) -> bool {
        matches!(self, Self::L16 | Self::L24)
    }

    /// Smallest and largest count.
    pub fn counts(self) -> (i32, i32) {
        let most = i32::MAX >> (32 - 8 * self.bytes());
        (-most - 1, most)
    }
}

/// What a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Gauge pressure, Pa, at `place`.
    GaugePressure,
    /// Pressure at `place` less that at `low_place`, Pa, both legs full of the liquid up to one transmitter.
    PressureDifference,
    /// Line current as an RMS value, A: a transducer has done the averaging.
    LineCurrent,
    /// Line current as it swings, A: the bare signal of a transformer or shunt, whose mean is zero whatever flows.
    CurrentWave,
    /// Shaft speed, rad/s (signed when the tachometer knows direction).
    ShaftSpeed,
    /// Flow, m3/s, at `place` along a pipe; positive from the pipe's start to its end.
    Flow,
    /// Electrical power drawn from the line, W: a transducer has done the averaging.
    LinePower,
    /// A contact: 0 open, 1 closed (an auxiliary contact that follows the starter's output).
    Contact,
}

impl Quantity {
    /// True where a reading at the low end of the range hides something: RMS currents and speeds rest there.
    pub fn may_clip_low(self) -> bool {
        matches!(self, Self::GaugePressure | Self::PressureDifference | Self::CurrentWave)
    }

    /// Dimension of its values.
    pub fn dimension(self) -> Dimension {
        match self {
            Self::GaugePressure | Self::PressureDifference => Dimension::Pressure,
            Self::LineCurrent | Self::CurrentWave => Dimension::Current,
            Self::ShaftSpeed => Dimension::Speed,
            Self::Flow => Dimension::Flow,
            Self::LinePower => Dimension::Power,
            Self::Contact => Dimension::Share,
        }
    }

    /// What its values are counted from.
    pub fn reference(self) -> Reference {
        match self {
            Self::GaugePressure => Reference::Gauge,
            _ => Reference::Unsaid,
        }
    }

    /// A current, as RMS or as it swings.
    pub fn is_current(self) -> bool {
        matches!(self, Self::LineCurrent | Self::CurrentWave)
    }

    /// False for a contact: both its ends are where it rests.
    pub fn may_clip(self) -> bool {
        self != Self::Contact
    }
}

/// A channel with its chain.
#[derive(Debug, Clone, Serialize)]
pub struct Channel {
    /// Id.
    pub id: ChannelId,
    /// What a person reads on an axis (`pump discharge`).
    pub label: String,
    /// Quantity.
    pub quantity: Quantity,
    /// Where; `None` for electrical and shaft channels.
    pub place: Option<Place>,
    /// Of a pressure difference: where its low side is.
    pub low_place: Option<Place>,
    /// Elevation of the diaphragm above datum, m (equals the place's elevation when not given).
    pub diaphragm_elevation_m: f64,
    /// Counts to SI.
    pub scaling: Scaling,
    /// Sensor range in SI, low and high; beyond it the reading is clipped.
    pub range: (f64, f64),
    /// Bandwidth of the whole chain but its impulse line, Hz (second order, damping 0.7 assumed).
    pub bandwidth_hz: f64,
    /// Channel frequency class of the analysis filter (SAE J211-1), e.g. 180; 0 = no filter.
    pub filter_class: u32,
    /// Standard uncertainty of the calibration, SI.
    pub calibration_u: f64,
    /// Position in a frame.
    pub input: usize,
    /// Its chain.
    pub chain: Chain,
}

/// A gauge pressure that water does not stand at for long, Pa.
const NEAR_VACUUM_PA: f64 = -0.9e5;

impl Channel {
    /// Readings that can be believed, SI: a reading that stays at or beyond one of these ends is a broken wire, a short
    /// circuit, a transmitter's own alarm (NE 43), or a value that the sensor cannot show. The low end of a direct sensor may
    /// be where it rests; it counts only where nothing rests there: a pressure near full vacuum, a current that swings.
    pub fn believable(&self) -> Option<(f64, f64)> {
        use crate::signal::loop_current::{FAILURE_HIGH_MA, FAILURE_LOW_MA, value_of};
        let (low, high) = self.range;
        match self.chain.wiring {
            // Its two ends are its two states.
            _ if self.quantity == Quantity::Contact => None,
            Wiring::Loop => Some((value_of(FAILURE_LOW_MA, self.range), value_of(FAILURE_HIGH_MA, self.range))),
            Wiring::Direct if self.quantity == Quantity::CurrentWave => Some((low, high)),
            Wiring::Direct if self.quantity == Quantity::GaugePressure && low <= NEAR_VACUUM_PA => Some((low, high)),
            Wiring::Direct => Some((f64::NEG_INFINITY, high)),
        }
    }
}

/// A condition that must hold before a start.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Permissive {
    /// Id.
    pub id: String,
    /// Sentence that says what would satisfy it.
    pub text: String,
    /// The condition.
    pub condition: Condition,
}

/// A condition on a live value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Condition {
    /// Mean of a channel over the last 0.1 s within limits, SI.
    ChannelBetween {
        /// Channel index.
        channel: usize,
        /// Low, SI.
        low: f64,
        /// High, SI.
        high: f64,
    },
    /// A slow value (role of the transfer/bench unit's map) equals.
    FieldIs {
        /// Role name in the transfer device's map.
        role: String,
        /// Raw value.
        value: u16,
    },
}

/// Why a trip acts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TripCause {
    /// A fast channel went over or under a limit.
    Limit,
    /// The sample stream is lost or stale.
    StreamLost,
    /// The link to the starter is lost.
    LinkLost,
    /// The pump does not prime in time, or runs without water.
    NotPrimed,
}

/// Time for each later stage of a stop where the rig file does not say, s (common practice, no source).
pub const LATER_STAGE_S: f64 = 3.0;

/// What a trip for a pump that does not prime says beside its limit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PrimingTrip {
    /// Time from the start order to a primed pump, s of rig time.
    pub within_s: f64,
    /// Starts in vain, one after the other, after which a person has to say that the cause is mended.
    pub tries: u32,
    /// Line-ups it watches, indices into the rig's.
    pub line_ups: Vec<usize>,
}

/// A declared trip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trip {
    /// Id.
    pub id: String,
    /// Cause.
    pub cause: TripCause,
    /// Channel index (limit trips).
    pub channel: Option<usize>,
    /// Trip above, SI.
    pub above: Option<f64>,
    /// Trip below, SI.
    pub below: Option<f64>,
    /// The limit must be passed this long, s of rig time.
    pub debounce_s: f64,
    /// Not looked at for this long after a start, s of rig time.
    pub blanking_s: f64,
    /// Kind of stop, first stage.
    pub stop: StopKind,
    /// Time allowed for the first stage, s; then the starter output is cut.
    pub deadline_s: f64,
    /// Time allowed for each later stage, s.
    pub later_s: f64,
    /// Trips of cause [`TripCause::NotPrimed`] only.
    pub priming: Option<PrimingTrip>,
}

//! What stands between pipe ends: one element a file, all answering with the head they add at a flow and speed.

pub(crate) mod air_valve;
mod check_valve;
mod disc_valve;
pub(crate) mod gas;
mod orifice;
mod other_pump;
mod pipe_loss;
mod pump;
mod relief_valve;
mod short_pipe;
mod tank;
mod valve;

pub(crate) use air_valve::AirValve;
pub(crate) use disc_valve::DiscValve;
pub(crate) use gas::Gas;
pub(crate) use orifice::Orifice;
pub(crate) use other_pump::OtherPump;
pub(crate) use pipe_loss::PipeLoss;
pub(crate) use relief_valve::ReliefValve;
pub(crate) use short_pipe::ShortPipe;
pub use short_pipe::WaveInShortPipe;
pub(crate) use tank::{Tank, TankStep};

use crate::hydraulics::check_valve::CheckValve;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::valve::Valve;

/// Head added from the `from` to the `to` end, with derivatives; torque for the shaft where there is one.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Gain {
    pub(crate) head_m: f64,
    pub(crate) head_by_flow: f64,
    pub(crate) head_by_speed: f64,
    pub(crate) torque_n_m: f64,
    pub(crate) torque_by_flow: f64,
    pub(crate) torque_by_speed: f64,
    /// dH/dH of the `from` end, 1.
    pub(crate) head_by_inlet: f64,
    /// dT/dH of the `from` end, N.
    pub(crate) torque_by_inlet: f64,
    /// No flow passes, whatever the heads.
    pub(crate) shut: bool,
}

impl Gain {
    fn loss(loss_s2_m5: f64, flow_m3_s: f64) -> Self {
        // The floor keeps Newton's matrix regular at rest; it does not enter the head itself. It stands where the loss
        // is a billionth of a millimetre, whatever the valve.
        const FLOOR_SQRT_M: f64 = 1.0e-6;
        let slope = (loss_s2_m5 * flow_m3_s.abs()).max(FLOOR_SQRT_M * loss_s2_m5.sqrt());
        Self { head_m: -loss_s2_m5 * flow_m3_s * flow_m3_s.abs(), head_by_flow: -2.0 * slope, ..Self::default() }
    }

    fn shut() -> Self {
        Self { shut: true, ..Self::default() }
    }
}

/// An element without length.
#[derive(Debug, Clone)]
pub(crate) enum Boundary {
    /// A valve or any loss by Kv.
    Valve(Valve),
    /// A check valve.
    CheckValve(CheckValve),
    /// The pump.
    Pump(Box<Pump>),
    /// A pump on a shaft of its own.
    OtherPump(Box<OtherPump>),
    /// A pipe in a steady state.
    PipeLoss(PipeLoss),
    /// A pipe too short for the grid.
    ShortPipe(Box<ShortPipe>),
    /// A fixed orifice.
    Orifice(Orifice),
    /// A check valve with a disc that takes time.
    DiscValve(DiscValve),
    /// A relief valve.
    ReliefValve(ReliefValve),
    /// Shut off for good.
    Blank,
}

impl Boundary {
    /// Head added at a flow and shaft speed, with water enough at its `from` end.
    pub(crate) fn gain(&self, flow_m3_s: f64, speed_rad_s: f64) -> Gain {
        self.gain_from(flow_m3_s, speed_rad_s, f64::INFINITY)
    }

    /// Head added at a flow, a shaft speed and a head at its `from` end.
    pub(crate) fn gain_from(&self, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64) -> Gain {
        match self {
            Self::Valve(valve) => valve::gain(valve, flow_m3_s),
            Self::CheckValve(valve) => check_valve::gain(valve, flow_m3_s),
            Self::Pump(pump) => pump::gain(pump, flow_m3_s, speed_rad_s, inlet_m),
            Self::OtherPump(pump) => pump.gain(flow_m3_s),
            Self::PipeLoss(loss) => loss.gain(flow_m3_s),
            Self::ShortPipe(pipe) => pipe.gain(flow_m3_s),
            Self::Orifice(orifice) => orifice.gain(flow_m3_s),
            Self::DiscValve(valve) => valve.gain(flow_m3_s),
            Self::ReliefValve(valve) => valve.gain(flow_m3_s),
            Self::Blank => Gain::shut(),
        }
    }

    /// A check or relief valve that stands open.
    pub(crate) fn is_open(&self) -> bool {
        match self {
            Self::CheckValve(valve) => valve.open,
            Self::ReliefValve(valve) => valve.open,
            _ => false,
        }
    }

    /// Put a check or relief valve as it stood.
    pub(crate) fn set_open(&mut self, open: bool) {
        match self {
            Self::CheckValve(valve) => valve.open = open,
            Self::ReliefValve(valve) => valve.open = open,
            _ => {}
        }
    }

    /// Rated flow of a pump, m3/s; `None` for anything else.
    pub(crate) fn rated_flow_m3_s(&self) -> Option<f64> {
        match self {
            Self::Pump(pump) => Some(pump.rated_flow_m3_s()),
            Self::OtherPump(pump) => Some(pump.rated_flow_m3_s()),
            _ => None,
        }
    }

    /// Let the element answer to a solution; true when it changed its state.
    pub(crate) fn change_state(&mut self, head_across_m: f64, flow_m3_s: f64) -> bool {
        match self {
            Self::CheckValve(valve) => check_valve::change_state(valve, head_across_m, flow_m3_s),
            Self::DiscValve(valve) => valve.change_state(head_across_m, flow_m3_s),
            Self::ReliefValve(valve) => valve.change_state(head_across_m, flow_m3_s),
            _ => false,
        }
    }
}

//! Loss of supply from steady running, computed beside every prediction: no ramp helps then.
//!
//! The motor's torque is gone from one instant to the next and the rotor coasts; valves stay as they are. An emergency stop
//! does the same to the water, later by the time the line contactor takes to open.

use super::PredictionError;
use super::events::{Observer, PredictedEvent, PumpState};
use super::sensors::{PIECE_S, Sensors};
use crate::hydraulics::plant::Plant;
use crate::hydraulics::shaft::NoDrive;
use crate::hydraulics::spec::{ElementKind, GridOptions};
use crate::hydraulics::wave_speed::reflection_time_s;
use crate::rig::model::Rig;
use crate::sequence::marks::Phase;
use serde::{Deserialize, Serialize};

/// Followed for this long and for [`REFLECTIONS`] of the longest pipe, s.
pub const FOLLOWED_S: f64 = 12.0;
/// See [`FOLLOWED_S`].
pub const REFLECTIONS: f64 = 8.0;
/// The water stands when no pressure moves by more than this in a second, Pa ...
const STILL_PA: f64 = 2_000.0;
/// ... and this long at least has passed, s.
const SHORTEST_S: f64 = 2.0;

/// What loss of supply does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossOfSupply {
    /// Shaft speed that it begins from, rad/s.
    pub from_speed_rad_s: f64,
    /// Flow that it begins from, m3/s.
    pub from_flow_m3_s: f64,
    /// One entry a channel, rig order.
    pub channels: Vec<LossFigures>,
    /// Time until no water runs forwards through the pump, s; `None`: it still does when the look ends.
    pub flow_ends_after_s: Option<f64>,
    /// Largest flow backwards through the pump, m3/s; 0: none.
    pub reverse_flow_m3_s: f64,
    /// Fastest reverse rotation, rad/s; 0: none.
    pub backspin_rad_s: f64,
    /// How long it was followed, s.
    pub followed_s: f64,
    /// What happens, from the loss on.
    pub events: Vec<PredictedEvent>,
}

/// Figures of one channel, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossFigures {
    /// Channel id.
    pub id: String,
    /// Before.
    pub steady: f64,
    /// Largest afterwards.
    pub maximum: f64,
    /// When, s.
    pub maximum_at_s: f64,
    /// Smallest afterwards.
    pub minimum: f64,
    /// When, s.
    pub minimum_at_s: f64,
}

impl LossFigures {
    fn standing_at(id: &str, value: f64) -> Self {
        let id = id.to_owned();
        Self { id, steady: value, maximum: value, maximum_at_s: 0.0, minimum: value, minimum_at_s: 0.0 }
    }

    fn take(&mut self, value: f64, at_s: f64) {
        if value > self.maximum {
            (self.maximum, self.maximum_at_s) = (value, at_s);
        }
        if value < self.minimum {
            (self.minimum, self.minimum_at_s) = (value, at_s);
        }
    }
}

/// Follows the loss from the steady state of a shaft speed in a line-up.
///
/// Accuracy: that of the plant; the steady state is the steady solver's, without what a start left swinging in the line.
///
/// # Errors
/// The hydraulic model refuses or fails.
pub fn loss_of_supply(
    rig: &Rig,
    line_up: usize,
    speed_rad_s: f64,
    grid: &GridOptions,
) -> Result<LossOfSupply, PredictionError> {
    let (network, shaft, _) = rig.plant_parts(line_up);
    let mut plant = Plant::started_at(&network, &shaft, NoDrive, grid, speed_rad_s)?;
    if let Some(lines) = rig.lines_at_start(line_up) {
        plant.let_air_in(lines.self_priming)?;
    }
    let mut sensors = Sensors::at_rest(rig, &plant);
    let mut channels: Vec<LossFigures> =
        rig.channels.iter().zip(&sensors.newest).map(|(c, value)| LossFigures::standing_at(&c.id.0, *value)).collect();
    let from_flow_m3_s = plant.pump_flow_m3_s();
    let mut observer = Observer::default();
    observer.mark(0, Phase::Stop, 0.0);
    let (mut reverse_flow_m3_s, mut backspin_rad_s, mut flow_ends_after_s) = (0.0_f64, 0.0_f64, None);
    let steps_a_piece = (PIECE_S / plant.dt_s()).round().max(1.0) as u64;
    let longest_s = longest_s(rig);
    let mut standing = false;
    while plant.time_s() < longest_s && !standing {
        for _ in 0..steps_a_piece {
            plant.advance()?;
            sensors.read(&plant);
            let (now_s, flow_m3_s, speed_rad_s) = (plant.time_s(), plant.pump_flow_m3_s(), plant.speed_rad_s());
            channels.iter_mut().zip(&sensors.newest).for_each(|(figures, value)| figures.take(*value, now_s));
            if flow_m3_s <= 0.0 && flow_ends_after_s.is_none() {
                flow_ends_after_s = Some(now_s);
            }
            reverse_flow_m3_s = reverse_flow_m3_s.max(-flow_m3_s);
            backspin_rad_s = backspin_rad_s.max(-speed_rad_s);
            observer.look(rig, PumpState { now_s, flow_m3_s, speed_rad_s, driven: false });
        }
        sensors.end_piece();
        observer.take(rig, plant.take_events(), 0.0);
        standing = plant.time_s() > SHORTEST_S
            && plant.speed_rad_s().abs() < rig.rest_speed_rad_s
            && sensors
                .spans()
                .iter()
                .zip(&rig.channels)
                .all(|(span, channel)| channel.place.is_none() || *span < STILL_PA);
    }
    Ok(LossOfSupply {
        from_speed_rad_s: speed_rad_s,
        from_flow_m3_s,
        channels,
        flow_ends_after_s,
        reverse_flow_m3_s,
        backspin_rad_s,
        followed_s: plant.time_s(),
        events: observer.events,
    })
}

fn longest_s(rig: &Rig) -> f64 {
    let times = rig.network.elements.iter().map(|element| match &element.kind {
        ElementKind::Pipe(pipe) => reflection_time_s(pipe.length_m, pipe.wave_speed_m_s),
        _ => 0.0,
    });
    FOLLOWED_S.max(REFLECTIONS * times.sum::<f64>())
}

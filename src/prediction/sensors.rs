//! Simulated channels: true values of the plant through each channel's response and range, and the running means and spans
//! that a live stream would show.

use super::Response;
use crate::hydraulics::plant::{Plant, ShaftDriver};
use crate::rig::model::{Channel, Quantity, Rig};
use std::collections::VecDeque;

/// Running figures are kept in pieces of this length, s; the machine has its turn once a piece.
pub const PIECE_S: f64 = 5e-3;
/// Span window, s.
const SPAN_S: f64 = 1.0;
/// Mean window, s.
const MEAN_S: f64 = 0.1;

/// All channels of a rig.
#[derive(Debug)]
pub struct Sensors {
    channels: Vec<Channel>,
    responses: Vec<Response>,
    windows: Vec<Window>,
    /// Newest value of each channel, SI.
    pub newest: Vec<f64>,
}

impl Sensors {
    /// Channels of `rig` on a plant that has stood as it is for long.
    pub fn at_rest<D: ShaftDriver>(rig: &Rig, plant: &Plant<D>) -> Self {
        let newest: Vec<f64> = rig.channels.iter().map(|channel| truth(plant, channel)).collect();
        let response =
            |(channel, value): (&Channel, &f64)| Response::at_rest(channel.bandwidth_hz, plant.dt_s(), *value);
        Self {
            responses: rig.channels.iter().zip(&newest).map(response).collect(),
            windows: newest.iter().map(|value| Window::standing_at(*value)).collect(),
            channels: rig.channels.clone(),
            newest,
        }
    }

    /// Takes in the plant's new time level.
    pub fn read<D: ShaftDriver>(&mut self, plant: &Plant<D>) {
        for (index, channel) in self.channels.iter().enumerate() {
            let through = self.responses[index].step(truth(plant, channel));
            let value = through.clamp(channel.range.0, channel.range.1);
            self.newest[index] = value;
            self.windows[index].take(value);
        }
    }

    /// Ends a piece of the running figures.
    pub fn end_piece(&mut self) {
        self.windows.iter_mut().for_each(Window::end_piece);
    }

    /// Mean of the last 0.1 s, channel order.
    pub fn means(&self) -> Vec<f64> {
        self.windows.iter().map(Window::mean).collect()
    }

    /// Largest minus smallest of the last 1 s, channel order.
    pub fn spans(&self) -> Vec<f64> {
        self.windows.iter().map(Window::span).collect()
    }
}

fn truth<D: ShaftDriver>(plant: &Plant<D>, channel: &Channel) -> f64 {
    match (channel.quantity, channel.place) {
        (Quantity::GaugePressure, Some(place)) => plant.gauge_pa(place, channel.diaphragm_elevation_m),
        (Quantity::PressureDifference, Some(high)) => channel.low_place.map_or(f64::NAN, |low| {
            let at = |place| plant.gauge_pa(place, channel.diaphragm_elevation_m);
            at(high) - at(low)
        }),
        (Quantity::GaugePressure | Quantity::PressureDifference, None) => f64::NAN,
        (Quantity::LineCurrent | Quantity::CurrentWave, _) => plant.current_a(),
        (Quantity::ShaftSpeed, _) => plant.speed_rad_s(),
        (Quantity::LinePower, _) => plant.power_w(),
        (Quantity::Flow, Some(place)) => plant.flow_m3_s(place),
        (Quantity::Flow, None) => f64::NAN,
        // An output that is on drives current through the motor.
        (Quantity::Contact, _) => f64::from(u8::from(plant.current_a().abs() > 0.0)),
    }
}

/// Smallest, largest, sum and count of one piece.
#[derive(Debug, Clone, Copy)]
struct Piece {
    least: f64,
    most: f64,
    sum: f64,
    count: u32,
}

const EMPTY: Piece = Piece { least: f64::INFINITY, most: f64::NEG_INFINITY, sum: 0.0, count: 0 };

/// The last second of a channel, in pieces.
#[derive(Debug)]
struct Window {
    /// Of the last [`MEAN_S`].
    pieces: VecDeque<Piece>,
    /// Pieces, by their number, that are the smallest or the largest of all from them on, oldest first.
    least: VecDeque<(u64, f64)>,
    most: VecDeque<(u64, f64)>,
    ended: u64,
    present: Piece,
}

impl Window {
    fn standing_at(value: f64) -> Self {
        let piece = Piece { least: value, most: value, sum: value, count: 1 };
        let only = || VecDeque::from([(0, value)]);
        Self {
            pieces: std::iter::repeat_n(piece, pieces_in(MEAN_S)).collect(),
            least: only(),
            most: only(),
            ended: 0,
            present: EMPTY,
        }
    }

    fn take(&mut self, value: f64) {
        let piece = &mut self.present;
        piece.least = piece.least.min(value);
        piece.most = piece.most.max(value);
        piece.sum += value;
        piece.count += 1;
    }

    fn end_piece(&mut self) {
        let piece = std::mem::replace(&mut self.present, EMPTY);
        if piece.count > 0 {
            self.pieces.pop_front();
            self.pieces.push_back(piece);
            self.ended += 1;
            keep(&mut self.least, (self.ended, piece.least), |kept, new| kept >= new);
            keep(&mut self.most, (self.ended, piece.most), |kept, new| kept <= new);
        }
    }

    fn mean(&self) -> f64 {
        let (sum, count) =
            self.pieces.iter().fold((0.0, 0), |(sum, count), piece| (sum + piece.sum, count + piece.count));
        sum / f64::from(count)
    }

    fn span(&self) -> f64 {
        let end = |kept: &VecDeque<(u64, f64)>, none: f64| kept.front().map_or(none, |(_, value)| *value);
        end(&self.most, f64::NEG_INFINITY) - end(&self.least, f64::INFINITY)
    }
}

/// One more piece: what it surpasses and what is too old goes.
fn keep(kept: &mut VecDeque<(u64, f64)>, new: (u64, f64), surpassed: impl Fn(f64, f64) -> bool) {
    while kept.back().is_some_and(|(_, value)| surpassed(*value, new.1)) {
        kept.pop_back();
    }
    kept.push_back(new);
    while kept.front().is_some_and(|(number, _)| number + pieces_in(SPAN_S) as u64 <= new.0) {
        kept.pop_front();
    }
}

fn pieces_in(time_s: f64) -> usize {
    (time_s / PIECE_S).round() as usize
}

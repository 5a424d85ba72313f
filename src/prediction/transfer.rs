//! Where the tanks stand before and after: what a line-up that moves water from one to another comes to.

use super::Prediction;
use super::beside::plain;
use crate::hydraulics::spec::Terminal;
use crate::rig::model::Rig;
use crate::units::Dimension;
use crate::units::display::System;
use serde::Serialize;

/// A level that moves less counts as still, m.
const STILL_M: f64 = 1.0e-3;

/// A tank whose level moves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Moved {
    /// Node of the tank.
    pub tank: String,
    /// Level at the first start, m above datum.
    pub from_m: f64,
    /// Level at the end of what is predicted, m.
    pub to_m: f64,
    /// Room left under the rim, m; `None` without a rim.
    pub freeboard_m: Option<f64>,
}

/// Every tank of a prediction whose level moves.
pub fn moved(rig: &Rig, prediction: &Prediction) -> Vec<Moved> {
    let (Some(first), Some(last)) = (prediction.segments.first(), prediction.segments.last()) else {
        return Vec::new();
    };
    let tank = |node: &crate::hydraulics::spec::NodeSpec| {
        let Terminal::Tank { overflow_m, .. } = node.terminal else { return None };
        let name = format!("level_{}_m", plain(&node.name));
        let series = prediction.beside.iter().position(|known| *known == name)?;
        let from_m = f64::from(*first.beside.get(series)?.first()?);
        let to_m = f64::from(*last.beside.get(series)?.last()?);
        let freeboard_m = overflow_m.is_finite().then_some(overflow_m - to_m);
        ((to_m - from_m).abs() > STILL_M).then(|| Moved { tank: node.name.clone(), from_m, to_m, freeboard_m })
    };
    rig.network.nodes.iter().filter_map(tank).collect()
}

/// Every tank that the predicted run fills to its rim, in words; a start is refused for any of them.
pub fn runs_over(rig: &Rig, prediction: &Prediction) -> Vec<String> {
    let full = |moved: &Moved| moved.freeboard_m.is_some_and(|room_m| room_m <= STILL_M) && moved.to_m > moved.from_m;
    let words = |moved: &Moved| {
        let room_m = moved.to_m - moved.from_m;
        format!(
            "tank {} stands at {:.2} m, {room_m:.2} m under its rim, and is predicted to run over: draw it down, or run shorter",
            moved.tank, moved.from_m
        )
    };
    moved(rig, prediction).iter().filter(|moved| full(moved)).map(words).collect()
}

impl Moved {
    /// In a line.
    pub fn words(&self, units: System) -> String {
        let shown = |si: f64| units.plain(si, Dimension::Length);
        let room = match self.freeboard_m {
            Some(room_m) if room_m > STILL_M => format!(", freeboard {}", shown(room_m)),
            Some(_) => ", full to its rim: it runs over".to_owned(),
            None => String::new(),
        };
        format!("level of tank {}: {} to {}{room}", self.tank, shown(self.from_m), shown(self.to_m))
    }
}

//! What bounds a line-up's pump: speeds of use, the time it needs to prime, and why not.

use crate::hydraulics::plant::{LinesAtStart, Plant};
use crate::hydraulics::priming::{Readiness, prime};
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump::trouble::{
    Bound, SpeedLimits, TroubleError, maximum_speed_rad_s, minimum_useful_speed_rad_s,
};
use crate::hydraulics::shaft::NoDrive;
use crate::hydraulics::spec::{ElementKind, NetworkSpec, ShaftSpec};
use crate::rig::model::Rig;
use crate::starters::motor::synchronous_speed_rad_s;
use serde::Serialize;
use std::f64::consts::TAU;

/// Priming that takes longer than this counts as not priming, s.
const LONGEST_PRIMING_S: f64 = 600.0;

/// Speeds between which the pump is of use.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct UsefulSpeeds {
    /// Below it the pump does not beat the static head, rad/s.
    pub minimum_rad_s: f64,
    /// Above it motor power or a rated pressure is exceeded, rad/s.
    pub maximum_rad_s: f64,
    /// True: power holds the maximum; false: pressure does.
    pub maximum_by_power: bool,
}

/// Priming of a line-up that starts with an empty suction leg.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PrimingFigures {
    /// From running speed until water is at the pump, s; `None` with the reason in `not_primed`.
    pub time_s: Option<f64>,
    /// Why it does not prime.
    pub not_primed: Option<String>,
}

/// Speeds of use against a static head, power judged at `duty_flow_ratio` of rated flow; `None` without a pump.
pub(super) fn useful_speeds(
    rig: &Rig,
    network: &NetworkSpec,
    static_m: f64,
    duty_flow_ratio: f64,
) -> Option<Result<UsefulSpeeds, TroubleError>> {
    let (index, pump) = network.elements.iter().enumerate().find_map(|(index, element)| {
        let ElementKind::Pump(spec) = &element.kind else { return None };
        let liquid = &network.liquid;
        Pump::new(&element.name, spec, liquid.density_kg_m3, liquid.gravity_m_s2).ok().map(|pump| (index, pump))
    })?;
    let top_rad_s = super::top_speed_rad_s(rig);
    let strongest_m = standing_head_m(rig, network, index)?;
    let limits = SpeedLimits {
        power_w: rig.motor.rated_power_w * rig.motor.mounting.belt_efficiency,
        head_m: strongest_m,
        duty_flow_ratio,
    };
    let speeds = minimum_useful_speed_rad_s(&pump, static_m, top_rad_s).and_then(|minimum_rad_s| {
        let (maximum_rad_s, bound) = maximum_speed_rad_s(&pump, &limits)?;
        Ok(UsefulSpeeds { minimum_rad_s, maximum_rad_s, maximum_by_power: bound == Bound::Power })
    });
    Some(speeds)
}

/// Speeds of use of a line-up and its static head, m; `None` where no static head or no speed is of use.
///
/// Power is judged at rated flow.
pub fn useful_speeds_of(rig: &Rig, line_up: usize) -> Option<(UsefulSpeeds, f64)> {
    let (network, ..) = rig.plant_parts(line_up);
    let (suction_m, delivery_m) = super::levels(&network);
    let static_m = delivery_m? - suction_m?;
    let speeds = useful_speeds(rig, &network, static_m, 1.0)?.ok()?;
    Some((speeds, static_m))
}

/// Why the pump moves no water in a line-up at any speed its starters give, with the numbers; `None`: it does.
pub fn why_no_water(rig: &Rig, line_up: usize) -> Option<String> {
    let (network, ..) = rig.plant_parts(line_up);
    let (suction_m, delivery_m) = super::levels(&network);
    let static_m = super::head_beside_others_m(&network).or(delivery_m.zip(suction_m).map(|(to, from)| to - from))?;
    useful_speeds(rig, &network, static_m, 1.0)?.err().map(|why| why.to_string())
}

/// Why a drive's set speed moves no water against a static head, with both speeds; `None`: it does.
pub fn slow_setting(rig: &Rig, speeds: &UsefulSpeeds, static_m: f64, speed_share: f64) -> Option<String> {
    let set_rad_s = set_speed_rad_s(rig, speed_share);
    (set_rad_s < speeds.minimum_rad_s).then(|| {
        format!(
            "{:.0} % ({:.0} rpm) is below the {:.0} rpm that beat the static head of {static_m:.1} m: it moves no water",
            100.0 * speed_share,
            rpm(set_rad_s),
            rpm(speeds.minimum_rad_s)
        )
    })
}

/// Why a drive's set speed is too high for the motor or a part, with both speeds; `None`: it is not.
pub fn fast_setting(rig: &Rig, speeds: &UsefulSpeeds, speed_share: f64) -> Option<String> {
    let set_rad_s = set_speed_rad_s(rig, speed_share);
    let holds = if speeds.maximum_by_power { "the motor's power" } else { "a rated pressure" };
    (set_rad_s > speeds.maximum_rad_s).then(|| {
        format!(
            "{:.0} % ({:.0} rpm) is above the {:.0} rpm that {holds} allows",
            100.0 * speed_share,
            rpm(set_rad_s),
            rpm(speeds.maximum_rad_s)
        )
    })
}

/// Speed of the pump that a drive's set speed gives, slip left out, rad/s.
fn set_speed_rad_s(rig: &Rig, speed_share: f64) -> f64 {
    let synchronous_rad_s = synchronous_speed_rad_s(rig.motor.frequency_hz, rig.motor.poles);
    speed_share * synchronous_rad_s * rig.motor.mounting.belt_ratio
}

fn rpm(speed_rad_s: f64) -> f64 {
    speed_rad_s * 60.0 / TAU
}

/// Head over the suction level that the weakest part of the delivery side stands, m.
fn standing_head_m(rig: &Rig, network: &NetworkSpec, pump: usize) -> Option<f64> {
    let (suction_m, _) = super::levels(network);
    let delivery = super::shut_off::delivery_nodes(network);
    let weight_n_m3 = network.liquid.density_kg_m3 * network.liquid.gravity_m_s2;
    let parts = network.elements.iter().zip(&rig.ratings).enumerate();
    let delivered = parts.filter(|(index, (element, _))| *index == pump || delivery[element.to]);
    let head_m = delivered.map(|(_, (element, rating))| {
        let lowest_m = network.nodes[element.from].elevation_m.min(network.nodes[element.to].elevation_m);
        lowest_m + rating.max_gauge_pa / weight_n_m3
    });
    Some(head_m.reduce(f64::min)? - suction_m?)
}

/// Priming of a drained suction leg at a running speed.
pub(super) fn priming(
    rig: &Rig,
    network: &NetworkSpec,
    shaft: &ShaftSpec,
    lines: &LinesAtStart,
    speed_rad_s: f64,
) -> PrimingFigures {
    let not_primed = |why: String| PrimingFigures { time_s: None, not_primed: Some(why) };
    let plant = match Plant::with_lines(network, shaft, NoDrive, &rig.grid(), lines) {
        Ok(plant) => plant,
        Err(why) => return not_primed(why.to_string()),
    };
    let (Some((leg, described)), Some(rated_rad_s)) = (plant.suction_leg(), plant.rated_speed_rad_s()) else {
        return not_primed("the pump does not stand above the water it draws from".to_owned());
    };
    let ready = Readiness { casing_charged: true, vent_open: plant.vent_open() };
    let share = speed_rad_s / rated_rad_s;
    match prime(&leg, &described.air, &network.liquid, share, ready, LONGEST_PRIMING_S) {
        Ok(primed) => PrimingFigures { time_s: Some(primed.time_s), not_primed: None },
        Err(why) => not_primed(why.to_string()),
    }
}

//! The pump in all four quadrants: published data for the shape, the user's own curve where the pump pumps.

pub(crate) mod curve;
pub mod four_quadrant;
mod suction;
pub mod trouble;
mod worn;

pub(crate) use suction::Suction;

use super::error::HydraulicsError;
use super::spec::{PumpCondition, PumpSpec};
use curve::Curve;
use four_quadrant::{Read, angle_rad};
use std::f64::consts::{FRAC_PI_4, PI};

/// Largest difference between the curve at rated flow and the rated head, share of the rated head.
const RATED_POINT_TOLERANCE: f64 = 0.2;
/// Width over which the difference between own curve and published data fades out beyond the curve's ends, rad.
const FADE_RAD: f64 = FRAC_PI_4;
/// Most slip through worn rings that is taken, share of rated flow.
const WEAR_MAX: f64 = 0.5;
/// Smallest torque ratio that extrapolation of the power curve may reach, share of the nearest given point.
const EXTRAPOLATION_FLOOR: f64 = 0.3;

/// Head and torque of a pump at one state, with derivatives for Newton's method.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PumpPoint {
    /// Head gained from the suction to the discharge side, m.
    pub head_m: f64,
    /// dH/dQ, s/m2.
    pub head_by_flow: f64,
    /// dH/dw, m s.
    pub head_by_speed: f64,
    /// Torque that the water takes from the shaft, N m; negative drives the shaft forwards.
    pub torque_n_m: f64,
    /// dT/dQ, N s/m2.
    pub torque_by_flow: f64,
    /// dT/dw, N m s.
    pub torque_by_speed: f64,
}

/// A pump ready to be evaluated at any speed and flow.
///
/// Equation: `H = HR (alpha^2 + v^2) WH(x)`, `T = TR (alpha^2 + v^2) WB(x)`, `x = pi + atan2(v, alpha)`,
/// `TR = rho g QR HR / (eta wR)` (alpha = w/wR, v = Q/QR). Where alpha > 0 and `0 <= v/alpha <= v_end` (the end of the
/// user's curve) the user's curve at rated speed is scaled by affinity, `h = alpha^2 h1(v/alpha)`; outside, the published
/// Ns 35 data plus the difference at the curve's end, which fades out smoothly over pi/4 of the angle, so that head
/// and torque are continuous everywhere. Torque inside comes from shaft power `rho g Q H / eta` at the efficiency
/// points with flow, carried straight to shut-off and to the curve's end.
///
/// Worn rings let water slip back, so that the impeller carries more than the flanges (`worn`). Turned the wrong
/// way (two phases swapped) it is the same impeller at negative speed, from the published data: at shut-off 0.634 of the
/// rated head, half of what it gives the right way, and nothing from about 0.35 of rated flow on; the trade's rule of a
/// half to two thirds of the head is at the upper end of that (common practice, no source).
///
/// Range: all finite speeds and flows. Accuracy: published data, three figures (`suter-35-*`); continuity and
/// derivatives by the tests below. Source: WS93 chapter 7 and appendix C; Donsky 1961.
#[derive(Debug, Clone)]
pub struct Pump {
    rated_speed_rad_s: f64,
    rated_flow_m3_s: f64,
    rated_head_m: f64,
    rated_torque_n_m: f64,
    own_head: Option<OwnCurve>,
    own_torque: Option<OwnCurve>,
    condition: PumpCondition,
    /// What stands at its inlet; `None`: suction head does not matter.
    pub(crate) suction: Option<Suction>,
    /// Shares of head and torque left by suction head and gas, where they are held through a step.
    pub(crate) held: Option<(f64, f64)>,
    /// Share of its head that it makes: 1 full of water, 0 without prime.
    pub(crate) prime_share: f64,
}

/// A user's curve in ratios at rated speed, and how far it stands off the published data at its two ends.
#[derive(Debug, Clone)]
struct OwnCurve {
    curve: Curve,
    end_rad: f64,
    offset_start: f64,
    offset_end: f64,
}

impl Pump {
    /// Build a pump.
    ///
    /// # Errors
    /// Rated values that are not positive, a curve with fewer than three points or without rising flows, a curve that
    /// misses the rated point by more than a fifth, efficiencies outside 0..1.
    pub fn new(name: &str, spec: &PumpSpec, density_kg_m3: f64, gravity_m_s2: f64) -> Result<Self, HydraulicsError> {
        check_rated(name, spec)?;
        check_points(name, spec)?;
        let weight_n_m3 = density_kg_m3 * gravity_m_s2;
        let power_w = weight_n_m3 * spec.rated_flow_m3_s * spec.rated_head_m / spec.rated_efficiency;
        let own_head = head_curve(spec);
        if let Some(own) = &own_head {
            check_rated_point(name, spec, &own.curve)?;
        }
        let own_torque = torque_curve(spec, own_head.as_ref());
        Ok(Self {
            rated_speed_rad_s: spec.rated_speed_rad_s,
            rated_flow_m3_s: spec.rated_flow_m3_s,
            rated_head_m: spec.rated_head_m,
            rated_torque_n_m: power_w / spec.rated_speed_rad_s,
            own_head,
            own_torque,
            condition: spec.condition,
            suction: None,
            held: None,
            prime_share: 1.0,
        })
    }

    /// Rated torque, N m.
    #[must_use]
    pub fn rated_torque_n_m(&self) -> f64 {
        self.rated_torque_n_m
    }

    /// Rated flow, m3/s.
    #[must_use]
    pub fn rated_flow_m3_s(&self) -> f64 {
        self.rated_flow_m3_s
    }

    /// Rated speed, rad/s.
    #[must_use]
    pub fn rated_speed_rad_s(&self) -> f64 {
        self.rated_speed_rad_s
    }

    /// True where the published data are all there is to it.
    pub(crate) fn is_published_only(&self) -> bool {
        let as_new = self.condition.wear_leak_share <= 0.0 && !self.condition.wrong_rotation;
        self.own_head.is_none() && self.own_torque.is_none() && as_new
    }

    /// Curves of head and torque over the ratio of flow to speed, where both are its own and it is as new.
    pub(crate) fn own_curves(&self) -> Option<[&Curve; 2]> {
        let as_new = self.condition.wear_leak_share <= 0.0 && !self.condition.wrong_rotation;
        let both = self.own_head.as_ref().zip(self.own_torque.as_ref()).filter(|_| as_new);
        both.map(|(head, torque)| [&head.curve, &torque.curve])
    }

    /// From now on it is as the condition says.
    pub(crate) fn set_condition(&mut self, condition: PumpCondition) {
        let wear_leak_share = condition.wear_leak_share.clamp(0.0, WEAR_MAX);
        self.condition = PumpCondition { wear_leak_share, ..condition };
    }

    /// How it is not as it was.
    pub(crate) fn condition(&self) -> &PumpCondition {
        &self.condition
    }

    /// Rated head, m.
    #[must_use]
    pub fn rated_head_m(&self) -> f64 {
        self.rated_head_m
    }

    /// Head, torque and derivatives at a flow (m3/s, positive from suction to discharge) and speed (rad/s, positive in
    /// the direction the motor turns it). Water enough at the inlet; for less see [`trouble`].
    #[must_use]
    pub fn at(&self, flow_m3_s: f64, speed_rad_s: f64) -> PumpPoint {
        let impeller = |through_m3_s: f64| match self.condition.wrong_rotation {
            false => self.impeller(through_m3_s, speed_rad_s),
            true => self.impeller(through_m3_s, -speed_rad_s).turned(),
        };
        if self.condition.wear_leak_share <= 0.0 {
            return impeller(flow_m3_s);
        }
        let rings = worn::Rings {
            slip_m3_s: self.condition.wear_leak_share * self.rated_flow_m3_s,
            rated_head_m: self.rated_head_m,
            rated_flow_m3_s: self.rated_flow_m3_s,
        };
        rings.point(flow_m3_s, impeller)
    }

    /// The impeller as new, turned at its own speed, positive in the pumping direction.
    fn impeller(&self, flow_m3_s: f64, speed_rad_s: f64) -> PumpPoint {
        let (alpha, v) = (speed_rad_s / self.rated_speed_rad_s, flow_m3_s / self.rated_flow_m3_s);
        let x_rad = angle_rad(alpha, v);
        let head = surface(alpha, v, x_rad, self.own_head.as_ref(), four_quadrant::head);
        let torque = surface(alpha, v, x_rad, self.own_torque.as_ref(), four_quadrant::torque);
        PumpPoint {
            head_m: self.rated_head_m * head.value,
            head_by_flow: self.rated_head_m * head.by_flow / self.rated_flow_m3_s,
            head_by_speed: self.rated_head_m * head.by_speed / self.rated_speed_rad_s,
            torque_n_m: self.rated_torque_n_m * torque.value,
            torque_by_flow: self.rated_torque_n_m * torque.by_flow / self.rated_flow_m3_s,
            torque_by_speed: self.rated_torque_n_m * torque.by_speed / self.rated_speed_rad_s,
        }
    }
}

impl PumpPoint {
    /// With shares of its head and torque.
    fn times(self, (head, torque): (f64, f64)) -> Self {
        Self {
            head_m: head * self.head_m,
            head_by_flow: head * self.head_by_flow,
            head_by_speed: head * self.head_by_speed,
            torque_n_m: torque * self.torque_n_m,
            torque_by_flow: torque * self.torque_by_flow,
            torque_by_speed: torque * self.torque_by_speed,
        }
    }

    /// Seen from a shaft that counts its speed the other way round.
    fn turned(self) -> Self {
        Self {
            head_by_speed: -self.head_by_speed,
            torque_n_m: -self.torque_n_m,
            torque_by_flow: -self.torque_by_flow,
            ..self
        }
    }
}

/// A ratio over the plane of speed and flow ratios, with its two derivatives.
struct Surface {
    value: f64,
    by_flow: f64,
    by_speed: f64,
}

fn surface(alpha: f64, v: f64, x_rad: f64, own: Option<&OwnCurve>, published: fn(f64) -> Read) -> Surface {
    if let Some(own) = own.filter(|own| alpha > 0.0 && x_rad >= PI && x_rad <= own.end_rad) {
        let ratio = v / alpha;
        let (value, slope) = own.curve.at(ratio);
        let by_speed = alpha * (2.0 * value - slope * ratio);
        return Surface { value: alpha * alpha * value, by_flow: alpha * slope, by_speed };
    }
    let mut w = published(x_rad);
    if let Some(own) = own {
        own.add_fade(x_rad, &mut w);
    }
    Surface {
        value: (alpha * alpha + v * v) * w.value,
        by_flow: 2.0 * v * w.value + alpha * w.slope,
        by_speed: 2.0 * alpha * w.value - v * w.slope,
    }
}

impl OwnCurve {
    fn new(curve: Curve, published: fn(f64) -> Read) -> Self {
        let end = curve.end();
        let end_rad = PI + end.atan();
        let offset_start = curve.at(0.0).0 - published(PI).value;
        let offset_end = curve.at(end).0 / (1.0 + end * end) - published(end_rad).value;
        Self { curve, end_rad, offset_start, offset_end }
    }

    fn add_fade(&self, x_rad: f64, w: &mut Read) {
        let (offset, distance, direction) = if x_rad < PI {
            (self.offset_start, PI - x_rad, -1.0)
        } else {
            (self.offset_end, x_rad - self.end_rad, 1.0)
        };
        let t = distance / FADE_RAD;
        if t < 1.0 {
            w.value += offset * (1.0 - t * t * (3.0 - 2.0 * t));
            w.slope -= offset * direction * 6.0 * t * (1.0 - t) / FADE_RAD;
        }
    }
}

fn head_curve(spec: &PumpSpec) -> Option<OwnCurve> {
    let ratios = spec.curve.iter().map(|(q, h)| (q / spec.rated_flow_m3_s, h / spec.rated_head_m)).collect::<Vec<_>>();
    (!ratios.is_empty()).then(|| OwnCurve::new(Curve::through(ratios), four_quadrant::head))
}

fn torque_curve(spec: &PumpSpec, head: Option<&OwnCurve>) -> Option<OwnCurve> {
    let head = head?;
    let end = head.curve.end();
    let mut points: Vec<(f64, f64)> = spec
        .efficiency
        .iter()
        .map(|(q, eta)| (q / spec.rated_flow_m3_s, *eta))
        .filter(|(v, eta)| *v > 0.0 && *v <= end && *eta > 0.0)
        .map(|(v, eta)| (v, v * head.curve.at(v).0 * spec.rated_efficiency / eta))
        .collect();
    if points.len() < 2 {
        return None;
    }
    let first = extrapolated(points[1], points[0], 0.0);
    let last = extrapolated(points[points.len() - 2], points[points.len() - 1], end);
    points.insert(0, first);
    if points[points.len() - 1].0 < end {
        points.push(last);
    }
    Some(OwnCurve::new(Curve::through(points), four_quadrant::torque))
}

fn extrapolated(from: (f64, f64), through: (f64, f64), to: f64) -> (f64, f64) {
    let slope = (through.1 - from.1) / (through.0 - from.0);
    (to, (through.1 + slope * (to - through.0)).max(EXTRAPOLATION_FLOOR * through.1))
}

fn check_rated(name: &str, spec: &PumpSpec) -> Result<(), HydraulicsError> {
    let rated = [
        ("rated speed", spec.rated_speed_rad_s, "rad/s"),
        ("rated flow", spec.rated_flow_m3_s, "m3/s"),
        ("rated head", spec.rated_head_m, "m"),
        ("rated efficiency", spec.rated_efficiency, ""),
    ];
    for (quantity, value, unit) in rated {
        if !(value > 0.0 && value.is_finite()) {
            return refuse(name, quantity, value, unit, "above 0");
        }
    }
    if spec.rated_efficiency > 1.0 {
        return refuse(name, "rated efficiency", spec.rated_efficiency, "", "at most 1");
    }
    let wear = spec.condition.wear_leak_share;
    if !(0.0..=WEAR_MAX).contains(&wear) {
        return refuse(name, "leak of worn rings over rated flow", wear, "", "0 to 0.5");
    }
    if !(spec.npsh_required_m >= 0.0 && spec.npsh_required_m.is_finite()) {
        return refuse(name, "NPSH required", spec.npsh_required_m, "m", "0 or more");
    }
    Ok(())
}

fn check_points(name: &str, spec: &PumpSpec) -> Result<(), HydraulicsError> {
    if !spec.curve.is_empty() && spec.curve.len() < 3 {
        return refuse(name, "number of curve points", spec.curve.len() as f64, "", "none or at least 3");
    }
    if spec.curve.first().is_some_and(|point| point.0.abs() > 1.0e-12) {
        return refuse(name, "flow of the first curve point", spec.curve[0].0, "m3/s", "0 (shut-off first)");
    }
    if let Some(point) = spec.curve.iter().find(|point| !(point.1.is_finite() && point.0.is_finite())) {
        return refuse(name, "head of a curve point", point.1, "m", "finite numbers");
    }
    if spec.curve.first().is_some_and(|point| point.1 <= 0.0) {
        return refuse(name, "shut-off head", spec.curve[0].1, "m", "above 0");
    }
    for points in [&spec.curve, &spec.efficiency] {
        if let Some(pair) = points.windows(2).find(|pair| pair[1].0.is_nan() || pair[1].0 <= pair[0].0) {
            return refuse(name, "flow of a curve point", pair[1].0, "m3/s", "rising flows");
        }
    }
    match spec.efficiency.iter().find(|point| !(0.0..=1.0).contains(&point.1)) {
        Some(point) => refuse(name, "efficiency", point.1, "", "0 to 1"),
        None => Ok(()),
    }
}

fn check_rated_point(name: &str, spec: &PumpSpec, curve: &Curve) -> Result<(), HydraulicsError> {
    let curve_m = curve.at(1.0).0 * spec.rated_head_m;
    if (curve_m - spec.rated_head_m).abs() <= RATED_POINT_TOLERANCE * spec.rated_head_m {
        return Ok(());
    }
    Err(HydraulicsError::CurveMissesRatedPoint {
        element: name.to_owned(),
        curve_m,
        rated_m: spec.rated_head_m,
        allowed_percent: 100.0 * RATED_POINT_TOLERANCE,
    })
}

fn refuse(
    name: &str,
    quantity: &'static str,
    value: f64,
    unit: &'static str,
    allowed: &'static str,
) -> Result<(), HydraulicsError> {
    Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
}

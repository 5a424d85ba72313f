//! Complete characteristics of a radial pump: head and torque for every sign of speed and flow.

use std::f64::consts::{PI, TAU};

/// Points of the table, over one turn of the angle.
pub(crate) const POINTS: usize = 89;
/// Step of the angle, rad.
pub(crate) const STEP_RAD: f64 = PI / 44.0;

/// Head table `WH = h / (alpha^2 + v^2)` at `x = i pi/44`. Source: Donsky 1961, table form of WS93 appendix C, Ns 35 (SI).
const HEAD: [f64; POINTS] = [
    0.634, 0.643, 0.646, 0.64, 0.629, 0.613, 0.595, 0.575, 0.552, 0.533, 0.516, 0.505, 0.504, 0.51, 0.512, 0.522,
    0.539, 0.559, 0.58, 0.601, 0.63, 0.662, 0.692, 0.722, 0.753, 0.782, 0.808, 0.832, 0.857, 0.879, 0.904, 0.93, 0.959,
    0.996, 1.027, 1.06, 1.09, 1.124, 1.165, 1.204, 1.238, 1.258, 1.271, 1.282, 1.288, 1.281, 1.26, 1.225, 1.172, 1.107,
    1.031, 0.942, 0.842, 0.733, 0.617, 0.5, 0.368, 0.24, 0.125, 0.011, -0.102, -0.168, -0.255, -0.342, -0.423, -0.494,
    -0.556, -0.62, -0.655, -0.67, -0.67, -0.66, -0.655, -0.64, -0.6, -0.57, -0.52, -0.47, -0.43, -0.36, -0.275, -0.16,
    -0.04, 0.13, 0.295, 0.43, 0.55, 0.62, 0.634,
];

/// Torque table `WB = beta / (alpha^2 + v^2)` at the same angles. Source as for the head.
const TORQUE: [f64; POINTS] = [
    -0.684, -0.547, -0.414, -0.292, -0.187, -0.105, -0.053, -0.012, 0.042, 0.097, 0.156, 0.227, 0.3, 0.371, 0.444,
    0.522, 0.596, 0.672, 0.738, 0.763, 0.797, 0.837, 0.865, 0.883, 0.886, 0.877, 0.859, 0.838, 0.804, 0.758, 0.703,
    0.645, 0.583, 0.52, 0.454, 0.408, 0.37, 0.343, 0.331, 0.329, 0.338, 0.354, 0.372, 0.405, 0.45, 0.486, 0.52, 0.552,
    0.579, 0.603, 0.616, 0.617, 0.606, 0.582, 0.546, 0.5, 0.432, 0.36, 0.288, 0.214, 0.123, 0.037, -0.053, -0.161,
    -0.248, -0.314, -0.372, -0.58, -0.74, -0.88, -1.0, -1.12, -1.25, -1.37, -1.49, -1.59, -1.66, -1.69, -1.77, -1.65,
    -1.59, -1.52, -1.42, -1.32, -1.23, -1.1, -0.98, -0.82, -0.684,
];

/// The angle of a state: `x = pi + atan2(v, alpha)`, in 0..2 pi (v -> flow ratio, alpha -> speed ratio).
#[must_use]
pub fn angle_rad(speed_ratio: f64, flow_ratio: f64) -> f64 {
    PI + flow_ratio.atan2(speed_ratio)
}

/// Value of a table and its slope to the angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Read {
    pub(crate) value: f64,
    pub(crate) slope: f64,
}

pub(crate) fn head(x_rad: f64) -> Read {
    read(&HEAD, x_rad)
}

pub(crate) fn torque(x_rad: f64) -> Read {
    read(&TORQUE, x_rad)
}

fn read(table: &[f64; POINTS], x_rad: f64) -> Read {
    let place = x_rad.clamp(0.0, TAU) / STEP_RAD;
    let low = (place as usize).min(POINTS - 2);
    let rise = table[low + 1] - table[low];
    Read { value: table[low] + rise * (place - low as f64), slope: rise / STEP_RAD }
}

/// Head ratio and torque ratio at a speed ratio and flow ratio: `h = (alpha^2 + v^2) WH(x)`, same for torque.
///
/// Range: all finite ratios; both zero gives zero. Linear interpolation of the Ns 35 (SI) table.
/// Returns: (h, beta), each over its rated value; beta positive brakes a forward shaft.
/// Accuracy: the table's three figures; published cases `suter-35-*`.
/// Source: Donsky 1961, table form of WS93 appendix C.
#[must_use]
pub fn ratios(speed_ratio: f64, flow_ratio: f64) -> (f64, f64) {
    let x_rad = angle_rad(speed_ratio, flow_ratio);
    let square = speed_ratio * speed_ratio + flow_ratio * flow_ratio;
    (square * head(x_rad).value, square * torque(x_rad).value)
}

/// The two tables, head then torque, for checks.
#[must_use]
pub fn tables() -> (&'static [f64], &'static [f64]) {
    (&HEAD, &TORQUE)
}

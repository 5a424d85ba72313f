//! A pipe's resistance: friction and spread minor losses as one fast function of flow.

use super::error::HydraulicsError;
use super::friction::darcy_f;
use super::spec::{LiquidSpec, PipeSpec};
use std::f64::consts::{FRAC_PI_4, PI};

/// Intervals of the table in one doubling of the Reynolds number (a power of two).
const INTERVALS_BITS: u32 = 6;
/// Reynolds number where the table begins, as a power of two; below it flow is laminar.
const FIRST_OCTAVE: u32 = 10;
/// Reynolds number where it ends, as a power of two; beyond it the friction factor stays as it is.
const LAST_OCTAVE: u32 = 27;
/// Bits of the mantissa of an f64.
const MANTISSA_BITS: u32 = 52;
/// Exponent bias of an f64.
const EXPONENT_BIAS: u64 = 1023;

/// Head lost over the whole pipe, per unit of flow: `dH = s(|Q|) Q`.
///
/// Equation: `s = f(Re) |Q| L / (2 g D A^2) + K |Q| / (2 g A^2)`, `Re = 4 |Q| / (pi D nu)`
/// (f -> Darcy friction factor, K -> minor losses, A -> bore area, nu -> kinematic viscosity). `f Re` is tabulated over Re
/// (64 intervals a doubling from 2^10 to 2^27, straight lines between), so that laminar flow has no singularity at rest.
///
/// Range: any finite flow; f is held beyond Re 1.3e8.
/// Accuracy: interpolation error of `f Re` below 6e-6 relative in turbulent flow (`law_table_follows_the_friction_factor`).
/// Source: Darcy-Weisbach; f from `friction`.
#[derive(Debug, Clone)]
pub(crate) struct Resistance {
    kind: Friction,
    minor_per_flow: f64,
}

#[derive(Debug, Clone)]
enum Friction {
    Fixed { per_flow: f64 },
    Tabulated { re_per_flow: f64, per_f_re: f64, table: Box<[f64]> },
}

impl Resistance {
    pub(crate) fn new(spec: &PipeSpec, liquid: &LiquidSpec) -> Self {
        let area_m2 = bore_area_m2(spec);
        let velocity_head = 1.0 / (2.0 * liquid.gravity_m_s2 * area_m2 * area_m2);
        let per_f = spec.length_m / spec.bore_m * velocity_head;
        let kind = match spec.fixed_darcy_f {
            Some(f) => Friction::Fixed { per_flow: f * per_f },
            None => {
                let re_per_flow = 4.0 / (PI * spec.bore_m * liquid.viscosity_m2_s);
                let table = tabulate(spec.roughness_m / spec.bore_m);
                Friction::Tabulated { re_per_flow, per_f_re: per_f / re_per_flow, table }
            }
        };
        Self { kind, minor_per_flow: spec.minor_loss_k * velocity_head }
    }

    /// s at a flow, s/m2.
    pub(crate) fn per_flow(&self, flow_m3_s: f64) -> f64 {
        let size = flow_m3_s.abs();
        let friction = match &self.kind {
            Friction::Fixed { per_flow } => per_flow * size,
            Friction::Tabulated { re_per_flow, per_f_re, table } => per_f_re * f_re(table, re_per_flow * size),
        };
        friction + self.minor_per_flow * size
    }

    /// s of every flow of a pipe times `share`, into `out`.
    pub(crate) fn fill_per_flow(&self, share: f64, flow_m3_s: &[f64], out: &mut [f64]) {
        let minor = self.minor_per_flow * share;
        match &self.kind {
            Friction::Fixed { per_flow } => {
                let scale = per_flow * share + minor;
                for (s, q) in out.iter_mut().zip(flow_m3_s) {
                    *s = scale * q.abs();
                }
            }
            Friction::Tabulated { re_per_flow, per_f_re, table } => {
                let scale = per_f_re * share;
                for (s, q) in out.iter_mut().zip(flow_m3_s) {
                    let size = q.abs();
                    *s = scale * f_re(table, re_per_flow * size) + minor * size;
                }
            }
        }
    }

    /// d(s Q)/dQ, s/m2: between s (laminar) and 2 s (rough), taken by a small step as the table is piecewise straight.
    pub(crate) fn slope(&self, flow_m3_s: f64) -> f64 {
        let size = flow_m3_s.abs();
        let step = 1.0e-4 * size + 1.0e-12;
        let (low, high) = (size, size + step);
        (self.per_flow(high) * high - self.per_flow(low) * low) / step
    }
}

/// Area of the bore, m2.
pub(crate) fn bore_area_m2(spec: &PipeSpec) -> f64 {
    FRAC_PI_4 * spec.bore_m * spec.bore_m
}

fn tabulate(relative_roughness: f64) -> Box<[f64]> {
    let intervals = 1_usize << INTERVALS_BITS;
    let octaves = (LAST_OCTAVE - FIRST_OCTAVE) as usize;
    (0..=octaves * intervals)
        .map(|i| {
            let start = f64::from(1_u32 << (FIRST_OCTAVE + (i / intervals) as u32));
            let re = start * (1.0 + (i % intervals) as f64 / intervals as f64);
            re * darcy_f(re, relative_roughness)
        })
        .collect()
}

/// `f Re` by table; the index is read from the bits of the number, which costs no logarithm.
#[inline]
fn f_re(table: &[f64], re: f64) -> f64 {
    const SHIFT: u32 = MANTISSA_BITS - INTERVALS_BITS;
    const FIRST: u64 = (EXPONENT_BIAS + FIRST_OCTAVE as u64) << INTERVALS_BITS;
    let bits = re.to_bits();
    let index = (bits >> SHIFT).wrapping_sub(FIRST) as usize;
    if index < table.len() - 1 {
        let rest = (bits & ((1 << SHIFT) - 1)) as f64 * (1.0 / (1_u64 << SHIFT) as f64);
        return table[index] + rest * (table[index + 1] - table[index]);
    }
    outside(table, re)
}

#[cold]
fn outside(table: &[f64], re: f64) -> f64 {
    let end = f64::from(1_u32 << LAST_OCTAVE);
    if re < end { table[0] } else { table[table.len() - 1] * re / end }
}

pub(crate) fn check(name: &str, spec: &PipeSpec) -> Result<(), HydraulicsError> {
    let positive =
        [("length", spec.length_m, "m"), ("bore", spec.bore_m, "m"), ("wave speed", spec.wave_speed_m_s, "m/s")];
    for (quantity, value, unit) in positive {
        if !(value > 0.0 && value.is_finite()) {
            return refuse(name, quantity, value, unit, "above 0");
        }
    }
    if !(spec.roughness_m >= 0.0 && spec.roughness_m < 0.1 * spec.bore_m) {
        return refuse(name, "roughness", spec.roughness_m, "m", "0 to a tenth of the bore");
    }
    if !(spec.minor_loss_k >= 0.0 && spec.minor_loss_k.is_finite()) {
        return refuse(name, "minor loss coefficient", spec.minor_loss_k, "", "0 or more");
    }
    match spec.fixed_darcy_f {
        Some(f) if !(f >= 0.0 && f.is_finite()) => refuse(name, "fixed Darcy friction factor", f, "", "0 or more"),
        _ => Ok(()),
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative error of the table allowed in turbulent flow.
    const TABLE_TOLERANCE: f64 = 6.0e-6;

    #[test]
    fn law_table_follows_the_friction_factor() {
        for roughness in [0.0, 1.0e-4, 1.0e-2] {
            let table = tabulate(roughness);
            let mut re = 4500.0;
            while re < 1.0e8 {
                let (expected, got) = (re * darcy_f(re, roughness), f_re(&table, re));
                let error = (got / expected - 1.0).abs();
                assert!(error < TABLE_TOLERANCE, "Re {re}: expected {expected}, got {got}, error {error:e}");
                re *= 1.0137;
            }
        }
    }

    #[test]
    fn law_laminar_resistance_does_not_depend_on_flow() {
        let table = tabulate(0.0);
        for re in [0.0, 1.0e-300, 1.0, 100.0, 1023.0, 1500.0] {
            assert!((f_re(&table, re) - 64.0).abs() < 1.0e-9, "Re {re}: {}", f_re(&table, re));
        }
    }

    #[test]
    fn law_friction_factor_holds_beyond_the_table() {
        let table = tabulate(1.0e-3);
        let end = f64::from(1_u32 << LAST_OCTAVE);
        assert!((f_re(&table, 2.0 * end) / f_re(&table, end * 0.999_999_9) - 2.0).abs() < 1.0e-4);
    }
}

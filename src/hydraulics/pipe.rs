//! A pipe's resistance: friction and spread minor losses as one fast function of flow.

use super::error::HydraulicsError;
use super::friction::darcy_f;
use super::re_pieces::{PerFlow, RePieces};
use super::spec::{LayFlatSpec, LiquidSpec, PipeSpec};
use std::f64::consts::{FRAC_PI_4, PI};

/// Head lost over the whole pipe, per unit of flow: `dH = s(|Q|) Q`.
///
/// Equation: `s = f(Re) |Q| L / (2 g D A^2) + K |Q| / (2 g A^2)`, `Re = 4 |Q| / (pi D nu)`
/// (f -> Darcy friction factor, K -> minor losses, A -> bore area, nu -> kinematic viscosity). `f Re` is tabulated over
/// Re, so that laminar flow has no singularity at rest.
///
/// Range: any finite flow.
/// Accuracy: the table's, 6e-6 relative in turbulent flow (`law_pieces_follow_the_friction_factor`); whole losses by `dw-*`.
/// Source: Darcy-Weisbach; f from `friction::darcy_f`.
#[derive(Debug, Clone)]
pub(crate) struct Resistance {
    kind: Friction,
    minor_per_flow: f64,
}

#[derive(Debug, Clone)]
enum Friction {
    Fixed { per_flow: f64 },
    Tabulated { re_per_flow: f64, per_f_re: f64, table: RePieces },
}

/// The numbers of a [`Resistance`]: `s = per_flow |Q|`, or `s = per_f_re table(re_per_flow |Q|) + minor_per_flow |Q|`.
pub(crate) enum Parts<'a> {
    Fixed { per_flow: f64 },
    Tabulated { re_per_flow: f64, per_f_re: f64, minor_per_flow: f64, table: &'a RePieces },
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
                let roughness = spec.roughness_m / spec.bore_m;
                let table = RePieces::of(|re| re * darcy_f(re, roughness));
                Friction::Tabulated { re_per_flow, per_f_re: per_f / re_per_flow, table }
            }
        };
        Self { kind, minor_per_flow: spec.minor_loss_k * velocity_head }
    }

    /// What the lanes copy.
    pub(crate) fn parts(&self) -> Parts<'_> {
        match &self.kind {
            Friction::Fixed { per_flow } => Parts::Fixed { per_flow: per_flow + self.minor_per_flow },
            Friction::Tabulated { re_per_flow, per_f_re, table } => {
                let (re_per_flow, per_f_re) = (*re_per_flow, *per_f_re);
                Parts::Tabulated { re_per_flow, per_f_re, minor_per_flow: self.minor_per_flow, table }
            }
        }
    }

    /// s at a flow, s/m2.
    pub(crate) fn per_flow(&self, flow_m3_s: f64) -> f64 {
        let size = flow_m3_s.abs();
        let friction = match &self.kind {
            Friction::Fixed { per_flow } => per_flow * size,
            Friction::Tabulated { re_per_flow, per_f_re, table } => per_f_re * table.at(re_per_flow * size),
        };
        friction + self.minor_per_flow * size
    }

    /// s of every flow of a pipe times `share`, into `out`.
    #[inline(always)]
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
                table.fill(&PerFlow { re: *re_per_flow, value: per_f_re * share, size: minor }, flow_m3_s, out);
            }
        }
    }

    /// d(s Q)/dQ, s/m2: between s (laminar) and 2 s (rough), taken by a small step which is good enough for Newton.
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

fn check_lay_flat(name: &str, flat: &LayFlatSpec) -> Result<(), HydraulicsError> {
    for (quantity, value) in [("rounding pressure", flat.rounding_pa), ("pressure of the slack", flat.slack_pa)] {
        if !(value > 0.0 && value.is_finite()) {
            return refuse(name, quantity, value, "Pa", "above 0");
        }
    }
    if !(0.0..=0.5).contains(&flat.slack_share) {
        return refuse(name, "slack of the jacket", flat.slack_share, "", "0 to 0.5 of the area");
    }
    let Some(kink) = &flat.kink else { return Ok(()) };
    if !(kink.loss_k >= 0.0 && kink.loss_k.is_finite()) {
        return refuse(name, "loss coefficient of the kink", kink.loss_k, "", "0 or more");
    }
    if !(0.0..=1.0).contains(&kink.share) {
        return refuse(name, "place of the kink", kink.share, "", "0 to 1 of the length");
    }
    if kink.opens_pa.is_nan() || kink.opens_pa <= 0.0 {
        return refuse(name, "pressure that halves the kink", kink.opens_pa, "Pa", "above 0");
    }
    Ok(())
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
    if let Some(flat) = &spec.lay_flat {
        check_lay_flat(name, flat)?;
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

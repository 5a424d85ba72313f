//! Filling an empty line under a given head: one rigid column of growing length, its front vertical, the air ahead of it
//! leaving freely. The plant fills lines with the same law inside its elastic network; this is the law by itself.

use super::ode::{OdeError, integrate};
use thiserror::Error;

/// Local error of the integration.
const TOLERANCE: f64 = 1.0e-12;
/// A fill that lasts longer never ends, s.
const LONGEST_S: f64 = 86_400.0;

/// Why a line does not fill.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum FillError {
    /// The head does not lift the water to the end.
    #[error(
        "the driving head of {head_m:.3} m stands at a front {at_m:.3} m along, the line is {length_m:.3} m long: it never \
         fills"
    )]
    HeadTooLow {
        /// Head, m.
        head_m: f64,
        /// Where the front would come to rest, m along the line.
        at_m: f64,
        /// Length of the line, m.
        length_m: f64,
    },
    /// A number outside its range.
    #[error("{quantity} is {value}, allowed: {allowed}")]
    OutOfRange {
        /// What.
        quantity: &'static str,
        /// Value, SI.
        value: f64,
        /// Limit in words.
        allowed: &'static str,
    },
    /// The equations could not be followed.
    #[error("filling: {0}")]
    Ode(#[from] OdeError),
    /// Still filling at the longest time.
    #[error("the line is not full after {LONGEST_S} s")]
    NeverFull,
}

/// A uniform line that fills from a large open store.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineToFill {
    /// Driving head H: level of the store above the place where the front stands at the start, m.
    pub driving_head_m: f64,
    /// Length L from the store to the end, m.
    pub length_m: f64,
    /// Length x0 that is already full, m, above 0.
    pub wetted_m: f64,
    /// Bore D, m.
    pub bore_m: f64,
    /// Darcy friction factor f.
    pub darcy_f: f64,
    /// Losses at the entry Ke, on the line's velocity head, besides the velocity head itself.
    pub entry_k: f64,
    /// Rise of the line s, m per m along it.
    pub slope_up: f64,
    /// Gravity g, m/s2.
    pub gravity_m_s2: f64,
}

/// A line that has just filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filled {
    /// From rest until the front is at the end, s.
    pub time_s: f64,
    /// Speed of the front there, m/s.
    pub front_speed_m_s: f64,
}

/// Fill a line from rest.
///
/// Equation: `x dv/dt = g (H - s (x - x0)) - (1 + Ke + f x / D) v |v| / 2`, `dx/dt = v`, `x(0) = x0`, `v(0) = 0`
/// (x -> position of the front, v -> its speed, the rest as in [`LineToFill`]).
/// Range: constant head, friction factor constant; water moves as one body, so that pressure waves in it are left out.
/// Accuracy: cases `fill-*` to 1e-5, `fill-closed-*` to 1e-7.
/// Source: unsteady Bernoulli equation of a rigid column.
///
/// # Errors
/// A head that does not lift the water to the end, numbers out of range.
///
/// ```
/// use ramprig::hydraulics::filling::{LineToFill, fill};
/// let line = LineToFill { driving_head_m: 10.0, length_m: 30.0, wetted_m: 0.5, bore_m: 0.08, darcy_f: 0.0, entry_k: 0.0,
///     slope_up: 0.0, gravity_m_s2: 9.80665 };
/// assert!((fill(&line).unwrap().time_s - 2.22189).abs() < 1e-4);
/// ```
pub fn fill(line: &LineToFill) -> Result<Filled, FillError> {
    check(line)?;
    let rate = |_: f64, state: &[f64; 2]| [state[1], acceleration_m_s2(line, state[0], state[1])];
    let span_s = LONGEST_S.min(1e3 * fill_quasi_steady_s(line)? + 1e3);
    let end = integrate(rate, [line.wetted_m, 0.0], span_s, TOLERANCE, |state| line.length_m - state[0])?;
    if end.by_event {
        Ok(Filled { time_s: end.time_s, front_speed_m_s: end.state[1] })
    } else {
        Err(FillError::NeverFull)
    }
}

/// Time to fill when the inertia of the water is left out, s: `integral dx / v(x)` with v from the losses alone.
///
/// Range and source as [`fill`]; the two times together tell how much inertia matters.
///
/// # Errors
/// As [`fill`].
pub fn fill_quasi_steady_s(line: &LineToFill) -> Result<f64, FillError> {
    check(line)?;
    let slowness = |along_m: f64| {
        let x_m = line.wetted_m + along_m;
        let head_m = line.driving_head_m - line.slope_up * along_m;
        let losses = 1.0 + line.entry_k + line.darcy_f * x_m / line.bore_m;
        (losses / (2.0 * line.gravity_m_s2 * head_m)).sqrt()
    };
    let along_m = line.length_m - line.wetted_m;
    let end = integrate(|along_m, _: &[f64; 1]| [slowness(along_m)], [0.0], along_m, TOLERANCE, |_| 1.0)?;
    Ok(end.state[0])
}

fn acceleration_m_s2(line: &LineToFill, x_m: f64, v_m_s: f64) -> f64 {
    let head_m = line.driving_head_m - line.slope_up * (x_m - line.wetted_m);
    let losses = 1.0 + line.entry_k + line.darcy_f * x_m / line.bore_m;
    (line.gravity_m_s2 * head_m - losses * v_m_s * v_m_s.abs() / 2.0) / x_m
}

fn check(line: &LineToFill) -> Result<(), FillError> {
    let positive = [
        ("driving head, m", line.driving_head_m),
        ("length already full, m", line.wetted_m),
        ("bore, m", line.bore_m),
        ("gravity, m/s2", line.gravity_m_s2),
        ("length still empty, m", line.length_m - line.wetted_m),
    ];
    for (quantity, value) in positive {
        if !(value > 0.0 && value.is_finite()) {
            return Err(FillError::OutOfRange { quantity, value, allowed: "above 0" });
        }
    }
    for (quantity, value) in [("friction factor", line.darcy_f), ("entry loss", line.entry_k)] {
        if !(value >= 0.0 && value.is_finite()) {
            return Err(FillError::OutOfRange { quantity, value, allowed: "0 or more" });
        }
    }
    if !line.slope_up.is_finite() {
        return Err(FillError::OutOfRange { quantity: "slope", value: line.slope_up, allowed: "a finite number" });
    }
    let at_m = line.wetted_m + line.driving_head_m / line.slope_up;
    if line.slope_up > 0.0 && at_m <= line.length_m {
        return Err(FillError::HeadTooLow { head_m: line.driving_head_m, at_m, length_m: line.length_m });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> LineToFill {
        LineToFill {
            driving_head_m: 12.0,
            length_m: 60.0,
            wetted_m: 0.5,
            bore_m: 0.08,
            darcy_f: 0.02,
            entry_k: 0.5,
            slope_up: 0.05,
            gravity_m_s2: 9.80665,
        }
    }

    #[test]
    fn law_without_friction_the_front_keeps_its_energy_integral() {
        let free = LineToFill { darcy_f: 0.0, slope_up: 0.0, ..line() };
        let c = 1.0 + free.entry_k;
        let shrink = (free.wetted_m / free.length_m).powf(c);
        let expected = (2.0 * free.gravity_m_s2 * free.driving_head_m / c * (1.0 - shrink)).sqrt();
        let got = fill(&free).unwrap().front_speed_m_s;
        assert!((got / expected - 1.0).abs() < 1e-9, "expected {expected} m/s, got {got} m/s, closed form");
    }

    #[test]
    fn law_more_friction_or_slope_fills_later() {
        let time_s = |line: &LineToFill| fill(line).unwrap().time_s;
        assert!(time_s(&LineToFill { darcy_f: 0.03, ..line() }) > time_s(&line()));
        assert!(time_s(&LineToFill { slope_up: 0.1, ..line() }) > time_s(&line()));
        assert!(time_s(&LineToFill { driving_head_m: 20.0, ..line() }) < time_s(&line()));
    }

    #[test]
    fn rejects_a_head_that_does_not_reach_the_end_and_says_where_the_front_stands() {
        let text = fill(&LineToFill { slope_up: 0.4, ..line() }).unwrap_err().to_string();
        assert_eq!(
            text,
            "the driving head of 12.000 m stands at a front 30.500 m along, the line is 60.000 m long: it never fills"
        );
        let full = fill(&LineToFill { wetted_m: 60.0, ..line() }).unwrap_err().to_string();
        assert_eq!(full, "length still empty, m is 0, allowed: above 0");
    }
}

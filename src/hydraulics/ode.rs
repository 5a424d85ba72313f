//! Ordinary differential equations to a set accuracy, up to an event.

use thiserror::Error;

/// Why an integration ended without a result.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum OdeError {
    /// The step shrank to nothing: the equations cannot be followed any further.
    #[error("the step shrank below {step_s:.3e} s at {time_s:.6} s: the equations cannot be followed any further")]
    StepTooSmall {
        /// When, s.
        time_s: f64,
        /// Last step, s.
        step_s: f64,
    },
    /// More steps than allowed.
    #[error("not over after {steps} steps at {time_s:.6} s")]
    TooManySteps {
        /// When, s.
        time_s: f64,
        /// Steps taken.
        steps: usize,
    },
}

/// Where an integration ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OdeEnd<const N: usize> {
    /// Value of the independent variable, usually s.
    pub time_s: f64,
    /// State there.
    pub state: [f64; N],
    /// True when the event ended it, false when the span was over.
    pub by_event: bool,
}

/// Most steps of one integration.
const STEPS_MAX: usize = 200_000;
/// First step, share of the span.
const FIRST_SHARE: f64 = 1.0e-5;
/// Shortest step, share of the span.
const LEAST_SHARE: f64 = 1.0e-15;
/// Largest growth and strongest cut of a step, and the share of the ideal step that is taken.
const GROWTH: (f64, f64, f64) = (5.0, 0.2, 0.9);
/// Halvings that place an event within a step: more than f64 resolves.
const HALVINGS: usize = 60;

/// Nodes, rows and the two weights of the method.
const NODES: [f64; 7] = [0.0, 0.2, 0.3, 0.8, 8.0 / 9.0, 1.0, 1.0];
const ROWS: [[f64; 6]; 7] = [
    [0.0; 6],
    [0.2, 0.0, 0.0, 0.0, 0.0, 0.0],
    [3.0 / 40.0, 9.0 / 40.0, 0.0, 0.0, 0.0, 0.0],
    [44.0 / 45.0, -56.0 / 15.0, 32.0 / 9.0, 0.0, 0.0, 0.0],
    [19372.0 / 6561.0, -25360.0 / 2187.0, 64448.0 / 6561.0, -212.0 / 729.0, 0.0, 0.0],
    [9017.0 / 3168.0, -355.0 / 33.0, 46732.0 / 5247.0, 49.0 / 176.0, -5103.0 / 18656.0, 0.0],
    [35.0 / 384.0, 0.0, 500.0 / 1113.0, 125.0 / 192.0, -2187.0 / 6784.0, 11.0 / 84.0],
];
const ERROR: [f64; 7] =
    [71.0 / 57600.0, 0.0, -71.0 / 16695.0, 71.0 / 1920.0, -17253.0 / 339_200.0, 22.0 / 525.0, -1.0 / 40.0];

/// Integrate `dy/dt = rate(t, y)` from 0 over `span_s`, or until `event(y)` falls to zero or below.
///
/// Embedded Runge-Kutta pair of fifth and fourth order with step control; the event is placed inside its step by
/// halving, each half computed by a step of its own, so that it is as accurate as the solution.
///
/// Range: smooth rates; a rate that is no number cuts the step until the integration is refused.
/// Arguments: `tolerance` relative local error of every component (absolute below 1 of its unit).
/// Accuracy: `law_integration_follows_an_oscillator_to_its_tolerance`, and the cases `fill-*`, `priming-*`.
/// Source: J. R. Dormand and P. J. Prince, A family of embedded Runge-Kutta formulae, J. Comp. Appl. Math. 6, 1980.
///
/// # Errors
/// [`OdeError`]: the step shrinks to nothing, or too many steps.
///
/// ```
/// use ramprig::hydraulics::ode::integrate;
/// let end = integrate(|_, y: &[f64; 1]| [-y[0]], [1.0], 5.0, 1e-10, |y| y[0] - 0.5).unwrap();
/// assert!(end.by_event && (end.time_s - 2.0_f64.ln()).abs() < 1e-8);
/// ```
pub fn integrate<const N: usize>(
    rate: impl Fn(f64, &[f64; N]) -> [f64; N],
    start: [f64; N],
    span_s: f64,
    tolerance: f64,
    event: impl Fn(&[f64; N]) -> f64,
) -> Result<OdeEnd<N>, OdeError> {
    let (mut time_s, mut state, mut step_s) = (0.0, start, FIRST_SHARE * span_s);
    for _ in 0..STEPS_MAX {
        step_s = step_s.min(span_s - time_s);
        let (next, error) = pair(&rate, time_s, &state, step_s);
        let size = error_size(&state, &next, &error, tolerance);
        let factor = if size.is_finite() { GROWTH.2 * size.max(1e-12).powf(-0.2) } else { GROWTH.1 };
        if size <= 1.0 {
            if event(&next) <= 0.0 {
                let (time_s, state) = place_event(&rate, &event, (time_s, &state), step_s);
                return Ok(OdeEnd { time_s, state, by_event: true });
            }
            (time_s, state) = (time_s + step_s, next);
            if time_s >= span_s * (1.0 - 4.0 * f64::EPSILON) {
                return Ok(OdeEnd { time_s, state, by_event: false });
            }
        }
        step_s *= factor.clamp(GROWTH.1, GROWTH.0);
        if step_s < LEAST_SHARE * span_s {
            return Err(OdeError::StepTooSmall { time_s, step_s });
        }
    }
    Err(OdeError::TooManySteps { time_s, steps: STEPS_MAX })
}

/// One step of the pair: the state of fifth order, and what the fourth differs by.
fn pair<const N: usize>(
    rate: &impl Fn(f64, &[f64; N]) -> [f64; N],
    time_s: f64,
    state: &[f64; N],
    step_s: f64,
) -> ([f64; N], [f64; N]) {
    let mut slopes = [[0.0; N]; 7];
    let mut next = *state;
    for stage in 0..7 {
        next = *state;
        for (slope, weight) in slopes.iter().zip(&ROWS[stage][..stage.min(6)]) {
            next.iter_mut().zip(slope).for_each(|(y, k)| *y += step_s * weight * k);
        }
        slopes[stage] = rate(time_s + NODES[stage] * step_s, &next);
    }
    let mut error = [0.0; N];
    for (slope, weight) in slopes.iter().zip(&ERROR) {
        error.iter_mut().zip(slope).for_each(|(e, k)| *e += step_s * weight * k);
    }
    (next, error)
}

fn error_size<const N: usize>(old: &[f64; N], new: &[f64; N], error: &[f64; N], tolerance: f64) -> f64 {
    let share = |i: usize| error[i].abs() / (tolerance * old[i].abs().max(new[i].abs()).max(1.0));
    // `max` would pass a NaN over
    (0..N)
        .map(share)
        .fold(0.0, |largest, size| if size.is_nan() || largest > size { largest + 0.0 * size } else { size })
}

fn place_event<const N: usize>(
    rate: &impl Fn(f64, &[f64; N]) -> [f64; N],
    event: &impl Fn(&[f64; N]) -> f64,
    (time_s, state): (f64, &[f64; N]),
    step_s: f64,
) -> (f64, [f64; N]) {
    let (mut before, mut after) = (0.0, step_s);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (before + after);
        if event(&pair(rate, time_s, state, middle).0) <= 0.0 {
            after = middle;
        } else {
            before = middle;
        }
    }
    (time_s + after, pair(rate, time_s, state, after).0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_integration_follows_an_oscillator_to_its_tolerance() {
        for (tolerance, allowed) in [(1e-6, 1e-4), (1e-9, 1e-7), (1e-12, 2e-10)] {
            let end = integrate(|_, y: &[f64; 2]| [y[1], -y[0]], [1.0, 0.0], 20.0, tolerance, |_| 1.0).unwrap();
            let error = (end.state[0] - 20.0_f64.cos()).abs();
            assert!(error < allowed, "expected {}, got {}, error {error:e}", 20.0_f64.cos(), end.state[0]);
            assert!(!end.by_event);
        }
    }

    #[test]
    fn law_an_event_is_placed_as_exactly_as_the_solution() {
        let end = integrate(|_, y: &[f64; 2]| [y[1], -y[0]], [1.0, 0.0], 20.0, 1e-12, |y| y[0] - 0.2).unwrap();
        let error = (end.time_s - 0.2_f64.acos()).abs();
        assert!(end.by_event && error < 1e-10, "expected {} s, got {} s", 0.2_f64.acos(), end.time_s);
    }

    #[test]
    fn rejects_a_rate_that_is_no_number() {
        let end = integrate(|_, y: &[f64; 1]| [(1.0 - y[0]).sqrt() / (y[0] - 0.5).max(0.0)], [0.0], 1.0, 1e-9, |_| 1.0);
        assert!(matches!(end, Err(OdeError::StepTooSmall { .. })), "{end:?}");
    }
}

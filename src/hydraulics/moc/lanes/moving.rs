//! Valves that move by a law, all lanes at once.

use super::Scenario;
use super::place::{LaneLink, Lanes, Law, Place, SLOPE_FLOOR_SQRT_M};
use crate::hydraulics::spec::ElementKind;
use crate::hydraulics::valve::{SHUT_SHARE, kv_loss_s2_m5};

/// One valve that moves in every lane on one straight line between two openings, Kv linear in the opening.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct Moving<const W: usize> {
    from_s: Lanes<W>,
    per_span: Lanes<W>,
    opening: [Lanes<W>; 2],
    open_loss_s2_m5: Lanes<W>,
    /// Place and element in it.
    at: (usize, usize),
    /// From this level on all stand still.
    last: u64,
}

impl<const W: usize> Moving<W> {
    /// None where the valves of some lane move in another way.
    pub(super) fn new(scenarios: &[&Scenario; W], places: &[Place<W>], dt_s: &Lanes<W>) -> Option<Self> {
        let element = scenarios[0].openings.first()?.element;
        let at = places
            .iter()
            .enumerate()
            .find_map(|(i, place)| place.links.iter().position(|link| link.element == element).map(|link| (i, link)))?;
        let zero = [0.0; W];
        let mut moving = Self { at, from_s: zero, per_span: zero, opening: [zero; 2], open_loss_s2_m5: zero, last: 0 };
        for (lane, scenario) in scenarios.iter().enumerate() {
            let [law] = scenario.openings.as_slice() else { return None };
            let ([from, .., to] | [from @ to]) = law.points.as_slice() else { return None };
            let ElementKind::Valve(valve) = &scenario.network.elements[element].kind else { return None };
            if law.element != element || law.points.len() > 2 || !valve.curve.is_empty() || to.0 < from.0 {
                return None;
            }
            moving.from_s[lane] = from.0;
            moving.per_span[lane] = if to.0 > from.0 { 1.0 / (to.0 - from.0) } else { 0.0 };
            (moving.opening[0][lane], moving.opening[1][lane]) = (from.1, to.1);
            moving.open_loss_s2_m5[lane] = kv_loss_s2_m5(valve.kv_open_m3_h, scenario.network.liquid.gravity_m_s2);
            moving.last = moving.last.max((to.0 / dt_s[lane]).max(0.0) as u64 + 1);
        }
        Some(moving)
    }

    /// Whether the valve still moves (or has never been set) before a level.
    #[inline(always)]
    pub(super) fn moves(&self, steps: u64) -> bool {
        steps == 0 || steps <= self.last
    }

    /// Set the valve to where it stands at a level.
    #[inline(always)]
    pub(super) fn set(&self, places: &mut [Place<W>], step: u64, dt_s: &Lanes<W>) {
        let LaneLink { law, opening, .. } = &mut places[self.at.0].links[self.at.1];
        let Law::Loss { loss_s2_m5, floor, shut, .. } = law else { return };
        for l in 0..W {
            let share = ((step as f64 * dt_s[l] - self.from_s[l]) * self.per_span[l]).clamp(0.0, 1.0);
            let at = self.opening[0][l] + (self.opening[1][l] - self.opening[0][l]) * share;
            let kv_share = at.clamp(0.0, 1.0);
            let open = kv_share > SHUT_SHARE;
            let per_share = 1.0 / kv_share;
            let loss = self.open_loss_s2_m5[l] * per_share * per_share;
            loss_s2_m5[l] = if open { loss } else { 0.0 };
            floor[l] = if open { SLOPE_FLOOR_SQRT_M * loss.sqrt() } else { 0.0 };
            shut[l] = if open { 0.0 } else { 1.0 };
            opening[l] = at;
        }
    }
}

//! What the pump draws: the suction head it has, and the air that a splashing return brings it.

use super::{Plant, PlantEventKind, ShaftDriver};
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::network::Network;
use crate::hydraulics::pipe::bore_area_m2;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::pump::trouble::{Npsh, gas_lock_share};
use crate::hydraulics::spec::{ElementKind, PumpCondition, SplashSpec};
use std::collections::VecDeque;

/// Margin over zero at which cavitation counts as ended, m: an event must not chatter.
const ENDED_M: f64 = 0.1;
/// Free air that counts as air in the water, share by volume at the atmosphere.
const AIRY_SHARE: f64 = 1.0e-3;
/// Pieces that the water of the suction pipe is cut into on its way to the pump.
const SLUGS: usize = 100;
/// Time in which a locked impeller lets go of its water, s: common practice (a second or two), no source.
const LETS_GO_S: f64 = 1.0;
/// Flow below which a pump that lets go counts as empty, share of rated.
const STANDING_SHARE: f64 = 0.01;
/// Least share of its head while water still runs through by itself.
const LEAST_PRIME: f64 = 1.0e-6;

/// What there is to tell of a margin, m, to a pump that is known to cavitate or not; its new state is left in `cavitates`.
pub(crate) fn cavitation_turned(cavitates: &mut bool, npsh: &Npsh) -> Option<PlantEventKind> {
    let margin_m = npsh.margin_m();
    let Npsh { available_m, required_m } = *npsh;
    if *cavitates && margin_m > ENDED_M {
        *cavitates = false;
        return Some(PlantEventKind::CavitationEnded { available_m });
    }
    if !*cavitates && margin_m < 0.0 {
        *cavitates = true;
        return Some(PlantEventKind::CavitationBegan { available_m, required_m });
    }
    None
}

/// What is followed of the water drawn.
#[derive(Debug, Default)]
pub(super) struct Drawing {
    cavitates: bool,
    airy: bool,
    lets_go: bool,
    splash: Option<Splash>,
}

/// Air on its way from the splash to the pump.
#[derive(Debug)]
struct Splash {
    spec: SplashSpec,
    /// Free air at the suction inlet.
    at_inlet: f64,
    /// Free air of the water in the suction pipe, the piece at the pump first.
    slugs: VecDeque<f64>,
    slug_m3: f64,
    /// Water that has passed since the pieces moved on.
    passed_m3: f64,
}

impl Splash {
    fn new(spec: SplashSpec, suction_m3: f64) -> Self {
        let slug_m3 = suction_m3 / SLUGS as f64;
        Self { spec, at_inlet: 0.0, slugs: VecDeque::from(vec![0.0; SLUGS + 1]), slug_m3, passed_m3: 0.0 }
    }

    /// Free air at the pump after a step.
    fn advance(&mut self, returned_m3_s: f64, drawn_m3_s: f64, standing: bool, dt_s: f64) -> f64 {
        let whole = self.spec.air_share * (returned_m3_s / self.spec.full_flow_m3_s).clamp(0.0, 1.0);
        let nearer = -(-dt_s / self.spec.grows_s).exp_m1();
        self.at_inlet += nearer * (whole - self.at_inlet);
        if standing {
            // bubbles rise out of water that stands
            self.slugs.iter_mut().for_each(|share| *share -= nearer * *share);
        }
        if self.slug_m3 <= 0.0 {
            return self.at_inlet;
        }
        self.passed_m3 += drawn_m3_s.max(0.0) * dt_s;
        while self.passed_m3 >= self.slug_m3 {
            self.passed_m3 -= self.slug_m3;
            self.slugs.pop_front();
            self.slugs.push_back(self.at_inlet);
        }
        self.slugs[0] + self.passed_m3 / self.slug_m3 * (self.slugs[1] - self.slugs[0])
    }
}

impl Drawing {
    pub(super) fn new(network: &Network) -> Self {
        let splash = network.pump_spec().and_then(|pump| pump.condition.splash);
        Self { splash: Self::splash_of(network, splash), ..Self::default() }
    }

    fn splash_of(network: &Network, splash: Option<SplashSpec>) -> Option<Splash> {
        let (splash, element, spec) = (splash?, network.pump()?, network.spec());
        let inlet = spec.elements[element].from;
        let suction = spec.elements.iter().find_map(|element| match &element.kind {
            ElementKind::Pipe(pipe) if element.to == inlet => Some(bore_area_m2(pipe) * pipe.length_m),
            _ => None,
        });
        Some(Splash::new(splash, suction.unwrap_or(0.0)))
    }
}

impl<D: ShaftDriver> Plant<D> {
    fn pump(&self) -> Option<(&Pump, f64)> {
        let (cluster, link) = self.pump_at?;
        let nodal = &self.clusters[cluster].nodal;
        let link = &nodal.links[link];
        match &link.boundary {
            Boundary::Pump(pump) => Some((pump, nodal.nodes[link.from].head_m)),
            _ => None,
        }
    }

    /// Suction head of the pump at this level; `None` without a pump, or with one that has no water to draw.
    #[must_use]
    pub fn npsh(&self) -> Option<Npsh> {
        let (pump, inlet_m) = self.pump()?;
        if pump.prime_share > 0.0 { pump.npsh(self.pump_flow_m3_s(), self.speed_rad_s, inlet_m) } else { None }
    }

    /// Gas by volume in the water at the pump's inlet, at the pressure there; 0 without a pump.
    #[must_use]
    pub fn gas_at_pump(&self) -> f64 {
        let Some((pump, inlet_m)) = self.pump() else { return 0.0 };
        pump.suction.map_or(0.0, |suction| suction.gas_share(inlet_m))
    }

    /// How the pump is not as it was; `None` without a pump.
    #[must_use]
    pub fn pump_condition(&self) -> Option<PumpCondition> {
        self.pump().map(|(pump, _)| *pump.condition())
    }

    /// The pump is no longer, or again, as it was: from the present level on. A wear outside 0 to 0.5 is taken to its end.
    pub fn set_pump_condition(&mut self, condition: PumpCondition) {
        let Some((cluster, link)) = self.pump_at else { return };
        let Some(pump) = self.clusters[cluster].pump_mut(link) else { return };
        let before = pump.condition().splash;
        pump.set_condition(condition);
        if before != condition.splash {
            if let Some(suction) = &mut pump.suction {
                suction.free_share = 0.0;
            }
            self.drawing.splash = Drawing::splash_of(&self.network, condition.splash);
        }
    }

    /// After a step: suction head, and air on its way.
    pub(super) fn follow_drawing(&mut self) {
        let Some(npsh) = self.npsh() else { return self.follow_splash() };
        if let Some(kind) = cavitation_turned(&mut self.drawing.cavitates, &npsh) {
            self.tell(kind);
        }
        self.follow_splash();
    }

    fn follow_splash(&mut self) {
        let Some(mut splash) = self.drawing.splash.take() else { return };
        let rated_m3_s = self.network.pump_spec().map_or(0.0, |pump| pump.rated_flow_m3_s);
        let (returned_m3_s, drawn_m3_s) = (self.flow_m3_s(splash.spec.place), self.pump_flow_m3_s());
        let standing = drawn_m3_s < STANDING_SHARE * rated_m3_s;
        let free_share = splash.advance(returned_m3_s, drawn_m3_s, standing, self.line.dt_s);
        self.drawing.splash = Some(splash);
        let Some((cluster, link)) = self.pump_at else { return };
        if let Some(suction) = self.clusters[cluster].pump_mut(link).and_then(|pump| pump.suction.as_mut()) {
            suction.free_share = free_share;
        }
        let airy = free_share > AIRY_SHARE;
        if airy && !std::mem::replace(&mut self.drawing.airy, airy) {
            self.tell(PlantEventKind::AirAtPump { free_share });
        }
        self.drawing.airy = airy;
        self.let_go(standing);
    }

    /// Air from a dry tank is at the pump: the impeller lets its water go.
    pub(super) fn let_dry_pump_go(&mut self) {
        let rated_m3_s = self.network.pump_spec().map_or(0.0, |pump| pump.rated_flow_m3_s);
        let standing = self.pump_flow_m3_s() < STANDING_SHARE * rated_m3_s;
        if self.prime_share() > 0.0 {
            self.drawing.lets_go = true;
            self.let_go(standing);
        }
    }

    /// From a share of gas on the impeller holds its water no longer; it has let go when no water runs.
    fn let_go(&mut self, standing: bool) {
        let (gas_share, prime) = (self.gas_at_pump(), self.prime_share());
        if prime <= 0.0 {
            self.drawing.lets_go = false;
            return;
        }
        if !self.drawing.lets_go && !standing && gas_share >= gas_lock_share() {
            self.drawing.lets_go = true;
            self.tell(PlantEventKind::PrimeLostByAir { gas_share });
        }
        if !self.drawing.lets_go {
            return;
        }
        if standing {
            self.lose_prime();
        } else {
            self.set_prime((prime - self.line.dt_s / LETS_GO_S).max(LEAST_PRIME));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::spec::Place;

    const SPEC: SplashSpec =
        SplashSpec { place: Place::Node(0), air_share: 0.06, full_flow_m3_s: 5.0e-3, grows_s: 2.0 };

    #[test]
    fn law_air_grows_with_its_time_constant_and_comes_with_the_water() {
        const TOLERANCE: f64 = 1.0e-3;
        let (mut splash, dt_s) = (Splash::new(SPEC, 0.02), 1.0e-3);
        let mut at_s = 0.0;
        let mut first_s = None;
        for step in 1..=12_000_u32 {
            at_s = f64::from(step) * dt_s;
            let share = splash.advance(2.5e-3, 4.0e-3, false, dt_s);
            if share > 1.0e-6 && first_s.is_none() {
                first_s = Some(at_s);
            }
        }
        // 20 l at 4 l/s
        let first_s = first_s.unwrap();
        assert!((first_s - 5.0).abs() < 0.06, "expected 5 s, got {first_s} s, tolerance one piece of the pipe");
        let expected = 0.03 * (1.0 - (-(at_s - 5.0) / 2.0_f64).exp());
        let got = splash.advance(2.5e-3, 4.0e-3, false, dt_s);
        assert!((got - expected).abs() < TOLERANCE, "expected {expected}, got {got}, tolerance {TOLERANCE}");
    }

    #[test]
    fn law_air_clears_when_the_return_and_the_water_stand() {
        let mut splash = Splash::new(SPEC, 0.02);
        for _ in 0..20_000 {
            splash.advance(5.0e-3, 5.0e-3, false, 1.0e-3);
        }
        let before = splash.advance(5.0e-3, 5.0e-3, false, 1.0e-3);
        for _ in 0..10_000 {
            splash.advance(0.0, 0.0, true, 1.0e-3);
        }
        let after = splash.advance(0.0, 0.0, true, 1.0e-3);
        assert!(before > 0.055 && after < 0.01 * before, "before {before}, after {after}");
    }
}

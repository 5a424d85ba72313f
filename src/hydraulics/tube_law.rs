//! A lay-flat hose: round and fairly stiff under pressure, flat without. What it holds at a pressure, and the wave speed
//! and resistance that follow.

use super::pipe::bore_area_m2;
use super::spec::{LayFlatSpec, LiquidSpec, PipeSpec};

/// Share of the round area below which a flattened hose passes no less: the channels that stay along its folds.
const FOLDS_SHARE: f64 = 0.02;

/// What a lay-flat hose holds at a gauge pressure, as a share of its round bore.
///
/// Equation: `A/A0 = p/(rho a^2) + F(p) (1 + s b(p/p_s))`, `F(p) = (1 + b(p/p_r))/2`, `b(x) = x/sqrt(1 + x^2)`
/// (p -> gauge pressure, a -> wave speed under high pressure, F -> roundness, p_r -> `rounding_pa`, s -> `slack_share`,
/// p_s -> `slack_pa`). The first term is the grid's own store; the second is what this adds: it falls to nothing within a
/// few p_r below the atmosphere, so that a hose that is sucked on hands out all its water near zero gauge.
/// Below the vapour pressure the law goes on with the slope it has at zero gauge: there the water parts.
/// Range: any pressure; area never falls with rising pressure. Bending stiffness and the memory of the fabric are left out.
/// Accuracy: a form that has the right ends (a membrane without stiffness that its water's weight flattens, a jacket that
/// stiffens); the numbers of a hose are known to some 30 % (common practice, no source).
/// Derivation: above; the round area counts water at no pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TubeLaw {
    rounding_pa: f64,
    slack_share: f64,
    /// 1 over the pressures of rounding and of the slack, 1/Pa.
    per_rounding_pa: f64,
    per_slack_pa: f64,
    /// 1/(rho a^2), 1/Pa.
    give_per_pa: f64,
    density_kg_m3: f64,
    /// Vapour pressure, Pa gauge, and what there is beyond the grid's store at it.
    boiling: (f64, f64),
}

/// What a hose holds at a pressure, as [`TubeLaw::held`] finds it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Held {
    /// Beyond the grid's own store, as a share of the round area; its slope, 1/Pa.
    pub(crate) beyond: f64,
    pub(crate) slope_per_pa: f64,
    /// 1 round, 0 flat.
    pub(crate) roundness: f64,
}

impl TubeLaw {
    /// The law of a hose whose wave speed under high pressure is `wave_speed_m_s`; `None` for one that is always round.
    ///
    /// ```
    /// use ramprig::hydraulics::spec::{LayFlatSpec, PipeSpec};
    /// use ramprig::hydraulics::tube_law::TubeLaw;
    /// use ramprig::hydraulics::water::{Site, liquid};
    /// let flat = LayFlatSpec { rounding_pa: 640.0, slack_share: 0.02, slack_pa: 0.5e5, kink: None };
    /// let hose = PipeSpec { length_m: 20.0, bore_m: 0.065, roughness_m: 5e-5, wave_speed_m_s: 150.0, minor_loss_k: 0.0,
    ///     fixed_darcy_f: None, creep: None, lay_flat: Some(flat) };
    /// let law = TubeLaw::of(&hose, &liquid(15.0, Site::AltitudeM(0.0)).unwrap()).unwrap();
    /// assert!(law.roundness(2e3) > 0.97 && law.roundness(-2e3) < 0.03);
    /// assert!(law.wave_speed_m_s(0.2e5) < 0.6 * law.wave_speed_m_s(3e5));
    /// ```
    #[must_use]
    pub fn of(pipe: &PipeSpec, liquid: &LiquidSpec) -> Option<Self> {
        pipe.lay_flat.map(|flat| Self::new(&flat, pipe.wave_speed_m_s, liquid))
    }

    pub(crate) fn new(flat: &LayFlatSpec, wave_speed_m_s: f64, liquid: &LiquidSpec) -> Self {
        let law = Self {
            rounding_pa: flat.rounding_pa,
            slack_share: flat.slack_share,
            per_rounding_pa: 1.0 / flat.rounding_pa,
            per_slack_pa: 1.0 / flat.slack_pa,
            give_per_pa: 1.0 / (liquid.density_kg_m3 * wave_speed_m_s * wave_speed_m_s),
            density_kg_m3: liquid.density_kg_m3,
            boiling: (f64::NEG_INFINITY, 0.0),
        };
        let boiling_pa = liquid.vapour_pa - liquid.atmosphere_pa;
        Self { boiling: (boiling_pa, law.beyond(boiling_pa).0), ..law }
    }

    /// Roundness F: 1 round, 0 flat.
    #[must_use]
    pub fn roundness(&self, gauge_pa: f64) -> f64 {
        self.held(gauge_pa).roundness
    }

    /// Area over round area.
    #[must_use]
    pub fn area_share(&self, gauge_pa: f64) -> f64 {
        self.give_per_pa * gauge_pa + self.beyond(gauge_pa).0
    }

    /// Speed of small waves on a base pressure, m/s: `1/sqrt(rho d(A/A0)/dp)`.
    ///
    /// Range: a round hose; the water of a flat one has more inertia than this counts. Water's own give is inside the first
    /// term of the law.
    #[must_use]
    pub fn wave_speed_m_s(&self, gauge_pa: f64) -> f64 {
        let (_, slope_per_pa) = self.beyond(gauge_pa);
        (self.density_kg_m3 * (self.give_per_pa + slope_per_pa)).sqrt().recip()
    }

    /// What the law adds to the grid's own store, as a share of the round area, and its slope, 1/Pa.
    #[inline]
    pub(crate) fn beyond(&self, gauge_pa: f64) -> (f64, f64) {
        let held = self.held(gauge_pa);
        (held.beyond, held.slope_per_pa)
    }

    /// All that a step asks of the law at a pressure, without a branch: a hose's points lie beside each other in vectors.
    #[inline(always)]
    pub(crate) fn held(&self, gauge_pa: f64) -> Held {
        let (x, v) = (gauge_pa * self.per_rounding_pa, gauge_pa * self.per_slack_pa);
        let (bend, stretch) = ((1.0 + x * x).sqrt(), (1.0 + v * v).sqrt());
        let both = 1.0 / (bend * stretch);
        let (round, slack) = (stretch * both, bend * both);
        let roundness = 0.5 + 0.5 * (x * round);
        let jacket = 1.0 + self.slack_share * (v * slack);
        let slope_per_pa = (0.5 * self.per_rounding_pa) * (round * round * round) * jacket
            + roundness * (self.slack_share * self.per_slack_pa) * (slack * slack * slack);
        let (boils, below_pa) = (gauge_pa < self.boiling.0, gauge_pa - self.boiling.0);
        let lowest_per_pa = 0.5 * self.per_rounding_pa;
        let below = self.boiling.1 + below_pa * lowest_per_pa;
        Held {
            beyond: if boils { below } else { roundness * jacket },
            slope_per_pa: if boils { lowest_per_pa } else { slope_per_pa },
            roundness,
        }
    }

    /// Vapour that a content below the law's at the vapour pressure stands for, as a share of the round area.
    pub(crate) fn vapour_share(&self, beyond: f64) -> f64 {
        (self.boiling.1 - beyond).max(0.0)
    }

    /// Content at the vapour pressure, as a share of the round area.
    pub(crate) fn boiling_share(&self) -> f64 {
        self.boiling.1
    }

    /// By how much a hose resists flow more than a round one, by its roundness F: area and hydraulic diameter shrink together,
    /// `F^-3`.
    #[inline(always)]
    pub(crate) fn choking(roundness: f64) -> f64 {
        let open = if roundness > FOLDS_SHARE { roundness } else { FOLDS_SHARE };
        1.0 / (open * open * open)
    }

    /// Below this change of pressure the law is straight enough for one Newton step, Pa.
    #[inline(always)]
    pub(crate) fn straight_within_pa(&self, gauge_pa: f64) -> f64 {
        const SHARE: f64 = 0.05;
        SHARE * (self.rounding_pa + gauge_pa.abs())
    }
}

/// Half the store of one end cell of a hose, at a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HoseEnd {
    law: TubeLaw,
    /// Round volume, m3.
    volume_m3: f64,
}

/// Lay-flat hose ends that meet at a node: what they hold there.
///
/// Equation: `V(H1) - V0 = dt Q` with Q the inflow of the new level, as at the inner points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HoseEnds {
    ends: [Option<HoseEnd>; Self::MOST],
    pub(crate) elevation_m: f64,
    weight_n_m3: f64,
    dt_s: f64,
    /// Held at the present level beyond the grid's store, m3; `None` while the hoses are not full.
    held_m3: Option<f64>,
    inflow_m3_s: f64,
}

impl HoseEnds {
    /// Most hoses at a node.
    pub(crate) const MOST: usize = 2;

    pub(crate) fn new(elevation_m: f64, liquid: &LiquidSpec, dt_s: f64) -> Self {
        let weight_n_m3 = liquid.density_kg_m3 * liquid.gravity_m_s2;
        Self { ends: [None; Self::MOST], elevation_m, weight_n_m3, dt_s, held_m3: None, inflow_m3_s: 0.0 }
    }

    /// One more hose of so many cells; false when there is no room.
    pub(crate) fn add(&mut self, pipe: &PipeSpec, cells: usize, law: TubeLaw) -> bool {
        let volume_m3 = 0.5 * bore_area_m2(pipe) * pipe.length_m / cells as f64;
        match self.ends.iter_mut().find(|end| end.is_none()) {
            None => false,
            Some(end) => {
                *end = Some(HoseEnd { law, volume_m3 });
                true
            }
        }
    }

    fn at(&self, head_m: f64) -> (f64, f64) {
        let gauge_pa = self.weight_n_m3 * (head_m - self.elevation_m);
        self.ends.iter().flatten().fold((0.0, 0.0), |(held_m3, slope_m2), end| {
            let (beyond, slope_per_pa) = end.law.beyond(gauge_pa);
            (held_m3 + end.volume_m3 * beyond, slope_m2 + end.volume_m3 * slope_per_pa * self.weight_n_m3)
        })
    }

    fn round_m3(&self) -> f64 {
        self.ends.iter().flatten().map(|end| end.volume_m3).sum()
    }

    /// Full from now on (true), or not, with the head given.
    pub(crate) fn set_full(&mut self, full: bool, head_m: f64) {
        if full != self.held_m3.is_some() {
            self.held_m3 = full.then(|| self.at(head_m).0);
            self.inflow_m3_s = 0.0;
        }
    }

    /// Water taken at a head of the new level, m3/s, and its slope, m2/s.
    pub(crate) fn taken(&self, head_m: f64) -> (f64, f64) {
        let Some(held_m3) = self.held_m3 else { return (0.0, 0.0) };
        let (new_m3, slope_m2) = self.at(head_m);
        ((new_m3 - held_m3) / self.dt_s, slope_m2 / self.dt_s)
    }

    /// Flow below which the numbers cannot tell volumes, or heads above the elevation, apart, m3/s, where a metre more
    /// takes `slope_m2_s` more.
    pub(crate) fn resolution_m3_s(&self, head_m: f64, slope_m2_s: f64) -> f64 {
        8.0 * f64::EPSILON * (self.round_m3() / self.dt_s + slope_m2_s * (head_m - self.elevation_m).abs())
    }

    /// Take the solved inflow.
    pub(crate) fn end(&mut self, inflow_m3_s: f64) {
        if let Some(held_m3) = &mut self.held_m3 {
            *held_m3 += self.dt_s * inflow_m3_s;
            self.inflow_m3_s = inflow_m3_s;
        }
    }

    /// Held beyond the grid's store and beyond round, less the half step by which weights differ, m3.
    pub(crate) fn stored_m3(&self) -> f64 {
        self.held_m3.map_or(0.0, |held_m3| held_m3 - self.round_m3() - 0.5 * self.dt_s * self.inflow_m3_s)
    }

    /// Vapour, m3.
    pub(crate) fn vapour_m3(&self) -> f64 {
        let (Some(held_m3), round_m3) = (self.held_m3, self.round_m3()) else { return 0.0 };
        let first = self.ends.iter().flatten().next();
        first.map_or(0.0, |end| round_m3 * end.law.vapour_share(held_m3 / round_m3))
    }
}

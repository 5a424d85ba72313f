//! What an induction motor gives its shaft at one level of time, as numbers: torque, current and power over speed.
//!
//! The motor and its nameplate are `starters::motor`; what they do over speed stands here, so that the lanes
//! ([`super::lanes`]) evaluate many motors at once by the very code that evaluates one.
//!
//! Equations: the rotor lags its field by `x = f - w p` (f -> `lead`, frequency share; w -> speed of the shaft; p ->
//! `per_speed`); motor torque is `phi^2 T_n t(x)` (phi -> `flux`), held between `least_n_m` and `most_n_m` where a drive does
//! so, and reaches the shaft through a belt; motor current is `phi sqrt(I_0^2 + A x^2 / (x^2 + c^2))`; power is torque times
//! the field's speed and losses `h (I^2 / I_n^2 + phi^2)`.
//! Range: any speed. Accuracy: rounding; vectors take the same operations (`agrees_with_one_at_a_time_under_a_motor`).
//! Source: three-phase theory, see `starters::motor` and `starters::torque_curve`.

/// Torque over slip, multiples of rated torque at rated flux.
///
/// Equation: up to `curve_from` Kloss's `2 T_b s s_b / (s^2 + s_b^2)`; beyond it level cubics from breakdown to pull-up and from
/// there to locked rotor at slip 1, level further on. Odd in slip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlipTorque<T = f64> {
    /// T_b.
    pub breakdown: T,
    /// s_b.
    pub breakdown_slip: T,
    /// Slip from which the cubics hold; infinite without.
    pub curve_from: T,
    /// Torque and slip at pull-up.
    pub pull_up: T,
    /// Slip at pull-up, below 1.
    pub pull_up_slip: T,
    /// Torque at slip 1.
    pub locked_rotor: T,
}

impl SlipTorque {
    /// Kloss everywhere.
    #[must_use]
    pub fn kloss(breakdown: f64, breakdown_slip: f64) -> Self {
        let (pull_up_slip, curve_from) = (0.5, f64::INFINITY);
        Self { breakdown, breakdown_slip, curve_from, pull_up: breakdown, pull_up_slip, locked_rotor: breakdown }
    }

    /// Torque and its derivative to slip.
    #[inline(always)]
    #[must_use]
    pub fn at(&self, slip: f64) -> (f64, f64) {
        let s = slip.abs();
        let (s_2, b_2) = (s * s, self.breakdown_slip * self.breakdown_slip);
        let per_sum = 1.0 / (s_2 + b_2);
        let kloss = 2.0 * self.breakdown * self.breakdown_slip * per_sum;
        let (torque, slope) = (kloss * s, kloss * per_sum * (b_2 - s_2));
        let up = s >= self.pull_up_slip;
        let from = if up { self.pull_up_slip } else { self.breakdown_slip };
        let to = if up { 1.0 } else { self.pull_up_slip };
        let low = if up { self.pull_up } else { self.breakdown };
        let rise = if up { self.locked_rotor } else { self.pull_up } - low;
        let t = (s - from) / (to - from);
        let t = if t < 1.0 { t } else { 1.0 };
        let curve = (low + rise * t * t * (3.0 - 2.0 * t), rise * 6.0 * t * (1.0 - t) / (to - from));
        let curved = s > self.curve_from;
        let (torque, slope) = (if curved { curve.0 } else { torque }, if curved { curve.1 } else { slope });
        (torque.copysign(slip), slope)
    }
}

/// A motor as its shaft and its line see it, all that does not change while it runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotorLaw<T = f64> {
    /// Torque over lag.
    pub torque: SlipTorque<T>,
    /// T_n, N m.
    pub rated_n_m: T,
    /// p, s/rad: 1 over ratio of the belt and synchronous speed.
    pub per_speed: T,
    /// Between these motor torque is held, N m.
    pub least_n_m: T,
    /// As above.
    pub most_n_m: T,
    /// Torque at the shaft over motor torque where the motor drives.
    pub driving: T,
    /// As above where it brakes.
    pub braking: T,
    /// I_0^2, A2.
    pub magnetising_a2: T,
    /// A, A2.
    pub rotor_a2: T,
    /// c^2.
    pub corner2: T,
    /// I_n, A.
    pub full_load_a: T,
    /// h, W.
    pub half_loss_w: T,
    /// Speed of the field at rated frequency, rad/s.
    pub synchronous_rad_s: T,
    /// Power that the line gives at least, W, and its share of the motor's.
    pub least_w: T,
    /// As above.
    pub power_share: T,
    /// Line current of a watt from the line, A/W, where the line sees a rectifier.
    pub amps_per_w: T,
}

/// What the motor's terminals see at one level of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotorSupply<T = f64> {
    /// f.
    pub lead: T,
    /// phi; 0 where nothing is connected.
    pub flux: T,
    /// Line current over motor current; 0 behind a rectifier.
    pub line_share: T,
}

/// A motor at the present level.
#[derive(Debug, Clone, Copy)]
pub struct MotorLevel<'a> {
    /// What does not change while it runs.
    pub law: &'a MotorLaw,
    /// Another number whenever the law is another.
    pub key: u64,
    /// What its terminals see.
    pub supply: MotorSupply,
}

/// How what a motor's terminals see goes on by itself from the present level, where that is by a straight ramp of a drive's
/// frequency, or not at all.
///
/// Equation: a step brings the frequency f (share of rated) by `dt / up_s` up or `dt / down_s` down to `target` at most; then it is
/// held to `w p + behind <= f <= w p + ahead` ([`MotorLaw`] for w p). Flux is `min(f, 1) / f`, 1 at standstill.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SupplyCourse {
    /// f; without a ramp the supply stays as it is.
    pub ramp: Option<f64>,
    /// What f goes to.
    pub target: f64,
    /// Time from standstill to rated frequency, s; 0: at once.
    pub up_s: f64,
    /// As above, back.
    pub down_s: f64,
    /// Least lead of the field over the rotor, share of rated frequency.
    pub behind: f64,
    /// The most.
    pub ahead: f64,
    /// The driver's own time, s.
    pub time_s: f64,
    /// When it must be asked again at the latest, by its own time, s.
    pub until_s: f64,
}

impl SupplyCourse {
    /// No change, as long as nobody orders one.
    pub const STILL: Self = Self {
        ramp: None,
        target: 0.0,
        up_s: 0.0,
        down_s: 0.0,
        behind: f64::NEG_INFINITY,
        ahead: f64::INFINITY,
        time_s: 0.0,
        until_s: f64::INFINITY,
    };
}

impl MotorSupply {
    /// Nothing connected.
    pub const NONE: Self = Self { lead: 1.0, flux: 0.0, line_share: 0.0 };
}

impl MotorLaw {
    #[inline(always)]
    fn lag(&self, supply: &MotorSupply, speed_rad_s: f64) -> f64 {
        supply.lead - speed_rad_s * self.per_speed
    }

    /// Motor torque before it is held, N m, and its derivative to the shaft's speed.
    #[inline(always)]
    #[must_use]
    pub fn motor_torque(&self, supply: &MotorSupply, speed_rad_s: f64) -> (f64, f64) {
        let (torque, slope) = self.torque.at(self.lag(supply, speed_rad_s));
        let scale = supply.flux * supply.flux * self.rated_n_m;
        (scale * torque, -(scale * slope * self.per_speed))
    }

    /// Torque at the shaft, N m, and its derivative to speed.
    #[inline(always)]
    #[must_use]
    pub fn shaft_torque(&self, supply: &MotorSupply, speed_rad_s: f64) -> (f64, f64) {
        let (torque, slope) = self.motor_torque(supply, speed_rad_s);
        let held = if torque < self.least_n_m { self.least_n_m } else { torque };
        let held = if held > self.most_n_m { self.most_n_m } else { held };
        let free = torque >= self.least_n_m && torque <= self.most_n_m;
        let through = if held > 0.0 { self.driving } else { self.braking };
        (through * held, if free { through * slope } else { 0.0 })
    }

    /// Motor current at rated flux over the lag, A.
    #[inline(always)]
    #[must_use]
    pub fn current_at_lag_a(&self, lag: f64) -> f64 {
        let lag_2 = lag * lag;
        (self.magnetising_a2 + self.rotor_a2 * lag_2 / (lag_2 + self.corner2)).sqrt()
    }

    /// Motor current, A.
    #[inline(always)]
    #[must_use]
    pub fn motor_current_a(&self, supply: &MotorSupply, speed_rad_s: f64) -> f64 {
        supply.flux * self.current_at_lag_a(self.lag(supply, speed_rad_s))
    }

    /// Power into the motor, W.
    #[inline(always)]
    #[must_use]
    pub fn motor_power_w(&self, supply: &MotorSupply, speed_rad_s: f64) -> f64 {
        let (torque, _) = self.motor_torque(supply, speed_rad_s);
        let load = self.motor_current_a(supply, speed_rad_s) / self.full_load_a;
        let losses_w = self.half_loss_w * (load * load + supply.flux * supply.flux);
        torque * (supply.lead * self.synchronous_rad_s) + losses_w
    }

    /// Power from the line, W.
    #[inline(always)]
    #[must_use]
    pub fn line_power_w(&self, supply: &MotorSupply, speed_rad_s: f64) -> f64 {
        let power_w = self.motor_power_w(supply, speed_rad_s);
        self.power_share * if power_w < self.least_w { self.least_w } else { power_w }
    }

    /// Line current, A.
    #[inline(always)]
    #[must_use]
    pub fn line_current_a(&self, supply: &MotorSupply, speed_rad_s: f64) -> f64 {
        let own_a = supply.line_share * self.motor_current_a(supply, speed_rad_s);
        own_a + self.amps_per_w * self.line_power_w(supply, speed_rad_s)
    }
}

impl<const W: usize> MotorLaw<[f64; W]> {
    /// Many beside each other, each number of all in one row.
    pub(crate) fn beside(laws: &[MotorLaw; W]) -> Self {
        let each = |of: fn(&MotorLaw) -> f64| std::array::from_fn(|l| of(&laws[l]));
        Self {
            torque: SlipTorque {
                breakdown: each(|law| law.torque.breakdown),
                breakdown_slip: each(|law| law.torque.breakdown_slip),
                curve_from: each(|law| law.torque.curve_from),
                pull_up: each(|law| law.torque.pull_up),
                pull_up_slip: each(|law| law.torque.pull_up_slip),
                locked_rotor: each(|law| law.torque.locked_rotor),
            },
            rated_n_m: each(|law| law.rated_n_m),
            per_speed: each(|law| law.per_speed),
            least_n_m: each(|law| law.least_n_m),
            most_n_m: each(|law| law.most_n_m),
            driving: each(|law| law.driving),
            braking: each(|law| law.braking),
            magnetising_a2: each(|law| law.magnetising_a2),
            rotor_a2: each(|law| law.rotor_a2),
            corner2: each(|law| law.corner2),
            full_load_a: each(|law| law.full_load_a),
            half_loss_w: each(|law| law.half_loss_w),
            synchronous_rad_s: each(|law| law.synchronous_rad_s),
            least_w: each(|law| law.least_w),
            power_share: each(|law| law.power_share),
            amps_per_w: each(|law| law.amps_per_w),
        }
    }

    /// One of them.
    #[inline(always)]
    pub(crate) fn lane(&self, l: usize) -> MotorLaw {
        let Self { torque, .. } = self;
        MotorLaw {
            torque: SlipTorque {
                breakdown: torque.breakdown[l],
                breakdown_slip: torque.breakdown_slip[l],
                curve_from: torque.curve_from[l],
                pull_up: torque.pull_up[l],
                pull_up_slip: torque.pull_up_slip[l],
                locked_rotor: torque.locked_rotor[l],
            },
            rated_n_m: self.rated_n_m[l],
            per_speed: self.per_speed[l],
            least_n_m: self.least_n_m[l],
            most_n_m: self.most_n_m[l],
            driving: self.driving[l],
            braking: self.braking[l],
            magnetising_a2: self.magnetising_a2[l],
            rotor_a2: self.rotor_a2[l],
            corner2: self.corner2[l],
            full_load_a: self.full_load_a[l],
            half_loss_w: self.half_loss_w[l],
            synchronous_rad_s: self.synchronous_rad_s[l],
            least_w: self.least_w[l],
            power_share: self.power_share[l],
            amps_per_w: self.amps_per_w[l],
        }
    }
}

impl<const W: usize> MotorSupply<[f64; W]> {
    pub(crate) fn put(&mut self, l: usize, supply: &MotorSupply) {
        (self.lead[l], self.flux[l], self.line_share[l]) = (supply.lead, supply.flux, supply.line_share);
    }

    /// One of many.
    #[inline(always)]
    pub(crate) fn lane(&self, l: usize) -> MotorSupply {
        MotorSupply { lead: self.lead[l], flux: self.flux[l], line_share: self.line_share[l] }
    }
}

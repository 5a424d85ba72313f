//! The hidden truth: what the virtual bench really is, drawn from a seed and never told.
//!
//! | what | drawn | size (standard deviation unless said; draws stop at two of them) |
//! |---|---|---|
//! | pipe length | one factor a pipe | 0.5 % |
//! | roughness | log-normal, one factor a pipe | 20 % |
//! | minor losses, valve and check-valve Kv | one factor an element | 4 % |
//! | wave speed | one factor a pipe | 2 % |
//! | entrained air | one volume fraction for all, log-uniform | 1e-6 to 1e-5 at atmospheric pressure |
//! | lay-flat hose: rounding pressure, slack and its pressure | one factor each, two log-normal | 30 %, 15 %, 20 % |
//! | lay-flat hose: a kink that the rig file does not know, and where | loss log-uniform, place uniform | 0.1 to 0.5 velocity heads, half of it gone at 0.2 to 0.5 bar; 15 to 85 % of the length |
//! | pump head, pump flow | one factor each | 1.5 % |
//! | pump efficiency | one factor | 2 % |
//! | inertia | one factor | 5 % |
//! | shaft friction torque | one factor | 15 % |
//! | motor torque points | one factor a point | 4 % |
//! | locked-rotor and full-load current | one factor each | 2 % |
//! | supply voltage | one factor; torque goes with its square, current with it | 1.5 % |
//! | tank level | one offset a tank | 20 mm |
//! | valve opening against what its handle says | one offset a valve, share of stroke | 0.5 % |
//! | ramp times of a starter's own clock | one factor a starter | 1 % |
//! | time from a start order to the coil or control board | uniform, one a starter | 3 to 12 ms |
//! | contactor closing, opening | one factor each on the assumed delay | 15 % |
//! | travel of the transfer device | uniform | 0.4 to 0.8 s |
//! | stroke times of a control valve | one factor each | 4 % |
//! | limit switch of a control valve | one offset, share of stroke | 1 % |
//! | sensor zero | normal, one a channel | the channel's calibration uncertainty |
//! | sensor noise | uniform, one a channel | 0.02 to 0.04 % of span |
//! | sensor drift | normal, one a channel, grows with rig time | 0.005 % of span an hour |
//! | sensor bandwidth | one factor a channel | 5 % |
//!
//! In form: the motor's torque curve is Kloss's where the rig file asks for four points and the reverse, friction is
//! unsteady, contactors and control boards take their time, a lay-flat hose has a kink that gives way under pressure, and
//! the grid is another. Sizes are common practice for a bench
//! of this kind, no source.
//!
//! Neither the seed nor anything drawn leaves this module but into the physics, and into a truth file where one is asked
//! for.

use super::VirtualRigError;
use crate::hydraulics::spec::{
    CreepSpec, ElementKind, GridOptions, KinkSpec, LayFlatSpec, LiquidSpec, NetworkSpec, PipeSpec, PumpSpec, ShaftSpec,
};
use crate::hydraulics::spec::{NodeSpec, Terminal};
use crate::rig::model::{Channel, Rig};
use crate::starters::{ContactorTimes, ControlValveSpec, MotorSpec};

use rand::{Rng, RngExt, SeedableRng, TryRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::Serialize;
use std::path::Path;

/// Largest time step of the hidden grid, s. The solver takes between half of it and all of it, as the drawn pipes fit, so
/// the grid is another one than a prediction's, mostly finer; the work goes with the inverse square of the step, and an
/// unlucky draw must not keep `--fast` from eight times real time.
const DT_MAX_S: f64 = 0.45e-3;
/// Reference pressure at which the entrained air expands, Pa absolute: a bench works within a few bar of it.
const AIR_PRESSURE_PA: f64 = 2.0e5;

/// What differs between the devices and their data sheets.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct DeviceTruth {
    /// Delays of all contactors.
    pub contactor: ContactorTimes,
    /// Travel of the transfer device, s of rig time.
    pub transfer_travel_s: f64,
    /// From a start order to the coil or the control board, s of rig time, one a starter.
    pub closing_delay_s: Vec<f64>,
    /// Factor on the ramp times, one a starter.
    pub ramp_factor: Vec<f64>,
    /// The pump control valve, where there is one.
    pub control_valve: Option<ControlValveSpec>,
}

/// What differs between a sensor and its data sheet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SensorTruth {
    /// Zero error, SI.
    pub zero_si: f64,
    /// Standard deviation of the white noise, SI.
    pub noise_si: f64,
    /// Drift, SI per second of rig time.
    pub drift_si_s: f64,
    /// Bandwidth, Hz.
    pub bandwidth_hz: f64,
}

/// The bench as it really is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Pipes, pump, valves, tanks, as the first line-up of the process has them.
    pub network: NetworkSpec,
    /// The same with nothing cut off and every valve as the rig file has it.
    #[serde(skip)]
    whole: NetworkSpec,
    /// What the opening of each element differs from its handle's, share of stroke.
    #[serde(skip)]
    handles: Vec<f64>,
    /// Rotating side.
    pub shaft: ShaftSpec,
    /// Motor at the real supply voltage.
    pub motor: MotorSpec,
    /// Grid of the solver.
    pub grid: GridOptions,
    /// Devices.
    pub devices: DeviceTruth,
    /// Sensors, in the order of the rig's channels.
    pub sensors: Vec<SensorTruth>,
}

impl Truth {
    /// Draw the truth of a rig that begins in a line-up. The same seed and rig file give the same truth.
    pub fn draw(rig: &Rig, line_up: usize, rng: &mut ChaCha12Rng) -> Self {
        let grid = GridOptions { dt_max_s: DT_MAX_S, unsteady_friction: true, ..GridOptions::default() };
        let whole = draw_network(&rig.network, rng);
        let handles: Vec<f64> = whole.elements.iter().map(|_| 0.005 * normal(rng)).collect();
        let mut truth = Self {
            network: whole.clone(),
            whole,
            handles,
            shaft: ShaftSpec {
                inertia_kg_m2: rig.shaft.inertia_kg_m2 * factor(rng, 0.05),
                friction_n_m: rig.shaft.friction_n_m * factor(rng, 0.15),
            },
            motor: draw_motor(&rig.motor, rng),
            grid,
            devices: DeviceTruth {
                contactor: draw_contactor(rng),
                transfer_travel_s: rng.random_range(0.4..0.8),
                closing_delay_s: rig.starters.iter().map(|_| rng.random_range(0.003..0.012)).collect(),
                ramp_factor: rig.starters.iter().map(|_| factor(rng, 0.01)).collect(),
                control_valve: rig.control_valve.as_ref().map(|valve| draw_control_valve(&valve.spec, rng)),
            },
            sensors: rig.channels.iter().map(|channel| draw_sensor(channel, rng)).collect(),
        };
        kink_hoses(&mut truth.whole, rng);
        truth.network = truth.network_in(rig, line_up);
        truth
    }

    /// Pipes, pump, valves, tanks in a line-up.
    pub fn network_in(&self, rig: &Rig, line_up: usize) -> NetworkSpec {
        lined_up(rig, (&self.whole, &self.handles), line_up)
    }

    /// Write the truth as JSON, for whoever asked for it.
    pub fn write(&self, path: &Path) -> Result<(), VirtualRigError> {
        let failed = |source| VirtualRigError::TruthFile { path: path.to_path_buf(), source };
        let text = serde_json::to_string_pretty(self).map_err(|error| failed(std::io::Error::other(error)))?;
        std::fs::write(path, text).map_err(failed)
    }
}

/// The generator of a truth: from the seed, or from the operating system when there is none.
pub fn generator(seed: Option<u64>) -> Result<ChaCha12Rng, VirtualRigError> {
    let seed = match seed {
        Some(seed) => seed,
        None => rand::rngs::SysRng.try_next_u64().map_err(|error| VirtualRigError::NoSeed(error.to_string()))?,
    };
    Ok(ChaCha12Rng::seed_from_u64(seed))
}

/// A standard normal draw, held within two standard deviations.
fn normal(rng: &mut impl Rng) -> f64 {
    let draw: f64 = StandardNormal.sample(rng);
    draw.clamp(-2.0, 2.0)
}

fn factor(rng: &mut impl Rng, size: f64) -> f64 {
    1.0 + size * normal(rng)
}

fn draw_network(nominal: &NetworkSpec, rng: &mut ChaCha12Rng) -> NetworkSpec {
    let air = 10_f64.powf(rng.random_range(-6.0..-5.0));
    let mut network = nominal.clone();
    network.nodes.iter_mut().for_each(|node| draw_level(node, rng));
    for element in &mut network.elements {
        match &mut element.kind {
            ElementKind::Blank { .. } => {}
            ElementKind::Pipe(pipe) => *pipe = draw_pipe(pipe, &nominal.liquid, air, rng),
            ElementKind::Valve(valve) => valve.kv_open_m3_h *= factor(rng, 0.04),
            ElementKind::DiscCheckValve(check) => {
                check.kv_m3_h *= factor(rng, 0.04);
                check.seat_force_n *= factor(rng, 0.05);
            }
            ElementKind::CheckValve(check) => check.kv_m3_h *= factor(rng, 0.04),
            ElementKind::Pump(pump) => draw_pump(pump, rng),
            ElementKind::OtherPump(other) => draw_pump(&mut other.pump, rng),
            ElementKind::Orifice(orifice) => orifice.discharge_coefficient *= factor(rng, 0.02).min(1.0),
            ElementKind::ReliefValve(valve) => {
                let off = factor(rng, 0.03);
                valve.set_pa *= off;
                valve.full_open_pa *= off;
            }
        }
    }
    network
}

/// As people set it by its handles. A valve that is shut stays shut, one that is fully open stays so: the stops are
/// mechanical.
fn lined_up(rig: &Rig, (whole, handles): (&NetworkSpec, &[f64]), line_up: usize) -> NetworkSpec {
    let mut network = rig.lined_up(whole, &[line_up]);
    for (element, off) in network.elements.iter_mut().zip(handles) {
        if let ElementKind::Valve(valve) = &mut element.kind
            && valve.opening > 0.0
            && valve.opening < 1.0
        {
            valve.opening = (valve.opening + off).clamp(0.001, 1.0);
        }
    }
    network
}

fn draw_level(node: &mut NodeSpec, rng: &mut impl Rng) {
    if let Terminal::Tank { level_m, overflow_m, .. } = &mut node.terminal {
        *level_m = (*level_m + 0.02 * normal(rng)).min(*overflow_m);
    }
}

fn draw_pipe(nominal: &PipeSpec, liquid: &LiquidSpec, air: f64, rng: &mut impl Rng) -> PipeSpec {
    let wave_speed_m_s = with_air(nominal.wave_speed_m_s * factor(rng, 0.02), air, liquid);
    PipeSpec {
        length_m: nominal.length_m * factor(rng, 0.005),
        roughness_m: nominal.roughness_m * (0.2 * normal(rng)).exp(),
        wave_speed_m_s,
        minor_loss_k: nominal.minor_loss_k * factor(rng, 0.04),
        creep: nominal.creep.map(|creep| draw_creep(creep, rng)),
        lay_flat: nominal.lay_flat.map(|flat| draw_lay_flat(flat, rng)),
        ..*nominal
    }
}

fn draw_lay_flat(nominal: LayFlatSpec, rng: &mut impl Rng) -> LayFlatSpec {
    LayFlatSpec {
        rounding_pa: nominal.rounding_pa * (0.3 * normal(rng)).exp(),
        slack_share: (nominal.slack_share * factor(rng, 0.15)).min(0.5),
        slack_pa: nominal.slack_pa * (0.2 * normal(rng)).exp(),
        ..nominal
    }
}

/// No lay-flat hose lies without a bend too sharp, unless the rig file knows of one.
fn kink_hoses(network: &mut NetworkSpec, rng: &mut impl Rng) {
    for element in &mut network.elements {
        let ElementKind::Pipe(PipeSpec { lay_flat: Some(flat), .. }) = &mut element.kind else { continue };
        if flat.kink.is_none() {
            flat.kink = Some(draw_kink(rng));
        }
    }
}

/// A loss well under what the hose's couplings have.
fn draw_kink(rng: &mut impl Rng) -> KinkSpec {
    KinkSpec {
        share: rng.random_range(0.15..0.85),
        loss_k: 10_f64.powf(rng.random_range(-1.0..-0.3)),
        opens_pa: rng.random_range(0.2e5..0.5e5),
    }
}

fn draw_creep(nominal: CreepSpec, rng: &mut impl Rng) -> CreepSpec {
    CreepSpec { share: nominal.share * factor(rng, 0.06), time_s: nominal.time_s * factor(rng, 0.06) }
}

/// Wave speed with a little free gas: 1/a'^2 = 1/a^2 + density * fraction(p) / p, the fraction at pressure p being
/// fraction(p0) p0/p (isothermal). Range: fractions below 1e-4, where the mixture's density is the water's.
/// Derivation: compressibilities add; the gas's is 1/p.
fn with_air(wave_speed_m_s: f64, fraction: f64, liquid: &LiquidSpec) -> f64 {
    let at_pressure = fraction * liquid.atmosphere_pa / AIR_PRESSURE_PA;
    let gas = liquid.density_kg_m3 * at_pressure / AIR_PRESSURE_PA;
    (1.0 / (wave_speed_m_s.powi(-2) + gas)).sqrt()
}

fn draw_pump(pump: &mut PumpSpec, rng: &mut impl Rng) {
    let (flow, head, efficiency) = (factor(rng, 0.015), factor(rng, 0.015), factor(rng, 0.02));
    pump.rated_flow_m3_s *= flow;
    pump.rated_head_m *= head;
    pump.rated_efficiency *= efficiency;
    for (point_flow, point_head) in &mut pump.curve {
        *point_flow *= flow;
        *point_head *= head;
    }
    for (point_flow, point_efficiency) in &mut pump.efficiency {
        *point_flow *= flow;
        *point_efficiency *= efficiency;
    }
}

fn draw_motor(nominal: &MotorSpec, rng: &mut impl Rng) -> MotorSpec {
    let voltage = factor(rng, 0.015);
    let torque = voltage * voltage;
    let pull_up_torque = nominal.pull_up_torque * torque * factor(rng, 0.04);
    let breakdown = nominal.breakdown_torque * torque * factor(rng, 0.04);
    MotorSpec {
        locked_rotor_torque: nominal.locked_rotor_torque * torque * factor(rng, 0.04),
        pull_up_torque,
        breakdown_torque: breakdown.max(1.05 * pull_up_torque),
        locked_rotor_current: nominal.locked_rotor_current * voltage * factor(rng, 0.02),
        full_load_current_a: nominal.full_load_current_a * factor(rng, 0.02),
        kloss: !nominal.kloss,
        ..*nominal
    }
}

fn draw_contactor(rng: &mut impl Rng) -> ContactorTimes {
    let assumed = ContactorTimes::default();
    ContactorTimes {
        closing_s: assumed.closing_s * factor(rng, 0.15),
        opening_s: assumed.opening_s * factor(rng, 0.15),
    }
}

fn draw_control_valve(nominal: &ControlValveSpec, rng: &mut impl Rng) -> ControlValveSpec {
    let mut valve = nominal.clone();
    for stroke in [&mut valve.opening, &mut valve.closing, &mut valve.emergency] {
        stroke.time_s *= factor(rng, 0.04);
    }
    if valve.limit_switch > 0.0 {
        valve.limit_switch = (valve.limit_switch + 0.01 * normal(rng)).clamp(0.0, 0.95);
    }
    valve
}

fn draw_sensor(channel: &Channel, rng: &mut impl Rng) -> SensorTruth {
    let span = channel.range.1 - channel.range.0;
    SensorTruth {
        zero_si: channel.calibration_u * normal(rng),
        noise_si: span * rng.random_range(2.0e-4..4.0e-4),
        drift_si_s: span * 5.0e-5 / 3600.0 * normal(rng),
        bandwidth_hz: channel.bandwidth_hz * factor(rng, 0.05),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinks(network: &NetworkSpec) -> Vec<Option<KinkSpec>> {
        let hose = |kind: &ElementKind| match kind {
            ElementKind::Pipe(PipeSpec { lay_flat: Some(flat), .. }) => Some(flat.kink),
            _ => None,
        };
        network.elements.iter().filter_map(|element| hose(&element.kind)).collect()
    }

    #[test]
    fn gives_a_lay_flat_hose_a_kink_of_its_own_and_leaves_a_known_one() {
        let hoops =
            "min_pressure = \"-0.6 barg\" # hoops sewn into the jacket keep it round; a plain lay-flat hose would fold";
        let flat = "min_pressure = \"-0.6 barg\"\nlay_flat = true";
        let text = crate::rig::shipped("terrace-bench").unwrap().replacen(hoops, flat, 1);
        let rig = crate::rig::parse(&text, "flat.toml").unwrap_or_else(|problems| panic!("{problems}"));
        assert_eq!(kinks(&rig.network), [None; 2], "two lay-flat hoses, the prediction knows of no kink");
        let draw = |rig: &Rig, seed| {
            let mut rng = generator(Some(seed)).unwrap();
            Truth::draw(rig, 0, &mut rng).network
        };
        let drawn: Vec<KinkSpec> = (0..4).filter_map(|seed| kinks(&draw(&rig, seed))[0]).collect();
        assert_eq!(drawn.len(), 4);
        for kink in &drawn {
            assert!((0.1..=0.51).contains(&kink.loss_k) && (0.15..0.85).contains(&kink.share), "{kink:?}");
        }
        assert_ne!(drawn[0], drawn[1]);
        let known = KinkSpec { share: 0.5, loss_k: 3.0, opens_pa: 1.0e5 };
        let mut described = rig.clone();
        for element in &mut described.network.elements {
            if let ElementKind::Pipe(PipeSpec { lay_flat: Some(flat), .. }) = &mut element.kind {
                flat.kink = Some(known);
            }
        }
        let left = kinks(&draw(&described, 0));
        assert!(!left.is_empty() && left.iter().all(|kink| *kink == Some(known)), "{left:?}");
    }
}

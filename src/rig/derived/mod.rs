//! Figures that follow from a rig: what `check` prints and what some checks compare.

mod acceleration;
mod coarse;
mod duty_point;
mod limits;
mod notices;
mod shut_off;
mod stop_delay;

pub use acceleration::{ACCELERATED_SHARE, across_the_line_s};
pub use coarse::{boundary_step_s, coarse_words, too_coarse};
pub use duty_point::{DutyPoint, duty_point};
pub use limits::{PrimingFigures, UsefulSpeeds, fast_setting, slow_setting, useful_speeds_of, why_no_water};
pub use notices::{condition_words, kink_words, motor_words};
pub use shut_off::{ShutOff, answer_to_speed_pa, shut_off, shut_off_head_m, top_speed_rad_s};
pub use stop_delay::worst_stop_delay_s;

use super::chain::{Demand, LineFigures};
use super::model::{Quantity, Rig};
use crate::hydraulics::network::joined;
use crate::hydraulics::spec::{ElementKind, LiquidSpec, NetworkSpec, Terminal};
use crate::hydraulics::tube_law::TubeLaw;
use crate::hydraulics::wave_speed::reflection_time_s;
use crate::starters::settings_in_words;
use serde::Serialize;

/// Everything `check` shows. SI; keys carry their unit and stay as they are.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Derived {
    /// Rig id.
    pub rig: String,
    /// Rig name.
    pub name: String,
    /// The rig is invented.
    pub invented: bool,
    /// Liquid temperature, degC.
    pub temperature_c: f64,
    /// Liquid and site.
    pub liquid: LiquidSpec,
    /// Pipes and hoses.
    pub pipes: Vec<PipeFigures>,
    /// 2L/a of all pipes on the delivery side together, s.
    pub delivery_reflection_time_s: f64,
    /// One entry a line-up.
    pub line_ups: Vec<LineUpFigures>,
    /// Shut-off head at top speed, m.
    pub shut_off_head_m: f64,
    /// Highest shaft speed any starter may give, rad/s.
    pub top_speed_rad_s: f64,
    /// How the motor is reckoned with: torque curve, supply, belt.
    pub motor: String,
    /// Standing pressure of every element against its rating.
    pub strength: Vec<ShutOff>,
    /// The element that stands nearest to its rating.
    pub weakest: Option<ShutOff>,
    /// Starters with every setting and what it is relative to.
    pub starters: Vec<StarterWords>,
    /// Measuring chains.
    pub chains: Vec<ChainFigures>,
    /// Links.
    pub links: Vec<LinkFigures>,
    /// Assumed because the file does not say.
    pub assumptions: Vec<String>,
    /// What a person should know before the first start.
    pub notices: Vec<String>,
}

/// A pipe's figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PipeFigures {
    /// Id.
    pub id: String,
    /// Length, m.
    pub length_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Wave speed, m/s.
    pub wave_speed_m_s: f64,
    /// 2L/a, s.
    pub reflection_time_s: f64,
    /// Lay-flat hoses: gauge pressures, Pa, with the wave speed there, m/s.
    pub wave_speeds_by_pressure: Vec<(f64, f64)>,
}

/// Gauge pressures at which the wave speed of a lay-flat hose is told, Pa: nearly slack, and well stretched.
const TOLD_AT_PA: [f64; 2] = [0.2e5, 2.0e5];

/// A starter in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StarterWords {
    /// Id.
    pub id: String,
    /// Its settings, each with what it is relative to.
    pub settings: Vec<String>,
}

/// Every starter of a rig in words.
pub fn starter_words(rig: &Rig) -> Vec<StarterWords> {
    let words = |starter: &super::model::Starter| StarterWords {
        id: starter.id.clone(),
        settings: settings_in_words(starter.kind, &starter.settings, &starter.panel),
    };
    rig.starters.iter().map(words).collect()
}

/// What a channel's chain lets through.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChainFigures {
    /// Channel id.
    pub id: String,
    /// `gauge`, `sealed` or `absolute`, of a pressure.
    pub reference: Option<String>,
    /// Bandwidth of sensor, damping and anti-alias filter, Hz.
    pub bandwidth_hz: f64,
    /// What the analysis filter leaves of it, Hz.
    pub passes_hz: f64,
    /// Delay of the converter, taken off the channel's times, s.
    pub group_delay_s: f64,
    /// Mounting, of a pressure.
    pub mounting: Option<String>,
    /// Impulse line: natural frequency by x tan x = 1 / r (`hydraulics::impulse_line`, D90).
    pub line: Option<LineFigures>,
    /// Kinds of reading that are withheld, with the reason.
    pub withheld: Vec<String>,
}

/// A line-up's figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineUpFigures {
    /// Line-up id.
    pub line_up: String,
    /// Highest delivery level less suction level, m; `None` without both.
    pub static_head_m: Option<f64>,
    /// Pump above the suction level, m; negative: flooded suction.
    pub suction_lift_m: Option<f64>,
    /// Where it runs at line voltage and frequency; `None` with the reason in `not_running`.
    pub duty: Option<DutyPoint>,
    /// Time to 95 % of the running speed across the line, s; `None` with the reason in `not_running`.
    pub acceleration_across_the_line_s: Option<f64>,
    /// Speeds of use; `None` without static head, or with the reason in `no_useful_speed`.
    pub useful_speeds: Option<UsefulSpeeds>,
    /// Why no speed is of use.
    pub no_useful_speed: Option<String>,
    /// Priming, where the suction leg starts empty.
    pub priming: Option<PrimingFigures>,
    /// Why there is no duty point or acceleration time.
    pub not_running: Option<String>,
}

/// A link's figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LinkFigures {
    /// Id.
    pub id: String,
    /// Worst time from decision to answered stop, s of wall time.
    pub worst_stop_delay_s: f64,
    /// What the rig accepts, s.
    pub stop_delay_budget_s: f64,
    /// Most registers in one poll of a serial link, so that it holds the line no longer than allowed.
    pub registers_a_poll: Option<usize>,
}

/// Computes every figure.
///
/// Accuracy: that of the steady solver, the motor curve and the characteristics behind it; the acceleration time is good
/// to the plant's time step.
pub fn derive(rig: &Rig) -> Derived {
    let strength = shut_off(rig);
    let line_ups: Vec<_> = (0..rig.line_ups.len()).map(|line_up| line_up_figures(rig, line_up)).collect();
    let top_speed_rad_s = top_speed_rad_s(rig);
    Derived {
        rig: rig.id.clone(),
        name: rig.name.clone(),
        invented: rig.invented,
        temperature_c: rig.temperature_c,
        liquid: rig.liquid,
        pipes: pipes(&rig.network, |_| true),
        delivery_reflection_time_s: delivery_reflection_time_s(&rig.plant_parts(0).0),
        shut_off_head_m: shut_off_head_m(&rig.network, top_speed_rad_s),
        top_speed_rad_s,
        motor: motor_words(rig),
        weakest: strength.iter().max_by(|a, b| a.used_share().total_cmp(&b.used_share())).cloned(),
        strength,
        starters: starter_words(rig),
        chains: rig.channels.iter().map(chain_figures).collect(),
        links: (0..rig.links.len()).map(|index| link_figures(rig, index)).collect(),
        assumptions: rig.assumptions.clone(),
        notices: condition_words(&rig.network)
            .into_iter()
            .chain(kink_words(&rig.network))
            .chain(notices::duty(rig))
            .chain(start_notice(rig))
            .chain(notices::restarts(rig))
            .chain(notices::short_pipes(rig))
            .chain(coarse_words(rig, boundary_step_s(rig), &run_ups(&line_ups)))
            .chain(line_ups.iter().flat_map(|figures| notices::of(rig, figures)))
            .collect(),
        line_ups,
    }
}

/// Run-ups across the line, in words and s.
fn run_ups(line_ups: &[LineUpFigures]) -> Vec<(String, f64)> {
    let run_up = |figures: &LineUpFigures| {
        let time_s = figures.acceleration_across_the_line_s?;
        Some((format!("the run-up across the line ({})", figures.line_up), time_s))
    };
    line_ups.iter().filter_map(run_up).collect()
}

fn chain_figures(channel: &super::model::Channel) -> ChainFigures {
    let chain = &channel.chain;
    let passes_hz = chain.passes_hz(channel.bandwidth_hz, channel.filter_class);
    let demands = Demand::ALL.into_iter().filter(|_| channel.quantity == Quantity::GaugePressure);
    let pressure = matches!(channel.quantity, Quantity::GaugePressure | Quantity::PressureDifference);
    let withheld = demands.filter_map(|demand| {
        let why = chain.supports(demand, passes_hz).err()?;
        Some(format!("{}: {why}", demand.words()))
    });
    ChainFigures {
        id: channel.id.0.clone(),
        reference: pressure.then(|| chain.reference.word().to_owned()),
        bandwidth_hz: channel.bandwidth_hz,
        passes_hz,
        group_delay_s: chain.group_delay_s,
        mounting: pressure.then(|| chain.mounting.clone()),
        line: chain.line,
        withheld: withheld.collect(),
    }
}

/// Worst stop delay of a link of a rig, s.
pub fn link_stop_delay_s(rig: &Rig, index: usize) -> f64 {
    let link = &rig.links[index];
    let starters = rig.starters.iter().filter(|starter| starter.link == index).count();
    let units = starters
        + rig.transfer.iter().filter(|unit| unit.link == index).count()
        + rig.devices.iter().filter(|device| device.link == index).count();
    worst_stop_delay_s(link.timeout_s, link.second_stop_connection, units > 1, link.serial.as_ref())
}

fn link_figures(rig: &Rig, index: usize) -> LinkFigures {
    let link = &rig.links[index];
    LinkFigures {
        id: link.id.clone(),
        worst_stop_delay_s: link_stop_delay_s(rig, index),
        stop_delay_budget_s: rig.stop_delay_budget_s,
        registers_a_poll: link.serial.map(|line| line.most_data_bytes() / 2),
    }
}

fn pipes(network: &NetworkSpec, wanted: impl Fn(usize) -> bool) -> Vec<PipeFigures> {
    let figures = |(i, element): (usize, &crate::hydraulics::spec::ElementSpec)| match &element.kind {
        ElementKind::Pipe(pipe) if wanted(i) => Some(PipeFigures {
            id: element.name.clone(),
            length_m: pipe.length_m,
            bore_m: pipe.bore_m,
            wave_speed_m_s: pipe.wave_speed_m_s,
            reflection_time_s: reflection_time_s(pipe.length_m, pipe.wave_speed_m_s),
            wave_speeds_by_pressure: TubeLaw::of(pipe, &network.liquid)
                .map(|law| TOLD_AT_PA.map(|pressure_pa| (pressure_pa, law.wave_speed_m_s(pressure_pa))).to_vec())
                .unwrap_or_default(),
        }),
        _ => None,
    };
    network.elements.iter().enumerate().filter_map(figures).collect()
}

/// Tells every pressure channel the shortest plateau that a surge at its place can have.
pub(super) fn set_plateaus(rig: &mut Rig) {
    let plateau_s = delivery_reflection_time_s(&rig.network);
    for channel in rig.channels.iter_mut().filter(|channel| channel.quantity == Quantity::GaugePressure) {
        channel.chain.plateau_s = plateau_s;
    }
}

fn delivery_reflection_time_s(network: &NetworkSpec) -> f64 {
    let delivery = shut_off::delivery_nodes(network);
    let on_delivery = pipes(network, |element| delivery[network.elements[element].to]);
    on_delivery.iter().map(|pipe| pipe.reflection_time_s).sum()
}

fn line_up_figures(rig: &Rig, line_up: usize) -> LineUpFigures {
    let (network, shaft, _) = rig.plant_parts(line_up);
    let (suction_m, delivery_m) = levels(&network);
    let (duty, duty_why) = split(duty_point(rig, &network, &shaft));
    let speed_rad_s = duty.as_ref().map(|duty| duty.speed_rad_s);
    let (acceleration, acceleration_why) = match speed_rad_s {
        Some(speed_rad_s) => split(across_the_line_s(&rig.motor, &network, &shaft, speed_rad_s, &rig.grid())),
        None => (None, None),
    };
    let static_head_m = delivery_m.zip(suction_m).map(|(delivery_m, suction_m)| delivery_m - suction_m);
    let flow_ratio = duty_flow_ratio(&network, duty.as_ref());
    let to_beat_m = head_beside_others_m(&network).or(static_head_m);
    let speeds = to_beat_m.and_then(|static_m| limits::useful_speeds(rig, &network, static_m, flow_ratio));
    let (useful_speeds, no_useful_speed) = match speeds {
        None => (None, None),
        Some(Ok(speeds)) => (Some(speeds), None),
        Some(Err(why)) => (None, Some(why.to_string())),
    };
    let lines = rig.lines_at_start(line_up).filter(|lines| lines.suction_drained);
    let running_rad_s = speed_rad_s.unwrap_or(rig.motor.rated_speed_rad_s * rig.motor.mounting.belt_ratio);
    LineUpFigures {
        line_up: rig.line_ups[line_up].id.clone(),
        useful_speeds,
        no_useful_speed,
        priming: lines.map(|lines| limits::priming(rig, &network, &shaft, &lines, running_rad_s)),
        static_head_m,
        suction_lift_m: suction_lift_m(&network),
        duty,
        acceleration_across_the_line_s: acceleration,
        not_running: duty_why.or(acceleration_why),
    }
}

/// Head over the suction level that other pumps hold at the commanded one's delivery while it stands; `None` where none runs.
fn head_beside_others_m(network: &NetworkSpec) -> Option<f64> {
    network.elements.iter().find(|element| element.kind.runs_by_itself())?;
    let pump = network.elements.iter().find(|element| matches!(element.kind, ElementKind::Pump(_)))?;
    let state = crate::hydraulics::steady::solve(network, 0.0).ok()?;
    let short =
        |kind: &ElementKind| !matches!(kind, ElementKind::Pipe(_) | ElementKind::Pump(_) | ElementKind::OtherPump(_));
    let links = network.elements.iter().filter(|element| short(&element.kind));
    let place = joined(network.nodes.len(), links.map(|element| (element.from, element.to)));
    let heads = state.heads_m.iter().zip(&place).filter(|(_, at)| **at == place[pump.to]);
    let highest_m = heads.map(|(head_m, _)| *head_m).reduce(f64::max)?;
    Some(highest_m - state.heads_m[pump.from])
}

/// Flow at the duty over the pump's rated flow, at the pump's rated speed; 1 without a duty point.
fn duty_flow_ratio(network: &NetworkSpec, duty: Option<&DutyPoint>) -> f64 {
    let rated = network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some((pump.rated_flow_m3_s, pump.rated_speed_rad_s)),
        _ => None,
    });
    duty.zip(rated)
        .map_or(1.0, |(duty, (flow_m3_s, speed_rad_s))| duty.flow_m3_s / flow_m3_s * speed_rad_s / duty.speed_rad_s)
}

fn split<T>(outcome: Result<T, FigureError>) -> (Option<T>, Option<String>) {
    match outcome {
        Ok(value) => (Some(value), None),
        Err(why) => (None, Some(why.to_string())),
    }
}

/// Suction level and highest delivery level, m above datum.
fn levels(network: &NetworkSpec) -> (Option<f64>, Option<f64>) {
    let delivery = shut_off::delivery_nodes(network);
    let level = |node: &crate::hydraulics::spec::NodeSpec| match node.terminal {
        Terminal::Tank { level_m, .. } => Some(level_m),
        Terminal::FreeOutlet => Some(node.elevation_m),
        Terminal::None | Terminal::Gas(_) | Terminal::AirValve(_) => None,
    };
    let in_use = |node: usize| {
        let mut here = network.elements.iter().filter(|element| element.from == node || element.to == node);
        here.any(|element| !matches!(element.kind, ElementKind::Blank { .. }))
    };
    let highest = |on_delivery: bool| {
        let side = network.nodes.iter().enumerate().filter(|(i, _)| delivery[*i] == on_delivery && in_use(*i));
        side.filter_map(|(_, node)| level(node)).reduce(f64::max)
    };
    (highest(false), highest(true))
}

/// Pump above the water it draws from, m; negative: flooded suction.
pub fn suction_lift_m(network: &NetworkSpec) -> Option<f64> {
    Some(pump_elevation_m(network)? - levels(network).0?)
}

fn pump_elevation_m(network: &NetworkSpec) -> Option<f64> {
    let pump = network.elements.iter().find(|element| matches!(element.kind, ElementKind::Pump(_)))?;
    Some(network.nodes[pump.from].elevation_m)
}

/// Starts that the motor's maker allows, and what they come to over an hour.
fn start_notice(rig: &Rig) -> Option<String> {
    let rating = rig.motor_starts?;
    let lasting = rating.lasting_starts_per_hour();
    let declared = f64::from(rig.motor_duty.starts_per_hour);
    let beyond = if declared > lasting { ", fewer than the declared duty" } else { "" };
    Some(format!(
        "motor: {} starts in a row from cold, {} from hot; evenly spread it lasts {lasting:.1} starts an hour{beyond}",
        rating.cold_starts, rating.hot_starts
    ))
}

/// Why a figure cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FigureError {
    /// The network has no such steady state, or the plant could not be advanced.
    #[error("{0}")]
    Water(#[from] crate::hydraulics::HydraulicsError),
    /// The motor or starter cannot be.
    #[error("{0}")]
    Starter(#[from] crate::starters::StarterError),
    /// Motor and pump torque do not meet.
    #[error("motor and pump torque do not meet between half and full synchronous speed ({synchronous_rad_s:.1} rad/s)")]
    NoBalance {
        /// Synchronous speed, rad/s.
        synchronous_rad_s: f64,
    },
    /// No pump in the network.
    #[error("no pump")]
    NoPump,
    /// The shaft did not come up to speed.
    #[error("the shaft reached {reached_rad_s:.1} rad/s in {after_s} s, not {target_rad_s:.1} rad/s")]
    NotReached {
        /// Reached, rad/s.
        reached_rad_s: f64,
        /// Time given, s.
        after_s: f64,
        /// Wanted, rad/s.
        target_rad_s: f64,
    },
}

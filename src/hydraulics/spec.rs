//! What a network is made of, as plain numbers in SI: the seam between the rig description (which builds it) and the
//! solver (which runs it). The virtual rig builds one of these too, with its own hidden numbers.

use serde::{Deserialize, Serialize};

/// The liquid at the day's temperature and the site's atmosphere.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LiquidSpec {
    /// Density, kg/m3.
    pub density_kg_m3: f64,
    /// Kinematic viscosity, m2/s.
    pub viscosity_m2_s: f64,
    /// Bulk modulus, Pa.
    pub bulk_modulus_pa: f64,
    /// Vapour pressure, Pa absolute.
    pub vapour_pa: f64,
    /// Atmospheric pressure, Pa absolute.
    pub atmosphere_pa: f64,
    /// Acceleration of gravity, m/s2.
    pub gravity_m_s2: f64,
}

impl LiquidSpec {
    /// Pressure head at which it boils, m above the elevation of a place (negative).
    ///
    /// Equation: `(p_v - p_atm) / (rho g)`.
    #[must_use]
    pub fn boiling_m(&self) -> f64 {
        (self.vapour_pa - self.atmosphere_pa) / (self.density_kg_m3 * self.gravity_m_s2)
    }
}

/// A named point of the network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NodeSpec {
    /// Name from the rig file.
    pub name: String,
    /// Elevation above the rig's datum, m.
    pub elevation_m: f64,
    /// What is at this node besides the elements that meet there.
    pub terminal: Terminal,
}

/// What closes the network at a node.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Terminal {
    /// Nothing: the elements that meet here exchange all flow (a junction, or a dead end when only one meets).
    None,
    /// An open tank; the node's head is its water level.
    Tank {
        /// Level above datum at the start, m.
        level_m: f64,
        /// Plan area, m2; `f64::INFINITY` keeps the level still.
        area_m2: f64,
        /// Level at which it spills, m above datum (`INFINITY`: never).
        overflow_m: f64,
    },
    /// Water falls free into the air at the node's elevation; no inflow back.
    FreeOutlet,
    /// Gas stands above the water there: an air vessel, or a trapped pocket. It does not set the head of a line at rest.
    Gas(GasSpec),
    /// An air valve, at a high point: shut while the node stands under pressure.
    AirValve(AirValveSpec),
}

impl Terminal {
    /// True where the head is set from outside: a tank or a free outlet.
    #[must_use]
    pub fn fixes_head(&self) -> bool {
        matches!(self, Self::Tank { .. } | Self::FreeOutlet)
    }
}

/// An air valve by its effective areas (discharge coefficient times area).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AirValveSpec {
    /// Inwards, m2.
    pub inflow_cda_m2: f64,
    /// Outwards, m2: much less than inwards where the valve is to shut gently.
    pub outflow_cda_m2: f64,
}

/// Gas above the water of a node, whose elevation is where the water stands at the start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GasSpec {
    /// Volume of the gas, m3: at the charging pressure if there is one, else in the state at the start.
    pub volume_m3: f64,
    /// Absolute pressure at which the gas has this volume, Pa; it comes from there to the start at one temperature.
    pub charged_abs_pa: Option<f64>,
    /// Exponent n of `p V^n`: 1 isothermal, 1.4 adiabatic (air), 1.2 between.
    pub exponent: f64,
    /// Water surface under the gas, m2; `INFINITY`: its level counts as still (a pocket in a pipe).
    pub area_m2: f64,
    /// Volume of the whole vessel, m3; `INFINITY`: it never runs out of water.
    pub capacity_m3: f64,
}

/// One element between two nodes; positive flow runs from `from` to `to`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ElementSpec {
    /// Name from the rig file.
    pub name: String,
    /// Upstream node, index into [`NetworkSpec::nodes`].
    pub from: usize,
    /// Downstream node.
    pub to: usize,
    /// What it is.
    pub kind: ElementKind,
}

/// The kinds of element.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum ElementKind {
    /// A pipe or hose, solved by characteristics.
    Pipe(PipeSpec),
    /// A valve or any minor loss without length.
    Valve(ValveSpec),
    /// A check valve that closes at zero flow.
    CheckValve(CheckValveSpec),
    /// The pump that is commanded: one at most in a network, turned by the plant's driver.
    Pump(PumpSpec),
    /// Another pump, on a shaft of its own.
    OtherPump(Box<OtherPumpSpec>),
    /// A fixed orifice.
    Orifice(OrificeSpec),
    /// A check valve whose disc has mass, spring and damping.
    DiscCheckValve(DiscCheckValveSpec),
    /// A relief valve, from the line it protects to where it blows off.
    ReliefValve(ReliefValveSpec),
    /// Shut off for as long as this network is used: nothing passes, nothing is computed.
    Blank {
        /// The water on both sides hangs together and stands at one level: not the shut valve itself.
        joined: bool,
    },
}

impl ElementKind {
    /// A pump beside the commanded one whose motor turns from the start.
    #[must_use]
    pub fn runs_by_itself(&self) -> bool {
        matches!(self, Self::OtherPump(pump) if pump.running_rad_s.is_some())
    }
}

/// A pipe or hose.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PipeSpec {
    /// Length, m.
    pub length_m: f64,
    /// Inner diameter, m.
    pub bore_m: f64,
    /// Roughness height, m.
    pub roughness_m: f64,
    /// Pressure wave speed, m/s.
    pub wave_speed_m_s: f64,
    /// Sum of minor-loss coefficients spread along the pipe, on its own velocity head.
    pub minor_loss_k: f64,
    /// A fixed Darcy friction factor in place of the computed one (for published cases).
    pub fixed_darcy_f: Option<f64>,
    /// Slow give of the wall, which takes the ringing out of a hose; `None`: the wall is elastic.
    pub creep: Option<CreepSpec>,
    /// A hose that lies flat when nothing presses it round; `None`: always round. Its `wave_speed_m_s` is then the one
    /// under high pressure, its jacket stretched.
    pub lay_flat: Option<LayFlatSpec>,
}

/// What makes a hose lie flat: see [`super::tube_law`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LayFlatSpec {
    /// Gauge pressure that presses it nearly round (85 % of the area), Pa.
    pub rounding_pa: f64,
    /// Share of the area that the jacket gives before its threads are stretched, 0..0.5.
    pub slack_share: f64,
    /// Pressure at which 71 % of that is given, Pa.
    pub slack_pa: f64,
    /// A kink.
    pub kink: Option<KinkSpec>,
}

/// A kink in a lay-flat hose: a loss at one place, which gives way as the hose stiffens under pressure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KinkSpec {
    /// Where, a share 0..1 of the length.
    pub share: f64,
    /// Loss coefficient at no pressure, on the hose's velocity head.
    pub loss_k: f64,
    /// Pressure that halves it, Pa; infinite: it stays as it is.
    pub opens_pa: f64,
}

/// The slow give of a wall: beside its elastic give, which sets the wave speed, it gives once more with a delay.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CreepSpec {
    /// Delayed give as a share of the elastic give of wall and water together, 0..10.
    pub share: f64,
    /// Time constant of the delay, s.
    pub time_s: f64,
}

/// A valve by its flow coefficient.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ValveSpec {
    /// Kv when fully open, m3/h at 1 bar.
    pub kv_open_m3_h: f64,
    /// (opening 0..1, share of the open Kv 0..1), rising; empty means linear.
    pub curve: Vec<(f64, f64)>,
    /// Opening at the start, 0..1.
    pub opening: f64,
}

/// A check valve: no flow backwards, a loss forwards.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CheckValveSpec {
    /// Kv forwards, m3/h at 1 bar.
    pub kv_m3_h: f64,
    /// Head needed to lift it, m.
    pub cracking_head_m: f64,
}

/// A check valve with a disc that takes time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DiscCheckValveSpec {
    /// Kv forwards, disc on its upper stop, m3/h at 1 bar.
    pub kv_m3_h: f64,
    /// Mass of the disc with the water that moves with it, kg.
    pub mass_kg: f64,
    /// Area of the disc on which the difference of pressure works, m2.
    pub area_m2: f64,
    /// Travel from seat to upper stop, m.
    pub travel_m: f64,
    /// Force of spring and weight towards the seat when shut, N.
    pub seat_force_n: f64,
    /// Rate of the spring, N/m.
    pub spring_n_m: f64,
    /// Damping, N s/m.
    pub damping_n_s_m: f64,
}

/// A fixed orifice.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OrificeSpec {
    /// Bore of the hole, m.
    pub bore_m: f64,
    /// Discharge coefficient, above 0 to 1: about 0.61 sharp-edged.
    pub discharge_coefficient: f64,
}

/// A relief valve: it acts on the difference of pressure between its ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReliefValveSpec {
    /// Kv fully open, m3/h at 1 bar.
    pub kv_open_m3_h: f64,
    /// Difference of pressure at which it begins to open, Pa.
    pub set_pa: f64,
    /// Difference at which it is fully open, Pa.
    pub full_open_pa: f64,
}

/// A pump: its best-efficiency point, a curve at rated speed, and where its four-quadrant shape comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PumpSpec {
    /// Rated speed, rad/s.
    pub rated_speed_rad_s: f64,
    /// Flow at best efficiency, m3/s.
    pub rated_flow_m3_s: f64,
    /// Head at best efficiency, m.
    pub rated_head_m: f64,
    /// Best efficiency, 0..1.
    pub rated_efficiency: f64,
    /// (flow m3/s, head m) at rated speed, rising flow, at least three points, shut-off first; empty uses the
    /// four-quadrant data alone.
    pub curve: Vec<(f64, f64)>,
    /// (flow m3/s, efficiency 0..1) at rated speed; empty uses the four-quadrant data alone.
    pub efficiency: Vec<(f64, f64)>,
    /// NPSH required at the rated point, m; 0: suction head never matters.
    pub npsh_required_m: f64,
    /// How it is not as it was.
    #[serde(default)]
    pub condition: PumpCondition,
}

/// A pump that is not as it was, or what spoils the water it draws. The default is as new, with clean water.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PumpCondition {
    /// Water that slips back through worn rings at rated head, share of rated flow, 0 to 0.5; 0 for a new pump.
    pub wear_leak_share: f64,
    /// Two phases are swapped: the impeller turns the wrong way. Shaft speed stays positive in the motor's own direction.
    pub wrong_rotation: bool,
    /// A return that splashes beside the suction inlet.
    pub splash: Option<SplashSpec>,
}

/// Water that falls beside the suction inlet and takes air down with it.
///
/// Free air in the water drawn, by volume at the atmosphere: `air_share min(1, Q/full_flow)` of the return's flow Q,
/// reached with the time constant `grows_s`, and carried to the pump at the speed of the water in the suction pipe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SplashSpec {
    /// Where the return's flow is read.
    pub place: Place,
    /// Free air by volume at the atmosphere of the water drawn, at the full flow, 0 to 0.5.
    pub air_share: f64,
    /// Flow of the return that brings `air_share`, m3/s; less brings less in proportion.
    pub full_flow_m3_s: f64,
    /// Time constant with which the air builds up at the inlet, and clears, s.
    pub grows_s: f64,
}

/// A pump that is not commanded: it runs at its speed or stands still from the start, until its supply is cut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherPumpSpec {
    /// Its hydraulics.
    pub pump: PumpSpec,
    /// Its rotating side: motor, coupling, pump.
    pub shaft: ShaftSpec,
    /// Speed at which its motor holds it, rad/s; `None`: it stands, and only the water turns it.
    pub running_rad_s: Option<f64>,
    /// A back-stop keeps the shaft from turning backwards.
    pub back_stop: bool,
}

/// The whole network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NetworkSpec {
    /// Liquid and site.
    pub liquid: LiquidSpec,
    /// Nodes.
    pub nodes: Vec<NodeSpec>,
    /// Elements.
    pub elements: Vec<ElementSpec>,
}

/// The rotating side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShaftSpec {
    /// Inertia of motor, coupling, pump and entrained water, referred to the motor shaft, kg m2.
    pub inertia_kg_m2: f64,
    /// Constant mechanical friction torque of seals and bearings, N m.
    pub friction_n_m: f64,
}

/// Where something is read: at a node, or along a pipe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Place {
    /// At a node.
    Node(usize),
    /// In a pipe, a share 0..1 of its length from its `from` end.
    Pipe {
        /// Element index.
        element: usize,
        /// Share of the length, 0..1.
        share: f64,
    },
}

/// How the solver lays its grid.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GridOptions {
    /// Largest time step, s.
    pub dt_max_s: f64,
    /// Largest relative change of wave speed accepted to keep the Courant number at one.
    pub wave_speed_adjustment_max: f64,
    /// Unsteady friction (instantaneous acceleration) on or off.
    pub unsteady_friction: bool,
    /// Half grid: every pipe is stepped in two halves, first the points midway between those of the whole level, then
    /// those of the whole level, so that only one colour of the checkerboard of place and time is computed. Friction is
    /// taken over cells of at most `dt_max_s`; what stands at pipe ends, tanks and the shaft advance **two** such steps at
    /// a time, and that is the step the plant then shows. Pipes with unsteady friction take whole steps.
    pub half_grid: bool,
    /// Friction of a cell from the old flow alone, as textbooks' short programs take it: first order in the step, and
    /// growing without bound where the loss of one cell nears the impedance of the pipe. For comparison with tables
    /// made so on their own coarse grids; predictions keep the second-order form. Pipes then take whole steps.
    #[serde(default)]
    pub first_order_friction: bool,
    /// A pipe whose travel time is below half a step becomes a rigid column with half its give at either end, where a step
    /// between half of `dt_max_s` and all of it fits it no other way, and the longest pipe takes ten steps. Otherwise, and
    /// always for lay-flat hoses and lines that may hold air, the step is made finer for it, down to a 64th of `dt_max_s`.
    #[serde(default)]
    pub lump_short_pipes: bool,
    /// On the half grid, most whole cells from one station of a pipe to the next: friction and the slow give of the wall are
    /// gathered at stations, and water between them is carried as it is. Waves and what stands at pipe ends keep their step;
    /// friction and give are second order in the distance of stations. Below 2 every point is a station of its own; so it is
    /// with a fixed friction factor, and from the moment on in which water parts in a pipe.
    #[serde(default)]
    pub station_cells: usize,
}

impl Default for GridOptions {
    fn default() -> Self {
        Self {
            dt_max_s: 0.5e-3,
            wave_speed_adjustment_max: 0.15,
            unsteady_friction: false,
            half_grid: false,
            first_order_friction: false,
            lump_short_pipes: true,
            station_cells: 0,
        }
    }
}

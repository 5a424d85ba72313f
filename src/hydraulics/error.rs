//! What the hydraulics refuse, and why.

use thiserror::Error;

/// Everything that the hydraulic core can refuse or fail at.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum HydraulicsError {
    /// A number outside what physics or the model allows.
    #[error("`{place}`: {quantity} is {value} {unit}, allowed: {allowed}")]
    OutOfRange {
        /// Element or node.
        place: String,
        /// What was read.
        quantity: &'static str,
        /// The value found, in `unit`.
        value: f64,
        /// Unit of the value.
        unit: &'static str,
        /// The limit in words.
        allowed: &'static str,
    },
    /// An element names a node that is not there.
    #[error("element `{element}`: node {node} does not exist, the network has {nodes} nodes")]
    MissingNode {
        /// Element.
        element: String,
        /// Index asked for.
        node: usize,
        /// Nodes there are.
        nodes: usize,
    },
    /// Both ends of an element are one node.
    #[error("element `{element}`: both ends are at node `{node}`")]
    BothEndsAtOneNode {
        /// Element.
        element: String,
        /// Node.
        node: String,
    },
    /// A node where no element ends.
    #[error("node `{node}`: no element ends there")]
    NodeWithoutElement {
        /// Node.
        node: String,
    },
    /// Part of the network has no tank and no outlet, so that its pressure is undetermined.
    #[error("node `{node}`: nothing fixes the head there: no tank or free outlet is reached from it")]
    NoHeadReference {
        /// A node of the part.
        node: String,
    },
    /// A loop in which nothing takes head: its flow is undetermined.
    #[error(
        "element `{element}`: it closes a loop of {elements} elements with no resistance at all, so that any flow may go round \
         in it; try: a friction factor or a minor loss above 0 in one of them"
    )]
    LoopWithoutResistance {
        /// The element that closes it.
        element: String,
        /// Elements without resistance in that part, this one too.
        elements: usize,
    },
    /// Two heads held apart with nothing between them that takes head.
    #[error(
        "nodes `{high}` and `{low}`: their levels stand {apart_m:.3} m apart and nothing between them takes head: the flow \
         would grow without end; try: a friction factor or a minor loss above 0 in between"
    )]
    NothingResists {
        /// Node with the higher level.
        high: String,
        /// Node with the lower level.
        low: String,
        /// Difference of level, m.
        apart_m: f64,
    },
    /// More than one commanded pump.
    #[error(
        "pumps `{first}` and `{second}`: one commanded pump in a network, found two; try: describe the second as another \
         pump, with a shaft of its own"
    )]
    SeveralPumps {
        /// First pump.
        first: String,
        /// Second pump.
        second: String,
    },
    /// The pump's own curve contradicts its rated point.
    #[error(
        "pump `{element}`: the curve gives {curve_m:.2} m at the rated flow, the rated head is {rated_m:.2} m, allowed \
         difference: {allowed_percent} %"
    )]
    CurveMissesRatedPoint {
        /// Pump.
        element: String,
        /// Head by the curve, m.
        curve_m: f64,
        /// Rated head, m.
        rated_m: f64,
        /// Limit, percent.
        allowed_percent: f64,
    },
    /// No common time step with acceptable wave speeds.
    #[error(
        "pipe `{pipe}`: travel time {travel_s:.3e} s fits no common time step between {dt_min_s:.3e} and {dt_max_s:.3e} s \
         without changing a wave speed by {best_percent:.1} %, allowed: {allowed_percent:.1} %; try: a smaller dt_max_s \
         or a larger wave_speed_adjustment_max"
    )]
    NoCommonStep {
        /// The pipe that is worst off.
        pipe: String,
        /// Its travel time, s.
        travel_s: f64,
        /// Smallest step tried, s.
        dt_min_s: f64,
        /// Largest step allowed, s.
        dt_max_s: f64,
        /// Best adjustment found, percent.
        best_percent: f64,
        /// Limit, percent.
        allowed_percent: f64,
    },
    /// The steady state would need water below its vapour pressure.
    #[error(
        "node `{node}`: the steady state needs {absolute_pa:.0} Pa absolute, water boils below {vapour_pa:.0} Pa: the \
         column would part (head {head_m:.2} m at elevation {elevation_m:.2} m)"
    )]
    BelowVapour {
        /// Node.
        node: String,
        /// Absolute pressure asked for, Pa.
        absolute_pa: f64,
        /// Vapour pressure, Pa.
        vapour_pa: f64,
        /// Piezometric head, m.
        head_m: f64,
        /// Elevation, m.
        elevation_m: f64,
    },
    /// A tank ran dry, and air fills the line behind it.
    #[error(
        "tank `{node}`: it ran dry at {dry_at_s:.2} s, its level at its bottom {level_m:.2} m, and by {time_s:.2} s {air_l:.2} l \
         of air followed the water into its line, which holds {line_l:.2} l: what runs on would be air; try: more water in \
         the tank, or a shorter run"
    )]
    TankDry {
        /// Node.
        node: String,
        /// When it ran dry, s.
        dry_at_s: f64,
        /// Its bottom, m above datum.
        level_m: f64,
        /// Time, s.
        time_s: f64,
        /// Air drawn, l.
        air_l: f64,
        /// Volume of the line, l.
        line_l: f64,
    },
    /// A line that cannot stand empty.
    #[error("`{place}`: the line cannot be followed as drained: {reason}")]
    CannotDrain {
        /// Element, node or part.
        place: String,
        /// Why.
        reason: &'static str,
    },
    /// The steady state would draw air without end.
    #[error(
        "node `{node}`: the steady state stands {gauge_pa:.0} Pa against the atmosphere there, so that its air valve would draw \
         air for good; try: an air valve lower down or where the line stays under pressure"
    )]
    DrawsAir {
        /// Node.
        node: String,
        /// Gauge pressure there, Pa.
        gauge_pa: f64,
    },
    /// Nothing turns, yet water runs: there is no state of rest to begin from.
    #[error(
        "element `{element}`: {flow_m3_s:.3e} m3/s run through it with the pump at a standstill, so the line cannot be at \
         rest; try: close a valve, add a check valve, or begin from this flow with started_at"
    )]
    NotAtRest {
        /// Element with the largest flow.
        element: String,
        /// Its flow, m3/s.
        flow_m3_s: f64,
    },
    /// Newton's iteration did not end.
    #[error(
        "around `{place}` at {time_s:.4} s: no solution within {iterations} iterations, head residual {residual_m:.3e} m"
    )]
    NotConverged {
        /// Node or part.
        place: String,
        /// Time, s.
        time_s: f64,
        /// Iterations made.
        iterations: usize,
        /// What remains, m.
        residual_m: f64,
    },
    /// A head or flow is no longer a number.
    #[error("`{place}` at {time_s:.4} s: head or flow is not finite")]
    NotFinite {
        /// Element or node.
        place: String,
        /// Time, s.
        time_s: f64,
    },
    /// An element index beyond the network, or an element that is not a pump beside the commanded one.
    #[error("element {element} is not a pump beside the commanded one")]
    NotAnotherPump {
        /// Index asked for.
        element: usize,
    },
    /// An element or node index beyond the network, or an element of another kind.
    #[error("element {element} is not a valve of this network")]
    NotAValve {
        /// Index asked for.
        element: usize,
    },
}

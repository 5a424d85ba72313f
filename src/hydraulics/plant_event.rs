//! What can happen in a plant.

use super::spec::Place;

/// Something that happened in the plant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlantEvent {
    /// Time of the level at which it was found, s.
    pub time_s: f64,
    /// What happened.
    pub kind: PlantEventKind,
}

/// What can happen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PlantEventKind {
    /// A check valve opened.
    CheckValveOpened {
        /// Element index.
        element: usize,
    },
    /// A check valve closed.
    CheckValveClosed {
        /// Element index.
        element: usize,
    },
    /// The disc of a check valve came down on its seat, on what still ran through it.
    DiscClosed {
        /// Element index.
        element: usize,
        /// Flow of the level before, m3/s; negative: backwards.
        flow_m3_s: f64,
    },
    /// A relief valve opened.
    ReliefValveOpened {
        /// Element index.
        element: usize,
    },
    /// A relief valve shut.
    ReliefValveClosed {
        /// Element index.
        element: usize,
    },
    /// An air vessel let out all its water: from here on gas would enter the line, which this model does not follow.
    VesselEmptied {
        /// Node.
        node: usize,
    },
    /// An air valve began to let air in.
    AirAdmitted {
        /// Node.
        node: usize,
    },
    /// An air valve shut: the air is out, water met it.
    AirExpelled {
        /// Node.
        node: usize,
    },
    /// Flow through the pump turned.
    FlowReversed {
        /// True: now from `from` to `to`.
        forwards: bool,
    },
    /// The shaft turned back or forwards.
    ShaftReversed {
        /// True: now in the pumping direction.
        forwards: bool,
    },
    /// A lay-flat hose folds somewhere: its pressure is gone there.
    HoseFlattened {
        /// Element index.
        element: usize,
    },
    /// A lay-flat hose is round again all along.
    HoseRounded {
        /// Element index.
        element: usize,
    },
    /// A tank stands at its rim and takes more water, which spills.
    TankOverflows {
        /// Node.
        node: usize,
    },
    /// A tank has no water left: its level is at its bottom, and air follows the water into the line.
    TankRunsDry {
        /// Node.
        node: usize,
        /// Level of its bottom, m above datum.
        level_m: f64,
        /// Flow that is being drawn, m3/s.
        drawn_m3_s: f64,
    },
    /// Air from a dry tank has filled the line to the pump, which runs dry from here on.
    RunsDry {
        /// Node of the tank.
        node: usize,
        /// Volume of that line, m3.
        line_m3: f64,
    },
    /// The shaft of a pump beside the commanded one turned back or forwards.
    OtherShaftReversed {
        /// Element index.
        element: usize,
        /// True: now in the pumping direction.
        forwards: bool,
    },
    /// The front of a line that fills has arrived at the end of a pipe.
    FrontArrived {
        /// Element index.
        element: usize,
    },
    /// Air ahead of the front has no way out and is being compressed.
    AirShutIn {
        /// Its volume under the atmosphere, m3.
        volume_m3: f64,
    },
    /// The whole discharge side is full.
    LineFull,
    /// Air has come in at the end of a pipe, whose water runs back.
    Draining {
        /// Element index.
        element: usize,
    },
    /// Water drawn up the suction leg has reached the pump.
    WaterAtPump,
    /// The pump has thrown out enough air to carry the lift.
    Primed,
    /// The suction leg has run empty.
    PrimeLost,
    /// Air in the water drawn came to the share at which the impeller holds its water no longer.
    PrimeLostByAir {
        /// Gas by volume at the inlet.
        gas_share: f64,
    },
    /// Air from a splashing return has come to the pump.
    AirAtPump {
        /// Free air by volume at the atmosphere.
        free_share: f64,
    },
    /// NPSH available fell below the required.
    CavitationBegan {
        /// Available, m.
        available_m: f64,
        /// Required at that flow and speed, m.
        required_m: f64,
    },
    /// NPSH available is clearly above the required again.
    CavitationEnded {
        /// Available, m.
        available_m: f64,
    },
    /// Water boils: the vapour in a pipe or at a node has grown beyond a plug of its bore a millimetre long. Threads of
    /// vapour below that come and go with every low wave and are not told.
    CavityOpened {
        /// Where; in a pipe, where there was most when it was told.
        place: Place,
    },
    /// The vapour of a pipe or node that was told of is gone: water met water.
    CavityCollapsed {
        /// As told when it opened.
        place: Place,
        /// Most vapour there was in that pipe or node, m3.
        largest_m3: f64,
    },
}

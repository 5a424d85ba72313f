//! Floor 1: the water. Liquid, friction, wave speed, steady state, pump, shaft and the method of characteristics.
//!
//! # Sign conventions (the one table)
//!
//! | quantity | positive |
//! |---|---|
//! | elevation, level, head | upwards from the rig's datum; head is piezometric, `H = z + p/(rho g)`, so gravity and pipe slope are inside it |
//! | pressure | gauge, above the site's atmosphere, unless the name says `absolute` |
//! | flow through an element | from its `from` node to its `to` node |
//! | inflow of a node or tank | into it |
//! | head of the pump | gained from suction (`from`) to discharge (`to`) |
//! | shaft speed | the pumping direction |
//! | torque of the driver | speeds a forward shaft up |
//! | torque of the pump | taken from a forward shaft; negative drives it (turbine) |
//! | friction torque | a size; always against the motion, and holds a standing shaft up to that size |
//! | head loss | a fall of head in the direction of flow |
//!
//! # Time levels
//!
//! All values that [`plant::Plant`] shows belong to one time level. A step solves head and flow at pipe ends, valves, pump
//! **and shaft speed together at the new level**; the torque balance is trapezoidal between the two levels. Nothing of the
//! pump is lagged by a step. Commands given between steps act from the present level on.
//!
//! # Source keys
//!
//! | key | source |
//! |---|---|
//! | WS93 | E. B. Wylie and V. L. Streeter, Fluid Transients in Systems, 1993 |
//! | Donsky 1961 | B. Donsky, Complete pump characteristics and the effects of specific speeds on hydraulic transients, J. Basic Engineering, 1961 |
//! | BSV01 | A. Bergant, A. R. Simpson, J. Vitkovsky, Developments in unsteady pipe flow friction modelling, J. Hydraulic Research 39(3), 2001 |
//! | VB96 | A. Vardy and J. Brown, On turbulent, unsteady, smooth-pipe friction, 1996 |
//! | D90 | E. O. Doebelin, Measurement Systems, 4th edition, 1990: dynamic effects of volumes and connecting tubing (from memory) |
//! | IEC 60534-1 | Industrial-process control valves, definition of the flow coefficient |

mod check_valve;
mod error;
pub mod filling;
pub mod impulse_line;
pub(crate) mod moc;
pub mod motor_law;
pub mod network;
mod nodal;
pub mod ode;
pub(crate) mod pipe;
pub mod plant;
mod plant_event;
pub mod priming;
pub mod pump;
mod re_pieces;
mod re_table;
pub mod shaft;
pub mod spec;
pub mod steady;
pub mod tube_law;
pub mod valve;

pub use error::HydraulicsError;
pub use moc::lanes;
pub mod friction;
pub mod meters;
pub mod pump_figures;
pub mod rigid_column;
pub mod roots;
pub mod water;
pub mod water_state;
pub mod wave_speed;

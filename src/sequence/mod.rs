//! Floor 4: what is to be done and in which order.
//!
//! [`script`] reads the file and unrolls it into a linear program of [`step`]s; [`machine`] is one pure `advance` that
//! walks the program (used by run and prediction alike); [`interlock`] says what forbids a start and what ends a run;
//! [`stopping`] carries a stop through its stages and says how sure it is; [`duty`] counts starts; [`left_settings`] notes what
//! a run has changed at a starter; [`link_proof`] when a starter was seen to stop the motor by itself; [`ports`] is what the
//! executor needs from the world, and [`executor`] drives the machine with it.

pub mod first_cycle;
pub mod marks;
pub mod ports;
pub mod priming;
pub mod observations;
pub mod interlock;
pub mod series;
pub mod stopping;
pub mod step;
pub mod script;
pub mod machine;
pub mod duty;
pub mod left_settings;
pub mod link_proof;
pub mod executor;

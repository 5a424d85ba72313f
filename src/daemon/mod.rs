//! Floor 8: the process that owns a rig. (being written)
pub mod hub;
mod operator;
pub mod owner;
pub mod tasks;

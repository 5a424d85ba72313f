//! The method of characteristics: pipes on one common grid, and what stands between their ends.
//!
//! Equation: along `dx/dt = +-a` the head H and flow Q of a full elastic pipe obey `dH +- B dQ +- s Q dx/L = 0`,
//! `B = a/(g A)`, with s Q the head lost over the pipe's length. Source: WS93 chapter 3.

pub(crate) mod boundary;
pub(crate) mod cavity;
pub(crate) mod cluster;
mod creep;
pub(crate) mod front;
pub(crate) mod grid;
pub(crate) mod interior;
pub mod lanes;
mod lay_flat;
mod midway;
pub(crate) mod stations;
mod store;
pub(crate) mod unsteady;

pub(crate) use cluster::{Cluster, Dry};
pub(crate) use interior::{Line, PipeGrid};

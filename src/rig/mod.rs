//! Floor 3: the description of a bench. [`file`] (as typed, places kept) -> `check` (collects every problem) ->
//! [`model`] (cannot be wrong). Register maps are data too ([`register_map`], [`maps`]).

mod check;
mod compile;
pub mod derived;
pub mod file;
mod load;
pub mod maps;
pub mod model;
pub mod problem;
pub mod reader;
pub mod register_map;

pub use load::{load, parse, parse_with, shipped};

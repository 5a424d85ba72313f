//! Floor 3: the description of a bench. `file` (as typed, spans kept) -> `check` (collects every problem) -> [`model`]
//! (cannot be wrong). Register maps are data too ([`register_map`]).

pub mod model;
pub mod problem;
pub mod reader;
pub mod register_map;

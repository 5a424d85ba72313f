//! Floor 3: the description of a bench. `file` (as typed, places kept) -> `check` (collects every problem) ->
//! [`model`] (cannot be wrong). Register maps are data too ([`register_map`], [`maps`]).

mod beside;
mod blank;
pub mod calibration;
pub mod chain;
mod check;
pub mod check_report;
mod compile;
mod compile_channels;
pub mod derived;
pub mod file;
pub mod init;
mod load;
pub mod maps;
pub mod model;
pub mod uncertainty;
pub mod number_form;
pub mod observing;
pub mod problem;
pub mod pump_fault;
pub mod reader;
pub mod register_map;
pub mod serial_line;

pub mod zeros;

pub use derived::{Derived, derive};
pub use init::{InitAnswers, init};
pub use load::{load, parse, parse_with, shipped};

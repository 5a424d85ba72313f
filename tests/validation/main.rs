//! Published and closed-form cases: each calls the project's own public functions and compares with a value that
//! others computed. Cases are in `tests/fixtures/check-values`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::float_cmp,
    missing_docs,
    reason = "tests"
)]

mod filling;
mod bands;
mod check_valves;
mod control_valve;
mod harness;
mod line_fill;
mod hydraulics;
mod machines;
mod modbus;
mod pump_trouble;
mod priming;
mod recorded;
mod regression;
mod rigid;
mod separation;
mod set_point;
mod signals;
mod starters;
mod trade;

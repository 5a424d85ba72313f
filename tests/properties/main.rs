//! Generated inputs.
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

mod acquisition;
mod fieldbus;
mod hydraulics;
mod rig;

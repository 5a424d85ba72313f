//! What the wires carry: transactions a second of our bus thread beside libmodbus, one at a time, against one server.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

use hdf5 as _;

mod peers;
#[path = "wire/modbus.rs"]
mod modbus;

fn main() {
    modbus::report();
}

//! What the wires carry: transactions a second of our bus thread beside libmodbus, one at a time, against one server; and
//! samples a second from packets to counts with their limits looked at.
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
#[path = "wire/decode.rs"]
mod decode;
#[path = "wire/modbus.rs"]
mod modbus;

fn main() {
    decode::report();
    modbus::report();
}

//! The door: parse, run, turn the outcome into an exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    ramprig::cli::run(std::env::args_os())
}

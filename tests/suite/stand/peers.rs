//! Programs of other people's libraries, installed by `tests/peers/install`.

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

pub fn python(script: &str, command: &str, file: &Path) -> Output {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("target/peers-venv/bin/python");
    let output = Command::new(&python).arg(root.join("tests/peers").join(script)).arg(command).arg(file).output();
    let output = output.unwrap_or_else(|e| panic!("{}: {e}; try: tests/peers/install", python.display()));
    assert!(output.status.success(), "{}: {}", file.display(), String::from_utf8_lossy(&output.stderr));
    output
}

/// What h5py finds in a closed recording.
pub fn h5py_reads(path: &Path) -> Value {
    serde_json::from_slice(&python("h5_reader.py", "read", path).stdout).unwrap()
}

/// The program on a terminal of its own: what is written to the standard input is typed there.
pub fn on_a_terminal(args: &[&str]) -> Command {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut command = Command::new(root.join("target/peers-venv/bin/python"));
    command.arg(root.join("tests/peers/terminal.py")).args(["run", env!("CARGO_BIN_EXE_ramprig")]).args(args);
    command
}

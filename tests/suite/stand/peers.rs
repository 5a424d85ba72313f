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

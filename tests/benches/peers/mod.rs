//! Programs beside the benches that solve the same thing in another language: built, started, asked for a measurement.
#![allow(dead_code, reason = "each bench uses its part")]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// Where the peers' sources are.
pub fn source(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches/peers").join(name)
}

/// Build a peer in C with the local compiler, for this processor.
pub fn built(name: &str) -> PathBuf {
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let flags = ["-O3", "-march=native", "-mprefer-vector-width=512", "-ffp-contract=fast", "-std=gnu11", "-o"];
    let made = Command::new(compiler).args(flags).arg(&out).arg(source(&format!("{name}.c"))).arg("-lm").status();
    assert!(made.expect("a C compiler").success(), "the C peer does not build");
    out
}

/// A peer that answers one line to each line.
pub struct Peer {
    child: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
}

impl Peer {
    pub fn start(program: &Path, arguments: &[String]) -> Self {
        let mut command = Command::new(program);
        command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().expect("the peer starts");
        let input = child.stdin.take().expect("piped");
        let output = BufReader::new(child.stdout.take().expect("piped"));
        Self { child, input, output }
    }

    /// Say something that has no answer.
    pub fn tell(&mut self, text: &str) {
        writeln!(self.input, "{text}").expect("the peer listens");
    }

    /// Numbers of its answer.
    pub fn ask(&mut self, line: &str) -> Vec<f64> {
        writeln!(self.input, "{line}").expect("the peer listens");
        self.input.flush().expect("the peer listens");
        let mut answer = String::new();
        self.output.read_line(&mut answer).expect("the peer answers");
        answer.split_whitespace().map(|word| word.parse().expect("a number")).collect()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The middle of some measurements.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[middle] } else { 0.5 * (sorted[middle - 1] + sorted[middle]) }
}

/// Median of the ratios of pairs measured one after the other, and the medians of both sides.
pub fn compared(pairs: &[(f64, f64)]) -> (f64, f64, f64) {
    let ratios: Vec<f64> = pairs.iter().map(|(ours, theirs)| ours / theirs).collect();
    let (ours, theirs): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    (median(&ratios), median(&ours), median(&theirs))
}

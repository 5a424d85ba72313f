//! Programs beside the benches that solve the same thing in another language: built, started, asked for a measurement.
#![allow(dead_code, reason = "each bench uses its part")]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Instant;

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

/// Time that this thread has had a processor, as the peers count theirs: wall time less what was spent waiting for one,
/// where the kernel tells. A machine that does other things besides then changes less.
pub struct Stopwatch {
    start: Instant,
    waited_ns: f64,
}

impl Stopwatch {
    pub fn start() -> Self {
        Self { waited_ns: waited_ns(), start: Instant::now() }
    }

    pub fn ns(&self) -> f64 {
        let wall_ns = self.start.elapsed().as_nanos() as f64;
        wall_ns - (waited_ns() - self.waited_ns)
    }
}

/// Time this thread stood ready without a processor, ns.
fn waited_ns() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    text.split_whitespace().nth(1).and_then(|word| word.parse().ok()).unwrap_or(0.0)
}

/// How much slower than its kind was ever measured on a processor like the one here (Zen 5, AVX-512) a peer may be.
const SLOWER: f64 = 1.5;

/// Say whether a peer is as quick as its kind is known to be; a slower one makes the ratio worth nothing.
pub fn judge(name: &str, measured: f64, known: f64, unit: &str) {
    let word = if measured <= SLOWER * known { "valid" } else { "void" };
    println!("peer {name} {word}: {measured:.4} {unit}, known to do {known} {unit} on Zen 5 with AVX-512");
}

/// Say what our lanes run on.
pub fn say_instructions() {
    println!("instructions {:?}", ramprig::hydraulics::lanes::Vectors::widest());
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

/// Numbers that look random and are the same everywhere: Knuth's linear congruence (MMIX).
pub struct Noise(pub u64);

impl Noise {
    /// The next one, 0 to 1.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / f64::from(1 << 24)
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

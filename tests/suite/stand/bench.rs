//! The shipped bench played by `ramprig virtual`, in a process of its own, with a folder for everything of a test.

use super::program::{Ended, Program, command};
use super::witness::Witness;
use ramprig::rig::model::Rig;
use ramprig::virtual_rig::Ready;
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{ChildStdin, Stdio};
use tempfile::TempDir;

/// Seed of the hidden truth in tests that do not choose one.
const SEED: u64 = 20_261_124;

pub fn rig_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/terrace-bench.toml")
}

/// The shipped bench with its soft starter on a serial line.
pub fn serial_rig_text() -> String {
    let text = std::fs::read_to_string(rig_path()).unwrap();
    let (was, is) = ("kind = \"soft-starter\"\nlink = \"bench\"", "kind = \"soft-starter\"\nlink = \"field\"");
    assert!(text.contains(was), "the soft starter of the shipped bench is written otherwise");
    let link = "[[link]]\nid = \"field\"\nserial = \"/dev/serial/by-id/invented-adapter\"\nrate = 38400\nparity = \"even\"\n\
                timeout = \"200 ms\"\npoll = \"50 ms\"\nheartbeat = \"200 ms\"\n\n[transfer]";
    text.replacen(was, is, 1).replacen("[transfer]", link, 1)
}

/// The shipped bench with a difference across its throttle valve measured in place of the hose's end.
pub fn difference_rig_text() -> String {
    let text = std::fs::read_to_string(rig_path()).unwrap();
    let was = "id = \"p_hose_end\"\nlabel = \"hose end, four metres before the terrace tank\"\nquantity = \"gauge-pressure\"\n\
               pipe = \"hose\"\nshare = 0.9\ninput = 5\nrange = [\"-1 barg\", \"10 barg\"]";
    let is = "id = \"dp_valve\"\nlabel = \"across the throttle valve\"\nquantity = \"pressure-difference\"\nnode = \"riser_top\"\n\
              low_node = \"hose_foot\"\ninput = 5\nrange = [\"-0.5 bar\", \"2 bar\"]";
    assert!(text.contains(was), "the channel of the shipped bench is written otherwise");
    text.replacen(was, is, 1)
}

pub struct Bench {
    pub program: Program,
    input: ChildStdin,
    pub ready: Ready,
    pub rig: Rig,
    rig_file: PathBuf,
    folder: TempDir,
}

impl Bench {
    pub fn real_time() -> Self {
        Self::with(SEED, &[])
    }

    pub fn with(seed: u64, more: &[&str]) -> Self {
        Self::of(rig_path(), tempfile::tempdir().unwrap(), seed, more)
    }

    /// A rig of its own description, in real time.
    pub fn described(text: &str) -> Self {
        Self::written(text, &[])
    }

    /// Another bench than the shipped one.
    pub fn written(text: &str, more: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let rig_file = folder.path().join("bench.toml");
        std::fs::write(&rig_file, text).unwrap();
        Self::of(rig_file, folder, SEED, more)
    }

    /// The shipped bench, in real time, with a map of its own beside the rig file.
    pub fn mapped(map: &str, text: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (rig_file, maps) = (folder.path().join("bench.toml"), folder.path().join("maps"));
        std::fs::copy(rig_path(), &rig_file).unwrap();
        std::fs::create_dir(&maps).unwrap();
        std::fs::write(maps.join(format!("{map}.toml")), text).unwrap();
        Self::of(rig_file, folder, SEED, &[])
    }

    /// The soft starter on a serial line, in real time.
    pub fn serial() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (rig_file, port) = (folder.path().join("serial-bench.toml"), folder.path().join("port"));
        std::fs::write(&rig_file, serial_rig_text()).unwrap();
        let named = format!("field={}", port.display());
        Self::of(rig_file, folder, SEED, &["--port", &named])
    }

    fn of(rig_file: PathBuf, folder: TempDir, seed: u64, more: &[&str]) -> Self {
        let mut virtual_rig = command(["virtual"]);
        virtual_rig.arg(&rig_file).args(["--modbus", "127.0.0.1:0", "--samples", "127.0.0.1:0"]);
        virtual_rig.args(["--controlled", "--seeded"]).args(more).stdin(Stdio::piped());
        let mut program = Program::start(&mut virtual_rig);
        let mut input = program.child.stdin.take().unwrap();
        writeln!(input, "seed {seed}").unwrap();
        let ready = Ready::parse(&program.stdout.wait_for("ready")).unwrap();
        let rig = ramprig::rig::load(&rig_file).unwrap_or_else(|problems| panic!("{problems}"));
        Self { program, input, ready, rig, rig_file, folder }
    }

    /// Runs go by this rig file from now on.
    pub fn rig_file_for_runs(&mut self, rig_file: PathBuf) {
        self.rig_file = rig_file;
    }

    /// Give a control line.
    pub fn control(&mut self, line: &str) {
        writeln!(self.input, "{line}").unwrap();
    }

    /// Close its input, which ends it, and wait for its end; its folder goes with it.
    pub fn end(self) -> Ended {
        drop(self.input);
        self.program.end()
    }

    pub fn witness(&self) -> Witness {
        Witness::of(self.ready.modbus, &self.rig)
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    pub fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// A file of a test, written.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    /// The wires of this bench as options.
    pub fn wires(&self) -> Vec<String> {
        self.wires_by(self.ready.modbus, self.ready.samples)
    }

    /// The wires by way of something that stands between.
    pub fn wires_by(&self, modbus: SocketAddr, samples: SocketAddr) -> Vec<String> {
        let state = self.state().display().to_string();
        let link = format!("bench={modbus}");
        let mut wires =
            vec!["--link".into(), link, "--samples-at".into(), samples.to_string(), "--state-dir".into(), state];
        for (id, port) in &self.ready.ports {
            wires.extend(["--link".into(), format!("{id}={}", port.display())]);
        }
        wires
    }

    /// `run` of a sequence through a starter, everything confirmed beforehand.
    pub fn run(&self, sequence: &str, starter: &str) -> Program {
        self.run_by(self.wires(), sequence, starter)
    }

    pub fn run_by(&self, wires: Vec<String>, sequence: &str, starter: &str) -> Program {
        let mut args = self.run_args(wires, sequence, starter);
        args.extend(["--confirmed-by".into(), "virtual rig".into()]);
        Program::start(&mut command(args))
    }

    /// Arguments of `run --json`, without a confirmation.
    pub fn run_args(&self, wires: Vec<String>, sequence: &str, starter: &str) -> Vec<String> {
        let path = self.write("sequence.toml", sequence);
        let mut args = vec!["run".to_owned(), self.rig_file.display().to_string(), path.display().to_string()];
        // A band costs more than such a run; the tests that are about it ask for one.
        args.extend(["--starter".into(), starter.into(), "--json".into(), "--band".into(), "0".into()]);
        args.extend(["--out".into(), self.out().display().to_string()]);
        args.extend(wires);
        args
    }

    /// `serve` on a free port, once it says that it is ready.
    pub fn serve(&self) -> (Program, String) {
        self.serve_by(self.wires())
    }

    pub fn serve_by(&self, wires: Vec<String>) -> (Program, String) {
        let mut serve = command(["serve"]);
        serve.arg(&self.rig_file).args(["--http", "127.0.0.1:0"]).args(wires);
        self.served(serve)
    }

    /// `serve` on any address, on its terms; with its address once it says that it is ready.
    pub fn serve_at(&self, http: &str, terms: &[&str]) -> (Program, String) {
        let mut serve = command(["serve"]);
        serve.arg(&self.rig_file).args(["--http", http]).args(terms).args(self.wires());
        self.served(serve)
    }

    fn served(&self, mut serve: std::process::Command) -> (Program, String) {
        serve.arg("--out").arg(self.out());
        let mut program = Program::start(&mut serve);
        let line = program.stdout.wait_for("\"ready\"");
        let announced: serde_json::Value = serde_json::from_str(&line).unwrap();
        let address = announced["http"].as_str().unwrap().to_owned();
        program.stderr.wait_for("serving");
        (program, address)
    }

    /// Files below the folder of recordings whose name ends so.
    pub fn recordings(&self, ending: &str) -> Vec<PathBuf> {
        let Ok(entries) = std::fs::read_dir(self.out()) else { return Vec::new() };
        let mut found: Vec<PathBuf> = entries
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.to_str().is_some_and(|name| name.ends_with(ending)))
            .collect();
        found.sort();
        found
    }
}

//! The program as a child process, with what it says line by line.

use super::{DEADLINE, LOOK_EVERY};
use crossbeam_channel::Receiver;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::process::ExitStatusExt;
use std::process::{Child, Command, Stdio};
use std::time::Instant;

/// `ramprig` with the given arguments, not started yet.
pub fn command<I, S>(args: I) -> Command
where
    I: IntoIterator<Item = S>,
    S: AsRef<std::ffi::OsStr>,
{
    let mut command = Command::new(env!("CARGO_BIN_EXE_ramprig"));
    command.args(args);
    command
}

/// Run a verb to its end.
pub fn run<I, S>(args: I) -> Ended
where
    I: IntoIterator<Item = S>,
    S: AsRef<std::ffi::OsStr>,
{
    Program::start(&mut command(args)).end()
}

/// A running process; killed when dropped.
pub struct Program {
    pub child: Child,
    pub stdout: Heard,
    pub stderr: Heard,
}

/// How a process ended and all it said.
#[derive(Debug)]
pub struct Ended {
    pub code: Option<i32>,
    pub signal: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl Program {
    pub fn start(command: &mut Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let stdout = Heard::of(child.stdout.take().unwrap());
        let stderr = Heard::of(child.stderr.take().unwrap());
        Self { child, stdout, stderr }
    }

    pub fn pid(&self) -> Pid {
        Pid::from_raw(i32::try_from(self.child.id()).unwrap()).unwrap()
    }

    /// Ctrl-C.
    pub fn interrupt(&self) {
        kill_process(self.pid(), Signal::INT).unwrap();
    }

    /// kill -9; comes back when the process is gone.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Wait for its end.
    pub fn end(mut self) -> Ended {
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            if begun.elapsed() > DEADLINE {
                self.child.kill().unwrap();
                panic!("did not end within {DEADLINE:?}; it said:\n{}", self.stderr.everything());
            }
            std::thread::sleep(LOOK_EVERY);
        };
        let (stdout, stderr) = (self.stdout.everything(), self.stderr.everything());
        Ended { code: status.code(), signal: status.signal(), stdout, stderr }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Ended {
    /// The exit code, or all that was said.
    #[track_caller]
    pub fn expect(&self, code: i32) -> &Self {
        assert_eq!(self.code, Some(code), "exit code; signal {:?}; it said:\n{}", self.signal, self.stderr);
        self
    }

    /// The one JSON object of `--json`, and nothing else on standard output.
    #[track_caller]
    pub fn object(&self) -> Value {
        let value = serde_json::from_str(&self.stdout).unwrap_or_else(|error| {
            panic!("standard output is not one JSON value: {error}:\n{}\nstandard error:\n{}", self.stdout, self.stderr)
        });
        assert!(matches!(value, Value::Object(_)), "not an object: {value}");
        value
    }

    #[track_caller]
    pub fn says(&self, words: &str) -> &Self {
        assert!(self.stderr.contains(words), "standard error lacks {words:?}:\n{}", self.stderr);
        self
    }
}

/// One stream of a process, line by line.
pub struct Heard {
    lines: Receiver<String>,
    heard: Vec<String>,
    looked: usize,
}

impl Heard {
    fn of(stream: impl Read + Send + 'static) -> Self {
        let (sender, lines) = crossbeam_channel::unbounded();
        std::thread::spawn(move || {
            for line in BufReader::new(stream).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Self { lines, heard: Vec::new(), looked: 0 }
    }

    /// The next line that holds `words`; lines before it are passed over.
    #[track_caller]
    pub fn wait_for(&mut self, words: &str) -> String {
        let until = Instant::now() + DEADLINE;
        loop {
            while self.looked < self.heard.len() {
                self.looked += 1;
                if self.heard[self.looked - 1].contains(words) {
                    return self.heard[self.looked - 1].clone();
                }
            }
            match self.lines.recv_deadline(until) {
                Ok(line) => self.heard.push(line),
                Err(why) => panic!("{why}, waiting for a line with {words:?}; heard:\n{}", self.heard.join("\n")),
            }
        }
    }

    /// All of it, once the process has ended. A grandchild that holds the stream open is not waited for beyond the deadline.
    pub fn everything(&mut self) -> String {
        let until = Instant::now() + DEADLINE;
        while let Ok(line) = self.lines.recv_deadline(until) {
            self.heard.push(line);
        }
        let mut text = self.heard.join("\n");
        if !text.is_empty() {
            text.push('\n');
        }
        text
    }
}

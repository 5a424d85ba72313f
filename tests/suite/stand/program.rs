//! The program as a child process, with what it says line by line.

use super::{DEADLINE, LOOK_EVERY};
use crossbeam_channel::Receiver;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::Read;
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
        self.signal(Signal::INT);
    }

    pub fn signal(&self, signal: Signal) {
        kill_process(self.pid(), signal).unwrap();
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

/// One stream of a process, as it comes.
pub struct Heard {
    pieces: Receiver<Vec<u8>>,
    bytes: Vec<u8>,
    /// Everything before this has been looked at.
    looked: usize,
}

impl Heard {
    fn of(mut stream: impl Read + Send + 'static) -> Self {
        let (sender, pieces) = crossbeam_channel::unbounded();
        std::thread::spawn(move || {
            let mut buffer = vec![0; 64 * 1024];
            while let Ok(length @ 1..) = stream.read(&mut buffer) {
                if sender.send(buffer[..length].to_vec()).is_err() {
                    return;
                }
            }
        });
        Self { pieces, bytes: Vec::new(), looked: 0 }
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    #[track_caller]
    fn hear_more(&mut self, until: Instant, wanted: &str) {
        match self.pieces.recv_deadline(until) {
            Ok(piece) => self.bytes.extend(piece),
            Err(why) => panic!("{why}, waiting for {wanted:?}; heard:\n{}", self.text()),
        }
    }

    /// The next whole line that holds `words`; lines before it are passed over.
    #[track_caller]
    pub fn wait_for(&mut self, words: &str) -> String {
        let until = Instant::now() + DEADLINE;
        loop {
            while let Some(length) = self.bytes[self.looked..].iter().position(|byte| *byte == b'\n') {
                let line = String::from_utf8_lossy(&self.bytes[self.looked..self.looked + length]).into_owned();
                self.looked += length + 1;
                if line.contains(words) {
                    return line;
                }
            }
            self.hear_more(until, words);
        }
    }

    /// True once a line holds `words`; false when the stream ends without one.
    pub fn hears(&mut self, words: &str) -> bool {
        let until = Instant::now() + DEADLINE;
        loop {
            while let Some(length) = self.bytes[self.looked..].iter().position(|byte| *byte == b'\n') {
                let line = String::from_utf8_lossy(&self.bytes[self.looked..self.looked + length]).into_owned();
                self.looked += length + 1;
                if line.contains(words) {
                    return true;
                }
            }
            match self.pieces.recv_deadline(until) {
                Ok(piece) => self.bytes.extend(piece),
                Err(_) => return false,
            }
        }
    }

    /// Until `words` stand anywhere after what was waited for before (a screen has no lines).
    #[track_caller]
    pub fn wait_for_text(&mut self, words: &str) {
        let until = Instant::now() + DEADLINE;
        loop {
            let found = self.bytes[self.looked..].windows(words.len()).position(|window| window == words.as_bytes());
            if let Some(at) = found {
                self.looked += at + words.len();
                return;
            }
            self.hear_more(until, words);
        }
    }

    /// All of it, once the process has ended. A grandchild that holds the stream open is not waited for beyond the deadline.
    pub fn everything(&mut self) -> String {
        let until = Instant::now() + DEADLINE;
        while let Ok(piece) = self.pieces.recv_deadline(until) {
            self.bytes.extend(piece);
        }
        self.text()
    }
}

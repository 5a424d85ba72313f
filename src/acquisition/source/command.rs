//! A child process that samples and writes on its standard output: RTP packets behind their length (RFC 4571), or bare
//! frames. One thread reads its output and notes the time, a second one puts what it says on standard error in the log.
//! The child gets a process group of its own, so that Ctrl-C at the terminal does not end the samples before the stop.

use super::{Source, SourceError};
use crate::acquisition::bare::BareFrames;
use crate::acquisition::depacketizer::{Depacketizer, Format, StreamCounts};
use crate::clock::{WallClock, sleep_wall};
use crate::rig::model::SampleCommand;
use crate::signal::Block;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender};
use rustix::process::{Pid, Signal, kill_process_group};
use std::io::{BufRead, BufReader, Read};
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Longest wait in one read: bounds how long an order to the thread stays unseen.
const READ_TIMEOUT: Duration = Duration::from_millis(10);
/// Bytes taken in one read of the pipe.
const READ_LEN: usize = 64 * 1024;
/// Pieces that wait between the reading thread and us; the pipe itself holds back a child that is ahead.
const PIECES: usize = 8;
/// How often, and how many times, a child that closed its output is looked at before it is killed.
const EXIT_LOOK: Duration = Duration::from_millis(5);
const EXIT_LOOKS: usize = 50;
/// Characters of standard error kept to be quoted.
const SAID_MOST: usize = 200;

/// Lines of standard error that wait to be taken; a child that says more is counted.
const LINES_KEPT: usize = 50;

/// Bytes and when they came.
struct Piece {
    bytes: Vec<u8>,
    arrived_ns: u64,
}

/// A running child.
struct Running {
    child: Child,
    pieces: Receiver<Piece>,
    said: Arc<Mutex<Said>>,
}

/// Words of the child.
#[derive(Default)]
struct Said {
    /// The newest line.
    last: String,
    /// Lines that nobody took yet, at most [`LINES_KEPT`].
    lines: Vec<String>,
    /// Lines beyond them.
    dropped: u64,
}

/// What its bytes are.
enum Unpacker {
    Packets(Depacketizer),
    Frames(BareFrames),
}

/// The source.
pub struct ChildProcess {
    command: SampleCommand,
    clock: Arc<dyn WallClock>,
    running: Option<Running>,
    unpacker: Unpacker,
}

impl ChildProcess {
    /// Start the child.
    ///
    /// # Errors
    /// It cannot be started.
    pub fn open(command: &SampleCommand, format: Format, clock: Arc<dyn WallClock>) -> Result<Self, SourceError> {
        let unpacker = match command.framed {
            true => Unpacker::Packets(Depacketizer::new(format)),
            false => Unpacker::Frames(BareFrames::new(format)),
        };
        let running = Some(Running::start(command, &clock)?);
        Ok(Self { command: command.clone(), clock, running, unpacker })
    }

    fn name(&self) -> String {
        name_of(&self.command)
    }

    fn take(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        let running = self.running.as_mut().ok_or_else(|| SourceError::NotOpen { address: name_of(&self.command) })?;
        match running.pieces.recv_timeout(READ_TIMEOUT) {
            Ok(piece) => self.unpacker.feed(&piece, blocks, &self.command),
            Err(RecvTimeoutError::Timeout) => Ok(()),
            Err(RecvTimeoutError::Disconnected) => {
                let ended = running.end();
                Err(SourceError::Ended { program: self.name(), pending: self.unpacker.pending(), ended })
            }
        }
    }
}

impl Unpacker {
    fn feed(&mut self, piece: &Piece, blocks: &mut Vec<Block>, command: &SampleCommand) -> Result<(), SourceError> {
        match self {
            Self::Frames(frames) => {
                frames.feed(&piece.bytes, piece.arrived_ns, blocks);
                Ok(())
            }
            Self::Packets(packets) => packets
                .feed(&piece.bytes, piece.arrived_ns, blocks)
                .map_err(|broken| SourceError::Broken { address: name_of(command), broken }),
        }
    }

    fn pending(&self) -> usize {
        match self {
            Self::Packets(packets) => packets.pending(),
            Self::Frames(frames) => frames.pending(),
        }
    }
}

impl Source for ChildProcess {
    fn read(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        self.take(blocks).inspect_err(|_| self.running = None)
    }

    /// Starts the child again, if the rig allows it.
    fn reopen(&mut self, frames_missing: u64) -> Result<(), SourceError> {
        if !self.command.restart {
            return Err(SourceError::NoRestart { program: self.name() });
        }
        self.running = None;
        self.running = Some(Running::start(&self.command, &self.clock)?);
        match &mut self.unpacker {
            Unpacker::Packets(packets) => packets.reconnect(frames_missing),
            Unpacker::Frames(frames) => frames.reconnect(frames_missing),
        }
        Ok(())
    }

    fn counts(&self) -> &StreamCounts {
        match &self.unpacker {
            Unpacker::Packets(packets) => packets.counts(),
            Unpacker::Frames(frames) => frames.counts(),
        }
    }

    fn said(&mut self) -> Vec<String> {
        let Some(running) = &self.running else { return Vec::new() };
        let mut said = running.said.lock().unwrap_or_else(PoisonError::into_inner);
        let mut lines = std::mem::take(&mut said.lines);
        let dropped = std::mem::take(&mut said.dropped);
        if dropped > 0 {
            lines.push(format!("({dropped} more lines)"));
        }
        lines
    }
}

fn name_of(command: &SampleCommand) -> String {
    command.program.first().cloned().unwrap_or_default()
}

impl Running {
    fn start(command: &SampleCommand, clock: &Arc<dyn WallClock>) -> Result<Self, SourceError> {
        let program = name_of(command);
        let failed = |reason: String| SourceError::Start { program: program.clone(), reason };
        let mut child = Command::new(&program)
            .args(command.program.iter().skip(1))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(|e| failed(e.to_string()))?;
        let said = Arc::new(Mutex::new(Said::default()));
        let (output, errors) = (child.stdout.take(), child.stderr.take());
        let (give, pieces) = crossbeam_channel::bounded(PIECES);
        let running = Self { child, pieces, said: Arc::clone(&said) };
        let (Some(output), Some(errors)) = (output, errors) else { return Err(failed("no pipes".to_owned())) };
        let clock = Arc::clone(clock);
        spawn("samples of a child", move || read_output(output, &*clock, &give)).map_err(&failed)?;
        spawn("words of a child", move || read_errors(errors, &said)).map_err(&failed)?;
        Ok(running)
    }

    /// It and whatever it started.
    fn kill(&self) {
        let _ = kill_process_group(Pid::from_child(&self.child), Signal::KILL);
    }

    /// How it ended, in words. Its output closes a moment before it is gone: it gets a quarter of a
    /// second to say why itself.
    fn end(&mut self) -> String {
        for _ in 0..EXIT_LOOKS {
            if !matches!(self.child.try_wait(), Ok(None)) {
                break;
            }
            sleep_wall(EXIT_LOOK);
        }
        let lingers = matches!(self.child.try_wait(), Ok(None));
        self.kill();
        let status = match self.child.wait() {
            Ok(_) if lingers => "it closed its output but ran on, and was killed".to_owned(),
            Ok(status) => status.to_string(),
            Err(error) => error.to_string(),
        };
        let said = self.said.lock().unwrap_or_else(PoisonError::into_inner).last.clone();
        if said.is_empty() { status } else { format!("{status}; it said: {said}") }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.kill();
        let _ = self.child.wait();
    }
}

fn spawn(name: &str, body: impl FnOnce() + Send + 'static) -> Result<(), String> {
    std::thread::Builder::new().name(name.to_owned()).spawn(body).map(drop).map_err(|e| e.to_string())
}

/// Ends when the child closes its output or nobody takes the pieces any more.
fn read_output(mut output: ChildStdout, clock: &dyn WallClock, pieces: &Sender<Piece>) {
    let mut buffer = vec![0; READ_LEN];
    while let Ok(len) = output.read(&mut buffer) {
        let piece = Piece { bytes: buffer[..len].to_vec(), arrived_ns: clock.now_ns() };
        if len == 0 || pieces.send(piece).is_err() {
            break;
        }
    }
}

fn read_errors(errors: ChildStderr, said: &Mutex<Said>) {
    let mut errors = BufReader::new(errors);
    let mut line = Vec::new();
    while errors.by_ref().take(READ_LEN as u64).read_until(b'\n', &mut line).is_ok_and(|len| len > 0) {
        let text: String = String::from_utf8_lossy(&line).trim_end().chars().take(SAID_MOST).collect();
        line.clear();
        if !text.is_empty() {
            tracing::warn!(said = %text, "the sampling child");
            let mut said = said.lock().unwrap_or_else(PoisonError::into_inner);
            match said.lines.len() < LINES_KEPT {
                true => said.lines.push(text.clone()),
                false => said.dropped += 1,
            }
            said.last = text;
        }
    }
}

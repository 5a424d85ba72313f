//! Faults that tests and trainers switch on while the virtual rig runs, one a line on its standard input. None by default.
//!
//! | line | what happens |
//! |---|---|
//! | `stall-bus 2s` | the bus answers nothing for so long (wall time; `ms` too), then answers late |
//! | `drop-bus` | every bus connection is closed (a pseudo-terminal too); new ones are taken at once |
//! | `drop-bus 2s` | the same, and new connections are closed for so long |
//! | `drop-ports 2s` | only the pseudo-terminals of the serial links are closed, for so long |
//! | `drop-stream` | the sample viewer's connection is closed |
//! | `gap 100` | so many frames are left out of the sample stream |
//! | `local`, `remote` | the selector is turned; to local it passes its off position: contactors open, ramps run down |
//! | `press-emergency-stop`, `release-emergency-stop` | the hardwired circuit opens, all outputs off; or closes again |
//! | `refuse-writes`, `accept-writes` | every bus write is refused with exception 04, stops and heartbeats too; or no longer |
//! | `comm-timeout 4s` | somebody sets the loss-of-communication time of every starter at its panel |
//! | `keep-run` | run orders outlive whatever cuts the outputs; a fault that is cleared then starts the motor |
//! | `weld-contact`, `free-contact` | a starter that switches by its contact alone does not open it any more: coil and status say off, the motor stays on until the emergency stop opens the line; or opens it again |
//! | `line-up return` | somebody sets the valves as in that line-up, at standstill only; the name is the rest of the line |
//! | `stick-valve`, `free-valve` | the pump control valve stays where it stands, or moves again |
//! | `rest 90s` | so much rig time is only rested: once nothing is on, the shaft stands and the water is still, the plant is not computed and its last values go on, in a hurry a slice every 5 s of them; an order to it ends that |
//! | `wear 15%`, `wrong-rotation`, `right-rotation`, `splash 6%` | a fault of the pump, or its end: [`PumpFault`] |
//!
//! The first line of all may be `seed N`; [`read_seed`] takes it before the controls are read.

use super::VirtualRigError;
use crate::rig::pump_fault::PumpFault;
use crossbeam_channel::{Receiver, bounded};
use std::io::BufRead;
use std::str::FromStr;
use std::time::Duration;

/// A fault, or its end.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// No answer for a while.
    StallBus(Duration),
    /// Connections closed, and refused for a while.
    DropBus(Duration),
    /// Pseudo-terminals closed for a while.
    DropPorts(Duration),
    /// Viewer's connection closed.
    DropStream,
    /// Frames left out.
    Gap(u32),
    /// Selector at remote or local.
    Remote(bool),
    /// Emergency stop pressed or released.
    EmergencyStop {
        /// Pressed.
        pressed: bool,
    },
    /// Writes refused or taken.
    RefuseWrites(bool),
    /// Contacts stick once they are closed, or open again.
    WeldContact(bool),
    /// Run orders stay as written.
    KeepRun,
    /// Loss-of-communication time set at the panels.
    CommTimeout(Duration),
    /// Rig time to be rested through.
    Rest(Duration),
    /// Valves set as in a line-up.
    LineUp(String),
    /// The control valve sticks, or no longer.
    StickValve(bool),
    /// A fault of the pump.
    Pump(PumpFault),
}

impl FromStr for Fault {
    type Err = VirtualRigError;

    fn from_str(line: &str) -> Result<Self, Self::Err> {
        let unknown = || VirtualRigError::ControlLine { line: line.to_owned() };
        let mut words = line.split_whitespace();
        let word = words.next().unwrap_or_default();
        let argument = words.next();
        let none_left = words.next().is_none();
        let fault = match (word, argument) {
            ("stall-bus", Some(time)) => duration(time).map(Self::StallBus),
            ("drop-bus", None) => Some(Self::DropBus(Duration::ZERO)),
            ("drop-bus", Some(time)) => duration(time).map(Self::DropBus),
            ("drop-ports", Some(time)) => duration(time).map(Self::DropPorts),
            ("rest", Some(time)) => duration(time).map(Self::Rest),
            ("gap", Some(frames)) => frames.parse().ok().map(Self::Gap),
            ("line-up", Some(id)) => Some(Self::LineUp(id.to_owned())),
            ("stick-valve", None) => Some(Self::StickValve(true)),
            ("free-valve", None) => Some(Self::StickValve(false)),
            ("drop-stream", None) => Some(Self::DropStream),
            ("local", None) => Some(Self::Remote(false)),
            ("remote", None) => Some(Self::Remote(true)),
            ("press-emergency-stop", None) => Some(Self::EmergencyStop { pressed: true }),
            ("release-emergency-stop", None) => Some(Self::EmergencyStop { pressed: false }),
            ("comm-timeout", Some(time)) => duration(time).map(Self::CommTimeout),
            ("weld-contact", None) => Some(Self::WeldContact(true)),
            ("free-contact", None) => Some(Self::WeldContact(false)),
            ("keep-run", None) => Some(Self::KeepRun),
            ("refuse-writes", None) => Some(Self::RefuseWrites(true)),
            ("accept-writes", None) => Some(Self::RefuseWrites(false)),
            _ => return line.parse().map(Self::Pump).map_err(|_| unknown()),
        };
        fault.filter(|_| none_left).ok_or_else(unknown)
    }
}

/// `2s` or `250ms`, at most an hour.
fn duration(text: &str) -> Option<Duration> {
    let (number, unit_s) = match text.strip_suffix("ms") {
        Some(number) => (number, 1e-3),
        None => (text.strip_suffix('s')?, 1.0),
    };
    let seconds = number.parse::<f64>().ok()? * unit_s;
    (0.0..=3600.0).contains(&seconds).then(|| Duration::from_secs_f64(seconds))
}

/// Take the seed from the first line of the standard input that a parent process writes: `seed N`.
pub fn read_seed(input: &mut impl BufRead) -> Result<u64, VirtualRigError> {
    let mut line = String::new();
    input.read_line(&mut line).map_err(|error| VirtualRigError::NoSeed(error.to_string()))?;
    // What was sent is not repeated: it may be a seed with a slip in it.
    line.trim()
        .strip_prefix("seed ")
        .and_then(|number| number.trim().parse().ok())
        .ok_or_else(|| VirtualRigError::NoSeed("the first line of standard input is not `seed NUMBER`".into()))
}

/// Read control lines on a thread of their own until the input ends. A line that means nothing is logged and passed over.
pub fn listen(mut input: impl BufRead + Send + 'static) -> std::io::Result<Receiver<Fault>> {
    let (sender, receiver) = bounded(64);
    std::thread::Builder::new().name("virtual-controls".into()).spawn(move || {
        let mut line = String::new();
        while matches!(input.read_line(&mut line), Ok(read) if read > 0) {
            match line.trim().parse::<Fault>() {
                Ok(fault) => {
                    if sender.send(fault).is_err() {
                        return;
                    }
                }
                Err(error) if !line.trim().is_empty() => tracing::warn!(%error, "control line passed over"),
                Err(_) => {}
            }
            line.clear();
        }
    })?;
    Ok(receiver)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_every_documented_line() {
        let lines = [
            ("stall-bus 2s", Fault::StallBus(Duration::from_secs(2))),
            ("stall-bus 250ms", Fault::StallBus(Duration::from_millis(250))),
            ("drop-bus", Fault::DropBus(Duration::ZERO)),
            ("drop-bus 1.5s", Fault::DropBus(Duration::from_millis(1500))),
            ("drop-ports 1s", Fault::DropPorts(Duration::from_secs(1))),
            ("drop-stream", Fault::DropStream),
            ("gap 100", Fault::Gap(100)),
            ("local", Fault::Remote(false)),
            ("remote", Fault::Remote(true)),
            ("press-emergency-stop", Fault::EmergencyStop { pressed: true }),
            ("release-emergency-stop", Fault::EmergencyStop { pressed: false }),
            ("refuse-writes", Fault::RefuseWrites(true)),
            ("accept-writes", Fault::RefuseWrites(false)),
            ("keep-run", Fault::KeepRun),
            ("weld-contact", Fault::WeldContact(true)),
            ("free-contact", Fault::WeldContact(false)),
            ("rest 90s", Fault::Rest(Duration::from_secs(90))),
            ("comm-timeout 4s", Fault::CommTimeout(Duration::from_secs(4))),
            ("wear 15%", Fault::Pump(PumpFault::Wear(0.15))),
            ("wrong-rotation", Fault::Pump(PumpFault::WrongRotation(true))),
        ];
        for (line, fault) in lines {
            assert_eq!(line.parse::<Fault>().unwrap(), fault, "{line}");
        }
    }

    #[test]
    fn rejects_lines_that_mean_nothing() {
        for line in ["", "stall-bus", "stall-bus 2", "stall-bus -1s", "stall-bus NaNs", "gap", "gap -1", "local now"] {
            assert!(line.parse::<Fault>().is_err(), "{line}");
        }
    }

    #[test]
    fn takes_the_seed_from_the_first_line_and_leaves_the_rest() {
        let mut input = std::io::Cursor::new("seed 42\ngap 5\n");
        assert_eq!(read_seed(&mut input).unwrap(), 42);
        let faults: Vec<Fault> = listen(input).unwrap().iter().collect();
        assert_eq!(faults, [Fault::Gap(5)]);
    }

    #[test]
    fn rejects_a_bad_seed_without_repeating_it() {
        let error = read_seed(&mut std::io::Cursor::new("seed 12x34\n")).unwrap_err();
        assert!(!error.to_string().contains("12x34"), "{error}");
    }
}

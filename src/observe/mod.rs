//! Floor 8: watching a station that somebody else runs. Nothing is commanded, nothing sent on a serial line, and a TCP
//! device read only where its link allows it.
//!
//! ```text
//! sampling thread -> bounded queue -> session: triggers -> event recordings, events.csv
//!                                              envelope.csv (min and max, always)
//! watched buses  -> board of registers ------^
//! ```
//!
//! A folder holds one session, whatever number of times the program was started: `events.csv`, `envelope.csv`,
//! `session.json`, `rig.toml` and one recording an event. Memory does not grow with time: the ring of past blocks, one
//! open event and the board have fixed sizes.

mod completeness;
mod differences;
mod envelope;
mod event;
mod host;
mod row;
mod session;
mod trigger;

pub use completeness::{Completeness, completeness, session_of};
pub use differences::differences;
pub use host::{SuspendGuard, port_notices, unit_text};
pub use row::{COLUMNS, Row, read_rows};
pub use session::{ChannelHealth, Session, SessionRecord, SessionSetup};
pub use trigger::{Fired, Triggers};

use crate::fieldbus::listen::Heard;
use crate::fieldbus::observed::{Manner, Observed};
use crate::rig::register_map::Role;
use crate::sequence::ports::LinkStatistics;
use std::path::PathBuf;

/// What went wrong with a session.
#[derive(Debug, thiserror::Error)]
pub enum ObserveError {
    /// A file of the session.
    #[error("{path}: {source}")]
    Io {
        /// File.
        path: PathBuf,
        /// Operating system's words.
        source: std::io::Error,
    },
    /// A file that is not what it should be.
    #[error("{path}:{line}: {reason}")]
    Format {
        /// File.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        reason: String,
    },
    /// The folder holds another rig's session.
    #[error("{path}: a session of rig {found}, not of {wanted}; try: another folder")]
    OtherRig {
        /// Folder.
        path: PathBuf,
        /// Its rig.
        found: String,
        /// Wanted.
        wanted: String,
    },
    /// Nothing to look for.
    #[error(
        "{file}: no [[trigger]]; try: [[trigger]] id = \"start\" channel = \"{channel}\" rises = \"0.3 bar\" within = \"0.2 s\""
    )]
    NoTrigger {
        /// Rig.
        file: String,
        /// A channel of it.
        channel: String,
    },
}

impl ObserveError {
    fn io(path: &std::path::Path, source: std::io::Error) -> Self {
        Self::Io { path: path.to_owned(), source }
    }
}

/// What is known of the devices on the buses.
pub trait Registers {
    /// Bit pattern of a field; `None`: not known.
    fn value(&self, device: usize, role: Role) -> Option<u64>;
    /// Does it drive its motor; `None`: not known.
    fn is_running(&self, device: usize) -> Option<bool>;
    /// Ids of the devices.
    fn ids(&self) -> Vec<String>;
    /// Some device says that it is virtual.
    fn is_virtual(&self) -> bool;
    /// Figures of the links so far.
    fn links(&self) -> Vec<LinkStatistics>;
}

impl Registers for Observed {
    fn value(&self, device: usize, role: Role) -> Option<u64> {
        Observed::value(self, device, role).map(|(raw, _)| raw)
    }
    fn is_running(&self, device: usize) -> Option<bool> {
        Observed::is_running(self, device)
    }
    fn ids(&self) -> Vec<String> {
        self.devices().iter().map(|device| device.id.clone()).collect()
    }
    fn is_virtual(&self) -> bool {
        Observed::is_virtual(self)
    }
    fn links(&self) -> Vec<LinkStatistics> {
        let of = |((link, _), (heard, _)): (&(String, Manner), (Heard, Option<String>))| LinkStatistics {
            link: link.clone(),
            answered: heard.answers,
            exceptions: heard.exceptions,
            // Whole frames that fitted no request.
            disbelieved: heard.strays,
            stray_bytes: heard.garbage,
            ..LinkStatistics::default()
        };
        self.manners().iter().zip(Observed::links(self)).map(of).collect()
    }
}

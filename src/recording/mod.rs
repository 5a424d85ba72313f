//! Floor 5: recordings. One run is one HDF5 file: `X.h5.partial` while the run lasts, `X.h5` once it is closed.
//!
//! - [`Recorder`] makes the file before anything moves, takes blocks of frames and (through its
//!   [`Journal`](crate::sequence::ports::Journal)) everything else, and writes it so that any HDF5 program reads along
//!   (SWMR) and that kill -9 costs at most 0.3 s.
//! - [`close`] makes the compact file after the run; [`recover`] does the same with what a killed run left.
//! - [`verify_bytes`] and [`verify_content`] tell whether a closed file is still what it was, and where not.
//! - [`sign`] signs a closed file with a key; [`add_note`] adds a signed note to one.
//! - [`read`], [`read_wire_log`] and [`summary`] read files of every kind.
//!
//! What is in the file is told in `schema`. Channels: blocks come through the caller's bounded channel and are dropped
//! by the sender when it is full (the gap is counted here as dropped); journal entries have room for 4096, one more is
//! an error that stops the run.

mod close;
mod description;
mod disk;
mod error;
mod integrity;
mod journal;
mod names;
mod notes;
mod opened;
mod overview;
mod raw;
mod reader;
mod recover;
mod rows;
mod schema;
mod side_log;
mod signature;
mod span;
mod store;
mod writer;

pub use close::{LOST_AT_MOST_S, close};
pub use description::RunDescription;
pub use disk::flush_times_ns;
pub use error::RecordingError;
pub use integrity::{Bytes, Roots, roots, sign, verify_bytes, verify_content};
pub use notes::{Note, add_note, notes};
pub use reader::{RecordedFrames, RecordingSummary, WireLog, read, read_wire_log, summary};
pub use recover::{Recovered, recover};
pub use schema::FORMAT;
pub use signature::{PublicKey, SecretKey};
pub use store::FrameCounts;
pub use writer::{FLUSH_EVERY_NS, JOURNAL_ROOM, Recorder};

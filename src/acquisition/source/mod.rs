//! Sample sources, one a file. A source turns whatever its wire carries into blocks with absolute frame indices; the
//! sampling thread neither knows nor cares which one it reads.

pub mod rtp_tcp;

use super::depacketizer::{StreamBroken, StreamCounts};
use crate::signal::Block;

/// A stream of frames.
pub trait Source: Send {
    /// Wait a short while (at most some 10 ms, so that orders to the thread are seen) for data; append the blocks that
    /// became complete. On an error the blocks appended before it are valid, and the source stays closed until
    /// [`Source::reopen`].
    fn read(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError>;
    /// Connect again; the frame index continues after `frames_missing`.
    fn reopen(&mut self, frames_missing: u64) -> Result<(), SourceError>;
    /// Counters.
    fn counts(&self) -> &StreamCounts;
}

/// Why a source gives nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SourceError {
    /// No connection.
    #[error("{address}: cannot connect to the sample stream: {reason}")]
    Connect {
        /// host:port.
        address: String,
        /// Operating system's words.
        reason: String,
    },
    /// The connection failed.
    #[error("{address}: reading the sample stream failed: {reason}")]
    Read {
        /// host:port.
        address: String,
        /// Operating system's words.
        reason: String,
    },
    /// The sender closed.
    #[error("{address}: the sender closed the sample stream ({pending} bytes of an unfinished packet)")]
    Closed {
        /// host:port.
        address: String,
        /// Bytes that were no whole packet.
        pending: usize,
    },
    /// Frame indices can no longer be trusted.
    #[error("{address}: {broken}")]
    Broken {
        /// host:port.
        address: String,
        /// Why.
        broken: StreamBroken,
    },
    /// Read after an error.
    #[error("{address}: the sample stream is not open")]
    NotOpen {
        /// host:port.
        address: String,
    },
}

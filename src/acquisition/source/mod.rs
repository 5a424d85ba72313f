//! Sample sources, one a file. A source turns whatever its wire carries into blocks with absolute frame indices; the
//! sampling thread neither knows nor cares which one it reads.

pub mod command;
pub mod modbus_blocks;
pub mod rtp_tcp;
pub mod rtp_udp;

use super::depacketizer::{Format, StreamBroken, StreamCounts};
use crate::clock::WallClock;
use crate::rig::model::{self, SampleWire};
use crate::signal::Block;
use std::sync::Arc;

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
    /// What the source said in words since the last call (a child process on its standard error).
    fn said(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// Open the source that a rig describes, for frames of `channels`.
///
/// # Errors
/// What keeps it from being opened.
pub fn open(
    source: &model::Source,
    channels: usize,
    clock: &Arc<dyn WallClock>,
) -> Result<Box<dyn Source>, SourceError> {
    let format = Format { channels, rate_hz: source.rate_hz, code: source.code, payload_type: source.payload_type };
    let clock = Arc::clone(clock);
    Ok(match &source.wire {
        SampleWire::Tcp => Box::new(rtp_tcp::RtpTcp::open(&source.address, format, clock)?),
        SampleWire::Udp => Box::new(rtp_udp::RtpUdp::open(&source.address, format, clock)?),
        SampleWire::Blocks(registers) => {
            Box::new(modbus_blocks::ModbusBlocks::open(&source.address, *registers, channels, source.rate_hz, clock)?)
        }
        SampleWire::Command(command) => Box::new(command::ChildProcess::open(command, format, clock)?),
    })
}

/// Why a source gives nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SourceError {
    /// No connection.
    #[error("{address}: cannot connect to the sample stream: {reason}")]
    Connect {
        /// host:port.
        address: String,
        /// Operating system's words.
        reason: String,
    },
    /// Nowhere to listen.
    #[error("{address}: cannot listen for the sample stream: {reason}")]
    Listen {
        /// host:port.
        address: String,
        /// Operating system's words.
        reason: String,
    },
    /// The receive buffer is too small for the stream.
    #[error(
        "{address}: the system grants a receive buffer of {granted} bytes of {asked} asked, {holds_ms:.0} ms of the stream; \
         50 ms are needed: raise net.core.rmem_max, or use TCP"
    )]
    Buffer {
        /// host:port.
        address: String,
        /// Asked, bytes.
        asked: usize,
        /// Granted, bytes.
        granted: usize,
        /// Time of the stream it holds, ms.
        holds_ms: f64,
    },
    /// The child process did not start.
    #[error("cannot start the sampling program `{program}`: {reason}")]
    Start {
        /// Program.
        program: String,
        /// Operating system's words.
        reason: String,
    },
    /// The child process closed its output.
    #[error("the sampling program `{program}` ended: {ended} ({pending} bytes of an unfinished frame)")]
    Ended {
        /// Program.
        program: String,
        /// Bytes that were no whole frame.
        pending: usize,
        /// How it ended.
        ended: String,
    },
    /// The child process ended before and may not be started again.
    #[error(
        "the sampling program `{program}` ended and the rig file does not allow to start it again (restart = true)"
    )]
    NoRestart {
        /// Program.
        program: String,
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

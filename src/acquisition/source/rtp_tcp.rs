//! RTP (RFC 3550) with linear 24-bit samples (RFC 3190) over TCP, framed by RFC 4571. We are the TCP client.

use super::{Source, SourceError};
use crate::acquisition::depacketizer::{Depacketizer, Format, StreamCounts};
use crate::clock::WallClock;
use crate::signal::Block;
use std::io::{ErrorKind, Read};
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::time::Duration;

/// Longest wait for a connection.
pub const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);
/// Longest wait in one read: bounds how long an order to the thread stays unseen.
const READ_TIMEOUT: Duration = Duration::from_millis(10);
/// Bytes taken in one read: 2 700 frames of 8 channels.
const READ_LEN: usize = 64 * 1024;

/// Receive buffer asked of the system, bytes: about a second at 10 kHz x 8. Left to itself it grows to megabytes, and a
/// sender that is paced by this reader could then run many seconds ahead of what we have looked at.
const RECEIVE_BUFFER: usize = 256 * 1024;

/// The source.
pub struct RtpTcp {
    address: String,
    clock: Arc<dyn WallClock>,
    stream: Option<TcpStream>,
    depacketizer: Depacketizer,
    buffer: Vec<u8>,
}

impl RtpTcp {
    /// Connect.
    pub fn open(address: &str, format: Format, clock: Arc<dyn WallClock>) -> Result<Self, SourceError> {
        Ok(Self {
            address: address.to_owned(),
            clock,
            stream: Some(connect(address)?),
            depacketizer: Depacketizer::new(format),
            buffer: vec![0; READ_LEN],
        })
    }

    fn take(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        let address = || self.address.clone();
        let stream = self.stream.as_mut().ok_or_else(|| SourceError::NotOpen { address: address() })?;
        match stream.read(&mut self.buffer) {
            Ok(0) => Err(SourceError::Closed { address: address(), pending: self.depacketizer.pending() }),
            Ok(len) => {
                let arrived_wall_ns = self.clock.now_ns();
                self.depacketizer
                    .feed(&self.buffer[..len], arrived_wall_ns, blocks)
                    .map_err(|broken| SourceError::Broken { address: address(), broken })
            }
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(())
            }
            Err(e) => Err(SourceError::Read { address: address(), reason: e.to_string() }),
        }
    }
}

impl Source for RtpTcp {
    fn read(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        self.take(blocks).inspect_err(|_| self.stream = None)
    }

    fn reopen(&mut self, frames_missing: u64) -> Result<(), SourceError> {
        self.stream = None;
        self.stream = Some(connect(&self.address)?);
        self.depacketizer.reconnect(frames_missing);
        Ok(())
    }

    fn counts(&self) -> &StreamCounts {
        self.depacketizer.counts()
    }
}

pub(super) fn connect(address: &str) -> Result<TcpStream, SourceError> {
    let failed = |reason: String| SourceError::Connect { address: address.to_owned(), reason };
    let mut last = failed("the name resolves to no address".to_owned());
    for socket in address.to_socket_addrs().map_err(|e| failed(e.to_string()))? {
        match TcpStream::connect_timeout(&socket, CONNECT_TIMEOUT) {
            Ok(stream) => {
                stream.set_read_timeout(Some(READ_TIMEOUT)).map_err(|e| failed(e.to_string()))?;
                rustix::net::sockopt::set_socket_recv_buffer_size(&stream, RECEIVE_BUFFER)
                    .map_err(|e| failed(e.to_string()))?;
                return Ok(stream);
            }
            Err(e) => last = failed(e.to_string()),
        }
    }
    Err(last)
}

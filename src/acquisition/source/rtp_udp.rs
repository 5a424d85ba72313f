//! RTP (RFC 3550) over UDP: we listen, the sender sends. The first sender heard is the one listened to until the stream
//! is opened anew; datagrams of others are counted and left alone.

use super::{Source, SourceError};
use crate::acquisition::depacketizer::{Depacketizer, Format, StreamCounts};
use crate::acquisition::reorder::{Held, Reorder};
use crate::clock::WallClock;
use crate::signal::Block;
use std::io::ErrorKind;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

/// Longest wait in one read: bounds how long an order to the thread stays unseen.
const READ_TIMEOUT: Duration = Duration::from_millis(10);
/// Largest datagram, bytes.
const DATAGRAM: usize = 65_536;
/// Datagrams taken in one read.
const BATCH: usize = 256;
/// Receive buffer asked of the system, as time of the stream, s.
const BUFFER_ASKED_S: f64 = 1.0;
/// Least time of the stream that the buffer must hold, s: a thread of normal priority may be kept waiting that long.
const BUFFER_LEAST_S: f64 = 0.05;
/// Bytes the system charges for a byte of payload, at packets of about 1 kB: headers and its own bookkeeping (Linux,
/// measured: 2304 bytes for a datagram of 1164).
const CHARGE: f64 = 2.0;

/// The source.
pub struct RtpUdp {
    address: String,
    format: Format,
    clock: Arc<dyn WallClock>,
    socket: Option<UdpSocket>,
    sender: Option<SocketAddr>,
    reorder: Reorder,
    in_order: Vec<Held>,
    depacketizer: Depacketizer,
    buffer: Vec<u8>,
}

impl RtpUdp {
    /// Listen.
    ///
    /// # Errors
    /// The address is taken or not ours; the system grants too small a receive buffer for the stream.
    pub fn open(address: &str, format: Format, clock: Arc<dyn WallClock>) -> Result<Self, SourceError> {
        Ok(Self {
            address: address.to_owned(),
            format,
            clock,
            socket: Some(listen(address, &format)?),
            sender: None,
            reorder: Reorder::default(),
            in_order: Vec::new(),
            depacketizer: Depacketizer::new(format),
            buffer: vec![0; DATAGRAM],
        })
    }

    /// Where it listens (port 0 asks the system for a free one).
    pub fn local_address(&self) -> Option<SocketAddr> {
        self.socket.as_ref().and_then(|socket| socket.local_addr().ok())
    }

    fn take(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        let first_new = blocks.len();
        for turn in 0..BATCH {
            if !self.receive(turn == 0)? {
                break;
            }
        }
        self.reorder.expire(self.clock.now_ns(), &mut self.in_order);
        let counts = self.depacketizer.counts_mut();
        (counts.reordered, counts.repeated) = (self.reorder.reordered, self.reorder.repeated);
        for held in std::mem::take(&mut self.in_order) {
            self.depacketizer
                .feed_packet(&held.bytes, held.arrived_ns, first_new, blocks)
                .map_err(|broken| SourceError::Broken { address: self.address.clone(), broken })?;
        }
        Ok(())
    }

    /// One datagram; false: there is none. Only the first of a turn is waited for.
    fn receive(&mut self, wait: bool) -> Result<bool, SourceError> {
        let address = || self.address.clone();
        let socket = self.socket.as_ref().ok_or_else(|| SourceError::NotOpen { address: address() })?;
        let failed = |e: std::io::Error| SourceError::Read { address: address(), reason: e.to_string() };
        let got = if wait { socket.recv_from(&mut self.buffer) } else { at_once(socket, &mut self.buffer) };
        match got {
            Ok((len, from)) => {
                if *self.sender.get_or_insert(from) == from {
                    self.reorder.take(&self.buffer[..len], self.clock.now_ns(), &mut self.in_order);
                } else {
                    self.depacketizer.counts_mut().foreign += 1;
                }
                Ok(true)
            }
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(false)
            }
            Err(e) => Err(failed(e)),
        }
    }
}

/// A datagram that is there already.
fn at_once(socket: &UdpSocket, buffer: &mut [u8]) -> std::io::Result<(usize, SocketAddr)> {
    let (len, _, from) = rustix::net::recvfrom(socket, buffer, rustix::net::RecvFlags::DONTWAIT)?;
    let from = from.and_then(|from| SocketAddr::try_from(from).ok());
    from.map(|from| (len, from)).ok_or_else(|| std::io::Error::other("a datagram without a sender's address"))
}

impl Source for RtpUdp {
    fn read(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        self.take(blocks).inspect_err(|_| self.socket = None)
    }

    fn reopen(&mut self, frames_missing: u64) -> Result<(), SourceError> {
        self.socket = None;
        self.socket = Some(listen(&self.address, &self.format)?);
        self.sender = None;
        self.in_order.clear();
        self.reorder.restart();
        self.depacketizer.reconnect(frames_missing);
        Ok(())
    }

    fn counts(&self) -> &StreamCounts {
        self.depacketizer.counts()
    }
}

fn listen(address: &str, format: &Format) -> Result<UdpSocket, SourceError> {
    let failed = |reason: String| SourceError::Listen { address: address.to_owned(), reason };
    let socket = UdpSocket::bind(address).map_err(|e| failed(e.to_string()))?;
    socket.set_read_timeout(Some(READ_TIMEOUT)).map_err(|e| failed(e.to_string()))?;
    let charged_s = format.frame_bytes() as f64 * format.rate_hz * CHARGE;
    let asked = (charged_s * BUFFER_ASKED_S) as usize;
    rustix::net::sockopt::set_socket_recv_buffer_size(&socket, asked.clamp(65_536, 1 << 28))
        .map_err(|e| failed(e.to_string()))?;
    // Linux answers with twice what was asked, its own share included: that is what is charged against.
    let granted = rustix::net::sockopt::socket_recv_buffer_size(&socket).map_err(|e| failed(e.to_string()))?;
    let holds_s = granted as f64 / charged_s;
    if holds_s < BUFFER_LEAST_S {
        return Err(SourceError::Buffer { address: address.to_owned(), asked, granted, holds_ms: holds_s * 1e3 });
    }
    tracing::info!(address, asked, granted, holds_s, "receive buffer");
    Ok(socket)
}

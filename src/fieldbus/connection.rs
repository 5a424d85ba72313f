//! The connection of a bus thread, whatever it is made of.

use super::LinkError;
use super::frame::{Answer, FrameError, Request};
use super::reactor::{Handle, Reactor};
use super::serial::SerialConnection;
use super::tcp::TcpConnection;
use crate::rig::serial_line::SerialLine;
use std::time::Duration;

/// The wire itself.
pub(super) enum Medium {
    /// Modbus TCP.
    Tcp(TcpConnection),
    /// Modbus RTU.
    Serial(SerialConnection),
}

/// See the module's documentation.
pub(super) struct Connection {
    pub(super) medium: Medium,
    /// Tells this connection from those before it.
    pub(super) number: u64,
}

impl Connection {
    /// Open: a serial port where there is a line, else a socket.
    pub(super) fn open(
        reactor: &Reactor,
        address: &str,
        line: Option<&SerialLine>,
        timeout: Duration,
        number: u64,
    ) -> Result<Self, LinkError> {
        let medium = match line {
            Some(line) => Medium::Serial(SerialConnection::open(reactor, address, line)?),
            None => Medium::Tcp(TcpConnection::open(reactor, address, timeout)?),
        };
        Ok(Self { medium, number })
    }

    /// What to wait on.
    pub(super) fn handle(&self) -> Handle<'_> {
        match &self.medium {
            Medium::Tcp(tcp) => tcp.handle(),
            Medium::Serial(port) => port.handle(),
        }
    }

    /// Put a request on the wire; the number under which its answer is taken.
    pub(super) fn send(&mut self, unit: u8, request: &Request) -> Result<u16, LinkError> {
        match &mut self.medium {
            Medium::Tcp(tcp) => tcp.send(unit, request),
            Medium::Serial(port) => port.send(unit, request).map(|()| 0),
        }
    }

    /// Take in what is there; how many bytes came on a serial port. On an error the connection must be dropped.
    pub(super) fn receive(&mut self) -> Result<usize, LinkError> {
        match &mut self.medium {
            Medium::Tcp(tcp) => tcp.receive().map(|()| 0),
            Medium::Serial(port) => port.receive(),
        }
    }

    /// The answer to a request, if it is in.
    pub(super) fn take(&mut self, number: u16) -> Option<Result<Answer, FrameError>> {
        match &mut self.medium {
            Medium::Tcp(tcp) => tcp.take(number),
            Medium::Serial(port) => port.take(),
        }
    }

    /// The port of a serial line.
    pub(super) fn port(&mut self) -> Option<&mut SerialConnection> {
        match &mut self.medium {
            Medium::Tcp(_) => None,
            Medium::Serial(port) => Some(port),
        }
    }
}

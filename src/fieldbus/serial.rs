//! One serial port of a Modbus RTU bus: one request out at a time, its answer gathered, everything else counted as stray.

use super::LinkError;
use super::frame::{Answer, FrameError, Request};
use super::reactor::{Handle, Reactor};
use super::rtu::{Gathering, wrap};
use crate::rig::serial_line::SerialLine;
use std::io;
use std::os::fd::OwnedFd;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

const READ_CHUNK_BYTES: usize = 1024;

/// See the module's documentation.
pub(super) struct SerialConnection {
    port: AsyncFd<OwnedFd>,
    waiting: Option<Gathering>,
    answer: Option<Result<Answer, FrameError>>,
    strays: usize,
}

impl SerialConnection {
    /// Open.
    pub(super) fn open(reactor: &Reactor, path: &str, line: &SerialLine) -> Result<Self, LinkError> {
        let port = reactor.open_port(path, line).map_err(LinkError::down)?;
        Ok(Self { port, waiting: None, answer: None, strays: 0 })
    }

    /// The port, to wait on.
    pub(super) fn handle(&self) -> Handle<'_> {
        Handle::Serial(&self.port)
    }

    /// Put a request on the wire; the caller has seen to it that the line is free. Never waits: a port that cannot take
    /// one frame has stopped sending.
    pub(super) fn send(&mut self, unit: u8, request: &Request) -> Result<(), LinkError> {
        let adu = wrap(unit, &request.pdu().map_err(LinkError::Frame)?);
        let written = rustix::io::write(self.port.get_ref(), &adu).map_err(LinkError::down)?;
        if written != adu.len() {
            return Err(LinkError::Down { reason: "the port takes no more bytes".into() });
        }
        self.answer = None;
        self.waiting = Some(Gathering::new(unit, request.clone()));
        Ok(())
    }

    /// Take in what the port has; how many bytes that was.
    pub(super) fn receive(&mut self) -> Result<usize, LinkError> {
        let mut chunk = [0_u8; READ_CHUNK_BYTES];
        let read = |port: &OwnedFd| rustix::io::read(port, &mut chunk).map_err(io::Error::from);
        match self.port.try_io(Interest::READABLE, read) {
            Ok(0) => Err(LinkError::Down { reason: "the port is closed".into() }),
            Ok(count) => {
                self.accept(&chunk[..count]);
                Ok(count)
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(0),
            Err(error) => Err(LinkError::down(error)),
        }
    }

    fn accept(&mut self, bytes: &[u8]) {
        let Some(waiting) = self.waiting.as_mut() else {
            self.strays += bytes.len();
            return;
        };
        match waiting.take(bytes) {
            Ok(None) => {}
            Ok(Some(answer)) => self.answer = Some(Ok(answer)),
            Err(error) => self.answer = Some(Err(error)),
        }
        if self.answer.is_some() {
            self.waiting = None;
        }
    }

    /// The answer, if it is in.
    pub(super) fn take(&mut self) -> Option<Result<Answer, FrameError>> {
        self.answer.take()
    }

    /// Wait for the answer no longer.
    pub(super) fn give_up(&mut self) {
        self.waiting = None;
        self.answer = None;
    }

    /// Bytes that nothing had asked for since the last call.
    pub(super) fn take_strays(&mut self) -> usize {
        std::mem::take(&mut self.strays)
    }
}

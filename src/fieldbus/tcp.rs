//! One TCP connection: requests out, checked answers in. It never outlives its first doubtful byte.

use super::LinkError;
use super::frame::{Answer, Frame, FrameError, Request, Splitter};
use super::reactor::{Handle, Reactor};
use std::io::{self, Write};
use std::time::Duration;
use tokio::net::TcpStream;

const READ_CHUNK_BYTES: usize = 1024;

/// A request that waits for its answer.
struct Waiting {
    transaction: u16,
    unit: u8,
    request: Request,
}

/// See the module's documentation.
pub(super) struct TcpConnection {
    stream: TcpStream,
    raw: std::net::TcpStream,
    splitter: Splitter,
    waiting: Vec<Waiting>,
    answered: Vec<(u16, Result<Answer, FrameError>)>,
    next_transaction: u16,
}

impl TcpConnection {
    /// Open.
    pub(super) fn open(reactor: &Reactor, address: &str, timeout: Duration) -> Result<Self, LinkError> {
        let (stream, raw) =
            reactor.connect(address, timeout).and_then(|stream| reactor.split(stream)).map_err(LinkError::down)?;
        Ok(Self {
            stream,
            raw,
            splitter: Splitter::default(),
            waiting: Vec::new(),
            answered: Vec::new(),
            next_transaction: 1,
        })
    }

    /// The socket, to wait on.
    pub(super) fn handle(&self) -> Handle<'_> {
        Handle::Tcp(&self.stream)
    }

    /// Put a request on the wire and give its transaction id. Other requests may still wait: answers are told apart by
    /// their ids. Never waits: a socket that cannot take 260 bytes at once has a dead far side.
    pub(super) fn send(&mut self, unit: u8, request: &Request) -> Result<u16, LinkError> {
        if self.waiting.is_empty() {
            self.refuse_unasked_bytes()?;
        }
        let transaction = self.next_transaction;
        self.next_transaction = self.next_transaction.wrapping_add(1);
        let adu = request.adu(transaction, unit).map_err(LinkError::Frame)?;
        let written = self.raw.write(&adu).map_err(LinkError::down)?;
        if written != adu.len() {
            return Err(LinkError::Down { reason: "the far side takes no more bytes".into() });
        }
        self.waiting.push(Waiting { transaction, unit, request: request.clone() });
        Ok(transaction)
    }

    /// Bytes that lie ready before anything was asked answer nothing that is asked now.
    fn refuse_unasked_bytes(&self) -> Result<(), LinkError> {
        let mut one = [0_u8; 1];
        match self.raw.peek(&mut one) {
            Err(error) if error.kind() == io::ErrorKind::WouldBlock && self.splitter.pending_bytes() == 0 => Ok(()),
            Err(error) if error.kind() != io::ErrorKind::WouldBlock => Err(LinkError::down(error)),
            Ok(0) => Err(closed()),
            _ => Err(unasked()),
        }
    }

    /// Take in what the socket has. On an error the connection must be dropped.
    pub(super) fn receive(&mut self) -> Result<(), LinkError> {
        let mut chunk = [0_u8; READ_CHUNK_BYTES];
        match self.stream.try_read(&mut chunk) {
            Ok(0) => return Err(closed()),
            Ok(count) => self.splitter.push(&chunk[..count]),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
            Err(error) => return Err(LinkError::down(error)),
        }
        while let Some(frame) = self.splitter.next_frame().map_err(LinkError::Frame)? {
            self.accept(&frame).map_err(LinkError::Frame)?;
        }
        if self.waiting.is_empty() && self.splitter.pending_bytes() > 0 {
            return Err(unasked());
        }
        Ok(())
    }

    fn accept(&mut self, frame: &Frame) -> Result<(), FrameError> {
        let position = self.waiting.iter().position(|waiting| waiting.transaction == frame.transaction);
        let Some(position) = position else {
            return Err(FrameError::Transaction { found: frame.transaction });
        };
        let waiting = self.waiting.swap_remove(position);
        if waiting.unit != frame.unit {
            return Err(FrameError::Unit { found: frame.unit, asked: waiting.unit });
        }
        match waiting.request.check(&frame.pdu) {
            Err(error) if error.costs_connection() => Err(error),
            checked => {
                self.answered.push((waiting.transaction, checked));
                Ok(())
            }
        }
    }

    /// The answer to `transaction`, if it is in. Only where a frame ends: an answer cut short and filled up by the
    /// beginning of another one leaves the rest of that one behind.
    pub(super) fn take(&mut self, transaction: u16) -> Option<Result<Answer, FrameError>> {
        if self.splitter.pending_bytes() > 0 {
            return None;
        }
        let position = self.answered.iter().position(|(id, _)| *id == transaction)?;
        Some(self.answered.swap_remove(position).1)
    }
}

fn unasked() -> LinkError {
    LinkError::Down { reason: "bytes came that nothing had asked for".into() }
}

fn closed() -> LinkError {
    LinkError::Down { reason: "closed by the device".into() }
}

#[cfg(test)]
mod tests {
    use super::super::frame::wrap;
    use super::super::reactor::Woken;
    use super::*;
    use crate::rig::register_map::Table;
    use std::net::TcpListener;
    use tokio::sync::Notify;

    const PATIENCE: Duration = Duration::from_secs(20);

    #[test]
    fn rejects_an_answer_that_lay_there_before_the_question() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let reactor = Reactor::new().unwrap();
        let mut connection = TcpConnection::open(&reactor, &address, PATIENCE).unwrap();
        let (mut device, _) = listener.accept().unwrap();
        // Right in every field for the first request to come.
        device.write_all(&wrap(1, 7, &[3, 2, 0, 1])).unwrap();
        assert_eq!(reactor.wait(Some(connection.handle()), &Notify::new(), PATIENCE), Woken::Ready);
        let request = Request::Read { table: Table::Holding, address: 0, count: 1 };
        let refused = connection.send(7, &request).unwrap_err();
        assert!(refused.costs_connection(), "{refused}");
    }

    /// Bytes of the device, in one piece, after two requests for one register each; what is taken of the first.
    fn taken_after(second: bool, bytes: &[u8]) -> (Result<(), LinkError>, Option<Result<Answer, FrameError>>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let reactor = Reactor::new().unwrap();
        let mut connection = TcpConnection::open(&reactor, &address, PATIENCE).unwrap();
        let (mut device, _) = listener.accept().unwrap();
        let read = |address| Request::Read { table: Table::Holding, address, count: 1 };
        let first = connection.send(7, &read(0)).unwrap();
        if second {
            connection.send(7, &read(1)).unwrap();
        }
        device.write_all(bytes).unwrap();
        assert_eq!(reactor.wait(Some(connection.handle()), &Notify::new(), PATIENCE), Woken::Ready);
        let received = connection.receive();
        (received, connection.take(first))
    }

    #[test]
    fn rejects_an_answer_cut_short_and_filled_up_by_another_one() {
        let (whole, old) = (wrap(1, 7, &[3, 2, 0, 1]), wrap(9, 7, &[3, 2, 0, 5]));
        for kept in 1..whole.len() {
            for second in [false, true] {
                let (received, taken) = taken_after(second, &[&whole[..kept], &old].concat());
                let believed = received.is_ok() && taken.is_some();
                assert!(!believed, "cut after {kept} bytes, second request {second}: {taken:?}");
            }
        }
        assert_eq!(taken_after(false, &whole).1, Some(Ok(Answer::Values(vec![1]))));
    }

    #[test]
    fn tells_answers_of_pipelined_requests_apart() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let reactor = Reactor::new().unwrap();
        let mut connection = TcpConnection::open(&reactor, &address, PATIENCE).unwrap();
        let (mut device, _) = listener.accept().unwrap();
        let read = |address| Request::Read { table: Table::Input, address, count: 1 };
        let first = connection.send(7, &read(0)).unwrap();
        let second = connection.send(7, &read(1)).unwrap();
        device.write_all(&[wrap(second, 7, &[4, 2, 0, 22]), wrap(first, 7, &[4, 2, 0, 11])].concat()).unwrap();
        let mut answers = [None, None];
        while answers.iter().any(Option::is_none) {
            assert_eq!(reactor.wait(Some(connection.handle()), &Notify::new(), PATIENCE), Woken::Ready);
            connection.receive().unwrap();
            answers = [first, second]
                .map(|id| connection.take(id))
                .into_iter()
                .zip(answers)
                .map(|(new, old)| new.or(old))
                .collect::<Vec<_>>()
                .try_into()
                .unwrap();
        }
        assert_eq!(answers, [Some(Ok(Answer::Values(vec![11]))), Some(Ok(Answer::Values(vec![22])))]);
    }
}

//! The sample server's sockets: one viewer at a time, each with a writer thread of its own.
//!
//! The channel between the plant and the writer is bounded. In real time it holds five seconds; when it is full the
//! packet is dropped and the viewer sees the gap in sequence number and timestamp. Under `--fast` it holds two packets
//! and the plant waits: the stream is the plant's credit, so nothing is lost and rig time runs slower instead.

use crossbeam_channel::{Receiver, SendTimeoutError, Sender, TrySendError, bounded};
use std::io::Write;
use std::net::{Shutdown, TcpStream};
use std::thread::JoinHandle;
use std::time::Duration;

/// Send buffer asked of the system, bytes: small, so that what a viewer sees is not old.
const SEND_BUFFER: usize = 32 * 1024;
/// A viewer that takes nothing for this long is dropped.
const STALLED_AFTER: Duration = Duration::from_secs(5);

/// How a viewer is served.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Serving {
    /// Keep real time, drop what does not fit.
    RealTime {
        /// Packets held.
        packets: usize,
    },
    /// Wait for the viewer.
    Credit {
        /// Packets held.
        packets: usize,
    },
}

/// What became of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Offer {
    /// On its way.
    Taken,
    /// No room.
    Full,
    /// The viewer has gone.
    Gone,
}

/// A viewer being served.
#[derive(Debug)]
pub struct Viewer {
    packets: Option<Sender<Vec<u8>>>,
    socket: TcpStream,
    writer: Option<JoinHandle<()>>,
}

impl Viewer {
    /// Begin to serve a connection.
    pub fn begin(socket: TcpStream, serving: Serving) -> std::io::Result<Self> {
        socket.set_nonblocking(false)?;
        socket.set_nodelay(true)?;
        socket.set_write_timeout(Some(STALLED_AFTER))?;
        rustix::net::sockopt::set_socket_send_buffer_size(&socket, SEND_BUFFER)?;
        let (Serving::RealTime { packets } | Serving::Credit { packets }) = serving;
        let (sender, receiver) = bounded(packets);
        let stream = socket.try_clone()?;
        let writer =
            std::thread::Builder::new().name("sample-writer".into()).spawn(move || write_all(stream, &receiver))?;
        Ok(Self { packets: Some(sender), socket, writer: Some(writer) })
    }

    /// Offer a packet without waiting.
    pub fn offer(&self, packet: Vec<u8>) -> Offer {
        match self.packets.as_ref().map(|packets| packets.try_send(packet)) {
            Some(Ok(())) => Offer::Taken,
            Some(Err(TrySendError::Full(_))) => Offer::Full,
            Some(Err(TrySendError::Disconnected(_))) | None => Offer::Gone,
        }
    }

    /// Offer a packet and wait up to `patience` for room; the packet comes back when there was none.
    pub fn offer_patiently(&self, packet: Vec<u8>, patience: Duration) -> Result<(), Option<Vec<u8>>> {
        match self.packets.as_ref().map(|packets| packets.send_timeout(packet, patience)) {
            Some(Ok(())) => Ok(()),
            Some(Err(SendTimeoutError::Timeout(packet))) => Err(Some(packet)),
            Some(Err(SendTimeoutError::Disconnected(_))) | None => Err(None),
        }
    }
}

impl Drop for Viewer {
    fn drop(&mut self) {
        // A socket that is already closed is what is wanted; a writer that panicked has nothing more to say.
        let _ = self.socket.shutdown(Shutdown::Both);
        self.packets = None;
        if let Some(writer) = self.writer.take() {
            let _ = writer.join();
        }
    }
}

fn write_all(mut stream: TcpStream, packets: &Receiver<Vec<u8>>) {
    for packet in packets {
        if let Err(error) = stream.write_all(&packet) {
            tracing::info!(%error, "sample viewer gone");
            return;
        }
    }
}

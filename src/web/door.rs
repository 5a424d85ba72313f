//! Connections as they come in: plain or TLS, with a bounded number of them at a time, so that nobody from elsewhere can
//! keep those on this computer from a stop.

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Connections from this computer, and from elsewhere, at a time.
const SEATS: [usize; 2] = [600, 300];
/// After a failed accept (no file descriptors left) a moment's rest.
const REST: Duration = Duration::from_millis(100);

/// Both ends of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Peer {
    /// The other side.
    pub remote: SocketAddr,
    /// Our side.
    pub local: SocketAddr,
}

impl Connected<IncomingStream<'_, Door>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Self {
        *stream.remote_addr()
    }
}

/// Where connections come in.
pub(super) struct Door {
    listener: TcpListener,
    /// For this computer, for others.
    seats: [Arc<Semaphore>; 2],
    #[cfg(feature = "tls")]
    tls: Option<super::tls::Handshakes>,
}

impl Door {
    pub fn plain(listener: TcpListener) -> Self {
        let seats = SEATS.map(|seats| Arc::new(Semaphore::new(seats)));
        Self {
            listener,
            seats,
            #[cfg(feature = "tls")]
            tls: None,
        }
    }

    #[cfg(feature = "tls")]
    pub fn encrypted(self, tls: super::tls::Handshakes) -> Self {
        Self { tls: Some(tls), ..self }
    }

    /// The next connection that finds a seat; where there is none it is closed.
    async fn seated(&mut self) -> (TcpStream, Peer, OwnedSemaphorePermit) {
        loop {
            let Ok((stream, remote)) = self.listener.accept().await else {
                tokio::time::sleep(REST).await;
                continue;
            };
            let Ok(local) = stream.local_addr() else { continue };
            let elsewhere = usize::from(!remote.ip().to_canonical().is_loopback());
            if let Ok(seat) = Arc::clone(&self.seats[elsewhere]).try_acquire_owned() {
                // Frames are small and late ones are worth nothing.
                let _ = stream.set_nodelay(true);
                return (stream, Peer { remote, local }, seat);
            }
        }
    }
}

impl Listener for Door {
    type Io = Wire;
    type Addr = Peer;

    async fn accept(&mut self) -> (Wire, Peer) {
        #[cfg(feature = "tls")]
        if let Some(mut tls) = self.tls.take() {
            let accepted = loop {
                tokio::select! {
                    (stream, peer, seat) = self.seated() => tls.begin(stream, peer, seat),
                    Some((stream, peer, seat)) = tls.done() => {
                        break (Wire { inner: Inner::Tls(Box::new(stream)), _seat: seat }, peer);
                    }
                }
            };
            self.tls = Some(tls);
            return accepted;
        }
        let (stream, peer, seat) = self.seated().await;
        (Wire { inner: Inner::Plain(stream), _seat: seat }, peer)
    }

    fn local_addr(&self) -> io::Result<Peer> {
        let local = self.listener.local_addr()?;
        Ok(Peer { remote: local, local })
    }
}

/// A connection on its seat.
pub(super) struct Wire {
    inner: Inner,
    _seat: OwnedSemaphorePermit,
}

enum Inner {
    Plain(TcpStream),
    #[cfg(feature = "tls")]
    Tls(Box<super::tls::Encrypted>),
}

macro_rules! either {
    ($wire:expr, $io:ident => $does:expr) => {
        match &mut $wire.get_mut().inner {
            Inner::Plain($io) => $does,
            #[cfg(feature = "tls")]
            Inner::Tls($io) => $does,
        }
    };
}

impl AsyncRead for Wire {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        either!(self, io => Pin::new(io).poll_read(context, into))
    }
}

impl AsyncWrite for Wire {
    fn poll_write(self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        either!(self, io => Pin::new(io).poll_write(context, from))
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        either!(self, io => Pin::new(io).poll_flush(context))
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        either!(self, io => Pin::new(io).poll_shutdown(context))
    }
}

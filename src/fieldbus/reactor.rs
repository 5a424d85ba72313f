//! Waiting for one of three things: bytes on a socket or a serial port, a call from another thread, a deadline.
//!
//! Each bus thread owns one single-threaded reactor and blocks in nothing else, so a stop order wakes it at once
//! whatever it waits for. (Plain blocking reads would have to be cut into slices to notice a stop.)

use super::port::{open_port, open_port_to_listen};
use crate::rig::serial_line::SerialLine;
use std::future::Future;
use std::io;
use std::os::fd::OwnedFd;
use std::time::Duration;
use tokio::io::unix::AsyncFd;
use tokio::net::TcpStream;
use tokio::sync::Notify;

/// What ended a wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Woken {
    /// The socket has bytes, or is closed.
    Ready,
    /// Another thread called.
    Called,
    /// Time is up.
    TimedOut,
}

/// What can be waited on.
#[derive(Debug, Clone, Copy)]
pub(super) enum Handle<'a> {
    /// A socket.
    Tcp(&'a TcpStream),
    /// A serial port.
    Serial(&'a AsyncFd<OwnedFd>),
}

/// See the module's documentation.
pub(super) struct Reactor {
    runtime: Option<tokio::runtime::Runtime>,
}

impl Reactor {
    /// A reactor for the calling thread.
    pub(super) fn new() -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
        Ok(Self { runtime: Some(runtime) })
    }

    fn block_on<T>(&self, future: impl Future<Output = T>) -> Option<T> {
        self.runtime.as_ref().map(|runtime| runtime.block_on(future))
    }

    /// Wait for bytes on `handle`, if there is one, or a call; a call wins over bytes.
    pub(super) fn wait(&self, handle: Option<Handle<'_>>, call: &Notify, timeout: Duration) -> Woken {
        let readable = async {
            match handle {
                Some(Handle::Tcp(stream)) => stream.readable().await,
                Some(Handle::Serial(port)) => port.readable().await.map(drop),
                None => std::future::pending().await,
            }
        };
        let wait = async {
            tokio::select! {
                biased;
                () = call.notified() => Woken::Called,
                // An error shows in the read that follows.
                _ = readable => Woken::Ready,
                () = tokio::time::sleep(timeout) => Woken::TimedOut,
            }
        };
        self.block_on(wait).unwrap_or(Woken::TimedOut)
    }

    /// Open a connection; no delay of small frames.
    pub(super) fn connect(&self, address: &str, timeout: Duration) -> io::Result<TcpStream> {
        let opened = self.block_on(async { tokio::time::timeout(timeout, TcpStream::connect(address)).await });
        let timed_out = || io::Error::new(io::ErrorKind::TimedOut, format!("no connection within {timeout:?}"));
        let stream = opened.ok_or_else(timed_out)?.map_err(|_| timed_out())??;
        stream.set_nodelay(true)?;
        Ok(stream)
    }

    /// Open a serial port.
    #[expect(
        deprecated,
        reason = "its replacement is unsafe: the descriptor must not change while registered; an OwnedFd's never does"
    )]
    pub(super) fn open_port(&self, path: &str, line: &SerialLine) -> io::Result<AsyncFd<OwnedFd>> {
        let port = open_port(path, line)?;
        let _inside = self.runtime.as_ref().map(tokio::runtime::Runtime::enter);
        AsyncFd::new(port)
    }

    /// Open a serial port that is only listened to.
    #[expect(
        deprecated,
        reason = "its replacement is unsafe: the descriptor must not change while registered; an OwnedFd's never does"
    )]
    pub(super) fn open_port_to_listen(&self, path: &str, line: &SerialLine) -> io::Result<AsyncFd<OwnedFd>> {
        let port = open_port_to_listen(path, line)?;
        let _inside = self.runtime.as_ref().map(tokio::runtime::Runtime::enter);
        AsyncFd::with_interest(port, tokio::io::Interest::READABLE)
    }

    /// A second handle on the socket of `stream`, for writes that need no waiting.
    pub(super) fn split(&self, stream: TcpStream) -> io::Result<(TcpStream, std::net::TcpStream)> {
        let raw = stream.into_std()?;
        let twin = raw.try_clone()?;
        let _inside = self.runtime.as_ref().map(tokio::runtime::Runtime::enter);
        Ok((TcpStream::from_std(raw)?, twin))
    }
}

impl Drop for Reactor {
    fn drop(&mut self) {
        // A name look-up that hangs must not hold up the end of the thread.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

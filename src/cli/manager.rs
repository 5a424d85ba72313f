//! What a service manager is told (systemd's `sd_notify` protocol, as sd_notify(3) describes it: datagrams of assignments to the
//! socket that `NOTIFY_SOCKET` names): ready, stopping, and signs of life while the daemon's tasks do their work.

use crate::daemon::Daemon;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Who is told; `None`: nobody asked.
#[derive(Debug)]
pub struct Manager {
    socket: UnixDatagram,
    /// A sign of life is wanted within this.
    watchdog: Option<Duration>,
}

impl Manager {
    /// By the environment.
    pub fn of_environment() -> Option<Self> {
        let name = std::env::var("NOTIFY_SOCKET").ok().filter(|name| !name.is_empty())?;
        let watchdog = std::env::var("WATCHDOG_USEC").ok().and_then(|text| text.parse().ok());
        let for_us = std::env::var("WATCHDOG_PID").map_or(true, |pid| pid == std::process::id().to_string());
        Self::at(&name, watchdog.filter(|_| for_us).map(Duration::from_micros))
    }

    fn at(name: &str, watchdog: Option<Duration>) -> Option<Self> {
        let address = match name.strip_prefix('@') {
            Some(abstract_name) => SocketAddr::from_abstract_name(abstract_name).ok()?,
            None => SocketAddr::from_pathname(name).ok()?,
        };
        let socket = UnixDatagram::unbound().ok()?;
        socket.connect_addr(&address).ok()?;
        // A manager that takes nothing must not hold the daemon.
        socket.set_nonblocking(true).ok()?;
        Some(Self { socket, watchdog })
    }

    /// Tell it; what cannot be told is not worth ending for.
    pub fn tell(&self, text: &str) {
        if let Err(error) = self.socket.send(text.as_bytes()) {
            tracing::debug!("service manager: {error}");
        }
    }

    /// Signs of life, as long as the daemon does its work.
    pub async fn keep_alive(self, daemon: Daemon, cancel: CancellationToken) {
        let Some(within) = self.watchdog.filter(|within| !within.is_zero()) else { return };
        let mut ticks = tokio::time::interval(within / 3);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        loop {
            tokio::select! {
                () = cancel.cancelled() => return,
                _ = ticks.tick() => {}
            }
            match daemon.works() {
                Ok(()) => self.tell("WATCHDOG=1"),
                Err(why) => tracing::error!("no sign of life to the service manager: {why}"),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tells_a_socket_by_its_path_and_by_its_abstract_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let abstract_name = format!("ramprig-test-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(&abstract_name).unwrap();
        let by_name = format!("@{abstract_name}");
        for (heard, name) in [
            (UnixDatagram::bind(&path).unwrap(), path.to_str().unwrap()),
            (UnixDatagram::bind_addr(&address).unwrap(), by_name.as_str()),
        ] {
            Manager::at(name, None).unwrap().tell("READY=1");
            let mut text = [0; 64];
            let length = heard.recv(&mut text).unwrap();
            assert_eq!(&text[..length], b"READY=1");
        }
        assert!(Manager::at(folder.path().join("nobody").to_str().unwrap(), None).is_none());
    }
}

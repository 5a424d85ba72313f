//! The serial buses: a Modbus RTU server on a pseudo-terminal for each serial link of the rig, on the same independent
//! codec as the TCP side. A unit that is not on the link keeps silent, as on a real line; the answer comes no sooner than
//! request and answer would take at the link's rate.
//!
//! The terminal is found under a name that stays the same (a symbolic link) while the terminal behind it comes and goes: a
//! pulled cable closes it, and a new one takes its place. Meanwhile the name is gone: the system gives the number of a closed
//! terminal to the next one, and the name would lead to somebody else's bench.

use super::device::Refusal;
use super::modbus_server::{BusFaults, SharedRack, answer, exception};
use crate::rig::serial_line::SerialLine;
use futures_util::future::BoxFuture;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_modbus::server::{Service, rtu::Server};
use tokio_modbus::{ExceptionCode, Response, SlaveRequest};
use tokio_serial::{SerialPort, SerialStream};
use tokio_util::sync::CancellationToken;

/// Bytes of a request as they are mostly: unit, function, address, count or value, check sum.
const REQUEST_BYTES: usize = 8;
/// A terminal that broke is replaced after this pause.
const REPLACE_AFTER: Duration = Duration::from_millis(100);

/// One serial bus.
#[derive(Debug, Clone)]
pub struct Port {
    /// Link id.
    pub link: String,
    /// How the port would be driven; sets the pace of the answers.
    pub line: SerialLine,
    /// Units on it.
    pub units: Vec<u8>,
    /// Name under which the terminal is found.
    pub path: PathBuf,
}

/// A terminal: our side of it, and the other side kept open so that nobody's leaving ends it.
struct Terminal {
    ours: SerialStream,
    theirs: SerialStream,
}

impl Port {
    /// Make a terminal and put it under the port's name.
    fn terminal(&self) -> io::Result<Terminal> {
        let (ours, theirs) = SerialStream::pair()?;
        let device = theirs.name().ok_or_else(|| io::Error::other("a pseudo-terminal without a name"))?;
        point(&self.path, Path::new(&device))?;
        Ok(Terminal { ours, theirs })
    }
}

/// Let `name` point to `device`, whatever it pointed to before; a file that is no symbolic link is left alone.
fn point(name: &Path, device: &Path) -> io::Result<()> {
    if let Ok(found) = std::fs::symlink_metadata(name)
        && !found.file_type().is_symlink()
    {
        let text = format!("{}: there is a file that is no symbolic link", name.display());
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, text));
    }
    let mut new = name.as_os_str().to_owned();
    new.push(".new");
    let _ = std::fs::remove_file(&new);
    std::os::unix::fs::symlink(device, &new)?;
    std::fs::rename(&new, name)
}

#[derive(Clone)]
struct OnTheLine {
    rack: SharedRack,
    faults: BusFaults,
    units: Vec<u8>,
    line: SerialLine,
}

impl Service for OnTheLine {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = BoxFuture<'static, Result<Option<Response>, ExceptionCode>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        let Self { rack, faults, units, line } = self.clone();
        Box::pin(async move {
            if !units.contains(&request.slave) {
                return Ok(None);
            }
            faults.pass().await;
            let answer: Result<Response, Refusal> = answer(&rack, request.slave, &request.request);
            let bytes = REQUEST_BYTES + answer.as_ref().map_or(5, answer_bytes);
            tokio::time::sleep(Duration::from_secs_f64(line.bytes_s(bytes) + line.frame_gap_s())).await;
            answer.map(Some).map_err(exception)
        })
    }
}

fn answer_bytes(response: &Response) -> usize {
    match response {
        Response::ReadCoils(bits) | Response::ReadDiscreteInputs(bits) => 5 + bits.len().div_ceil(8),
        Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words) => 5 + 2 * words.len(),
        _ => REQUEST_BYTES,
    }
}

/// A serial bus with its first terminal made.
pub struct Served {
    port: Port,
    terminal: Terminal,
}

impl Served {
    /// Make the terminal; call it inside the runtime that serves it.
    pub fn begin(port: Port) -> io::Result<Self> {
        let terminal = port.terminal()?;
        Ok(Self { port, terminal })
    }

    /// Serve until `stop`. A message on `drops` closes the terminal; after that time a new one takes its place.
    pub async fn serve(
        self,
        rack: SharedRack,
        faults: BusFaults,
        mut drops: mpsc::Receiver<Duration>,
        stop: CancellationToken,
    ) -> io::Result<()> {
        let Self { port, mut terminal } = self;
        let service = OnTheLine { rack, faults, units: port.units.clone(), line: port.line };
        loop {
            let Terminal { ours, theirs } = terminal;
            let pause = tokio::select! {
                served = Server::new(ours).serve_forever(service.clone()) => {
                    tracing::warn!(?served, port = %port.path.display(), "serial bus");
                    REPLACE_AFTER
                }
                Some(time) = drops.recv() => time,
                () = stop.cancelled() => break,
            };
            let _ = std::fs::remove_file(&port.path);
            drop(theirs);
            tokio::select! {
                () = tokio::time::sleep(pause) => {}
                () = stop.cancelled() => break,
            }
            terminal = port.terminal()?;
        }
        let _ = std::fs::remove_file(&port.path);
        Ok(())
    }
}

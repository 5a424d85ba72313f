//! The bus side: a Modbus TCP server (several units on one port, any number of connections) on `tokio-modbus`, an
//! implementation that shares nothing with the controller's own codec, so that one mistake cannot pass both.
//!
//! Functions 01 to 06, 15 and 16; others are answered with exception 01. A unit number that the rig does not have is
//! answered with exception 0x0B, as a gateway does.

use super::device::{Rack, Refusal};
use crate::clock::{SystemClock, WallClock};
use crate::rig::register_map::Table;
use futures_util::future::BoxFuture;
use std::net::{SocketAddr, TcpListener};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;

/// The rack as the plant and the bus share it; each holds the lock for one scan or one request.
pub type SharedRack = Arc<Mutex<Rack>>;

/// Lock the rack. A poisoned lock is taken all the same: the registers are plain numbers.
pub fn lock(rack: &Mutex<Rack>) -> std::sync::MutexGuard<'_, Rack> {
    rack.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What a fault does to the bus.
#[derive(Debug, Clone, Default)]
pub struct BusFaults {
    /// No answer before this wall time, ns.
    stalled_until_wall_ns: Arc<AtomicU64>,
}

impl BusFaults {
    /// Answer nothing for `time` from now.
    pub fn stall(&self, time: Duration) {
        let until = SystemClock.now_ns().saturating_add(u64::try_from(time.as_nanos()).unwrap_or(u64::MAX));
        self.stalled_until_wall_ns.store(until, Ordering::Release);
    }

    /// Wait until a stall is over.
    pub async fn pass(&self) {
        let wait = self.wait();
        if !wait.is_zero() {
            tokio::time::sleep(wait).await;
        }
    }

    fn wait(&self) -> Duration {
        let until = self.stalled_until_wall_ns.load(Ordering::Acquire);
        Duration::from_nanos(until.saturating_sub(SystemClock.now_ns()))
    }
}

/// Answers the requests of one connection.
#[derive(Clone)]
struct Answer {
    rack: SharedRack,
    faults: BusFaults,
}

impl Service for Answer {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = BoxFuture<'static, Result<Response, ExceptionCode>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        let Self { rack, faults } = self.clone();
        Box::pin(async move {
            faults.pass().await;
            answer(&rack, request.slave, &request.request).map_err(exception)
        })
    }
}

/// What the devices answer to a request.
pub fn answer(rack: &Mutex<Rack>, unit: u8, request: &Request<'_>) -> Result<Response, Refusal> {
    let read = |table, address, quantity| lock(rack).read(unit, table, address, quantity);
    let read_bits = |table, address, quantity| {
        read(table, address, quantity).map(|raws| raws.into_iter().map(|raw| raw != 0).collect())
    };
    let write = |table, address, raws: &[u16]| lock(rack).write(unit, table, address, raws, SystemClock.now_ns());
    match request {
        Request::ReadCoils(address, quantity) => read_bits(Table::Coil, *address, *quantity).map(Response::ReadCoils),
        Request::ReadDiscreteInputs(address, quantity) => {
            read_bits(Table::DiscreteInput, *address, *quantity).map(Response::ReadDiscreteInputs)
        }
        Request::ReadHoldingRegisters(address, quantity) => {
            read(Table::Holding, *address, *quantity).map(Response::ReadHoldingRegisters)
        }
        Request::ReadInputRegisters(address, quantity) => {
            read(Table::Input, *address, *quantity).map(Response::ReadInputRegisters)
        }
        Request::WriteSingleCoil(address, on) => {
            write(Table::Coil, *address, &[u16::from(*on)])?;
            Ok(Response::WriteSingleCoil(*address, *on))
        }
        Request::WriteSingleRegister(address, raw) => {
            write(Table::Holding, *address, &[*raw])?;
            Ok(Response::WriteSingleRegister(*address, *raw))
        }
        Request::WriteMultipleCoils(address, coils) => {
            let raws: Vec<u16> = coils.iter().map(|on| u16::from(*on)).collect();
            write(Table::Coil, *address, &raws)?;
            Ok(Response::WriteMultipleCoils(*address, quantity_of(&raws)))
        }
        Request::WriteMultipleRegisters(address, raws) => {
            write(Table::Holding, *address, raws)?;
            Ok(Response::WriteMultipleRegisters(*address, quantity_of(raws)))
        }
        _ => Err(Refusal::Function),
    }
}

fn quantity_of(raws: &[u16]) -> u16 {
    u16::try_from(raws.len()).unwrap_or(u16::MAX)
}

/// The exception code of a refusal.
pub fn exception(refusal: Refusal) -> ExceptionCode {
    match refusal {
        Refusal::Function => ExceptionCode::IllegalFunction,
        Refusal::Address => ExceptionCode::IllegalDataAddress,
        Refusal::Value => ExceptionCode::IllegalDataValue,
        Refusal::State => ExceptionCode::ServerDeviceFailure,
        Refusal::NoSuchUnit => ExceptionCode::GatewayTargetDevice,
    }
}

/// Serve the bus until `stop`. A message on `drops` closes all connections, and new ones for so long.
pub async fn serve(
    listener: TcpListener,
    rack: SharedRack,
    faults: BusFaults,
    mut drops: mpsc::Receiver<Duration>,
    stop: CancellationToken,
) -> std::io::Result<()> {
    listener.set_nonblocking(true)?;
    let server = Server::new(tokio::net::TcpListener::from_std(listener)?);
    let service = Answer { rack, faults };
    let mut refuse_until = tokio::time::Instant::now();
    loop {
        let accept = |stream: tokio::net::TcpStream, peer: SocketAddr| {
            let service = service.clone();
            async move {
                stream.set_nodelay(true)?;
                let refused = tokio::time::Instant::now() < refuse_until;
                accept_tcp_connection(stream, peer, |_| Ok((!refused).then(|| service.clone())))
            }
        };
        tokio::select! {
            served = server.serve(&accept, |error| tracing::debug!(%error, "bus connection ended")) => {
                // Out of file descriptors, or a connection that was gone before it was taken: try again a little later.
                tracing::warn!(?served, "bus listener");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            Some(time) = drops.recv() => refuse_until = tokio::time::Instant::now() + time,
            () = stop.cancelled() => return Ok(()),
        }
    }
}

//! The plant's loop: physics, sensors, devices and sample stream, one slice of rig time after the other.

use super::VirtualRigError;
use super::bench::Bench;
use super::faults::Fault;
use super::modbus_server::{BusFaults, SharedRack, lock};
use super::pacing::Pace;
use super::rtp::{Packetizer, StreamStart};
use super::sample_server::{Offer, Serving, Viewer};
use super::sensors::Sensors;
use crate::clock::{SystemClock, WallClock, sleep_wall};
use crossbeam_channel::Receiver;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;

/// Rig time between two scans of the devices, s.
const SLICE_S: f64 = 1e-3;
/// Shorter waits are not worth a sleep, s.
const WAIT_MIN_S: f64 = 0.5e-3;
/// Packets in flight to a viewer that paces the plant: with the one that fills and the one being written, under 20 ms.
const CREDIT_PACKETS: usize = 2;
/// Samples held for a slow viewer in real time, s.
const REAL_TIME_BUFFER_S: f64 = 5.0;
/// Ceiling on the time scale while a rest is passed over.
const RESTING: f64 = 1000.0;
/// Rig time that is passed over at once in a rest, between two slices that are sent, s: a receiver takes up to 10 s as a gap.
pub(super) const LEAP_S: f64 = 5.0;
/// So much of a rest is never leapt over, s: its end is played.
const PLAYED_S: f64 = 0.05;
/// A pacing viewer is asked again this often whether it has gone or the rig is to stop.
const PATIENCE: Duration = Duration::from_millis(50);

/// What the loop is connected to.
pub struct Wires {
    /// Devices, shared with the bus.
    pub rack: SharedRack,
    /// Sample connections as they are accepted.
    pub connections: Receiver<TcpStream>,
    /// Faults as they are ordered.
    pub controls: Receiver<Fault>,
    /// Faults of the bus.
    pub bus_faults: BusFaults,
    /// Orders to drop bus connections: the TCP bus, then each serial one.
    pub bus_drops: Vec<mpsc::Sender<Duration>>,
    /// Set from outside to end the loop.
    pub stop: Arc<AtomicBool>,
}

/// A viewer with its stream.
struct Served {
    viewer: Viewer,
    packetizer: Packetizer,
    dropped_packets: u64,
}

/// The loop with all it owns.
pub struct Player<B> {
    bench: B,
    sensors: Sensors,
    wires: Wires,
    payload_type: u8,
    /// Ceiling on the time scale while a viewer paces the plant; `None`: real time always.
    fast: Option<f64>,
    /// Numbers streams; nothing of it depends on the truth.
    numbers: ChaCha8Rng,
    frame: u64,
    /// Rig time up to which a rest was ordered, s.
    rests_until_s: f64,
    truth: Vec<f64>,
    served: Option<Served>,
}

impl<B: Bench> Player<B> {
    /// A loop at rig time zero.
    pub fn new(bench: B, sensors: Sensors, wires: Wires, stream: StreamOptions) -> Self {
        let truth = vec![0.0; sensors.channels()];
        Self {
            bench,
            sensors,
            wires,
            payload_type: stream.payload_type,
            fast: stream.fast,
            numbers: stream.numbers,
            frame: 0,
            rests_until_s: 0.0,
            truth,
            served: None,
        }
    }

    /// Run until told to stop.
    pub fn run(mut self) -> Result<(), VirtualRigError> {
        let rate_hz = self.sensors.rate_hz();
        let frames = (rate_hz * SLICE_S).round().max(1.0) as usize;
        let slice_s = frames as f64 / rate_hz;
        let mut pace = Pace::real_time(SystemClock.now_ns(), 0.0);
        let mut counts = Vec::new();
        while !self.wires.stop.load(Ordering::Acquire) {
            self.take_controls()?;
            self.take_connection();
            let leap_s = self.leap();
            self.play_slice(frames, &mut counts)?;
            let now_ns = SystemClock.now_ns();
            {
                let mut rack = lock(&self.wires.rack);
                for (device, role, counts) in self.sensors.polled() {
                    rack.measure(*device, *role, *counts);
                }
                rack.scan(&mut self.bench, now_ns, leap_s + slice_s, pace.scale())?;
            }
            self.send(&counts);
            self.wait(&mut pace);
        }
        Ok(())
    }

    /// In a hurry, a rest that is passed over is not sent either but for a slice now and then. Returns the time leapt over, s.
    fn leap(&mut self) -> f64 {
        let Some(served) = self.served.as_mut().filter(|_| self.fast.is_some() && self.bench.passes_over()) else {
            return 0.0;
        };
        let rate_hz = self.sensors.rate_hz();
        let left_s = self.rests_until_s - self.frame as f64 / rate_hz - PLAYED_S;
        let frames = (left_s.clamp(0.0, LEAP_S) * rate_hz) as u32;
        if frames == 0 {
            return 0.0;
        }
        let mut packets = Vec::new();
        served.packetizer.pass_over(frames, &mut packets);
        self.frame += u64::from(frames);
        self.deliver(packets);
        f64::from(frames) / rate_hz
    }

    fn play_slice(&mut self, frames: usize, counts: &mut Vec<i32>) -> Result<(), VirtualRigError> {
        counts.clear();
        for _ in 0..frames {
            let time_s = self.frame as f64 / self.sensors.rate_hz();
            self.bench.frame(time_s, &mut self.truth)?;
            self.sensors.convert(time_s, &self.truth, counts);
            self.frame += 1;
        }
        Ok(())
    }

    fn wait(&self, pace: &mut Pace) {
        let rig_s = self.frame as f64 / self.sensors.rate_hz();
        let now_ns = SystemClock.now_ns();
        let ceiling = |fast| if self.bench.passes_over() { RESTING } else { fast };
        let speed = self.fast.filter(|_| self.served.is_some()).map_or(1.0, ceiling);
        pace.set_speed(speed, now_ns, rig_s);
        let ahead_s = pace.ahead_s(now_ns, rig_s);
        if ahead_s > WAIT_MIN_S {
            sleep_wall(Duration::from_secs_f64(ahead_s));
        }
    }

    fn take_controls(&mut self) -> Result<(), VirtualRigError> {
        while let Ok(fault) = self.wires.controls.try_recv() {
            tracing::info!(?fault, "control line");
            match fault {
                Fault::StallBus(time) => self.wires.bus_faults.stall(time),
                Fault::DropBus(time) => drop_buses(&self.wires.bus_drops, time),
                Fault::DropPorts(time) => drop_buses(self.wires.bus_drops.get(1..).unwrap_or(&[]), time),
                Fault::DropStream => self.served = None,
                Fault::Gap(frames) => self.leave_out(frames)?,
                Fault::Rest(time) => {
                    let now_s = self.frame as f64 / self.sensors.rate_hz();
                    self.rests_until_s = now_s + time.as_secs_f64();
                    self.bench.rest(self.rests_until_s);
                }
                Fault::Remote(remote) => lock(&self.wires.rack).set_remote(remote),
                Fault::EmergencyStop { pressed } => lock(&self.wires.rack).set_emergency_stop(pressed),
                Fault::StickValve(stuck) => self.bench.stick_valve(stuck),
                Fault::Pump(fault) => self.bench.spoil(fault),
                Fault::LineUp(id) => {
                    if let Err(why) = lock(&self.wires.rack).set_line_up(&id) {
                        tracing::warn!("control line: {why}");
                    }
                }
                Fault::CommTimeout(time) => lock(&self.wires.rack).set_comm_timeout(time.as_secs_f64()),
                Fault::WeldContact(welded) => lock(&self.wires.rack).weld(welded),
                Fault::KeepRun => lock(&self.wires.rack).keep_run(),
                Fault::RefuseWrites(refuse) => lock(&self.wires.rack).set_refuse_writes(refuse),
            }
        }
        Ok(())
    }

    fn leave_out(&mut self, frames: u32) -> Result<(), VirtualRigError> {
        let mut packets = Vec::new();
        let mut lost = Vec::new();
        for _ in 0..frames {
            self.play_slice(1, &mut lost)?;
        }
        if let Some(served) = self.served.as_mut() {
            served.packetizer.skip(frames, &mut packets);
        }
        self.deliver(packets);
        Ok(())
    }

    fn take_connection(&mut self) {
        if self.served.is_some() {
            return;
        }
        let Ok(socket) = self.wires.connections.try_recv() else { return };
        let start = StreamStart {
            ssrc: self.numbers.random(),
            sequence: self.numbers.random(),
            timestamp: self.numbers.random(),
        };
        let packetizer = Packetizer::new(self.payload_type, self.sensors.inputs(), start);
        let in_buffer = REAL_TIME_BUFFER_S * self.sensors.rate_hz() / packetizer.frames_per_packet() as f64;
        let serving = match self.fast {
            Some(_) => Serving::Credit { packets: CREDIT_PACKETS },
            None => Serving::RealTime { packets: in_buffer.ceil() as usize },
        };
        match Viewer::begin(socket, serving) {
            Ok(viewer) => self.served = Some(Served { viewer, packetizer, dropped_packets: 0 }),
            Err(error) => tracing::warn!(%error, "sample viewer could not be served"),
        }
    }

    fn send(&mut self, counts: &[i32]) {
        let mut packets = Vec::new();
        if let Some(served) = self.served.as_mut() {
            served.packetizer.push(counts, &mut packets);
        }
        self.deliver(packets);
    }

    fn deliver(&mut self, packets: Vec<Vec<u8>>) {
        for packet in packets {
            let Some(served) = self.served.as_mut() else { return };
            let offer = match self.fast {
                Some(_) => offer_on_credit(&served.viewer, packet, &self.wires.stop),
                None => served.viewer.offer(packet),
            };
            match offer {
                Offer::Taken => {}
                Offer::Full => {
                    served.dropped_packets += 1;
                    tracing::warn!(dropped = served.dropped_packets, "sample viewer too slow: packet dropped");
                }
                Offer::Gone => self.served = None,
            }
        }
    }
}

fn drop_buses(buses: &[mpsc::Sender<Duration>], time: Duration) {
    for bus in buses {
        if bus.try_send(time).is_err() {
            tracing::warn!("a bus is still busy with the drop before");
        }
    }
}

/// How the stream is sent.
pub struct StreamOptions {
    /// RTP payload type.
    pub payload_type: u8,
    /// Ceiling on the time scale; `None`: real time.
    pub fast: Option<f64>,
    /// For the numbers a stream starts at.
    pub numbers: ChaCha8Rng,
}

/// Wait for the viewer, as long as it lives and nobody stops the rig. Its writer drops a viewer that takes nothing.
fn offer_on_credit(viewer: &Viewer, packet: Vec<u8>, stop: &AtomicBool) -> Offer {
    let mut packet = packet;
    loop {
        match viewer.offer_patiently(packet, PATIENCE) {
            Ok(()) => return Offer::Taken,
            Err(None) => return Offer::Gone,
            Err(Some(_)) if stop.load(Ordering::Acquire) => return Offer::Gone,
            Err(Some(back)) => packet = back,
        }
    }
}

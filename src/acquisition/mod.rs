//! Floor 5: fast samples, from the wire to whoever needs them.
//!
//! ```text
//! source (socket, child process) -> framing -> rtp -> decode -> depacketizer (absolute frames, gaps)
//!        sampling thread: limits (stop lines) -> hub -> executor's port, faces, recorder's bounded queue
//! ```
//!
//! [`start`] connects and starts the thread; the [`Acquisition`] it returns hands out the rest. Frame 0 is the first
//! frame of the stream; rig time is frame index over rate. The thread never reconnects by itself: what a break means is
//! for the executor to decide.

pub mod bare;
pub mod beside;
pub mod decode;
pub mod depacketizer;
pub mod framing;
pub mod hub;
pub mod limits;
pub mod recent;
pub mod reorder;
pub mod rtp;
pub mod source;
pub mod thread;
pub mod timebase;

use crate::clock::{RigClock, WallClock, realtime};
use crate::rig::model::{self, Rig, Trip};
use crate::sequence::ports::{SamplePort, SlowValues};
use crate::signal::{Block, Scaling};
use beside::Beside;
use crossbeam_channel::Receiver;
use depacketizer::StreamCounts;
use hub::{Hub, Port};
use source::SourceError;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use timebase::Fit;

/// Why sampling did not start or end.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AcquisitionError {
    /// The source.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// A rig without channels or without a rate.
    #[error("{address}: {channels} channels at {rate_hz} Hz cannot be sampled")]
    Format {
        /// host:port.
        address: String,
        /// Channels.
        channels: usize,
        /// Rate.
        rate_hz: f64,
    },
    /// The operating system gave no thread.
    #[error("the sampling thread did not start: {reason}")]
    Thread {
        /// Operating system's words.
        reason: String,
    },
    /// The thread did not end in time.
    #[error("the sampling thread did not end within {deadline_s} s")]
    Stuck {
        /// Deadline, s.
        deadline_s: f64,
    },
    /// The thread panicked.
    #[error("the sampling thread panicked")]
    Panicked,
}

/// Where a channel sits in a frame and what its counts mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Input {
    /// Position in a frame.
    pub position: usize,
    /// Counts to SI.
    pub scaling: Scaling,
    /// It swings about zero (alternating current): what counts is its RMS value.
    pub waveform: bool,
    /// Counts between which it can be believed, see [`model::Channel::believable`]; `None`: always.
    pub believable: Option<(i32, i32)>,
}

impl Input {
    /// One that is what it reads and is always believed.
    pub fn plain(position: usize, scaling: Scaling) -> Self {
        Self { position, scaling, waveform: false, believable: None }
    }
}

/// What acquisition needs of a rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The source.
    pub source: model::Source,
    /// Channels in the rig's order.
    pub inputs: Vec<Input>,
    /// The rig's trips.
    pub trips: Vec<Trip>,
}

impl Input {
    fn of(channel: &model::Channel) -> Self {
        let counts = |value: f64| (value - channel.scaling.offset) / channel.scaling.scale;
        let believable = channel.believable().map(|(low, high)| {
            let (a, b) = (counts(low), counts(high));
            (a.min(b).floor() as i32, a.max(b).ceil() as i32)
        });
        let waveform = channel.quantity == model::Quantity::CurrentWave;
        Self { position: channel.input, scaling: channel.scaling, waveform, believable }
    }
}

impl Setup {
    /// From a rig.
    pub fn of(rig: &Rig) -> Self {
        let inputs = rig.channels.iter().map(Input::of).collect();
        Self { source: rig.source.clone(), inputs, trips: rig.trips.clone() }
    }

    /// Columns of a block, polled ones included.
    pub fn frame_channels(&self) -> usize {
        self.inputs.iter().map(|input| input.position + 1).max().unwrap_or(0)
    }
}

/// Counters of the acquisition.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Statistics {
    /// The stream's own.
    pub stream: StreamCounts,
    /// Times the stream was lost.
    pub losses: u64,
    /// Times it was opened again; frames missed meanwhile are an estimate from wall time.
    pub reconnections: u64,
    /// The recorder in place now, or the last one, did not get every block.
    pub recorder_behind: bool,
    /// Blocks the recorder never got.
    pub recorder_behind_blocks: u64,
    /// Frames the recorder never got.
    pub recorder_behind_frames: u64,
    /// Fullest the recorder's queue has been, blocks.
    pub recorder_queue_most: u64,
}

/// A decimated piece of the stream in SI, rig's channel order.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveMinMax {
    /// Rig time of the first interval, s.
    pub t0_s: f64,
    /// Interval, s.
    pub dt_s: f64,
    /// For each channel: (smallest, largest) of each interval; `NaN` where all frames are missing.
    pub channels: Vec<Vec<(f32, f32)>>,
}

/// Rig time of a frame, ns. Exact for whole-kHz rates; within 0.5 ns else (104 days).
pub fn rig_ns_of(frame: u64, rate_hz: f64) -> u64 {
    (frame as f64 * 1e9 / rate_hz).round() as u64
}

/// Sampling in progress.
pub struct Acquisition {
    hub: Arc<Hub>,
    thread: Mutex<Option<JoinHandle<()>>>,
    ended: Receiver<()>,
}

/// Connect to the rig's source and start sampling; `rig_clock` follows the newest frame. Nobody polls: of a rig with polled
/// channels the stream counts as lost once these are too old.
pub fn start(rig: Arc<Rig>, clock: Arc<dyn WallClock>, rig_clock: RigClock) -> Result<Acquisition, AcquisitionError> {
    start_polled(rig, Arc::new(beside::NoValues), clock, rig_clock)
}

/// The same where channels that are polled take what `slow` has.
pub fn start_polled(
    rig: Arc<Rig>,
    slow: Arc<dyn SlowValues>,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
) -> Result<Acquisition, AcquisitionError> {
    start_beside(Setup::of(&rig), Beside::of(&rig, slow), clock, rig_clock)
}

/// From a setup alone, all of whose channels come with the frames.
pub fn start_with(
    setup: Setup,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
) -> Result<Acquisition, AcquisitionError> {
    start_beside(setup, Beside::nothing(), clock, rig_clock)
}

/// From a setup whose last channels are polled.
pub fn start_beside(
    setup: Setup,
    beside: Beside,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
) -> Result<Acquisition, AcquisitionError> {
    let source = &setup.source;
    let (channels, rate_hz) = (setup.frame_channels().saturating_sub(beside.len()), source.rate_hz);
    if channels == 0 || !(rate_hz.is_finite() && rate_hz > 0.0) {
        return Err(AcquisitionError::Format { address: source.address.clone(), channels, rate_hz });
    }
    let source = source::open(source, channels, &clock)?;
    let hub = Arc::new(Hub::new(setup, Arc::clone(&clock), rig_clock));
    let sampler = thread::Sampler::new(Arc::clone(&hub), source, clock).beside(beside);
    let (end, ended) = crossbeam_channel::bounded::<()>(1);
    let body = move || {
        // Dropped last, also when the sampler panics: its receiver then sees the end.
        let _end = end;
        realtime::care_for_thread(realtime::Duty::Sampling);
        sampler.run();
    };
    let thread = std::thread::Builder::new()
        .name("sampling".to_owned())
        .spawn(body)
        .map_err(|e| AcquisitionError::Thread { reason: e.to_string() })?;
    Ok(Acquisition { hub, thread: Mutex::new(Some(thread)), ended })
}

impl Acquisition {
    /// A port for the executor; any number of them.
    pub fn port(&self) -> Box<dyn SamplePort> {
        Box::new(Port(Arc::clone(&self.hub)))
    }

    /// Attach the recorder by a queue of `capacity` blocks (one a read of the socket: 6 ms to 0.3 s of rig time each).
    /// A full queue is waited for briefly, then blocks are dropped and counted in [`Statistics`]. An earlier recorder is
    /// detached.
    pub fn attach_recorder(&self, capacity: usize) -> Receiver<Arc<Block>> {
        self.hub.attach_recorder(capacity)
    }

    /// Detach it; the receiver gets what is queued, then ends.
    pub fn detach_recorder(&self) {
        self.hub.detach_recorder();
    }

    /// Smallest and largest of every complete interval after `rig_ns`, at most `max_intervals`, up to 30 s back. Ask
    /// next from `t0_s + dt_s * intervals`.
    pub fn live_since(&self, rig_ns: u64, max_intervals: usize) -> LiveMinMax {
        self.hub.live_since(rig_ns, max_intervals)
    }

    /// What the source said in words since the last call (a child process on its standard error), at most 100 lines.
    pub fn take_said(&self) -> Vec<String> {
        self.hub.take_said()
    }

    /// Counters.
    pub fn statistics(&self) -> Statistics {
        self.hub.statistics()
    }

    /// Fit of the device clock to the wall clock, `None` before the first frame.
    pub fn timebase(&self) -> Option<Fit> {
        self.hub.timebase()
    }

    /// Rig time of a wall instant, ns; `None` when the stream does not run in real time (or has not begun): use the rig
    /// clock then, with the age of the newest frame as its uncertainty.
    pub fn rig_ns_at(&self, wall_ns: u64) -> Option<u64> {
        self.timebase().filter(Fit::is_real_time).map(|fit| fit.rig_ns_at(wall_ns))
    }

    /// Frames a second by the wall clock, where they are not what the rig says (by more than 0.2 %, over at least 5 s);
    /// `None`: no complaint.
    pub fn rate_found_hz(&self) -> Option<f64> {
        let fit = self.timebase().filter(|fit| !fit.is_real_time())?;
        Some(self.hub.setup().source.rate_hz / (1.0 + fit.drift))
    }

    /// Ask for a new connection after a break. Frame index and rig time continue; what was missed is estimated.
    pub fn reconnect(&self) {
        self.hub.order(|orders| orders.reconnect = true);
    }

    /// End sampling; waits until the thread has ended or the deadline passes. May be called again.
    pub fn shutdown(&self, deadline: Duration) -> Result<(), AcquisitionError> {
        self.hub.order(|orders| orders.shutdown = true);
        // Nothing is ever sent: the channel disconnects when the thread ends.
        if let Err(crossbeam_channel::RecvTimeoutError::Timeout) = self.ended.recv_timeout(deadline) {
            return Err(AcquisitionError::Stuck { deadline_s: deadline.as_secs_f64() });
        }
        let thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        thread.map_or(Ok(()), |thread| thread.join().map_err(|_| AcquisitionError::Panicked))
    }
}

impl Drop for Acquisition {
    fn drop(&mut self) {
        self.hub.order(|orders| orders.shutdown = true);
    }
}

/// A source for tests that open none.
#[cfg(test)]
fn made_source(rate_hz: f64) -> model::Source {
    model::Source {
        id: "fast".to_owned(),
        address: "test".to_owned(),
        wire: model::SampleWire::Tcp,
        code: model::SampleCode::L24,
        rate_hz,
        payload_type: 96,
        max_age_s: 0.5,
    }
}

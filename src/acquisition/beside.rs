//! Channels that are polled and not sampled: each block gets a column a channel that holds its newest value, so that limits,
//! views and recordings treat them like any other. A value older than its `max_age` is no value: the stream then counts as lost.

use crate::rig::model::Rig;
use crate::rig::register_map::Role;
use crate::sequence::ports::SlowValues;
use crate::signal::Block;
use std::sync::Arc;

/// What a column holds before the first value came.
pub const NO_VALUE: i32 = i32::MIN;

/// Nobody polls.
pub struct NoValues;

impl SlowValues for NoValues {
    fn newest(&self, _device: usize, _role: Role) -> Option<(i32, u64)> {
        None
    }
}

/// A polled channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PolledInput {
    /// Channel id.
    pub id: String,
    /// Index into the rig's devices.
    pub device: usize,
    /// Its register.
    pub role: Role,
    /// Older is no value, ns of wall time.
    pub max_age_ns: u64,
}

/// The polled channels of a rig, in the order of their columns.
pub struct Beside {
    inputs: Vec<PolledInput>,
    values: Option<Arc<dyn SlowValues>>,
    /// Wall time of the first look, ns: a value that never came is as old as that.
    since_ns: Option<u64>,
}

impl Beside {
    /// Every channel comes with the frames.
    pub fn nothing() -> Self {
        Self { inputs: Vec::new(), values: None, since_ns: None }
    }

    /// These inputs from these values.
    pub fn new(inputs: Vec<PolledInput>, values: Arc<dyn SlowValues>) -> Self {
        Self { inputs, values: Some(values), since_ns: None }
    }

    /// Of a rig.
    pub fn of(rig: &Rig, values: Arc<dyn SlowValues>) -> Self {
        let polled = rig.channels.iter().filter_map(|channel| {
            let polled = channel.chain.polled?;
            let max_age_ns = (polled.max_age_s * 1e9) as u64;
            Some(PolledInput { id: channel.id.0.clone(), device: polled.device, role: polled.role, max_age_ns })
        });
        Self::new(polled.collect(), values)
    }

    /// Columns.
    pub fn len(&self) -> usize {
        self.inputs.len()
    }

    /// No columns.
    pub fn is_empty(&self) -> bool {
        self.inputs.is_empty()
    }

    fn newest(&self, input: &PolledInput) -> Option<(i32, u64)> {
        self.values.as_ref()?.newest(input.device, input.role)
    }

    /// Puts the columns behind the frames of a block.
    pub fn widen(&self, block: &mut Block) {
        if self.inputs.is_empty() {
            return;
        }
        let held: Vec<i32> =
            self.inputs.iter().map(|input| self.newest(input).map_or(NO_VALUE, |(counts, _)| counts)).collect();
        let wide = block.channels + held.len();
        let mut counts = Vec::with_capacity(block.frames() * wide);
        for frame in block.counts.chunks_exact(block.channels.max(1)) {
            counts.extend_from_slice(frame);
            counts.extend_from_slice(&held);
        }
        (block.counts, block.channels) = (counts, wide);
    }

    /// The first value that is too old at `now_ns`, in words.
    pub fn stale(&mut self, now_ns: u64) -> Option<String> {
        let since_ns = *self.since_ns.get_or_insert(now_ns);
        self.inputs.iter().find_map(|input| {
            let (at_ns, never) = self.newest(input).map_or((since_ns, true), |(_, at_ns)| (at_ns, false));
            let age_ns = now_ns.saturating_sub(at_ns);
            let what = if never { "no value yet" } else { "no new value" };
            (age_ns > input.max_age_ns).then(|| {
                let (age_s, limit_s) = (age_ns as f64 * 1e-9, input.max_age_ns as f64 * 1e-9);
                format!("channel {}: {what} for {age_s:.2} s (limit {limit_s} s)", input.id)
            })
        })
    }
}

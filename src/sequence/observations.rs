//! What the machine is told at each tick. The executor fills it from ports, the prediction from a simulated plant; the
//! machine cannot tell which.

use crate::rig::model::Rig;
use crate::rig::register_map::Role;
use std::collections::BTreeSet;

/// Everything known at one instant.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Observations {
    /// Questions that a person has confirmed, by id.
    pub answers: BTreeSet<u32>,
    /// The instruction that a person passes over, where it may be passed over.
    pub skipped: Option<usize>,
    /// A named person attends.
    pub attended: bool,
    /// The prediction is durable in the record.
    pub prediction_stored: bool,
    /// Samples arrive.
    pub stream_alive: bool,
    /// One entry a starter, rig order.
    pub starters: Vec<StarterFacts>,
    /// The bench unit; `None`: the rig has none.
    pub bench: Option<BenchFacts>,
    /// Mean of the last 0.1 s, SI, channel order; NaN where unknown.
    pub mean: Vec<f64>,
    /// Channels that read a failure or the end of what their sensors can show; empty: none.
    pub unbelievable: Vec<bool>,
    /// Nothing of this is measured: a prediction, which shows what comes and ends nothing that protects the pump.
    pub foretold: bool,
    /// The heartbeat is withheld on purpose: the starter's fault is what is waited for.
    pub silenced: bool,
    /// The shaft was seen to turn since the latest start: its rest then says something.
    pub shaft_turned: bool,
    /// The channel of the line current read none while a starter reported full speed: it then says nothing by reading none.
    pub line_current_dumb: bool,
    /// The fast contact read open while a starter reported full speed: it then says nothing by reading open.
    pub contact_dumb: bool,
    /// Largest minus smallest of the last 1 s, SI, channel order.
    pub span_1s: Vec<f64>,
    /// Time until duty allows a start, s, one entry a starter (motor's and starter's own, the longer).
    pub duty_wait_s: Vec<f64>,
    /// When the latest start or stop order was carried out.
    pub latest_order: Option<OrderMoment>,
}

/// What is known of a starter.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StarterFacts {
    /// Its link answers.
    pub link_up: bool,
    /// Polls answered since the latest order to it (or since the run began).
    pub polls_since_order: u32,
    /// Output energised, by a poll answered after the latest order; `None`: not known.
    pub running: Option<bool>,
    /// Full voltage or set speed, likewise.
    pub at_speed: Option<bool>,
    /// Fault code, 0 = none, likewise.
    pub fault: Option<u16>,
    /// The device's own current, A, likewise.
    pub current_a: Option<f64>,
    /// Its own selector stands at remote (a register of its map, or bit 9 of an IEC 61800-7-201 status word); `None`: it does
    /// not say.
    pub remote: Option<bool>,
    /// Its own input of the emergency-stop circuit is closed; `None`: it does not say.
    pub emergency_stop_ok: Option<bool>,
    /// A setting reads differently from what was written last, in words.
    pub foreign_setting: Option<String>,
    /// This run has ordered it on, once at least.
    pub started: bool,
    /// Its own current read none while it reported full speed, since the latest start: it then says nothing by reading none.
    pub current_dumb: bool,
}

/// What is known of the bench unit.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BenchFacts {
    /// Its link answers.
    pub link_up: bool,
    /// Newest values by role, raw; empty before the first poll.
    pub values: Vec<(Role, u16)>,
}

impl BenchFacts {
    /// Newest raw value of a role.
    pub fn value(&self, role: Role) -> Option<u16> {
        self.values.iter().find(|(known, _)| *known == role).map(|(_, value)| *value)
    }
}

/// When an order was carried out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderMoment {
    /// Instruction that ordered it, index into the program.
    pub instruction: usize,
    /// Rig time in the middle between send and answer, s.
    pub at_s: f64,
    /// Standard uncertainty, s.
    pub u_s: f64,
}

impl Observations {
    /// Mean of a channel when samples arrive and the value is a number.
    pub fn mean_of(&self, channel: usize) -> Option<f64> {
        let value = *self.mean.get(channel)?;
        (self.stream_alive && value.is_finite()).then_some(value)
    }

    /// Nothing known yet: every starter and channel of `rig` in place, all unknown.
    pub fn unknown(rig: &Rig) -> Self {
        Self {
            starters: vec![StarterFacts::default(); rig.starters.len()],
            bench: rig.transfer.as_ref().map(|_| BenchFacts::default()),
            mean: vec![f64::NAN; rig.channels.len()],
            span_1s: vec![f64::NAN; rig.channels.len()],
            duty_wait_s: vec![f64::INFINITY; rig.starters.len()],
            ..Self::default()
        }
    }
}

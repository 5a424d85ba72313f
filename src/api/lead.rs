//! What a face offers to whoever leads through a run, beyond looking and stopping: the controls, the rig, what stands against
//! a start, and the cycles measured so far.

use super::stage::{Grant, Overlay, RigView};
use super::{RunRequest, Service, ServiceError};
use crate::starters::StarterKind;
use futures_util::future::BoxFuture;
use serde::{Deserialize, Serialize};

/// One thing that a start needs, as it stands now. What the run itself brings about (a stored prediction, the transfer device)
/// is not among them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Requirement {
    /// What.
    pub what: String,
    /// It holds; `None`: not known.
    pub holds: Option<bool>,
    /// What is found now, in words; empty where `reading` says it.
    pub found: String,
    /// What would satisfy it, likewise.
    pub needs: String,
    /// A measured value and its limits.
    pub reading: Option<Reading>,
}

/// A measured value with the limits it has to keep, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Mean of the last 0.1 s; `None`: not known.
    pub value: Option<f64>,
    /// Not below this.
    pub low: Option<f64>,
    /// Not above this.
    pub high: Option<f64>,
    /// As [`super::ChannelView::unit`].
    pub unit: String,
}

/// A cycle as far as it is measured, on the headline channel, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CycleView {
    /// Run.
    pub run: u32,
    /// Cycle of the run, from 1.
    pub cycle: u32,
    /// Starter that was on.
    pub starter: String,
    /// Its kind.
    pub kind: StarterKind,
    /// Highest from the start mark on, 20 s of it at most.
    pub highest: Option<f64>,
    /// Lowest from the stop mark on, likewise.
    pub lowest: Option<f64>,
    /// Highest that was predicted.
    pub predicted_highest: Option<f64>,
    /// Lowest that was predicted.
    pub predicted_lowest: Option<f64>,
    /// What those who watch guessed before it.
    pub guess: Option<f64>,
}

/// What has been measured while the daemon lives.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Measured {
    /// Cycles, oldest first, the newest 200.
    pub cycles: Vec<CycleView>,
    /// The latest phases of each starter, to be laid over one another.
    pub overlays: Vec<Overlay>,
}

/// An order that needs the controls.
#[derive(Debug, Clone, PartialEq)]
pub enum Order {
    /// Start a run.
    Start(Box<RunRequest>),
    /// Confirm this question.
    Confirm(u32),
    /// Pass over this step, from 1.
    Skip(usize),
    /// Write down a guess, Pa gauge.
    Guess(f64),
}

/// A service by which a face may lead.
pub trait Lead: Service {
    /// The rig as it is drawn; it never changes.
    fn rig(&self) -> BoxFuture<'_, Result<RigView, ServiceError>>;
    /// What has been measured.
    fn measured(&self) -> BoxFuture<'_, Result<Measured, ServiceError>>;
    /// Take the controls; refused while somebody else holds them.
    fn hold(&self, name: String) -> BoxFuture<'_, Result<Grant, ServiceError>>;
    /// A sign of life of whoever holds them.
    fn keep(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>>;
    /// Give them back.
    fn give_back(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>>;
    /// Order something by the key of the controls; the run's number where it is a start.
    fn order(&self, key: String, order: Order) -> BoxFuture<'_, Result<Option<u32>, ServiceError>>;
}

//! What the daemon offers to the face that it serves itself (HTTP, WebSocket, page), beyond what every client is given:
//! the controls, the rig as it is drawn, the past of the stream, and the runs side by side.

use super::lead::CycleView;
use super::{LivePiece, Service, ServiceError, Snapshot, Update};
use crate::sequence::marks::Phase;
use crate::starters::StarterKind;
use serde::{Deserialize, Serialize};
use std::sync::{Arc, OnceLock};
use tokio::sync::broadcast;

/// Who holds the controls.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Controller {
    /// The person.
    pub name: String,
    /// Where from: `this computer`, or an address.
    pub from: String,
}

/// The controls, given to one face.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Grant {
    /// To be shown with every order; nobody else learns it.
    pub key: String,
    /// The person.
    pub name: String,
    /// Without a sign of life for so long (wall time) they are taken back, s.
    pub lease_s: f64,
}

/// What those who watch guessed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Guess {
    /// The question.
    pub question: String,
    /// Pressure, Pa gauge, on the headline channel.
    pub value_pa: f64,
    /// Who wrote it down.
    pub by: String,
    /// Cycle that it is about, from 1: it is shown until the next one starts.
    #[serde(default)]
    pub cycle: u32,
}

/// The rig as it is drawn in elevation, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RigView {
    /// Id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Specific weight of the liquid, Pa/m: head is pressure over it.
    pub pa_per_m: f64,
    /// Nodes.
    pub nodes: Vec<NodeView>,
    /// What lies between them.
    pub elements: Vec<ElementView>,
    /// Channels with a place, so that their head can be drawn.
    pub gauges: Vec<GaugeView>,
    /// Line-ups: for each element that it sets, its opening.
    pub line_ups: Vec<LineUpView>,
    /// Rated speed of the commanded pump, rad/s.
    pub rated_speed_rad_s: Option<f64>,
    /// A face on another computer may start a run.
    pub remote_start: bool,
    /// Sequences that fit the rig.
    pub sequences: Vec<SequenceView>,
}

/// A node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NodeView {
    /// Name.
    pub name: String,
    /// Height above the rig's datum, m.
    pub elevation_m: f64,
    /// Level of the water where it is a tank or a sump, m above datum.
    pub level_m: Option<f64>,
    /// Water falls out here into the open ...
    pub outlet: bool,
    /// ... over this tank, index into the nodes.
    pub falls_into: Option<usize>,
}

/// An element.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ElementView {
    /// Name.
    pub name: String,
    /// `pipe`, `valve`, `check-valve`, `pump`, `other`.
    pub kind: ElementWord,
    /// From, index into the nodes.
    pub from: usize,
    /// To.
    pub to: usize,
    /// Length of a pipe, m.
    pub length_m: f64,
    /// Bore of a pipe, m.
    pub bore_m: f64,
    /// Opening of a valve as the file's first line-up sets it, 0 to 1.
    pub opening: Option<f64>,
}

/// Kinds of element in a drawing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ElementWord {
    /// Pipe or hose.
    Pipe,
    /// Valve.
    Valve,
    /// Check valve.
    CheckValve,
    /// The commanded pump.
    Pump,
    /// Anything else.
    Other,
}

/// Where a pressure channel sits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GaugeView {
    /// Index into the snapshot's channels.
    pub channel: usize,
    /// At this node, or ...
    pub node: Option<usize>,
    /// ... along this element ...
    pub element: Option<usize>,
    /// ... at this share of its length.
    pub share: f64,
    /// Height of its diaphragm, m above datum.
    pub elevation_m: f64,
}

/// A line-up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineUpView {
    /// Id.
    pub id: String,
    /// What a person does.
    pub text: String,
    /// (element, opening 0 to 1).
    pub valves: Vec<(usize, f64)>,
    /// (node of a tank, level m above datum) where it states them.
    pub levels: Vec<(usize, f64)>,
}

/// A sequence that may be run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SequenceView {
    /// Id.
    pub id: String,
    /// Name.
    pub name: String,
    /// One line.
    pub about: String,
    /// What a person confirms in it, in its order.
    #[serde(default)]
    pub confirms: Vec<String>,
}

/// The latest cycle of a starter, measured, to be laid over those of the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Overlay {
    /// Starter.
    pub starter: String,
    /// Kind.
    pub kind: StarterKind,
    /// Run.
    pub run: u32,
    /// Cycle.
    pub cycle: u32,
    /// Phase.
    pub phase: Phase,
    /// First interval relative to the mark, s.
    pub t0_s: f64,
    /// Interval, s.
    pub dt_s: f64,
    /// (smallest, largest) of each interval of the headline channel, SI.
    pub spans: Vec<(f32, f32)>,
}

/// An update with its text for viewers, written once for all of them.
#[derive(Debug)]
pub struct Told {
    /// The update.
    pub update: Update,
    text: OnceLock<String>,
}

impl Told {
    /// Wrap one.
    pub fn new(update: Update) -> Self {
        Self { update, text: OnceLock::new() }
    }

    /// As JSON. A state goes without its log: viewers get the lines as they come.
    pub fn text(&self) -> &str {
        self.text.get_or_init(|| {
            let written = match &self.update {
                Update::State(state) => {
                    let bare = Snapshot { log: Vec::new(), ..state.as_ref().clone() };
                    serde_json::to_string(&Update::State(Box::new(bare)))
                }
                other => serde_json::to_string(other),
            };
            written.unwrap_or_default()
        })
    }
}

/// The daemon towards its own web face.
pub trait Stage: Service {
    /// The rig as it is drawn; it never changes.
    fn rig_view(&self) -> Arc<RigView>;
    /// Text of one of its sequences.
    fn sequence(&self, id: &str) -> Option<String>;
    /// Everything as of now.
    fn now(&self) -> Snapshot;
    /// The prediction of the run that is on or was last.
    fn predicted(&self) -> Option<Update>;
    /// Everything told from now on.
    fn listen(&self) -> broadcast::Receiver<Arc<Told>>;
    /// The last `window_s` of the stream in at most `intervals` intervals.
    fn past(&self, window_s: f64, intervals: usize) -> LivePiece;
    /// The latest cycle of each starter.
    fn overlays(&self) -> Vec<Overlay>;
    /// Cycles measured so far.
    fn cycles(&self) -> Vec<CycleView>;
    /// Take the controls; refused while somebody else holds them.
    ///
    /// # Errors
    /// Somebody holds them, or no name.
    fn take_control(&self, name: &str, from: &str) -> Result<Grant, ServiceError>;
    /// Give them back.
    ///
    /// # Errors
    /// Not the holder's key.
    fn give_control(&self, key: &str) -> Result<(), ServiceError>;
    /// Who holds the controls by this key; a sign of life of theirs.
    ///
    /// # Errors
    /// Not the holder's key.
    fn controller_by(&self, key: &str) -> Result<Controller, ServiceError>;
    /// Put down a guess.
    ///
    /// # Errors
    /// Not a number of a pressure.
    fn guess(&self, value_pa: f64, by: &str) -> Result<(), ServiceError>;
    /// Pass over a step.
    ///
    /// # Errors
    /// No run is on.
    fn skip(&self, step: usize, by: &str) -> Result<(), ServiceError>;
    /// A face of this name is there until what is given back is dropped.
    fn here(&self, face: &str) -> Box<dyn Send + Sync>;
}

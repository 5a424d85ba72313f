//! What `observe` is told by the rig file: what counts as an event, how much of it is kept, when enough has been seen.

use crate::rig::register_map::Role;
use serde::Serialize;

/// `[observe]` and `[[trigger]]`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Observing {
    /// Kept before a trigger, s.
    pub pre_s: f64,
    /// Kept after the last trigger of an event, s.
    pub post_s: f64,
    /// An event is no longer than this, s.
    pub longest_s: f64,
    /// Width of an interval of the min/max envelope, s.
    pub envelope_s: f64,
    /// Everything of a session together takes no more, bytes.
    pub disk_quota_bytes: u64,
    /// Pressure channel that stands for the level.
    pub level_channel: Option<usize>,
    /// Edges of the level bands, m above datum, rising.
    pub level_bands_m: Vec<f64>,
    /// Events wanted for each pump in each level band.
    pub events_wanted: u32,
    /// Triggers.
    pub triggers: Vec<Trigger>,
}

/// A trigger.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trigger {
    /// Id.
    pub id: String,
    /// What it looks at.
    pub on: TriggerOn,
}

/// What a trigger looks at.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TriggerOn {
    /// A channel passes a level.
    Level {
        /// Channel.
        channel: usize,
        /// Above, SI.
        above: Option<f64>,
        /// Below, SI.
        below: Option<f64>,
    },
    /// A channel changes by so much within a time.
    Slope {
        /// Channel.
        channel: usize,
        /// Change, SI; negative: a fall.
        change: f64,
        /// Time, s.
        within_s: f64,
    },
    /// A register of a device comes to a value.
    Field {
        /// Device, in the order of [`crate::rig::model::Rig::watched`].
        device: usize,
        /// Role in its map.
        role: Role,
        /// Bit pattern.
        becomes: u64,
    },
}

impl Observing {
    /// Level band that a level lies in, in words; `None`: no bands, or no level.
    pub fn band(&self, level_m: Option<f64>) -> Option<String> {
        let at = self.level_bands_m.iter().filter(|edge| level_m.is_some_and(|level| level >= **edge)).count();
        level_m.filter(|level| !level.is_nan())?;
        self.bands().get(at).cloned()
    }

    /// All bands in words, lowest first; empty without edges.
    pub fn bands(&self) -> Vec<String> {
        let edges = &self.level_bands_m;
        let (Some(first), Some(last)) = (edges.first(), edges.last()) else { return Vec::new() };
        let between = edges.windows(2).map(|pair| format!("{} to {} m", pair[0], pair[1]));
        std::iter::once(format!("below {first} m")).chain(between).chain([format!("from {last} m")]).collect()
    }
}

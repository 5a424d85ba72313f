//! The rig file as typed: every section read into plain entries that keep their places. Names are still names, and a
//! value that could not be read is NaN (a number) or empty (a name): its problem is already noted and later checks pass
//! over it.

mod chain;
mod control_valve;
mod fittings;
mod lay_flat;
mod lines;
mod machine;
mod network;
mod observe;
mod other_pump;
mod pipe;
mod control;
mod panel;
mod signals;
mod source;
mod uncertainty;

pub(super) use chain::calibration_of;
pub use chain::{ChainEntry, Fill, ImpulseLineEntry};
pub use control::{DeviceEntry, LinkEntry, SpanEntry, StarterEntry, TransferEntry};
pub use machine::{CouplingEntry, MotorEntry, PumpEntry};
pub use network::{ElementEntry, LineUpEntry, SplashEntry, TankEntry, WaveSpeed};
pub use observe::{ObserveEntry, TriggerEntry, TriggerOnEntry};
pub use other_pump::OtherPumpEntry;
pub use panel::PanelEntry;
pub use signals::{ChannelEntry, ConditionEntry, PermissiveEntry, PlaceEntry, PolledEntry, TripEntry};
pub(super) use signals::{want_of, want_uncertainty_of};
pub use source::{PAYLOAD_TYPE, SourceEntry};

use super::reader::{Cursor, Document, Spot, Text};
use crate::hydraulics::spec::LiquidSpec;
use crate::rig::uncertainty::Uncertainty;
use crate::units::Want;

/// A whole rig file as typed.
#[derive(Debug)]
pub struct RigFile {
    /// `[rig]`.
    pub identity: IdentityEntry,
    /// `[elevations]`: node names with their heights, m.
    pub elevations: Vec<(Text, f64)>,
    /// `[liquid]`.
    pub liquid: LiquidSpec,
    /// Liquid temperature, degC.
    pub temperature_c: f64,
    /// `[motor]`.
    pub motor: MotorEntry,
    /// `[coupling]`.
    pub coupling: CouplingEntry,
    /// `[pump]`, the part that the network does not hold.
    pub pump: PumpEntry,
    /// `[[other_pump]]`, the part that the network does not hold.
    pub other_pumps: Vec<OtherPumpEntry>,
    /// `[[tank]]` and `[[outlet]]`.
    pub tanks: Vec<TankEntry>,
    /// Pipes, hoses, valves, check valves and the pump in file order.
    pub elements: Vec<ElementEntry>,
    /// `[[line_up]]`.
    pub line_ups: Vec<LineUpEntry>,
    /// `[[starter]]`.
    pub starters: Vec<StarterEntry>,
    /// `[transfer]`.
    pub transfer: Option<TransferEntry>,
    /// `[[device]]`.
    pub devices: Vec<DeviceEntry>,
    /// `[[link]]`.
    pub links: Vec<LinkEntry>,
    /// `[source]`.
    pub source: SourceEntry,
    /// `[[channel]]`.
    pub channels: Vec<ChannelEntry>,
    /// `[[permissive]]`.
    pub permissives: Vec<PermissiveEntry>,
    /// `[[trip]]`.
    pub trips: Vec<TripEntry>,
    /// `[observe]` and `[[trigger]]`.
    pub observe: ObserveEntry,
    /// `[uncertainty]`.
    pub uncertainty: Uncertainty,
    /// `[[warning]]`.
    pub warnings: Vec<String>,
    /// What was assumed while reading.
    pub assumptions: Vec<String>,
}

/// `[rig]`.
#[derive(Debug)]
pub struct IdentityEntry {
    /// Id.
    pub id: Text,
    /// Name.
    pub name: String,
    /// About.
    pub about: String,
    /// Invented.
    pub invented: bool,
    /// Headline channel.
    pub headline: Option<Text>,
    /// Largest accepted stop delay, s.
    pub stop_delay_budget_s: f64,
    /// Day of the emergency stop's last proof.
    pub emergency_stop_proven: Option<String>,
    /// Longest time without a sign of life before a start, s; 0: no check.
    pub presence_check_s: f64,
    /// A face on another computer may start a run.
    pub remote_start: bool,
    /// Time for a face to come back, s.
    pub grace_s: f64,
    /// How long a confirmed line-up counts, s.
    pub line_up_valid_s: f64,
    /// Rest speed, rad/s.
    pub rest_speed_rad_s: f64,
    /// Fallback rest, s.
    pub rest_fallback_s: f64,
    /// Largest time step of a prediction, s.
    pub time_step_s: f64,
    /// Friction of changing flow beside that of steady flow.
    pub unsteady_friction: bool,
    /// Predicted for or watched, never commanded.
    pub station: bool,
    /// A station of which only what is watched is described: no pump, no pipes.
    pub logger: bool,
    /// Place of the table.
    pub spot: Spot,
}

/// Things said when the file is silent; printed by every face that shows the rig.
#[derive(Debug, Default)]
pub struct Assumptions(pub Vec<String>);

impl Assumptions {
    /// The value, or the stand-in with a line about it.
    pub fn take<T>(&mut self, value: Option<T>, stand_in: T, line: &str) -> T {
        value.unwrap_or_else(|| {
            if !self.0.iter().any(|said| said == line) {
                self.0.push(line.to_owned());
            }
            stand_in
        })
    }
}

impl RigFile {
    /// Reads every section; problems go to the document.
    pub fn read(document: &Document<'_>) -> Self {
        let root = document.root();
        let mut assumed = Assumptions::default();
        let (liquid, temperature_c, gas) = machine::liquid(root.need_table("liquid"), &mut assumed);
        let identity = identity(&root, &mut assumed);
        let (station, logger) = (identity.station, identity.logger);
        let machine = |key: &str| if logger { None } else { root.need_table(key) };
        let (pump_element, pump) = machine::pump(machine("pump"), &mut assumed);
        let (mut pumps, other_pumps) = other_pump::other_pumps(&root, pump_element.as_ref(), &pump, &mut assumed);
        pumps.extend(pump_element);
        let channels = signals::channels(&root, &mut assumed);
        let file = Self {
            identity,
            elevations: elevations(&root),
            liquid,
            temperature_c,
            motor: machine::motor(machine("motor"), &mut assumed),
            coupling: match logger {
                true => CouplingEntry::none(),
                false => machine::coupling(&root, &mut assumed),
            },
            pump,
            other_pumps,
            tanks: network::tanks(&root, &mut assumed),
            elements: network::elements(&root, pumps, &pipe::Water { liquid: &liquid, gas }, &mut assumed),
            line_ups: network::line_ups(&root),
            starters: control::starters(&root, station, root.has("control_valve"), &mut assumed),
            transfer: root.table("transfer").map(|table| control::transfer(table, &mut assumed)),
            devices: control::devices(&root),
            links: control::links(&root, &mut assumed),
            source: match station && !root.has("source") {
                true => source::no_source(&root),
                false => source::source(root.need_table("source"), &mut assumed),
            },
            permissives: signals::permissives(&root, &channels),
            trips: signals::trips(&root, &channels, &mut assumed),
            observe: observe::observe(&root, &channels, &mut assumed),
            channels,
            uncertainty: uncertainty::read(&root),
            warnings: warnings(&root),
            assumptions: Vec::new(),
        };
        let sampled = file.channels.iter().filter(|channel| channel.polled.is_none()).count();
        source::check_blocks(&root, &file.source, sampled);
        root.close();
        Self { assumptions: assumed.0, ..file }
    }

    /// Ids and maps of what `observe` looks at, in its order: a bench's starters and transfer device, then the devices that
    /// are only looked at. A station's starters are described to predict with; they have no wires.
    pub fn watched(&self) -> Vec<(&Text, &Text)> {
        let starters = self.starters.iter().filter(|_| !self.identity.station).map(|entry| (&entry.id, &entry.map));
        let transfer = self.transfer.iter().map(|entry| (&entry.id, &entry.map));
        starters.chain(transfer).chain(self.devices.iter().map(|entry| (&entry.id, &entry.map))).collect()
    }
}

/// A number that could not be read; its problem is noted already.
pub(crate) fn or_nan(value: Option<f64>) -> f64 {
    value.unwrap_or(f64::NAN)
}

/// A name that could not be read; its problem is noted already.
pub(crate) fn or_empty(value: Option<Text>, spot: Spot) -> Text {
    value.unwrap_or(Text { text: String::new(), spot })
}

fn need_name(cursor: &Cursor<'_>, key: &str) -> Text {
    or_empty(cursor.need_text(key), cursor.spot(key))
}

/// An id: lower-case letters, digits, `-` and `_`, since it becomes part of file names and column names.
fn need_id(cursor: &Cursor<'_>) -> Text {
    let id = need_name(cursor, "id");
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == '_';
    if !id.text.chars().all(fits) || id.text.len() > 40 {
        cursor.note("id", format!("{:?}", id.text), "up to 40 lower-case letters, digits, - and _", None);
    }
    id
}

/// Largest time step of a prediction where the file does not say, s.
const DEFAULT_TIME_STEP_S: f64 = 0.5e-3;

/// Sections of which a logger has none.
const OF_THE_WATER: [&str; 12] = [
    "pump",
    "motor",
    "coupling",
    "other_pump",
    "tank",
    "outlet",
    "pipe",
    "hose",
    "valve",
    "check_valve",
    "line_up",
    "starter",
];

/// Without a sign of life for this long the next start waits, s (common practice, no source).
const PRESENCE_CHECK_S: f64 = 1800.0;
/// A face that was lost has this long to come back, s (common practice, no source).
const GRACE_S: f64 = 10.0;
/// Valves are looked at again after this long, s (common practice, no source).
const LINE_UP_VALID_S: f64 = 3600.0;

fn identity(root: &Cursor<'_>, assumed: &mut Assumptions) -> IdentityEntry {
    let Some(table) = root.need_table("rig") else {
        let spot = root.spot("rig");
        return IdentityEntry {
            id: Text { text: String::new(), spot: spot.clone() },
            name: String::new(),
            about: String::new(),
            invented: false,
            headline: None,
            stop_delay_budget_s: f64::NAN,
            emergency_stop_proven: None,
            presence_check_s: 0.0,
            grace_s: 0.0,
            line_up_valid_s: LINE_UP_VALID_S,
            remote_start: false,
            rest_speed_rad_s: f64::NAN,
            rest_fallback_s: f64::NAN,
            time_step_s: f64::NAN,
            unsteady_friction: false,
            station: false,
            logger: false,
            spot,
        };
    };
    let id = need_id(&table);
    let station = table.flag("station").unwrap_or(false);
    let entry = IdentityEntry {
        station,
        logger: station && !OF_THE_WATER.iter().any(|key| root.has(key)),
        // Beyond this a running figure would have no sample in its piece.
        time_step_s: table.quantity("time_step", &Want::TIME.between(1e-5, 0.1)).unwrap_or(DEFAULT_TIME_STEP_S),
        unsteady_friction: table.flag("unsteady_friction").unwrap_or(false),
        name: table.text("name").map_or_else(|| id.text.clone(), |name| name.text),
        about: table.text("about").map_or_else(String::new, |about| about.text),
        invented: table.flag("invented").unwrap_or(false),
        headline: table.need_text("headline"),
        stop_delay_budget_s: match station {
            true => f64::INFINITY,
            false => or_nan(table.need_quantity("stop_delay_budget", &Want::TIME)),
        },
        emergency_stop_proven: proven(&table),
        remote_start: table.flag("remote_start").unwrap_or(false),
        grace_s: table.quantity("grace", &Want::TIME_FROM_ZERO).unwrap_or(GRACE_S),
        line_up_valid_s: table.quantity("line_up_valid", &Want::TIME).unwrap_or(LINE_UP_VALID_S),
        presence_check_s: table.quantity("presence_check", &Want::TIME_FROM_ZERO).unwrap_or(PRESENCE_CHECK_S),
        rest_speed_rad_s: assumed.take(
            table.quantity("rest_speed", &Want::SPEED),
            10.0 * std::f64::consts::TAU / 60.0,
            "the shaft counts as at rest below 10 rpm",
        ),
        rest_fallback_s: assumed.take(
            table.quantity("rest_fallback", &Want::TIME),
            10.0,
            "without a speed signal the shaft counts as at rest 10 s after a stop",
        ),
        spot: table.here(),
        id,
    };
    table.close();
    entry
}

/// The day on which somebody last pressed the emergency stop and saw it act.
fn proven(table: &Cursor<'_>) -> Option<String> {
    let date = table.text("emergency_stop_proven")?.text;
    if date.parse::<jiff::civil::Date>().is_ok() {
        return Some(date);
    }
    table.note("emergency_stop_proven", format!("{date:?}"), "a date such as \"2026-11-02\"", None);
    None
}

fn elevations(root: &Cursor<'_>) -> Vec<(Text, f64)> {
    let Some(table) = root.need_table("elevations") else { return Vec::new() };
    table.named_quantities(&Want::ELEVATION).into_iter().map(|(name, value)| (name, or_nan(value))).collect()
}

fn warnings(root: &Cursor<'_>) -> Vec<String> {
    let mut texts = Vec::new();
    for table in root.tables("warning") {
        texts.extend(table.need_text("text").map(|text| text.text));
        table.close();
    }
    texts
}

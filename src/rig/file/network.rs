//! Tanks, pipes, hoses, valves, check valves and line-ups as typed.

use super::{Assumptions, need_id, need_name, or_nan};
use crate::hydraulics::spec::{CheckValveSpec, ElementKind, Terminal, ValveSpec};
use crate::rig::model::{Lines, Rating};
use crate::rig::reader::{Cursor, Spot, Text};
use crate::starters::ControlValveSpec;
use crate::starters::control_valve::Stroke;
use crate::starters::ramp_shape::RampShape;
use crate::units::{Dimension, Want};

/// A tank or a free outlet at a node.
#[derive(Debug)]
pub struct TankEntry {
    /// Node.
    pub node: Text,
    /// What it is.
    pub terminal: Terminal,
    /// Water that comes in here splashes beside the suction inlet.
    pub splash: Option<SplashEntry>,
    /// Tanks that are held: their area, where it is known.
    pub held_area_m2: Option<f64>,
    /// Outlets: the tank that the water falls into.
    pub into: Option<Text>,
    /// Place.
    pub spot: Spot,
}

/// `splash` of a tank or outlet.
#[derive(Debug, Clone)]
pub struct SplashEntry {
    /// Free air by volume of the water drawn.
    pub air_share: f64,
    /// Flow of the return that brings it, m3/s; `None`: the pump's rated flow.
    pub full_flow_m3_s: Option<f64>,
    /// Time constant, s.
    pub grows_s: f64,
    /// Place.
    pub spot: Spot,
}

/// Where a pipe's wave speed comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum WaveSpeed {
    /// Said in the file.
    Said,
    /// From wall and material, in words.
    Derived(String),
}

/// An element of the network.
#[derive(Debug)]
pub struct ElementEntry {
    /// Id.
    pub id: Text,
    /// Upstream node.
    pub from: Text,
    /// Downstream node.
    pub to: Text,
    /// Numbers.
    pub kind: ElementKind,
    /// Rating.
    pub rating: Option<Rating>,
    /// Place.
    pub spot: Spot,
    /// Pipes only.
    pub wave_speed: Option<WaveSpeed>,
    /// Control valves only: what its own controller does.
    pub control: Option<ControlValveSpec>,
    /// Valves only: time of its whole travel, and its law.
    pub stroke: Option<Stroke>,
}

/// `[[line_up]]`.
#[derive(Debug)]
pub struct LineUpEntry {
    /// Id.
    pub id: Text,
    /// Sentence.
    pub text: String,
    /// Valves with their openings, in file order; `open` is 1, `closed` is 0.
    pub valves: Vec<(Text, f64)>,
    /// What the lines hold.
    pub lines: Option<Lines>,
    /// Levels of tanks, m.
    pub levels: Vec<(Text, f64)>,
    /// Pumps beside the commanded one that run.
    pub running: Vec<Text>,
    /// Place.
    pub spot: Spot,
}

/// `[[tank]]`, `[[outlet]]`, and gas at a node.
pub(super) fn tanks(root: &Cursor<'_>, assumed: &mut Assumptions) -> Vec<TankEntry> {
    let mut entries = Vec::new();
    for table in root.tables("tank") {
        let (terminal, held_area_m2) = tank(&table, assumed);
        entries.push(TankEntry {
            node: need_name(&table, "node"),
            terminal,
            held_area_m2,
            into: None,
            splash: splash(&table, assumed),
            spot: table.here(),
        });
        table.close();
    }
    for table in root.tables("outlet") {
        entries.push(TankEntry {
            node: need_name(&table, "node"),
            terminal: Terminal::FreeOutlet,
            held_area_m2: None,
            into: table.text("into"),
            splash: splash(&table, assumed),
            spot: table.here(),
        });
        table.close();
    }
    entries.extend(super::fittings::gases(root, assumed));
    entries
}

/// `splash = { air_share, full_flow, grows_over }`: the water that comes in here falls beside the suction inlet and takes
/// air down with it.
fn splash(table: &Cursor<'_>, assumed: &mut Assumptions) -> Option<SplashEntry> {
    let splash = table.table("splash")?;
    let share = Want::from_zero(Dimension::Share, "\"6 %\"").between(0.0, 0.5);
    let entry = SplashEntry {
        air_share: or_nan(splash.need_quantity("air_share", &share)),
        full_flow_m3_s: splash.quantity("full_flow", &Want::FLOW),
        grows_s: or_nan(splash.need_quantity("grows_over", &Want::TIME)),
        spot: splash.here(),
    };
    if !splash.has("full_flow") {
        assumed
            .0
            .push("a splashing return brings its air share at the pump's rated flow, less in proportion".to_owned());
    }
    splash.close();
    Some(entry)
}

/// The tank, and the area of one that is held.
fn tank(table: &Cursor<'_>, assumed: &mut Assumptions) -> (Terminal, Option<f64>) {
    let level_m = or_nan(table.need_quantity("level", &Want::ELEVATION));
    let held = table.flag("held").unwrap_or(false);
    let area = table.quantity("area", &Want::AREA);
    let held_area_m2 = area.filter(|_| held);
    let area_m2 = match (held, area) {
        (true, None) => f64::INFINITY,
        (true, Some(_)) => f64::INFINITY,
        (false, Some(area_m2)) => area_m2,
        (false, None) => {
            if !table.has("area") {
                let node = table.text("node").map(|node| node.text).unwrap_or_default();
                assumed.0.push(format!("the level at {node} stands still"));
            }
            f64::INFINITY
        }
    };
    let overflow_m = table.quantity("overflow", &Want::ELEVATION).unwrap_or(f64::INFINITY);
    if overflow_m < level_m {
        table.note("overflow", format!("{overflow_m} m"), format!("at or above the level, {level_m} m"), None);
    }
    (Terminal::Tank { level_m, area_m2, overflow_m }, held_area_m2)
}

/// Every element in file order.
pub(super) fn elements(
    root: &Cursor<'_>,
    pumps: Vec<ElementEntry>,
    water: &super::pipe::Water<'_>,
    assumed: &mut Assumptions,
) -> Vec<ElementEntry> {
    let mut entries = pumps;
    for (key, is_hose) in [("pipe", false), ("hose", true)] {
        for table in root.tables(key) {
            let (pipe, wave_speed) = super::pipe::pipe(&table, is_hose, water, assumed);
            entries.push(element(&table, ElementKind::Pipe(pipe), Some(wave_speed)));
            table.close();
        }
    }
    for table in root.tables("valve") {
        let stroke = stroke(&table);
        entries.push(ElementEntry { stroke, ..element(&table, ElementKind::Valve(valve(&table, assumed)), None) });
        table.close();
    }
    for table in root.tables("control_valve") {
        // Shut, as at rest.
        let body = ValveSpec { opening: 0.0, ..valve(&table, assumed) };
        let control = Some(super::control_valve::control(&table, assumed));
        entries.push(ElementEntry { control, ..element(&table, ElementKind::Valve(body), None) });
        table.close();
    }
    for table in root.tables("check_valve") {
        let kind = match table.has("disc_mass") {
            true => ElementKind::DiscCheckValve(super::fittings::disc_check_valve(&table)),
            false => ElementKind::CheckValve(check_valve(&table, assumed)),
        };
        entries.push(element(&table, kind, None));
        table.close();
    }
    for table in root.tables("orifice") {
        entries.push(element(&table, ElementKind::Orifice(super::fittings::orifice(&table, assumed)), None));
        table.close();
    }
    for table in root.tables("relief_valve") {
        entries.push(element(&table, ElementKind::ReliefValve(super::fittings::relief_valve(&table, assumed)), None));
        table.close();
    }
    entries.sort_by_key(|entry| entry.spot.line);
    entries
}

fn element(table: &Cursor<'_>, kind: ElementKind, wave_speed: Option<WaveSpeed>) -> ElementEntry {
    ElementEntry {
        id: need_id(table),
        from: need_name(table, "from"),
        to: need_name(table, "to"),
        kind,
        rating: rating(table),
        spot: table.here(),
        wave_speed,
        control: None,
        stroke: None,
    }
}

/// `max_pressure` and `min_pressure`; no element goes without them.
pub(super) fn rating(table: &Cursor<'_>) -> Option<Rating> {
    if !table.has("max_pressure") && !table.has("min_pressure") {
        table.mark_read("max_pressure");
        table.mark_read("min_pressure");
        let allowed = "max_pressure and min_pressure (gauge): without a rating no start is allowed";
        table.document().note(&table.here(), "an element without a rated pressure", allowed, None);
        return None;
    }
    let max = table.need_quantity("max_pressure", &Want::GAUGE);
    let min = table.need_quantity("min_pressure", &Want::GAUGE);
    let (max_gauge_pa, min_gauge_pa) = max.zip(min)?;
    if max_gauge_pa <= min_gauge_pa {
        let allowed = format!("above min_pressure, {min_gauge_pa} Pa");
        table.note("max_pressure", format!("{max_gauge_pa} Pa"), allowed, None);
    }
    Some(Rating { max_gauge_pa, min_gauge_pa })
}

fn valve(table: &Cursor<'_>, assumed: &mut Assumptions) -> ValveSpec {
    let share = Want::from_zero(Dimension::Share, "\"40 %\"").between(0.0, 1.0);
    let curve = table.pairs("curve", &share, &share).unwrap_or_default();
    if curve.windows(2).any(|pair| pair[1].0 <= pair[0].0 || pair[1].1 < pair[0].1) {
        table.note("curve", "points that do not rise", "openings that rise, with shares that do not fall", None);
    }
    if !table.has("curve") {
        let id = table.text("id").map(|id| id.text).unwrap_or_default();
        assumed.0.push(format!("valve {id}: flow coefficient in proportion to its opening"));
    }
    ValveSpec {
        kv_open_m3_h: or_nan(table.need_quantity("flow_coefficient", &Want::FLOW_COEFFICIENT)),
        curve,
        opening: 1.0,
    }
}

/// `travel` of a valve, the time from open to shut, and `closing_law`, pairs of (share of that time, share of the way).
fn stroke(table: &Cursor<'_>) -> Option<Stroke> {
    let share = Want::from_zero(Dimension::Share, "\"40 %\"").between(0.0, 1.0);
    let law = table.pairs("closing_law", &share, &share).map_or(RampShape::Linear, RampShape::Profile);
    if !law.is_sound() {
        let allowed =
            "pairs of (share of the travel time, share of the way) from 0 % and 0 % to 100 % and 100 %, time rising";
        table.note("closing_law", "a law that is no travel", allowed, None);
    }
    if table.has("closing_law") && !table.has("travel") {
        table.note("closing_law", "a law without a time", "travel beside it, such as \"4 s\"", None);
    }
    Some(Stroke { time_s: table.quantity("travel", &Want::TIME.between(1e-3, 3600.0))?, law })
}

fn check_valve(table: &Cursor<'_>, assumed: &mut Assumptions) -> CheckValveSpec {
    CheckValveSpec {
        kv_m3_h: or_nan(table.need_quantity("flow_coefficient", &Want::FLOW_COEFFICIENT)),
        cracking_head_m: assumed.take(
            table.quantity("cracking_head", &Want::HEAD_FROM_ZERO),
            0.0,
            "the check valve opens at the least head",
        ),
    }
}

/// `[[line_up]]`.
pub(super) fn line_ups(root: &Cursor<'_>) -> Vec<LineUpEntry> {
    let mut entries = Vec::new();
    for table in root.tables("line_up") {
        let mut valves: Vec<(Text, f64)> = Vec::new();
        valves.extend(table.texts("open").unwrap_or_default().into_iter().map(|valve| (valve, 1.0)));
        valves.extend(table.texts("closed").unwrap_or_default().into_iter().map(|valve| (valve, 0.0)));
        if let Some(set) = table.table("set") {
            valves.extend(set.keys().into_iter().map(|valve| {
                let opening = or_nan(set.number(&valve.text, 0.0..=1.0));
                (valve, opening)
            }));
        }
        let id = need_id(&table);
        let text = table.text("text").map_or_else(|| format!("line-up {}", id.text), |text| text.text);
        let running = table.texts("running").unwrap_or_default();
        let levels = table.table("levels").map(|levels| levels.named_quantities(&Want::ELEVATION)).unwrap_or_default();
        let levels = levels.into_iter().map(|(name, level)| (name, or_nan(level))).collect();
        let (lines, spot) = (super::lines::lines(&table), table.here());
        entries.push(LineUpEntry { id, text, valves, lines, levels, running, spot });
        table.close();
    }
    entries
}

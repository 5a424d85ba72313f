//! Pumps beside the commanded one as typed. Which of them run is said by the line-ups.

use super::machine::{PumpEntry, pump_spec};
use super::network::{ElementEntry, rating};
use super::{Assumptions, need_id, need_name, or_nan};
use crate::hydraulics::spec::{ElementKind, OtherPumpSpec, PumpCondition, PumpSpec, ShaftSpec};
use crate::rig::reader::{Cursor, Text};
use crate::units::Want;

/// What a line-up needs to know of a pump beside the commanded one.
#[derive(Debug)]
pub struct OtherPumpEntry {
    /// Id of its element.
    pub id: Text,
    /// Speed at which it runs, rad/s.
    pub speed_rad_s: f64,
    /// Its rotating side is like that of the commanded pump, motor and coupling included.
    pub like_commanded: bool,
}

/// `[[other_pump]]`: `same_as_pump = true`, or the keys of `[pump]` with `inertia` of the whole shaft; `speed` at which it runs
/// (without it the rated speed); `back_stop`.
pub(super) fn other_pumps(
    root: &Cursor<'_>,
    commanded: Option<&ElementEntry>,
    entry: &PumpEntry,
    assumed: &mut Assumptions,
) -> (Vec<ElementEntry>, Vec<OtherPumpEntry>) {
    let like = commanded.and_then(|element| match &element.kind {
        ElementKind::Pump(spec) => Some(spec),
        _ => None,
    });
    let (mut elements, mut pumps) = (Vec::new(), Vec::new());
    for table in root.tables("other_pump") {
        let same = table.flag("same_as_pump").unwrap_or(false);
        let (pump, shaft) = if same { alike(&table, like, entry) } else { own(&table, assumed) };
        let id = need_id(&table);
        let said = table.quantity("speed", &Want::SPEED);
        let line = format!("pump {} runs at its rated speed", id.text);
        pumps.push(OtherPumpEntry {
            id: id.clone(),
            speed_rad_s: assumed.take(said, pump.rated_speed_rad_s, &line),
            like_commanded: same,
        });
        let back_stop = table.flag("back_stop").unwrap_or(false);
        let kind = ElementKind::OtherPump(Box::new(OtherPumpSpec { pump, shaft, running_rad_s: None, back_stop }));
        elements.push(ElementEntry {
            id,
            from: need_name(&table, "from"),
            to: need_name(&table, "to"),
            kind,
            rating: rating(&table),
            spot: table.here(),
            wave_speed: None,
            control: None,
            stroke: None,
        });
        table.close();
    }
    (elements, pumps)
}

/// As the commanded pump; keys of its own beside that would be two answers to one question.
fn alike(table: &Cursor<'_>, like: Option<&PumpSpec>, entry: &PumpEntry) -> (PumpSpec, ShaftSpec) {
    const OWN: [&str; 11] = [
        "rated_speed",
        "rated_flow",
        "rated_head",
        "rated_efficiency",
        "curve",
        "efficiency",
        "npsh_required",
        "inertia",
        "friction",
        "wear",
        "rotation",
    ];
    for key in OWN.into_iter().filter(|key| table.has(key)) {
        table.mark_read(key);
        table.note(key, "a value beside same_as_pump", "same_as_pump = true or keys of its own, not both", None);
    }
    let shaft = ShaftSpec { inertia_kg_m2: entry.inertia_kg_m2, friction_n_m: entry.friction_n_m };
    // of the same kind, not in the same trouble
    let pump = like.map(|like| PumpSpec { condition: PumpCondition::default(), ..like.clone() });
    (pump.unwrap_or_else(unread), shaft)
}

fn own(table: &Cursor<'_>, assumed: &mut Assumptions) -> (PumpSpec, ShaftSpec) {
    let friction = table.quantity("friction", &Want::TORQUE_FROM_ZERO);
    let shaft = ShaftSpec {
        inertia_kg_m2: or_nan(table.need_quantity("inertia", &Want::INERTIA)),
        friction_n_m: assumed.take(friction, 0.0, "no mechanical friction at the shaft of another pump"),
    };
    (pump_spec(table, assumed), shaft)
}

/// The commanded pump could not be read; that is noted already.
fn unread() -> PumpSpec {
    PumpSpec {
        rated_speed_rad_s: f64::NAN,
        rated_flow_m3_s: f64::NAN,
        rated_head_m: f64::NAN,
        rated_efficiency: f64::NAN,
        curve: Vec::new(),
        efficiency: Vec::new(),
        npsh_required_m: f64::NAN,
        condition: PumpCondition::default(),
    }
}

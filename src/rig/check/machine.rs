//! What the machines and the water themselves refuse: a nameplate that describes no motor, a network without a state.

use crate::hydraulics::spec::{ElementKind, NetworkSpec};
use crate::hydraulics::steady;
use crate::hydraulics::water::barometric_head_m;
use crate::rig::derived::suction_lift_m;
use crate::rig::file::RigFile;
use crate::rig::model::Rig;
use crate::rig::reader::{Document, Spot};
use crate::starters::Motor;

/// The nameplate as a whole; single values are checked where they are read.
pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    let spec = &file.motor.spec;
    let numbers = [spec.rated_power_w, spec.rated_speed_rad_s, spec.frequency_hz, spec.full_load_current_a];
    let multiples = [spec.locked_rotor_current, spec.locked_rotor_torque, spec.pull_up_torque, spec.breakdown_torque];
    let rest = [spec.voltage_v, spec.inertia_kg_m2, spec.power_factor, spec.efficiency];
    let unread = numbers.iter().chain(&multiples).chain(&rest).any(|number| number.is_nan()) || spec.poles == 0;
    if unread {
        return;
    }
    if let Err(why) = Motor::new(*spec) {
        document.note(&file.motor.spot, why.to_string(), "a nameplate that describes a motor", None);
    }
}

/// No water stands higher over the level it is drawn from than the atmosphere carries it, in any line-up (needs a compiled
/// rig); told of the first.
pub(in crate::rig) fn suction_lift(document: &Document<'_>, rig: &Rig, element_spots: &[Spot]) {
    let line_ups = (0..rig.line_ups.len()).map(|line_up| (rig.plant_parts(line_up).0, &rig.line_ups[line_up].id));
    let too_high = |(network, _): &(NetworkSpec, &String)| {
        suction_lift_m(network).is_some_and(|lift_m| lift_m >= barometric_head_m(&network.liquid))
    };
    let Some((network, id)) = line_ups.into_iter().find(too_high) else { return };
    let network = &network;
    let Some(pump) = network.elements.iter().position(|element| matches!(element.kind, ElementKind::Pump(_))) else {
        return;
    };
    let Some(lift_m) = suction_lift_m(network) else { return };
    let limit_m = barometric_head_m(&network.liquid);
    if lift_m >= limit_m
        && let Some(spot) = element_spots.get(pump)
    {
        let found = format!(
            "a suction lift of {lift_m:.2} m in line-up {id}, at which the water boils before it is at the pump: the column would part"
        );
        let allowed = format!("a lift below {limit_m:.2} m, the atmosphere less the vapour pressure");
        document.note(spot, found, allowed, None);
    }
}

/// Every line-up must have a state at rest with the line full (needs a compiled rig).
pub(in crate::rig) fn at_rest(document: &Document<'_>, rig: &Rig, element_spots: &[Spot], rig_spot: &Spot) {
    for (i, line_up) in rig.line_ups.iter().enumerate() {
        let (network, ..) = rig.plant_parts(i);
        let Err(why) = steady::solve(&network, 0.0) else { continue };
        let words = why.to_string();
        // The solver names the element in backquotes; the file's line of it helps more than the rig's.
        let named = network.elements.iter().position(|element| words.contains(&format!("`{}`", element.name)));
        let spot = named.and_then(|element| element_spots.get(element)).unwrap_or(rig_spot);
        let allowed = format!("a line that can stand full of water at rest in line-up {}", line_up.id);
        document.note(spot, words, allowed, None);
        return;
    }
}

//! What a person should know of a line-up before the first start.

use super::{DutyPoint, LineUpFigures, limits, slow_setting};
use crate::hydraulics::plant::{ShortPipeNote, short_pipes as short_pipes_of};
use crate::hydraulics::pump::trouble::{head_share_by_npsh, npsh_margin_m};
use crate::hydraulics::spec::{ElementKind, GridOptions, NetworkSpec, PumpCondition};
use crate::rig::model::{Rig, Starter};
use crate::rig::register_map::Role;
use crate::starters::StarterKind;
use crate::starters::duty_tables::allowed_starts;

/// Every notice of a line-up.
pub(super) fn of(rig: &Rig, figures: &LineUpFigures) -> Vec<String> {
    let mut lines: Vec<String> = figures.no_useful_speed.iter().cloned().collect();
    if let Some(why) = figures.priming.as_ref().and_then(|priming| priming.not_primed.as_ref()) {
        lines.push(format!("the pump does not prime: {why}"));
    }
    lines.extend(set_speeds(rig, figures));
    if let Some(duty) = &figures.duty {
        lines.extend(suction_head(rig, duty));
        lines.extend(motor_power(rig, duty));
    }
    lines.into_iter().map(|line| format!("line-up {}: {line}", figures.line_up)).collect()
}

fn suction_head(rig: &Rig, duty: &DutyPoint) -> Option<String> {
    let (available_m, required_m) = (duty.npsh_available_m, duty.npsh_required_m);
    let margin_m = npsh_margin_m(available_m, required_m);
    if margin_m < 0.0 {
        return Some(format!(
            "NPSH available {available_m:.1} m is below the {required_m:.1} m the pump requires there: it keeps about {:.0} % \
             of its head and cavitates",
            100.0 * head_share_by_npsh(available_m / required_m)
        ));
    }
    (margin_m < rig.npsh_margin_m).then(|| {
        format!(
            "NPSH margin {margin_m:.2} m (available {available_m:.2} m, required {required_m:.2} m) is below the {:.2} m wanted",
            rig.npsh_margin_m
        )
    })
}

fn motor_power(rig: &Rig, duty: &DutyPoint) -> Option<String> {
    let motor_power_w = duty.shaft_power_w / rig.motor.mounting.belt_efficiency;
    (motor_power_w > rig.motor.rated_power_w).then(|| {
        format!(
            "motor power {:.2} kW is above the motor's {:.2} kW",
            motor_power_w / 1e3,
            rig.motor.rated_power_w / 1e3
        )
    })
}

/// What maps leave unsaid of how starters start and stop by themselves: nothing is read before a start there.
pub(super) fn restarts(rig: &Rig) -> Vec<String> {
    let silent =
        |starter: &&Starter| !rig.station && Role::BEFORE_A_START.iter().all(|role| starter.map.field(*role).is_none());
    let line = |starter: &Starter| {
        format!(
            "starter {}: map {} has no register for restart after a fault, run on power-up or flying start: nothing of them is \
             read before a start; look at the starter itself",
            starter.id, starter.map.name
        )
    };
    let ramps =
        |starter: &&Starter| !rig.station && starter.map.cia402 && starter.map.field(Role::QuickStopOption).is_none();
    let other = |starter: &Starter| {
        format!(
            "starter {}: map {} has no quick_stop_option: a stop by ramp is a quick stop, which may take another ramp than \
             ramp_down; look at the drive",
            starter.id, starter.map.name
        )
    };
    let no_line = |starter: &&Starter| {
        !rig.station && starter.kind != StarterKind::AcrossTheLine && starter.map.field(Role::LineOff).is_none()
    };
    let own_cut = |starter: &Starter| {
        format!("starter {}: no line contactor is described (line_off): contactor off is its own cut", starter.id)
    };
    let starters = || rig.starters.iter();
    let lines = starters().filter(silent).map(line).chain(starters().filter(ramps).map(other));
    lines.chain(starters().filter(no_line).map(own_cut)).collect()
}

/// Pipes that predictions take as rigid columns, whatever the line-up.
pub(super) fn short_pipes(rig: &Rig) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for line_up in 0..rig.line_ups.len() {
        let (network, ..) = rig.plant_parts(line_up);
        let lump_short_pipes = rig.lines_at_start(line_up).is_none();
        let grid = GridOptions { lump_short_pipes, ..rig.grid() };
        let told = match short_pipes_of(&network, &grid) {
            Ok(notes) => notes.iter().map(ShortPipeNote::in_words).collect(),
            Err(why) => vec![format!("line-up {}: no prediction can be made: {why}", rig.line_ups[line_up].id)],
        };
        for line in told {
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
    }
    lines
}

/// Drives that are set to speeds at which no water moves, or too fast for motor or parts.
fn set_speeds(rig: &Rig, figures: &LineUpFigures) -> Vec<String> {
    let (Some(speeds), Some(static_m)) = (&figures.useful_speeds, figures.static_head_m) else { return Vec::new() };
    let mut lines = Vec::new();
    for starter in &rig.starters {
        let set = starter.settings.speed.map(|share| ("set speed", share));
        let held = starter.panel.set_point.map(|set_point| ("lowest speed of its set point", set_point.lowest_speed));
        for (what, share) in set.filter(|_| held.is_none()).into_iter().chain(held) {
            let words = slow_setting(rig, speeds, static_m, share);
            lines.extend(words.map(|words| format!("starter {}: {what} {words}", starter.id)));
        }
        let highest =
            starter.panel.set_point.map(|set_point| ("highest speed of its set point", set_point.highest_speed));
        for (what, share) in set.filter(|_| highest.is_none()).into_iter().chain(highest) {
            let words = limits::fast_setting(rig, speeds, share);
            lines.extend(words.map(|words| format!("starter {}: {what} {words}", starter.id)));
        }
    }
    lines
}

/// A pump that is not as it was, in words; `None`: it is.
pub fn condition_words(network: &NetworkSpec) -> Option<String> {
    let condition = network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some(pump.condition),
        _ => None,
    })?;
    let PumpCondition { wear_leak_share, wrong_rotation, splash } = condition;
    let mut words = Vec::new();
    if wear_leak_share > 0.0 {
        words
            .push(format!("worn rings let {:.0} % of the rated flow slip back at rated head", 100.0 * wear_leak_share));
    }
    if wrong_rotation {
        words.push(
            "the impeller turns the wrong way (two phases swapped); shaft speed counts as the motor drives".into(),
        );
    }
    if let Some(splash) = splash {
        words.push(format!(
            "a return that splashes beside the suction inlet brings up to {:.1} % of free air",
            100.0 * splash.air_share
        ));
    }
    (!words.is_empty()).then(|| format!("the pump is not as new: {}", words.join("; ")))
}

/// Every kinked hose in words: where, how much it takes, and what opens it.
pub fn kink_words(network: &NetworkSpec) -> Vec<String> {
    let kinked = network.elements.iter().filter_map(|element| match &element.kind {
        ElementKind::Pipe(pipe) => Some((&element.name, pipe.lay_flat?.kink?)),
        _ => None,
    });
    let words = kinked.map(|(name, kink)| {
        let opens = match kink.opens_pa.is_finite() {
            true => format!("halved at {:.2} bar", kink.opens_pa / 1e5),
            false => "the same under any pressure".to_owned(),
        };
        format!(
            "hose {name} has a kink at {:.0} % of its length: loss coefficient {:.1} without pressure, {opens}",
            100.0 * kink.share,
            kink.loss_k
        )
    });
    words.collect()
}

/// Declared starts an hour against the table for such a motor, and against each soft starter's own rating.
pub(super) fn duty(rig: &Rig) -> Vec<String> {
    let declared = rig.motor_duty.starts_per_hour;
    let table = allowed_starts(rig.motor.rated_power_w, rig.motor.poles);
    let motor = table.filter(|allowed| f64::from(declared) > allowed.per_hour).map(|allowed| {
        format!(
            "motor: {declared} starts an hour declared, NEMA MG 10-2001 table 2-3 allows {:.1} to a motor of {:.1} kW and {} \
             poles with as much inertia as it names; the maker's own figure stands above the table",
            allowed.per_hour,
            rig.motor.rated_power_w / 1e3,
            rig.motor.poles
        )
    });
    let starters = rig.starters.iter().filter_map(|starter| {
        let (rated, declared) = (starter.panel.duty_rating?.starts_per_hour, starter.duty.starts_per_hour);
        (declared > rated)
            .then(|| format!("starter {}: {declared} starts an hour declared, its own rating is {rated}", starter.id))
    });
    motor.into_iter().chain(starters).collect()
}

/// How the motor is reckoned with, in words.
pub fn motor_words(rig: &Rig) -> String {
    let mounting = &rig.motor.mounting;
    let mut words = match rig.motor.kloss {
        false => "torque through its four points (locked rotor, pull-up, breakdown, rated)".to_owned(),
        true => "torque by Kloss from breakdown torque and rated slip".to_owned(),
    };
    if mounting.supply_dip > 0.0 {
        words.push_str(&format!(
            "; the supply dips by {:.1} % under its locked-rotor current",
            100.0 * mounting.supply_dip
        ));
    }
    if (mounting.belt_ratio - 1.0).abs() > f64::EPSILON || mounting.belt_efficiency < 1.0 {
        words.push_str(&format!(
            "; the pump turns at {:.3} of its speed through a belt of {:.0} % efficiency",
            mounting.belt_ratio,
            100.0 * mounting.belt_efficiency
        ));
    }
    words
}

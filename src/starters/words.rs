//! A starter's settings in words, each with what it is relative to.

use super::panel::{PanelSettings, SoftStop};
use super::ramp_shape::RampShape;
use super::set_point::Controlled;
use super::settings::{DRIVE_CURRENT_LIMIT, INITIAL_VOLTAGE, RAMP_S};
use super::{Settings, StarterKind};

/// Every setting in force, one a line; what the file leaves open is marked as assumed.
///
/// ```
/// use ramprig::starters::{PanelSettings, Settings, StarterKind, settings_in_words};
/// let settings = Settings { ramp_up_s: Some(6.0), speed: Some(0.8), ..Settings::default() };
/// let words = settings_in_words(StarterKind::VariableSpeed, &settings, &PanelSettings::default());
/// assert!(words[0].contains("6 s from standstill to rated frequency"), "{words:?}");
/// ```
pub fn settings_in_words(kind: StarterKind, settings: &Settings, panel: &PanelSettings) -> Vec<String> {
    match kind {
        StarterKind::AcrossTheLine => across_the_line(panel),
        StarterKind::SoftStarter => soft_starter(settings, panel),
        StarterKind::VariableSpeed => drive(settings, panel),
    }
}

/// A setting with `assumed` behind it where the file does not say.
fn or_assumed(value: Option<f64>, stand_in: f64, unit: &str) -> String {
    match value {
        Some(value) => format!("{value}{unit}"),
        None => format!("{stand_in}{unit} (assumed)"),
    }
}

fn across_the_line(panel: &PanelSettings) -> Vec<String> {
    match panel.star_delta {
        None => vec!["full line voltage at once".to_owned()],
        Some(star) => vec![format!(
            "star-delta: {} s from the star contactor's closing to its opening, {} s without voltage, then delta",
            star.star_s, star.pause_s
        )],
    }
}

fn soft_starter(settings: &Settings, panel: &PanelSettings) -> Vec<String> {
    let initial = 100.0 * settings.initial_voltage.unwrap_or(INITIAL_VOLTAGE);
    let assumed = if settings.initial_voltage.is_none() { " (assumed)" } else { "" };
    let mut words = vec![format!(
        "ramp up {} from initial voltage, {initial:.0} % of line voltage{assumed}, to full voltage",
        or_assumed(settings.ramp_up_s, RAMP_S, " s")
    )];
    words.push(match (settings.ramp_down_s, panel.soft_stop) {
        (None, _) | (Some(0.0), _) => "no ramp down: off at once".to_owned(),
        (Some(time_s), SoftStop::Voltage) => {
            format!("ramp down {time_s} s from full to initial voltage, then off")
        }
        (Some(time_s), SoftStop::Torque) => {
            format!("ramp down {time_s} s of torque, from that at the stop straight to nothing")
        }
    });
    words.extend(settings.current_limit.map(|limit| format!("current limit {limit} x the motor's full-load current")));
    words.extend(panel.kick.map(|kick| {
        let share = 100.0 * kick.voltage;
        format!("kick of {share:.0} % of line voltage for {} s before the ramp, without current limit", kick.time_s)
    }));
    words.extend(panel.duty_rating.map(|duty| {
        let rated = duty.rated_current_a.map_or("the motor's full-load current".to_owned(), |a| format!("{a} A"));
        let (current, time_s, starts) = (duty.current, duty.time_s, duty.starts_per_hour);
        format!("its own rating: {current} x {rated} for {time_s} s, {starts} starts an hour")
    }));
    words
}

fn drive(settings: &Settings, panel: &PanelSettings) -> Vec<String> {
    let up = or_assumed(settings.ramp_up_s, RAMP_S, " s");
    let down = or_assumed(settings.ramp_down_s, settings.ramp_up_s.unwrap_or(RAMP_S), " s");
    let mut words = vec![
        format!("ramp up {up} from standstill to rated frequency, {}", shape(&panel.ramp_up_shape)),
        format!("ramp down {down} from rated frequency to standstill, {}", shape(&panel.ramp_down_shape)),
        format!("set speed {} x rated frequency", or_assumed(settings.speed, 1.0, "")),
        format!(
            "current limit {} the motor's full-load current",
            or_assumed(settings.current_limit, DRIVE_CURRENT_LIMIT, " x")
        ),
        format!("brakes with {} x rated torque at most, so that a fast stop stretches", panel.braking()),
    ];
    words.extend(panel.torque_limit.map(|limit| format!("torque limit {limit} x the motor's rated torque")));
    words.extend(panel.set_point.map(|held| {
        let (what, unit) = match held.controlled {
            Controlled::Pressure { .. } | Controlled::Channel { .. } => ("gauge pressure", "Pa"),
            Controlled::Flow => ("flow", "m3/s"),
            Controlled::Level { .. } => ("level over the datum", "m"),
        };
        format!(
            "its own controller holds {what} at {} {unit}, looking every {} s with {} s of delay, between {} and {} x rated \
             frequency",
            held.set_point, held.tick_s, held.delay_s, held.lowest_speed, held.highest_speed
        )
    }));
    words
}

fn shape(shape: &RampShape) -> &'static str {
    match shape {
        RampShape::Linear => "straight",
        RampShape::S => "S-shaped over the same time and change",
        RampShape::Profile(_) => "by its own profile over the same time and change",
    }
}

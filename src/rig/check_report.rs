//! What `check` prints: every derived figure, plain and aligned, in SI or US customary.

use super::derived::{Derived, DutyPoint, LineUpFigures};
use super::model::Rig;
use crate::units::display::{System, significant};
use crate::units::{Dimension, Reference};
use std::fmt::Write;

/// The report as text.
pub fn text(derived: &Derived, system: System) -> String {
    let mut page = Page { system, text: String::new() };
    let invented = if derived.invented { "  (INVENTED: no such rig exists)" } else { "" };
    page.line(&format!("{}{invented}", titled(&derived.rig, &derived.name)));
    water(&mut page, derived);
    pipes(&mut page, derived);
    for line_up in &derived.line_ups {
        line_up_figures(&mut page, derived, line_up);
    }
    page.heading("Motor");
    page.line(&format!("  {}", derived.motor));
    page.heading("Starters");
    for starter in &derived.starters {
        for (number, line) in starter.settings.iter().enumerate() {
            page.row(if number == 0 { &starter.id } else { "" }, line);
        }
    }
    strength(&mut page, derived);
    chains(&mut page, derived);
    if !derived.links.is_empty() {
        page.heading("Worst stop delay");
    }
    for link in &derived.links {
        let budget_ms = significant(link.stop_delay_budget_s * 1e3, 3);
        let worst_ms = significant(link.worst_stop_delay_s * 1e3, 3);
        let split = link.registers_a_poll.map_or(String::new(), |most| format!(", polls of {most} registers at most"));
        page.row(&format!("link {}", link.id), &format!("{worst_ms} ms of {budget_ms} ms accepted{split}"));
    }
    list(&mut page, "Notices", &derived.notices);
    list(&mut page, "Assumed, since the file does not say", &derived.assumptions);
    page.text
}

/// What there is to say of a rig that is only watched.
pub fn logger_text(rig: &Rig) -> String {
    let mut page = Page { system: System::Si, text: String::new() };
    let invented = if rig.invented { "  (INVENTED: no such rig exists)" } else { "" };
    page.line(&format!("{}{invented}", titled(&rig.id, &rig.name)));
    page.line("only watched: nothing is commanded, nothing is predicted");
    page.heading("Devices that are looked at");
    for device in &rig.devices {
        page.row(
            &device.id,
            &format!("unit {} on link {}, map {}", device.unit, rig.links[device.link].id, device.map.name),
        );
    }
    page.heading("Channels");
    for channel in &rig.channels {
        page.row(&channel.id.0, &channel.label);
    }
    page.heading("Triggers");
    for trigger in &rig.observing.triggers {
        page.row(&trigger.id, "an event begins here");
    }
    list(&mut page, "Assumed, since the file does not say", &rig.assumptions);
    page.text
}

/// The report as one JSON object, SI.
pub fn json(derived: &Derived) -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(derived)
}

/// Id and name; once where they are the same.
fn titled(id: &str, name: &str) -> String {
    if id == name { id.to_owned() } else { format!("{id}: {name}") }
}

struct Page {
    system: System,
    text: String,
}

/// Width of the column of names.
const NAMES: usize = 30;

impl Page {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }
    fn heading(&mut self, heading: &str) {
        self.line("");
        self.line(heading);
    }
    fn row(&mut self, name: &str, value: &str) {
        // Writing to a String cannot fail.
        let _infallible = writeln!(self.text, "  {name:<NAMES$}  {value}");
    }
    fn plain(&mut self, name: &str, si: f64, dimension: Dimension) {
        let value = self.system.plain(si, dimension);
        self.row(name, &value);
    }
}

fn water(page: &mut Page, derived: &Derived) {
    let liquid = &derived.liquid;
    page.heading("Water and site");
    page.plain("temperature", derived.temperature_c, Dimension::Temperature);
    page.plain("density", liquid.density_kg_m3, Dimension::Density);
    let atmosphere = page.system.show(liquid.atmosphere_pa, Dimension::Pressure, Reference::Absolute);
    page.row("atmosphere", &atmosphere);
    let vapour = page.system.show(liquid.vapour_pa, Dimension::Pressure, Reference::Absolute);
    page.row("vapour pressure", &vapour);
}

fn pipes(page: &mut Page, derived: &Derived) {
    page.heading("Pipes and hoses");
    for pipe in &derived.pipes {
        let speed = page.system.plain(pipe.wave_speed_m_s, Dimension::Velocity);
        let length = page.system.plain(pipe.length_m, Dimension::Length);
        let time = milliseconds(pipe.reflection_time_s);
        page.row(&pipe.id, &format!("{length}, wave speed {speed}, 2L/a {time}"));
        if !pipe.wave_speeds_by_pressure.is_empty() {
            let told = pipe.wave_speeds_by_pressure.iter().map(|(pressure_pa, speed_m_s)| {
                let pressure = page.system.show(*pressure_pa, Dimension::Pressure, Reference::Gauge);
                format!("{} at {pressure}", page.system.plain(*speed_m_s, Dimension::Velocity))
            });
            let told: Vec<String> = told.collect();
            page.row("", &format!("lies flat without pressure; wave speed {}", told.join(", ")));
        }
    }
    page.row("2L/a of the delivery line", &milliseconds(derived.delivery_reflection_time_s));
}

fn milliseconds(time_s: f64) -> String {
    format!("{} ms", significant(time_s * 1e3, 4))
}

fn line_up_figures(page: &mut Page, derived: &Derived, figures: &LineUpFigures) {
    page.heading(&format!("Line-up {}", figures.line_up));
    for (name, value) in [("static head", figures.static_head_m), ("suction lift", figures.suction_lift_m)] {
        if let Some(value) = value {
            page.plain(name, value, Dimension::Length);
        }
    }
    if let Some(duty) = &figures.duty {
        duty_point(page, derived, duty);
    }
    if let Some(time_s) = figures.acceleration_across_the_line_s {
        page.row("across the line to 95 % speed", &format!("{} s", significant(time_s, 3)));
    }
    if let Some(speeds) = &figures.useful_speeds {
        let by = if speeds.maximum_by_power { "motor power" } else { "rated pressure" };
        let least = page.system.plain(speeds.minimum_rad_s, Dimension::Speed);
        let most = page.system.plain(speeds.maximum_rad_s, Dimension::Speed);
        page.row("speeds of use", &format!("from {least} (static head) to {most} ({by})"));
    }
    if let Some(time_s) = figures.priming.as_ref().and_then(|priming| priming.time_s) {
        page.row("priming at running speed", &format!("{} s", significant(time_s, 3)));
    }
    if let Some(why) = &figures.not_running {
        page.row("no further figures", why);
    }
}

fn duty_point(page: &mut Page, derived: &Derived, duty: &DutyPoint) {
    page.plain("duty point, flow", duty.flow_m3_s, Dimension::Flow);
    page.plain("duty point, head", duty.head_m, Dimension::Length);
    page.plain("running speed", duty.speed_rad_s, Dimension::Speed);
    page.plain("shaft power", duty.shaft_power_w, Dimension::Power);
    page.plain("line current", duty.current_a, Dimension::Current);
    let available = page.system.plain(duty.npsh_available_m, Dimension::Length);
    let required = page.system.plain(duty.npsh_required_m, Dimension::Length);
    let margin = page.system.plain(duty.npsh_available_m - duty.npsh_required_m, Dimension::Length);
    page.row("NPSH available", &format!("{available}, required {required}, margin {margin}"));
    for other in &duty.other_pumps {
        let flow = page.system.plain(other.flow_m3_s, Dimension::Flow);
        let state = match other.speed_rad_s {
            Some(speed_rad_s) => format!("runs at {}", page.system.plain(speed_rad_s, Dimension::Speed)),
            None => "stands".to_owned(),
        };
        page.row(&format!("pump {}", other.id), &format!("{state}, {flow}"));
    }
    let weight_n_m3 = derived.liquid.density_kg_m3 * derived.liquid.gravity_m_s2;
    for channel in &duty.channels {
        let running = page.system.gauge_with_head(channel.running_gauge_pa, weight_n_m3);
        let resting = page.system.gauge_with_head(channel.resting_gauge_pa, weight_n_m3);
        page.row(&channel.id, &format!("running {running}, at rest {resting}"));
    }
}

fn strength(page: &mut Page, derived: &Derived) {
    page.heading("Strength");
    page.plain("shut-off head at top speed", derived.shut_off_head_m, Dimension::Length);
    if let Some(weakest) = &derived.weakest {
        let pressure = page.system.show(weakest.pressure_gauge_pa, Dimension::Pressure, Reference::Gauge);
        let rated = page.system.show(weakest.rated_gauge_pa, Dimension::Pressure, Reference::Gauge);
        page.row("weakest part", &format!("{}: {pressure} standing, rated {rated}", weakest.element));
    }
}

/// A line a channel, and what is withheld.
fn chains(page: &mut Page, derived: &Derived) {
    page.heading("Channels");
    for chain in &derived.chains {
        let hz =
            |value: f64| if value.is_finite() { format!("{} Hz", significant(value, 3)) } else { "all".to_owned() };
        let pressure = [&chain.reference, &chain.mounting].into_iter().flatten().cloned();
        let mut line = pressure.chain([format!("passes {}", hz(chain.passes_hz))]).collect::<Vec<_>>().join(", ");
        if let Some(figures) = &chain.line {
            line.push_str(&format!(", rings at {}, flat to {}", hz(figures.natural_hz), hz(figures.flat_to_hz)));
        }
        if chain.group_delay_s > 0.0 {
            line.push_str(&format!(", delay {}", milliseconds(chain.group_delay_s)));
        }
        page.row(&chain.id, &line);
        for why in &chain.withheld {
            page.row("", &format!("withheld: {why}"));
        }
    }
}

fn list(page: &mut Page, heading: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    page.heading(heading);
    for line in lines {
        page.line(&format!("  - {line}"));
    }
}

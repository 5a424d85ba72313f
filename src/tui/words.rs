//! Numbers in the units that people read, and states in words. A colour only repeats a word (IEC 60073).

use crate::api::{Activity, Snapshot, StarterView};
use crate::sequence::ports::{Level, LinkState, StopOutcome};
use crate::starters::StarterKind;
use crate::units::Dimension;
use crate::units::display::System;
use ratatui::style::{Color, Modifier, Style};

/// How a quantity is written: its factor from SI, its unit, its digits after the point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Unit {
    pub by: f64,
    pub name: &'static str,
    pub digits: usize,
}

impl Unit {
    /// What people of this system read `dimension` in; of dimensions whose nought is nought in every unit.
    fn of(system: System, dimension: Dimension, digits: usize) -> Self {
        Self { by: system.number(1.0, dimension), name: system.unit_name(dimension), digits }
    }

    /// The number alone; `--` for none.
    pub fn number(self, si: Option<f64>) -> String {
        let Some(value) = si.filter(|value| value.is_finite()) else { return "--".to_owned() };
        let text = format!("{:.*}", self.digits, value * self.by);
        // No minus before nothing.
        match text.strip_prefix('-') {
            Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
            _ => text,
        }
    }

    /// With its unit.
    pub fn show(self, si: Option<f64>) -> String {
        format!("{} {}", self.number(si), self.name)
    }
}

/// Pressure.
pub(super) fn pressure(system: System) -> Unit {
    Unit::of(system, Dimension::Pressure, if system == System::Si { 2 } else { 1 })
}

/// Head and length.
pub(super) fn length(system: System) -> Unit {
    Unit::of(system, Dimension::Length, if system == System::Si { 1 } else { 0 })
}

/// The unit of a channel that the API tells in `si`.
pub(super) fn unit(system: System, si: &str) -> Unit {
    match si {
        "Pa" | "Pa difference" => pressure(system),
        "rad/s" => Unit::of(system, Dimension::Speed, 0),
        "A" => Unit::of(system, Dimension::Current, 1),
        "m3/s" => Unit::of(system, Dimension::Flow, 1),
        "W" => Unit::of(system, Dimension::Power, 2),
        _ => Unit { by: 1.0, name: "", digits: 2 },
    }
}

/// A starter's kind.
pub(super) fn kind(kind: StarterKind) -> &'static str {
    match kind {
        StarterKind::AcrossTheLine => "across the line",
        StarterKind::SoftStarter => "soft starter",
        StarterKind::VariableSpeed => "variable-speed drive",
    }
}

/// What a state is about, for its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tone {
    Rest,
    Running,
    Notice,
    Danger,
}

impl Tone {
    /// Never without words beside it.
    pub fn style(self) -> Style {
        let style = Style::new().add_modifier(Modifier::BOLD);
        match self {
            Self::Rest => style,
            Self::Running => style.fg(Color::Green),
            Self::Notice => style.fg(Color::Yellow),
            Self::Danger => style.fg(Color::Red),
        }
    }
}

/// The rig's state in words.
pub(super) fn state(now: &Snapshot) -> (String, Tone) {
    if now.emergency_stop_ok == Some(false) {
        return ("EMERGENCY STOP is open".to_owned(), Tone::Danger);
    }
    if now.remote == Some(false) {
        return ("LOCAL: the rig is switched to its own panel".to_owned(), Tone::Notice);
    }
    let stop = now.run.as_ref().and_then(|run| run.stop);
    match now.activity {
        Activity::Running => in_a_run(now),
        Activity::Stopping => ("Stopping: watch for stop confirmed".to_owned(), Tone::Notice),
        Activity::Closing => (capital(&format!("{}. Closing the recording", stop_words(stop))), stop_tone(stop)),
        Activity::ShuttingDown => ("The program is shutting down".to_owned(), Tone::Notice),
        Activity::Idle => at_rest(now),
    }
}

fn at_rest(now: &Snapshot) -> (String, Tone) {
    let lost = now.samples_lost.is_some();
    match now.run.as_ref().and_then(|run| run.end.as_ref()) {
        _ if lost => ("No run is on. NO SAMPLES".to_owned(), Tone::Notice),
        None => nobody_runs(now),
        Some(end) if end.refused => {
            (format!("Refused: {}", end.aborted.as_deref().unwrap_or("no reason")), Tone::Notice)
        }
        Some(end) => {
            let how =
                end.aborted.as_ref().map_or_else(|| "All steps done".to_owned(), |why| format!("Ended early: {why}"));
            (capital(&format!("{}. {how}", stop_words(Some(end.stop)))), stop_tone(Some(end.stop)))
        }
    }
}

/// A run is on; green only while a motor is.
fn in_a_run(now: &Snapshot) -> (String, Tone) {
    let says = |on: bool| move |starter: &StarterView| starter.running == Some(on);
    match (now.starters.iter().any(says(true)), now.starters.iter().all(says(false))) {
        (true, _) => (format!("Running: {}", step(now)), Tone::Running),
        (false, true) => (format!("Run on, motor off: {}", step(now)), Tone::Notice),
        (false, false) => (format!("Run on: {}", step(now)), Tone::Notice),
    }
}

/// With a capital letter at its beginning.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Somebody else may have started the motor.
fn nobody_runs(now: &Snapshot) -> (String, Tone) {
    let on: Vec<&str> = now.starters.iter().filter(|s| s.running == Some(true)).map(|s| s.id.as_str()).collect();
    match on.is_empty() {
        true => ("No run is on".to_owned(), Tone::Rest),
        false => (format!("No run is on, but {} is ON", on.join(", ")), Tone::Notice),
    }
}

fn step(now: &Snapshot) -> String {
    let Some(run) = &now.run else { return "getting ready".to_owned() };
    match &run.progress {
        _ if run.question.is_some() => "waits for an answer".to_owned(),
        Some(progress) => progress.step.clone(),
        None => "getting ready".to_owned(),
    }
}

/// What was seen of the stop.
pub(super) fn stop_words(stop: Option<StopOutcome>) -> &'static str {
    match stop {
        Some(StopOutcome::Confirmed) => "stop confirmed",
        Some(StopOutcome::Inferred) => "stop inferred from status only: look at the motor",
        Some(StopOutcome::NotConfirmed) => "stop NOT confirmed: use the emergency stop",
        None => "no stop yet",
    }
}

fn stop_tone(stop: Option<StopOutcome>) -> Tone {
    match stop {
        Some(StopOutcome::Confirmed) | None => Tone::Rest,
        Some(_) => Tone::Danger,
    }
}

/// Where the run stands.
pub(super) fn progress(now: &Snapshot) -> Option<String> {
    let run = now.run.as_ref().filter(|run| run.end.is_none())?;
    let at = run.progress.as_ref()?;
    let time = match at.step_s.filter(|whole| at.in_step_s <= *whole) {
        Some(whole) => format!("{:.1} s left of {whole:.1}", whole - at.in_step_s),
        None => format!("{:.1} s", at.in_step_s),
    };
    let cycle = match at.cycle {
        0 => "before the first start".to_owned(),
        cycle => format!("cycle {cycle} of {}", at.cycles),
    };
    Some(format!("{}, {cycle}, step {} of {}: {}, {time}", run.starter, at.step_number, at.steps, at.step))
}

/// What stands before a log line.
pub(super) fn level(level: Level) -> &'static str {
    match level {
        Level::Note => "",
        Level::Notice => "NOTICE ",
        Level::Caution => "CAUTION ",
        Level::Warning => "WARNING ",
        Level::Danger => "DANGER ",
    }
}

/// A link that is down, in words.
pub(super) fn down(link: &LinkState) -> Option<&str> {
    match link {
        LinkState::Up => None,
        LinkState::Down { reason, .. } => Some(reason),
    }
}

/// Text broken into lines of at most `width` characters, between words where that can be.
pub(super) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines: Vec<String> = Vec::new();
    for line in text.lines() {
        let mut current = String::new();
        for word in line.split_whitespace() {
            let mut word = word;
            let fits = current.chars().count() + usize::from(!current.is_empty()) + word.chars().count() <= width;
            if !fits && !current.is_empty() {
                lines.push(std::mem::take(&mut current));
            }
            while word.chars().count() > width {
                let at = word.char_indices().nth(width).map_or(word.len(), |(at, _)| at);
                lines.push(word[..at].to_owned());
                word = &word[at..];
            }
            if !current.is_empty() {
                current.push(' ');
            }
            current.push_str(word);
        }
        lines.push(current);
    }
    lines
}

/// As much of a text as fits, and a sign where something is missing.
pub(super) fn cut(text: &str, width: usize) -> String {
    match text.chars().count() > width {
        true => text.chars().take(width.saturating_sub(1)).chain(['…']).collect(),
        false => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_numbers_in_both_systems_and_no_minus_before_nothing() {
        let bar = pressure(System::Si);
        assert_eq!(
            (bar.show(Some(241_300.0)), bar.show(Some(-100.0)), bar.show(None)),
            ("2.41 bar".into(), "0.00 bar".into(), "-- bar".into())
        );
        // 1 psi = 6894.757 Pa, 1 ft = 0.3048 m (NIST SP 811, appendix B.8).
        assert_eq!(pressure(System::Us).show(Some(68_947.57)), "10.0 psi");
        assert_eq!(length(System::Us).show(Some(3.048)), "10 ft");
        assert_eq!(unit(System::Si, "rad/s").show(Some(std::f64::consts::TAU * 24.0)), "1440 rpm");
        // 1 gpm = 6.309020e-5 m3/s, 1 hp = 745.6999 W (the same).
        assert_eq!(unit(System::Us, "m3/s").show(Some(6.309_020e-4)), "10.0 gpm");
        assert_eq!(unit(System::Us, "W").show(Some(1_491.399_8)), "2.00 hp");
    }

    #[test]
    fn breaks_between_words_and_loses_none() {
        let lines = wrapped("one two three\nfour fiveandahalfwords", 8);
        assert_eq!(lines, ["one two", "three", "four", "fiveanda", "halfword", "s"]);
        assert_eq!(cut("abcdef", 4), "abc…");
    }
}

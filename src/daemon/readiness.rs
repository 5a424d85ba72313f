//! What a start needs, as it stands now: for the faces, before a run. The start step looks for itself
//! (`sequence::interlock::start_blockers`); nothing is decided here.

use super::view::unit_of;
use super::{Shared, locked, run};
use crate::api::lead::{Reading, Requirement};
use crate::rig::model::{Condition, Permissive, Quantity};
use crate::rig::register_map::Role;
use crate::sequence::ports::{LinkState, SampleView};

/// What the bench unit reads, by role.
type BenchValues = Vec<(Role, u16)>;

fn in_words(what: impl Into<String>, holds: Option<bool>, found: impl Into<String>, needs: &str) -> Requirement {
    Requirement { what: what.into(), holds, found: found.into(), needs: needs.to_owned(), reading: None }
}

fn switch(what: &str, says: Option<bool>, [yes, no]: [&str; 2]) -> Option<Requirement> {
    let says = says?;
    Some(in_words(what, Some(says), if says { yes } else { no }, yes))
}

impl Shared {
    /// Everything that a start needs beside a person who attends, in the order in which it is looked for at the rig.
    pub(super) fn readiness(&self, remote: Option<bool>, emergency_stop_ok: Option<bool>) -> Vec<Requirement> {
        let samples = self.acquisition.port().view();
        let mut all = vec![arriving(&samples)];
        all.extend(self.bench_answers());
        all.extend(switch("emergency-stop circuit", emergency_stop_ok, ["closed", "OPEN"]));
        all.extend(switch("selector", remote, ["remote", "LOCAL"]));
        all.extend((0..self.rig.starters.len()).map(|index| self.starter_is_off(index)));
        all.extend(self.line_is_dead(&samples));
        all.extend(self.shaft_rests(&samples));
        all.push(self.guards(&samples));
        let bench = self.fieldbus.bench().and_then(|bench| bench.values()).map(|(_, values)| values);
        let own = self.rig.permissives.iter().filter(|permissive| !is_told_already(permissive));
        all.extend(own.map(|permissive| self.permissive(permissive, &samples, bench.as_ref())));
        all.extend((0..self.rig.starters.len()).map(|index| self.rested(index)));
        all
    }

    fn bench_answers(&self) -> Option<Requirement> {
        let link = self.fieldbus.bench()?.link();
        Some(in_words("bench unit", Some(link == LinkState::Up), link_words(&link), "answers"))
    }

    fn starter_is_off(&self, index: usize) -> Requirement {
        let (id, needs) = (&self.rig.starters[index].id, "answers, off, no fault");
        let port = locked(&self.looks[index]);
        let link = port.link();
        match port.status() {
            _ if link != LinkState::Up => in_words(id, Some(false), link_words(&link), needs),
            None => in_words(id, None, "not asked yet", needs),
            Some(status) if status.fault != 0 => {
                in_words(id, Some(false), self.rules.fault(index, status.fault), needs)
            }
            Some(status) => in_words(id, Some(!status.running), if status.running { "ON" } else { "off" }, needs),
        }
    }

    fn line_is_dead(&self, samples: &SampleView) -> Option<Requirement> {
        let channel = self.rules.current_channel?;
        Some(self.reads("line current", samples, channel, (None, Some(self.rules.current_off_a))))
    }

    fn shaft_rests(&self, samples: &SampleView) -> Option<Requirement> {
        let channel = self.rules.speed_channel?;
        Some(self.reads("shaft at rest", samples, channel, (None, Some(self.rules.rest_speed_rad_s))))
    }

    fn reads(
        &self,
        what: &str,
        samples: &SampleView,
        channel: usize,
        (low, high): (Option<f64>, Option<f64>),
    ) -> Requirement {
        let quantity = self.rig.channels.get(channel).map_or(Quantity::GaugePressure, |known| known.quantity);
        let alive = samples.lost.is_none();
        let value = samples.mean.get(channel).copied().filter(|value| alive && value.is_finite());
        let size = |value: f64| if quantity == Quantity::ShaftSpeed { value.abs() } else { value };
        let within = |value: f64| low.is_none_or(|low| value >= low) && high.is_none_or(|high| size(value) <= high);
        let reading = Reading { value, low, high, unit: unit_of(quantity).to_owned() };
        Requirement {
            what: what.to_owned(),
            holds: value.map(within),
            found: String::new(),
            needs: String::new(),
            reading: Some(reading),
        }
    }

    fn guards(&self, samples: &SampleView) -> Requirement {
        let failed = |(index, _): &&(usize, String)| samples.unbelievable.get(*index) == Some(&true);
        let names: Vec<&str> = self.rules.guarding.iter().filter(failed).map(|(_, id)| id.as_str()).collect();
        let (what, needs) = ("channels that guard", "each reads within what its sensor can show");
        match (samples.lost.is_some() || samples.newest_rig_ns == 0, names.is_empty()) {
            (true, _) => in_words(what, None, "no samples", needs),
            (false, true) => in_words(what, Some(true), "read", needs),
            (false, false) => in_words(what, Some(false), format!("FAILED: {}", names.join(", ")), needs),
        }
    }

    fn permissive(&self, of: &Permissive, samples: &SampleView, bench: Option<&BenchValues>) -> Requirement {
        match &of.condition {
            Condition::ChannelBetween { channel, low, high } => {
                self.reads(&of.text, samples, *channel, (Some(*low), Some(*high)))
            }
            Condition::FieldIs { role, value } => {
                let wanted = Role::from_name(role);
                let read = bench.and_then(|values| values.iter().find(|(known, _)| Some(*known) == wanted));
                let found = read.map_or_else(|| "not known".to_owned(), |(_, found)| found.to_string());
                in_words(&of.text, read.map(|(_, found)| found == value), found, &format!("{role} = {value}"))
            }
        }
    }

    fn rested(&self, index: usize) -> Requirement {
        let starter = &self.rig.starters[index];
        let what = format!("duty of {}", starter.id);
        let needs = format!(
            "its rest; at most {} starts an hour, {:.0} s after each (motor: {}, {:.0} s)",
            starter.duty.starts_per_hour,
            starter.duty.rest_s,
            self.rig.motor_duty.starts_per_hour,
            self.rig.motor_duty.rest_s
        );
        match run::duty_shown_s(self, index) {
            Some(left_s) if left_s <= 0.0 => in_words(what, Some(true), "may start", &needs),
            Some(left_s) if left_s.is_finite() => in_words(what, Some(false), left(left_s), &needs),
            Some(_) => in_words(what, Some(false), "motor runs, or no start is allowed", &needs),
            None => in_words(what, None, "not known: the full rest counts from the run on", &needs),
        }
    }
}

fn arriving(samples: &SampleView) -> Requirement {
    match &samples.lost {
        Some(why) => in_words("samples", Some(false), why, "arrive"),
        None if samples.newest_rig_ns == 0 => in_words("samples", None, "none yet", "arrive"),
        None => in_words("samples", Some(true), "arrive", "arrive"),
    }
}

/// A rest that is left: minutes where it is long.
fn left(left_s: f64) -> String {
    let whole = left_s.ceil();
    match whole >= 120.0 {
        true => format!("{:.0} min {:.0} s left", (whole / 60.0).floor(), whole % 60.0),
        false => format!("{whole:.0} s left"),
    }
}

fn link_words(link: &LinkState) -> String {
    match link {
        LinkState::Up => "answers".to_owned(),
        LinkState::Down { reason, .. } => reason.clone(),
    }
}

/// Selector and emergency-stop circuit have lines of their own.
fn is_told_already(permissive: &Permissive) -> bool {
    match &permissive.condition {
        Condition::FieldIs { role, value } => {
            *value == 1 && matches!(Role::from_name(role), Some(Role::Remote | Role::EmergencyStopOk))
        }
        Condition::ChannelBetween { .. } => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_a_long_rest_in_minutes() {
        assert_eq!([left(0.2), left(42.0), left(844.5)], ["1 s left", "42 s left", "14 min 5 s left"]);
    }
}

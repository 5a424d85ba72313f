//! Who holds the controls: one named person at a time, by a key that nobody else learns, for as long as there are signs of
//! life. A stop needs none of this.

use super::service::refused;
use crate::api::ServiceError;
use crate::api::secret::Secret;
use crate::api::stage::{Controller, Grant};

/// Without a sign of life for so long the controls are free again, wall.
const LEASE_NS: u64 = 15_000_000_000;
/// Silence of a holder that is told; faces give a sign of life every 4 s.
const SILENT_NS: u64 = 6_000_000_000;
/// How the controls came to be free is told for so long.
const FREED_TOLD_NS: u64 = 60_000_000_000;
/// Longest name, characters.
const LONGEST_NAME: usize = 80;

/// The controls.
#[derive(Debug, Default)]
pub(super) struct Control {
    held: Option<Held>,
    /// How they came to be free, and when.
    freed: Option<(String, u64)>,
}

#[derive(Debug)]
struct Held {
    key: Secret,
    by: Controller,
    seen_ns: u64,
}

impl Control {
    /// Take them at wall time `now_ns`.
    pub fn take(&mut self, name: &str, from: &str, now_ns: u64) -> Result<Grant, ServiceError> {
        let name = name.trim();
        if name.is_empty() || name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control) {
            return Err(refused("the controls need the name of the person who takes them, at most 80 characters"));
        }
        if let Some(held) = &self.held {
            let Controller { name, from } = &held.by;
            return Err(refused(format!("{name} ({from}) holds the controls; try: ask for them to be given back")));
        }
        let (key, kept) = Secret::make();
        let by = Controller { name: name.to_owned(), from: from.to_owned() };
        self.held = Some(Held { key: kept, by, seen_ns: now_ns });
        Ok(Grant { key, name: name.to_owned(), lease_s: LEASE_NS as f64 * 1e-9 })
    }

    /// Who holds them by this key: a sign of life.
    pub fn by_key(&mut self, key: &str, now_ns: u64) -> Result<Controller, ServiceError> {
        let held = self.held.as_mut().filter(|held| held.key.is(key)).ok_or_else(|| {
            refused("this needs the controls, and this face does not hold them; try: take the controls")
        })?;
        held.seen_ns = now_ns;
        Ok(held.by.clone())
    }

    /// Give them back.
    pub fn give(&mut self, key: &str, now_ns: u64) -> Result<Controller, ServiceError> {
        let by = self.by_key(key, now_ns)?;
        self.held = None;
        self.freed = Some((format!("given back by {}", by.name), now_ns));
        Ok(by)
    }

    /// Take them back from whoever gives no sign of life; says from whom.
    pub fn time_out(&mut self, now_ns: u64) -> Option<Controller> {
        let by = self.held.take_if(|held| now_ns.saturating_sub(held.seen_ns) > LEASE_NS)?.by;
        self.freed = Some((format!("{} gave no sign of life", by.name), now_ns));
        Some(by)
    }

    /// Who holds them.
    pub fn holder(&self) -> Option<Controller> {
        self.held.as_ref().map(|held| held.by.clone())
    }

    /// What stands beside the holder's name: that they are about to time out, or how they came to be free.
    pub fn note(&self, now_ns: u64) -> Option<String> {
        let seconds = |ns: u64| ns / 1_000_000_000;
        match (&self.held, &self.freed) {
            (Some(held), _) => {
                let silent_ns = now_ns.saturating_sub(held.seen_ns);
                let left_s = seconds(LEASE_NS.saturating_sub(silent_ns));
                (silent_ns >= SILENT_NS)
                    .then(|| format!("no sign of life for {} s, free in {left_s} s", seconds(silent_ns)))
            }
            (None, Some((how, at_ns))) => (now_ns.saturating_sub(*at_ns) < FREED_TOLD_NS).then(|| how.clone()),
            (None, None) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_the_controls_to_one_named_person_until_given_back_or_silent() {
        let mut control = Control::default();
        for nameless in ["", "  ", "a\nb", &"x".repeat(81)] {
            assert!(control.take(nameless, "here", 0).is_err(), "{nameless:?}");
        }
        let grant = control.take(" A. Tester ", "here", 0).unwrap();
        assert_eq!(grant.name, "A. Tester");
        let refusal = control.take("B. Tester", "there", 1).unwrap_err().to_string();
        assert!(refusal.contains("A. Tester (here)"), "{refusal}");
        assert!(control.by_key("", 1).is_err() && control.give("guessed", 1).is_err());
        assert_eq!(control.by_key(&grant.key, LEASE_NS).unwrap().name, "A. Tester");
        assert_eq!(control.time_out(2 * LEASE_NS), None, "a sign of life counts");
        assert_eq!(control.time_out(2 * LEASE_NS + 1).unwrap().name, "A. Tester");
        assert!(control.by_key(&grant.key, 3 * LEASE_NS).is_err(), "an old key holds nothing");
        let second = control.take("B. Tester", "there", 4 * LEASE_NS).unwrap();
        assert_ne!(second.key, grant.key);
        control.give(&second.key, 4 * LEASE_NS).unwrap();
        assert_eq!(control.holder(), None);
    }

    #[test]
    fn tells_that_they_time_out_and_how_they_came_to_be_free() {
        let mut control = Control::default();
        assert_eq!(control.note(0), None);
        let grant = control.take("A. Tester", "here", 0).unwrap();
        assert_eq!(control.note(SILENT_NS - 1), None);
        assert_eq!(control.note(9_000_000_000).unwrap(), "no sign of life for 9 s, free in 6 s");
        control.by_key(&grant.key, 9_000_000_000).unwrap();
        assert_eq!(control.note(9_000_000_000), None);
        let freed_ns = 9_000_000_001 + LEASE_NS;
        assert!(control.time_out(freed_ns).is_some());
        assert_eq!(control.note(freed_ns).unwrap(), "A. Tester gave no sign of life");
        assert_eq!(control.note(freed_ns + FREED_TOLD_NS), None);
        let second = control.take("B. Tester", "there", freed_ns).unwrap();
        control.give(&second.key, freed_ns).unwrap();
        assert_eq!(control.note(freed_ns).unwrap(), "given back by B. Tester");
    }
}

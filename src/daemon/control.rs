//! Who holds the controls: one named person at a time, by a key that nobody else learns, for as long as there are signs of
//! life. A stop needs none of this.

use super::service::refused;
use crate::api::ServiceError;
use crate::api::secret::Secret;
use crate::api::stage::{Controller, Grant};

/// Without a sign of life for so long the controls are free again, wall.
const LEASE_NS: u64 = 15_000_000_000;
/// Longest name, characters.
const LONGEST_NAME: usize = 80;

/// The controls.
#[derive(Debug, Default)]
pub(super) struct Control(Option<Held>);

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
        if let Some(held) = &self.0 {
            let Controller { name, from } = &held.by;
            return Err(refused(format!("{name} ({from}) holds the controls; try: ask for them to be given back")));
        }
        let (key, kept) = Secret::make();
        let by = Controller { name: name.to_owned(), from: from.to_owned() };
        self.0 = Some(Held { key: kept, by, seen_ns: now_ns });
        Ok(Grant { key, name: name.to_owned(), lease_s: LEASE_NS as f64 * 1e-9 })
    }

    /// Who holds them by this key: a sign of life.
    pub fn by_key(&mut self, key: &str, now_ns: u64) -> Result<Controller, ServiceError> {
        let held = self.0.as_mut().filter(|held| held.key.is(key)).ok_or_else(|| {
            refused("this needs the controls, and this face does not hold them; try: take the controls")
        })?;
        held.seen_ns = now_ns;
        Ok(held.by.clone())
    }

    /// Give them back.
    pub fn give(&mut self, key: &str, now_ns: u64) -> Result<Controller, ServiceError> {
        let by = self.by_key(key, now_ns)?;
        self.0 = None;
        Ok(by)
    }

    /// Take them back from whoever gives no sign of life; says from whom.
    pub fn time_out(&mut self, now_ns: u64) -> Option<Controller> {
        self.0.take_if(|held| now_ns.saturating_sub(held.seen_ns) > LEASE_NS).map(|held| held.by)
    }

    /// Who holds them.
    pub fn holder(&self) -> Option<Controller> {
        self.0.as_ref().map(|held| held.by.clone())
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
}

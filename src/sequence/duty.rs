//! Starts and rests that motors and starters were allowed: a ledger that survives restarts.
//!
//! The ledger keeps **ages** (rig time since), not dates. While samples come it ages with rig time ([`DutyLedger::pass_to`]);
//! from one process to the next by the time since the computer was switched on ([`Uptime`]), which no setting of the date
//! moves ([`DutyLedger::load`]). Across a restart of the computer only the time since that restart is sure, and only it counts.
//! Where nothing is known of a motor or starter, the full rest counts from now.

use crate::clock::Uptime;
use crate::rig::model::Duty;
use crate::starters::heating::{Heat, StartRating};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Starts are counted over this time, s.
pub const WINDOW_S: f64 = 3600.0;
/// Key of the motor; starters go by their id.
pub const MOTOR: &str = "motor";

/// Why a ledger could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum DutyError {
    /// The file system refused.
    #[error("{path}: {reason}")]
    File {
        /// File.
        path: PathBuf,
        /// Operating system's words.
        reason: std::io::Error,
    },
    /// The content is no ledger.
    #[error("{path}: not a duty ledger: {reason}")]
    Content {
        /// File.
        path: PathBuf,
        /// What is wrong.
        reason: serde_json::Error,
    },
}

/// What is remembered of a motor or starter.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct History {
    /// Ages of its starts, s, newest last.
    start_ages_s: Vec<f64>,
    /// Age of its last stop, s; `None`: it never ran, or runs.
    stop_age_s: Option<f64>,
    /// Started and not yet known to be stopped.
    running: bool,
    /// The device's own count of starts when last seen.
    device_starts: Option<u16>,
    /// Own starts that the device's count has not shown yet.
    own_unseen: u16,
    /// Heat of its starts, once it is known what its maker says of them.
    #[serde(default)]
    heat: Option<Heat>,
    /// Starts one after the other at which the pump ran without water.
    #[serde(default)]
    in_vain: u32,
}

impl History {
    fn start(&mut self) {
        self.start_ages_s.push(0.0);
        self.heat.iter_mut().for_each(Heat::start);
    }

    /// Time until fewer than `allowed` starts lie within the last `window_s`, s.
    fn window_left_s(&self, window_s: f64, allowed: u32) -> f64 {
        let within = self.start_ages_s.iter().filter(|age_s| **age_s < window_s);
        let ages_s: Vec<f64> = within.copied().collect();
        let too_many = ages_s.len().checked_sub(allowed as usize);
        too_many.and_then(|index| ages_s.get(index)).map_or(0.0, |age_s| window_s - age_s)
    }

    /// Time until its heat allows one more start, s. What nobody has watched is taken as warm from running.
    fn heat_left_s(&mut self, rating: StartRating, rested: bool) -> f64 {
        let heat = self.heat.get_or_insert(if rested { rating.cold() } else { rating.hot() });
        // The rig file may say something else by now.
        *heat = Heat { theta: heat.theta, ..rating.cold() };
        heat.wait_s()
    }
}

/// The ledger.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct DutyLedger {
    histories: BTreeMap<String, History>,
    /// For people; nothing is reckoned by it.
    saved_utc: String,
    #[serde(default)]
    saved_at: Uptime,
    #[serde(skip)]
    rig_s: Option<f64>,
    #[serde(skip)]
    rested: bool,
}

impl DutyLedger {
    /// Nothing is known: every motor and starter gets its full rest.
    pub fn unknown() -> Self {
        Self::default()
    }

    /// Known to have rested and never started (a virtual rig that was just made; a prediction).
    pub fn rested() -> Self {
        Self { rested: true, ..Self::default() }
    }

    /// Reads a ledger and ages it to `now`. No file: nothing is known.
    ///
    /// A motor that was running when the ledger was saved counts as stopped only now. Where it is not known how much time
    /// has passed, none has. Errors: the file cannot be read, or is no ledger (then take [`DutyLedger::unknown`]).
    pub fn load(path: &Path, now: &Uptime) -> Result<Self, DutyError> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(reason) if reason.kind() == std::io::ErrorKind::NotFound => return Ok(Self::unknown()),
            Err(reason) => return Err(DutyError::File { path: path.to_owned(), reason }),
        };
        let content = |reason| DutyError::Content { path: path.to_owned(), reason };
        let mut ledger: Self = serde_json::from_str(&text).map_err(content)?;
        let elapsed_s = elapsed_s(&ledger.saved_at, now);
        ledger.age(elapsed_s);
        for history in ledger.histories.values_mut().filter(|history| history.running) {
            history.running = false;
            history.stop_age_s = Some(0.0);
            // It ran for nobody knows how long.
            if let Some(heat) = &mut history.heat {
                heat.theta = heat.theta.max(heat.running);
            }
        }
        Ok(ledger)
    }

    /// Writes the ledger beside `path` and renames it over it, so that a crash leaves the old or the new one.
    pub fn save(&mut self, path: &Path, now_utc: &str, now: &Uptime) -> Result<(), DutyError> {
        self.saved_utc = now_utc.to_owned();
        self.saved_at = now.clone();
        let text = serde_json::to_string_pretty(self)
            .map_err(|reason| DutyError::Content { path: path.to_owned(), reason })?;
        let mut beside = path.as_os_str().to_owned();
        beside.push(".new");
        let beside = PathBuf::from(beside);
        write_durably(&beside, &text)
            .and_then(|()| std::fs::rename(&beside, path))
            .map_err(|reason| DutyError::File { path: path.to_owned(), reason })
    }

    /// A run begins: the ledger ages to `rig_now_s` when the same stream goes on, else by the time since it was saved.
    pub fn resume(&mut self, rig_now_s: f64, now: &Uptime) {
        match self.rig_s {
            Some(rig_s) if rig_now_s >= rig_s => self.age(rig_now_s - rig_s),
            Some(_) => self.age(elapsed_s(&self.saved_at, now)),
            None => {}
        }
        self.rig_s = Some(rig_now_s);
    }

    /// Rig time went on to `rig_now_s`.
    pub fn pass_to(&mut self, rig_now_s: f64) {
        let rig_s = self.rig_s.unwrap_or(rig_now_s);
        self.age((rig_now_s - rig_s).max(0.0));
        self.rig_s = Some(rig_now_s.max(rig_s));
    }

    /// Time until `key` may start again under `duty`, s; 0: now; infinite while it runs or when no starts are allowed.
    pub fn wait_s(&mut self, key: &str, duty: Duty) -> f64 {
        let rested = self.rested;
        let history = self.history(key);
        if history.running || duty.starts_per_hour == 0 {
            return f64::INFINITY;
        }
        let heat_left_s = duty.starts.map_or(0.0, |rating| history.heat_left_s(rating, rested));
        let rest_left_s = history.stop_age_s.map_or(0.0, |age_s| duty.rest_s - age_s);
        let window_left_s = history.window_left_s(WINDOW_S, duty.starts_per_hour);
        rest_left_s.max(window_left_s).max(heat_left_s).max(0.0)
    }

    /// A start of `key` was ordered.
    pub fn started(&mut self, key: &str) {
        let history = self.history(key);
        history.start();
        history.own_unseen = history.own_unseen.saturating_add(1);
        history.running = true;
        history.stop_age_s = None;
    }

    /// `key` was seen to be stopped.
    pub fn stopped(&mut self, key: &str) {
        let history = self.history(key);
        if history.running {
            history.running = false;
            history.stop_age_s = Some(0.0);
        }
    }

    /// Takes in the device's own count of starts of starter `key`. Starts that were not ours are counted as of now, for
    /// the starter and for the motor; returns how many. A count that went backwards (power-up) asks for the full rest.
    pub fn device_counted(&mut self, key: &str, count: u16) -> u16 {
        let history = self.history(key);
        let Some(before) = history.device_starts.replace(count) else {
            history.own_unseen = 0;
            return 0;
        };
        if count < before {
            history.own_unseen = 0;
            history.stop_age_s = history.stop_age_s.map(|_| 0.0);
            return 0;
        }
        let grown = count - before;
        let others = grown.saturating_sub(history.own_unseen);
        history.own_unseen = history.own_unseen.saturating_sub(grown);
        for _ in 0..others {
            self.foreign_start(key);
            self.foreign_start(MOTOR);
        }
        others
    }

    fn foreign_start(&mut self, key: &str) {
        let history = self.history(key);
        history.start();
        if !history.running {
            history.stop_age_s = Some(0.0);
        }
    }

    /// The pump was seen to prime, or a person said that it will.
    pub fn primed(&mut self, key: &str) {
        self.history(key).in_vain = 0;
    }

    /// A start at which the pump ran without water.
    pub fn not_primed(&mut self, key: &str) {
        let history = self.history(key);
        history.in_vain = history.in_vain.saturating_add(1);
    }

    /// Starts at which the pump ran without water, since it last primed.
    pub fn starts_in_vain(&mut self, key: &str) -> u32 {
        self.history(key).in_vain
    }

    fn history(&mut self, key: &str) -> &mut History {
        let stop_age_s = (!self.rested).then_some(0.0);
        self.histories.entry(key.to_owned()).or_insert_with(|| History { stop_age_s, ..History::default() })
    }

    fn age(&mut self, by_s: f64) {
        for history in self.histories.values_mut() {
            history.start_ages_s.iter_mut().for_each(|age_s| *age_s += by_s);
            history.start_ages_s.retain(|age_s| *age_s < WINDOW_S);
            let pass = if history.running { Heat::run } else { Heat::cool };
            history.heat.iter_mut().for_each(|heat| pass(heat, by_s));
            history.stop_age_s = history.stop_age_s.map(|age_s| age_s + by_s);
        }
    }
}

/// Time that has surely passed, s.
fn elapsed_s(earlier: &Uptime, later: &Uptime) -> f64 {
    match (earlier.boot.as_str(), later.boot.as_str()) {
        ("", _) | (_, "") => 0.0,
        (before, now) if before == now => (later.since_boot_s - earlier.since_boot_s).max(0.0),
        _ => later.since_boot_s.max(0.0),
    }
}

/// Write a file whose bytes are on the disk when this returns.
pub(crate) fn write_durably(path: &Path, text: &str) -> std::io::Result<()> {
    let mut file = std::fs::File::create(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    const DUTY: Duty = Duty { starts: None, starts_per_hour: 3, rest_s: 10.0 };
    /// Ages are sums of a few numbers.
    const TOLERANCE_S: f64 = 1e-9;

    fn up(boot: &str, since_boot_s: f64) -> Uptime {
        Uptime { boot: boot.to_owned(), since_boot_s }
    }

    fn wait(ledger: &mut DutyLedger, expected_s: f64) {
        wait_of("drive", ledger, expected_s);
    }

    fn wait_of(key: &str, ledger: &mut DutyLedger, expected_s: f64) {
        let got_s = ledger.wait_s(key, DUTY);
        let error_s = (got_s - expected_s).abs();
        assert!(
            error_s <= TOLERANCE_S,
            "{key}: expected {expected_s} s, got {got_s} s, error {error_s} s, tolerance {TOLERANCE_S} s; source: by hand"
        );
    }

    #[test]
    fn rests_fully_when_nothing_is_known() {
        let mut ledger = DutyLedger::unknown();
        ledger.pass_to(100.0);
        wait(&mut ledger, 10.0);
        ledger.pass_to(104.0);
        wait(&mut ledger, 6.0);
        ledger.pass_to(110.0);
        wait(&mut ledger, 0.0);
        wait(&mut DutyLedger::rested(), 0.0);
    }

    #[test]
    fn counts_starts_of_the_last_hour_and_the_rest_since_the_stop() {
        let mut ledger = DutyLedger::rested();
        let mut now_s = 0.0;
        for _ in 0..3 {
            ledger.pass_to(now_s);
            ledger.started("drive");
            assert!(ledger.wait_s("drive", DUTY).is_infinite(), "running");
            now_s += 5.0;
            ledger.pass_to(now_s);
            ledger.stopped("drive");
            wait(&mut ledger, if now_s > 60.0 { 3600.0 - now_s } else { 10.0 });
            now_s += 35.0;
        }
        ledger.pass_to(3599.0);
        wait(&mut ledger, 1.0);
        ledger.pass_to(3600.0);
        wait(&mut ledger, 0.0);
    }

    #[test]
    fn allows_more_starts_one_after_the_other_from_cold_than_from_warm() {
        let rating = StartRating { cold_starts: 3, hot_starts: 2, cooling_s: 600.0 };
        let duty = Duty { starts: Some(rating), starts_per_hour: 60, rest_s: 0.0 };
        // Whole starts are counted with a slack of 1e-9 of the limit; 600 s over the least room of 2 % make 3e-5 s of it.
        let close = |got_s: f64, expected_s: f64| {
            assert!(
                (got_s - expected_s).abs() < 1e-4,
                "expected {expected_s} s, got {got_s} s; source: StartRating's own heat, by hand"
            );
        };
        let mut ledger = DutyLedger::rested();
        ledger.pass_to(0.0);
        for number in 0..3 {
            close(ledger.wait_s("drive", duty), 0.0);
            ledger.started("drive");
            ledger.stopped("drive");
            assert!(number < 3);
        }
        // Three starts at once from cold: at the limit. A start more has room below 2/3 of it: 600 s * ln 1.5.
        let third_s = 600.0 * 1.5_f64.ln();
        close(ledger.wait_s("drive", duty), third_s);
        ledger.pass_to(100.0);
        close(ledger.wait_s("drive", duty), third_s - 100.0);
        // Long running leaves it at 1/3: two starts in a row, the third waits until 1 has come down to 2/3.
        let mut warm = DutyLedger::unknown();
        warm.pass_to(0.0);
        for _ in 0..2 {
            close(warm.wait_s("drive", duty), 0.0);
            warm.started("drive");
            warm.stopped("drive");
        }
        close(warm.wait_s("drive", duty), third_s);
        // Running for an hour brings it to 1/3 again, whatever it began with.
        let mut long = DutyLedger::rested();
        long.pass_to(0.0);
        close(long.wait_s("drive", duty), 0.0);
        long.started("drive");
        long.pass_to(36_000.0);
        long.stopped("drive");
        assert!((long.history("drive").heat.unwrap().theta - 1.0 / 3.0).abs() < 1e-9);
        // It survives a restart of the program, starts in vain too.
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("duty.json");
        warm.not_primed(MOTOR);
        warm.save(&path, "", &up("a", 5.0)).unwrap();
        let mut again = DutyLedger::load(&path, &up("a", 5.0)).unwrap();
        close(again.wait_s("drive", duty), third_s);
        assert_eq!(again.starts_in_vain(MOTOR), 1);
        warm.started("drive");
        warm.save(&path, "", &up("a", 5.0)).unwrap();
        let mut ran = DutyLedger::load(&path, &up("a", 5.0)).unwrap();
        assert!(ran.wait_s("drive", duty) > third_s, "it ran when the process ended, and nobody knows how long");
        // One start from cold and no more: cold is 2 % of the limit.
        let once = StartRating { cold_starts: 1, hot_starts: 1, cooling_s: 600.0 };
        let once = Duty { starts: Some(once), ..duty };
        let mut ledger = DutyLedger::rested();
        ledger.pass_to(0.0);
        close(ledger.wait_s("soft", once), 0.0);
        ledger.started("soft");
        ledger.stopped("soft");
        close(ledger.wait_s("soft", once), 600.0 * 50.0_f64.ln());
    }

    #[test]
    fn counts_starts_of_others_from_the_devices_own_count() {
        let mut ledger = DutyLedger::rested();
        assert_eq!(ledger.device_counted("drive", 7), 0);
        ledger.started("drive");
        assert_eq!(ledger.device_counted("drive", 7), 0, "own start not shown yet");
        assert_eq!(ledger.device_counted("drive", 8), 0, "own start");
        ledger.stopped("drive");
        ledger.pass_to(0.0);
        ledger.pass_to(20.0);
        wait(&mut ledger, 0.0);
        assert_eq!(ledger.device_counted("drive", 9), 1, "somebody else's start");
        wait(&mut ledger, 10.0);
        wait_of(MOTOR, &mut ledger, 10.0);
        ledger.pass_to(40.0);
        assert_eq!(ledger.device_counted("drive", 0), 0, "device was switched off");
        wait(&mut ledger, 10.0);
    }

    #[test]
    fn survives_a_restart_of_the_program_whatever_the_date_says() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("duty.json");
        let mut ledger = DutyLedger::rested();
        ledger.started("drive");
        ledger.started("soft");
        ledger.stopped("drive");
        // A year ahead when it is saved: the date is for people only.
        ledger.save(&path, "2027-03-01T10:00:00.000Z", &up("a", 500.0)).unwrap();
        let mut later = DutyLedger::load(&path, &up("a", 504.0)).unwrap();
        wait(&mut later, 6.0);
        // it ran when the process ended: stopped only now
        wait_of("soft", &mut later, 10.0);
        // never seen: the full rest
        wait_of("contactor", &mut later, 10.0);
        // Another start of the computer: only the time since then is sure.
        wait(&mut DutyLedger::load(&path, &up("b", 3.0)).unwrap(), 7.0);
        // Nothing known, or less than nothing: the full rest.
        wait(&mut DutyLedger::load(&path, &Uptime::default()).unwrap(), 10.0);
        wait(&mut DutyLedger::load(&path, &up("a", 1.0)).unwrap(), 10.0);
        // A ledger of before this was kept.
        let text = std::fs::read_to_string(&path).unwrap();
        let mut old: serde_json::Value = serde_json::from_str(&text).unwrap();
        old.as_object_mut().unwrap().remove("saved_at").unwrap();
        std::fs::write(&path, old.to_string()).unwrap();
        wait(&mut DutyLedger::load(&path, &up("a", 9_000.0)).unwrap(), 10.0);
        assert!(!folder.path().join("duty.json.new").exists());
    }

    #[test]
    fn rejects_a_file_that_is_no_ledger() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("duty.json");
        assert_eq!(DutyLedger::load(&path, &up("a", 1.0)).unwrap(), DutyLedger::unknown());
        std::fs::write(&path, "{ half a").unwrap();
        let error = DutyLedger::load(&path, &up("a", 1.0)).unwrap_err().to_string();
        assert!(error.contains("duty.json: not a duty ledger"), "{error}");
        assert!(ledger_cannot_be_saved(folder.path()));
    }

    fn ledger_cannot_be_saved(folder: &Path) -> bool {
        DutyLedger::rested().save(&folder.join("missing").join("duty.json"), "", &up("a", 1.0)).is_err()
    }

    #[test]
    fn ages_by_the_stream_while_it_goes_on_else_by_time_since_switching_on() {
        let mut ledger = DutyLedger::rested();
        ledger.resume(100.0, &up("a", 50.0));
        ledger.started("drive");
        ledger.stopped("drive");
        ledger.resume(103.0, &up("a", 51.0));
        wait(&mut ledger, 7.0);
        ledger.saved_at = up("a", 51.0);
        ledger.resume(0.5, &up("a", 53.0));
        wait(&mut ledger, 5.0);
    }
}

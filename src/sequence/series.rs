//! A series: one sequence, many settings, each several times, in an order that does not mistake the day for a setting.
//!
//! Changing the starter is hard (a transfer device, another warm-up), changing its settings is not. So starters are the
//! whole plots of a split-plot: each pass goes through all starters, the next pass comes back in the opposite order
//! (A-B-C, C-B-A, ...), and within a visit to a starter its settings are shuffled by the stored seed. Whatever drifts
//! steadily with time (temperature, level, wear) then falls on all starters alike to first order.
//! Source: common practice of designed experiments, no source.

use super::script::Script;
use crate::rig::model::Rig;
use crate::rig::problem::Problems;
use crate::rig::reader::{Cursor, Document, Spot};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Settings that a series may change, as a start step names them.
const CHANGED: [&str; 5] = ["ramp_up", "ramp_down", "initial_voltage", "current_limit", "speed"];
/// Most settings, and most repeats of one.
const MOST: i64 = 200;

/// One setting of one starter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Variant {
    /// Its name in every table.
    pub id: String,
    /// Starter id.
    pub starter: String,
    /// What differs from the rig file, as a start step writes it.
    pub changes: BTreeMap<String, String>,
}

/// A series as its file says.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Short id.
    pub id: String,
    /// Name.
    pub name: String,
    /// One line about it.
    pub about: String,
    /// Sequence file, beside the series file.
    pub sequence: String,
    /// Runs of each setting.
    pub repeats: usize,
    /// Seed of the order, where the file says one.
    pub seed: Option<u64>,
    /// The steady pressure of the headline channel at rest may drift by this much from run to run before the series stops
    /// itself, Pa; `None`: not watched.
    pub drift_pa: Option<f64>,
    /// Settings are held against one another pass by pass, so that what drifts from pass to pass falls out; fixed here, before
    /// the first run.
    pub paired: bool,
    /// Settings, file order.
    pub variants: Vec<Variant>,
}

/// One run of a series.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turn {
    /// Which setting, from 0.
    pub variant: usize,
    /// Which run of it, from 1.
    pub repeat: usize,
    /// Which visit to a starter, from 1.
    pub visit: usize,
}

impl Series {
    /// Read a series file for a rig.
    ///
    /// # Errors
    /// Every problem of it.
    pub fn parse(text: &str, file: &str, rig: &Rig) -> Result<Self, Problems> {
        let document = Document::parse(text, file)?;
        let root = document.root();
        let head = root.need_table("series").map(head);
        let mut variants = Vec::new();
        for table in root.tables("setting") {
            variants.extend(setting(table, rig));
        }
        for table in root.tables("grid") {
            variants.extend(grid(&table, rig));
            table.close();
        }
        if !root.has("setting") && !root.has("grid") {
            root.note("setting", "no setting", "[[setting]] or [[grid]], each with a starter", None);
        }
        root.close();
        let mut known: BTreeMap<&str, &Spot> = BTreeMap::new();
        for (variant, spot) in &variants {
            if let Some(first) = known.insert(&variant.id, spot) {
                let allowed = format!("an id of its own; line {} has the same", first.line);
                document.note(spot, format!("{:?}", variant.id), allowed, None);
            }
        }
        let problems = document.finish();
        match head {
            Some(mut series) if problems.0.is_empty() => {
                series.variants = variants.into_iter().map(|(variant, _)| variant).collect();
                Ok(series)
            }
            _ => Err(problems),
        }
    }

    /// Every run, in its order.
    #[must_use]
    pub fn order(&self, seed: u64) -> Vec<Turn> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut starters: Vec<&str> = Vec::new();
        for variant in &self.variants {
            if !starters.contains(&variant.starter.as_str()) {
                starters.push(&variant.starter);
            }
        }
        let (mut turns, mut visit) = (Vec::new(), 0);
        for repeat in 1..=self.repeats {
            for starter in &starters {
                visit += 1;
                let of = |(index, variant): (usize, &Variant)| (variant.starter == *starter).then_some(index);
                let mut mine: Vec<usize> = self.variants.iter().enumerate().filter_map(of).collect();
                mine.shuffle(&mut rng);
                turns.extend(mine.into_iter().map(|variant| Turn { variant, repeat, visit }));
            }
            starters.reverse();
        }
        turns
    }

    /// The sequence with a setting in each of its start steps, checked against the rig.
    ///
    /// # Errors
    /// The sequence does not go with the setting; the lines named are those of the text that is made.
    pub fn sequence_for(&self, variant: &Variant, (text, file): (&str, &str), rig: &Rig) -> Result<String, Problems> {
        // Says what is wrong with the file as it was typed, first.
        let starter = rig.starter_index(&variant.starter).unwrap_or(0);
        Script::parse(text, file, rig, starter)?;
        let document = Document::parse(text, file)?;
        let made = toml::from_str::<toml::Table>(text).map_err(|error| error.to_string()).and_then(|mut table| {
            put_settings(table.get_mut("step"), &variant.changes);
            toml::to_string(&table).map_err(|error| error.to_string())
        });
        let made = match made {
            Ok(made) => made,
            Err(found) => {
                document.note(&document.root().here(), found, "a sequence", None);
                return Err(document.finish());
            }
        };
        let name = format!("{file} with `{}`", variant.id);
        Script::parse(&made, &name, rig, starter)?;
        Ok(format!(
            "# {file} with the setting `{}` of the series `{}` in its start steps.\n{made}",
            variant.id, self.id
        ))
    }
}

fn head(table: Cursor<'_>) -> Series {
    let text = |key: &str| table.need_text(key).map(|text| text.text).unwrap_or_default();
    let (id, name, about, sequence) = (text("id"), text("name"), text("about"), text("sequence"));
    let repeats = table.need_integer("repeats", 1..=MOST).and_then(|n| usize::try_from(n).ok()).unwrap_or(1);
    let seed = table.integer("seed", 0..=i64::MAX).and_then(|seed| u64::try_from(seed).ok());
    let drift_pa = table.quantity("stop_on_drift", &crate::units::Want::PRESSURE_DIFFERENCE);
    let paired = table.word("judge", &[("independent", false), ("paired", true)]).unwrap_or(false);
    table.close();
    Series { id, name, about, sequence, repeats, seed, drift_pa, paired, variants: Vec::new() }
}

fn starter(table: &Cursor<'_>, rig: &Rig) -> Option<String> {
    let text = table.need_text("starter")?;
    if rig.starter_index(&text.text).is_none() {
        let known: Vec<&str> = rig.starters.iter().map(|starter| starter.id.as_str()).collect();
        table.note("starter", format!("{:?}", text.text), format!("a starter of the rig: {}", known.join(", ")), None);
        return None;
    }
    Some(text.text)
}

fn setting(table: Cursor<'_>, rig: &Rig) -> Option<(Variant, Spot)> {
    let (id, starter) = (table.need_text("id"), starter(&table, rig));
    let changes: BTreeMap<String, String> =
        CHANGED.iter().filter_map(|key| Some(((*key).to_owned(), table.text(key)?.text))).collect();
    table.close();
    let (id, starter) = (id?, starter?);
    Some((Variant { id: id.text, starter, changes }, id.spot))
}

/// Every combination of the lists.
fn grid(table: &Cursor<'_>, rig: &Rig) -> Vec<(Variant, Spot)> {
    let Some(starter) = starter(table, rig) else {
        CHANGED.iter().for_each(|key| table.mark_read(key));
        return Vec::new();
    };
    let mut made = vec![BTreeMap::new()];
    for key in CHANGED {
        let Some(values) = table.texts(key) else { continue };
        let with = |of: &BTreeMap<String, String>, value: &str| {
            let mut of = of.clone();
            of.insert(key.to_owned(), value.to_owned());
            of
        };
        made = made.iter().flat_map(|of| values.iter().map(|value| with(of, &value.text))).collect();
    }
    if made.len() > MOST as usize {
        table.note("starter", format!("{} settings", made.len()), format!("at most {MOST} in a grid"), None);
        return Vec::new();
    }
    let named = |changes: BTreeMap<String, String>| {
        let words: Vec<String> =
            changes.iter().map(|(key, value)| format!("{} {value}", key.replace('_', " "))).collect();
        let id = if words.is_empty() { starter.clone() } else { format!("{starter}, {}", words.join(", ")) };
        (Variant { id, starter: starter.clone(), changes }, table.here())
    };
    made.into_iter().map(named).collect()
}

/// Into every start step that names no starter of its own, repeats included.
fn put_settings(steps: Option<&mut toml::Value>, changes: &BTreeMap<String, String>) {
    let Some(steps) = steps.and_then(toml::Value::as_array_mut) else { return };
    for step in steps.iter_mut().filter_map(toml::Value::as_table_mut) {
        let starts = step.get("do").and_then(toml::Value::as_str) == Some("start");
        if starts && !step.contains_key("starter") {
            for (key, value) in changes {
                step.insert(key.clone(), toml::Value::String(value.clone()));
            }
        }
        put_settings(step.get_mut("step"), changes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(text: &str) -> Result<Series, Problems> {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "rig").unwrap();
        Series::parse(text, "series.toml", &rig)
    }

    const HEAD: &str =
        "[series]\nid = \"s\"\nname = \"n\"\nabout = \"a\"\nsequence = \"q.toml\"\nrepeats = 3\nseed = 5\n";

    #[test]
    fn goes_through_the_starters_and_back_with_every_setting_once_a_pass() {
        let text = format!(
            "{HEAD}[[grid]]\nstarter = \"drive\"\nramp_up = [\"2 s\", \"4 s\"]\nramp_down = [\"3 s\", \"5 s\"]\n\
             [[setting]]\nid = \"plain\"\nstarter = \"contactor\"\n[[setting]]\nid = \"soft\"\nstarter = \"soft\"\n"
        );
        let series = series(&text).unwrap();
        assert_eq!(series.variants.len(), 6);
        let turns = series.order(5);
        assert_eq!(turns, series.order(5));
        assert_ne!(turns, series.order(6));
        assert_eq!(turns.len(), 18);
        let starters: Vec<&str> = turns.iter().map(|turn| series.variants[turn.variant].starter.as_str()).collect();
        let mut visits = starters.clone();
        visits.dedup();
        // The last starter of a pass is the first of the next one: one visit less to change for.
        assert_eq!(visits, ["contactor", "soft", "drive", "soft", "contactor", "soft", "drive"]);
        for repeat in 1..=3 {
            let mut of: Vec<usize> =
                turns.iter().filter(|turn| turn.repeat == repeat).map(|turn| turn.variant).collect();
            of.sort_unstable();
            assert_eq!(of, (0..6).collect::<Vec<_>>(), "pass {repeat}");
        }
    }

    #[test]
    fn puts_settings_into_start_steps_and_refuses_what_the_starter_has_not() {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "rig").unwrap();
        let text = format!("{HEAD}[[setting]]\nid = \"quick\"\nstarter = \"drive\"\nramp_up = \"2 s\"\n");
        let quick = series(&text).unwrap();
        let sequence = super::super::script::shipped("three-starters").unwrap();
        let made = quick.sequence_for(&quick.variants[0], (sequence, "q.toml"), &rig).unwrap();
        let drive = rig.starter_index("drive").unwrap();
        let script = Script::parse(&made, "made", &rig, drive).unwrap();
        let ramps: Vec<Option<f64>> = script
            .program
            .iter()
            .filter_map(|i| match &i.step {
                super::super::step::Step::Start(start) => Some(start.settings.ramp_up_s),
                _ => None,
            })
            .collect();
        assert_eq!(ramps, [Some(2.0), Some(2.0)]);
        let wrong = Variant { starter: "contactor".to_owned(), ..quick.variants[0].clone() };
        let refused = quick.sequence_for(&wrong, (sequence, "q.toml"), &rig).unwrap_err().to_string();
        assert!(refused.contains("a setting that the starter has"), "{refused}");
    }

    #[test]
    fn refuses_unknown_starters_ids_given_twice_and_a_series_of_nothing() {
        let refused = |text: &str, word: &str| {
            let problems = series(text).unwrap_err().to_string();
            assert!(problems.contains(word), "{word}: {problems}");
        };
        refused(HEAD, "no setting");
        refused(&format!("{HEAD}[[setting]]\nid = \"a\"\nstarter = \"drvie\"\n"), "a starter of the rig");
        let one = "[[setting]]\nid = \"a\"\nstarter = \"drive\"\n";
        refused(&format!("{HEAD}{one}{one}"), "an id of its own");
        refused(&format!("{HEAD}{one}ramp_upp = \"2 s\"\n"), "ramp_up");
    }
}

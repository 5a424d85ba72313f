//! What differs between two set-ups: every key of their files. A reader sees it before any percentage.

use super::RunData;
use serde::Serialize;
use std::collections::BTreeMap;

/// Differences that are told of two runs; the rest is counted.
const TOLD: usize = 12;

/// One key that is not alike.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Key path, tables of a list by their id (`channel.p_discharge.range`).
    pub key: String,
    /// In the first; `None`: not there.
    pub first: Option<String>,
    /// In the second.
    pub second: Option<String>,
}

/// Keys of a TOML file with their values as text.
pub type Keys = BTreeMap<String, String>;

/// Every key of a file, below `prefix`.
///
/// # Errors
/// It is no TOML.
pub fn keys(prefix: &str, text: &str) -> Result<Keys, toml::de::Error> {
    let mut keys = Keys::new();
    flatten(prefix, &toml::Value::Table(text.parse()?), &mut keys);
    Ok(keys)
}

/// Keys that are not alike, sorted.
#[must_use]
pub fn between(first: &Keys, second: &Keys) -> Vec<Difference> {
    let mut all: Vec<&String> = first.keys().chain(second.keys()).collect();
    all.sort_unstable();
    all.dedup();
    let of = |key: &String| {
        let (first, second) = (first.get(key).cloned(), second.get(key).cloned());
        (first != second).then(|| Difference { key: key.clone(), first, second })
    };
    all.into_iter().filter_map(of).collect()
}

/// How the set-up of every further run differs from that of the first, in words, one a key; nothing where all are alike.
/// `titles`: what the runs are called.
#[must_use]
pub fn words(runs: &[RunData], titles: &[String]) -> Vec<String> {
    let of = |run: &RunData| {
        // A file that is no TOML any more says nothing.
        let mut found = keys("", &run.rig_text).unwrap_or_default();
        found.append(&mut keys("sequence", &run.sequence_text).unwrap_or_default());
        found
    };
    let (Some((first, further)), Some((called, titles))) = (runs.split_first(), titles.split_first()) else {
        return Vec::new();
    };
    let of_first = of(first);
    let told = |(run, title): (&RunData, &String)| told(&between(&of_first, &of(run)), called, title);
    further.iter().zip(titles).flat_map(told).collect()
}

fn told(found: &[Difference], first: &str, second: &str) -> Vec<String> {
    let line = |of: &Difference| match (&of.first, &of.second) {
        (Some(there), Some(here)) => format!("{second}: {} is {here}, with {first} {there}", of.key),
        (None, Some(here)) => format!("{second}: {} is {here}, with {first} not set", of.key),
        (there, None) => {
            format!("{second}: {} is not set, with {first} {}", of.key, there.as_deref().unwrap_or("neither"))
        }
    };
    let more = found.len().saturating_sub(TOLD);
    let rest = (more > 0).then(|| format!("{second}: {more} keys more differ from those of {first}"));
    found.iter().take(TOLD).map(line).chain(rest).collect()
}

fn flatten(path: &str, value: &toml::Value, keys: &mut Keys) {
    let below = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match value {
        toml::Value::Table(table) => table.iter().for_each(|(key, value)| flatten(&below(key), value, keys)),
        toml::Value::Array(items) if items.iter().all(toml::Value::is_table) && !items.is_empty() => {
            for (number, item) in items.iter().enumerate() {
                let id = ["id", "node", "text"].iter().find_map(|key| item.get(*key)?.as_str());
                flatten(&below(id.unwrap_or(&number.to_string())), item, keys);
            }
        }
        other => {
            keys.insert(path.to_owned(), other.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_every_key_that_differs_whatever_the_order_of_tables() {
        let first = keys(
            "",
            "[rig]\nid = \"a\"\n[[channel]]\nid = \"p\"\nrange = [\"0 barg\", \"6 barg\"]\n[[channel]]\nid = \"q\"\n",
        )
        .unwrap();
        let second = keys(
            "",
            "[[channel]]\nid = \"q\"\ninput = 1\n[[channel]]\nid = \"p\"\nrange = [\"0 barg\", \"10 barg\"]\n[rig]\nid = \"a\"\n",
        )
        .unwrap();
        let found = between(&first, &second);
        let named: Vec<&str> = found.iter().map(|difference| difference.key.as_str()).collect();
        assert_eq!(named, ["channel.p.range", "channel.q.input"], "{found:?}");
        assert_eq!((found[1].first.as_deref(), found[1].second.as_deref()), (None, Some("1")));
        assert_eq!(between(&first, &first), vec![]);
        let words = told(&found, "before", "after");
        assert_eq!(words[1], "after: channel.q.input is 1, with before not set");
        assert!(
            words[0].starts_with("after: channel.p.range is [\"0 barg\", \"10 barg\"], with before ["),
            "{words:?}"
        );
        assert!(keys("sequence", "hold = \"3 s\"").unwrap().contains_key("sequence.hold"));
    }
}

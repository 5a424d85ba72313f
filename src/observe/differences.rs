//! What differs between the set-ups of two sessions: every key of the rig files, and how they were watched.

use super::ObserveError;
use super::session::SessionRecord;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

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

/// Compare the folders of two sessions.
///
/// # Errors
/// A file that is missing or cannot be read.
pub fn differences(first: &Path, second: &Path) -> Result<Vec<Difference>, ObserveError> {
    Ok(between(&keys(first)?, &keys(second)?))
}

fn between(first: &BTreeMap<String, String>, second: &BTreeMap<String, String>) -> Vec<Difference> {
    let mut all: Vec<&String> = first.keys().chain(second.keys()).collect();
    all.sort_unstable();
    all.dedup();
    let of = |key: &String| {
        let (first, second) = (first.get(key).cloned(), second.get(key).cloned());
        (first != second).then(|| Difference { key: key.clone(), first, second })
    };
    all.into_iter().filter_map(of).collect()
}

fn keys(folder: &Path) -> Result<BTreeMap<String, String>, ObserveError> {
    let read = |name: &str| {
        let path = folder.join(name);
        std::fs::read_to_string(&path)
            .map(|text| (path.clone(), text))
            .map_err(|source| ObserveError::io(&path, source))
    };
    let (path, text) = read("rig.toml")?;
    let table: toml::Table = text.parse().map_err(|error: toml::de::Error| ObserveError::Format {
        path,
        line: error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1),
        reason: error.message().to_owned(),
    })?;
    let mut keys = BTreeMap::new();
    flatten("", &toml::Value::Table(table), &mut keys);
    let (path, text) = read("session.json")?;
    let record: SessionRecord = serde_json::from_str(&text).map_err(|error| ObserveError::Format {
        path,
        line: error.line(),
        reason: error.to_string(),
    })?;
    keys.insert("session.label".to_owned(), record.label);
    for channel in record.channels.into_iter().filter(|channel| !channel.zero_utc.is_empty()) {
        keys.insert(format!("session.zero.{}", channel.id), channel.zero_utc);
    }
    Ok(keys)
}

fn flatten(path: &str, value: &toml::Value, keys: &mut BTreeMap<String, String>) {
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

    fn of(text: &str) -> BTreeMap<String, String> {
        let mut keys = BTreeMap::new();
        flatten("", &toml::Value::Table(text.parse().unwrap()), &mut keys);
        keys
    }

    #[test]
    fn names_every_key_that_differs_whatever_the_order_of_tables() {
        let first = of(
            "[rig]\nid = \"a\"\n[[channel]]\nid = \"p\"\nrange = [\"0 barg\", \"6 barg\"]\n[[channel]]\nid = \"q\"\n",
        );
        let second = of(
            "[[channel]]\nid = \"q\"\ninput = 1\n[[channel]]\nid = \"p\"\nrange = [\"0 barg\", \"10 barg\"]\n[rig]\nid = \"a\"\n",
        );
        let found = between(&first, &second);
        let keys: Vec<&str> = found.iter().map(|difference| difference.key.as_str()).collect();
        assert_eq!(keys, ["channel.p.range", "channel.q.input"], "{found:?}");
        assert_eq!((found[1].first.as_deref(), found[1].second.as_deref()), (None, Some("1")));
        assert_eq!(between(&first, &first), vec![]);
    }
}

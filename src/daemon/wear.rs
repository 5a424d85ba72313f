//! Writes of registers that a device keeps without power, counted over all runs on this computer: each wears the device's
//! memory, and a map's `write_budget` allows so many in all. Read before a run, kept on disk behind every write that counts
//! and once more after the run.

use super::Shared;
use crate::sequence::duty::write_durably;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn file(shared: &Shared) -> PathBuf {
    shared.state_dir.join(format!("{}.stored-writes.json", shared.rig.id))
}

/// Tell the bus what earlier processes have written.
pub(super) fn recall(shared: &Shared) -> Result<(), String> {
    shared.fieldbus.remember_stored_writes(&load(&file(shared))?);
    Ok(())
}

/// As [`keep`], where a write has been added since `kept`.
pub(super) fn keep_new(shared: &Shared, kept: &mut BTreeMap<String, u32>) -> Result<(), String> {
    let counts = shared.fieldbus.stored_writes();
    if counts == *kept {
        return Ok(());
    }
    save(&file(shared), &counts)?;
    *kept = counts;
    Ok(())
}

/// Keep what has been written; the reason where that fails.
pub(super) fn keep(shared: &Shared) -> Result<(), String> {
    let counts = shared.fieldbus.stored_writes();
    if counts.is_empty() { Ok(()) } else { save(&file(shared), &counts) }
}

fn load(path: &Path) -> Result<BTreeMap<String, u32>, String> {
    let failed = |why: String| {
        format!("{}: counts of stored writes: {why}; try: move the file away, and count from nothing", path.display())
    };
    match std::fs::read_to_string(path) {
        Ok(text) => serde_json::from_str(&text).map_err(|error| failed(error.to_string())),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(BTreeMap::new()),
        Err(error) => Err(failed(error.to_string())),
    }
}

fn save(path: &Path, counts: &BTreeMap<String, u32>) -> Result<(), String> {
    let failed = |why: String| format!("{}: counts of stored writes: {why}", path.display());
    let text = serde_json::to_string_pretty(counts).map_err(|error| failed(error.to_string()))?;
    let fresh = PathBuf::from(format!("{}.new", path.display()));
    write_durably(&fresh, &text).and_then(|()| std::fs::rename(&fresh, path)).map_err(|error| failed(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_counts_and_rejects_a_file_that_is_something_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bench.stored-writes.json");
        assert_eq!(load(&path).unwrap(), BTreeMap::new());
        let counts = BTreeMap::from([("bench/2 ramp_down".to_owned(), 7)]);
        save(&path, &counts).unwrap();
        assert_eq!(load(&path).unwrap(), counts);
        std::fs::write(&path, "{\"a\": -1}").unwrap();
        assert!(load(&path).unwrap_err().contains("bench.stored-writes.json: counts of stored writes"));
    }
}

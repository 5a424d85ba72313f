//! One owner of a rig: a locked file in the state folder that holds the owner's address. The lock goes with the
//! process, so a crash leaves nothing to clean up.

use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Why ownership was not had.
#[derive(Debug, thiserror::Error)]
pub enum OwnerError {
    /// Another process owns the rig.
    #[error(
        "rig {rig} is owned by process {}{}; try: `ramprig watch`, or stop that process",
        .owner.pid,
        .owner.address.as_ref().map(|a| format!(" at {a}")).unwrap_or_default()
    )]
    Taken {
        /// Rig id.
        rig: String,
        /// Who has it.
        owner: Owner,
    },
    /// The lock file cannot be used.
    #[error("{path}: {source}")]
    Io {
        /// Lock file.
        path: PathBuf,
        /// Reason.
        source: std::io::Error,
    },
}

/// What the owner writes into its lock file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
pub struct Owner {
    /// Process id.
    pub pid: u32,
    /// `host:port` of its API, once it listens.
    pub address: Option<String>,
}

/// Ownership, until dropped.
#[derive(Debug)]
pub struct Ownership {
    file: File,
    path: PathBuf,
}

impl Ownership {
    /// Take the rig, or say who has it.
    pub fn take(state_dir: &Path, rig_id: &str) -> Result<Self, OwnerError> {
        let path = lock_path(state_dir, rig_id);
        let io = |source| OwnerError::Io { path: path.clone(), source };
        std::fs::create_dir_all(state_dir).map_err(io)?;
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(io)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let owner = read_owner(&path).unwrap_or_default();
                return Err(OwnerError::Taken { rig: rig_id.to_owned(), owner });
            }
            Err(TryLockError::Error(source)) => return Err(io(source)),
        }
        let mut ownership = Self { file, path };
        ownership.publish(None)?;
        Ok(ownership)
    }

    /// Write the API's address for `run` and `watch` to find.
    pub fn publish(&mut self, address: Option<&str>) -> Result<(), OwnerError> {
        let owner = Owner { pid: std::process::id(), address: address.map(str::to_owned) };
        let text = serde_json::to_string(&owner).unwrap_or_default();
        let io = |source| OwnerError::Io { path: self.path.clone(), source };
        self.file.set_len(0).map_err(io)?;
        self.file.rewind().map_err(io)?;
        self.file.write_all(text.as_bytes()).map_err(io)
    }
}

/// Who owns the rig now, if anybody. A lock file without a lock is a leftover and counts as nobody.
pub fn current_owner(state_dir: &Path, rig_id: &str) -> Option<Owner> {
    let path = lock_path(state_dir, rig_id);
    let file = File::open(&path).ok()?;
    match file.try_lock_shared() {
        Ok(()) => None,
        Err(_) => read_owner(&path),
    }
}

/// Rigs that somebody owns now, by id.
pub fn owned(state_dir: &Path) -> Vec<String> {
    let files = std::fs::read_dir(state_dir).into_iter().flatten().flatten();
    let id = |entry: std::fs::DirEntry| entry.file_name().to_str()?.strip_suffix(".owner").map(str::to_owned);
    let mut ids: Vec<String> = files.filter_map(id).filter(|id| current_owner(state_dir, id).is_some()).collect();
    ids.sort();
    ids
}

fn lock_path(state_dir: &Path, rig_id: &str) -> PathBuf {
    state_dir.join(format!("{rig_id}.owner"))
}

fn read_owner(path: &Path) -> Option<Owner> {
    let mut text = String::new();
    File::open(path).ok()?.read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rejects_a_second_owner_and_frees_the_rig_with_the_first() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(current_owner(dir.path(), "bench"), None);
        let mut first = Ownership::take(dir.path(), "bench").unwrap();
        first.publish(Some("127.0.0.1:8790")).unwrap();
        let refusal = Ownership::take(dir.path(), "bench").unwrap_err().to_string();
        assert!(refusal.contains("127.0.0.1:8790"), "{refusal}");
        assert_eq!(current_owner(dir.path(), "bench").unwrap().address.as_deref(), Some("127.0.0.1:8790"));
        let another = Ownership::take(dir.path(), "another").unwrap();
        assert_eq!(owned(dir.path()), ["another", "bench"]);
        drop((first, another));
        assert!(owned(dir.path()).is_empty(), "files without a lock are leftovers");
        assert_eq!(current_owner(dir.path(), "bench"), None);
        Ownership::take(dir.path(), "bench").unwrap();
    }
}

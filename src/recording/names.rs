//! The names a recording has in its life: `X.h5.beginning` until everything is in it that a recording begins with,
//! `X.h5.partial` while it is written, `X.h5.closing` while it is closed,
//! `X.h5` for good; `X.h5.recovering` is a copy that recovery works on, `X.h5.sidelog` stands beside the `.partial`.

use super::error::RecordingError;
use std::fs::File;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// One recording's names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct RecordingPath {
    closed: PathBuf,
    beginning: PathBuf,
    partial: PathBuf,
    closing: PathBuf,
    copy: PathBuf,
    side_log: PathBuf,
}

impl RecordingPath {
    /// Names of the recording that will be `closed` (`X.h5`).
    pub fn of_closed(closed: &Path) -> Self {
        let with = |ending: &str| {
            let mut name = closed.as_os_str().to_owned();
            name.push(ending);
            PathBuf::from(name)
        };
        Self {
            closed: closed.to_owned(),
            beginning: with(".beginning"),
            partial: with(".partial"),
            closing: with(".closing"),
            copy: with(".recovering"),
            side_log: with(".sidelog"),
        }
    }

    /// Names of the recording whose `.partial` is given.
    pub fn of_partial(partial: &Path) -> Result<Self, RecordingError> {
        let names = Self::of_closed(&partial.with_extension(""));
        let is_recording = names.closed.extension().is_some_and(|extension| extension == "h5");
        if names.partial == partial && is_recording {
            Ok(names)
        } else {
            Err(RecordingError::NotPartial { path: partial.to_owned() })
        }
    }

    /// `X.h5`.
    pub fn closed(&self) -> &Path {
        &self.closed
    }
    /// `X.h5.beginning`.
    pub fn beginning(&self) -> &Path {
        &self.beginning
    }
    /// `X.h5.partial`.
    pub fn partial(&self) -> &Path {
        &self.partial
    }
    /// `X.h5.closing`.
    pub fn closing(&self) -> &Path {
        &self.closing
    }

    /// `X.h5.recovering`.
    pub fn copy(&self) -> &Path {
        &self.copy
    }

    /// `X.h5.sidelog`.
    pub fn side_log(&self) -> &Path {
        &self.side_log
    }

    /// Make an empty `.beginning`, and only if neither it nor the `.partial` nor the closed file exists.
    pub fn claim_beginning(&self) -> Result<File, RecordingError> {
        let folder = folder_of(&self.closed);
        let refuse = |reason: &str| RecordingError::Folder { path: folder.to_owned(), reason: reason.to_owned() };
        match std::fs::metadata(folder) {
            Err(error) => return Err(refuse(&error.to_string())),
            Ok(found) if !found.is_dir() => return Err(refuse("not a folder")),
            Ok(_) => {}
        }
        if let Some(there) = [&self.closed, &self.partial].into_iter().find(|path| path.symlink_metadata().is_ok()) {
            return Err(RecordingError::Exists { path: there.clone() });
        }
        File::options().read(true).write(true).create_new(true).open(&self.beginning).map_err(|error| {
            match error.kind() {
                ErrorKind::AlreadyExists => RecordingError::Exists { path: self.beginning.clone() },
                _ => refuse(&error.to_string()),
            }
        })
    }
}

/// Let a lock go for certain: a child process that is just being started holds the same open file for a moment, and
/// closing ours alone would leave the lock with it.
pub(super) fn release(file: File) {
    let _ = file.unlock();
}

/// The right to close and remove a `.partial`, held until dropped.
#[derive(Debug)]
pub(super) struct Claim(Option<File>);

impl Claim {
    /// Claim it. Its writer holds a shared lock for life, so does whoever closes it.
    pub fn of(partial: &Path) -> Result<Self, RecordingError> {
        let in_use = |_| RecordingError::InUse { path: partial.to_owned() };
        let file = File::open(partial).map_err(|e| RecordingError::io(partial, "open", &e))?;
        file.try_lock().map_err(in_use)?;
        // Other programs take a shared lock to read, which an exclusive one would keep out; of two that come here at
        // once at most one gets through, since the lock is let go for a moment in between.
        file.try_lock_shared().map_err(in_use)?;
        Ok(Self(Some(file)))
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        if let Some(file) = self.0.take() {
            release(file);
        }
    }
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Make a new name, or the end of one, durable.
pub(super) fn sync_folder(path: &Path) -> Result<(), RecordingError> {
    let folder = folder_of(path);
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(|e| RecordingError::io(folder, "sync", &e))
}

/// Rename, never over an existing file.
pub(super) fn rename_to_new(from: &Path, to: &Path) -> Result<(), RecordingError> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        Ok(()) => Ok(()),
        Err(Errno::EXIST) => Err(RecordingError::Exists { path: to.to_owned() }),
        // Some file systems have no such call: look first, then rename.
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) if to.symlink_metadata().is_err() => {
            std::fs::rename(from, to).map_err(|e| RecordingError::io(to, "rename", &e))
        }
        Err(error) => Err(RecordingError::io(to, "rename", &error.into())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rejects_names_that_are_no_partial() {
        for name in ["a.h5", "a.partial", "a", "a.h5.partial.bak", ".partial"] {
            assert!(RecordingPath::of_partial(Path::new(name)).is_err(), "{name}");
        }
        let names = RecordingPath::of_partial(Path::new("runs/a.b.h5.partial")).unwrap();
        assert_eq!(names.closed(), Path::new("runs/a.b.h5"));
        assert_eq!(names.closing(), Path::new("runs/a.b.h5.closing"));
    }

    #[test]
    fn rejects_renaming_over_a_file() {
        let folder = tempfile::tempdir().unwrap();
        let (from, to) = (folder.path().join("a"), folder.path().join("b"));
        std::fs::write(&from, "a").unwrap();
        std::fs::write(&to, "b").unwrap();
        assert_eq!(rename_to_new(&from, &to), Err(RecordingError::Exists { path: to.clone() }));
        assert_eq!(std::fs::read_to_string(&to).unwrap(), "b");
    }
}

//! What is wrong with a file, all of it at once: where, what was found, what is allowed, what to try.

use serde::{Deserialize, Serialize};
use std::fmt;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// Keys from the top of the file (`pipe[1].length`).
    pub key_path: String,
    /// File as the user named it.
    pub file: String,
    /// Line from 1.
    pub line: usize,
    /// Column from 1, in characters.
    pub column: usize,
    /// What was found.
    pub found: String,
    /// What is allowed.
    pub allowed: String,
    /// What to try.
    pub hint: Option<String>,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}: found {}; allowed {}", self.file, self.line, self.key_path, self.found, self.allowed)?;
        match &self.hint {
            Some(hint) => write!(f, "; try: {hint}"),
            None => Ok(()),
        }
    }
}

/// Everything that is wrong, in file order; never empty where it is an error.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// Sorted by file, line, column and key, duplicates removed.
    pub fn in_order(mut self) -> Self {
        let key = |p: &Problem| (p.file.clone(), p.line, p.column, p.key_path.clone());
        self.0.sort_by_key(key);
        self.0.dedup();
        self
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n\n")?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

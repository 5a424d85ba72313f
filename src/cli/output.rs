//! The only place that prints. With `--json` standard output carries one JSON object and nothing else; everything a
//! person reads goes to standard error then.

use std::io::{IsTerminal, Write};

/// How results are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Output {
    /// One JSON object on standard output.
    pub json: bool,
    /// A screen has the terminal: notes and progress are shown there.
    pub screen: bool,
}

impl Output {
    /// The same while a screen has the terminal.
    pub fn behind_a_screen(self) -> Self {
        Self { screen: true, ..self }
    }

    /// A result for a person: standard output, unless that belongs to JSON.
    pub fn text(self, text: &str) {
        if self.json {
            self.note(text);
        } else {
            write_line(&mut std::io::stdout().lock(), text);
        }
    }

    /// The JSON object.
    pub fn object<T: serde::Serialize>(self, value: &T) -> Result<(), serde_json::Error> {
        if self.json {
            let text = serde_json::to_string(value)?;
            write_line(&mut std::io::stdout().lock(), &text);
        }
        Ok(())
    }

    /// A line on the way: standard error.
    pub fn note(self, text: &str) {
        if self.screen {
            return;
        }
        write_line(&mut std::io::stderr().lock(), text);
    }

    /// A line that replaces itself on a terminal; elsewhere nothing, since the steps are noted anyway.
    pub fn progress(self, text: &str) {
        let mut err = std::io::stderr().lock();
        if err.is_terminal() && !self.screen {
            let _ = write!(err, "\r\x1b[2K{text}");
            let _ = err.flush();
        }
    }

    /// End the live line.
    pub fn progress_done(self) {
        let mut err = std::io::stderr().lock();
        if err.is_terminal() && !self.screen {
            let _ = write!(err, "\r\x1b[2K");
            let _ = err.flush();
        }
    }

    /// Standard output for bytes that another program reads.
    pub fn bytes(self) -> impl Write {
        std::io::BufWriter::new(std::io::stdout().lock())
    }

    /// A line for another program on standard output, flushed at once.
    pub fn announce(self, line: &str) {
        write_line(&mut std::io::stdout().lock(), line);
    }
}

/// A closed pipe (`ramprig ... | head`) is not our fault and not worth a panic.
fn write_line(sink: &mut dyn Write, text: &str) {
    let _ = writeln!(sink, "{text}");
    let _ = sink.flush();
}

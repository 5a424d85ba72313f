//! What a terminal can show: colour or none, Unicode or ASCII. Screens are drawn in full and brought down to it at the end.

use ratatui::buffer::Buffer;
use ratatui::style::Color;

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Colours (the sixteen of every terminal, no others).
    pub colour: bool,
    /// ASCII alone.
    pub ascii: bool,
}

impl Default for Look {
    fn default() -> Self {
        Self { colour: true, ascii: false }
    }
}

impl Look {
    /// By `NO_COLOR`, and by the first of `LC_ALL`, `LC_CTYPE` and `LANG` that says something: a locale that does not say UTF-8
    /// gets ASCII.
    pub fn of_environment() -> Self {
        Self::by(|name| std::env::var(name).ok())
    }

    /// As [`Self::of_environment`], from anywhere.
    pub fn by(variable: impl Fn(&str) -> Option<String>) -> Self {
        let said = |name: &&str| variable(name).filter(|value| !value.is_empty());
        let locale = ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(said).unwrap_or_default().to_lowercase();
        let dumb = variable("TERM").is_some_and(|term| term == "dumb" || term.starts_with("vt"));
        Self {
            colour: said(&"NO_COLOR").is_none() && !dumb,
            ascii: !locale.contains("utf-8") && !locale.contains("utf8"),
        }
    }

    /// Bring a drawn screen down to what is there.
    pub fn apply(self, buffer: &mut Buffer) {
        for cell in &mut buffer.content {
            if !self.colour {
                (cell.fg, cell.bg) = (Color::Reset, Color::Reset);
            }
            if self.ascii && !cell.symbol().is_ascii() {
                let plain = plain(cell.symbol().chars().next().unwrap_or(' '));
                cell.set_char(plain);
            }
        }
    }
}

/// The nearest ASCII sign.
fn plain(sign: char) -> char {
    match sign {
        '\u{2800}' => ' ',
        '\u{2801}'..='\u{28FF}' => '*',
        '•' => 'o',
        '·' => '.',
        '╌' => '=',
        '│' => '|',
        '─' | '—' | '–' => '-',
        '┌' | '┐' | '└' | '┘' | '├' | '┤' | '┬' | '┴' | '┼' => '+',
        '█' | '▀' | '▄' | '▌' | '▐' => '#',
        '…' => '~',
        'ä' | 'á' | 'à' | 'â' => 'a',
        'ö' | 'ó' | 'ò' | 'ô' => 'o',
        'ü' | 'ú' | 'ù' | 'û' => 'u',
        'é' | 'è' | 'ê' | 'ë' => 'e',
        _ => '?',
    }
}

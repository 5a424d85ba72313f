//! A terminal's screen as a picture: text with its escape sequences (ECMA-48, SGR) in, SVG out. Dots, blocks and lines are drawn
//! as shapes, so that no font can move them.

use std::fmt::Write;

/// A cell, in points.
const CELL: (f64, f64) = (8.0, 17.0);
const MARGIN: f64 = 8.0;
const PAPER: &str = "#101418";
const INK: &str = "#d8dde3";
/// The sixteen colours, dark ones first.
const COLOURS: [&str; 16] = [
    "#101418", "#ff6b6b", "#5bd67a", "#f2c14e", "#6ea8fe", "#d68bff", "#4fd1e0", "#d8dde3", "#7b858f", "#ff8a8a",
    "#7ee69a", "#ffd773", "#95c0ff", "#e3adff", "#7fe3ef", "#ffffff",
];

#[derive(Clone, Copy, PartialEq)]
struct Style {
    ink: Option<usize>,
    bold: bool,
    dim: bool,
    underlined: bool,
    reversed: bool,
}

const PLAIN: Style = Style { ink: None, bold: false, dim: false, underlined: false, reversed: false };

impl Style {
    fn take(&mut self, codes: &str) {
        let mut codes = codes.split(';').map(|code| code.parse::<usize>().unwrap_or(0));
        while let Some(code) = codes.next() {
            match code {
                0 => *self = PLAIN,
                1 => self.bold = true,
                2 => self.dim = true,
                4 => self.underlined = true,
                7 => self.reversed = true,
                22 => (self.bold, self.dim) = (false, false),
                24 => self.underlined = false,
                27 => self.reversed = false,
                30..=37 => self.ink = Some(code - 30),
                38 => self.ink = codes.nth(1).filter(|colour| *colour < 16),
                39 => self.ink = None,
                90..=97 => self.ink = Some(code - 90 + 8),
                _ => {}
            }
        }
    }

    fn ink(self) -> &'static str {
        match (self.reversed, self.ink) {
            (true, _) => PAPER,
            (false, Some(colour)) => COLOURS[colour],
            (false, None) => INK,
        }
    }
}

/// Cells of a line with their styles.
fn cells(line: &str, style: &mut Style) -> Vec<(char, Style)> {
    let mut found = Vec::new();
    let mut rest = line;
    while let Some(sign) = rest.chars().next() {
        if let Some((codes, after)) = rest.strip_prefix("\u{1b}[").and_then(|after| after.split_once('m')) {
            style.take(codes);
            rest = after;
            continue;
        }
        rest = &rest[sign.len_utf8()..];
        found.push((sign, *style));
    }
    found
}

/// Rectangles of a sign that is drawn: (left, top, width, height) as shares of the cell.
fn shapes(sign: char) -> Option<Vec<[f64; 4]>> {
    let thin = 0.09;
    Some(match sign {
        '█' => vec![[0.0, 0.0, 1.0, 1.0]],
        '▀' => vec![[0.0, 0.0, 1.0, 0.5]],
        '▄' => vec![[0.0, 0.5, 1.0, 0.5]],
        '─' => vec![[0.0, 0.5 - thin / 2.0, 1.0, thin]],
        '╌' => vec![[0.0, 0.5 - thin / 2.0, 0.6, thin]],
        '│' => vec![[0.42, 0.0, 0.16, 1.0]],
        '└' => vec![[0.42, 0.0, 0.16, 0.5], [0.42, 0.5 - thin / 2.0, 0.58, thin]],
        '•' => vec![[0.3, 0.42, 0.4, 0.2]],
        '·' => vec![[0.4, 0.46, 0.2, 0.1]],
        '\u{2800}'..='\u{28FF}' => braille(u32::from(sign) - 0x2800),
        _ => return None,
    })
}

/// Unicode 16.0, block Braille Patterns: bits 0 to 2 and 6 are the left column, 3 to 5 and 7 the right one.
fn braille(bits: u32) -> Vec<[f64; 4]> {
    let places = [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3)];
    let lit = places.iter().enumerate().filter(|(bit, _)| bits >> bit & 1 == 1);
    lit.map(|(_, (column, row))| [0.08 + 0.5 * f64::from(*column), 0.04 + 0.25 * f64::from(*row), 0.38, 0.18]).collect()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// The picture of a screen.
pub fn svg(painted: &str, (columns, rows): (u16, u16), title: &str) -> String {
    let (width, height) = (f64::from(columns) * CELL.0 + 2.0 * MARGIN, f64::from(rows) * CELL.1 + 2.0 * MARGIN);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" role=\"img\">\n\
         <title>{}</title>\n<rect width=\"{width}\" height=\"{height}\" rx=\"6\" fill=\"{PAPER}\"/>\n\
         <g font-family=\"'DejaVu Sans Mono',Menlo,Consolas,monospace\" font-size=\"13\" xml:space=\"preserve\">\n",
        escaped(title)
    );
    let mut style = PLAIN;
    for (row, line) in painted.lines().take(usize::from(rows)).enumerate() {
        let cells = cells(line, &mut style);
        let mut from = 0;
        while from < cells.len() {
            let kind = |at: usize| (cells[at].1, shapes(cells[at].0).is_some());
            let until = (from..cells.len()).find(|at| kind(*at) != kind(from)).unwrap_or(cells.len());
            draw(&mut svg, &cells[from..until], (from, row));
            from = until;
        }
    }
    svg.push_str("</g>\n</svg>\n");
    svg
}

/// One stretch of cells of one style, either text or shapes.
fn draw(svg: &mut String, cells: &[(char, Style)], (column, row): (usize, usize)) {
    let style = cells[0].1;
    let (x, y) = (MARGIN + column as f64 * CELL.0, MARGIN + row as f64 * CELL.1);
    let width = cells.len() as f64 * CELL.0;
    if style.reversed {
        let paper = style.ink.map_or(INK, |colour| COLOURS[colour]);
        writeln!(svg, "<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{}\" fill=\"{paper}\"/>", CELL.1).unwrap();
    }
    if cells.iter().all(|(sign, _)| shapes(*sign).is_some()) {
        let mut path = String::new();
        for (at, (sign, _)) in cells.iter().enumerate() {
            for [left, top, wide, high] in shapes(*sign).unwrap() {
                let (left, top) = (x + (at as f64 + left) * CELL.0, y + top * CELL.1);
                write!(path, "M{left:.1} {top:.1}h{:.1}v{:.1}h-{:.1}z", wide * CELL.0, high * CELL.1, wide * CELL.0)
                    .unwrap();
            }
        }
        writeln!(svg, "<path fill=\"{}\" d=\"{path}\"/>", style.ink()).unwrap();
        return;
    }
    let text: String = cells.iter().map(|(sign, _)| *sign).collect();
    if text.trim().is_empty() && !style.underlined {
        return;
    }
    let weight = if style.bold { " font-weight=\"bold\"" } else { "" };
    let line = if style.underlined { " text-decoration=\"underline\"" } else { "" };
    let faint = if style.dim { " opacity=\"0.7\"" } else { "" };
    let base = y + 0.76 * CELL.1;
    writeln!(
        svg,
        "<text x=\"{x}\" y=\"{base:.1}\" textLength=\"{width}\" lengthAdjust=\"spacingAndGlyphs\" fill=\"{}\"{weight}{line}{faint}>{}</text>",
        style.ink(),
        escaped(&text).replace(' ', "\u{a0}")
    )
    .unwrap();
}

#[test]
fn draws_weights_colours_and_dots_of_a_screen() {
    let picture = svg("\u{1b}[1m<a\u{1b}[0m \u{1b}[38;5;6m⠁\u{1b}[39m\n\u{1b}[7mS\u{1b}[27m", (10, 2), "a & b");
    assert!(picture.contains("font-weight=\"bold\">&lt;a</text>") && picture.contains("a &amp; b"), "{picture}");
    assert_eq!(picture.matches(COLOURS[6]).count(), 1, "{picture}");
    assert!(picture.contains(&format!("height=\"17\" fill=\"{INK}\"")), "{picture}");
}

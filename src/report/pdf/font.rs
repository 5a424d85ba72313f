//! Widths of text and where its lines end. One glyph a character and no kerning: what is measured is what is drawn. A
//! character that the fonts lack is drawn as the replacement mark; copied from the page it is still itself.

use super::PdfError;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use skrifa::charmap::Charmap;
use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider};

/// Fonts as they are built in, cut down to Latin, Greek, Cyrillic and signs (`fonts/LICENSE.txt`).
pub(super) const FILES: [&[u8]; 3] = [
    include_bytes!("fonts/DejaVuSansCondensed.ttf"),
    include_bytes!("fonts/DejaVuSansCondensed-Bold.ttf"),
    include_bytes!("fonts/DejaVuSansMono.ttf"),
];
/// Stands for a character that no font has.
const MISSING: char = '\u{fffd}';
/// After these a long word may be cut.
const CUT_AFTER: &[char] = &['-', '_', '/', '.', ',', ':', ';', '='];

/// Which of the fonts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    Regular,
    Bold,
    Mono,
}

/// Font and size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lettering {
    pub style: Style,
    pub size_pt: f32,
}

/// A font that can be measured and drawn with.
struct Face {
    font: Font,
    characters: Charmap<'static>,
    widths: GlyphMetrics<'static>,
    per_em: f32,
}

/// All of them.
pub(super) struct Faces([Face; 3]);

impl Face {
    fn read(bytes: &'static [u8]) -> Result<Self, PdfError> {
        let source = FontRef::new(bytes).map_err(|e| PdfError::Font(e.to_string()))?;
        let font = Font::new(bytes.into(), 0).ok_or_else(|| PdfError::Font("not taken by the PDF library".into()))?;
        Ok(Self {
            per_em: font.units_per_em(),
            font,
            characters: source.charmap(),
            widths: source.glyph_metrics(Size::unscaled(), LocationRef::default()),
        })
    }

    fn glyph(&self, character: char) -> skrifa::GlyphId {
        self.characters.map(character).or_else(|| self.characters.map(MISSING)).unwrap_or_default()
    }

    /// Advance over the size of the font.
    fn advance(&self, character: char) -> f32 {
        self.widths.advance_width(self.glyph(character)).unwrap_or(0.0) / self.per_em
    }
}

impl Faces {
    pub fn read() -> Result<Self, PdfError> {
        let [regular, bold, mono] = FILES.map(Face::read);
        Ok(Self([regular?, bold?, mono?]))
    }

    fn face(&self, style: Style) -> &Face {
        let [regular, bold, mono] = &self.0;
        match style {
            Style::Regular => regular,
            Style::Bold => bold,
            Style::Mono => mono,
        }
    }

    pub fn font(&self, style: Style) -> Font {
        self.face(style).font.clone()
    }

    /// Glyphs of a line.
    pub fn glyphs(&self, style: Style, text: &str) -> Vec<KrillaGlyph> {
        let face = self.face(style);
        let glyph = |(at, character): (usize, char)| KrillaGlyph {
            glyph_id: GlyphId::new(face.glyph(character).to_u32()),
            text_range: at..at + character.len_utf8(),
            x_advance: face.advance(character),
            x_offset: 0.0,
            y_offset: 0.0,
            y_advance: 0.0,
            location: None,
        };
        text.char_indices().map(glyph).collect()
    }

    pub fn width_pt(&self, letters: Lettering, text: &str) -> f32 {
        let face = self.face(letters.style);
        text.chars().map(|character| face.advance(character)).sum::<f32>() * letters.size_pt
    }

    /// Width of the longest word, pt.
    pub fn word_pt(&self, letters: Lettering, text: &str) -> f32 {
        text.split_whitespace().map(|word| self.width_pt(letters, word)).fold(0.0, f32::max)
    }

    /// Lines no wider than `width_pt`, the spaces between words kept at their ends: broken between words, and inside a word
    /// that is wider than a line.
    pub fn lines(&self, letters: Lettering, text: &str, width_pt: f32) -> Vec<String> {
        let mut lines = Vec::new();
        for paragraph in printable(text).split('\n') {
            self.fill(letters, paragraph, width_pt, &mut lines);
        }
        lines
    }

    fn fill(&self, letters: Lettering, paragraph: &str, width_pt: f32, lines: &mut Vec<String>) {
        let (mut line, mut used_pt) = (String::new(), 0.0);
        for word in paragraph.split_inclusive(' ') {
            let bare_pt = self.width_pt(letters, word.trim_end_matches(' '));
            if used_pt + bare_pt > width_pt && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
                used_pt = 0.0;
            }
            if bare_pt > width_pt {
                let mut pieces = self.cut(letters, word, width_pt);
                line = pieces.pop().unwrap_or_default();
                lines.append(&mut pieces);
                used_pt = self.width_pt(letters, &line);
            } else {
                line.push_str(word);
                used_pt += self.width_pt(letters, word);
            }
        }
        lines.push(line);
    }

    /// A word in pieces no wider than a line, cut after a mark where one stands in the second half.
    fn cut(&self, letters: Lettering, word: &str, width_pt: f32) -> Vec<String> {
        let (mut pieces, mut piece) = (Vec::new(), String::new());
        for character in word.chars() {
            let too_wide = |piece: &str| self.width_pt(letters, piece) > width_pt;
            if character != ' ' && !piece.is_empty() && too_wide(&format!("{piece}{character}")) {
                let end = piece.rfind(CUT_AFTER).map(|at| at + 1).filter(|end| 2 * end > piece.len());
                let rest = end.map(|end| piece.split_off(end)).unwrap_or_default();
                pieces.push(std::mem::replace(&mut piece, rest));
            }
            piece.push(character);
        }
        pieces.push(piece);
        pieces
    }
}

/// Without what a page cannot hold: control characters and byte order marks.
fn printable(text: &str) -> String {
    let shown = |character: char| match character {
        '\n' => '\n',
        '\t' => ' ',
        '\u{feff}' | '\u{fffe}' | '\u{ffff}' => MISSING,
        control if control.is_control() => MISSING,
        other => other,
    };
    text.chars().filter(|character| *character != '\r').map(shown).collect()
}

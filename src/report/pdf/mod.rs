//! A [`Document`] as PDF: A4 or Letter, tagged for screen readers (PDF/UA-1), text that can be marked and copied, charts as
//! vectors. `font` measures text, `block` and `table` are what stands on a page, `setting` sets one under the other and
//! turns pages, `paint` hands the pages to the PDF library. Nothing of the time or machine goes in: the same document gives
//! the same bytes.

mod block;
mod font;
mod paint;
mod setting;
mod table;

use super::document::Document;

/// Paper that the pages are for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 x 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 x 11 in.
    Letter,
}

impl Paper {
    /// Width and height, pt (1/72 in).
    const fn size_pt(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// A font that is built in is not read.
    #[error("built-in font: {0}")]
    Font(String),
    /// A chart is not read.
    #[error("chart `{caption}`: {reason}")]
    Chart {
        /// Line under it.
        caption: String,
        /// What the drawing library said.
        reason: String,
    },
    /// The PDF library refuses.
    #[error("PDF: {0}")]
    Writing(String),
}

/// The file.
///
/// # Errors
/// A chart is no SVG, or the PDF library refuses.
pub fn pdf(document: &Document, paper: Paper) -> Result<Vec<u8>, PdfError> {
    let faces = font::Faces::read()?;
    let set = setting::set(document, paper, &faces)?;
    paint::paint(&document.title, &set, &faces)
}

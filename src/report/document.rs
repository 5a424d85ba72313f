//! A report as a list of plain pieces, before it becomes a page. The other forms of a report start from here as well.

/// A whole report.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Document {
    /// Title.
    pub title: String,
    /// Marks in words under the title (`VIRTUAL RIG`, `invented demo data`).
    pub marks: Vec<String>,
    /// Sections in order.
    pub sections: Vec<Section>,
}

/// A section.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Heading.
    pub heading: String,
    /// Pieces in order.
    pub pieces: Vec<Piece>,
}

/// A piece.
#[derive(Debug, Clone, PartialEq)]
pub enum Piece {
    /// Running text.
    Text(String),
    /// Something to be careful about, with its ISO 3864 signal word.
    Caution {
        /// `WARNING`, `CAUTION`, `NOTICE`.
        word: String,
        /// Text.
        text: String,
    },
    /// Bullet points.
    Points(Vec<String>),
    /// A table; the first column is text, the others are numbers.
    Table(Table),
    /// A picture with a line under it.
    Figure {
        /// SVG text, its alternative text inside as well.
        svg: String,
        /// What it shows, for those who do not see it.
        alt: String,
        /// Line under it.
        caption: String,
    },
    /// Text as typed (file contents, hashes).
    Verbatim(String),
}

/// A table.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// Column heads.
    pub head: Vec<String>,
    /// Rows.
    pub rows: Vec<Vec<String>>,
}

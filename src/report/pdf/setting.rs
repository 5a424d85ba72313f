//! Setting: a document's pieces become blocks, and blocks are set one under the other on sheets. What comes out is plain
//! data: ink at places, and the tree of elements that a screen reader follows.

use super::block::{Block, Ground, Label, Lines, Picture, reading};
use super::font::{Faces, Lettering, Style};
use super::table::Grid;
use super::{Paper, PdfError};
use crate::report::document::{Document, Piece};
use usvg::Tree;

/// Margins, pt; 15 mm as on the printed HTML page.
pub(super) const MARGIN_PT: f32 = 42.52;
/// Room of the line at the foot, pt.
const FOOT_PT: f32 = 20.0;
/// The line at the foot.
const FOOT: Lettering = Lettering { style: Style::Regular, size_pt: 7.5 };
const TITLE: Lettering = Lettering { style: Style::Bold, size_pt: 17.0 };
const MARKS: Lettering = Lettering { style: Style::Bold, size_pt: 9.5 };
const HEADING: Lettering = Lettering { style: Style::Bold, size_pt: 12.5 };
const TEXT: Lettering = Lettering { style: Style::Regular, size_pt: 9.5 };
const CAUTION: Lettering = Lettering { style: Style::Regular, size_pt: 9.0 };
const SIGNAL_WORD: Lettering = Lettering { style: Style::Bold, size_pt: 9.0 };
const CODE: Lettering = Lettering { style: Style::Mono, size_pt: 7.5 };
/// Column of the signal words, pt.
const SIGNAL_PT: f32 = 62.0;
const BULLET_PT: f32 = 12.0;
const ABOVE_HEADING_PT: f32 = 12.0;
const BETWEEN_MARKS: &str = "  |  ";

/// Red, green, blue.
pub(super) type Colour = [u8; 3];
pub(super) const BLACK: Colour = [26, 26, 26];
pub(super) const GREY: Colour = [85, 85, 85];
pub(super) const PALE: Colour = [205, 205, 205];
const CODE_GROUND: Colour = [246, 246, 246];
const CAUTION_GROUND: Colour = [255, 246, 238];
const CAUTION_BAR: Colour = [213, 94, 0];

/// What a part of the document is, for a screen reader.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Role {
    Title(String),
    Heading(String),
    Paragraph,
    List,
    Item,
    Table,
    Row,
    ColumnHead,
    RowHead,
    Cell,
    Figure { alt: String },
    Caption,
    Code,
}

/// A node of the tree of elements; `parent` is an element before it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Element {
    pub role: Role,
    pub parent: Option<usize>,
}

/// What is drawn, from the upper left corner down, pt. `of` is the element that it belongs to; none for what is repeated or
/// adorns.
#[derive(Debug)]
pub(super) enum Ink {
    Text { x_pt: f32, base_pt: f32, letters: Lettering, colour: Colour, text: String, of: Option<usize> },
    Area { x_pt: f32, y_pt: f32, width_pt: f32, height_pt: f32, colour: Colour },
    Picture { x_pt: f32, y_pt: f32, width_pt: f32, height_pt: f32, tree: Box<Tree>, of: usize },
}

/// A page.
#[derive(Debug, Default)]
pub(super) struct Sheet {
    pub inks: Vec<Ink>,
}

/// A heading's place, for the outline.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Place {
    pub heading: String,
    pub sheet: usize,
    pub y_pt: f32,
}

/// The whole document, set.
#[derive(Debug)]
pub(super) struct Set {
    pub paper: Paper,
    pub sheets: Vec<Sheet>,
    pub elements: Vec<Element>,
    pub places: Vec<Place>,
}

/// Sets blocks on sheets.
pub(super) struct Setter<'a> {
    pub faces: &'a Faces,
    set: Set,
    /// Where the next block begins.
    y_pt: f32,
    /// The list that items belong to.
    list: Option<usize>,
}

impl Setter<'_> {
    pub fn width_pt(&self) -> f32 {
        width_pt(self.set.paper)
    }

    fn bottom_pt(&self) -> f32 {
        self.set.paper.size_pt().1 - MARGIN_PT - FOOT_PT
    }

    /// Height that is left on this sheet.
    pub fn room_pt(&self) -> f32 {
        self.bottom_pt() - self.y_pt
    }

    /// Height of an empty sheet.
    pub fn page_pt(&self) -> f32 {
        self.bottom_pt() - MARGIN_PT
    }

    pub fn at_top(&self) -> bool {
        self.y_pt <= MARGIN_PT
    }

    pub fn y_pt(&self) -> f32 {
        self.y_pt
    }

    pub fn go_down(&mut self, by_pt: f32) {
        self.y_pt += by_pt;
    }

    /// Goes on at the top of a new sheet.
    pub fn turn(&mut self) {
        self.set.sheets.push(Sheet::default());
        self.y_pt = MARGIN_PT;
    }

    pub fn element(&mut self, role: Role, parent: Option<usize>) -> usize {
        if let Role::Title(heading) | Role::Heading(heading) = &role {
            let (heading, sheet) = (heading.clone(), self.set.sheets.len() - 1);
            self.set.places.push(Place { heading, sheet, y_pt: self.y_pt });
        }
        self.set.elements.push(Element { role, parent });
        self.set.elements.len() - 1
    }

    /// The element of lines of that role.
    pub fn element_of(&mut self, role: &Role) -> usize {
        let parent = if *role == Role::Item { self.list } else { None };
        self.element(role.clone(), parent)
    }

    /// Items that follow belong to a new list.
    pub fn begin_list(&mut self) {
        self.list = Some(self.element(Role::List, None));
    }

    pub fn ink(&mut self, ink: Ink) {
        if let Some(sheet) = self.set.sheets.last_mut() {
            sheet.inks.push(ink);
        }
    }

    /// All blocks in order; one that goes with the next is never the last on a sheet.
    fn place_all(&mut self, blocks: Vec<Block>) {
        let starts: Vec<(f32, bool)> = blocks.iter().map(|block| (block.start_pt(), block.goes_with_next())).collect();
        for (index, block) in blocks.into_iter().enumerate() {
            let mut needed_pt = 0.0;
            for (start_pt, goes_on) in &starts[index..] {
                needed_pt += start_pt;
                if !goes_on {
                    break;
                }
            }
            if needed_pt > self.room_pt() && !self.at_top() {
                self.turn();
            }
            block.place(self);
        }
    }

    /// What stands at the foot of every sheet.
    fn feet(&mut self, left: &str) {
        let count = self.set.sheets.len();
        let (width_pt, base_pt) = (self.width_pt(), self.set.paper.size_pt().1 - MARGIN_PT);
        for (index, sheet) in self.set.sheets.iter_mut().enumerate() {
            let right = format!("page {} of {count}", index + 1);
            let right_pt = MARGIN_PT + width_pt - self.faces.width_pt(FOOT, &right);
            let left = self.faces.lines(FOOT, left, right_pt - MARGIN_PT - 10.0).into_iter().next().unwrap_or_default();
            for (x_pt, text) in [(MARGIN_PT, left), (right_pt, right)] {
                sheet.inks.push(Ink::Text { x_pt, base_pt, letters: FOOT, colour: GREY, text, of: None });
            }
        }
    }
}

/// Width of what is set, pt.
pub(super) fn width_pt(paper: Paper) -> f32 {
    paper.size_pt().0 - 2.0 * MARGIN_PT
}

/// Set a document.
pub(super) fn set(document: &Document, paper: Paper, faces: &Faces) -> Result<Set, PdfError> {
    let empty = Set { paper, sheets: vec![Sheet::default()], elements: Vec::new(), places: Vec::new() };
    let mut setter = Setter { faces, set: empty, y_pt: MARGIN_PT, list: None };
    let blocks = blocks(document, paper, faces)?;
    setter.place_all(blocks);
    let foot: Vec<&str> =
        std::iter::once(document.title.as_str()).chain(document.marks.iter().map(String::as_str)).collect();
    setter.feet(&foot.join(BETWEEN_MARKS));
    Ok(setter.set)
}

fn blocks(document: &Document, paper: Paper, faces: &Faces) -> Result<Vec<Block>, PdfError> {
    let (width_pt, reading) = (width_pt(paper), reading());
    let fit = |lines: Lines| Block::Lines(lines.fit(faces, width_pt));
    let title = Lines::new(TITLE, &document.title, Role::Title(document.title.clone()));
    let mut blocks = vec![fit(title.with_next())];
    if !document.marks.is_empty() {
        let frame = Ground { fill: None, bar: None, frame: true };
        let marks = Lines::new(MARKS, &document.marks.join(BETWEEN_MARKS), Role::Paragraph);
        blocks.push(fit(marks.on(frame).with_next()));
    }
    let page_pt = paper.size_pt().1 - 2.0 * MARGIN_PT - FOOT_PT;
    for (index, section) in document.sections.iter().enumerate() {
        let heading = Lines::new(HEADING, &section.heading, Role::Heading(section.heading.clone()));
        blocks.push(fit(heading.under_space(ABOVE_HEADING_PT).with_rule().with_next()));
        let mut pieces = Vec::new();
        for piece in &section.pieces {
            pieces.push((matches!(piece, Piece::Caution { .. }), of_piece(piece, (width_pt, faces), &reading)?));
        }
        if index == 0 {
            pieces = on_first_sheet(pieces, &blocks, page_pt);
        }
        blocks.extend(pieces.into_iter().flat_map(|(_, blocks)| blocks));
    }
    Ok(blocks)
}

/// Blocks of the first section with whether they are something to be careful about, which is to stand on the first sheet:
/// where all is too high for it, charts are lowered; where that is not enough, cautions come before the figures.
fn on_first_sheet(mut pieces: Vec<(bool, Vec<Block>)>, before: &[Block], page_pt: f32) -> Vec<(bool, Vec<Block>)> {
    let height_pt = |of: fn(&Block) -> f32| {
        let inside = pieces.iter().flat_map(|(_, blocks)| blocks);
        before.iter().chain(inside).map(of).sum::<f32>()
    };
    let too_high_pt = height_pt(Block::full_pt) - page_pt;
    if too_high_pt <= 0.0 {
        return pieces;
    }
    if height_pt(Block::least_pt) <= page_pt {
        let lowered = |blocks: Vec<Block>| blocks.into_iter().map(|block| block.lowered(too_high_pt)).collect();
        return pieces.into_iter().map(|(caution, blocks)| (caution, lowered(blocks))).collect();
    }
    if let Some(after_first) = pieces.get_mut(1..) {
        after_first.sort_by_key(|(caution, _)| !caution);
    }
    pieces
}

fn of_piece(
    piece: &Piece,
    (width_pt, faces): (f32, &Faces),
    reading: &usvg::Options<'_>,
) -> Result<Vec<Block>, PdfError> {
    let fit = |lines: Lines| Block::Lines(lines.fit(faces, width_pt));
    Ok(match piece {
        Piece::Text(text) => {
            let lines = Lines::new(TEXT, text, Role::Paragraph);
            // What ends so announces what follows.
            vec![fit(if text.ends_with(':') { lines.with_next() } else { lines })]
        }
        Piece::Caution { word, text } => {
            let ground = Ground { fill: Some(CAUTION_GROUND), bar: Some(CAUTION_BAR), frame: false };
            let label = Label { text: word.clone(), letters: SIGNAL_WORD, x_pt: 0.0 };
            vec![fit(Lines::new(CAUTION, text, Role::Paragraph).labelled(label, SIGNAL_PT).on(ground).whole())]
        }
        Piece::Points(points) => {
            let item = |point: &String| {
                let label = Label { text: "\u{2022}".into(), letters: TEXT, x_pt: 3.0 };
                fit(Lines::new(TEXT, point, Role::Item).labelled(label, BULLET_PT).under_space(2.0))
            };
            std::iter::once(Block::ListBegins).chain(points.iter().map(item)).collect()
        }
        Piece::Table(table) => vec![Block::Table(Grid::new(table, width_pt, faces))],
        Piece::Figure { svg, alt, caption } => {
            vec![Block::Picture(Picture::new((svg, alt, caption), (width_pt, faces), reading)?)]
        }
        Piece::Verbatim(text) => {
            let ground = Ground { fill: Some(CODE_GROUND), bar: None, frame: false };
            vec![fit(Lines::new(CODE, text, Role::Code).on(ground))]
        }
    })
}

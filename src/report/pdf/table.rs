//! Tables: widths of columns, rows over pages, the head again on every one.

use super::block::BASE;
use super::font::{Faces, Lettering, Style};
use super::setting::{BLACK, GREY, Ink, MARGIN_PT, PALE, Role, Setter};
use crate::report::document::Table;

/// Sizes of letters that are tried, largest first, pt.
const SIZES_PT: &[f32] = &[8.5, 8.0, 7.5, 7.0];
/// Letters of a word beyond which it may be cut (digests, file names).
const UNCUT: usize = 17;
/// Letters of a number with its words.
const LONGEST_NUMBER: usize = 32;
/// Between two columns, pt.
const GAP_PT: f32 = 9.0;
/// Above and below the lines of a row, pt.
const PAD_PT: f32 = 1.1;
/// Height of a line over the size of its letters.
const LEADING: f32 = 1.27;
const RULE_PT: f32 = 0.5;
const HEAD_RULE_PT: f32 = 1.0;

#[derive(Debug, Clone, PartialEq)]
struct Column {
    x_pt: f32,
    width_pt: f32,
    /// Numbers stand at the right.
    right: bool,
}

/// Lines of each cell.
type Cells = Vec<Vec<String>>;

/// A table, measured.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Grid {
    size_pt: f32,
    columns: Vec<Column>,
    head: Cells,
    rows: Vec<Cells>,
}

/// Least and full width of a column, pt.
#[derive(Debug, Clone, Copy)]
struct Span {
    least_pt: f32,
    full_pt: f32,
}

impl Grid {
    /// `table` in `width_pt` at most.
    pub fn new(table: &Table, width_pt: f32, faces: &Faces) -> Self {
        let count = table.rows.iter().map(Vec::len).chain([table.head.len()]).max().unwrap_or(0);
        let inner_pt = width_pt - GAP_PT * count.saturating_sub(1) as f32;
        let spans_at = |size_pt: f32| -> Vec<Span> {
            let whole: Vec<Span> = (0..count).map(|at| span(table, at, size_pt, faces)).collect();
            if whole.iter().map(|span| span.full_pt).sum::<f32>() <= inner_pt {
                return whole;
            }
            // Where not all fits, heads break first.
            let cells = |(at, whole): (usize, Span)| Span {
                full_pt: cells_pt(table, at, size_pt, faces).max(whole.least_pt),
                ..whole
            };
            whole.into_iter().enumerate().map(cells).collect()
        };
        let fits = |size_pt: &f32| spans_at(*size_pt).iter().map(|span| span.least_pt).sum::<f32>() <= inner_pt;
        let size_pt = SIZES_PT.iter().copied().find(fits).or(SIZES_PT.last().copied()).unwrap_or(7.0);
        let mut x_pt = MARGIN_PT;
        let mut columns = Vec::new();
        for (at, width_pt) in shared(&spans_at(size_pt), inner_pt).into_iter().enumerate() {
            columns.push(Column { x_pt, width_pt, right: at > 0 && holds_numbers(table, at) });
            x_pt += width_pt + GAP_PT;
        }
        let cells = |style, row: &[String]| -> Cells {
            let cell = |(text, column): (&String, &Column)| {
                faces.lines(Lettering { style, size_pt }, text, column.width_pt + 0.01)
            };
            row.iter().zip(&columns).map(cell).collect()
        };
        let head = cells(Style::Bold, &table.head);
        let rows = table.rows.iter().map(|row| cells(Style::Regular, row)).collect();
        Self { size_pt, columns, head, rows }
    }

    fn leading_pt(&self) -> f32 {
        LEADING * self.size_pt
    }

    fn height_pt(&self, cells: &Cells) -> f32 {
        let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
        lines as f32 * self.leading_pt() + 2.0 * PAD_PT
    }

    /// Head and first row.
    pub fn start_pt(&self) -> f32 {
        self.height_pt(&self.head) + self.rows.first().map_or(0.0, |row| self.height_pt(row))
    }

    /// All of it.
    pub fn full_pt(&self) -> f32 {
        self.height_pt(&self.head) + self.rows.iter().map(|row| self.height_pt(row)).sum::<f32>()
    }

    pub fn place(self, setter: &mut Setter<'_>) {
        let table = setter.element(Role::Table, None);
        self.place_head(setter, Some(table));
        for row in &self.rows {
            let height_pt = self.height_pt(row);
            let page_pt = setter.page_pt() - self.height_pt(&self.head);
            if height_pt > setter.room_pt() && height_pt <= page_pt {
                setter.turn();
                self.place_head(setter, None);
            }
            self.place_row(setter, row, table);
        }
    }

    /// `table`: the element that it belongs to; none where it is only said again.
    fn place_head(&self, setter: &mut Setter<'_>, table: Option<usize>) {
        let row = table.map(|table| setter.element(Role::Row, Some(table)));
        self.place_lines(setter, &self.head, Style::Bold, |setter, _| {
            row.map(|row| setter.element(Role::ColumnHead, Some(row)))
        });
        self.rule(setter, HEAD_RULE_PT);
    }

    /// A row; one that no page holds goes on over pages.
    fn place_row(&self, setter: &mut Setter<'_>, row: &Cells, table: usize) {
        let parent = Some(setter.element(Role::Row, Some(table)));
        let elements: Vec<usize> =
            (0..row.len()).map(|at| setter.element(if at == 0 { Role::RowHead } else { Role::Cell }, parent)).collect();
        let mut rest = row.clone();
        loop {
            let fitting = ((setter.room_pt() - 2.0 * PAD_PT) / self.leading_pt()).floor().max(1.0) as usize;
            let now: Cells = rest.iter_mut().map(|lines| lines.drain(..lines.len().min(fitting)).collect()).collect();
            self.place_lines(setter, &now, Style::Regular, |_, at| elements.get(at).copied());
            if rest.iter().all(Vec::is_empty) {
                break;
            }
            setter.turn();
            self.place_head(setter, None);
        }
        self.rule(setter, RULE_PT);
    }

    fn place_lines(
        &self,
        setter: &mut Setter<'_>,
        cells: &Cells,
        style: Style,
        mut element: impl FnMut(&mut Setter<'_>, usize) -> Option<usize>,
    ) {
        let letters = Lettering { style, size_pt: self.size_pt };
        let lowest = cells.iter().map(Vec::len).max().unwrap_or(0);
        let top_pt = setter.y_pt() + PAD_PT + BASE * self.size_pt;
        for (at, (lines, column)) in cells.iter().zip(&self.columns).enumerate() {
            let of = element(setter, at);
            // A head ends just above its rule.
            let down = if style == Style::Bold { lowest - lines.len() } else { 0 };
            for (line, text) in lines.iter().enumerate() {
                let shown_pt = setter.faces.width_pt(letters, text.trim_end());
                let shift_pt = if column.right { column.width_pt - shown_pt } else { 0.0 };
                let (x_pt, base_pt) = (column.x_pt + shift_pt, top_pt + (down + line) as f32 * self.leading_pt());
                // A space between cells, so that words of two are never one when they are copied.
                let text = format!("{} ", text.trim_end());
                setter.ink(Ink::Text { x_pt, base_pt, letters, colour: BLACK, text, of });
            }
        }
        setter.go_down(self.height_pt(cells));
    }

    fn rule(&self, setter: &mut Setter<'_>, height_pt: f32) {
        let Some(last) = self.columns.last() else { return };
        let (y_pt, width_pt) = (setter.y_pt() - 0.5 * height_pt, last.x_pt + last.width_pt - MARGIN_PT);
        let colour = if height_pt > RULE_PT { GREY } else { PALE };
        setter.ink(Ink::Area { x_pt: MARGIN_PT, y_pt, width_pt, height_pt, colour });
    }
}

fn span(table: &Table, at: usize, size_pt: f32, faces: &Faces) -> Span {
    let of = |style, text: &String| {
        let letters = Lettering { style, size_pt };
        let uncut_pt = faces.width_pt(letters, &"0".repeat(UNCUT));
        let full_pt = text.lines().map(|line| faces.width_pt(letters, line)).fold(0.0, f32::max);
        Span { least_pt: faces.word_pt(letters, text).min(uncut_pt), full_pt }
    };
    let head = table.head.get(at).map(|text| of(Style::Bold, text));
    let cells = table.rows.iter().filter_map(|row| row.get(at)).map(|text| of(Style::Regular, text));
    let start = Span { least_pt: 1.0, full_pt: 1.0 };
    cells.chain(head).fold(start, |all, one| Span {
        least_pt: all.least_pt.max(one.least_pt),
        full_pt: all.full_pt.max(one.full_pt),
    })
}

/// Full width of the cells of a column without their head, pt.
fn cells_pt(table: &Table, at: usize, size_pt: f32, faces: &Faces) -> f32 {
    let letters = Lettering { style: Style::Regular, size_pt };
    let lines = table.rows.iter().filter_map(|row| row.get(at)).flat_map(|text| text.lines());
    lines.map(|line| faces.width_pt(letters, line)).fold(0.0, f32::max)
}

/// Widths that fill `inner_pt` at most: all that a column asks for where there is room, else the least and a share of the
/// rest; narrower than the least where even that is too much.
fn shared(spans: &[Span], inner_pt: f32) -> Vec<f32> {
    let (least_pt, full_pt) =
        spans.iter().fold((0.0, 0.0), |(least, full), span| (least + span.least_pt, full + span.full_pt));
    if full_pt <= inner_pt {
        return spans.iter().map(|span| span.full_pt).collect();
    }
    let spare_pt = inner_pt - least_pt;
    if spare_pt < 0.0 {
        return spans.iter().map(|span| span.least_pt * inner_pt / least_pt).collect();
    }
    let share = spare_pt / (full_pt - least_pt).max(1e-3);
    spans.iter().map(|span| span.least_pt + share * (span.full_pt - span.least_pt)).collect()
}

/// Whether half of the cells at least begin with a number, and none is as long as a sentence.
fn holds_numbers(table: &Table, at: usize) -> bool {
    let cells: Vec<&String> = table.rows.iter().filter_map(|row| row.get(at)).filter(|text| !text.is_empty()).collect();
    let number = |text: &&&String| text.split_whitespace().next().is_some_and(|word| word.parse::<f64>().is_ok());
    let short = cells.iter().all(|text| text.len() <= LONGEST_NUMBER);
    short && 2 * cells.iter().filter(number).count() >= cells.len().max(1)
}

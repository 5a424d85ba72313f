//! Blocks: what stands on a page as one thing and knows how to be set.

use super::PdfError;
use super::font::{FILES, Faces, Lettering, Style};
use super::setting::{BLACK, Colour, GREY, Ink, MARGIN_PT, PALE, Role, Setter};
use super::table::Grid;
use std::ops::Range;
use std::sync::Arc;
use usvg::fontdb::Database;
use usvg::{Options, Tree};

/// Height of a line over the size of its letters.
const LEADING: f32 = 1.3;
/// Foot of the letters below the top of their line, over the size.
pub(super) const BASE: f32 = 1.0;
/// Between a block and the one before it, pt.
const SPACE_PT: f32 = 5.0;
/// Inside a ground, pt.
const PAD_PT: f32 = 4.0;
const BAR_PT: f32 = 4.0;
/// Lines that stay together at the end of a page and at the start of the next.
const TOGETHER: usize = 2;
const CAPTION: Lettering = Lettering { style: Style::Regular, size_pt: 8.0 };
/// A chart may be set as small as this share of the page's width, where it fits on the sheet then.
const LEAST_SHARE: f32 = 0.7;
/// Room of the rule below a heading, pt.
const RULE_PT: f32 = 4.0;
const FRAME_PT: f32 = 1.2;

/// What is behind lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ground {
    pub fill: Option<Colour>,
    /// Bar at the left.
    pub bar: Option<Colour>,
    pub frame: bool,
}

/// What stands beside the first line, left of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Label {
    pub text: String,
    pub letters: Lettering,
    pub x_pt: f32,
}

/// Lines of text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Lines {
    lines: Vec<String>,
    letters: Lettering,
    role: Role,
    label: Option<Label>,
    ground: Option<Ground>,
    indent_pt: f32,
    above_pt: f32,
    rule: bool,
    with_next: bool,
    whole: bool,
}

/// A chart with its caption.
#[derive(Debug)]
pub(super) struct Picture {
    tree: Box<Tree>,
    alt: String,
    caption: Vec<String>,
    width_pt: f32,
    height_pt: f32,
}

/// Any of them.
#[derive(Debug)]
pub(super) enum Block {
    Lines(Lines),
    /// The items that follow are one list.
    ListBegins,
    Table(Grid),
    Picture(Picture),
}

impl Block {
    /// Least height with which it begins on a sheet, pt.
    pub fn start_pt(&self) -> f32 {
        match self {
            Self::Lines(lines) => lines.start_pt(),
            Self::ListBegins => 0.0,
            Self::Table(grid) => SPACE_PT + grid.start_pt(),
            Self::Picture(picture) => SPACE_PT + picture.least_pt(),
        }
    }

    /// A chart lower by so much, as far as it may.
    pub fn lowered(self, by_pt: f32) -> Self {
        match self {
            Self::Picture(picture) => Self::Picture(picture.lowered(by_pt)),
            other => other,
        }
    }

    /// Height on one sheet that is high enough, pt.
    pub fn full_pt(&self) -> f32 {
        match self {
            Self::Lines(lines) => lines.above_pt + lines.height_pt(lines.lines.len()),
            Self::ListBegins => 0.0,
            Self::Table(grid) => SPACE_PT + grid.full_pt(),
            Self::Picture(picture) => SPACE_PT + picture.height_pt + picture.caption_pt(),
        }
    }

    /// The same with a chart as low as it may be.
    pub fn least_pt(&self) -> f32 {
        match self {
            Self::Picture(picture) => SPACE_PT + picture.least_pt(),
            other => other.full_pt(),
        }
    }

    pub fn goes_with_next(&self) -> bool {
        match self {
            Self::Lines(lines) => lines.with_next,
            Self::ListBegins => true,
            Self::Table(_) | Self::Picture(_) => false,
        }
    }

    pub fn place(self, setter: &mut Setter<'_>) {
        match self {
            Self::Lines(lines) => lines.place(setter),
            Self::ListBegins => setter.begin_list(),
            Self::Table(grid) => {
                setter.go_down(SPACE_PT);
                grid.place(setter);
            }
            Self::Picture(picture) => picture.place(setter),
        }
    }
}

impl Lines {
    /// Text, not in lines yet.
    pub fn new(letters: Lettering, text: &str, role: Role) -> Self {
        Self {
            lines: vec![text.to_owned()],
            letters,
            role,
            label: None,
            ground: None,
            indent_pt: 0.0,
            above_pt: SPACE_PT,
            rule: false,
            with_next: false,
            whole: false,
        }
    }

    /// Beside what is to the left, indented.
    pub fn labelled(self, label: Label, indent_pt: f32) -> Self {
        Self { label: Some(label), indent_pt, ..self }
    }

    pub fn on(self, ground: Ground) -> Self {
        Self { ground: Some(ground), ..self }
    }

    pub fn under_space(self, above_pt: f32) -> Self {
        Self { above_pt, ..self }
    }

    /// With a rule below.
    pub fn with_rule(self) -> Self {
        Self { rule: true, ..self }
    }

    /// Never the last on a sheet.
    pub fn with_next(self) -> Self {
        Self { with_next: true, ..self }
    }

    /// On one sheet, where one can hold it.
    pub fn whole(self) -> Self {
        Self { whole: true, ..self }
    }

    /// In lines that are no wider than what is left of `width_pt`.
    pub fn fit(mut self, faces: &Faces, width_pt: f32) -> Self {
        let inner_pt = width_pt - self.left_pt() - self.pad_pt();
        self.lines = self.lines.iter().flat_map(|text| faces.lines(self.letters, text, inner_pt)).collect();
        self
    }

    fn pad_pt(&self) -> f32 {
        if self.ground.is_some() { PAD_PT } else { 0.0 }
    }

    /// Left edge of the letters.
    fn left_pt(&self) -> f32 {
        let bar_pt = self.ground.and_then(|ground| ground.bar).map_or(0.0, |_| BAR_PT);
        self.indent_pt + self.pad_pt() + bar_pt
    }

    fn leading_pt(&self) -> f32 {
        LEADING * self.letters.size_pt
    }

    /// Height of so many of its lines with what is around them.
    fn height_pt(&self, lines: usize) -> f32 {
        let rule_pt = if self.rule { RULE_PT } else { 0.0 };
        lines as f32 * self.leading_pt() + 2.0 * self.pad_pt() + rule_pt
    }

    fn start_pt(&self) -> f32 {
        let all = self.lines.len();
        // Three lines do not break two to one.
        let least = if self.whole || self.with_next || all <= TOGETHER + 1 { all } else { TOGETHER };
        self.above_pt + self.height_pt(least)
    }

    fn place(self, setter: &mut Setter<'_>) {
        if !setter.at_top() {
            setter.go_down(self.above_pt);
        }
        let element = setter.element_of(&self.role);
        let mut from = 0;
        while from < self.lines.len() {
            let left = self.lines.len() - from;
            let fitting = ((setter.room_pt() - self.height_pt(0)) / self.leading_pt()).floor().max(0.0) as usize;
            let count = match left {
                _ if left <= fitting => left,
                // The last ones go over together.
                _ => fitting.min(left.saturating_sub(TOGETHER)),
            };
            if count == 0 && !setter.at_top() {
                setter.turn();
                continue;
            }
            let count = count.max(1);
            self.slice(setter, from..from + count, element);
            from += count;
        }
    }

    /// Some of its lines on one sheet.
    fn slice(&self, setter: &mut Setter<'_>, lines: Range<usize>, element: usize) {
        let height_pt = self.height_pt(lines.len());
        let (top_pt, width_pt) = (setter.y_pt(), setter.width_pt());
        if let Some(ground) = self.ground {
            ground.draw(setter, height_pt);
        }
        let first_pt = top_pt + self.pad_pt() + BASE * self.letters.size_pt;
        if let Some(label) = self.label.as_ref().filter(|_| lines.start == 0) {
            let x_pt = MARGIN_PT + self.left_pt() - self.indent_pt + label.x_pt;
            let (letters, text) = (label.letters, format!("{} ", label.text));
            setter.ink(Ink::Text { x_pt, base_pt: first_pt, letters, colour: BLACK, text, of: Some(element) });
        }
        for (row, text) in self.lines[lines].iter().enumerate() {
            let (x_pt, base_pt) = (MARGIN_PT + self.left_pt(), first_pt + row as f32 * self.leading_pt());
            let (letters, text) = (self.letters, text.clone());
            setter.ink(Ink::Text { x_pt, base_pt, letters, colour: BLACK, text, of: Some(element) });
        }
        if self.rule {
            let y_pt = top_pt + height_pt - RULE_PT + 1.0;
            setter.ink(Ink::Area { x_pt: MARGIN_PT, y_pt, width_pt, height_pt: 1.0, colour: PALE });
        }
        setter.go_down(height_pt);
    }
}

impl Ground {
    fn draw(self, setter: &mut Setter<'_>, height_pt: f32) {
        let (x_pt, y_pt, width_pt) = (MARGIN_PT, setter.y_pt(), setter.width_pt());
        if self.frame {
            setter.ink(Ink::Area { x_pt, y_pt, width_pt, height_pt, colour: BLACK });
            let (inner_pt, height_pt) = (width_pt - 2.0 * FRAME_PT, height_pt - 2.0 * FRAME_PT);
            let (x_pt, y_pt) = (x_pt + FRAME_PT, y_pt + FRAME_PT);
            setter.ink(Ink::Area { x_pt, y_pt, width_pt: inner_pt, height_pt, colour: [255; 3] });
        }
        if let Some(colour) = self.fill {
            setter.ink(Ink::Area { x_pt, y_pt, width_pt, height_pt, colour });
        }
        if let Some(colour) = self.bar {
            setter.ink(Ink::Area { x_pt, y_pt, width_pt: BAR_PT, height_pt, colour });
        }
    }
}

/// How charts are read: with the fonts that are built in, and no others.
pub(super) fn reading() -> Options<'static> {
    let mut fonts = Database::new();
    FILES.iter().for_each(|file| fonts.load_font_data(file.to_vec()));
    let family = fonts.faces().next().and_then(|face| face.families.first()).map(|family| family.0.clone());
    let family = family.unwrap_or_default();
    fonts.set_sans_serif_family(family.clone());
    Options { fontdb: Arc::new(fonts), font_family: family, ..Options::default() }
}

impl Picture {
    /// A chart as wide as the page.
    pub fn new(
        (svg, alt, caption): (&str, &str, &str),
        (width_pt, faces): (f32, &Faces),
        reading: &Options<'_>,
    ) -> Result<Self, PdfError> {
        let fault = |e: usvg::Error| PdfError::Chart { caption: caption.to_owned(), reason: e.to_string() };
        let tree = Tree::from_str(svg, reading).map_err(fault)?;
        Ok(Self {
            height_pt: width_pt * tree.size().height() / tree.size().width(),
            tree: Box::new(tree),
            alt: alt.to_owned(),
            caption: faces.lines(CAPTION, caption, width_pt),
            width_pt,
        })
    }

    fn lowered(self, by_pt: f32) -> Self {
        let share = (1.0 - by_pt / self.height_pt).clamp(LEAST_SHARE, 1.0);
        Self { width_pt: share * self.width_pt, height_pt: share * self.height_pt, ..self }
    }

    /// Height with its caption, as small as it may be.
    fn least_pt(&self) -> f32 {
        LEAST_SHARE * self.height_pt + self.caption_pt()
    }

    fn caption_pt(&self) -> f32 {
        self.caption.len() as f32 * LEADING * CAPTION.size_pt
    }

    fn place(self, setter: &mut Setter<'_>) {
        if !setter.at_top() {
            setter.go_down(SPACE_PT);
        }
        let share = ((setter.room_pt() - self.caption_pt()) / self.height_pt).clamp(LEAST_SHARE, 1.0);
        let figure = setter.element(Role::Figure { alt: self.alt }, None);
        let caption = setter.element(Role::Caption, Some(figure));
        let (width_pt, height_pt) = (share * self.width_pt, share * self.height_pt);
        let (x_pt, y_pt) = (MARGIN_PT + 0.5 * (setter.width_pt() - width_pt), setter.y_pt());
        setter.ink(Ink::Picture { x_pt, y_pt, width_pt, height_pt, tree: self.tree, of: figure });
        setter.go_down(height_pt);
        for text in self.caption {
            let (x_pt, base_pt, letters) = (MARGIN_PT, setter.y_pt() + BASE * CAPTION.size_pt, CAPTION);
            setter.ink(Ink::Text { x_pt, base_pt, letters, colour: GREY, text, of: Some(caption) });
            setter.go_down(LEADING * CAPTION.size_pt);
        }
    }
}

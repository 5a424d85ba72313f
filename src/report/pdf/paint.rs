//! Painting: sheets and elements as they were set, handed to the PDF library.

use super::PdfError;
use super::font::Faces;
use super::setting::{Colour, Element, Ink, MARGIN_PT, Role, Set, Sheet};
use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::metadata::Metadata;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::Fill;
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, Node, SpanTag, TableHeaderScope, Tag, TagGroup,
    TagKind, TagTree,
};
use krilla::{Document, SerializeSettings};
use krilla_svg::{SurfaceExt, SvgSettings};
use std::num::NonZeroU16;

/// What the text is in.
const LANGUAGE: &str = "en";
const MADE_BY: &str = concat!("ramprig ", env!("CARGO_PKG_VERSION"));

/// The file.
pub(super) fn paint(title: &str, set: &Set, faces: &Faces) -> Result<Vec<u8>, PdfError> {
    let configuration = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|e| PdfError::Writing(format!("{e:?}")))?;
    let mut document = Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    let told = Metadata::new().title(title.to_owned()).language(LANGUAGE.to_owned()).creator(MADE_BY.to_owned());
    document.set_metadata(told);
    let (width_pt, height_pt) = set.paper.size_pt();
    let size =
        PageSettings::from_wh(width_pt, height_pt).ok_or_else(|| PdfError::Writing("paper of no size".into()))?;
    let mut drawn: Vec<Vec<Identifier>> = vec![Vec::new(); set.elements.len()];
    for sheet in &set.sheets {
        let mut page = document.start_page_with(size.clone());
        let mut surface = page.surface();
        paint_sheet(&mut surface, sheet, faces, &mut drawn);
        surface.finish();
        page.finish();
    }
    document.set_outline(outline(set));
    document.set_tag_tree(tree(&set.elements, drawn));
    document.finish().map_err(|e| PdfError::Writing(format!("{e:?}")))
}

fn paint_sheet(surface: &mut Surface<'_>, sheet: &Sheet, faces: &Faces, drawn: &mut [Vec<Identifier>]) {
    for ink in &sheet.inks {
        let (of, tag) = match ink {
            Ink::Text { of: Some(of), .. } => (Some(*of), ContentTag::Span(SpanTag::empty())),
            Ink::Picture { of, .. } => (Some(*of), ContentTag::Other),
            Ink::Text { of: None, .. } => {
                (None, ContentTag::Artifact(Artifact::with_kind(ArtifactType::PaginationOther)))
            }
            Ink::Area { .. } => (None, ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout))),
        };
        let identifier = surface.start_tagged(tag);
        paint_ink(surface, ink, faces);
        surface.end_tagged();
        if let Some(of) = of.and_then(|of| drawn.get_mut(of)) {
            of.push(identifier);
        }
    }
}

fn fill([red, green, blue]: Colour) -> Option<Fill> {
    Some(Fill { paint: krilla::color::rgb::Color::new(red, green, blue).into(), ..Fill::default() })
}

fn paint_ink(surface: &mut Surface<'_>, ink: &Ink, faces: &Faces) {
    match ink {
        Ink::Text { x_pt, base_pt, letters, colour, text, .. } => {
            surface.set_fill(fill(*colour));
            let (at, glyphs) = (Point::from_xy(*x_pt, *base_pt), faces.glyphs(letters.style, text));
            surface.draw_glyphs(at, &glyphs, faces.font(letters.style), text, letters.size_pt, false);
        }
        Ink::Area { x_pt, y_pt, width_pt, height_pt, colour } => {
            surface.set_fill(fill(*colour));
            let mut path = PathBuilder::new();
            if let Some(area) = Rect::from_xywh(*x_pt, *y_pt, *width_pt, *height_pt) {
                path.push_rect(area);
            }
            if let Some(path) = path.finish() {
                surface.draw_path(&path);
            }
        }
        Ink::Picture { x_pt, y_pt, width_pt, height_pt, tree, .. } => {
            surface.push_transform(&Transform::from_translate(*x_pt, *y_pt));
            if let Some(size) = Size::from_wh(*width_pt, *height_pt) {
                surface.draw_svg(tree, size, SvgSettings::default());
            }
            surface.pop();
        }
    }
}

fn outline(set: &Set) -> Outline {
    let mut outline = Outline::new();
    for place in &set.places {
        let to = XyzDestination::new(place.sheet, Point::from_xy(MARGIN_PT, place.y_pt));
        outline.push_child(OutlineNode::new(place.heading.clone(), to));
    }
    outline
}

/// Elements as groups, what was drawn of each inside it.
fn tree(elements: &[Element], drawn: Vec<Vec<Identifier>>) -> TagTree {
    let mut tree = TagTree::new().with_lang(Some(LANGUAGE.to_owned()));
    let mut children: Vec<Vec<usize>> = vec![Vec::new(); elements.len()];
    for (index, element) in elements.iter().enumerate() {
        if let Some(of) = element.parent.and_then(|parent| children.get_mut(parent)) {
            of.push(index);
        }
    }
    let mut drawn = drawn;
    for (index, element) in elements.iter().enumerate() {
        if element.parent.is_none() {
            tree.push(group(index, elements, &children, &mut drawn));
        }
    }
    tree
}

fn group(index: usize, elements: &[Element], children: &[Vec<usize>], drawn: &mut [Vec<Identifier>]) -> TagGroup {
    let mut inside: Vec<Node> = std::mem::take(&mut drawn[index]).into_iter().map(Node::from).collect();
    inside.extend(children[index].iter().map(|child| Node::from(group(*child, elements, children, drawn))));
    let role = &elements[index].role;
    // A list item is label and body; both are one line of ink here.
    if *role == Role::Item {
        inside = vec![TagGroup::with_children(Tag::LBody, inside).into()];
    }
    TagGroup::with_children(kind(role), inside)
}

fn kind(role: &Role) -> TagKind {
    let heading =
        |level: u16, text: &String| Tag::Hn(NonZeroU16::new(level).unwrap_or(NonZeroU16::MIN), Some(text.clone()));
    match role {
        Role::Title(text) => heading(1, text).into(),
        Role::Heading(text) => heading(2, text).into(),
        Role::Paragraph => Tag::P.into(),
        Role::List => Tag::L(ListNumbering::Disc).into(),
        Role::Item => Tag::LI.into(),
        Role::Table => Tag::Table.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHead => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHead => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure { alt } => Tag::Figure(Some(alt.clone())).into(),
        Role::Caption => Tag::Caption.into(),
        Role::Code => Tag::Code.into(),
    }
}

//! The feature `pdf`: what is written is read by another program (poppler's) as the document says it. Run by
//! `tests/peers/install pdf && cargo test --features pdf --test pdf`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs, reason = "tests")]

use ramprig::comparison::verdict::Pairing;
use ramprig::report::compose::compose;
use ramprig::report::document::{Document, Piece, Section, Table};
use ramprig::report::pdf::{Paper, pdf};
use ramprig::units::display::System;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// Nothing is set nearer to the edge of the paper, pt: 15 mm less what letters lean over.
const CLEAR_PT: f64 = 41.0;
/// Smallest height of a word's box, pt: letters of 7 pt in tables, of 6.2 pt at the ticks of a chart.
const SMALLEST_PT: f64 = 6.3;
/// How far boxes of two words of a table may reach into each other, pt.
const OVERLAP_PT: f64 = 0.6;

/// A PDF on disk, read by poppler.
struct Read {
    _folder: TempDir,
    path: PathBuf,
}

/// A word and its box, pt from the upper left corner.
#[derive(Debug, Clone, PartialEq)]
struct Word {
    page: usize,
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
    text: String,
}

fn recording() -> PathBuf {
    let kept = std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings")).unwrap();
    let kept = kept.map(|entry| entry.unwrap().path());
    kept.filter(|path| path.extension().is_some_and(|end| end == "h5")).min().expect("one is kept")
}

fn document(system: System) -> Document {
    let run = ramprig::recording::read(&recording()).unwrap();
    compose(&[run], Pairing::Independent, system).unwrap()
}

impl Read {
    fn of(document: &Document, paper: Paper) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.pdf");
        std::fs::write(&path, pdf(document, paper).unwrap()).unwrap();
        Self { _folder: folder, path }
    }

    fn by(&self, program: &str, before: &[&str], after: &[&str]) -> String {
        let output = Command::new(program).args(before).arg(&self.path).args(after).output();
        let output = output.unwrap_or_else(|e| panic!("{program}: {e}: run tests/peers/install pdf"));
        assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
        let said = String::from_utf8_lossy(&output.stderr);
        // Poppler 22 takes the entry only where it is true; PDF/UA-1 (ISO 14289-1, 7.1) asks for false.
        let known = |line: &&str| line.contains("Suspects object is wrong type");
        let complaints: Vec<&str> = said.lines().filter(|line| !known(line)).collect();
        assert!(complaints.is_empty(), "{program} complains: {complaints:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// A line of `pdfinfo`.
    fn info(&self, key: &str) -> String {
        let told = self.by("pdfinfo", &[], &[]);
        let line = told.lines().find_map(|line| line.strip_prefix(&format!("{key}:")));
        line.unwrap_or_else(|| panic!("no {key}: {told}")).trim().to_owned()
    }

    fn pages(&self) -> usize {
        self.info("Pages").parse().unwrap()
    }

    /// Text in the order of the tree of elements, spaces and ends of lines as one space.
    fn text(&self) -> String {
        spaced(&self.by("pdftotext", &["-raw"], &["-"]))
    }

    fn page(&self, page: usize) -> String {
        let page = page.to_string();
        spaced(&self.by("pdftotext", &["-raw", "-f", &page, "-l", &page], &["-"]))
    }

    /// Without any space, and without what stands at the foot of every page.
    fn solid(&self, document: &Document) -> String {
        let pages = self.pages();
        let title = [document.title.clone()].into_iter().chain(document.marks.iter().cloned()).collect::<Vec<_>>();
        let page = |number: usize| {
            let foot = solid(&format!("{} page {number} of {pages}", title.join(" | ")));
            let text = solid(&self.page(number));
            text.strip_suffix(&foot)
                .unwrap_or_else(|| panic!("page {number} does not end with {foot}:\n{text}"))
                .to_owned()
        };
        (1..=pages).map(page).collect()
    }

    fn words(&self) -> Vec<Word> {
        let (mut words, mut page) = (Vec::new(), 0);
        for line in self.by("pdftotext", &["-bbox"], &["-"]).lines() {
            let line = line.trim();
            if line.starts_with("<page ") {
                page += 1;
            }
            let Some(word) = line.strip_prefix("<word ") else { continue };
            let of = |key: &str| -> f64 {
                let from = word.find(&format!("{key}=\"")).unwrap() + key.len() + 2;
                word[from..].split('"').next().unwrap().parse().unwrap()
            };
            let text = word.split('>').nth(1).unwrap().trim_end_matches("</word").to_owned();
            words.push(Word { page, left: of("xMin"), top: of("yMin"), right: of("xMax"), bottom: of("yMax"), text });
        }
        words
    }
}

fn spaced(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Texts of a document that must all be on paper.
fn texts(document: &Document) -> Vec<String> {
    let of_piece = |piece: &Piece| -> Vec<String> {
        match piece {
            Piece::Text(text) | Piece::Verbatim(text) => vec![text.clone()],
            Piece::Caution { word, text } => vec![word.clone(), text.clone()],
            Piece::Points(points) => points.clone(),
            Piece::Table(table) => table.head.iter().chain(table.rows.iter().flatten()).cloned().collect(),
            Piece::Figure { caption, .. } => vec![caption.clone()],
        }
    };
    let of_section = |section: &Section| -> Vec<String> {
        let pieces = section.pieces.iter().flat_map(of_piece);
        std::iter::once(section.heading.clone()).chain(pieces).collect()
    };
    let sections = document.sections.iter().flat_map(of_section);
    std::iter::once(document.title.clone()).chain(document.marks.iter().cloned()).chain(sections).collect()
}

/// Without any space: words that are longer than their column are cut over lines.
fn solid(text: &str) -> String {
    text.chars().filter(|character| !character.is_whitespace()).collect()
}

fn expect_clear(read: &Read, (width_pt, height_pt): (f64, f64)) {
    for word in read.words() {
        let inside = word.left >= CLEAR_PT
            && word.right <= width_pt - CLEAR_PT
            && word.top >= CLEAR_PT - 2.0
            && word.bottom <= height_pt - CLEAR_PT + 3.0;
        assert!(inside, "over the margin of {CLEAR_PT} pt: {word:?}");
        assert!(word.bottom - word.top >= SMALLEST_PT || word.text.len() < 2, "too small to read: {word:?}");
    }
}

#[test]
fn agrees_with_poppler_on_every_text_of_a_kept_recording() {
    for (system, paper, size) in
        [(System::Si, Paper::A4, (595.276, 841.89)), (System::Us, Paper::Letter, (612.0, 792.0))]
    {
        let document = document(system);
        let read = Read::of(&document, paper);
        let pages = read.pages();
        assert!((4..=16).contains(&pages), "{pages} pages");
        assert_eq!(read.info("Title"), document.title);
        assert_eq!(read.info("Tagged"), "yes");
        let (width, height) = (format!("{:.0}", size.0), format!("{:.0}", size.1));
        let told = read.info("Page size");
        let numbers: Vec<f64> = told.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        assert_eq!((format!("{:.0}", numbers[0]), format!("{:.0}", numbers[1])), (width, height), "{told}");
        let about = read.by("pdfinfo", &["-meta"], &[]);
        assert!(about.contains("<rdf:li>en</rdf:li>") && about.contains("pdfuaid:part"), "{about}");
        let text = read.solid(&document);
        for wanted in texts(&document) {
            assert!(text.contains(&solid(&wanted)), "not on paper: {wanted:?}");
        }
        expect_clear(&read, size);
    }
}

#[test]
fn says_on_the_first_page_what_it_is_and_what_to_be_careful_about() {
    let document = document(System::Si);
    let read = Read::of(&document, Paper::A4);
    let (first, pages) = (read.page(1), read.pages());
    for wanted in ["VIRTUAL RIG", "WARNING", "NOTICE", "page 1 of", &document.title, &document.sections[0].heading] {
        assert!(first.contains(wanted), "{wanted:?} is not on the first page:\n{first}");
    }
    for page in 1..=pages {
        let text = read.page(page);
        assert!(text.contains("VIRTUAL RIG"), "page {page} does not say that the rig is virtual");
        assert!(text.contains(&format!("page {page} of {pages}")), "page {page}: {text}");
    }
}

#[test]
fn holds_charts_as_vectors_and_nothing_of_this_machine() {
    let document = document(System::Si);
    let read = Read::of(&document, Paper::A4);
    let images = read.by("pdfimages", &["-list"], &[]);
    assert_eq!(images.lines().count(), 2, "a head and a rule, no picture: {images}");
    let fonts = read.by("pdffonts", &[], &[]);
    let fonts: Vec<&str> = fonts.lines().skip(2).collect();
    assert!((2..=4).contains(&fonts.len()), "{fonts:?}");
    for font in fonts {
        assert!(font.contains("DejaVu"), "not a font that is built in: {font}");
        // The columns emb, sub and uni.
        assert!(font.contains("yes yes yes"), "not embedded, or its text cannot be copied: {font}");
    }
    let bytes = std::fs::read(&read.path).unwrap();
    let text = format!("{}{}", read.text(), read.by("pdfinfo", &["-meta"], &[]));
    for secret in [env!("CARGO_MANIFEST_DIR"), "/home/", "/tmp/"] {
        assert!(!text.contains(secret), "{secret} is in the text");
        assert!(!bytes.windows(secret.len()).any(|window| window == secret.as_bytes()), "{secret} is in the file");
    }
    assert!(bytes.len() < 1_500_000, "{} bytes", bytes.len());
    assert!(bytes == pdf(&document, Paper::A4).unwrap(), "the same document gives the same bytes");
}

#[test]
fn tells_a_screen_reader_headings_tables_and_what_charts_show() {
    let document = document(System::Si);
    let read = Read::of(&document, Paper::A4);
    let tree = read.by("pdfinfo", &["-struct-text"], &[]);
    let count = |what: &str| tree.lines().filter(|line| line.trim_start().starts_with(what)).count();
    assert_eq!((count("H1"), count("H2")), (1, document.sections.len()), "{tree}");
    let pieces = || document.sections.iter().flat_map(|section| &section.pieces);
    let tables: Vec<&Table> =
        pieces().filter_map(|piece| if let Piece::Table(table) = piece { Some(table) } else { None }).collect();
    assert_eq!(count("Table"), tables.len(), "{tree}");
    // A head that is said again on the next page is no row of the table.
    assert_eq!(count("TR"), tables.iter().map(|table| 1 + table.rows.len()).sum::<usize>(), "{tree}");
    let figures = pieces().filter(|piece| matches!(piece, Piece::Figure { .. })).count();
    assert_eq!(count("Figure"), figures, "{tree}");
}

/// A document with all that is hard to set.
fn hard() -> Document {
    let word = "a-file-name-that-goes-on-and-on".repeat(6);
    let wide = |row: usize| (0..11).map(|column| format!("{row}.{column}")).collect::<Vec<_>>();
    let head: Vec<String> = (0..11).map(|column| format!("column number {column}")).collect();
    let tall = Table {
        head: vec!["what".into(), "said".into()],
        rows: vec![vec!["tall".into(), "word ".repeat(2_500)], vec!["after".into(), "1".into()]],
    };
    let sections = (0..30).map(|number| Section {
        heading: format!("Section{number}"),
        pieces: vec![
            Piece::Text("some words of a paragraph ".repeat(5 + 7 * (number % 5))),
            Piece::Points(vec!["point ".repeat(30), "point".into()]),
        ],
    });
    let first = Section {
        heading: "Hard".into(),
        pieces: vec![
            Piece::Text(format!("{word} \u{1F600} \u{7}\u{feff} x\u{2082} \u{2265} \u{394}p\ttab")),
            Piece::Table(Table { head: head.clone(), rows: (0..200).map(wide).collect() }),
            Piece::Table(Table { head: vec!["digest".into(); 6], rows: vec![vec!["0123456789abcdef".repeat(4); 6]] }),
            Piece::Table(tall),
            Piece::Table(Table::default()),
            Piece::Verbatim("   indented\n".repeat(150)),
            Piece::Caution { word: "WARNING".into(), text: "careful ".repeat(200) },
            Piece::Points(Vec::new()),
            Piece::Text(String::new()),
        ],
    };
    Document {
        title: "Hard to set ".repeat(20),
        marks: vec!["MARK".into(); 40],
        sections: std::iter::once(first).chain(sections).collect(),
    }
}

#[test]
fn accepts_whatever_is_hard_to_set() {
    let document = hard();
    for (paper, size) in [(Paper::A4, (595.276, 841.89)), (Paper::Letter, (612.0, 792.0))] {
        let read = Read::of(&document, paper);
        expect_clear(&read, size);
        let text = solid(&read.text());
        for row in 0..200 {
            let wanted: String = (0..11).map(|column| format!("{row}.{column}")).collect();
            assert!(text.contains(&wanted), "row {row} is not on paper whole");
        }
        assert!(text.contains(&solid(&"a-file-name-that-goes-on-and-on".repeat(6))), "a long word lost letters");
        assert!(text.contains("x\u{2082}\u{2265}\u{394}ptab"), "signs of formulas");
        let words = read.words();
        assert_eq!(words.iter().filter(|word| word.text == "word").count(), 2_500, "a row higher than a page");
        for page in 1..=read.pages() {
            let on_page: Vec<&Word> = words.iter().filter(|word| word.page == page).collect();
            let has = |text: &str| on_page.iter().any(|word| word.text == text);
            if (0..200).any(|row| has(&format!("{row}.0"))) {
                assert!(has("column") && has("number"), "page {page}: rows without their head");
            }
        }
    }
}

#[test]
fn leaves_no_heading_alone_at_the_end_of_a_page() {
    let read = Read::of(&hard(), Paper::A4);
    let words = read.words();
    for heading in words.iter().filter(|word| word.text.starts_with("Section")) {
        let below = words.iter().filter(|word| word.page == heading.page && word.top > heading.bottom);
        // A line at the foot of the page is always there.
        let lines: std::collections::BTreeSet<i64> = below.map(|word| (word.top * 10.0) as i64).collect();
        assert!(lines.len() >= 3, "{heading:?} has {} lines below it", lines.len());
    }
}

#[test]
fn lays_no_word_of_a_table_over_another() {
    let mut document = document(System::Si);
    // Words of charts may cross lines of charts.
    for section in &mut document.sections {
        section.pieces.retain(|piece| !matches!(piece, Piece::Figure { .. }));
    }
    document.sections.extend(hard().sections);
    let words = Read::of(&document, Paper::A4).words();
    for (index, word) in words.iter().enumerate() {
        for other in words[index + 1..].iter().filter(|other| other.page == word.page) {
            let across = word.right.min(other.right) - word.left.max(other.left);
            let down = word.bottom.min(other.bottom) - word.top.max(other.top);
            // Boxes are as high as their line.
            assert!(across <= OVERLAP_PT || down <= 0.35 * (word.bottom - word.top), "{word:?} lies on {other:?}");
        }
    }
}

#[test]
fn is_written_by_the_program() {
    let folder = tempfile::tempdir().unwrap();
    let run = |more: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_ramprig"));
        command.current_dir(folder.path()).arg("report").arg(recording()).args(more).output().unwrap()
    };
    let output = run(&["--pdf", "--json"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let object: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(object["report"], "report.pdf");
    assert!(std::fs::read(folder.path().join("report.pdf")).unwrap().starts_with(b"%PDF-1.7"));
    assert!(!folder.path().join("report.html").exists());
    let output = run(&["--paper", "letter"]);
    assert_eq!(output.status.code(), Some(2), "paper is for a PDF only");
    let output = run(&["--pdf", "--paper", "letter", "--out", "other.pdf"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(folder.path().join("other.pdf").exists());
}

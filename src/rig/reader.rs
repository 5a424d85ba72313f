//! A cursor over a TOML file that keeps spans and collects problems instead of stopping at the first.
//!
//! Getters named after a type (`text`, `quantity`, ...) return `None` when the key is absent *or* unusable; in the second
//! case the problem is already noted. Getters with `need_` in front note an absent key as a problem too. A caller goes on
//! with stand-in values and asks [`Document::finish`] at the end whether anything was wrong. [`Cursor::close`] reports
//! every key that no getter asked for.

use super::problem::{Problem, Problems};
use crate::units::Want;
use std::cell::{Ref, RefCell};
use std::collections::BTreeSet;
use std::ops::{Range, RangeInclusive};
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

/// A place in a file that a problem can point at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spot {
    /// Keys from the top (`pipe[1].length`).
    pub key_path: String,
    /// Line from 1.
    pub line: usize,
    /// Column from 1.
    pub column: usize,
}

/// A text with its place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Text {
    /// As typed.
    pub text: String,
    /// Where.
    pub spot: Spot,
}

/// A parsed file and the problems found in it so far.
#[derive(Debug)]
pub struct Document<'i> {
    text: &'i str,
    file: String,
    root: Spanned<DeTable<'i>>,
    problems: RefCell<Vec<Problem>>,
}

impl<'i> Document<'i> {
    /// Parses `text`; the file name is only for messages. Errors: every syntax error of the file.
    pub fn parse(text: &'i str, file: &str) -> Result<Self, Problems> {
        let (root, errors) = DeTable::parse_recoverable(text);
        let document = Self { text, file: file.to_owned(), root, problems: RefCell::default() };
        for error in &errors {
            let spot = document.spot_of("file".to_owned(), error.span().unwrap_or(0..0));
            document.note(&spot, error.message().to_owned(), "a TOML document", None);
        }
        if errors.is_empty() { Ok(document) } else { Err(document.finish()) }
    }

    /// A cursor on the top table.
    pub fn root(&self) -> Cursor<'_> {
        Cursor::new(self, String::new(), self.root.get_ref(), self.root.span())
    }

    /// Notes a problem at a place.
    pub fn note(&self, spot: &Spot, found: impl Into<String>, allowed: impl Into<String>, hint: Option<String>) {
        self.problems.borrow_mut().push(Problem {
            key_path: spot.key_path.clone(),
            file: self.file.clone(),
            line: spot.line,
            column: spot.column,
            found: found.into(),
            allowed: allowed.into(),
            hint,
        });
    }

    /// Takes over problems found in another file that this one names.
    pub fn adopt(&self, problems: Problems) {
        self.problems.borrow_mut().extend(problems.0);
    }

    /// Problems so far.
    pub fn problems(&self) -> Ref<'_, Vec<Problem>> {
        self.problems.borrow()
    }

    /// All problems, in file order; empty when nothing is wrong.
    pub fn finish(self) -> Problems {
        Problems(self.problems.into_inner()).in_order()
    }

    fn spot_of(&self, key_path: String, span: Range<usize>) -> Spot {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        Spot { key_path, line, column }
    }
}

/// A table of the document, being read.
#[derive(Debug)]
pub struct Cursor<'d> {
    document: &'d Document<'d>,
    path: String,
    table: &'d DeTable<'d>,
    span: Range<usize>,
    asked: RefCell<BTreeSet<String>>,
}

type Value<'d> = &'d Spanned<DeValue<'d>>;

impl<'d> Cursor<'d> {
    fn new(document: &'d Document<'_>, path: String, table: &'d DeTable<'_>, span: Range<usize>) -> Self {
        Cursor { document, path, table, span, asked: RefCell::default() }
    }

    /// The document, for notes at remembered places.
    pub fn document(&self) -> &'d Document<'d> {
        self.document
    }

    /// Where this table stands.
    pub fn here(&self) -> Spot {
        let path = if self.path.is_empty() { "file".to_owned() } else { self.path.clone() };
        self.document.spot_of(path, self.span.clone())
    }

    /// Where `key`'s value stands, or this table when the key is absent.
    pub fn spot(&self, key: &str) -> Spot {
        let span = self.find(key).map_or(self.span.clone(), Spanned::span);
        self.document.spot_of(self.path_of(key), span)
    }

    /// Notes a problem at `key`.
    pub fn note(&self, key: &str, found: impl Into<String>, allowed: impl Into<String>, hint: Option<String>) {
        self.document.note(&self.spot(key), found, allowed, hint);
    }

    /// Is the key there?
    pub fn has(&self, key: &str) -> bool {
        self.find(key).is_some()
    }

    /// All keys, in file order.
    pub fn keys(&self) -> Vec<Text> {
        let mut keys: Vec<_> = self.table.iter().map(|(key, _)| key).collect();
        keys.sort_by_key(|key| key.span().start);
        keys.into_iter()
            .map(|key| Text {
                text: key.get_ref().to_string(),
                spot: self.document.spot_of(self.path_of(key.get_ref()), key.span()),
            })
            .collect()
    }

    /// Ends the reading: every key that no getter asked for is a problem, with the nearest key that was asked for.
    pub fn close(self) {
        let asked = self.asked.borrow();
        for key in self.keys() {
            if asked.contains(&key.text) {
                continue;
            }
            let nearest = nearest(&key.text, asked.iter().map(String::as_str));
            let mut allowed: Vec<_> = asked.iter().map(String::as_str).collect();
            allowed.sort_unstable();
            self.document.note(
                &key.spot,
                format!("the unknown key {:?}", key.text),
                format!("the keys {}", allowed.join(", ")),
                nearest.map(str::to_owned),
            );
        }
    }

    /// A text.
    pub fn text(&self, key: &str) -> Option<Text> {
        let value = self.ask(key)?;
        match value.get_ref() {
            DeValue::String(text) => Some(self.text_at(key, value, text)),
            other => self.refuse(key, describe(other), "a text in quotes"),
        }
    }

    /// A text that must be there and not be empty.
    pub fn need_text(&self, key: &str) -> Option<Text> {
        let text = self.needed(key, "a text in quotes").then(|| self.text(key))??;
        if text.text.trim().is_empty() {
            return self.refuse(key, "an empty text".to_owned(), "a text in quotes");
        }
        Some(text)
    }

    /// A list of texts.
    pub fn texts(&self, key: &str) -> Option<Vec<Text>> {
        let value = self.ask(key)?;
        let DeValue::Array(items) = value.get_ref() else {
            return self.refuse(key, describe(value.get_ref()), "a list of texts, such as [\"a\", \"b\"]");
        };
        let texts: Vec<Text> = items
            .iter()
            .filter_map(|item| match item.get_ref() {
                DeValue::String(text) => Some(self.text_at(key, item, text)),
                other => self.refuse(key, describe(other), "texts in quotes"),
            })
            .collect();
        (texts.len() == items.len()).then_some(texts)
    }

    /// One of a set of words.
    pub fn word<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(key)?;
        if let Some((_, meaning)) = words.iter().find(|(word, _)| *word == text.text) {
            return Some(*meaning);
        }
        let hint = nearest(&text.text, words.iter().map(|(word, _)| *word)).map(|word| format!("{word:?}"));
        self.note(key, format!("{:?}", text.text), one_of(words), hint);
        None
    }

    /// One of a set of words; must be there.
    pub fn need_word<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        self.needed(key, &one_of(words)).then(|| self.word(key, words))?
    }

    /// true or false.
    pub fn flag(&self, key: &str) -> Option<bool> {
        let value = self.ask(key)?;
        match value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            other => self.refuse(key, describe(other), "true or false"),
        }
    }

    /// A whole number within a span.
    pub fn integer(&self, key: &str, span: RangeInclusive<i64>) -> Option<i64> {
        let value = self.ask(key)?;
        let allowed = format!("a whole number from {} to {}", span.start(), span.end());
        let DeValue::Integer(written) = value.get_ref() else {
            return self.refuse(key, describe(value.get_ref()), &allowed);
        };
        let digits = written.as_str().replace('_', "");
        match i64::from_str_radix(&digits, written.radix()) {
            Ok(number) if span.contains(&number) => Some(number),
            _ => self.refuse(key, written.to_string(), &allowed),
        }
    }

    /// A whole number that must be there.
    pub fn need_integer(&self, key: &str, span: RangeInclusive<i64>) -> Option<i64> {
        let allowed = format!("a whole number from {} to {}", span.start(), span.end());
        self.needed(key, &allowed).then(|| self.integer(key, span))?
    }

    /// A number without a unit, or a text in per cent, within a span.
    pub fn number(&self, key: &str, span: RangeInclusive<f64>) -> Option<f64> {
        let value = self.ask(key)?;
        let allowed = format!("a number from {} to {}, without a unit", span.start(), span.end());
        let number = match value.get_ref() {
            DeValue::Integer(written) => written.as_str().replace('_', "").parse().ok(),
            DeValue::Float(written) => written.as_str().replace('_', "").parse().ok(),
            DeValue::String(text) => Want::any(crate::units::Dimension::Share, "").read(text).ok(),
            _ => None,
        };
        match number {
            Some(number) if span.contains(&number) => Some(number),
            _ => self.refuse(key, describe(value.get_ref()), &allowed),
        }
    }

    /// A number without a unit that must be there.
    pub fn need_number(&self, key: &str, span: RangeInclusive<f64>) -> Option<f64> {
        let allowed = format!("a number from {} to {}, without a unit", span.start(), span.end());
        self.needed(key, &allowed).then(|| self.number(key, span))?
    }

    /// A quantity with its unit, in the dimension's base unit.
    pub fn quantity(&self, key: &str, want: &Want) -> Option<f64> {
        let value = self.ask(key)?;
        self.quantity_at(&self.spot(key), value, want)
    }

    /// A quantity that must be there.
    pub fn need_quantity(&self, key: &str, want: &Want) -> Option<f64> {
        self.needed(key, &want.allowed()).then(|| self.quantity(key, want))?
    }

    /// A list of pairs of quantities, such as a pump curve `[["0 m3/h", "21 m"], ...]`.
    pub fn pairs(&self, key: &str, first: &Want, second: &Want) -> Option<Vec<(f64, f64)>> {
        let value = self.ask(key)?;
        let allowed = format!("a list of pairs [[first, second], ...]: {}; {}", first.allowed(), second.allowed());
        let DeValue::Array(rows) = value.get_ref() else {
            return self.refuse(key, describe(value.get_ref()), &allowed);
        };
        let pairs: Vec<_> =
            rows.iter().enumerate().filter_map(|(i, row)| self.pair(key, i, row, [first, second])).collect();
        (pairs.len() == rows.len()).then_some(pairs)
    }

    /// A span `[low, high]` of quantities, low below high.
    pub fn span(&self, key: &str, want: &Want) -> Option<(f64, f64)> {
        let value = self.ask(key)?;
        let spot = self.spot(key);
        let allowed = format!("a span [low, high] of {}", want.allowed());
        let ends = match value.get_ref() {
            DeValue::Array(cells) if cells.len() == 2 => {
                let low = self.quantity_at(&spot, &cells[0], want);
                low.zip(self.quantity_at(&spot, &cells[1], want))?
            }
            other => return self.refuse(key, describe(other), &allowed),
        };
        if ends.0 < ends.1 { Some(ends) } else { self.refuse(key, "a span that does not rise".to_owned(), &allowed) }
    }

    /// A span that must be there.
    pub fn need_span(&self, key: &str, want: &Want) -> Option<(f64, f64)> {
        self.needed(key, &format!("a span [low, high] of {}", want.allowed())).then(|| self.span(key, want))?
    }

    /// Two whole numbers `[low, high]` within a span, the second not below the first.
    pub fn integer_span(&self, key: &str, span: RangeInclusive<i64>) -> Option<(i64, i64)> {
        let value = self.ask(key)?;
        let ends = match value.get_ref() {
            DeValue::Array(cells) if cells.len() == 2 => whole(&cells[0]).zip(whole(&cells[1])),
            _ => None,
        };
        match ends {
            Some((low, high)) if low <= high && span.contains(&low) && span.contains(&high) => Some((low, high)),
            _ => {
                let allowed = format!("whole numbers [low, high] from {} to {}", span.start(), span.end());
                let found = ends.map_or_else(|| describe(value.get_ref()), |(low, high)| format!("[{low}, {high}]"));
                self.refuse(key, found, &allowed)
            }
        }
    }

    /// A list of this many numbers without a unit.
    pub fn numbers<const N: usize>(&self, key: &str) -> Option<[f64; N]> {
        let value = self.ask(key)?;
        let number = |item: &Spanned<DeValue<'_>>| match item.get_ref() {
            DeValue::Integer(written) => written.as_str().replace('_', "").parse().ok(),
            DeValue::Float(written) => written.as_str().replace('_', "").parse::<f64>().ok().filter(|n| n.is_finite()),
            _ => None,
        };
        let numbers: Option<Vec<f64>> = match value.get_ref() {
            DeValue::Array(items) => items.iter().map(number).collect(),
            _ => None,
        };
        let numbers = numbers.and_then(|numbers| numbers.try_into().ok());
        numbers
            .or_else(|| self.refuse(key, describe(value.get_ref()), &format!("a list of {N} numbers without a unit")))
    }

    /// Marks a key as read, for one that another key makes meaningless.
    pub fn mark_read(&self, key: &str) {
        let _marked = self.ask(key);
    }

    fn pair(&self, key: &str, i: usize, row: Value<'d>, wants: [&Want; 2]) -> Option<(f64, f64)> {
        let spot = self.document.spot_of(format!("{}[{i}]", self.path_of(key)), row.span());
        match row.get_ref() {
            DeValue::Array(cells) if cells.len() == 2 => {
                let first = self.quantity_at(&spot, &cells[0], wants[0]);
                let second = self.quantity_at(&spot, &cells[1], wants[1]);
                first.zip(second)
            }
            other => {
                self.document.note(&spot, describe(other), "a pair [first, second]", None);
                None
            }
        }
    }

    /// Every key of this table as a name with a quantity (`[elevations]`), in file order.
    pub fn named_quantities(&self, want: &Want) -> Vec<(Text, Option<f64>)> {
        self.keys()
            .into_iter()
            .map(|key| (self.quantity(&key.text, want), key))
            .map(|(value, key)| (key, value))
            .collect()
    }

    /// A table.
    pub fn table(&self, key: &str) -> Option<Cursor<'d>> {
        let value = self.ask(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Cursor::new(self.document, self.path_of(key), table, value.span())),
            other => self.refuse(key, describe(other), &format!("a table [{key}]")),
        }
    }

    /// A table that must be there.
    pub fn need_table(&self, key: &str) -> Option<Cursor<'d>> {
        self.needed(key, &format!("a table [{key}]")).then(|| self.table(key))?
    }

    /// The tables of `[[key]]`; none when absent.
    pub fn tables(&self, key: &str) -> Vec<Cursor<'d>> {
        let Some(value) = self.ask(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            let _: Option<()> = self.refuse(key, describe(value.get_ref()), &format!("tables [[{key}]]"));
            return Vec::new();
        };
        let mut cursors = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let path = format!("{}[{i}]", self.path_of(key));
            match item.get_ref() {
                DeValue::Table(table) => cursors.push(Cursor::new(self.document, path, table, item.span())),
                other => {
                    let spot = self.document.spot_of(path, item.span());
                    self.document.note(&spot, describe(other), format!("a table [[{key}]]"), None);
                }
            }
        }
        cursors
    }

    fn find(&self, key: &str) -> Option<Value<'d>> {
        self.table.iter().find(|(name, _)| AsRef::<str>::as_ref(name.get_ref()) == key).map(|(_, value)| value)
    }

    fn ask(&self, key: &str) -> Option<Value<'d>> {
        self.asked.borrow_mut().insert(key.to_owned());
        self.find(key)
    }

    fn needed(&self, key: &str, allowed: &str) -> bool {
        if self.ask(key).is_none() {
            self.document.note(&self.spot(key), "nothing (the key is missing)", allowed, None);
            return false;
        }
        true
    }

    fn refuse<T>(&self, key: &str, found: String, allowed: &str) -> Option<T> {
        self.note(key, found, allowed, None);
        None
    }

    fn quantity_at(&self, spot: &Spot, value: Value<'d>, want: &Want) -> Option<f64> {
        let read = match value.get_ref() {
            DeValue::String(text) => want.read(text),
            other => {
                let unit = want.dimension.base_unit();
                let hint = number_text(other).map(|number| format!("\"{number} {unit}\""));
                Err(crate::units::Misfit { found: describe(other), allowed: want.allowed(), hint })
            }
        };
        read.map_err(|misfit| self.document.note(spot, misfit.found, misfit.allowed, misfit.hint)).ok()
    }

    fn text_at(&self, key: &str, value: Value<'d>, text: &DeString<'_>) -> Text {
        Text { text: text.to_string(), spot: self.document.spot_of(self.path_of(key), value.span()) }
    }

    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}

/// A value in words, as a message shows it.
fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("{text:?}"),
        DeValue::Integer(_) | DeValue::Float(_) => {
            format!("the number {} without a unit", number_text(value).unwrap_or_default())
        }
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(when) => format!("the date {when}"),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

fn whole(value: &Spanned<DeValue<'_>>) -> Option<i64> {
    match value.get_ref() {
        DeValue::Integer(number) => i64::from_str_radix(&number.as_str().replace('_', ""), number.radix()).ok(),
        _ => None,
    }
}

fn number_text(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::Integer(number) => Some(number.to_string()),
        DeValue::Float(number) => Some(number.to_string()),
        _ => None,
    }
}

fn one_of<T>(words: &[(&str, T)]) -> String {
    let quoted: Vec<_> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
    format!("one of {}", quoted.join(", "))
}

/// The candidate most like `written`, when one is like it at all.
pub fn nearest<'a>(written: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .map(|candidate| (crate::units::edit_distance(candidate, written), candidate))
        .filter(|(distance, candidate)| *distance <= candidate.chars().count().div_ceil(3))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "title = \"x\"\n\n[pump]\nflow = \"27 m3/h\"\nhead = 16\nspeeed = \"1440 rpm\"\n\n[[pipe]]\nid = \"a\"\n\n[[pipe]]\nlength = \"-6 m\"\n";

    #[test]
    fn collects_every_problem_with_its_line() {
        let document = Document::parse(TEXT, "t.toml").unwrap();
        let root = document.root();
        assert_eq!(root.need_text("title").unwrap().spot.line, 1);
        let pump = root.need_table("pump").unwrap();
        assert_eq!(pump.need_quantity("flow", &Want::FLOW), Some(27.0 / 3600.0));
        assert_eq!(pump.need_quantity("head", &Want::HEAD), None);
        assert_eq!(pump.need_quantity("speed", &Want::SPEED), None);
        assert_eq!(pump.here().line, 3);
        pump.close();
        let pipes = root.tables("pipe");
        assert_eq!(pipes.iter().map(|pipe| pipe.here().line).collect::<Vec<_>>(), [8, 11]);
        assert_eq!(pipes[1].need_quantity("length", &Want::LENGTH), None);
        root.close();
        let problems = document.finish();
        let seen: Vec<_> = problems.0.iter().map(|p| (p.line, p.key_path.as_str())).collect();
        assert_eq!(
            seen,
            [(3, "pump.speed"), (5, "pump.head"), (6, "pump.speeed"), (12, "pipe[1].length")],
            "{problems}"
        );
        assert_eq!(problems.0[1].hint.as_deref(), Some("\"16 m\""));
        assert_eq!(problems.0[2].hint.as_deref(), Some("speed"));
        insta_like(&problems.0[3].to_string());
    }

    fn insta_like(text: &str) {
        assert_eq!(
            text,
            "t.toml:12: pipe[1].length: found \"-6 m\"; allowed a length above 0, such as \"6 m\", \"65 mm\", \"20 ft\""
        );
    }

    #[test]
    fn rejects_broken_syntax_with_its_line() {
        let problems = Document::parse("a = 1\nb = = 2\n", "t.toml").unwrap_err();
        assert_eq!(problems.0[0].line, 2, "{problems}");
    }
}

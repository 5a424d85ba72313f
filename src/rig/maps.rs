//! Reading register maps and finding them: beside the rig file in `maps/`, then among the shipped ones.

use super::number_form::{NumberForm, WordOrder};
use super::problem::Problems;
use super::reader::{Cursor, Document};
use super::register_map::{Field, RegisterMap, Role, Table};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Name and text of every shipped map.
const SHIPPED_MAPS: &[(&str, &str)] = &[
    ("contactor-aux", include_str!("../../rig-configs/maps/contactor-aux.toml")),
    ("soft-starter", include_str!("../../rig-configs/maps/soft-starter.toml")),
    ("drive-words", include_str!("../../rig-configs/maps/drive-words.toml")),
    ("drive-bits", include_str!("../../rig-configs/maps/drive-bits.toml")),
    ("drive-pressure", include_str!("../../rig-configs/maps/drive-pressure.toml")),
    ("bench-unit", include_str!("../../rig-configs/maps/bench-unit.toml")),
    ("analogue-module", include_str!("../../rig-configs/maps/analogue-module.toml")),
];

/// Names of the shipped maps.
pub fn shipped_map_names() -> impl Iterator<Item = &'static str> {
    SHIPPED_MAPS.iter().map(|(name, _)| *name)
}

/// Text of a shipped map.
pub fn shipped_map(name: &str) -> Option<&'static str> {
    SHIPPED_MAPS.iter().find(|(shipped, _)| *shipped == name).map(|(_, text)| *text)
}

/// Where maps are looked up.
#[derive(Debug, Clone, Default)]
pub struct MapShelf {
    folder: Option<PathBuf>,
}

impl MapShelf {
    /// The shipped maps only.
    pub fn shipped() -> Self {
        Self::default()
    }

    /// `maps/` beside a rig file, then the shipped maps.
    pub fn beside(rig_file: &Path) -> Self {
        Self { folder: rig_file.parent().map(|folder| folder.join("maps")) }
    }

    /// File name and text of a map; `None` when there is no such map. A file that exists but cannot be read is named
    /// in the error.
    pub fn find(&self, name: &str) -> Result<Option<(String, String)>, std::io::Error> {
        if let Some(folder) = &self.folder {
            let path = folder.join(format!("{name}.toml"));
            match std::fs::read_to_string(&path) {
                Ok(text) => return Ok(Some((path.display().to_string(), text))),
                Err(why) if why.kind() == std::io::ErrorKind::NotFound => {}
                Err(why) => return Err(std::io::Error::new(why.kind(), format!("{}: {why}", path.display()))),
            }
        }
        Ok(shipped_map(name).map(|text| (format!("shipped maps/{name}.toml"), text.to_owned())))
    }
}

/// Reads a register map. Errors: every problem of the file, address conflicts and ranges included.
pub fn parse_map(text: &str, file: &str) -> Result<RegisterMap, Problems> {
    let document = Document::parse(text, file)?;
    let root = document.root();
    let name = root.need_text("name").map(|name| name.text).unwrap_or_default();
    let about = root.text("about").map(|about| about.text).unwrap_or_default();
    let cia402 = root.flag("cia402").unwrap_or(false);
    let (mut fields, mut words) = (BTreeMap::new(), BTreeMap::new());
    if let Some(table) = root.need_table("fields") {
        read_fields(&table, &mut fields, &mut words);
    }
    root.close();
    let problems = document.finish();
    if problems.0.is_empty() { Ok(RegisterMap { name, about, cia402, fields, words }) } else { Err(problems) }
}

type Fields = BTreeMap<Role, Field>;
type Words = BTreeMap<Role, BTreeMap<u16, String>>;

fn read_fields(table: &Cursor<'_>, fields: &mut Fields, words: &mut Words) {
    let mut taken: Vec<(Field, String)> = Vec::new();
    for key in table.keys() {
        let Some(role) = Role::from_name(&key.text) else {
            let nearest = super::reader::nearest(&key.text, Role::ALL.iter().map(|role| role.name()));
            let allowed = Role::ALL.iter().map(|role| role.name()).collect::<Vec<_>>().join(", ");
            let found = format!("the unknown role {:?}", key.text);
            table.document().note(&key.spot, found, format!("the roles {allowed}"), nearest.map(str::to_owned));
            continue;
        };
        let Some(entry) = table.table(&key.text) else { continue };
        let Some(field) = read_field(&entry) else { continue };
        if let Some((_, other)) = taken.iter().find(|(other, _)| overlap(other, &field)) {
            let found = format!("{} in the {} table, where {other} lives", field.address, field.table.name());
            entry.note("address", found, "an address of its own for each role (or another bit of the register)", None);
        }
        check_role(&entry, role, &field);
        let named = read_words(&entry);
        if !named.is_empty() {
            words.insert(role, named);
        }
        taken.push((field, key.text.clone()));
        fields.insert(role, field);
    }
}

fn overlap(one: &Field, two: &Field) -> bool {
    let shared = (0..two.registers()).any(|place| one.covers(two.table, two.address.saturating_add(place)));
    let other_bits = one.bit.is_some() && two.bit.is_some() && one.bit != two.bit;
    shared && !other_bits
}

/// `words = { 0 = "none", 1 = "loss of communication" }`.
fn read_words(entry: &Cursor<'_>) -> BTreeMap<u16, String> {
    let mut named = BTreeMap::new();
    let Some(table) = entry.table("words") else { return named };
    for key in table.keys() {
        let word = table.need_text(&key.text);
        match (key.text.parse::<u16>(), word) {
            (Ok(value), Some(word)) => drop(named.insert(value, word.text)),
            (Err(_), _) => table.note(&key.text, format!("{:?}", key.text), "a whole number from 0 to 65535", None),
            (Ok(_), None) => {}
        }
    }
    table.close();
    named
}

const TABLES: &[(&str, Table)] = &[
    ("coil", Table::Coil),
    ("discrete-input", Table::DiscreteInput),
    ("holding", Table::Holding),
    ("input", Table::Input),
];

const FORMS: &[(&str, NumberForm)] = &[
    ("u16", NumberForm::U16),
    ("i16", NumberForm::I16),
    ("u32", NumberForm::U32),
    ("i32", NumberForm::I32),
    ("u64", NumberForm::U64),
    ("i64", NumberForm::I64),
    ("f32", NumberForm::F32),
];

const ORDERS: &[(&str, WordOrder)] = &[
    ("high-first", WordOrder::HighFirst),
    ("low-first", WordOrder::LowFirst),
    ("high-first-swapped", WordOrder::HighFirstSwapped),
    ("low-first-swapped", WordOrder::LowFirstSwapped),
];

fn read_field(entry: &Cursor<'_>) -> Option<Field> {
    let table = entry.need_word("table", TABLES);
    let address = entry.need_integer("address", 0..=65535).and_then(|number| u16::try_from(number).ok());
    let form = read_form(entry);
    let scale = entry.number("scale", -1e6..=1e6).unwrap_or(1.0);
    if scale.abs() < 1e-9 {
        entry.note("scale", format!("{scale}"), "a factor that is not 0", None);
    }
    let field = Field {
        form,
        order: entry.word("order", ORDERS).unwrap_or_default(),
        bit: entry.integer("bit", 0..=15).and_then(|bit| u8::try_from(bit).ok()),
        mask_write: entry.flag("mask_write").unwrap_or(false),
        scale,
        offset: entry.number("offset", -1e6..=1e6).unwrap_or(0.0),
        allowed: entry.integer_span("allowed", i64::from(i32::MIN)..=i64::from(u32::MAX)),
        writable: entry.flag("writable").unwrap_or(false),
        expect: entry.integer("expect", 0..=65535).and_then(|number| u16::try_from(number).ok()),
        stored: entry.flag("stored").unwrap_or(false),
        write_budget: entry.integer("write_budget", 1..=1_000_000).and_then(|most| u32::try_from(most).ok()),
        codes: read_codes(entry),
        ..Field::plain(table?, address?)
    };
    check_form(entry, &field);
    Some(field)
}

/// `on = 5, off = 6`: a register whose numbers stand for yes and no.
fn read_codes(entry: &Cursor<'_>) -> Option<(u16, u16)> {
    let code = |key: &str| entry.integer(key, 0..=65535).and_then(|number| u16::try_from(number).ok());
    match (code("on"), code("off")) {
        (Some(on), off) => Some((on, off.unwrap_or(0))),
        (None, None) => None,
        (None, Some(_)) => {
            entry.note("off", "off without on", "on = the number for yes beside it", None);
            None
        }
    }
}

fn read_form(entry: &Cursor<'_>) -> NumberForm {
    let signed = entry.flag("signed");
    match (entry.word("form", FORMS), signed) {
        (Some(_), Some(_)) => {
            entry.note("signed", "signed beside a form", "one of the two: the form says it", None);
            NumberForm::U16
        }
        (Some(form), None) => form,
        (None, Some(true)) => NumberForm::I16,
        (None, _) => NumberForm::U16,
    }
}

fn check_form(entry: &Cursor<'_>, field: &Field) {
    let of_bits = matches!(field.table, Table::Coil | Table::DiscreteInput);
    if of_bits && (field.form != NumberForm::U16 || field.bit.is_some()) {
        let key = if field.bit.is_some() { "bit" } else { "form" };
        entry.note(key, "a number in a table of bits", "a holding or input register", None);
    }
    if field.mask_write && !(field.bit.is_some() && field.writable) {
        entry.note("mask_write", "a mask write of no writable bit", "bit and writable = true beside it", None);
    }
    if u32::from(field.address) + u32::from(field.registers()) > 65_536 {
        entry.note(
            "address",
            format!("{} for {} registers", field.address, field.registers()),
            "an end at 65535",
            None,
        );
    }
    if let Some((least, most)) = field.allowed
        && [least, most].into_iter().any(|end| field.form.pattern(end as f64).is_none())
    {
        entry.note("allowed", format!("[{least}, {most}]"), "numbers that the field can hold", None);
    }
    if field.write_budget.is_some() && !field.stored {
        entry.note("write_budget", "a write budget of a volatile field", "stored = true beside it", None);
    }
}

fn check_role(entry: &Cursor<'_>, role: Role, field: &Field) {
    let read_only = matches!(field.table, Table::Input | Table::DiscreteInput);
    if field.writable && read_only {
        entry.note(
            "writable",
            format!("true in the {} table", field.table.name()),
            "a coil or a holding register",
            None,
        );
    }
    if role.is_command() && !field.writable {
        let spot = entry.here();
        entry.document().note(
            &spot,
            "a command that may not be written",
            "writable = true in a coil or holding register",
            None,
        );
    }
    if let Some((on, off)) = field.codes {
        let is_number = role.needs_register();
        let is_bit = field.bit.is_some() || matches!(field.table, Table::Coil | Table::DiscreteInput);
        if is_number || is_bit || field.registers() > 1 {
            entry.note(
                "on",
                "codes for a field that is no register for yes and no",
                "a role such as run, in one register",
                None,
            );
        } else if on == off {
            entry.note("on", format!("{on} for both"), "another number for yes than for no", None);
        }
    }
    if field.registers() > 1 && !role.may_be_wide() {
        entry.note("form", format!("{} registers", field.registers()), "one register: the program decides by it", None);
    }
    if role == Role::Identity && field.expect.is_none() {
        let spot = entry.here();
        entry.document().note(&spot, "an identity without an expected signature", "expect = 0x....", None);
    }
    if Role::BEFORE_A_START.contains(&role) && field.expect.is_none() {
        let spot = entry.here();
        entry.document().note(
            &spot,
            "a setting to check before a start without its wanted value",
            "expect = ...",
            None,
        );
    }
    let is_bit = field.bit.is_some() || matches!(field.table, Table::Coil | Table::DiscreteInput);
    if is_bit && role.needs_register() {
        entry.note("table", format!("{:?}, a single bit", field.table.name()), "a holding or input register", None);
    }
}

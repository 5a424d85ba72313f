//! Reading register maps and finding them: beside the rig file in `maps/`, then among the shipped ones.

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
    ("bench-unit", include_str!("../../rig-configs/maps/bench-unit.toml")),
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
    let mut fields = BTreeMap::new();
    if let Some(table) = root.need_table("fields") {
        read_fields(&table, &mut fields);
    }
    root.close();
    let problems = document.finish();
    if problems.0.is_empty() { Ok(RegisterMap { name, about, cia402, fields }) } else { Err(problems) }
}

fn read_fields(table: &Cursor<'_>, fields: &mut BTreeMap<Role, Field>) {
    let mut taken: BTreeMap<(Table, u16), String> = BTreeMap::new();
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
        if let Some(other) = taken.insert((field.table, field.address), key.text.clone()) {
            let found = format!("{} in the {} table, where {other} lives", field.address, field.table.name());
            entry.note("address", found, "an address of its own for each role", None);
        }
        check_role(&entry, role, &field);
        fields.insert(role, field);
    }
}

const TABLES: &[(&str, Table)] = &[
    ("coil", Table::Coil),
    ("discrete-input", Table::DiscreteInput),
    ("holding", Table::Holding),
    ("input", Table::Input),
];

fn read_field(entry: &Cursor<'_>) -> Option<Field> {
    let table = entry.need_word("table", TABLES);
    let address = entry.need_integer("address", 0..=65535).and_then(|number| u16::try_from(number).ok());
    let signed = entry.flag("signed").unwrap_or(false);
    let scale = entry.number("scale", -1e6..=1e6).unwrap_or(1.0);
    if scale.abs() < 1e-9 {
        entry.note("scale", format!("{scale}"), "a factor that is not 0", None);
    }
    let offset = entry.number("offset", -1e6..=1e6).unwrap_or(0.0);
    let allowed = entry.integer_span("allowed", if signed { -32768..=32767 } else { 0..=65535 });
    let writable = entry.flag("writable").unwrap_or(false);
    let expect = entry.integer("expect", 0..=65535).and_then(|number| u16::try_from(number).ok());
    let (table, address) = (table?, address?);
    Some(Field { table, address, signed, scale, offset, allowed, writable, expect })
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
    if role == Role::Identity && field.expect.is_none() {
        let spot = entry.here();
        entry.document().note(&spot, "an identity without an expected signature", "expect = 0x....", None);
    }
    if matches!(field.table, Table::Coil | Table::DiscreteInput) && role.needs_register() {
        entry.note("table", format!("{:?}, a single bit", field.table.name()), "a holding or input register", None);
    }
}

//! A table as comma-separated values (RFC 4180), first row names.

use super::{Column, Values};
use std::io::{Result, Write};

/// Write a table.
///
/// # Errors
/// The sink's.
pub fn write(columns: &[Column<'_>], sink: &mut dyn Write) -> Result<()> {
    row(sink, columns.iter().map(|column| column.name.clone()))?;
    for k in 0..columns.first().map_or(0, |column| column.values.len()) {
        row(sink, columns.iter().map(|column| field(&column.values, k)))?;
    }
    Ok(())
}

fn field(values: &Values<'_>, k: usize) -> String {
    match values {
        Values::Times(values) => format!("{:.6}", values[k]),
        Values::Numbers(values) => number(values[k]),
        Values::Whole(values) => values[k].to_string(),
        Values::Flags(values) => values[k].to_string(),
        Values::Texts(values) => values[k].clone(),
    }
}

/// Shortest digits that give the number back; nothing where there is none.
fn number(value: f64) -> String {
    if value.is_finite() { format!("{value}") } else { String::new() }
}

fn row(sink: &mut dyn Write, fields: impl Iterator<Item = String>) -> Result<()> {
    let mut first = true;
    for field in fields {
        if !first {
            sink.write_all(b",")?;
        }
        first = false;
        if field.contains([',', '"', '\n', '\r']) {
            write!(sink, "\"{}\"", field.replace('"', "\"\""))?;
        } else {
            sink.write_all(field.as_bytes())?;
        }
    }
    sink.write_all(b"\r\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_what_would_break_a_row_and_leaves_gaps_empty() {
        let mut bytes = Vec::new();
        let fields = ["plain", "a, b", "say \"stop\"", "two\nlines"].map(str::to_owned);
        row(&mut bytes, fields.into_iter().chain([number(f64::NAN), number(0.1)])).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert_eq!(text, "plain,\"a, b\",\"say \"\"stop\"\"\",\"two\nlines\",,0.1\r\n");
    }
}

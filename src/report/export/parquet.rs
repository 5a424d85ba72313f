//! A table as Parquet: times, numbers and the like in columns of their own types, uncompressed but for dictionaries; numbers that
//! are not there are null.

use super::{Column, Values};
use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{Type, TypePtr};
use std::io::Write;
use std::ops::Range;
use std::sync::Arc;

/// Rows of a group: what a reader takes at once.
const ROWS: usize = 1_000_000;

/// Write a table.
///
/// # Errors
/// The sink's.
pub fn write(columns: &[Column<'_>], sink: impl Write + Send) -> Result<()> {
    let fields = columns.iter().map(field).collect::<Result<Vec<_>>>()?;
    let schema = Arc::new(Type::group_type_builder("table").with_fields(fields).build()?);
    let mut writer = SerializedFileWriter::new(sink, schema, Arc::new(WriterProperties::builder().build()))?;
    let rows = columns.first().map_or(0, |column| column.values.len());
    for from in (0..rows).step_by(ROWS) {
        let range = from..(from + ROWS).min(rows);
        let mut group = writer.next_row_group()?;
        for column in columns {
            write_column(&mut group, &column.values, range.clone())?;
        }
        group.close()?;
    }
    writer.close()?;
    Ok(())
}

fn field(column: &Column<'_>) -> Result<TypePtr> {
    let (physical, repetition, logical) = match column.values {
        Values::Times(_) => (Physical::DOUBLE, Repetition::REQUIRED, None),
        Values::Numbers(_) => (Physical::DOUBLE, Repetition::OPTIONAL, None),
        Values::Whole(_) => (Physical::INT64, Repetition::REQUIRED, None),
        Values::Flags(_) => (Physical::BOOLEAN, Repetition::REQUIRED, None),
        Values::Texts(_) => (Physical::BYTE_ARRAY, Repetition::REQUIRED, Some(LogicalType::String)),
    };
    let built =
        Type::primitive_type_builder(&column.name, physical).with_repetition(repetition).with_logical_type(logical);
    built.build().map(Arc::new)
}

fn write_column<W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &Values<'_>,
    rows: Range<usize>,
) -> Result<()> {
    let mut column =
        group.next_column()?.ok_or_else(|| ParquetError::General("fewer columns than fields".to_owned()))?;
    match (column.untyped(), values) {
        (ColumnWriter::DoubleColumnWriter(writer), Values::Times(values)) => {
            writer.write_batch(&values[rows], None, None)?;
        }
        (ColumnWriter::DoubleColumnWriter(writer), Values::Numbers(values)) => {
            let levels: Vec<i16> = values[rows.clone()].iter().map(|value| i16::from(value.is_finite())).collect();
            let known: Vec<f64> = values[rows].iter().copied().filter(|value| value.is_finite()).collect();
            writer.write_batch(&known, Some(&levels), None)?;
        }
        (ColumnWriter::Int64ColumnWriter(writer), Values::Whole(values)) => {
            writer.write_batch(&values[rows], None, None)?;
        }
        (ColumnWriter::BoolColumnWriter(writer), Values::Flags(values)) => {
            writer.write_batch(&values[rows], None, None)?;
        }
        (ColumnWriter::ByteArrayColumnWriter(writer), Values::Texts(values)) => {
            let bytes: Vec<ByteArray> = values[rows].iter().map(|text| ByteArray::from(text.as_str())).collect();
            writer.write_batch(&bytes, None, None)?;
        }
        _ => return Err(ParquetError::General("a field of another type than its column".to_owned())),
    }
    column.close()
}

//! The rows in columns: Apache Parquet, uncompressed, plain, written by a library.

use super::rows::{COLUMNS, Row};
use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;
use std::io;
use std::sync::Arc;

/// A column's values.
enum Column {
    Long(Vec<i64>),
    Int(Vec<i32>),
    Text(Vec<String>),
    /// Values that may be missing.
    MayInt(Vec<Option<i64>>),
    MayText(Vec<Option<String>>),
}

/// The rows as a Parquet file.
pub(super) fn parquet(rows: &[Row<'_>]) -> io::Result<Vec<u8>> {
    write(rows).map_err(io::Error::other)
}

fn write(rows: &[Row<'_>]) -> Result<Vec<u8>, ParquetError> {
    let columns: Vec<(&str, Column)> =
        COLUMNS.iter().map(|name| (*name, column(name, rows))).collect();
    let fields = columns.iter().map(|(name, column)| field(name, column).map(Arc::new));
    let schema = Type::group_type_builder("slots")
        .with_fields(fields.collect::<Result<Vec<_>, _>>()?)
        .build()?;
    let properties = Arc::new(WriterProperties::builder().build());
    let mut out = Vec::new();
    let mut file = SerializedFileWriter::new(&mut out, Arc::new(schema), properties)?;
    let mut group = file.next_row_group()?;
    for (_, column) in &columns {
        put(&mut group, column)?;
    }
    group.close()?;
    file.close()?;
    Ok(out)
}

fn column(name: &str, rows: &[Row<'_>]) -> Column {
    let long = |pick: fn(&Row<'_>) -> u64| {
        Column::Long(rows.iter().map(|row| pick(row).cast_signed()).collect())
    };
    let int = |pick: fn(&Row<'_>) -> u32| {
        Column::Int(rows.iter().map(|row| pick(row).cast_signed()).collect())
    };
    let text = |pick: for<'a> fn(&'a Row<'_>) -> &'a str| {
        Column::Text(rows.iter().map(|row| pick(row).to_owned()).collect())
    };
    match name {
        "time_us" => long(|row| row.time_us),
        "end_us" => long(|row| row.end_us),
        "lane" => int(|row| row.lane.into()),
        "station" => text(|row| row.station),
        "address" => text(|row| &row.address),
        "slot" => Column::MayInt(rows.iter().map(|row| row.slot.map(i64::from)).collect()),
        "channel" => int(|row| row.channel.into()),
        "frequency_hz" => long(|row| row.frequency_hz),
        "content" => text(|row| row.content),
        "word" => text(|row| &row.word),
        "over" => Column::MayInt(rows.iter().map(|row| row.over.map(u64::cast_signed)).collect()),
        "target" => Column::MayText(rows.iter().map(|row| row.target.clone()).collect()),
        "single_channel" => int(|row| row.single_channel.into()),
        "interfered" => int(|row| row.interfered.into()),
        "waited" => int(|row| row.waited),
        "heard" => int(|row| row.heard),
        "waited_by" => text(|row| &row.waited_by),
        "heard_by" => text(|row| &row.heard_by),
        _ => text(|row| &row.bits),
    }
}

fn field(name: &str, column: &Column) -> Result<Type, ParquetError> {
    let (physical, logical, repetition) = match column {
        Column::Long(_) => (Physical::INT64, None, Repetition::REQUIRED),
        Column::Int(_) => (Physical::INT32, None, Repetition::REQUIRED),
        Column::Text(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String), Repetition::REQUIRED),
        Column::MayInt(_) => (Physical::INT64, None, Repetition::OPTIONAL),
        Column::MayText(_) => {
            (Physical::BYTE_ARRAY, Some(LogicalType::String), Repetition::OPTIONAL)
        }
    };
    Type::primitive_type_builder(name, physical)
        .with_logical_type(logical)
        .with_repetition(repetition)
        .build()
}

fn put<W: io::Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    column: &Column,
) -> Result<(), ParquetError> {
    let Some(mut writer) = group.next_column()? else {
        return Err(ParquetError::General("a column more than the schema has".to_owned()));
    };
    let bytes = |text: &String| ByteArray::from(text.as_str());
    match column {
        Column::Long(values) => {
            writer.typed::<Int64Type>().write_batch(values, None, None)?;
        }
        Column::Int(values) => {
            writer.typed::<Int32Type>().write_batch(values, None, None)?;
        }
        Column::Text(values) => {
            let values: Vec<ByteArray> = values.iter().map(bytes).collect();
            writer.typed::<ByteArrayType>().write_batch(&values, None, None)?;
        }
        Column::MayInt(values) => {
            let there: Vec<i16> = values.iter().map(|v| i16::from(v.is_some())).collect();
            let values: Vec<i64> = values.iter().copied().flatten().collect();
            writer.typed::<Int64Type>().write_batch(&values, Some(&there), None)?;
        }
        Column::MayText(values) => {
            let there: Vec<i16> = values.iter().map(|v| i16::from(v.is_some())).collect();
            let values: Vec<ByteArray> = values.iter().flatten().map(bytes).collect();
            writer.typed::<ByteArrayType>().write_batch(&values, Some(&there), None)?;
        }
    }
    writer.close()
}

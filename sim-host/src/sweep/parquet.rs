//! The table of trials as Parquet: the columns of the CSV, with types.
//!
//! One row group for so many trials, nothing compressed, the program's own name as the writer's:
//! the same rows are the same bytes.

use super::campaign::Results;
use super::{Campaign, Level};
use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{Type, TypePtr};
use std::io::{self, Write};
use std::sync::Arc;
use toml_edit::Value;

/// Trials in a row group.
const GROUP: usize = 100_000;

/// What a factor's column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Whole,
    Number,
    Flag,
    Text,
}

impl Kind {
    /// The narrowest kind that holds all levels of a factor.
    fn of(levels: &[Level]) -> Self {
        let all = |fits: fn(&Value) -> bool| levels.iter().all(|level| fits(&level.value));
        if all(Value::is_integer) {
            Self::Whole
        } else if all(|value| value.is_integer() || value.is_float()) {
            Self::Number
        } else if all(Value::is_bool) {
            Self::Flag
        } else {
            Self::Text
        }
    }

    const fn physical(self) -> Physical {
        match self {
            Self::Whole => Physical::INT64,
            Self::Number => Physical::DOUBLE,
            Self::Flag => Physical::BOOLEAN,
            Self::Text => Physical::BYTE_ARRAY,
        }
    }
}

fn column(
    name: &str,
    physical: Physical,
    text: bool,
    repetition: Repetition,
) -> Result<TypePtr, ParquetError> {
    let builder = Type::primitive_type_builder(name, physical).with_repetition(repetition);
    builder.with_logical_type(text.then_some(LogicalType::String)).build().map(Arc::new)
}

fn schema(campaign: &Campaign) -> Result<TypePtr, ParquetError> {
    let needed = |name: &str, physical| column(name, physical, false, Repetition::REQUIRED);
    let mut columns = vec![needed("cell", Physical::INT32)?];
    for factor in &campaign.sweep.factors {
        let kind = Kind::of(&factor.levels);
        let text = kind == Kind::Text;
        columns.push(column(&factor.name, kind.physical(), text, Repetition::REQUIRED)?);
    }
    columns.push(needed("trial", Physical::INT32)?);
    columns.push(needed("seed", Physical::INT64)?);
    if campaign.expects {
        columns.push(needed("held", Physical::BOOLEAN)?);
    }
    for asked in &campaign.sweep.metrics {
        columns.push(column(&asked.name, Physical::DOUBLE, false, Repetition::OPTIONAL)?);
    }
    Type::group_type_builder("trials").with_fields(columns).build().map(Arc::new)
}

/// Writes all trials that there are.
pub(super) fn write(
    campaign: &Campaign,
    results: &Results,
    out: impl Write + Send,
) -> io::Result<()> {
    write_all(campaign, results, out).map_err(|error| match error {
        ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(other) => io::Error::other(other),
        },
        other => io::Error::other(other),
    })
}

fn write_all(
    campaign: &Campaign,
    results: &Results,
    out: impl Write + Send,
) -> Result<(), ParquetError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::UNCOMPRESSED)
        .set_created_by(concat!("hopwright ", env!("CARGO_PKG_VERSION")).to_owned())
        .build();
    let mut file = SerializedFileWriter::new(out, schema(campaign)?, Arc::new(properties))?;
    let there: Vec<usize> =
        (0..campaign.sweep.total()).filter(|index| results.of(*index).is_some()).collect();
    for rows in there.chunks(GROUP) {
        let mut group = file.next_row_group()?;
        write_group(campaign, results, rows, &mut group)?;
        group.close()?;
    }
    file.close()?;
    Ok(())
}

/// Writes the next column of a group.
macro_rules! put {
    ($group:expr, $type:ty, $values:expr, $levels:expr) => {
        if let Some(mut column) = $group.next_column()? {
            column.typed::<$type>().write_batch($values, $levels, None)?;
            column.close()?;
        }
    };
}

fn write_group<W: Write + Send>(
    campaign: &Campaign,
    results: &Results,
    rows: &[usize],
    group: &mut SerializedRowGroupWriter<'_, W>,
) -> Result<(), ParquetError> {
    let sweep = &campaign.sweep;
    let trials: Vec<_> = rows.iter().map(|index| sweep.trial(*index)).collect();
    let outcomes: Vec<_> = rows.iter().filter_map(|index| results.of(*index)).collect();
    let whole = |number: u32| i32::try_from(number).unwrap_or(i32::MAX);
    put!(group, Int32Type, &trials.iter().map(|t| whole(t.cell)).collect::<Vec<_>>(), None);
    for (f, factor) in sweep.factors.iter().enumerate() {
        let levels: Vec<&Level> =
            trials.iter().filter_map(|t| sweep.levels(t.cell).get(f).copied()).collect();
        let values = levels.iter().map(|level| &level.value);
        match Kind::of(&factor.levels) {
            Kind::Whole => {
                let values: Vec<i64> = values.filter_map(Value::as_integer).collect();
                put!(group, Int64Type, &values, None);
            }
            Kind::Number => {
                let value = |v: &Value| v.as_float().or(v.as_integer().map(|n| n as f64));
                put!(group, DoubleType, &values.filter_map(value).collect::<Vec<_>>(), None);
            }
            Kind::Flag => {
                let values: Vec<bool> = values.filter_map(Value::as_bool).collect();
                put!(group, BoolType, &values, None);
            }
            Kind::Text => {
                let text = |level: &&Level| ByteArray::from(level.text.as_str());
                put!(group, ByteArrayType, &levels.iter().map(text).collect::<Vec<_>>(), None);
            }
        }
    }
    put!(group, Int32Type, &trials.iter().map(|t| whole(t.trial)).collect::<Vec<_>>(), None);
    // 63 bits: see `Sweep::trial`.
    let seeds: Vec<i64> = trials.iter().map(|t| t.seed.cast_signed()).collect();
    put!(group, Int64Type, &seeds, None);
    if campaign.expects {
        put!(group, BoolType, &outcomes.iter().map(|o| o.held).collect::<Vec<_>>(), None);
    }
    for m in 0..sweep.metrics.len() {
        let values: Vec<f64> = outcomes.iter().filter_map(|o| o.values.get(m).copied()).collect();
        let there: Vec<i16> = values.iter().map(|value| i16::from(!value.is_nan())).collect();
        let values: Vec<f64> = values.into_iter().filter(|value| !value.is_nan()).collect();
        put!(group, DoubleType, &values, Some(&there));
    }
    Ok(())
}

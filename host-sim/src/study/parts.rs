//! Parts of a study on file: Parquet, some hundred runs each, whole or not there.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::record::Field;
use parquet::schema::types::Type;
use toml::Value;

use super::plan::Plan;
use super::row::{Kind, Row, columns};
use crate::error::{Error, Result};

/// Runs of one part.
pub const PART: u64 = 256;

/// Path of a part.
pub fn path(folder: &Path, part: u64) -> PathBuf {
    folder.join(format!("part-{part:05}.parquet"))
}

/// A number as it goes into a column, where the value is one.
fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Float(x) => Some(*x),
        Value::Integer(n) => Some(*n as f64),
        _ => None,
    }
}

/// For each varied key, whether all of its values are numbers.
pub fn numeric(plan: &Plan) -> Vec<bool> {
    let cells = plan.cells().min(10_000);
    let mut all = vec![true; plan.vary.len()];
    for cell in 0..cells {
        for (is, value) in all.iter_mut().zip(plan.values(cell)) {
            *is &= number(&value).is_some();
        }
    }
    all
}

/// A value as text, without quotes.
pub fn text(value: &Value) -> String {
    match value {
        Value::String(s) => s.clone(),
        other => other.to_string(),
    }
}

/// Whether the part is there and whole, with so many rows.
pub fn whole(folder: &Path, part: u64, rows: u64) -> bool {
    let Ok(file) = File::open(path(folder, part)) else {
        return false;
    };
    SerializedFileReader::new(file)
        .is_ok_and(|r| r.metadata().file_metadata().num_rows() == rows as i64)
}

/// Writes a part: beside its place first, so that a half-written one is never taken for whole.
pub fn write(folder: &Path, part: u64, plan: &Plan, numeric: &[bool], rows: &[Row]) -> Result<()> {
    let to = path(folder, part);
    let aside = to.with_extension("parquet.half");
    let name = aside.display().to_string();
    let file = File::create(&aside).map_err(|e| Error::write(&name, e))?;
    fill(file, plan, numeric, rows)
        .map_err(|e| Error::write(&name, std::io::Error::other(e.to_string())))?;
    std::fs::rename(&aside, &to).map_err(|e| Error::write(&to.display().to_string(), e))
}

fn fill(
    file: File,
    plan: &Plan,
    numeric: &[bool],
    rows: &[Row],
) -> std::result::Result<(), ParquetError> {
    let figures = columns(plan.dose.is_some());
    let mut fields = Vec::new();
    let mut field = |name: &str, physical: Physical| {
        let logical = (physical == Physical::BYTE_ARRAY).then_some(LogicalType::String);
        Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::REQUIRED)
            .with_logical_type(logical)
            .build()
            .map(|t| fields.push(Arc::new(t)))
    };
    field("cell", Physical::INT64)?;
    field("seed", Physical::INT64)?;
    for (vary, is) in plan.vary.iter().zip(numeric) {
        field(
            &vary.key,
            if *is {
                Physical::DOUBLE
            } else {
                Physical::BYTE_ARRAY
            },
        )?;
    }
    for (name, kind) in figures {
        field(
            name,
            match kind {
                Kind::Whole => Physical::INT64,
                Kind::Number => Physical::DOUBLE,
            },
        )?;
    }
    let schema = Type::group_type_builder("runs")
        .with_fields(fields)
        .build()?;
    // Nothing of the file may depend on when or by which build it was written.
    let properties = WriterProperties::builder().set_created_by("host-sim study 1".into());
    let mut writer =
        SerializedFileWriter::new(file, Arc::new(schema), Arc::new(properties.build()))?;
    let values: Vec<Vec<Value>> = rows.iter().map(|r| plan.values(r.cell)).collect();
    let mut group = writer.next_row_group()?;
    let mut index: usize = 0;
    while let Some(mut column) = group.next_column()? {
        let keys = 2..2 + plan.vary.len();
        let whole: Option<Vec<i64>> = match index {
            0 => Some(rows.iter().map(|r| r.cell as i64).collect()),
            1 => Some(rows.iter().map(|r| r.seed as i64).collect()),
            _ => figures
                .get(index.wrapping_sub(keys.end))
                .filter(|f| !keys.contains(&index) && f.1 == Kind::Whole)
                .map(|_| {
                    rows.iter()
                        .map(|r| r.figures[index - keys.end] as i64)
                        .collect()
                }),
        };
        if let Some(all) = whole {
            column.typed::<Int64Type>().write_batch(&all, None, None)?;
        } else if keys.contains(&index) && !numeric[index - 2] {
            let all: Vec<ByteArray> = values
                .iter()
                .map(|v| ByteArray::from(text(&v[index - 2]).into_bytes()))
                .collect();
            column
                .typed::<ByteArrayType>()
                .write_batch(&all, None, None)?;
        } else {
            let all: Vec<f64> = if keys.contains(&index) {
                values
                    .iter()
                    .map(|v| number(&v[index - 2]).unwrap_or(f64::NAN))
                    .collect()
            } else {
                rows.iter().map(|r| r.figures[index - keys.end]).collect()
            };
            column.typed::<DoubleType>().write_batch(&all, None, None)?;
        }
        column.close()?;
        index += 1;
    }
    group.close()?;
    writer.close()?;
    Ok(())
}

/// Reads a part row by row: the cells of each as text for CSV, and as a row.
pub fn read(
    folder: &Path,
    part: u64,
    keys: usize,
    mut each: impl FnMut(&[String], &Row) -> Result<()>,
) -> Result<()> {
    let at = path(folder, part);
    let name = at.display().to_string();
    let broken = |e: ParquetError| {
        Error::file(
            &name,
            format!("this part can't be read: {e}"),
            "delete it and run the study again",
        )
    };
    let file = File::open(&at).map_err(|e| Error::read(&name, e))?;
    let reader = SerializedFileReader::new(file).map_err(broken)?;
    for row in reader.get_row_iter(None).map_err(broken)? {
        let row = row.map_err(broken)?;
        let mut texts = Vec::new();
        let mut numbers = Vec::new();
        for (_, field) in row.get_column_iter() {
            match field {
                Field::Long(n) => {
                    texts.push(n.to_string());
                    numbers.push(*n as f64);
                }
                Field::Double(x) if x.is_nan() => {
                    texts.push(String::new());
                    numbers.push(*x);
                }
                Field::Double(x) => {
                    texts.push(x.to_string());
                    numbers.push(*x);
                }
                Field::Str(s) => {
                    texts.push(s.clone());
                    numbers.push(f64::NAN);
                }
                other => {
                    texts.push(other.to_string());
                    numbers.push(f64::NAN);
                }
            }
        }
        let whole = |i: usize| numbers.get(i).map_or(0, |x| *x as u64);
        let read = Row {
            cell: whole(0),
            seed: whole(1),
            figures: numbers.get(2 + keys..).unwrap_or_default().to_vec(),
        };
        each(&texts, &read)?;
    }
    Ok(())
}

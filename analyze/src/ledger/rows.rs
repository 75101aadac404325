//! Rows of a derived table in memory, and their way to Arrow and polars.
//!
//! Fresh rows and rows read back from the cache take the same way into a frame, so that a cached ledger is the same
//! ledger.

use std::{ops::Range, sync::Arc};

use arrow::{
    array::{ArrayRef, AsArray, DictionaryArray, Float64Array, Int64Array, PrimitiveArray, RecordBatch, StringArray},
    buffer::{BooleanBuffer, NullBuffer},
    datatypes::{DataType, Float64Type, Int32Type, Int64Type, Schema},
    error::ArrowError,
};
use polars::prelude::{Column, DataFrame, PlSmallStr, PolarsResult, Scalar};
use tallywheel_schemas::{Digest, Table};

/// Rows of a derived table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Rows {
    pub(crate) table: Table,
    pub(crate) session: String,
    pub(crate) t_us: Vec<i64>,
    /// Of `motor_ledger` only.
    pub(crate) positions: Option<Vec<Arc<str>>>,
    /// The table's text columns, in the order of its schema.
    pub(crate) texts: Vec<Vec<Option<String>>>,
    /// Behind session, time, position and texts, in the order of the table's schema. Integer columns are whole numbers.
    pub(crate) columns: Vec<Vec<Option<f64>>>,
}

impl Rows {
    fn leading(&self) -> usize {
        leading(self.table)
    }

    /// The rows as a record batch of the table's schema.
    pub(crate) fn batch(&self) -> Result<RecordBatch, ArrowError> {
        let schema = self.table.schema();
        let arrays = (0..schema.fields().len()).map(|column| self.array(&schema, column, 0..self.t_us.len()));
        let arrays = arrays.collect::<Result<_, _>>()?;
        RecordBatch::try_new(schema, arrays)
    }

    /// Names of the number columns that are null throughout.
    pub(crate) fn empty_columns<'s>(&self, schema: &'s Schema) -> impl Iterator<Item = &'s str> {
        let names = schema.fields().iter().skip(self.leading()).map(|f| f.name().as_str());
        names.zip(&self.columns).filter(|(_, column)| column.iter().all(Option::is_none)).map(|(name, _)| name)
    }

    /// Some rows of one column of the table's schema.
    pub(crate) fn array(&self, schema: &Schema, column: usize, rows: Range<usize>) -> Result<ArrayRef, ArrowError> {
        if column == 0 {
            return dictionary(std::iter::repeat_n(self.session.as_str(), rows.len()));
        }
        if column == 1 {
            return Ok(Arc::new(Int64Array::from(self.t_us[rows].to_vec())));
        }
        if column < self.leading() {
            return match &self.positions {
                Some(positions) => dictionary(positions[rows].iter().map(AsRef::as_ref)),
                None => {
                    Ok(Arc::new(self.texts[column - 2][rows].iter().map(Option::as_deref).collect::<StringArray>()))
                }
            };
        }
        let values = &self.columns[column - self.leading()][rows];
        Ok(if *schema.field(column).data_type() == DataType::Int64 {
            let numbers = values.iter().map(|v| v.unwrap_or_default() as i64).collect();
            Arc::new(Int64Array::new(numbers, known(values)))
        } else {
            let numbers = values.iter().map(|v| v.unwrap_or_default()).collect();
            Arc::new(Float64Array::new(numbers, known(values)))
        })
    }

    /// Adds the rows of a batch of the same table; `None` when it is of another shape.
    pub(crate) fn extend(&mut self, batch: &RecordBatch) -> Option<()> {
        self.t_us.extend_from_slice(batch.column_by_name("t_us")?.as_primitive_opt::<Int64Type>()?.values());
        if let Some(positions) = &mut self.positions {
            let names = batch.column_by_name("position")?.as_string_opt::<i32>()?;
            for name in names.iter().map(Option::unwrap_or_default) {
                // Of a few motors; the one two rows before has the same name as a rule.
                let same = positions.iter().rev().take(4).find(|p| p.as_ref() == name).cloned();
                positions.push(same.unwrap_or_else(|| name.into()));
            }
        }
        for (column, text) in self.texts.iter_mut().zip(self.table.texts()) {
            let array = batch.column_by_name(text.name)?.as_string_opt::<i32>()?;
            column.extend(array.iter().map(|t| t.map(str::to_owned)));
        }
        let schema = self.table.schema();
        let fields = schema.fields().iter().skip(self.leading());
        for (column, field) in self.columns.iter_mut().zip(fields) {
            let array = batch.column_by_name(field.name())?;
            match array.as_primitive_opt::<Float64Type>() {
                Some(floats) => column.extend(floats.iter()),
                None => column.extend(array.as_primitive_opt::<Int64Type>()?.iter().map(|v| v.map(|v| v as f64))),
            }
        }
        Some(())
    }

    /// An empty set of rows of a table.
    pub(crate) fn empty(table: Table, session: &str) -> Self {
        let positions = (table == Table::MotorLedger).then(Vec::new);
        let texts = vec![Vec::new(); table.texts().len()];
        let columns = vec![Vec::new(); table.schema().fields().len().saturating_sub(leading(table))];
        Self { table, session: session.to_owned(), t_us: Vec::new(), positions, texts, columns }
    }

    /// Hash of every value, so that a cached file is only believed if it still says what was computed.
    pub(crate) fn digest(&self) -> Digest {
        let mut hash = blake3::Hasher::new();
        let mut bytes = Vec::with_capacity(HASHED * 9);
        hash.update(self.session.as_bytes());
        for times in self.t_us.chunks(HASHED) {
            times.iter().for_each(|t| bytes.extend_from_slice(&t.to_le_bytes()));
            take(&mut hash, &mut bytes);
        }
        for positions in self.positions.iter().flat_map(|p| p.chunks(HASHED)) {
            for position in positions {
                bytes.extend_from_slice(position.as_bytes());
                bytes.push(0);
            }
            take(&mut hash, &mut bytes);
        }
        for text in self.texts.iter().flatten() {
            bytes.push(u8::from(text.is_some()));
            bytes.extend_from_slice(text.as_deref().unwrap_or_default().as_bytes());
            bytes.push(0);
        }
        take(&mut hash, &mut bytes);
        for values in self.columns.iter().flat_map(|c| c.chunks(HASHED)) {
            bytes.resize(values.len() * 8, 0);
            for (cell, value) in bytes.as_chunks_mut::<8>().0.iter_mut().zip(values) {
                *cell = value.unwrap_or_default().to_bits().to_le_bytes();
            }
            bytes.extend(values.iter().map(|v| u8::from(v.is_some())));
            take(&mut hash, &mut bytes);
        }
        hash.finalize().into()
    }

    /// The rows as a polars frame with the table's column names.
    pub(crate) fn frame(&self) -> PolarsResult<DataFrame> {
        let rows = self.t_us.len();
        let session = Scalar::from(PlSmallStr::from(self.session.as_str()));
        let mut columns =
            vec![Column::new_scalar("session".into(), session, rows), Column::new("t_us".into(), self.t_us.as_slice())];
        if let Some(positions) = &self.positions {
            columns.push(Column::new("position".into(), positions.iter().map(AsRef::as_ref).collect::<Vec<&str>>()));
        }
        for (texts, text) in self.texts.iter().zip(self.table.texts()) {
            columns.push(Column::new(text.name.into(), texts.as_slice()));
        }
        let schema = self.table.schema();
        for (column, field) in self.columns.iter().zip(schema.fields().iter().skip(self.leading())) {
            let name = field.name().as_str().into();
            columns.push(match field.data_type() {
                DataType::Int64 => {
                    Column::new(name, column.iter().map(|v| v.map(|v| v as i64)).collect::<Vec<Option<i64>>>())
                }
                _ => float_column(name, column),
            });
        }
        DataFrame::new(rows, columns)
    }
}

/// Texts of which there are a few different ones.
fn dictionary<'a>(texts: impl Iterator<Item = &'a str>) -> Result<ArrayRef, ArrowError> {
    let mut different: Vec<&str> = Vec::new();
    let keys: Vec<i32> = texts
        .map(|text| {
            let known = different.iter().position(|d| *d == text).unwrap_or_else(|| {
                different.push(text);
                different.len() - 1
            });
            known as i32
        })
        .collect();
    let values = Arc::new(StringArray::from(different));
    Ok(Arc::new(DictionaryArray::try_new(PrimitiveArray::<Int32Type>::from(keys), values)?))
}

/// Values hashed at a time: enough for the hash to be quick, and no copy of a table.
const HASHED: usize = 4096;

fn take(hash: &mut blake3::Hasher, bytes: &mut Vec<u8>) {
    hash.update(bytes);
    bytes.clear();
}

/// Which values are there; `None` where all are, which is cheaper to write.
fn known(values: &[Option<f64>]) -> Option<NullBuffer> {
    let known = NullBuffer::new(BooleanBuffer::collect_bool(values.len(), |i| values[i].is_some()));
    (known.null_count() > 0).then_some(known)
}

/// Columns before the numbers.
fn leading(table: Table) -> usize {
    2 + usize::from(table == Table::MotorLedger) + table.texts().len()
}

/// Columns without nulls and columns of nothing but nulls, which is nearly all, skip polars' element-wise way.
fn float_column(name: PlSmallStr, values: &[Option<f64>]) -> Column {
    match values.iter().filter(|v| v.is_some()).count() {
        0 => Column::full_null(name, values.len(), &polars::prelude::DataType::Float64),
        n if n == values.len() => Column::new(name, values.iter().map(|v| v.unwrap_or_default()).collect::<Vec<f64>>()),
        _ => Column::new(name, values),
    }
}

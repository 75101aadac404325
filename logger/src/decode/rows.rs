//! Rows of one decoded table on their way into Arrow arrays. Append only.

use std::sync::Arc;

use arrow::{
    array::{
        ArrayRef, BooleanBuilder, DictionaryArray, Float64Builder, Int32Array, Int64Array, Int64Builder, RecordBatch,
        StringArray,
    },
    datatypes::Int32Type,
};
use tallywheel_schemas::{Channel, Domain, Kind, Table};

/// A value ready to be stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    Float(f64),
    Int(i64),
    Bool(bool),
}

#[derive(Debug)]
enum ColumnBuilder {
    Float(Float64Builder),
    Int(Int64Builder),
    Bool(BooleanBuilder),
}

/// A column is filled up with nulls only when its next value comes, so a row costs what it carries and not what its
/// table is wide.
#[derive(Debug)]
struct ColumnRows {
    builder: ColumnBuilder,
    filled: usize,
}

impl ColumnRows {
    fn new(kind: Kind) -> Self {
        let builder = match kind {
            Kind::Float => ColumnBuilder::Float(Float64Builder::new()),
            Kind::Int => ColumnBuilder::Int(Int64Builder::new()),
            Kind::Bool => ColumnBuilder::Bool(BooleanBuilder::new()),
        };
        Self { builder, filled: 0 }
    }

    fn set(&mut self, row: usize, cell: Cell) {
        self.fill(row);
        self.filled = row + 1;
        match (&mut self.builder, cell) {
            (ColumnBuilder::Float(b), Cell::Float(v)) => b.append_value(v),
            (ColumnBuilder::Int(b), Cell::Int(v)) => b.append_value(v),
            (ColumnBuilder::Bool(b), Cell::Bool(v)) => b.append_value(v),
            // A slot makes cells of its own column's kind only.
            _ => self.filled = row,
        }
    }

    fn fill(&mut self, rows: usize) {
        let nulls = rows - self.filled;
        match &mut self.builder {
            ColumnBuilder::Float(b) => b.append_nulls(nulls),
            ColumnBuilder::Int(b) => b.append_nulls(nulls),
            ColumnBuilder::Bool(b) => b.append_nulls(nulls),
        }
        self.filled = rows;
    }

    fn finish(&mut self, rows: usize) -> ArrayRef {
        self.fill(rows);
        self.filled = 0;
        match &mut self.builder {
            ColumnBuilder::Float(b) => Arc::new(b.finish()),
            ColumnBuilder::Int(b) => Arc::new(b.finish()),
            ColumnBuilder::Bool(b) => Arc::new(b.finish()),
        }
    }
}

/// Rows of one decoded table.
#[derive(Debug)]
pub(super) struct Rows {
    domain: Domain,
    t_us: Vec<i64>,
    /// Motor position, or channel of the `aux` table.
    keys: Vec<i32>,
    columns: Vec<ColumnRows>,
}

impl Rows {
    pub(super) fn new(domain: Domain) -> Self {
        let kinds: Vec<Kind> =
            if domain == Domain::Aux { vec![Kind::Float] } else { Channel::of(domain).map(|c| c.kind).collect() };
        let columns = kinds.into_iter().map(ColumnRows::new).collect();
        Self { domain, t_us: Vec::new(), keys: Vec::new(), columns }
    }

    pub(super) fn len(&self) -> usize {
        self.t_us.len()
    }

    /// Begins a row.
    pub(super) fn begin(&mut self, t_us: i64, key: i32) {
        self.t_us.push(t_us);
        if matches!(self.domain, Domain::Motor | Domain::Aux) {
            self.keys.push(key);
        }
    }

    /// Sets a value of the row begun last.
    pub(super) fn set(&mut self, column: usize, cell: Cell) {
        let row = self.t_us.len() - 1;
        self.columns[column].set(row, cell);
    }

    /// Gives the rows as a batch and starts anew. `names` are what the keys stand for.
    pub(super) fn take(&mut self, session: &str, names: &StringArray) -> RecordBatch {
        let rows = self.len();
        let mut arrays: Vec<ArrayRef> =
            vec![constant(session, rows), Arc::new(Int64Array::from(std::mem::take(&mut self.t_us)))];
        if matches!(self.domain, Domain::Motor | Domain::Aux) {
            arrays.push(dictionary(std::mem::take(&mut self.keys), names));
        }
        arrays.extend(self.columns.iter_mut().map(|c| c.finish(rows)));
        RecordBatch::try_new(Table::Decoded(self.domain).schema(), arrays)
            .expect("columns are built from the list that the schema is built from")
    }
}

/// A dictionary column with the same value in each row.
pub(crate) fn constant(value: &str, rows: usize) -> ArrayRef {
    dictionary(vec![0; rows], &StringArray::from(vec![value]))
}

/// A dictionary column from keys and what they stand for.
pub(crate) fn dictionary(keys: Vec<i32>, values: &StringArray) -> ArrayRef {
    let keys = Int32Array::from(keys);
    let values: ArrayRef = Arc::new(values.clone());
    Arc::new(DictionaryArray::<Int32Type>::new(keys, values))
}

//! The result of a statement: named columns of numbers and texts.

use std::sync::Arc;

use arrow::{
    array::{ArrayRef, Float64Array, Int64Array, RecordBatch, StringArray},
    datatypes::{DataType, Field, Schema},
    error::ArrowError,
};
use serde_json::{Map, Value};

/// A cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// Not known.
    Null,
    /// A whole number.
    Count(i64),
    /// A number.
    Number(f64),
    /// A text.
    Text(String),
}

/// Rows under named columns.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Frame {
    /// Names of the columns.
    pub columns: Vec<String>,
    /// Rows, with a cell for every column.
    pub rows: Vec<Vec<Item>>,
}

/// A row of a frame, read by column name.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    columns: &'a [String],
    items: &'a [Item],
}

impl Frame {
    /// The rows.
    pub fn iter(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|items| Row { columns: &self.columns, items })
    }

    /// The rows that a test lets through, as a frame of their own.
    #[must_use]
    pub fn filtered(&self, keep: impl Fn(Row<'_>) -> bool) -> Self {
        let rows = self.iter().filter(|r| keep(*r)).map(|r| r.items.to_vec()).collect();
        Self { columns: self.columns.clone(), rows }
    }

    /// The frame as a record batch; a column is whole numbers, numbers or text by what is in it, and nullable.
    ///
    /// # Errors
    /// When arrow refuses the columns, which have one length.
    pub fn batch(&self) -> Result<RecordBatch, ArrowError> {
        let (mut fields, mut arrays) = (Vec::new(), Vec::new());
        for (i, name) in self.columns.iter().enumerate() {
            let items = || self.rows.iter().map(|r| &r[i]);
            let array: ArrayRef = if items().any(|v| matches!(v, Item::Text(_))) {
                Arc::new(items().map(Item::text).collect::<StringArray>())
            } else if items().all(|v| matches!(v, Item::Count(_))) && !self.rows.is_empty() {
                Arc::new(items().map(Item::count).collect::<Int64Array>())
            } else {
                Arc::new(items().map(Item::number).collect::<Float64Array>())
            };
            fields.push(Field::new(name, array.data_type().clone(), *array.data_type() != DataType::Null));
            arrays.push(array);
        }
        RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays)
    }

    /// The frame as an array of JSON objects.
    pub fn json(&self) -> Value {
        let object = |row: &Vec<Item>| {
            let pairs = self.columns.iter().cloned().zip(row.iter().map(Item::json));
            Value::Object(pairs.collect::<Map<_, _>>())
        };
        self.rows.iter().map(object).collect()
    }

    /// The frame as RFC 4180 text with a header line, empty cells for what is not known.
    pub fn csv(&self) -> String {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let written = writer
            .write_record(&self.columns)
            .and_then(|()| self.rows.iter().try_for_each(|row| writer.write_record(row.iter().map(Item::exact))));
        written.expect("writing to memory and equal lengths cannot fail");
        String::from_utf8(writer.into_inner().expect("flushing to memory cannot fail")).expect("every cell is UTF-8")
    }
}

impl<'a> Row<'a> {
    fn item(&self, column: &str) -> Option<&'a Item> {
        self.items.get(self.columns.iter().position(|c| c == column)?)
    }

    /// A number; `None` where it is not known or there is no such column.
    pub fn number(&self, column: &str) -> Option<f64> {
        self.item(column)?.number()
    }

    /// A text.
    pub fn text(&self, column: &str) -> Option<&'a str> {
        self.item(column)?.text()
    }
}

impl Item {
    fn number(&self) -> Option<f64> {
        match self {
            Self::Number(v) => Some(*v),
            Self::Count(v) => Some(*v as f64),
            Self::Null | Self::Text(_) => None,
        }
    }

    fn count(&self) -> Option<i64> {
        match self {
            Self::Count(v) => Some(*v),
            _ => None,
        }
    }

    fn text(&self) -> Option<&str> {
        match self {
            Self::Text(t) => Some(t),
            _ => None,
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Null => Value::Null,
            Self::Count(v) => Value::from(*v),
            Self::Number(v) => Value::from(*v),
            Self::Text(t) => Value::from(t.as_str()),
        }
    }

    fn exact(&self) -> String {
        match self {
            Self::Null => String::new(),
            Self::Count(v) => v.to_string(),
            Self::Number(v) => v.to_string(),
            Self::Text(t) => t.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_is_csv_json_and_arrow() {
        let frame = Frame {
            columns: ["vehicle", "trips", "km"].map(str::to_owned).to_vec(),
            rows: vec![
                vec![Item::Text("skerry-1".to_owned()), Item::Count(3), Item::Number(1.5)],
                vec![Item::Text("skerry-2".to_owned()), Item::Count(0), Item::Null],
            ],
        };
        assert_eq!(frame.csv(), "vehicle,trips,km\nskerry-1,3,1.5\nskerry-2,0,\n");
        assert!(frame.json()[1]["km"].is_null());
        let batch = frame.batch().expect("a batch");
        assert_eq!(batch.schema().field(1).data_type(), &DataType::Int64);
        assert_eq!(batch.column(2).null_count(), 1);
        assert_eq!(frame.iter().nth(1).expect("a row").number("trips"), Some(0.0));
    }
}

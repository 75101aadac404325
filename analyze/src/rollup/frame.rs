//! The result of a statement: named columns of numbers and texts.

use std::{cmp::Ordering, sync::Arc};

use arrow::{
    array::{Array as _, ArrayRef, AsArray, Float64Array, Int64Array, RecordBatch, StringArray},
    datatypes::{DataType, Field, Float64Type, Int32Type, Int64Type, Schema},
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

    /// The cells of a record batch.
    ///
    /// # Errors
    /// When a column is neither numbers, whole numbers nor text.
    pub fn of(batch: &RecordBatch) -> Result<Self, String> {
        let columns: Vec<String> = batch.schema().fields().iter().map(|f| f.name().clone()).collect();
        let mut read = Vec::new();
        for name in &columns {
            read.push(
                items(batch, name).ok_or_else(|| format!("column `{name}` has a type that no result has"))?.into_iter(),
            );
        }
        let row = |_| read.iter_mut().map(|column| column.next().unwrap_or(Item::Null)).collect();
        Ok(Self { rows: (0..batch.num_rows()).map(row).collect(), columns })
    }

    /// Adds the rows of another frame with the same columns.
    ///
    /// # Errors
    /// When its columns are others.
    pub fn append(&mut self, more: Self) -> Result<(), String> {
        if self.columns.is_empty() {
            self.columns = more.columns;
        } else if self.columns != more.columns {
            return Err(format!("columns {} are not {}", more.columns.join(", "), self.columns.join(", ")));
        }
        self.rows.extend(more.rows);
        Ok(())
    }

    /// The rows in the order of some columns.
    #[must_use]
    pub fn sorted(mut self, columns: &[&str]) -> Self {
        let at: Vec<usize> = columns.iter().filter_map(|name| self.columns.iter().position(|c| c == name)).collect();
        let order = |a: &Vec<Item>, b: &Vec<Item>| {
            at.iter().map(|i| a[*i].order(&b[*i])).find(|o| o.is_ne()).unwrap_or(Ordering::Equal)
        };
        self.rows.sort_by(order);
        self
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

    /// Numbers by value, texts by their bytes.
    fn order(&self, other: &Self) -> Ordering {
        match (self.number(), other.number()) {
            (Some(a), Some(b)) => a.total_cmp(&b),
            _ => self.text().cmp(&other.text()),
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

/// A column's cells, whatever of the table's types it has.
pub(super) fn items(batch: &RecordBatch, name: &str) -> Option<Vec<Item>> {
    let column = batch.column_by_name(name)?;
    let rows = 0..column.len();
    let known = |i: usize, item: Item| if column.is_null(i) { Item::Null } else { item };
    Some(match column.data_type() {
        DataType::Float64 => {
            let values = column.as_primitive::<Float64Type>();
            rows.map(|i| known(i, Item::Number(values.value(i)))).collect()
        }
        DataType::Int64 => {
            let values = column.as_primitive::<Int64Type>();
            rows.map(|i| known(i, Item::Count(values.value(i)))).collect()
        }
        DataType::Utf8 => {
            let values = column.as_string::<i32>();
            rows.map(|i| known(i, Item::Text(values.value(i).to_owned()))).collect()
        }
        DataType::Dictionary(_, _) => {
            let values = column.as_dictionary_opt::<Int32Type>()?.downcast_dict::<arrow::array::StringArray>()?;
            values.into_iter().map(|v| v.map_or(Item::Null, |v| Item::Text(v.to_owned()))).collect()
        }
        _ => return None,
    })
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
        assert_eq!(Frame::of(&batch), Ok(frame.clone()));
        let turned = frame.clone().sorted(&["trips", "vehicle"]);
        assert_eq!(turned.iter().map(|r| r.text("vehicle")).collect::<Vec<_>>(), [Some("skerry-2"), Some("skerry-1")]);
        assert!(turned.clone().append(Frame::default()).is_err());
    }
}

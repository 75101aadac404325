//! Reads the raw tables of a sealed session back, row by row.

use std::{fs::File, path::Path};

use arrow::{
    array::{Array, AsArray, RecordBatch},
    datatypes::{Int32Type, Int64Type, UInt8Type, UInt16Type, UInt32Type},
};
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};
use tallywheel_schemas::Rig;

use super::RebuildError;
use crate::message::CanFrame;

const BATCH_ROWS: usize = 8192;

/// A raw table read in the order of its rows.
pub(super) struct RawTable {
    reader: Option<ParquetRecordBatchReader>,
    batch: Option<RecordBatch>,
    row: usize,
    path: std::path::PathBuf,
}

impl RawTable {
    /// Opens a table's file; a session without that table has no rows.
    pub(super) fn open(path: Option<&Path>) -> Result<Self, RebuildError> {
        let reader = match path {
            None => None,
            Some(path) => {
                let file = File::open(path).map_err(crate::durable::FileError::io("open", path))?;
                let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(RebuildError::parquet(path))?;
                Some(builder.with_batch_size(BATCH_ROWS).build().map_err(RebuildError::parquet(path))?)
            }
        };
        let path = path.map(Path::to_owned).unwrap_or_default();
        Ok(Self { reader, batch: None, row: 0, path })
    }

    /// Time of the row that is next, `None` after the last.
    pub(super) fn peek(&mut self) -> Result<Option<i64>, RebuildError> {
        while self.batch.as_ref().is_none_or(|b| self.row == b.num_rows()) {
            let Some(next) = self.reader.as_mut().and_then(Iterator::next) else { return Ok(None) };
            self.batch = Some(next.map_err(|e| RebuildError::parquet(&self.path)(e.into()))?);
            self.row = 0;
        }
        let time = self.batch.as_ref().and_then(|b| b.column_by_name("t_us")?.as_primitive_opt::<Int64Type>());
        time.map(|t| Some(t.value(self.row))).ok_or_else(|| self.foreign("t_us"))
    }

    fn foreign(&self, column: &'static str) -> RebuildError {
        RebuildError::Column { path: self.path.clone(), column }
    }

    fn text<'a>(&'a self, batch: &'a RecordBatch, column: &'static str) -> Result<&'a str, RebuildError> {
        let array = batch.column_by_name(column).ok_or_else(|| self.foreign(column))?;
        if let Some(text) = array.as_string_opt::<i32>() {
            return Ok(text.value(self.row));
        }
        let keys = array.as_dictionary_opt::<Int32Type>().ok_or_else(|| self.foreign(column))?;
        let values = keys.values().as_string_opt::<i32>().ok_or_else(|| self.foreign(column))?;
        Ok(values.value(keys.keys().value(self.row) as usize))
    }

    /// The next frame and its port.
    pub(super) fn frame(&mut self, rig: &Rig) -> Result<(Option<usize>, CanFrame), RebuildError> {
        let read = |table: &Self, batch: &RecordBatch| {
            let row = table.row;
            let missing = |column| move || table.foreign(column);
            let flag = |column| {
                let array =
                    batch.column_by_name(column).and_then(|c| c.as_boolean_opt()).ok_or_else(missing(column))?;
                Ok::<_, RebuildError>(array.value(row))
            };
            let id = batch.column_by_name("id").and_then(|c| c.as_primitive_opt::<UInt32Type>());
            let data = batch.column_by_name("data").and_then(|c| c.as_binary_opt::<i32>());
            let dlc = batch.column_by_name("dlc").and_then(|c| c.as_primitive_opt::<UInt8Type>());
            let fd = batch.column_by_name("fd_flags").and_then(|c| c.as_primitive_opt::<UInt8Type>());
            let ms = batch.column_by_name("device_ms").and_then(|c| c.as_primitive_opt::<UInt16Type>());
            let id = id.ok_or_else(missing("id"))?.value(row);
            let mut frame = CanFrame::new(id, flag("extended")?);
            let data = data.ok_or_else(missing("data"))?.value(row);
            let length = u8::try_from(data.len()).ok().filter(|l| *l <= 64).ok_or_else(missing("data"))?;
            frame.data_mut(length).copy_from_slice(data);
            frame.remote = flag("remote")?;
            frame.dlc = dlc.ok_or_else(missing("dlc"))?.value(row);
            frame.fd_flags = fd.filter(|a| a.is_valid(row)).map(|a| a.value(row));
            frame.device_ms = ms.filter(|a| a.is_valid(row)).map(|a| a.value(row));
            frame.transmitted = table.text(batch, "direction")? == "tx";
            Ok((port_index(rig, table.text(batch, "port")?), frame))
        };
        self.take(read)
    }

    /// The next line and its port.
    pub(super) fn line(&mut self, rig: &Rig) -> Result<(Option<usize>, String), RebuildError> {
        self.take(|table, batch| {
            let port = port_index(rig, table.text(batch, "port")?);
            Ok((port, table.text(batch, "text")?.to_owned()))
        })
    }

    /// The next event's kind and text.
    pub(super) fn event(&mut self) -> Result<(String, String), RebuildError> {
        self.take(|table, batch| Ok((table.text(batch, "kind")?.to_owned(), table.text(batch, "text")?.to_owned())))
    }

    /// Reads from the row that [`RawTable::peek`] found, and moves on.
    fn take<T>(
        &mut self,
        read: impl FnOnce(&Self, &RecordBatch) -> Result<T, RebuildError>,
    ) -> Result<T, RebuildError> {
        let batch = self.batch.clone().ok_or_else(|| self.foreign("t_us"))?;
        let value = read(self, &batch)?;
        self.row += 1;
        Ok(value)
    }
}

fn port_index(rig: &Rig, name: &str) -> Option<usize> {
    rig.ports.iter().position(|p| p.name == name)
}

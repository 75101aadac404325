//! The rows of one table as checked record batches.

use std::{
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
};

use arrow::{
    array::{Array, AsArray, Int64Array, RecordBatch},
    datatypes::Int64Type,
};
use parquet::{
    arrow::{
        ProjectionMask,
        arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder},
    },
    file::{metadata::ParquetMetaData, statistics::Statistics},
};
use tallywheel_schemas::{
    Timestamp,
    compacted::SealedFiles,
    manifest::{ClockFit, FileRecord},
};

use super::{
    Damage,
    verify::{Verified, damaged, verify},
};

/// Rows decoded at a time: the samples of a few seconds of every channel, well inside the second-level cache.
const BATCH_ROWS: usize = 8192;

/// The rows of one table in time order, a batch at a time. Every batch has a `t_us` column that never decreases;
/// `t_us` comes along whether it is asked for or not.
pub struct TableRows {
    reader: Option<ParquetRecordBatchReader>,
    record: Option<FileRecord>,
    /// Rows that are still to come if all goes well.
    left: u64,
    last_t_us: i64,
    damage: Vec<Damage>,
    /// What the host's clock was off by, added to every stamp.
    clock_fit: Option<ClockFit>,
}

impl std::fmt::Debug for TableRows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TableRows").field("left", &self.left).field("damage", &self.damage).finish_non_exhaustive()
    }
}

impl TableRows {
    pub(super) const fn none() -> Self {
        Self { reader: None, record: None, left: 0, last_t_us: i64::MIN, damage: Vec::new(), clock_fit: None }
    }

    pub(super) fn open(
        files: &SealedFiles,
        record: &FileRecord,
        columns: &[&str],
        clock_fit: Option<&ClockFit>,
    ) -> Self {
        let clock_fit = clock_fit.filter(|fit| fit.correction_us(fit.at_us) != 0).cloned();
        let mut rows = Self { record: Some(record.clone()), clock_fit, ..Self::none() };
        let Some(verified) = verify(files, record, &mut rows.damage) else { return rows };
        rows.left = verified.groups.iter().filter_map(|g| record.row_groups.get(*g)).map(|g| g.rows).sum();
        match reader(verified, columns) {
            Ok(reader) => rows.reader = Some(reader),
            Err(reason) => rows.give_up(&reason),
        }
        rows
    }

    /// What could not be trusted so far; complete once the last batch has been taken.
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// What could not be trusted, the reading done.
    pub fn into_damage(self) -> Vec<Damage> {
        self.damage
    }

    fn give_up(&mut self, reason: &str) {
        self.reader = None;
        self.note(self.left, reason);
    }

    fn note(&mut self, rows: u64, reason: &str) {
        if let Some(record) = &self.record {
            self.damage.push(damaged(record, rows, reason));
        }
    }

    /// Whether the batch's stamps never decrease, across batches too.
    fn in_order(&mut self, batch: &RecordBatch) -> bool {
        let Some(times) = batch.column_by_name("t_us").and_then(|c| c.as_primitive_opt::<Int64Type>()) else {
            return false;
        };
        let (Some(first), Some(last)) = (times.values().first(), times.values().last()) else { return true };
        let ordered = *first >= self.last_t_us && times.null_count() == 0 && times.values().is_sorted();
        if ordered {
            self.last_t_us = *last;
        }
        ordered
    }
}

impl Iterator for TableRows {
    type Item = RecordBatch;

    fn next(&mut self) -> Option<RecordBatch> {
        loop {
            let reader = self.reader.as_mut()?;
            // The bytes have matched their hash, so this only guards against files that were sealed broken.
            match catch_unwind(AssertUnwindSafe(|| reader.next())) {
                Ok(Some(Ok(batch))) => {
                    self.left = self.left.saturating_sub(batch.num_rows() as u64);
                    if self.in_order(&batch) {
                        return Some(match &self.clock_fit {
                            Some(fit) => put_right(&batch, fit),
                            None => batch,
                        });
                    }
                    self.note(batch.num_rows() as u64, "time stamps run backwards");
                }
                Ok(Some(Err(error))) => self.give_up(&error.to_string()),
                Ok(None) => return None,
                Err(_) => self.give_up("cannot be decoded"),
            }
        }
    }
}

/// The same rows with their stamps put right. The line of a fit is so flat that their order stays.
fn put_right(batch: &RecordBatch, fit: &ClockFit) -> RecordBatch {
    let Some((index, _)) = batch.schema_ref().column_with_name("t_us") else { return batch.clone() };
    let times = batch.column(index).as_primitive::<Int64Type>();
    let right: Int64Array = times.unary(|t| t.saturating_add(fit.correction_us(Timestamp::from_us(t))));
    let mut columns = batch.columns().to_vec();
    columns[index] = Arc::new(right);
    RecordBatch::try_new(batch.schema(), columns).expect("the same columns, one with other values")
}

fn reader(verified: Verified, columns: &[&str]) -> Result<ParquetRecordBatchReader, String> {
    let schema = verified.metadata.parquet_schema();
    let filled = columns.iter().copied().filter(|c| holds_values(verified.metadata.metadata(), c));
    let wanted = ["t_us"].into_iter().chain(filled);
    let mask = ProjectionMask::columns(schema, wanted);
    ParquetRecordBatchReaderBuilder::new_with_metadata(verified.bytes, verified.metadata.clone())
        .with_projection(mask)
        .with_row_groups(verified.groups)
        .with_batch_size(BATCH_ROWS)
        .build()
        .map_err(|e| e.to_string())
}

/// Whether a column has a value anywhere, as far as the file's statistics tell. A column of nothing but nulls is not
/// worth decoding.
fn holds_values(metadata: &ParquetMetaData, column: &str) -> bool {
    let Some(index) =
        metadata.file_metadata().schema_descr().columns().iter().position(|c| c.path().string() == column)
    else {
        return false;
    };
    metadata.row_groups().iter().any(|group| {
        let chunk = group.column(index);
        let nulls = chunk.statistics().and_then(Statistics::null_count_opt);
        nulls.is_none_or(|n| i64::try_from(n).is_ok_and(|n| n < chunk.num_values()))
    })
}

//! Reading sealed sessions back, for tests.

use std::{fs::File, path::Path};

use arrow::{
    array::{AsArray, RecordBatch},
    compute::concat_batches,
    datatypes::{Float64Type, Int32Type, Int64Type, UInt16Type, UInt32Type},
};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tallywheel_schemas::{Digest, Manifest, Table};

/// All rows of one table of a session; `None` when it has no such file.
pub(crate) fn rows(dataset: &Path, manifest: &Manifest, table: Table) -> Option<RecordBatch> {
    let record = manifest.file(table)?;
    let file = File::open(dataset.join(&record.path)).expect("the manifest's file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet").build().expect("a reader");
    let batches: Vec<RecordBatch> = reader.map(|b| b.expect("a batch")).collect();
    Some(concat_batches(&table.schema(), &batches).expect("the table's schema"))
}

pub(crate) fn ints(batch: &RecordBatch, column: &str) -> Vec<Option<i64>> {
    batch.column_by_name(column).expect("a column").as_primitive::<Int64Type>().iter().collect()
}

pub(crate) fn times(batch: &RecordBatch) -> Vec<i64> {
    ints(batch, "t_us").into_iter().flatten().collect()
}

pub(crate) fn floats(batch: &RecordBatch, column: &str) -> Vec<Option<f64>> {
    batch.column_by_name(column).expect("a column").as_primitive::<Float64Type>().iter().collect()
}

pub(crate) fn device_ms(batch: &RecordBatch) -> Vec<Option<u16>> {
    batch.column_by_name("device_ms").expect("a column").as_primitive::<UInt16Type>().iter().collect()
}

pub(crate) fn ids(batch: &RecordBatch) -> Vec<u32> {
    batch.column_by_name("id").expect("a column").as_primitive::<UInt32Type>().values().to_vec()
}

pub(crate) fn data(batch: &RecordBatch) -> Vec<Vec<u8>> {
    batch.column_by_name("data").expect("a column").as_binary::<i32>().iter().flatten().map(<[u8]>::to_vec).collect()
}

pub(crate) fn texts(batch: &RecordBatch, column: &str) -> Vec<String> {
    let column = batch.column_by_name(column).expect("a column");
    if let Some(text) = column.as_string_opt::<i32>() {
        return text.iter().flatten().map(str::to_owned).collect();
    }
    let column = column.as_dictionary::<Int32Type>();
    let values = column.values().as_string::<i32>();
    column.keys().values().iter().map(|k| values.value(*k as usize).to_owned()).collect()
}

/// Checks every hash of a manifest against the bytes on the disk.
pub(crate) fn verify(dataset: &Path, manifest: &Manifest) {
    for record in &manifest.files {
        let bytes = std::fs::read(dataset.join(&record.path)).expect("the manifest's file");
        assert_eq!(Digest::of(&bytes), record.blake3, "{}", record.path);
        assert_eq!(bytes.len() as u64, record.bytes);
        assert_eq!(record.row_groups.iter().map(|g| g.rows).sum::<u64>(), record.rows);
        for group in &record.row_groups {
            let (from, to) = (group.offset as usize, (group.offset + group.length) as usize);
            assert_eq!(Digest::of(&bytes[from..to]), group.blake3, "{}", record.path);
        }
    }
    let stored = Manifest::read(&dataset.join(manifest.path())).expect("the manifest on disk");
    assert_eq!(&stored, manifest);
}

/// Every file below a directory, relative, sorted.
pub(crate) fn tree(root: &Path) -> Vec<String> {
    fn walk(root: &Path, directory: &Path, out: &mut Vec<String>) {
        for entry in std::fs::read_dir(directory).expect("a directory") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                walk(root, &path, out);
            } else {
                out.push(path.strip_prefix(root).expect("below the root").to_string_lossy().into_owned());
            }
        }
    }
    let mut out = Vec::new();
    walk(root, root, &mut out);
    out.sort();
    out
}

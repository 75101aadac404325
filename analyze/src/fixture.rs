//! Sealed sessions made from columns in memory, for tests of what reads datasets.

use std::{collections::BTreeMap, fs, io, path::Path, sync::Arc};

use arrow::{
    array::{ArrayRef, BooleanArray, DictionaryArray, Float64Array, Int64Array, RecordBatch, new_null_array},
    datatypes::Int32Type,
};
use parquet::arrow::ArrowWriter;
use tallywheel_schemas::{
    Domain, Manifest, RunSheet, Table, Timestamp,
    manifest::{FileRecord, MANIFEST_VERSION, Origin, RigRecord},
};

/// Rows of one decoded table. Columns that are not given are null.
#[derive(Debug, Clone)]
pub struct Columns {
    domain: Domain,
    t_us: Vec<i64>,
    arrays: BTreeMap<String, ArrayRef>,
}

impl Columns {
    /// Rows at these stamps.
    pub fn new(domain: Domain, t_us: Vec<i64>) -> Self {
        Self { domain, t_us, arrays: BTreeMap::new() }
    }

    /// Adds a column of floats.
    #[must_use]
    pub fn floats(mut self, name: &str, values: impl IntoIterator<Item = Option<f64>>) -> Self {
        let array: Float64Array = values.into_iter().collect();
        self.arrays.insert(name.to_owned(), Arc::new(array));
        self
    }

    /// Adds a column of floats without nulls.
    #[must_use]
    pub fn all(self, name: &str, values: impl IntoIterator<Item = f64>) -> Self {
        self.floats(name, values.into_iter().map(Some))
    }

    /// Adds a column of integers.
    #[must_use]
    pub fn ints(mut self, name: &str, values: impl IntoIterator<Item = Option<i64>>) -> Self {
        let array: Int64Array = values.into_iter().collect();
        self.arrays.insert(name.to_owned(), Arc::new(array));
        self
    }

    /// Adds a column of booleans.
    #[must_use]
    pub fn bools(mut self, name: &str, values: impl IntoIterator<Item = Option<bool>>) -> Self {
        let array: BooleanArray = values.into_iter().collect();
        self.arrays.insert(name.to_owned(), Arc::new(array));
        self
    }

    /// Adds the column of motor positions.
    #[must_use]
    pub fn positions<'a>(mut self, values: impl IntoIterator<Item = &'a str>) -> Self {
        let array: DictionaryArray<Int32Type> = values.into_iter().collect();
        self.arrays.insert("position".to_owned(), Arc::new(array));
        self
    }

    /// The rows as a batch of their table's schema.
    ///
    /// # Errors
    /// When a column's name, type or length does not fit the table.
    pub fn batch(&self, session: &str) -> io::Result<RecordBatch> {
        let schema = Table::Decoded(self.domain).schema();
        if let Some(name) = self.arrays.keys().find(|n| schema.index_of(n).is_err()) {
            return Err(io::Error::other(format!("{} has no column {name}", self.domain.name())));
        }
        let names: DictionaryArray<Int32Type> = self.t_us.iter().map(|_| session).collect();
        let arrays = schema.fields().iter().map(|field| match field.name().as_str() {
            "session" => Arc::new(names.clone()) as ArrayRef,
            "t_us" => Arc::new(Int64Array::from(self.t_us.clone())),
            name => match self.arrays.get(name) {
                Some(array) => Arc::clone(array),
                None => new_null_array(field.data_type(), self.t_us.len()),
            },
        });
        RecordBatch::try_new(Arc::clone(&schema), arrays.collect()).map_err(io::Error::other)
    }
}

/// A session to be sealed.
#[derive(Debug, Clone)]
pub struct Sealed {
    /// Name.
    pub session: String,
    /// Rig, as a TOML text.
    pub rig: String,
    /// Run sheet.
    pub run: Option<RunSheet>,
    /// Decoded tables.
    pub tables: Vec<Columns>,
    /// Rows of a row group.
    pub group_rows: usize,
}

impl Sealed {
    /// A session with these tables, in row groups of the usual size.
    pub fn new(session: &str, rig: &str, tables: Vec<Columns>) -> Self {
        let group_rows = tallywheel_schemas::table::ROW_GROUP_ROWS;
        Self { session: session.to_owned(), rig: rig.to_owned(), run: None, tables, group_rows }
    }

    /// Writes the session below a dataset's root: the tables, then the manifest.
    ///
    /// # Errors
    /// When the rig is not valid, the columns do not fit, or a file cannot be written.
    pub fn write(&self, root: &Path) -> io::Result<Manifest> {
        let stamps = || self.tables.iter().flat_map(|t| &t.t_us).copied();
        let rig = tallywheel_schemas::Rig::parse(tallywheel_schemas::TextFile::new("rig.toml", self.rig.as_str()))
            .map_err(io::Error::other)?;
        let mut manifest = Manifest {
            schema: MANIFEST_VERSION,
            session: self.session.clone(),
            vehicle: rig.vehicle.clone(),
            start_us: Timestamp::from_us(stamps().min().unwrap_or_default()),
            end_us: Timestamp::from_us(stamps().max().unwrap_or_default()),
            software: "fixture".to_owned(),
            origin: Origin::Recorded,
            clock: "made up".to_owned(),
            rig: RigRecord { file: "rig.toml".to_owned(), blake3: rig.digest(), text: self.rig.clone() },
            earlier_rigs: Vec::new(),
            run: self.run.clone(),
            ports: Vec::new(),
            channels: Vec::new(),
            gaps: Vec::new(),
            clock_fit: None,
            follows: None,
            followed_by: None,
            notes: Vec::new(),
            files: Vec::new(),
            seal: None,
        };
        for table in &self.tables {
            manifest.files.push(self.write_table(root, &manifest, table)?);
        }
        let manifest = manifest.sealed();
        let path = root.join(manifest.path());
        fs::create_dir_all(path.parent().unwrap_or(root))?;
        fs::write(path, manifest.to_json())?;
        Ok(manifest)
    }

    fn write_table(&self, root: &Path, manifest: &Manifest, columns: &Columns) -> io::Result<FileRecord> {
        let table = Table::Decoded(columns.domain);
        let path = table.path(&manifest.vehicle, &manifest.start_us.date(), &self.session);
        let batch = columns.batch(&self.session)?;
        let mut bytes = Vec::new();
        let mut writer = ArrowWriter::try_new(&mut bytes, batch.schema(), Some(table.writer_properties()))?;
        for start in (0..batch.num_rows()).step_by(self.group_rows) {
            writer.write(&batch.slice(start, self.group_rows.min(batch.num_rows() - start)))?;
            writer.flush()?;
        }
        let metadata = writer.close()?;
        let full = root.join(&path);
        fs::create_dir_all(full.parent().unwrap_or(root))?;
        fs::write(&full, &bytes)?;
        FileRecord::of(table, &path, &metadata, bytes.len() as u64, &bytes[..])
    }
}

//! Sealing a dataset anew whose tables were changed on purpose.

use std::{error::Error, fs, path::Path};

use parquet::file::reader::{FileReader as _, SerializedFileReader};
use tallywheel_schemas::{Manifest, Table, manifest::FileRecord};

use super::measure::files;

/// Gives every manifest the hashes that its files have now.
///
/// # Errors
/// When a manifest or a table cannot be read, or a manifest not be written.
pub fn reseal(root: &Path) -> Result<(), Box<dyn Error>> {
    for path in files(&root.join("sessions"), "json")? {
        let mut manifest = Manifest::read(&path)?;
        for record in &mut manifest.files {
            let file = root.join(&record.path);
            let table = Table::from_name(&record.table).ok_or("a table without a name")?;
            let reader = SerializedFileReader::new(fs::File::open(&file)?)?;
            let bytes = fs::metadata(&file)?.len();
            *record = FileRecord::of(table, Path::new(&record.path), reader.metadata(), bytes, fs::File::open(&file)?)?;
        }
        fs::write(&path, manifest.sealed().to_json())?;
    }
    Ok(())
}

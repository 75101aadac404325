//! Removing derived files that nothing stands behind. They are safe to delete; left alone they would be counted by
//! whoever reads a whole table.

use std::{
    collections::HashSet,
    fs,
    path::{Path, PathBuf},
    time::{Duration, SystemTime},
};

use tallywheel_schemas::{Table, table::WORK_DIRECTORY};

use crate::dataset::{Dataset, Filter, Session};

/// Age from which what a killed process left is removed. A running one takes seconds.
const STALE: Duration = Duration::from_secs(3600);

/// Removes the derived files of a session.
pub(super) fn forget(session: &Session) {
    for table in Table::DERIVED {
        // Not there, or not to be removed: then the dataset cannot be written to, and the session is named anyway.
        let _ = session.disk().remove_if_there(&session.derived_path(table));
    }
}

/// Removes the derived files of sessions that the dataset does not have, as far as its vehicles were looked at, and old
/// unfinished files; gives the former, below the root.
pub(super) fn sweep(dataset: &Dataset) -> Vec<PathBuf> {
    let (disk, root) = (dataset.disk(), dataset.root());
    let sessions = dataset.sessions(&Filter::default());
    let wanted: HashSet<PathBuf> =
        sessions.iter().flat_map(|s| Table::DERIVED.into_iter().map(|t| s.derived_path(t))).collect();
    let mut removed = Vec::new();
    let found = |table: Table| -> Vec<PathBuf> {
        let directory = root.join(table.name());
        match dataset.vehicles() {
            [] => files(&directory, 3).collect(),
            some => some.iter().flat_map(|v| files(&directory.join(format!("vehicle={v}")), 2)).collect(),
        }
    };
    for path in Table::DERIVED.into_iter().flat_map(found) {
        let ours = path.extension().is_some_and(|e| e == "parquet");
        if ours && !wanted.contains(&path) && disk.remove_if_there(&path).is_ok() {
            removed.push(path.strip_prefix(root).unwrap_or(&path).to_owned());
        }
    }
    for path in files(&root.join(WORK_DIRECTORY), 1).filter(|p| p.extension().is_some_and(|e| e == "partial")) {
        let changed = fs::metadata(&path).and_then(|m| m.modified());
        if changed.is_ok_and(|t| SystemTime::now().duration_since(t).is_ok_and(|age| age > STALE)) {
            let _ = disk.remove_if_there(&path);
        }
    }
    removed.sort();
    removed
}

/// Visible files exactly `depth` levels below a directory.
fn files(directory: &Path, depth: usize) -> Box<dyn Iterator<Item = PathBuf>> {
    let entries = fs::read_dir(directory).into_iter().flatten().flatten();
    let visible = entries.filter(|e| !e.file_name().as_encoded_bytes().starts_with(b"."));
    if depth == 1 {
        return Box::new(visible.filter(|e| e.file_type().is_ok_and(|t| t.is_file())).map(|e| e.path()));
    }
    let below = visible.filter(|e| e.file_type().is_ok_and(|t| t.is_dir()));
    Box::new(below.flat_map(move |e| files(&e.path(), depth - 1)))
}

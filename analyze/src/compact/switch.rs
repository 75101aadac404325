//! Changing places: a day's files for the sessions' own, and back.

use std::{
    io,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{
    Digest, Manifest,
    compacted::{CompactedDay, CompactedFile, SealedFiles},
    manifest::{FileRecord, Seal},
};

use super::{CompactError, table_directory};
use crate::disk::Disk;

/// Whether a day's files are all in their places and no session's own file is left.
pub(super) fn is_switched(root: &Path, day: &CompactedDay) -> bool {
    let own = |file: &CompactedFile| file.parts.iter().any(|p| root.join(&p.path).exists());
    day.files.iter().all(|f| root.join(&f.file.path).exists() && !own(f))
}

/// Lets the sessions' own files make way. Before the first is removed, everything is checked once more: that the
/// manifests are as they were sealed, and that each file can be had from the day's.
pub(super) fn switch(
    root: &Path,
    disk: &Disk,
    files: &SealedFiles,
    day: &CompactedDay,
) -> Result<Result<(), String>, CompactError> {
    if let Err(reason) = check(root, files, day) {
        return Ok(Err(reason));
    }
    for file in &day.files {
        for part in &file.parts {
            let path = root.join(&part.path);
            disk.remove_if_there(&path).map_err(CompactError::io(&path))?;
        }
        let place = root.join(&file.file.path);
        if !place.exists() {
            let waiting = root.join(day.waiting(file));
            let directory = table_directory(root, day, &file.file.table);
            let moved = disk.make_directory(&directory).and_then(|()| disk.publish(&waiting, &place));
            moved.map_err(CompactError::io(&place))?;
        }
    }
    Ok(Ok(()))
}

fn check(root: &Path, files: &SealedFiles, day: &CompactedDay) -> Result<(), String> {
    for file in &day.files {
        for part in &file.parts {
            let record = record(root, day, &part.session, &part.path)?;
            let bytes = files.read_compacted(&record).map_err(|e| format!("{}: {e}", part.path))?;
            if Digest::of(&bytes) != record.blake3 {
                return Err(format!("{} cannot be had from the day's file as it was sealed", part.path));
            }
        }
        let held = files.holder_of(day, file);
        let whole = std::fs::File::open(&held).and_then(Digest::of_reader);
        if whole.map_or(true, |(digest, _)| digest != file.file.blake3) {
            return Err(format!("{} does not match its hash", held.display()));
        }
    }
    Ok(())
}

/// What a session's manifest says of a file.
fn record(root: &Path, day: &CompactedDay, session: &str, path: &str) -> Result<FileRecord, String> {
    let manifest = root.join(tallywheel_schemas::table::manifest_path(&day.vehicle, &day.date, session));
    let (manifest, seal) = Manifest::read_with_seal(&manifest).map_err(|e| e.to_string())?;
    if seal == Seal::Altered {
        return Err(format!("the manifest of {session} was altered after sealing"));
    }
    let found = manifest.files.into_iter().find(|f| f.path == path);
    found.ok_or_else(|| format!("the manifest of {session} does not speak for {path}"))
}

/// Gives every session its own files again. A day's file leaves its table before theirs come back, so that no row is
/// there twice.
pub(super) fn take_back(root: &Path, disk: &Disk, files: &SealedFiles, day: &CompactedDay) -> Result<(), CompactError> {
    let wrong = |path: &str, reason: String| CompactError::Record { path: path.to_owned(), reason };
    for file in &day.files {
        let (place, waiting) = (root.join(&file.file.path), root.join(day.waiting(file)));
        if place.exists() {
            disk.rename(&place, &waiting).map_err(CompactError::io(&place))?;
        }
        for part in file.parts.iter().filter(|p| !root.join(&p.path).exists()) {
            let record = record(root, day, &part.session, &part.path).map_err(|r| wrong(&part.path, r))?;
            let bytes = files.read_compacted(&record).map_err(|e| wrong(&part.path, e.to_string()))?;
            if Digest::of(&bytes) != record.blake3 {
                let reason = "cannot be put together as it was sealed".to_owned();
                return Err(wrong(&part.path, reason));
            }
            put(root, disk, &root.join(&part.path), &bytes).map_err(CompactError::io(&root.join(&part.path)))?;
        }
    }
    // The record first: without it the rest is what a broken-off compaction leaves.
    let left = day.files.iter().map(|f| root.join(day.waiting(f))).chain([root.join(&day.rest.path)]);
    for path in [root.join(day.path())].into_iter().chain(left) {
        disk.remove_if_there(&path).map_err(CompactError::io(&path))?;
    }
    for directory in root.join(day.path()).ancestors().skip(1).take(3) {
        disk.remove_if_empty(directory).map_err(CompactError::io(directory))?;
    }
    Ok(())
}

fn put(root: &Path, disk: &Disk, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let work: PathBuf = root.join(tallywheel_schemas::table::WORK_DIRECTORY);
    disk.make_directory(&work)?;
    let partial = work.join(format!("restore.{name}.partial"));
    disk.write(&partial, bytes)?;
    disk.sync(&partial)?;
    disk.make_directory(path.parent().unwrap_or(Path::new(".")))?;
    disk.publish(&partial, path)
}

//! One session: its files fetched and checked, then put in their places, the manifest last.

use std::{
    fs::{self, File},
    io::{self, Read},
    path::{Path, PathBuf},
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
};

use tallywheel_schemas::manifest::{FileRecord, PartHasher};

use super::{
    Outcome, SessionOutcome,
    destination::Destination,
    plan::Decision,
    source::{Broken, Source},
};
use crate::progress::Progress;

pub(super) struct Copier<'a> {
    pub(super) destination: &'a Destination,
    pub(super) sources: &'a [Source],
    pub(super) stop: Option<&'a AtomicBool>,
    pub(super) progress: &'a dyn Progress,
    pub(super) fetched: &'a AtomicU64,
}

/// Why a session did not arrive.
pub(super) enum CopyFault {
    /// The dataset cannot be written to: nothing more will succeed.
    Write { path: PathBuf, source: io::Error },
    /// Asked to stop.
    Stopped,
    /// The sources do not give it out.
    Read(String),
    /// The bytes are not as sealed.
    Damaged(String),
    /// Something else is in its place.
    Taken(String),
}

impl Copier<'_> {
    /// Takes a session. What concerns only this session is an outcome; a fault is given only where no other session
    /// will fare better.
    pub(super) fn take(&self, decision: &Decision) -> Result<SessionOutcome, CopyFault> {
        let source = decision.sources.first().and_then(|i| self.sources.get(*i));
        let outcome = |outcome, reason| SessionOutcome {
            vehicle: decision.manifest.vehicle.clone(),
            session: decision.manifest.session.clone(),
            source: source.map(|s| s.name().to_owned()).unwrap_or_default(),
            outcome,
            reason,
        };
        match self.bring(decision) {
            Ok(what) => Ok(outcome(what, None)),
            Err(CopyFault::Read(reason)) => Ok(outcome(Outcome::Failed, Some(reason))),
            Err(CopyFault::Damaged(reason)) => Ok(outcome(Outcome::Damaged, Some(reason))),
            Err(CopyFault::Taken(reason)) => Ok(outcome(Outcome::Conflict, Some(reason))),
            Err(fault) => Err(fault),
        }
    }

    fn bring(&self, decision: &Decision) -> Result<Outcome, CopyFault> {
        self.go_on()?;
        let session = &decision.manifest.session;
        for record in &decision.doubtful {
            if !self.destination.holds(record) {
                return Err(CopyFault::Taken(format!("the dataset has another file at {}", record.path)));
            }
        }
        let mut parts = Vec::new();
        for record in &decision.missing {
            parts.push((self.fetch(decision, record)?, record));
        }
        let (disk, arriving) = (&self.destination.disk, self.destination.arriving(session));
        if !decision.there {
            let partial = arriving.with_extension("json.partial");
            let put = disk.write(&partial, &decision.text).and_then(|()| disk.sync(&partial));
            put.and_then(|()| disk.rename(&partial, &arriving)).map_err(write(&arriving))?;
            let directory = arriving.parent().unwrap_or(Path::new("."));
            disk.sync_directory(directory).map_err(write(directory))?;
        }
        for (part, record) in &parts {
            self.publish(part, &self.destination.root.join(&record.path))?;
        }
        if decision.there {
            return Ok(if parts.is_empty() { Outcome::There } else { Outcome::Mended });
        }
        self.publish(&arriving, &self.destination.root.join(decision.manifest.path()))?;
        Ok(Outcome::Copied)
    }

    fn publish(&self, from: &Path, to: &Path) -> Result<(), CopyFault> {
        let disk = &self.destination.disk;
        disk.make_directory(to.parent().unwrap_or(Path::new("."))).map_err(write(to))?;
        match disk.publish(from, to) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Err(CopyFault::Taken(e.to_string())),
            other => other.map_err(write(to)),
        }
    }

    fn go_on(&self) -> Result<(), CopyFault> {
        if self.stop.is_some_and(|stop| stop.load(Ordering::Relaxed)) { Err(CopyFault::Stopped) } else { Ok(()) }
    }

    /// Fetches a file from the first source that has it as it was sealed.
    fn fetch(&self, decision: &Decision, record: &FileRecord) -> Result<PathBuf, CopyFault> {
        let part = self.destination.part(&decision.manifest.session, record);
        let mut worst = CopyFault::Read(format!("{} is in no source", record.path));
        for source in decision.sources.iter().filter_map(|i| self.sources.get(*i)) {
            let resumed = fs::metadata(&part).is_ok_and(|m| m.len() > 0);
            let mut fetched = self.fetch_from(source, record, &part);
            if resumed && matches!(fetched, Err(CopyFault::Damaged(_))) {
                // What was left of an earlier try may be what is wrong.
                fetched = self.fetch_from(source, record, &part);
            }
            match fetched {
                Ok(()) => return Ok(part),
                Err(fault @ (CopyFault::Write { .. } | CopyFault::Stopped)) => return Err(fault),
                // Damage says more than absence.
                Err(fault @ CopyFault::Damaged(_)) => worst = fault,
                Err(fault) if !matches!(worst, CopyFault::Damaged(_)) => worst = fault,
                Err(_) => {}
            }
        }
        Err(worst)
    }

    /// Fetches a file from one source, going on from what is there of it. A part that does not match is removed.
    fn fetch_from(&self, source: &Source, record: &FileRecord, part: &Path) -> Result<(), CopyFault> {
        let disk = &self.destination.disk;
        let mut hasher = PartHasher::new([]);
        let mut have = hash_start(part, record.bytes, &mut hasher).map_err(write(part))?;
        if have > record.bytes {
            disk.remove_if_there(part).map_err(write(part))?;
            (hasher, have) = (PartHasher::new([]), 0);
        }
        self.progress.advance_by(have);
        if have < record.bytes || record.bytes == 0 {
            let taken = source.copy_sealed(record, have, &mut |chunk: &[u8]| {
                self.go_on()?;
                disk.append(part, chunk).map_err(write(part))?;
                hasher.update(chunk);
                self.fetched.fetch_add(chunk.len() as u64, Ordering::Relaxed);
                self.progress.advance_by(chunk.len() as u64);
                Ok(())
            });
            match taken {
                Ok(true) => {}
                Ok(false) => {
                    return Err(CopyFault::Damaged(format!("{}: {} is missing", source.name(), record.path)));
                }
                Err(Broken::Source(reason)) => return Err(CopyFault::Read(reason)),
                Err(Broken::Sink(fault)) => return Err(fault),
            }
        }
        let hashed = hasher.finish();
        if hashed.bytes == record.bytes && hashed.whole == record.blake3 {
            return disk.sync(part).map_err(write(part));
        }
        disk.remove_if_there(part).map_err(write(part))?;
        let reason = if hashed.bytes == record.bytes {
            format!("{}: {} does not match its hash", source.name(), record.path)
        } else {
            format!("{}: {} has {} bytes where {} were sealed", source.name(), record.path, hashed.bytes, record.bytes)
        };
        Err(CopyFault::Damaged(reason))
    }
}

/// Hashes what is there of a part; gives its length.
fn hash_start(part: &Path, limit: u64, hasher: &mut PartHasher) -> io::Result<u64> {
    let mut file = match File::open(part) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(0),
        Err(e) => return Err(e),
    };
    let length = file.metadata()?.len();
    if length > limit {
        return Ok(length);
    }
    let mut chunk = vec![0; 1 << 18];
    loop {
        match file.read(&mut chunk) {
            Ok(0) => return Ok(length),
            Ok(read) => hasher.update(&chunk[..read]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

fn write(path: &Path) -> impl FnOnce(io::Error) -> CopyFault {
    let path = path.to_owned();
    move |source| CopyFault::Write { path, source }
}

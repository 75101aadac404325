//! Which sessions the sources have, and what is to be done about each, before a table is read.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Component, Path},
};

use bytes::Bytes;
use tallywheel_schemas::{
    Manifest, Table,
    manifest::{FileRecord, Seal},
};

use super::{
    CollectError, Outcome, SessionOutcome,
    destination::{Destination, Place},
    source::Source,
};

/// What is to be done.
pub(super) struct Plan {
    pub(super) wanted: Vec<Decision>,
    /// Sessions of which nothing is taken.
    pub(super) refused: Vec<SessionOutcome>,
}

/// A session to be taken, or to be found complete.
pub(super) struct Decision {
    pub(super) manifest: Manifest,
    /// Its manifest as it is in the sources.
    pub(super) text: Bytes,
    /// Its manifest is in the dataset.
    pub(super) there: bool,
    /// Sources that have this very manifest, in the order given.
    pub(super) sources: Vec<usize>,
    /// Files of which there is nothing in the dataset.
    pub(super) missing: Vec<FileRecord>,
    /// Files whose place holds something of the same length.
    pub(super) doubtful: Vec<FileRecord>,
}

impl Decision {
    /// Bytes that are to be fetched.
    pub(super) fn bytes(&self) -> u64 {
        self.missing.iter().map(|f| f.bytes).sum()
    }
}

impl Plan {
    pub(super) fn new(sources: &[Source], destination: &Destination) -> Result<Self, CollectError> {
        let (mut wanted, mut refused): (BTreeMap<String, Decision>, _) = (BTreeMap::new(), Vec::new());
        for (index, source) in sources.iter().enumerate() {
            let sealed = source.list("sessions")?;
            let manifests: Vec<&String> = sealed.iter().filter(|p| is_manifest(p)).collect();
            let recording = recordings(source)?;
            if manifests.is_empty() && recording.is_empty() {
                return Err(super::SourceError::Foreign { name: source.name().to_owned() }.into());
            }
            let mut names = BTreeSet::new();
            for path in manifests {
                let found = Found { index, source, path };
                names.insert(found.session().to_owned());
                if let Err(outcome) = found.decide(&mut wanted, destination) {
                    refused.push(outcome);
                }
            }
            refused.extend(recording.into_iter().filter(|s| !names.contains(s)).map(|session| SessionOutcome {
                vehicle: String::new(),
                session,
                source: source.name().to_owned(),
                outcome: Outcome::Unfinished,
                reason: Some("is still being recorded, or waits for `recover` where it was recorded".to_owned()),
            }));
        }
        Ok(Self { wanted: wanted.into_values().collect(), refused })
    }
}

/// `sessions/vehicle=V/date=D/SESSION.json`.
fn is_manifest(path: &str) -> bool {
    let parts: Vec<&str> = path.split('/').collect();
    matches!(parts[..], [_, vehicle, date, name]
        if vehicle.starts_with("vehicle=") && date.starts_with("date=") && name.ends_with(".json") && !name.starts_with('.'))
}

fn recordings(source: &Source) -> Result<BTreeSet<String>, CollectError> {
    let paths = source.list(".journal")?;
    Ok(paths.iter().filter_map(|p| p.split('/').nth(1)).map(str::to_owned).collect())
}

/// A manifest in a source.
struct Found<'a> {
    index: usize,
    source: &'a Source,
    path: &'a str,
}

impl Found<'_> {
    fn session(&self) -> &str {
        let name = self.path.rsplit('/').next().unwrap_or_default();
        name.strip_suffix(".json").unwrap_or(name)
    }

    fn outcome(&self, outcome: Outcome, reason: &str) -> SessionOutcome {
        let vehicle = self.path.split('/').nth(1).and_then(|v| v.strip_prefix("vehicle=")).unwrap_or_default();
        SessionOutcome {
            vehicle: vehicle.to_owned(),
            session: self.session().to_owned(),
            source: self.source.name().to_owned(),
            outcome,
            reason: Some(reason.to_owned()),
        }
    }

    /// Adds the session to what is wanted, or says why not.
    fn decide(&self, wanted: &mut BTreeMap<String, Decision>, destination: &Destination) -> Result<(), SessionOutcome> {
        let text = match self.source.read(self.path) {
            Ok(Some(text)) => text,
            Ok(None) => return Err(self.outcome(Outcome::Failed, "its manifest went away while it was read")),
            Err(reason) => return Err(self.outcome(Outcome::Failed, &reason)),
        };
        if let Some(earlier) = wanted.get_mut(self.session()) {
            if earlier.text == text {
                earlier.sources.push(self.index);
                return Ok(());
            }
            return Err(self.outcome(Outcome::Conflict, "another source has other content under this name"));
        }
        let manifest = self.sealed(&text).map_err(|reason| self.outcome(Outcome::Damaged, &reason))?;
        let there = self.is_there(&text, destination).map_err(|reason| self.outcome(Outcome::Conflict, &reason))?;
        let mut decision =
            Decision { text, there, sources: vec![self.index], missing: Vec::new(), doubtful: Vec::new(), manifest };
        for record in &decision.manifest.files {
            match destination.place(record) {
                Place::Free => decision.missing.push(record.clone()),
                // A session that is there was checked when it came; `verify` checks it again.
                Place::SameLength if there => {}
                Place::SameLength => decision.doubtful.push(record.clone()),
                Place::Other if there => {
                    let reason = format!("is in the dataset, but {} is damaged there; see `verify`", record.path);
                    return Err(self.outcome(Outcome::Conflict, &reason));
                }
                Place::Other => {
                    let reason = format!("the dataset has another file at {}", record.path);
                    return Err(self.outcome(Outcome::Conflict, &reason));
                }
            }
        }
        wanted.insert(self.session().to_owned(), decision);
        Ok(())
    }

    /// The manifest, if it is as sealed, in its place, and speaks only for files of its own session.
    fn sealed(&self, text: &[u8]) -> Result<Manifest, String> {
        let (manifest, seal) = Manifest::parse_with_seal(Path::new(self.path), text).map_err(|e| e.to_string())?;
        if seal == Seal::Altered {
            return Err("its manifest was altered after sealing".to_owned());
        }
        if manifest.path() != Path::new(self.path) {
            return Err(format!("its manifest belongs at {}", manifest.path().display()));
        }
        let date = manifest.start_us.date();
        for record in &manifest.files {
            let home = Table::from_name(&record.table)
                .filter(|t| Table::SEALED.contains(t))
                .map(|t| t.path(&manifest.vehicle, &date, &manifest.session));
            let inside = Path::new(&record.path).components().all(|c| matches!(c, Component::Normal(_)));
            if !inside || home.is_none_or(|home| home != Path::new(&record.path)) {
                return Err(format!("its manifest speaks for {}, which is not a file of its own", record.path));
            }
        }
        Ok(manifest)
    }

    /// Whether the dataset has this very session; an error when it has another one of this name.
    fn is_there(&self, text: &[u8], destination: &Destination) -> Result<bool, String> {
        let Some(path) = destination.manifests.get(self.session()) else {
            if destination.is_recording(self.session()) {
                return Err(
                    "a session of this name is being recorded into the dataset, or waits for `recover`".to_owned()
                );
            }
            return Ok(false);
        };
        if path != Path::new(self.path) {
            return Err(format!("the dataset has a session of this name at {}", path.display()));
        }
        match fs::read(destination.root.join(path)) {
            Ok(there) if there == text => Ok(true),
            Ok(_) => Err("the dataset has other content under this name".to_owned()),
            Err(e) => Err(format!("its manifest in the dataset cannot be read: {e}")),
        }
    }
}

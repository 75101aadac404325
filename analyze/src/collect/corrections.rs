//! Corrections of run sheets: lines of the sources added to the dataset's, none taken away.

use std::{collections::HashMap, fs, io, path::Path};

use serde::Serialize;
use serde_json::Value;
use tallywheel_schemas::correction::{CORRECTIONS_DIRECTORY, Correction, corrections_path};

use super::{CollectError, destination::Destination, source::Source};

/// What became of one source's corrections of one session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CorrectionsOutcome {
    /// Vehicle.
    pub vehicle: String,
    /// Session.
    pub session: String,
    /// Source.
    pub source: String,
    /// Lines added.
    pub added: usize,
    /// Why nothing was added although the source has lines that the dataset has not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Merges the corrections of sessions that the dataset has by now.
pub(super) fn merge(sources: &[Source], destination: &Destination) -> Result<Vec<CorrectionsOutcome>, CollectError> {
    let mut outcomes = Vec::new();
    for source in sources {
        for path in source.list(CORRECTIONS_DIRECTORY)? {
            let Some((vehicle, session)) = names(&path) else { continue };
            let merged = merge_one(source, &path, destination, vehicle, session)?;
            outcomes.push(CorrectionsOutcome {
                vehicle: vehicle.to_owned(),
                session: session.to_owned(),
                source: source.name().to_owned(),
                added: *merged.as_ref().unwrap_or(&0),
                reason: merged.err(),
            });
        }
    }
    Ok(outcomes)
}

/// Vehicle and session of `corrections/vehicle=V/SESSION.jsonl`.
fn names(path: &str) -> Option<(&str, &str)> {
    let mut parts = path.split('/').skip(1);
    let (vehicle, file) = (parts.next()?, parts.next()?);
    let session = file.strip_suffix(".jsonl").filter(|s| !s.starts_with('.') && !s.is_empty())?;
    Some((vehicle.strip_prefix("vehicle=").filter(|v| !v.is_empty())?, session))
}

/// Number of lines added, or why none was.
fn merge_one(
    source: &Source,
    path: &str,
    destination: &Destination,
    vehicle: &str,
    session: &str,
) -> Result<Result<usize, String>, CollectError> {
    let theirs = match source.read(path) {
        Ok(bytes) => bytes.unwrap_or_default(),
        Err(reason) => return Ok(Err(reason)),
    };
    let target = corrections_path(&destination.root, vehicle, session);
    let failed = |source| CollectError::Into { path: target.clone(), source };
    let ours = match fs::read(&target) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == io::ErrorKind::NotFound => Vec::new(),
        Err(e) => return Err(failed(e)),
    };
    let merged = match union(&ours, &theirs) {
        Ok(merged) => merged,
        Err(reason) => return Ok(Err(reason)),
    };
    if merged.added > 0 {
        let here = destination.root.join("sessions").join(format!("vehicle={vehicle}"));
        if !has_session(&here, session) {
            return Ok(Err("the dataset does not have this session".to_owned()));
        }
        write(destination, &target, session, &merged.text).map_err(failed)?;
    }
    Ok(Ok(merged.added))
}

fn has_session(vehicle: &Path, session: &str) -> bool {
    let dates = fs::read_dir(vehicle).into_iter().flatten().flatten();
    dates.map(|date| date.path().join(format!("{session}.json"))).any(|p| p.is_file())
}

/// Replaces the file by one that begins with the same lines, whole or not at all.
fn write(destination: &Destination, target: &Path, session: &str, text: &str) -> io::Result<()> {
    let (disk, directory) = (&destination.disk, target.parent().unwrap_or(Path::new(".")));
    disk.make_directory(directory)?;
    let partial = destination.arriving(session).with_extension("jsonl.partial");
    disk.write(&partial, text.as_bytes())?;
    disk.sync(&partial)?;
    disk.rename(&partial, target)?;
    disk.sync_directory(directory)
}

struct Merged {
    text: String,
    added: usize,
}

/// Our lines, then those of theirs that we do not have. Two sides that each corrected the same field without knowing
/// of the other contradict: which one is right is for a person to say.
fn union(ours: &[u8], theirs: &[u8]) -> Result<Merged, String> {
    let (ours, theirs) = (lines(ours, "the dataset's")?, lines(theirs, "its")?);
    let missing = |from: &[(String, Correction)], of: &[(String, Correction)]| {
        from.iter().filter(|(line, _)| of.iter().all(|(other, _)| other != line)).cloned().collect::<Vec<_>>()
    };
    let (new, unknown) = (missing(&theirs, &ours), missing(&ours, &theirs));
    let (new_values, our_values) = (last_values(&new), last_values(&unknown));
    if let Some(field) = new_values.iter().find_map(|(f, v)| our_values.get(f).filter(|o| o != &v).map(|_| f)) {
        return Err(format!(
            "the dataset and this source correct {field} differently; settle it with one more line here"
        ));
    }
    let added = new.len();
    let text = ours.into_iter().chain(new).map(|(line, _)| line + "\n").collect();
    Ok(Merged { text, added })
}

fn lines(text: &[u8], whose: &str) -> Result<Vec<(String, Correction)>, String> {
    let text = str::from_utf8(text).map_err(|_| format!("{whose} corrections are not UTF-8"))?;
    let filled = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let parse = |(i, line): (usize, &str)| match serde_json::from_str(line) {
        Ok(correction) => Ok((line.to_owned(), correction)),
        Err(e) => Err(format!("line {} of {whose} corrections is none: {e}", i + 1)),
    };
    filled.map(parse).collect()
}

fn last_values(lines: &[(String, Correction)]) -> HashMap<&str, &Value> {
    lines.iter().map(|(_, c)| (c.field.as_str(), &c.value)).collect()
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::Timestamp;

    use super::*;

    fn line(field: &str, value: &str) -> String {
        let correction = Correction::new(Timestamp::from_us(1), "CD", "why", field, value.into());
        serde_json::to_string(&correction).expect("a line") + "\n"
    }

    #[test]
    fn lines_of_both_sides_are_kept_once() {
        let (a, b, c) = (line("driver", "EF"), line("notes", "wet"), line("route", "ridge road"));
        let merged = union((a.clone() + &b).as_bytes(), (a.clone() + &c).as_bytes()).expect("no contradiction");
        assert_eq!((merged.text, merged.added), (a.clone() + &b + &c, 1));
        let again = union((a.clone() + &b + &c).as_bytes(), (a + &c).as_bytes()).expect("no contradiction");
        assert_eq!(again.added, 0);
    }

    #[test]
    fn a_field_corrected_differently_on_both_sides_is_for_a_person() {
        let (a, b) = (line("driver", "EF"), line("driver", "GH"));
        let reason = union(a.as_bytes(), b.as_bytes()).err().expect("a contradiction");
        assert!(reason.contains("correct driver differently"), "{reason}");
        // The source has gone on from our line.
        assert_eq!(union(a.as_bytes(), (a.clone() + &b).as_bytes()).map(|m| m.added), Ok(1));
    }

    #[test]
    fn a_torn_line_is_named_and_nothing_is_added() {
        let reason = union(b"", b"{\"at_us\":").err().expect("torn");
        assert!(reason.starts_with("line 1 of its corrections is none"), "{reason}");
    }
}

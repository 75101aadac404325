//! Corrections of a run sheet: added to, never changed, each with who, when and why.
//!
//! A session's sealed files never change. What a person knows better later, the weighed fuel after a run or a driver
//! written down wrongly, is a line in `corrections/vehicle=V/SESSION.jsonl`; readers apply the lines in order.

use std::{
    fs::{self, File, OpenOptions},
    io::{self, Write},
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::{run_sheet::RunSheet, time::Timestamp};

/// Directory of corrections below the dataset.
pub const CORRECTIONS_DIRECTORY: &str = "corrections";

/// One line: one field of the run sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// When it was written.
    pub at_us: Timestamp,
    /// Who wrote it.
    pub who: String,
    /// Why.
    pub reason: String,
    /// Field of the run sheet.
    pub field: String,
    /// New value; null takes the field away.
    pub value: Value,
}

/// A correction as reports show it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AppliedCorrection {
    /// Field of the run sheet.
    pub field: String,
    /// Value before, as written.
    pub from: String,
    /// Value after, as written.
    pub to: String,
    /// Who.
    pub who: String,
    /// When, UTC.
    pub at: String,
    /// Why.
    pub reason: String,
}

impl std::fmt::Display for AppliedCorrection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { field, from, to, who, at, reason } = self;
        write!(f, "run sheet corrected: {field} was {from}, is {to} ({}, {at}: {reason})", who_or_nobody(who))
    }
}

fn who_or_nobody(who: &str) -> &str {
    if who.is_empty() { "without initials" } else { who }
}

/// A correction that cannot be written, read or applied.
#[derive(Debug, thiserror::Error)]
pub enum CorrectionError {
    /// The system refused.
    #[error("{action} {}: {source}", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A line is no correction.
    #[error("{}:{line}: not a correction: {source}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Its line.
        line: usize,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// The corrected sheet is none.
    #[error("{field} = {value}: {message}")]
    Sheet {
        /// Field.
        field: String,
        /// New value.
        value: String,
        /// Why not.
        message: String,
    },
}

impl Correction {
    /// A correction of one field.
    pub fn new(at: Timestamp, who: &str, reason: &str, field: &str, value: Value) -> Self {
        Self { at_us: at, who: who.to_owned(), reason: reason.to_owned(), field: field.to_owned(), value }
    }
}

/// Where a session's corrections are.
pub fn corrections_path(dataset: &Path, vehicle: &str, session: &str) -> PathBuf {
    dataset.join(CORRECTIONS_DIRECTORY).join(format!("vehicle={vehicle}")).join(format!("{session}.jsonl"))
}

/// Adds corrections to a session, on the disk when this returns.
///
/// # Errors
/// When the system refuses.
pub fn append(dataset: &Path, vehicle: &str, session: &str, corrections: &[Correction]) -> Result<(), CorrectionError> {
    let path = corrections_path(dataset, vehicle, session);
    let io = |action| {
        let path = path.clone();
        move |source| CorrectionError::Io { action, path, source }
    };
    let directory = path.parent().unwrap_or(dataset);
    fs::create_dir_all(directory).map_err(io("create"))?;
    let mut text = String::new();
    // A line that a crash cut short must not run into the next one.
    if fs::read(&path).is_ok_and(|before| before.last().is_some_and(|b| *b != b'\n')) {
        text.push('\n');
    }
    for correction in corrections {
        text.push_str(&serde_json::to_string(correction).expect("corrections have string keys and finite numbers"));
        text.push('\n');
    }
    let mut file = OpenOptions::new().append(true).create(true).open(&path).map_err(io("open"))?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(io("write"))?;
    File::open(directory).and_then(|d| d.sync_all()).map_err(io("sync"))
}

/// The corrections of a session in the order in which they were written; none when there is no file.
///
/// # Errors
/// When the file cannot be read or a line of it is no correction.
pub fn read(dataset: &Path, vehicle: &str, session: &str) -> Result<Vec<Correction>, CorrectionError> {
    let path = corrections_path(dataset, vehicle, session);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(CorrectionError::Io { action: "read", path, source }),
    };
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let parsed = lines.map(|(i, line)| {
        serde_json::from_str(line).map_err(|source| CorrectionError::Line { path: path.clone(), line: i + 1, source })
    });
    parsed.collect()
}

/// The run sheet with corrections applied in order, and what each changed.
///
/// # Errors
/// When a field does not exist or the sheet would not be valid at the end.
pub fn apply(
    sheet: Option<&RunSheet>,
    corrections: &[Correction],
) -> Result<(Option<RunSheet>, Vec<AppliedCorrection>), CorrectionError> {
    let Some(last) = corrections.last() else { return Ok((sheet.cloned(), Vec::new())) };
    let mut fields = match sheet.map(serde_json::to_value) {
        Some(Ok(Value::Object(fields))) => fields,
        _ => Map::new(),
    };
    let mut applied = Vec::new();
    for correction in corrections {
        let before = match &correction.value {
            Value::Null => fields.remove(&correction.field),
            value => fields.insert(correction.field.clone(), value.clone()),
        };
        applied.push(AppliedCorrection {
            field: correction.field.clone(),
            from: shown(&before.unwrap_or_default()),
            to: shown(&correction.value),
            who: correction.who.clone(),
            at: correction.at_us.to_string(),
            reason: correction.reason.clone(),
        });
    }
    let wrong =
        |message: String| CorrectionError::Sheet { field: last.field.clone(), value: shown(&last.value), message };
    let sheet: RunSheet = serde_json::from_value(Value::Object(fields)).map_err(|e| wrong(e.to_string()))?;
    sheet.check().map_err(|e| wrong(e.to_string()))?;
    Ok((Some(sheet), applied))
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run_sheet::Condition;

    fn sheet() -> RunSheet {
        let text = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\ndriver = \"AB\"\n";
        RunSheet::parse(&crate::TextFile::new("run.toml", text)).expect("a sheet")
    }

    fn correction(field: &str, value: Value) -> Correction {
        Correction::new(Timestamp::from_us(1_791_189_000_000_000), "CD", "written down wrongly", field, value)
    }

    #[test]
    fn corrections_add_up_and_say_what_was_before() {
        let list = [
            correction("driver", "EF".into()),
            correction("payload_kg", 180.0.into()),
            correction("driver", Value::Null),
        ];
        let (corrected, applied) = apply(Some(&sheet()), &list).expect("valid");
        let corrected = corrected.expect("a sheet");
        assert_eq!((corrected.driver, corrected.payload_kg), (None, Some(180.0)));
        assert_eq!(
            applied[0].to_string(),
            "run sheet corrected: driver was AB, is EF (CD, 2026-10-05T08:30:00Z: written down wrongly)"
        );
        let changes: Vec<String> = applied.iter().map(|a| format!("{} {} -> {}", a.field, a.from, a.to)).collect();
        assert_eq!(changes, ["driver AB -> EF", "payload_kg nothing -> 180.0", "driver EF -> nothing"]);
    }

    #[test]
    fn a_sheet_can_be_given_later_but_only_whole() {
        assert!(apply(None, &[correction("run", "hl-01".into())]).is_err());
        let whole = [
            correction("run", "hl-01".into()),
            correction("route", "harbour loop".into()),
            correction("condition", "assist".into()),
        ];
        let (sheet, _) = apply(None, &whole).expect("valid");
        assert_eq!(sheet.map(|s| s.condition), Some(Condition::Assist));
    }

    #[test]
    fn an_unknown_field_and_an_impossible_value_are_refused() {
        let unknown = apply(Some(&sheet()), &[correction("colour", "red".into())]).expect_err("unknown").to_string();
        assert!(unknown.starts_with("colour = red: unknown field `colour`"), "{unknown}");
        let heavy =
            apply(Some(&sheet()), &[correction("payload_kg", (-5.0).into())]).expect_err("negative").to_string();
        assert_eq!(heavy, "payload_kg = -5.0: payload_kg is outside 0 to 50000");
    }

    #[test]
    fn lines_are_added_and_a_cut_one_spoils_no_other() {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let add = |c: Correction| append(dataset.path(), "skerry-1", "s", &[c]).expect("room");
        add(correction("driver", "EF".into()));
        assert_eq!(read(dataset.path(), "skerry-1", "s").expect("readable").len(), 1);
        let path = corrections_path(dataset.path(), "skerry-1", "s");
        let mut torn = fs::read_to_string(&path).expect("there");
        torn.push_str("{\"at_us\":");
        fs::write(&path, torn).expect("room");
        add(correction("driver", "GH".into()));
        let error = read(dataset.path(), "skerry-1", "s").expect_err("a torn line").to_string();
        assert!(error.contains("s.jsonl:2: not a correction"), "{error}");
        assert_eq!(fs::read_to_string(&path).expect("there").lines().count(), 3);
        assert!(read(dataset.path(), "skerry-2", "s").expect("no file").is_empty());
    }
}

//! Corrections of a run sheet after the drive.

use std::{fmt::Write, path::Path};

use serde_json::Value;
use tallywheel_schemas::{
    Manifest, ManifestError, Timestamp,
    correction::{self, Correction, CorrectionError, append, apply},
};

use crate::{durable::FileError, session::find_manifest};

/// A correction that is not made.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CorrectError {
    /// No such session.
    #[error("no sealed session `{session}` in {data}; a run that is still being recorded is corrected once it is over")]
    NoSession {
        /// As asked for.
        session: String,
        /// Dataset.
        data: String,
    },
    /// Not `FIELD=VALUE`.
    #[error("--set {0}: give it as FIELD=VALUE")]
    Form(String),
    /// Nobody or nothing to answer for it.
    #[error("a correction needs initials and a reason")]
    Anonymous,
    #[error(transparent)]
    Correction(#[from] CorrectionError),
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    #[error(transparent)]
    File(#[from] FileError),
}

/// Adds corrections to a sealed session; gives what they changed, for people.
pub(crate) fn correct(
    data: &Path,
    session: &str,
    who: &str,
    reason: &str,
    fields: &[String],
) -> Result<String, CorrectError> {
    if who.trim().is_empty() || reason.trim().is_empty() {
        return Err(CorrectError::Anonymous);
    }
    let path = find_manifest(data, session)?
        .ok_or_else(|| CorrectError::NoSession { session: session.to_owned(), data: data.display().to_string() })?;
    let manifest = Manifest::read(&path)?;
    let now = Timestamp::now();
    let new = fields.iter().map(|field| {
        let (field, text) = field.split_once('=').ok_or_else(|| CorrectError::Form(field.clone()))?;
        Ok(Correction::new(now, who.trim(), reason.trim(), field.trim(), value(field.trim(), text.trim())))
    });
    let new = new.collect::<Result<Vec<_>, CorrectError>>()?;
    let before = correction::read(data, &manifest.vehicle, session)?;
    let all: Vec<Correction> = before.iter().chain(&new).cloned().collect();
    // What would spoil the sheet is refused before it is written.
    let (_, applied) = apply(manifest.run.as_ref(), &all)?;
    append(data, &manifest.vehicle, session, &new)?;
    let mut text = String::new();
    for change in &applied[before.len()..] {
        // Writing to a string does not fail.
        let _ = writeln!(text, "{session}: {} was {}, is {}", change.field, change.from, change.to);
    }
    Ok(text)
}

/// Fields of a run sheet that hold a text, even one that reads like a number.
const TEXTS: [&str; 5] = ["run", "route", "condition", "driver", "remarks"];

fn value(field: &str, text: &str) -> Value {
    if text.is_empty() {
        return Value::Null;
    }
    if TEXTS.contains(&field) {
        return Value::from(text);
    }
    text.parse::<f64>().ok().filter(|n| n.is_finite()).map_or_else(|| Value::from(text), Value::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_may_read_like_a_number() {
        assert_eq!(value("run", "007"), Value::from("007"));
        assert_eq!(value("payload_kg", "180"), Value::from(180.0));
        assert_eq!(value("driver", ""), Value::Null);
    }
}

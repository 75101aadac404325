//! The real report, read back.

use std::{ffi::OsString, fs, path::PathBuf};

use serde_json::Value;

use super::{
    output::Output,
    programs::{self, Programs},
};
use crate::error::DemoError;

/// `report.json` as it was written.
#[derive(Debug, Clone)]
pub(super) struct Report {
    path: PathBuf,
    value: Value,
}

/// Runs `tallywheel-analyze report` on the campaign.
pub(super) fn make(programs: &Programs, output: &Output) -> Result<Report, DemoError> {
    let arguments: Vec<OsString> = vec![
        "report".into(),
        "--data".into(),
        output.data().into(),
        "--campaign".into(),
        output.campaign().into(),
        "--out".into(),
        output.report().into(),
    ];
    programs::run(&programs.analyze, &arguments)?;
    Report::read(output.report().join("report.json"))
}

impl Report {
    fn read(path: PathBuf) -> Result<Self, DemoError> {
        let io = |source| DemoError::Io { action: "read", path: path.clone(), source };
        let text = fs::read_to_string(&path).map_err(io)?;
        let value = serde_json::from_str(&text).map_err(|e| io(e.into()))?;
        Ok(Self { path, value })
    }

    /// A number at a JSON pointer.
    pub(super) fn number(&self, pointer: &str) -> Result<f64, DemoError> {
        self.value.pointer(pointer).and_then(Value::as_f64).ok_or_else(|| self.lacks("number", pointer))
    }

    /// A text at a JSON pointer.
    pub(super) fn text(&self, pointer: &str) -> Result<&str, DemoError> {
        self.value.pointer(pointer).and_then(Value::as_str).ok_or_else(|| self.lacks("text", pointer))
    }

    /// Names of the runs that the comparison used.
    pub(super) fn used_runs(&self) -> Result<Vec<String>, DemoError> {
        let runs = self.list("/runs")?;
        let used = runs.iter().filter(|r| r.get("used").and_then(Value::as_bool) == Some(true));
        Ok(used.filter_map(|r| r.get("id").and_then(Value::as_str)).map(str::to_owned).collect())
    }

    /// Peak temperature of the winding at a position, °C.
    pub(super) fn peak_c(&self, position: &str) -> Result<f64, DemoError> {
        self.list("/thermal")?
            .iter()
            .find(|t| t.get("position").and_then(Value::as_str) == Some(position))
            .and_then(|t| t.get("peak_c").and_then(Value::as_f64))
            .ok_or_else(|| self.lacks("peak temperature", &format!("/thermal of {position}")))
    }

    /// The answer and the reasons of the verdict.
    pub(super) fn sentences(&self) -> Result<Vec<String>, DemoError> {
        let mut said = vec![self.text("/answer")?.to_owned()];
        said.extend(self.list("/verdict/reasons")?.iter().filter_map(Value::as_str).map(str::to_owned));
        Ok(said)
    }

    fn list(&self, pointer: &str) -> Result<&Vec<Value>, DemoError> {
        self.value.pointer(pointer).and_then(Value::as_array).ok_or_else(|| self.lacks("list", pointer))
    }

    fn lacks(&self, what: &'static str, pointer: &str) -> DemoError {
        DemoError::Report { path: self.path.clone(), what, pointer: pointer.to_owned() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_found_and_missing_ones_named() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let path = directory.path().join("report.json");
        let text = r#"{"runs": [{"id": "a", "used": true}, {"id": "b", "used": false}],
            "thermal": [{"position": "rear-left", "peak_c": 101.5}], "verdict": {"decision": "supported"}}"#;
        fs::write(&path, text).expect("a file");
        let report = Report::read(path).expect("a report");
        assert_eq!(report.used_runs().expect("runs"), ["a"]);
        assert!((report.peak_c("rear-left").expect("a peak") - 101.5).abs() < 1e-12);
        assert_eq!(report.text("/verdict/decision").expect("a text"), "supported");
        let error = report.number("/energy/net_kwh").expect_err("missing").to_string();
        assert!(error.ends_with("no number at /energy/net_kwh"), "{error}");
    }
}

//! The run sheet: what a person writes down about one planned pass over a route.

use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::text_file::{TextFile, TextFileError};

/// Whether the assist was meant to be on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Condition {
    /// Assist off.
    Baseline,
    /// Assist on.
    Assist,
}

impl Condition {
    /// The word used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Baseline => "baseline",
            Self::Assist => "assist",
        }
    }
}

/// One planned pass over a route in one condition. It covers its whole session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunSheet {
    /// Name of the run, unique in a campaign.
    pub run: String,
    /// Route driven.
    pub route: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Initials of the driver.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub driver: Option<String>,
    /// Load beside driver and kit, kg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub payload_kg: Option<f64>,
    /// Cold tyre pressure, kPa.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tyre_pressure_kpa: Option<f64>,
    /// Outside temperature, °C, for runs without a logged one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_c: Option<f64>,
    /// Wind, m/s, for runs without a logged one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wind_m_s: Option<f64>,
    /// Mass of the weighed fuel tank before the run, kg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel_mass_before_kg: Option<f64>,
    /// Mass of the weighed fuel tank after the run, kg.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel_mass_after_kg: Option<f64>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remarks: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RunSheetText {
    run: Spanned<RunSheet>,
}

impl RunSheet {
    /// Reads a run sheet file: one `[run]` table with the fields of [`RunSheet`], its name under `run`.
    ///
    /// # Errors
    /// On a file that cannot be read, an unknown or missing key, a wrong type, or an impossible number, with line
    /// and column.
    pub fn read(path: &Path) -> Result<Self, TextFileError> {
        Self::parse(&TextFile::read(path)?)
    }

    /// As [`RunSheet::read`], from a text.
    ///
    /// # Errors
    /// As [`RunSheet::read`].
    pub fn parse(file: &TextFile) -> Result<Self, TextFileError> {
        let raw: RunSheetText = file.parse()?;
        let span = raw.run.span();
        let sheet = raw.run.into_inner();
        sheet.check().map_err(|impossible| {
            let at = impossible.field.and_then(|field| file.text.find(field)).unwrap_or(span.start);
            file.error(at..at, impossible.message)
        })?;
        Ok(sheet)
    }

    /// Whether names are there and numbers possible; [`RunSheet::parse`] asks it, and who makes a sheet otherwise has to.
    ///
    /// # Errors
    /// On an empty name of run or route, or a number outside its bounds.
    pub fn check(&self) -> Result<(), ImpossibleSheet> {
        if self.run.trim().is_empty() || self.route.trim().is_empty() {
            return Err(ImpossibleSheet { field: None, message: "run and route need a name".to_owned() });
        }
        let texts = [("run", Some(&self.run)), ("route", Some(&self.route)), ("driver", self.driver.as_ref())];
        let texts = texts.into_iter().chain([("remarks", self.remarks.as_ref())]);
        let unprintable =
            |name: &str, text: &str| text.chars().any(|c| c.is_control() && !(name == "remarks" && c == '\n'));
        for (name, text) in texts.filter_map(|(name, text)| Some((name, text?))) {
            // They would move the cursor of whoever reads them in a terminal, or hide what stands there.
            if unprintable(name, text) {
                let message = format!("{name} has a control character; write it in one line of plain text");
                return Err(ImpossibleSheet { field: Some(name), message });
            }
        }
        let bounds = [
            ("payload_kg", self.payload_kg, 0.0, 50_000.0),
            ("tyre_pressure_kpa", self.tyre_pressure_kpa, 50.0, 1500.0),
            ("ambient_c", self.ambient_c, -60.0, 60.0),
            ("wind_m_s", self.wind_m_s, 0.0, 60.0),
            ("fuel_mass_before_kg", self.fuel_mass_before_kg, 0.0, 1000.0),
            ("fuel_mass_after_kg", self.fuel_mass_after_kg, 0.0, 1000.0),
        ];
        match bounds.into_iter().find(|(_, value, min, max)| value.is_some_and(|v| !(*min..=*max).contains(&v))) {
            Some((name, _, min, max)) => {
                Err(ImpossibleSheet { field: Some(name), message: format!("{name} is outside {min} to {max}") })
            }
            None => Ok(()),
        }
    }
}

/// A run sheet that cannot be true.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct ImpossibleSheet {
    /// The field, when it is one.
    pub field: Option<&'static str>,
    /// What is wrong with it.
    pub message: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_is_read_and_bad_ones_are_placed() {
        let good = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\npayload_kg = 200.0\n";
        let sheet = RunSheet::parse(&TextFile::new("run.toml", good)).expect("a good sheet");
        assert_eq!((sheet.condition, sheet.payload_kg), (Condition::Baseline, Some(200.0)));
        for (from, to, expected) in [
            ("baseline", "basline", "run.toml:4:13: unknown variant `basline`"),
            ("payload_kg = 200.0", "payload_kg = -1.0", "run.toml:5:1: payload_kg is outside 0 to 50000"),
            ("payload_kg", "payload", "did you mean `payload_kg`?"),
            ("harbour loop", "harbour\\u001b[2Jloop", "run.toml:3:1: route has a control character"),
        ] {
            let error =
                RunSheet::parse(&TextFile::new("run.toml", good.replace(from, to))).expect_err("bad").to_string();
            assert!(error.contains(expected), "{error}");
        }
    }
}

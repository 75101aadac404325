//! What a person decided against the rules, or where the rules leave it to one. Printed in every report.

use serde::{Deserialize, Serialize};

/// A person's decision about a run, printed in the report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Override {
    /// Run concerned. In a before-and-after design, which names no runs, the session: `session` is another word for it.
    #[serde(alias = "session")]
    pub run: String,
    /// Whether it is used.
    pub r#use: bool,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub by: String,
    /// Day of the decision, `YYYY-MM-DD`.
    pub date: String,
}

/// Which measure of fuel is believed where two disagree beyond their uncertainties.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FuelDecision {
    /// The measure that the comparison rests on: `weighed`, `meter`, `rate` or `air`.
    pub trust: FuelMeasure,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub by: String,
    /// Day of the decision, `YYYY-MM-DD`.
    pub date: String,
}

/// A way in which a run's fuel was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum FuelMeasure {
    /// Tank weighed before and after.
    Weighed,
    /// Volumetric meter, by its factor and the fuel's temperature.
    Meter,
    /// Rate that the engine reports.
    Rate,
    /// Air mass over lambda times the stoichiometric ratio.
    Air,
}

impl FuelMeasure {
    /// The word used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Weighed => "weighed",
            Self::Meter => "meter",
            Self::Rate => "rate",
            Self::Air => "air",
        }
    }
}

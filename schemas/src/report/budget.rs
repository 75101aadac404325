//! The uncertainty budget: what each calibration and the spread of the runs contribute, and what cancels.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Uncertainty of the mileages and of the improvement by JCGM 100, line by line.
///
/// All contributions are shares of a mileage, or of the ratio of two mileages, in percent.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UncertaintyBudget {
    /// Confidence of the expanded uncertainties.
    pub confidence: f64,
    /// One line per input.
    pub lines: Vec<BudgetLine>,
    /// Mileage without assist.
    pub baseline: Option<BudgetSum>,
    /// Mileage with assist, fuel alone.
    pub assist: Option<BudgetSum>,
    /// Mileage with assist that counts the electricity as petrol.
    pub with_electricity: Option<BudgetSum>,
    /// Ratio of the mileages, which is one plus the improvement.
    pub improvement: Option<BudgetSum>,
    /// The same without the spread of the runs: what the calibrations alone leave after cancelling.
    pub improvement_from_calibrations: Option<BudgetSum>,
    /// The same of the ratio that counts the electricity: a line's share of the mileage with electricity less that of the
    /// mileage without assist.
    #[serde(default)]
    pub gain_with_electricity_from_calibrations: Option<BudgetSum>,
    /// What a reader should know, in sentences.
    pub notes: Vec<String>,
}

/// How an uncertainty was evaluated (JCGM 100, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Evaluation {
    /// From the spread of repeated observations.
    A,
    /// By other means: a certificate, a specification, common practice.
    B,
}

/// One input of the budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BudgetLine {
    /// The input.
    pub quantity: String,
    /// Certificate and day, or what is assumed.
    pub source: String,
    /// Whether nobody stated it and common practice stands in.
    pub assumed: bool,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Standard uncertainty in `unit`.
    pub standard_uncertainty: f64,
    /// Unit as a UCUM code; `1` for a share.
    pub unit: String,
    /// Degrees of freedom; `null` where it is taken as exactly known.
    pub degrees_of_freedom: Option<f64>,
    /// Relative change of the mileage without assist per unit of the input.
    pub sensitivity_baseline: f64,
    /// Relative change of the mileage with assist per unit of the input.
    pub sensitivity_assist: f64,
    /// Relative change of the ratio of the mileages per unit of the input.
    pub sensitivity_improvement: f64,
    /// Contribution to the mileage without assist.
    pub baseline_percent: f64,
    /// Contribution to the mileage with assist.
    pub assist_percent: f64,
    /// Contribution to the mileage with assist that counts the electricity.
    pub with_electricity_percent: Option<f64>,
    /// Share of the larger of the two that both conditions have in common; it cancels in the ratio. `null` for lines
    /// that belong to one result only.
    pub common_share: Option<f64>,
    /// Contribution to the ratio of the mileages.
    pub improvement_percent: f64,
}

/// Lines combined.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BudgetSum {
    /// Combined standard uncertainty.
    pub standard_percent: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite); `null` for infinitely many.
    pub degrees_of_freedom: Option<f64>,
    /// Coverage factor: Student's t at the degrees of freedom cut to a whole number (JCGM 100, G.4.1).
    pub coverage_factor: Option<f64>,
    /// Expanded uncertainty.
    pub expanded_percent: Option<f64>,
}

//! Were the runs driven alike? What a comparison rests on beside the fuel.
//!
//! Takes the facts of the runs. [`driven`] says how each was driven; [`standing`] holds each against the others and
//! sets apart what cannot count; [`assess`] holds the conditions against each other, quantity by quantity, and says
//! what was done about each difference: nothing, run left out, verdict withheld, adjusted for, or not known.

pub mod driven;
pub mod overlap;
pub mod plane;
pub mod quantity;
mod report;
mod rows;
pub mod speeds;
pub mod standardised;
pub mod standing;
#[cfg(test)]
mod tests;
pub mod track;
pub(crate) mod words;

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    campaign::Campaign,
    report::{Comparability, Likeness},
};

pub use driven::Driven;
pub use quantity::covariate;
pub use standing::{Standing, standings};

use crate::run::{Admission, RunFacts};

/// How alike the conditions are.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// A row a quantity.
    pub rows: Vec<Comparability>,
    /// What stands against a verdict, as lowercase fragments.
    pub obstacles: Vec<String>,
    /// What a reader of the verdict must know: in what it cannot be said whether the runs were alike.
    pub reservation: Option<String>,
    /// How the runs were driven.
    pub likeness: Likeness,
}

/// Holds the conditions of a campaign against each other; `admitted` goes with `runs`, run by run.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn assess(campaign: &Campaign, runs: &[RunFacts<'_>], admitted: &[Admission]) -> PolarsResult<Assessment> {
    let standings = standings(campaign, runs);
    let hearing = rows::Hearing { campaign, runs, admitted, standings: &standings };
    let rows = hearing.rows();
    Ok(Assessment {
        obstacles: rows::obstacles(&rows),
        reservation: rows::reservation(&rows),
        likeness: report::likeness(&hearing)?,
        rows,
    })
}

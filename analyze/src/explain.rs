//! One run walked from its samples to its number, and from there to its weight in the result.
//!
//! Takes a finished comparison and the name of a run. Gives an [`Explanation`]: the recording and its files by hash, the
//! channels with what turns their raw values into quantities, the ledger's rows, the sums, the rules with their values,
//! and the run's part in the result. With pencil and paper it can be followed from the counts to the percent.

mod channels;
mod rules;
mod share;
mod text;

pub(crate) use text::decision;
pub use text::text;

use polars::prelude::{PolarsError, PolarsResult};
use tallywheel_schemas::{
    Campaign,
    campaign::FuelMeasure,
    nearest,
    report::{
        EXPLANATION_VERSION, ExplainedBins, ExplainedDistance, ExplainedFile, ExplainedFuel, ExplainedMeasure,
        ExplainedSession, Explanation, FuelChoice, InputKind, PersonDecision, Report,
    },
    units::mpg_us_from_l_per_100km,
};

use crate::{
    assemble::{Comparison, source_name},
    columns,
    command::origin_name,
    dataset::Session,
    fuel_check,
    run::RunFacts,
};

/// A run that cannot be explained.
#[derive(Debug, thiserror::Error)]
pub enum ExplainError {
    /// The campaign has no such run.
    #[error("run `{run}` is not in the campaign{hint}")]
    Unknown {
        /// Run asked for.
        run: String,
        /// The nearest there is, or all there are.
        hint: String,
    },
    /// The run has no usable session.
    #[error("run `{run}` is missing: {reason}")]
    Missing {
        /// Run asked for.
        run: String,
        /// Why.
        reason: String,
    },
    /// A ledger lacks its columns.
    #[error("read a ledger: {0}")]
    Columns(#[from] PolarsError),
}

/// Explains a run of a comparison.
///
/// # Errors
/// When the campaign has no such run, when the run has no usable session, or when its frame is no ledger.
pub fn explain(campaign: &Campaign, comparison: &Comparison<'_>, name: &str) -> Result<Explanation, ExplainError> {
    let report = &comparison.report;
    let place_in = |runs: &[RunFacts<'_>]| runs.iter().position(|r| r.sheet.run == name);
    let (beside, place) = match (place_in(&comparison.runs), place_in(&comparison.aside)) {
        (Some(place), _) => (false, place),
        (None, Some(place)) => (true, place),
        (None, None) => return Err(not_there(report, name)),
    };
    let (runs, results) =
        if beside { (&comparison.aside, &report.control_runs) } else { (&comparison.runs, &report.runs) };
    let run = &runs[place];
    let result = results.iter().find(|r| r.id == name).ok_or_else(|| not_there(report, name))?;
    let consumption = run.l_per_100km();
    Ok(Explanation {
        schema: EXPLANATION_VERSION,
        software: report.provenance.software.clone(),
        campaign: campaign.name.clone(),
        run: name.to_owned(),
        condition: run.sheet.condition,
        used: result.used,
        reason: result.reason.clone(),
        session: session(run),
        channels: channels::of_run(run)?,
        bins: bins(run)?,
        distance: distance(run)?,
        fuel: fuel(run, report.fuel_check.decision.clone())?,
        l_per_100km: consumption,
        mpg_us: consumption.map(mpg_us_from_l_per_100km),
        rules: rules::of_run(campaign, runs, place, beside),
        share: share::of_run(campaign, comparison, place, beside),
    })
}

fn not_there(report: &Report, name: &str) -> ExplainError {
    if let Some(missing) = report.missing_runs.iter().find(|m| m.id == name) {
        return ExplainError::Missing { run: name.to_owned(), reason: missing.reason.clone() };
    }
    let known = || report.runs.iter().chain(&report.control_runs).map(|r| r.id.as_str());
    let hint = match nearest(name, known()) {
        Some(near) => format!("; did you mean `{near}`?"),
        None => format!("; it has {}", known().collect::<Vec<_>>().join(", ")),
    };
    ExplainError::Unknown { run: name.to_owned(), hint }
}

fn session(run: &RunFacts<'_>) -> ExplainedSession {
    let session = &run.ledger.session;
    let m = &session.manifest;
    let manifest = session.companions().into_iter().find(|(kind, ..)| *kind == InputKind::Manifest);
    ExplainedSession {
        session: m.session.clone(),
        vehicle: m.vehicle.clone(),
        start: m.start_us.to_string(),
        end: m.end_us.to_string(),
        origin: origin_name(&m.origin).to_owned(),
        software: m.software.clone(),
        clock: m.clock.clone(),
        content_blake3: session.digest.to_string(),
        manifest_blake3: manifest.map(|(_, _, digest)| digest.to_string()),
        rig: m.rig.file.clone(),
        rig_blake3: session.rig.digest().to_string(),
        corrections: corrections(session),
        files: m
            .files
            .iter()
            .map(|f| ExplainedFile { path: f.path.clone(), rows: f.rows, bytes: f.bytes, blake3: f.blake3.to_string() })
            .collect(),
        notes: run.notes.clone(),
    }
}

/// Corrections of a session's run sheet as decisions of people.
pub(crate) fn corrections(session: &Session) -> Vec<PersonDecision> {
    let run = session.manifest.run.as_ref().map(|r| r.run.clone());
    let decision = |c: &tallywheel_schemas::correction::AppliedCorrection| PersonDecision {
        what: format!("run sheet: {} was {}, is {}", c.field, c.from, c.to),
        run: run.clone(),
        by: c.who.clone(),
        date: c.at.clone(),
        reason: c.reason.clone(),
    };
    session.corrections.iter().map(decision).collect()
}

fn bins(run: &RunFacts<'_>) -> PolarsResult<ExplainedBins> {
    let values = |name| columns::floats(&run.bins, name);
    Ok(ExplainedBins {
        width_s: run.ledger.findings.bin_s(),
        t_us: run.bins.column("t_us")?.i64()?.iter().flatten().collect(),
        distance_m: values("distance_m")?,
        distance_valid_s: values("distance_valid_s")?,
        fuel_ml: values("fuel_ml")?,
        fuel_valid_s: values("fuel_valid_s")?,
    })
}

fn distance(run: &RunFacts<'_>) -> PolarsResult<ExplainedDistance> {
    let sum = |name| columns::sum(&run.bins, name);
    Ok(ExplainedDistance {
        source: source_name(run.ledger.findings.distance_source),
        distance_m: run.tally.distance_m,
        covered_s: run.tally.distance_valid_s,
        wheel_m: sum("wheel_distance_m")?,
        hall_m: sum("hall_distance_m")?,
        gps_m: sum("gps_distance_m")?,
    })
}

fn fuel(run: &RunFacts<'_>, decision: Option<FuelChoice>) -> PolarsResult<ExplainedFuel> {
    let fuel = &run.ledger.session.rig.fuel;
    let mut by_measure = Vec::new();
    for measure in fuel_check::MEASURES {
        by_measure.extend(fuel_check::measured(run, measure)?.map(|m| ExplainedMeasure {
            measure,
            mass_g: m.mass_g,
            volume_ml: m.mass_g / fuel.density_g_per_ml,
            covered_s: m.covered_s,
        }));
    }
    let metered_ml = columns::sum(&run.bins, "fuel_meter_ml")?;
    let at_reference = by_measure.iter().find(|m| m.measure == FuelMeasure::Meter).map(|m| m.volume_ml);
    Ok(ExplainedFuel {
        measure: run.fuel_measure,
        decision,
        fuel_ml: run.tally.fuel_ml,
        covered_s: run.tally.fuel_valid_s,
        by_measure,
        density_g_per_ml: fuel.density_g_per_ml,
        reference_c: fuel.reference_c,
        volume_model: fuel.expansion_model(),
        ml_per_pulse: fuel.ml_per_pulse,
        volume_factor: at_reference.zip(metered_ml.filter(|ml| *ml > 0.0)).map(|(at, ml)| at / ml),
        metered_ml,
        temperature_c: columns::mean(&run.bins, "fuel_temp_c")?,
        weighed_kg: run.sheet.fuel_mass_before_kg.zip(run.sheet.fuel_mass_after_kg),
    })
}

#[cfg(test)]
mod tests;

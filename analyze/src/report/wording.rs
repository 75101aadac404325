//! What text and page say of the verdict in the same words.

use tallywheel_schemas::{
    Condition, Units,
    report::{BlockResult, CrossCheck, Improvement, Look, Report, SegmentResult, VehicleResult},
};

use super::text::{consumption_of, interval, length, likeness};
use crate::{
    figure::{fixed, signed},
    likeness::words::obstacle,
};

/// The report's first words in the units asked for.
pub(super) fn answer(report: &Report, units: Units) -> String {
    match units {
        Units::Metric => report.answer.clone(),
        Units::Us => crate::answer::answer(&report.route, &report.verdict, &report.improvement, &report.energy, units),
    }
}

/// The verdict's reasons in the units asked for: those that a row of quantities gave are said by the row again.
pub(super) fn reasons(report: &Report, units: Units) -> Vec<String> {
    let in_units = |reason: &String| {
        let row = report.comparability.iter().find(|row| obstacle(row) == *reason);
        row.map_or_else(|| reason.clone(), |row| likeness::obstacle(row, units))
    };
    report.verdict.reasons.iter().map(in_units).collect()
}

/// A label and what stands beside it.
pub(super) type Line = (String, String);

/// Where the interval comes from: runs and calibrations combined and apart.
pub(super) fn origins(improvement: &Improvement) -> Vec<Line> {
    let mut lines = Vec::new();
    if improvement.calibration_difference_relative > 0.0 {
        if let Some(runs) = &improvement.from_runs_percent {
            lines.push(("From the runs alone".to_owned(), interval(runs)));
        }
        if let Some(calibrations) = &improvement.from_calibrations_percent {
            lines.push(("From calibrations alone".to_owned(), interval(calibrations)));
        }
    }
    if let (Some(k), Some(df)) = (improvement.coverage_factor, improvement.effective_degrees_of_freedom) {
        let what = format!("{} with {} effective degrees of freedom", fixed(k, 2), fixed(df, 1));
        lines.push(("Coverage factor".to_owned(), what));
    }
    lines
}

/// The look at the claim.
pub(super) fn look(look: &Look) -> Line {
    let spent =
        format!("{} of {} % error spent", fixed(look.error_spent * 100.0, 2), fixed(look.error_allowed * 100.0, 0));
    let what = match (look.number, &look.mileage_percent, look.confidence) {
        (0, ..) => format!("none taken of {}; {spent}", look.of),
        (n, Some(i), Some(confidence)) => format!(
            "{n} of {}, at {} {}: {} at {} % confidence; {spent}",
            look.of,
            look.units_looked_at,
            look.unit,
            interval(i),
            fixed(confidence * 100.0, 2)
        ),
        (n, ..) => format!("{n} of {}, at {} {}: no interval; {spent}", look.of, look.units_looked_at, look.unit),
    };
    (if look.planned { "Planned look" } else { "Look taken for granted" }.to_owned(), what)
}

/// Another method's result.
pub(super) fn cross_check(check: &CrossCheck) -> Line {
    let result = check.mileage_percent.as_ref().map_or_else(String::new, |i| format!("{}: ", interval(i)));
    let verdict = match check.agrees {
        Some(true) => "agrees".to_owned(),
        Some(false) => "DISAGREES".to_owned(),
        None => check.note.clone(),
    };
    let draws = match (check.resamples, check.seed) {
        (Some(n), Some(seed)) => format!(" ({n} resamples, seed {seed})"),
        _ => String::new(),
    };
    ("Cross-check".to_owned(), format!("{}{draws}: {result}{verdict}", check.method))
}

/// What belongs to the design.
pub(super) fn parts(improvement: &Improvement, units: Units) -> Vec<Line> {
    let parts = &improvement.parts;
    let mut lines = Vec::new();
    if let Some(drift) = &parts.drift_percent_per_run {
        let confidence = (drift.low, drift.high);
        let span = match confidence {
            (Some(low), Some(high)) => format!(" ({} to {} %)", signed(low, 2), signed(high, 2)),
            _ => String::new(),
        };
        lines.push((
            "Drift of consumption".to_owned(),
            format!("{} % from run to run{span}", signed(drift.estimate, 2)),
        ));
    }
    lines.extend(parts.blocks.iter().map(block));
    lines.extend(parts.segments.iter().map(segment));
    lines.extend(parts.vehicles.iter().map(|v| vehicle(v, units)));
    if let Some(model) = &parts.covariates {
        lines.push(("Adjusted by".to_owned(), model.model.clone()));
        for slope in &model.slopes {
            let i = &slope.percent_per_unit;
            let span = match (i.low, i.high) {
                (Some(low), Some(high)) => format!("({} to {} %)", signed(low, 2), signed(high, 2)),
                _ => "(no interval)".to_owned(),
            };
            lines.push((
                format!("Slope of {}", slope.covariate),
                format!("{} % of consumption per unit {span}", signed(i.estimate, 2)),
            ));
        }
        if let Some(unadjusted) = &model.unadjusted_percent {
            lines.push(("Without adjustment".to_owned(), interval(unadjusted)));
        }
    }
    lines.extend(parts.notes.iter().map(|note| ("Note".to_owned(), note.clone())));
    lines
}

fn block(block: &BlockResult) -> Line {
    let gained =
        block.mileage_percent.map_or_else(|| "one condition only".to_owned(), |p| format!("{} %", signed(p, 1)));
    (
        format!("Block {}", block.name),
        format!("{gained}, from {} runs without assist and {} with it", block.baseline_runs, block.assist_runs),
    )
}

fn segment(segment: &SegmentResult) -> Line {
    let name = match segment.segment {
        Condition::Baseline => "Test/control without assist",
        Condition::Assist => "Test/control with assist",
    };
    let ratios: Vec<String> = segment
        .passes
        .iter()
        .map(|p| format!("{} {}{}", p.test, fixed(p.ratio, 4), if p.in_band { "" } else { " (outside the band)" }))
        .collect();
    let band = segment.band.map_or_else(String::new, |b| {
        format!("; band {} % of at most {} %", fixed(b * 100.0, 2), fixed(segment.band_limit * 100.0, 1))
    });
    let repeat = if segment.to_repeat.is_empty() {
        String::new()
    } else {
        format!("; to be driven again: {}", segment.to_repeat.join(", "))
    };
    let valid = if segment.valid { "" } else { "; not valid" };
    (name.to_owned(), format!("{}{band}{repeat}{valid}", ratios.join(", ")))
}

fn vehicle(vehicle: &VehicleResult, units: Units) -> Line {
    let l = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| consumption_of(v, units));
    let far = |km: f64| {
        let (value, unit) = length(km, units);
        format!("{} {unit}", fixed(value, 0))
    };
    let kit = vehicle.installed.as_ref().map_or_else(|| "never fitted".to_owned(), |day| format!("fitted {day}"));
    let gained = vehicle.mileage_percent.map_or_else(String::new, |p| {
        format!(
            "; at the same speeds {} and {}, {} % (over {} % of the distance)",
            l(vehicle.before_standardised_l_per_100km),
            l(vehicle.after_standardised_l_per_100km),
            signed(p, 1),
            fixed(vehicle.distance_share.unwrap_or(0.0) * 100.0, 0)
        )
    });
    let note = vehicle.note.as_ref().map_or_else(String::new, |n| format!("; {n}"));
    (
        format!("Vehicle {}", vehicle.name),
        format!(
            "{kit}; before {} over {}, after {} over {}{gained}{note}",
            l(vehicle.before_l_per_100km),
            far(vehicle.before_km),
            l(vehicle.after_l_per_100km),
            far(vehicle.after_km)
        ),
    )
}

/// Everything, in order.
pub(super) fn lines(report: &Report, units: Units) -> Vec<Line> {
    let mut all = origins(&report.improvement);
    all.extend(report.verdict.look.as_ref().map(look));
    all.extend(report.improvement.cross_checks.iter().map(cross_check));
    all.extend(parts(&report.improvement, units));
    all
}

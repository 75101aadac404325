//! The channels that a run's distance and fuel come from, with their first and last values as stored.

use arrow::{
    array::{Array, AsArray, RecordBatch},
    datatypes::{Float64Type, Int64Type},
};
use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Channel, Table,
    campaign::FuelMeasure,
    report::{ExplainedCalibration, ExplainedChannel},
    rig::{Calibration, DistanceSource, unit_of},
};

use crate::run::RunFacts;

/// The channels of distance and of every measure of fuel that the session has.
pub(super) fn of_run(run: &RunFacts<'_>) -> PolarsResult<Vec<ExplainedChannel>> {
    let distance = match run.ledger.findings.distance_source {
        Some(DistanceSource::Wheel) => Some("motion.wheel_speed_m_s"),
        Some(DistanceSource::Hall) => Some("motion.hall_count"),
        Some(DistanceSource::Gps) => Some("motion.gps_speed_m_s"),
        None => None,
    };
    let mut names: Vec<&str> = distance.into_iter().collect();
    for measure in crate::fuel_check::MEASURES {
        if crate::fuel_check::measured(run, measure)?.is_some() {
            names.extend(match measure {
                FuelMeasure::Weighed => &[] as &[&str],
                FuelMeasure::Meter => &["engine.fuel_count", "engine.fuel_temp_c"],
                FuelMeasure::Rate => &["engine.fuel_rate_g_s"],
                FuelMeasure::Air => &["engine.maf_g_s", "engine.lambda"],
            });
        }
    }
    Ok(names.into_iter().filter_map(|name| explained(run, name)).collect())
}

fn explained(run: &RunFacts<'_>, name: &str) -> Option<ExplainedChannel> {
    let found = run.ledger.findings.channels.iter().find(|c| c.channel == name)?;
    let session = &run.ledger.session;
    let signal = session.rig.signal(name, None);
    let record = session.manifest.channels.iter().find(|c| c.channel == name);
    let (first, last) = ends(run, name);
    Some(ExplainedChannel {
        channel: name.to_owned(),
        unit: unit_of(&session.rig, name).to_owned(),
        port: signal.map(|s| s.port.clone()),
        message: signal.map(|s| s.source.message()),
        scale: signal.map(|s| s.scale),
        offset: signal.map(|s| s.offset),
        calibration: signal.and_then(|s| s.calibration.as_ref()).map(calibration),
        modulus: signal.and_then(|s| s.modulus),
        samples: found.samples,
        first,
        last,
        missing: record.map_or(0, |r| r.missing),
        out_of_range: record.map_or(0, |r| r.out_of_range),
        gap_limit_s: signal.map(|s| s.max_gap_s).or(Channel::find(name).map(|c| c.max_gap_s)),
        gaps: found.gaps,
        gap_s: found.gap_s,
        covered_s: found.covered_s,
        wraps: found.wraps,
        resets: found.resets,
    })
}

fn calibration(c: &Calibration) -> ExplainedCalibration {
    ExplainedCalibration {
        factor: c.factor,
        offset: c.offset,
        certificate: c.certificate.clone(),
        date: c.date.clone(),
        relative_uncertainty: c.relative_uncertainty,
        absolute_uncertainty: c.absolute_uncertainty,
        degrees_of_freedom: c.degrees_of_freedom,
    }
}

/// First and last value of a channel in its decoded table.
fn ends(run: &RunFacts<'_>, name: &str) -> (Option<f64>, Option<f64>) {
    let Some(channel) = Channel::find(name) else { return (None, None) };
    let rows = run.ledger.session.rows(Table::Decoded(channel.domain), &[channel.column]);
    rows.fold((None, None), |(first, last), batch| {
        let (a, b) = ends_of(&batch, channel.column);
        (first.or(a), b.or(last))
    })
}

fn ends_of(batch: &RecordBatch, column: &str) -> (Option<f64>, Option<f64>) {
    let Some(array) = batch.column_by_name(column) else { return (None, None) };
    let known = || (0..array.len()).filter(|i| array.is_valid(*i));
    let value = |i: usize| {
        let float = array.as_primitive_opt::<Float64Type>().map(|a| a.value(i));
        float.or_else(|| array.as_primitive_opt::<Int64Type>().map(|a| a.value(i) as f64))
    };
    (known().next().and_then(value), known().next_back().and_then(value))
}

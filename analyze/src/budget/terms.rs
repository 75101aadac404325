//! What is uncertain about one run's distance and fuel, one term per calibration.
//!
//! A term is an input with its sensitivity on the logarithm of a sum: 1 means that a share of the input is the same
//! share of the sum. Terms of two runs are the same error when their identity is: same signal, factor, certificate and
//! day. Where the rig states no uncertainty, common practice stands in and the term says so; nothing is taken as exact
//! for want of a number.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{Condition, campaign::FuelMeasure, rig::DistanceSource};

use super::Input;
use crate::{columns, fuel_check, run::RunFacts, uncertainty::uncalibrated};

/// An uncertain input of one run or of some runs together.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Term {
    pub(crate) quantity: String,
    pub(crate) source: String,
    pub(crate) assumed: bool,
    /// Independent from run to run, so that it shows in their scatter.
    pub(crate) scatters: bool,
    pub(crate) unit: String,
    pub(crate) standard_uncertainty: f64,
    pub(crate) degrees_of_freedom: f64,
    pub(crate) sensitivity: f64,
    identity: String,
}

impl Term {
    /// An uncertainty that nobody stated.
    fn assumed(quantity: &str, source: &str, unit: &str, standard_uncertainty: f64, sensitivity: f64) -> Self {
        Self {
            quantity: quantity.to_owned(),
            source: source.to_owned(),
            assumed: true,
            scatters: false,
            unit: unit.to_owned(),
            standard_uncertainty,
            degrees_of_freedom: f64::INFINITY,
            sensitivity,
            identity: format!("{quantity} {source} {standard_uncertainty}"),
        }
    }

    /// A share that nobody stated, with sensitivity 1.
    pub(crate) fn stated_by_nobody(quantity: &str, source: &str, share: f64) -> Self {
        Self::assumed(quantity, source, "1", share, 1.0)
    }

    /// The spread of observations, as a share.
    pub(crate) fn observed(quantity: &str, source: &str, standard_error: f64, degrees_of_freedom: f64) -> Self {
        let term = Self::assumed(quantity, source, "1", standard_error, 1.0);
        Self { assumed: false, degrees_of_freedom, ..term }
    }

    /// As an input of [`combine`](super::combine).
    pub(crate) const fn input(&self) -> Input {
        Input {
            standard_uncertainty: self.standard_uncertainty,
            sensitivity: self.sensitivity,
            degrees_of_freedom: self.degrees_of_freedom,
        }
    }

    /// Whether the errors behind two terms are the same error.
    pub(crate) fn is_same_error(&self, other: &Self) -> bool {
        self.identity == other.identity
    }

    fn times(mut self, factor: f64) -> Self {
        self.sensitivity *= factor;
        self
    }
}

/// Share of an error of air mass or reported rate that depends on the engine's load, so that it is not the same with
/// and without assist (assumed; neither is a meter that is calibrated over its range).
const LOAD_SHARE: f64 = 0.25;

/// Adds up the sensitivities of terms that are the same error, in order of first appearance.
pub(crate) fn merged(terms: impl IntoIterator<Item = Term>) -> Vec<Term> {
    let mut merged: Vec<Term> = Vec::new();
    for term in terms {
        match merged.iter_mut().find(|t| t.is_same_error(&term)) {
            Some(same) => same.sensitivity += term.sensitivity,
            None => merged.push(term),
        }
    }
    // What is left of a cancelled sensitivity is rounding.
    merged.retain(|t| t.sensitivity.abs() > 1e-12);
    merged
}

/// Terms of the mean of some runs' logarithms.
pub(crate) fn mean(runs: Vec<Vec<Term>>) -> Vec<Term> {
    let share = 1.0 / runs.len().max(1) as f64;
    merged(runs.into_iter().flatten().map(|t| t.times(share)))
}

/// Terms of the first minus those of the second.
pub(crate) fn difference(first: Vec<Term>, second: Vec<Term>) -> Vec<Term> {
    merged(first.into_iter().chain(second.into_iter().map(|t| t.times(-1.0))))
}

/// Terms of the logarithm of a run's mileage, distance over fuel volume.
///
/// # Errors
/// When the run's frame is no ledger.
pub(crate) fn mileage_terms(run: &RunFacts<'_>) -> PolarsResult<Vec<Term>> {
    let Some(measure) = run.fuel_measure else { return Ok(distance_terms(run)) };
    let volume = difference(mass_terms(run, measure)?, vec![density(run)]);
    Ok(difference(distance_terms(run), volume))
}

/// Terms of the logarithm of a run's distance.
fn distance_terms(run: &RunFacts<'_>) -> Vec<Term> {
    let assumed = |share, source: &str| vec![Term::assumed("distance", source, "1", share, 1.0)];
    match run.ledger.findings.distance_source {
        Some(DistanceSource::Wheel) => calibrated(run, "motion.wheel_speed_m_s", "wheel speed", run.speed_mean_m_s)
            .unwrap_or_else(|| {
                assumed(uncalibrated::WHEEL, "no calibration of the wheel speed: 1 % (common practice)")
            }),
        Some(DistanceSource::Hall) => calibrated(run, "motion.hall_count", "wheel edges", None).unwrap_or_else(|| {
            assumed(uncalibrated::WHEEL, "no calibration of the wheel edges: 1 % (common practice)")
        }),
        Some(DistanceSource::Gps) => calibrated(run, "motion.gps_speed_m_s", "satellite speed", run.speed_mean_m_s)
            .unwrap_or_else(|| {
                assumed(uncalibrated::SATELLITE, "distance from satellite speed: 0.5 % (common practice)")
            }),
        None => Vec::new(),
    }
}

/// Terms of the logarithm of the mass of fuel that a measure gives for a run.
///
/// # Errors
/// When the run's frame is no ledger.
pub(crate) fn mass_terms(run: &RunFacts<'_>, measure: FuelMeasure) -> PolarsResult<Vec<Term>> {
    let Some(m) = fuel_check::measured(run, measure)? else { return Ok(Vec::new()) };
    let rate = (m.covered_s > 0.0).then(|| m.mass_g / m.covered_s);
    Ok(match measure {
        FuelMeasure::Weighed => vec![scale(run, m.mass_g)],
        FuelMeasure::Meter => {
            let mut terms = calibrated(run, "engine.fuel_count", "fuel meter", None).unwrap_or_else(|| {
                let source = "no calibration of the fuel meter: 1 % (common practice)";
                vec![Term::assumed("fuel meter", source, "1", uncalibrated::FUEL_METER, 1.0)]
            });
            terms.extend(temperature(run)?);
            terms.push(density(run));
            terms
        }
        FuelMeasure::Rate => with_load_share(
            run,
            "reported fuel rate",
            calibrated(run, "engine.fuel_rate_g_s", "reported fuel rate", rate).unwrap_or_else(|| {
                let source = "no calibration of the reported rate: within 5 % (limit for on-board fuel meters in EU type \
                              approval, from memory)";
                vec![Term::assumed("reported fuel rate", source, "1", uncalibrated::FUEL_RATE, 1.0)]
            }),
        ),
        FuelMeasure::Air => with_load_share(run, "air mass", air(run, rate)),
    })
}

/// Air mass, lambda and the fuel's need of air.
fn air(run: &RunFacts<'_>, rate: Option<f64>) -> Vec<Term> {
    let mean_air = rate.map(|g_s| g_s * run.ledger.session.rig.fuel.stoichiometric_ratio);
    let mut terms = calibrated(run, "engine.maf_g_s", "air mass", mean_air).unwrap_or_else(|| {
        let source = "no calibration of the air mass: 3 % (common practice)";
        vec![Term::assumed("air mass", source, "1", uncalibrated::AIR_MASS, 1.0)]
    });
    terms.extend(calibrated(run, "engine.lambda", "lambda", Some(1.0)).unwrap_or_else(|| {
        let source = "no calibration of lambda: 1 % (common practice)";
        vec![Term::assumed("lambda", source, "1", uncalibrated::LAMBDA, 1.0)]
    }));
    let source = "14.08 (a tenth ethanol) to 14.7 (none), from memory";
    terms.push(Term::assumed("stoichiometric ratio", source, "1", 0.31 / 14.39 / 3.0_f64.sqrt(), 1.0));
    terms
}

/// Adds the part of an error that changes with the load: half of it one way without assist, half the other way with.
fn with_load_share(run: &RunFacts<'_>, quantity: &str, mut terms: Vec<Term>) -> Vec<Term> {
    let sensor = terms.first().map(|t| t.input().contribution().abs()).unwrap_or_default();
    let share = sensor * LOAD_SHARE;
    let source = "a quarter of the error changes with the load of the engine";
    let side = if run.sheet.condition == Condition::Assist { 0.5 } else { -0.5 };
    let mut term = Term::assumed(&format!("{quantity}, change with load"), source, "1", share, side);
    term.identity = format!("{quantity} load");
    terms.push(term);
    terms
}

/// Density of the fuel at the reference temperature.
fn density(run: &RunFacts<'_>) -> Term {
    let fuel = &run.ledger.session.rig.fuel;
    let mut term = match fuel.density_relative_uncertainty {
        Some(u) => Term { assumed: false, ..Term::assumed("fuel density", "stated in the rig", "1", u, 1.0) },
        // 720 to 775 kg/m³ at 15 °C.
        None => {
            let source = "not stated: any petrol of EN 228 (0.720 to 0.775 g/mL, from memory)";
            Term::assumed("fuel density", source, "1", 0.055 / 2.0 / 0.747_5 / 3.0_f64.sqrt(), 1.0)
        }
    };
    term.identity = format!("{} {}", term.identity, fuel.density_g_per_ml);
    term
}

/// The fuel's temperature and its expansion, for what a volumetric meter counts.
fn temperature(run: &RunFacts<'_>) -> PolarsResult<Vec<Term>> {
    let fuel = &run.ledger.session.rig.fuel;
    let Some(mean) = columns::mean(&run.ledger.bins, "fuel_temp_c")? else {
        let slope = fuel.volume_factor_slope(fuel.reference_c);
        let side = if run.sheet.condition == Condition::Assist { 0.5 } else { -0.5 };
        let (level, apart) =
            ("not recorded: taken as the reference, within 10 K", "not recorded: 3 K between the conditions");
        return Ok(vec![
            Term::assumed("fuel temperature", level, "K", 10.0, slope),
            Term::assumed("fuel temperature, difference", apart, "K", 3.0, slope * side),
        ]);
    };
    let slope = fuel.volume_factor_slope(mean);
    // A share of a temperature in °C means nothing; of a sensor's two uncertainties the absolute one counts.
    let sensor = run.ledger.session.rig.signal("engine.fuel_temp_c", None);
    let stated = sensor.and_then(|s| s.calibration.as_ref()).filter(|c| c.absolute_uncertainty > 0.0);
    let sensor = match stated {
        Some(c) => Term {
            assumed: false,
            degrees_of_freedom: c.degrees_of_freedom.unwrap_or(f64::INFINITY),
            identity: format!("fuel temperature {c:?}"),
            ..Term::assumed("fuel temperature", &certificate(c), "K", c.absolute_uncertainty, slope)
        },
        None => Term::assumed("fuel temperature", "no calibration: 1 K (common practice)", "K", 1.0, slope),
    };
    let source = "0.00005 per K around the model of expansion";
    let expansion = Term::assumed("fuel expansion", source, "K-1", 0.000_05, -(mean - fuel.reference_c));
    Ok(vec![sensor, expansion])
}

/// Two weighings of the tank. Their errors are new in every run.
fn scale(run: &RunFacts<'_>, mass_g: f64) -> Term {
    let stated = run.ledger.session.rig.fuel.scale_uncertainty_g;
    let source = if stated.is_some() { "stated in the rig" } else { "not stated: 5 g a weighing (common practice)" };
    let each = stated.unwrap_or(5.0);
    let mut term = Term::assumed("scale", source, "g", each, std::f64::consts::SQRT_2 / mass_g);
    term.assumed = stated.is_none();
    term.scatters = true;
    term.identity = format!("scale {}", run.sheet.run);
    term
}

/// What a measure that does not cover a whole run leaves open against a weighing, which does.
pub(crate) fn uncovered(run: &RunFacts<'_>, share: f64) -> Term {
    let mut term =
        Term::assumed("time not covered", "the uncovered share of the run", "1", share / 3.0_f64.sqrt(), 1.0);
    term.assumed = false;
    term.scatters = true;
    term.identity = format!("uncovered {}", run.sheet.run);
    term
}

/// Terms of a channel's calibration with sensitivity 1 on the logarithm: the relative part, and the absolute one at a
/// typical value. `None` where no uncertainty is stated.
pub(crate) fn calibrated(run: &RunFacts<'_>, channel: &str, quantity: &str, typical: Option<f64>) -> Option<Vec<Term>> {
    let rig = &run.ledger.session.rig;
    let signal = rig.signal(channel, None)?;
    let c = signal.calibration.as_ref()?;
    let typical = typical.filter(|t| t.is_finite() && *t != 0.0);
    let term = |part: &str, unit: &str, u: f64, sensitivity: f64| Term {
        assumed: false,
        degrees_of_freedom: c.degrees_of_freedom.unwrap_or(f64::INFINITY),
        identity: format!("{part} {channel} {} {} {} {c:?}", signal.port, signal.scale, signal.offset),
        ..Term::assumed(&format!("{quantity}{part}"), &certificate(c), unit, u, sensitivity)
    };
    let relative = (c.relative_uncertainty > 0.0).then(|| term("", "1", c.relative_uncertainty, 1.0));
    let unit = tallywheel_schemas::rig::unit_of(rig, channel);
    let absolute = typical
        .filter(|_| c.absolute_uncertainty > 0.0)
        .map(|t| term(", offset", unit, c.absolute_uncertainty, 1.0 / t));
    let terms: Vec<Term> = relative.into_iter().chain(absolute).collect();
    (!terms.is_empty()).then_some(terms)
}

/// Certificate and day of a calibration.
fn certificate(c: &tallywheel_schemas::rig::Calibration) -> String {
    match (&c.certificate, &c.date) {
        (Some(name), Some(day)) => format!("{name}, {day}"),
        (Some(one), None) | (None, Some(one)) => one.clone(),
        (None, None) => "stated in the rig".to_owned(),
    }
}

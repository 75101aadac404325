//! The budget of a comparison: terms of all runs gathered into lines, lines combined into results.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    campaign::FuelMeasure,
    report::{BudgetLine, BudgetSum, EnergyAccount, Evaluation, UncertaintyBudget},
};

use super::{
    Input, combine,
    terms::{Term, calibrated, mean, merged, mileage_terms},
};
use crate::{account::KWH_PER_LITRE_PETROL, effect::Effect, run::RunFacts, stats::Sample, uncertainty::uncalibrated};

/// What the spread of the runs leaves uncertain about the log ratio of consumptions.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Method in words.
    pub method: String,
}

impl Spread {
    /// Of an estimated effect. `None` where the runs give no standard error.
    pub fn of(effect: &Effect) -> Option<Self> {
        let (standard_error, degrees_of_freedom) = effect.standard_error.zip(effect.degrees_of_freedom)?;
        Some(Self { standard_error, degrees_of_freedom, method: effect.method.clone() })
    }
}

/// Sensitivities of one term on the four results.
struct Line {
    term: Term,
    evaluation: Evaluation,
    baseline: f64,
    assist: f64,
    improvement: f64,
    electric: Option<f64>,
}

/// Relative standard uncertainty of the mean mileage of some runs from calibrations and weighings alone.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn calibration_relative(runs: &[&RunFacts<'_>]) -> PolarsResult<f64> {
    let terms = mean(all_terms(runs)?);
    let inputs: Vec<Input> = terms.iter().map(Term::input).collect();
    Ok(combine(&inputs, &[]).standard_uncertainty)
}

/// What the calibrations alone leave uncertain about the ratio of the mileages after cancelling: its relative standard
/// uncertainty and its effective degrees of freedom, infinite where all are taken as exactly known. `None` without runs
/// in both conditions.
pub fn systematic(budget: &UncertaintyBudget) -> Option<(f64, f64)> {
    let sum = budget.improvement_from_calibrations?;
    Some((sum.standard_percent / 100.0, sum.degrees_of_freedom.unwrap_or(f64::INFINITY)))
}

/// Draws up the budget.
///
/// `spread` is that of the improvement; `energy` is the account of the assisted runs.
///
/// # Formula
/// With `m = ln(mileage)` as the mean over a condition's runs, an input `x` with standard uncertainty `u` contributes
/// `|∂m_b/∂x|·u` and `|∂m_a/∂x|·u` to the mileages and `|∂m_a/∂x − ∂m_b/∂x|·u` to their ratio. A share that is the same
/// calibration in both conditions cancels wholly; an offset cancels as far as the mean values are alike, `u·|1/x_b − 1/x_a|`;
/// different calibrations do not cancel.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn draw_up(
    baseline: &[&RunFacts<'_>],
    assist: &[&RunFacts<'_>],
    spread: Option<&Spread>,
    energy: &EnergyAccount,
    confidence: f64,
) -> PolarsResult<UncertaintyBudget> {
    let electric = ElectricPart::of(energy);
    let mut lines = calibration_lines(&mean(all_terms(baseline)?), &mean(all_terms(assist)?), electric.as_ref());
    lines.extend(electric.iter().flat_map(|e| e.lines(assist)));
    let from_calibrations = lines.len();
    lines.extend(spread_lines(baseline, assist, spread, electric.as_ref()));
    let sum = |lines: &[Line], of: &dyn Fn(&Line) -> f64| total(lines, of, confidence);
    let both = !baseline.is_empty() && !assist.is_empty();
    Ok(UncertaintyBudget {
        confidence,
        baseline: (!baseline.is_empty()).then(|| sum(&lines, &|l| l.baseline)),
        assist: (!assist.is_empty()).then(|| sum(&lines, &|l| l.assist)),
        with_electricity: electric.as_ref().map(|_| sum(&lines, &|l| l.electric.unwrap_or(0.0))),
        improvement: (both && spread.is_some()).then(|| sum(&lines, &|l| l.improvement)),
        gain_with_electricity_from_calibrations: electric
            .as_ref()
            .filter(|_| both)
            .map(|_| sum(&lines[..from_calibrations], &|l| l.electric.unwrap_or(0.0) - l.baseline)),
        improvement_from_calibrations: both.then(|| sum(&lines[..from_calibrations], &|l| l.improvement)),
        notes: notes(baseline, assist, spread, electric.is_some()),
        lines: lines.iter().map(written).collect(),
    })
}

fn all_terms(runs: &[&RunFacts<'_>]) -> PolarsResult<Vec<Vec<Term>>> {
    runs.iter().map(|run| mileage_terms(run)).collect()
}

/// One line per calibration of fuel and distance. What scatters from run to run is in the spread.
fn calibration_lines(baseline: &[Term], assist: &[Term], electric: Option<&ElectricPart>) -> Vec<Line> {
    let sensitivity =
        |terms: &[Term], to: &Term| terms.iter().find(|t| t.is_same_error(to)).map_or(0.0, |t| t.sensitivity);
    let mut all = baseline.to_vec();
    all.extend(assist.iter().filter(|a| !baseline.iter().any(|b| b.is_same_error(a))).cloned());
    all.into_iter()
        .filter(|term| !term.scatters)
        .map(|term| {
            let (b, a) = (sensitivity(baseline, &term), sensitivity(assist, &term));
            // Distance divides the electricity as well as the fuel.
            let share = electric.map(|e| if is_distance(&term) { 1.0 } else { e.fuel_share });
            Line {
                evaluation: Evaluation::B,
                baseline: b,
                assist: a,
                improvement: a - b,
                electric: share.map(|s| s * a),
                term,
            }
        })
        .collect()
}

fn is_distance(term: &Term) -> bool {
    ["wheel", "satellite", "distance"].iter().any(|word| term.quantity.starts_with(word))
}

/// Spread of the runs in either condition, and of the improvement.
fn spread_lines(
    baseline: &[&RunFacts<'_>],
    assist: &[&RunFacts<'_>],
    spread: Option<&Spread>,
    electric: Option<&ElectricPart>,
) -> Vec<Line> {
    let line = |quantity: &str, source: &str, u: f64, df: f64| Line {
        term: Term::observed(quantity, source, u, df),
        evaluation: Evaluation::A,
        baseline: 0.0,
        assist: 0.0,
        improvement: 0.0,
        electric: electric.map(|_| 0.0),
    };
    let of = |runs: &[&RunFacts<'_>], quantity: &str| {
        let logs: Vec<f64> = runs.iter().filter_map(|r| r.l_per_100km()).map(f64::ln).collect();
        let sample = Sample::of(&logs)?;
        let n = sample.n as f64;
        Some(line(quantity, "standard deviation of the log consumptions", sample.sd? / n.sqrt(), n - 1.0))
    };
    let mut lines = Vec::new();
    lines.extend(of(baseline, "spread of the runs without assist").map(|l| Line { baseline: 1.0, ..l }));
    lines.extend(of(assist, "spread of the runs with assist").map(|l| Line {
        assist: 1.0,
        electric: electric.map(|e| e.fuel_share),
        ..l
    }));
    lines.extend(spread.map(|s| {
        let l = line("spread of the improvement", &s.method, s.standard_error, s.degrees_of_freedom);
        Line { improvement: 1.0, ..l }
    }));
    lines
}

/// The electric part of the consumption that counts electricity as petrol.
struct ElectricPart {
    /// Share of the fuel in that consumption.
    fuel_share: f64,
    /// Mean pack voltage, V.
    voltage_v: Option<f64>,
    /// Net energy out of the pack, Wh.
    net_wh: f64,
    /// Where the charging efficiency comes from.
    efficiency_source: String,
}

impl ElectricPart {
    fn of(energy: &EnergyAccount) -> Option<Self> {
        let whole = energy.petrol_equivalent_l_per_100km.filter(|l| *l > 0.0)?;
        let electric = energy.wall_per_km_wh? / 10.0 / KWH_PER_LITRE_PETROL;
        let voltage = energy.pack_out_kwh.zip(energy.pack_out_ah).filter(|(_, ah)| *ah > 0.0);
        Some(Self {
            fuel_share: 1.0 - electric / whole,
            voltage_v: voltage.map(|(kwh, ah)| kwh * 1000.0 / ah),
            net_wh: energy.net_kwh? * 1000.0,
            efficiency_source: energy.charging_efficiency.as_ref()?.source.clone(),
        })
    }

    /// Lines of pack voltage, pack current and charging. A measured charging efficiency is a ratio of wall energy to
    /// pack energy, so that the shares of the pack's sensors cancel and the wall meter's stays.
    fn lines(&self, assist: &[&RunFacts<'_>]) -> Vec<Line> {
        let share = 1.0 - self.fuel_share;
        let hours: f64 = assist.iter().map(|r| r.tally.pack_valid_s).sum::<f64>() / 3600.0;
        let measured = self.efficiency_source == "measured";
        let of_pack = |run: &RunFacts<'_>| {
            let or = |terms: Option<Vec<Term>>, quantity, share, words| {
                terms.unwrap_or_else(|| vec![Term::stated_by_nobody(quantity, words, share)])
            };
            let mut terms = or(
                calibrated(run, "pack.voltage_v", "pack voltage", self.voltage_v),
                "pack voltage",
                uncalibrated::VOLTAGE,
                "no calibration of the voltage: 0.5 % (common practice)",
            );
            // An offset of the current, at the mean voltage over all the time, against the net energy.
            let one_ampere = self.voltage_v.map(|v| v * hours / self.net_wh);
            terms.extend(or(
                calibrated(run, "pack.current_a", "pack current", one_ampere.map(|share| 1.0 / share)),
                "pack current",
                uncalibrated::CURRENT,
                "no calibration of the current: 1 % (common practice)",
            ));
            if measured {
                terms.retain(|t| t.unit != "1");
                terms.extend(or(
                    calibrated(run, "pack.wall_power_w", "wall power", None),
                    "wall power",
                    0.02,
                    "no calibration of the wall power: 2 % (common practice)",
                ));
            } else {
                let words = "stated without an uncertainty: 2 % (common practice)";
                terms.push(Term::stated_by_nobody("charging efficiency", words, 0.02));
            }
            terms
        };
        let line = |term: Term| Line {
            evaluation: Evaluation::B,
            baseline: 0.0,
            assist: 0.0,
            improvement: 0.0,
            electric: Some(-share * term.sensitivity),
            term,
        };
        let mean_of_runs = mean(assist.iter().map(|run| of_pack(run)).collect());
        merged(mean_of_runs).into_iter().map(line).collect()
    }
}

fn total(lines: &[Line], of: &dyn Fn(&Line) -> f64, confidence: f64) -> BudgetSum {
    let inputs: Vec<Input> = lines.iter().map(|l| Input { sensitivity: of(l), ..l.term.input() }).collect();
    let combined = combine(&inputs, &[]);
    let expanded = combined.expanded(confidence);
    BudgetSum {
        standard_percent: combined.standard_uncertainty * 100.0,
        degrees_of_freedom: combined.degrees_of_freedom.filter(|df| df.is_finite()),
        coverage_factor: expanded.map(|e| e.coverage_factor),
        expanded_percent: expanded.map(|e| e.uncertainty * 100.0),
    }
}

fn written(line: &Line) -> BudgetLine {
    let t = &line.term;
    let percent = |sensitivity: f64| (sensitivity * t.standard_uncertainty).abs() * 100.0;
    let larger = line.baseline.abs().max(line.assist.abs());
    let shared = line.evaluation == Evaluation::B && larger > 0.0;
    BudgetLine {
        quantity: t.quantity.clone(),
        source: t.source.clone(),
        assumed: t.assumed,
        evaluation: line.evaluation,
        standard_uncertainty: t.standard_uncertainty,
        unit: t.unit.clone(),
        degrees_of_freedom: Some(t.degrees_of_freedom).filter(|df| df.is_finite()),
        sensitivity_baseline: line.baseline,
        sensitivity_assist: line.assist,
        sensitivity_improvement: line.improvement,
        baseline_percent: percent(line.baseline),
        assist_percent: percent(line.assist),
        with_electricity_percent: line.electric.map(percent),
        common_share: shared.then(|| (1.0 - line.improvement.abs() / larger).clamp(0.0, 1.0)),
        improvement_percent: percent(line.improvement),
    }
}

fn notes(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>], spread: Option<&Spread>, electric: bool) -> Vec<String> {
    let mut notes = Vec::new();
    if spread.is_none() {
        notes.push("the runs show no spread that an uncertainty of the improvement could be drawn from".to_owned());
    }
    if electric {
        notes.push("with electricity, the spread from run to run is that of the fuel alone".to_owned());
    }
    if baseline.iter().chain(assist).any(|r| r.fuel_measure == Some(FuelMeasure::Weighed)) {
        notes.push("errors of the scale are new in every weighing: they are in the spread of the runs".to_owned());
    }
    if baseline.iter().chain(assist).any(|r| r.fuel_measure.is_some_and(|m| m != FuelMeasure::Meter)) {
        notes.push("the density is taken to be that of one filling in both conditions, so that it cancels".to_owned());
    }
    notes
}

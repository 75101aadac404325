//! What the numbers rest on, as text: fuel measured twice, the uncertainty budget, and what the report was made from.

use std::fmt::{Result, Write as _};

use tallywheel_schemas::report::{Agreement, BudgetLine, BudgetSum, Evaluation, FuelPair, InputKind, Report};

use super::interval_of;
use crate::{
    explain::decision,
    figure::{self, fixed, signed},
};

/// How the measures of fuel agree.
pub(super) fn fuel(out: &mut String, report: &Report) -> Result {
    writeln!(out, "\nDo two measures of fuel agree?")?;
    for finding in &report.fuel_check.findings {
        writeln!(out, "  {finding}")?;
    }
    report.fuel_check.pairs.iter().try_for_each(|pair| fuel_pair(out, pair))
}

fn fuel_pair(out: &mut String, pair: &FuelPair) -> Result {
    let (first, second) = (pair.first.name(), pair.second.name());
    writeln!(out, "  {second} against {first}")?;
    if let Some(ratio) = &pair.ratio {
        writeln!(out, "    ratio of sums      {}", interval_of(ratio, 4))?;
    }
    if let Some(line) = &pair.line {
        writeln!(out, "    line               {}", line.method)?;
        writeln!(out, "      slope            {}", interval_of(&line.slope, 4))?;
        writeln!(out, "      offset           {} g", interval_of(&line.offset_g, 2))?;
    }
    if let Some(c) = &pair.conditions {
        writeln!(
            out,
            "    between conditions {} % ± {} % (k = 1), {} without assist and {} with",
            signed(c.difference_percent, 2),
            c.standard_uncertainty_percent.map_or_else(|| "unknown".to_owned(), |u| fixed(u, 2)),
            fixed(c.baseline, 4),
            fixed(c.assist, 4)
        )?;
    }
    if let Some(drift) = &pair.drift {
        writeln!(out, "    drift, % a run     {}", interval_of(&drift.percent_per_run, 3))?;
    }
    let counted = pair.runs.iter().filter(|r| r.used);
    let agree = counted.clone().filter(|r| r.agreement == Agreement::Agrees).count();
    writeln!(out, "    runs that agree    {agree} of {} that count", counted.count())?;
    for run in pair.runs.iter().filter(|r| !r.used || r.agreement != Agreement::Agrees) {
        let mark = match (run.used, run.agreement) {
            (false, _) => "not used",
            (true, Agreement::Agrees) => "agrees",
            (true, Agreement::Differs) => "differs beyond k = 2",
            (true, Agreement::Grossly) => "differs beyond k = 3",
        };
        writeln!(
            out,
            "    {}: {} g and {} g over {} s, {} % ± {} % (k = 1): {mark}",
            run.run,
            fixed(run.first_g, 1),
            fixed(run.second_g, 1),
            fixed(run.covered_s, 0),
            signed(run.difference_percent, 2),
            fixed(run.standard_uncertainty_percent, 2)
        )?;
    }
    pair.assumed.iter().try_for_each(|text| writeln!(out, "    assumed: {text}"))
}

/// The uncertainty budget.
pub(super) fn budget(out: &mut String, report: &Report) -> Result {
    let b = &report.budget;
    writeln!(out, "\nUncertainty budget (JCGM 100), contributions in %")?;
    writeln!(out, "  {:<46} {:>9} {:>9} {:>8} {:>11}", "", "without", "with", "common", "improvement")?;
    b.lines.iter().try_for_each(|line| budget_line(out, line))?;
    for (name, sum) in [
        ("mileage without assist", &b.baseline),
        ("mileage with assist", &b.assist),
        ("mileage that counts electricity", &b.with_electricity),
        ("improvement, from calibrations alone", &b.improvement_from_calibrations),
        ("improvement", &b.improvement),
    ] {
        if let Some(sum) = sum {
            writeln!(out, "  {name:<38} {}", budget_sum(sum, b.confidence))?;
        }
    }
    b.notes.iter().try_for_each(|note| writeln!(out, "  {note}"))
}

fn budget_line(out: &mut String, line: &BudgetLine) -> Result {
    let kind = if line.evaluation == Evaluation::A { "A" } else { "B" };
    let common = line.common_share.map_or_else(String::new, |c| fixed(c * 100.0, 0) + " %");
    writeln!(
        out,
        "  {kind} {:<44} {:>9} {:>9} {common:>8} {:>11}",
        line.quantity,
        fixed(line.baseline_percent, 3),
        fixed(line.assist_percent, 3),
        fixed(line.improvement_percent, 3)
    )?;
    let assumed = if line.assumed { ", assumed" } else { "" };
    let unit = if line.unit == "1" { String::new() } else { format!(" {}", line.unit) };
    let freedom =
        line.degrees_of_freedom.map_or_else(String::new, |df| format!(", {} degrees of freedom", fixed(df, 1)));
    writeln!(out, "      u = {}{unit}{freedom}; {}{assumed}", significant(line.standard_uncertainty), line.source)
}

/// A number with three significant digits.
pub(in crate::report) fn significant(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let decimals = (2.0 - value.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    fixed(value, decimals)
}

/// A result of the budget in words.
pub(in crate::report) fn budget_sum(sum: &BudgetSum, confidence: f64) -> String {
    let freedom = sum.degrees_of_freedom.map_or_else(|| "infinitely many".to_owned(), |df| fixed(df, 1));
    let expanded = sum.expanded_percent.zip(sum.coverage_factor).map_or_else(
        || "no expanded uncertainty".to_owned(),
        |(u, k)| format!("± {} % ({} %, k = {})", fixed(u, 3), figure::confidence(confidence), fixed(k, 2)),
    );
    format!("u = {} %, {freedom} degrees of freedom, {expanded}", fixed(sum.standard_percent, 3))
}

/// What the report was made from.
pub(super) fn provenance(out: &mut String, report: &Report) -> Result {
    let p = &report.provenance;
    writeln!(out, "\nMade from")?;
    writeln!(out, "  {}; {}", p.software, p.versions.join(", "))?;
    writeln!(out, "  options: {}", p.options.join(", "))?;
    if !p.seeds.is_empty() {
        writeln!(out, "  seeds: {}", p.seeds.join(", "))?;
    }
    writeln!(out, "  rules: {}", p.rules.join(", "))?;
    for d in &p.decisions {
        writeln!(out, "  decided: {}", decision(d))?;
    }
    for input in p.inputs.iter().filter(|i| !matches!(i.kind, InputKind::Table)) {
        writeln!(out, "  {} {}", input.blake3, input.name)?;
    }
    let tables = p.inputs.iter().filter(|i| i.kind == InputKind::Table).count();
    writeln!(out, "  and {tables} tables, by the hashes in those manifests; every hash is in the JSON\n")
}

//! What the numbers rest on, as sections of the page: fuel measured twice, the budget, and what it was made from.

use maud::{Markup, html};
use tallywheel_schemas::report::{
    Agreement, BudgetLine, BudgetSum, Evaluation, FuelCheck, FuelPair, InputKind, Provenance, UncertaintyBudget,
};

use crate::{
    explain::decision,
    figure::{fixed, signed},
    report::text::{budget_sum, interval_of, significant},
};

/// Fuel measured twice.
pub(super) fn fuel(check: &FuelCheck) -> Markup {
    html! {
        section {
            h2 { "Do two measures of fuel agree?" }
            ul { @for finding in &check.findings { li { (finding) "." } } }
            @for pair in &check.pairs { (fuel_pair(pair)) }
            p.note {
                "Metered volume is brought to the reference temperature by this model: " (check.volume_models.join("; ")) "."
            }
        }
    }
}

fn fuel_pair(pair: &FuelPair) -> Markup {
    let row = |name: &str, value: Option<String>| {
        html! { tr { th { (name) } td { (value.unwrap_or_else(|| "not known".to_owned())) } } }
    };
    let between = pair.conditions.as_ref().map(|c| {
        let limit = c.limit_percent.map_or_else(|| "unknown".to_owned(), |l| fixed(l, 2));
        format!(
            "{} without assist, {} with it: {} %, taken for chance up to ± {limit} % (99 %)",
            fixed(c.baseline, 4),
            fixed(c.assist, 4),
            signed(c.difference_percent, 2)
        )
    });
    html! {
        h3 { (capitalised(pair.second.name())) " against " (pair.first.name()) }
        table.figures {
            (row("Ratio of sums", pair.ratio.as_ref().map(|r| interval_of(r, 4))))
            (row("Slope", pair.line.as_ref().map(|l| interval_of(&l.slope, 4))))
            (row("Offset, g", pair.line.as_ref().map(|l| interval_of(&l.offset_g, 2))))
            (row("Ratio by condition", between))
            (row("Drift, % a run", pair.drift.as_ref().map(|d| interval_of(&d.percent_per_run, 3))))
        }
        div.scroll { table.runs {
            thead { tr { th { "Run" } th.n { (pair.first.name()) ", g" } th.n { (pair.second.name()) ", g" } th.n { "Over, s" }
                th.n { "Difference, %" } th.n { "u (k = 1), %" } th { "" } } }
            tbody { @for run in &pair.runs { tr.excluded[!run.used] {
                td.name { (run.run) }
                td.n { (fixed(run.first_g, 1)) } td.n { (fixed(run.second_g, 1)) } td.n { (fixed(run.covered_s, 0)) }
                td.n { (signed(run.difference_percent, 2)) } td.n { (fixed(run.standard_uncertainty_percent, 2)) }
                td { (match run.agreement {
                    Agreement::Agrees => "agrees",
                    Agreement::Differs => "differs beyond k = 2",
                    Agreement::Grossly => "differs beyond k = 3",
                }) }
            } } }
        } }
        p.note {
            @if let Some(line) = &pair.line { (line.method) ". " }
            @for text in &pair.assumed { "Assumed: " (text) ". " }
        }
    }
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// The uncertainty budget.
pub(super) fn budget(budget: &UncertaintyBudget) -> Markup {
    html! {
        section {
            h2 { "How uncertain it is" }
            div.scroll { table.runs {
                thead { tr { th { "Input" } th { "Source" } th { "Type" } th.n { "u" } th.n { "Degrees of freedom" }
                    th.n { "Without, %" } th.n { "With, %" } th.n { "Common, %" } th.n { "Improvement, %" } } }
                tbody { @for line in &budget.lines { (budget_line(line)) } }
            } }
            table.figures {
                (sum("Mileage without assist", budget.baseline.as_ref(), budget.confidence))
                (sum("Mileage with assist", budget.assist.as_ref(), budget.confidence))
                (sum("Mileage that counts electricity", budget.with_electricity.as_ref(), budget.confidence))
                (sum("Improvement, calibrations alone", budget.improvement_from_calibrations.as_ref(), budget.confidence))
                (sum("Improvement", budget.improvement.as_ref(), budget.confidence))
            }
            p.note {
                "Contributions are shares of a mileage, or of the ratio of two (one plus the improvement), as JCGM 100 has \
                 them: sensitivity times standard uncertainty u. What both conditions have in common cancels in the ratio. "
                @for note in &budget.notes { (capitalised(note)) ". " }
            }
        }
    }
}

fn budget_line(line: &BudgetLine) -> Markup {
    let unit = if line.unit == "1" { String::new() } else { format!(" {}", line.unit) };
    html! {
        tr {
            td { (line.quantity) }
            td { (line.source) @if line.assumed { " (assumed)" } }
            td { (if line.evaluation == Evaluation::A { "A" } else { "B" }) }
            td.n { (significant(line.standard_uncertainty)) (unit) }
            td.n { (line.degrees_of_freedom.map_or_else(|| "∞".to_owned(), |df| fixed(df, 1))) }
            td.n { (fixed(line.baseline_percent, 3)) }
            td.n { (fixed(line.assist_percent, 3)) }
            td.n { (line.common_share.map_or_else(|| "–".to_owned(), |c| fixed(c * 100.0, 0))) }
            td.n { (fixed(line.improvement_percent, 3)) }
        }
    }
}

fn sum(name: &str, sum: Option<&BudgetSum>, confidence: f64) -> Markup {
    let words = sum.map_or_else(|| "cannot be said".to_owned(), |s| budget_sum(s, confidence));
    html! { tr { th { (name) } td { (words) } } }
}

/// Everything that went in, by hash; the tables are vouched for by the manifests and listed in the JSON.
pub(super) fn inputs(p: &Provenance) -> Markup {
    html! {
        table.figures {
            tr { th { "Formats" } td { (p.versions.join(", ")) } }
            tr { th { "Options" } td { (p.options.join(", ")) } }
            @if !p.seeds.is_empty() { tr { th { "Seeds" } td { (p.seeds.join(", ")) } } }
            @for d in &p.decisions { tr { th { "Decided" } td { (decision(d)) } } }
            @for input in p.inputs.iter().filter(|i| i.kind != InputKind::Table) { tr { th { (input.name) } td.hash { (input.blake3) } } }
        }
    }
}

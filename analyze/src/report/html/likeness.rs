//! Were the runs driven alike: the section of the page.

use maud::{Markup, PreEscaped, html};
use tallywheel_schemas::{
    Units,
    report::{Comparability, Report},
};

use crate::report::{
    Plots,
    text::likeness::{details, difference, driven, driven_heads, limit, mean, standardised, treatment},
};

/// The section: the rows, each run's way of driving, speeds and tracks.
pub(super) fn section(report: &Report, plots: &Plots, units: Units) -> Markup {
    html! {
        section {
            h2 { "Were the conditions alike?" }
            div.scroll { table.runs {
                thead { tr {
                    th { "" } th.n { "Without assist" } th.n { "With assist" } th.n { "Apart" } th.n { "Largest in a pair or block" }
                    th.n { "Allowed" } th { "" }
                } }
                tbody { @for c in &report.comparability { (row(c, units)) } }
            } }
            p.note {
                "Limits are those of the campaign file. Where they are its defaults: "
                @for (i, (source, quantities)) in sources(&report.comparability).into_iter().enumerate() {
                    @if i > 0 { "; " }
                    (quantities.join(", ")) " – " (source)
                }
                ". An assist may change how a vehicle accelerates, and with it how fast it is and how long it stands: adjusting \
                 for these takes that part of its effect away."
            }
            @if let Some(svg) = &plots.histogram {
                figure { (PreEscaped(svg)) figcaption { "Share of time by speed, runs that count." } }
            }
            @if let Some(svg) = &plots.tracks {
                figure { (PreEscaped(svg)) figcaption { "Satellite tracks of all runs that count, north up, one condition over the other." } }
            }
            h3 { "How each run was driven" }
            div.scroll { table.runs {
                thead { tr { th { "Run" } @for head in driven_heads(units) { th.n { (head) } } } }
                tbody { @for run in &report.likeness.runs {
                    tr { td.name { (run.id) } @for value in driven(run, units) { td.n { (value) } } }
                } }
            } }
            @if let Some(s) = &report.likeness.standardised {
                h3 { "At one mixture of speeds" }
                p { (standardised(s, units)) }
                p.note { (s.caution) }
            }
        }
    }
}

fn row(c: &Comparability, units: Units) -> Markup {
    let apart = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |d| difference(c, d.abs(), units));
    html! {
        tr {
            td { (c.quantity) }
            td.n { (mean(c, c.baseline, units)) } td.n { (mean(c, c.assist, units)) }
            td.n { (apart(c.difference)) }
            td.n { (apart(c.largest_in_a_pair)) }
            td.n { (limit(c, units)) }
            td { (treatment(c.treatment)) }
        }
        @if details(c, units).next().is_some() {
            tr.why { td colspan="7" { @for detail in details(c, units) { (detail) ". " } } }
        }
    }
}

/// Where the limits come from, each source once, in the order of the rows.
fn sources(rows: &[Comparability]) -> Vec<(&str, Vec<&str>)> {
    let mut sources: Vec<(&str, Vec<&str>)> = Vec::new();
    for c in rows {
        match sources.iter_mut().find(|(source, _)| *source == c.limit_source) {
            Some((_, quantities)) => quantities.push(&c.quantity),
            None => sources.push((&c.limit_source, vec![&c.quantity])),
        }
    }
    sources
}

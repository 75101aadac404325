//! The report as one page that needs no network and prints well.

mod account;
mod evidence;
mod likeness;

use maud::{Markup, PreEscaped, html};
use tallywheel_schemas::{
    Condition, Units,
    report::{Decision, Mileage, Report},
};

use super::{
    CAUTIONS, METHOD, Plots,
    text::{consumption, distance, interval, mileage_line, significant, temperature, temperature_difference},
    wording,
};
use crate::{
    figure::{self, duration, fixed, signed},
    page,
    thermal::CYCLE_K,
};

const STYLE: &str = include_str!("page.css");

/// Renders a report as a page.
pub fn page(report: &Report, plots: &Plots, units: Units) -> String {
    let title = format!("{}: {}", report.vehicle, report.name);
    let content = html! {
        (opening(report, units))
        (numbers(report, units))
        (grounds(report, units))
        (account::account(&report.energy, units))
        (runs(report, plots, units))
        (likeness::section(report, plots, units))
        (evidence::fuel(&report.fuel_check))
        (evidence::budget(&report.budget))
        (heat(report, plots, units))
        (speeds(report, plots, units))
        (method(report))
    };
    page::page(&title, STYLE, &content)
}

fn opening(report: &Report, units: Units) -> Markup {
    let class = match report.verdict.decision {
        Decision::Supported => "supported",
        Decision::NotSupported => "not-supported",
        Decision::Undecided | Decision::Withheld => "open",
    };
    html! {
        header {
            p.eyebrow { (report.vehicle) " · " (report.route) }
            h1 { (report.name) }
        }
        section.answer.(class) {
            p.decision { (decision_name(report.verdict.decision)) }
            p.sentence { (wording::answer(report, units)) }
            ul { @for reason in wording::reasons(report, units) { li { (reason) "." } } }
        }
        section.cautions {
            @for caution in CAUTIONS { p { (caution) } }
        }
    }
}

const fn decision_name(decision: Decision) -> &'static str {
    match decision {
        Decision::Supported => "Supported",
        Decision::NotSupported => "Not supported",
        Decision::Undecided => "Not yet decided",
        Decision::Withheld => "Verdict withheld",
    }
}

fn numbers(report: &Report, units: Units) -> Markup {
    let improvement = &report.improvement;
    let line = |m: &Option<Mileage>| m.as_ref().map_or_else(|| "no usable run".to_owned(), |m| mileage_line(m, units));
    html! {
        section {
            h2 { "The numbers" }
            table.figures {
                @if let (Some(gained), Some(saved)) = (&improvement.mileage_percent, &improvement.fuel_saved_percent) {
                    tr { th { "Improvement of mileage" } td { (interval(gained)) } }
                    tr { th { "Fuel saved" } td { (interval(saved)) } }
                }
                tr { th { "Without assist" } td { (line(&report.mileage.baseline)) } }
                tr { th { "With assist" } td { (line(&report.mileage.assist)) } }
            }
            p.note {
                "Intervals: " (figure::confidence(improvement.confidence)) " %, " (improvement.method)
                @if let Some(df) = improvement.degrees_of_freedom { ", " (fixed(df, 1)) " degrees of freedom" }
                @if let Some(spread) = improvement.spread { "; spread from run to run " (fixed(spread * 100.0, 1)) " %" }
                ". "
                @if let Some(p) = improvement.distance_weighted_percent {
                    "From summed distance over summed fuel the improvement is " (signed(p, 1)) " %. "
                }
                "The calibrations leave each mileage uncertain by ± " (fixed(improvement.calibration_relative * 200.0, 1))
                " % (k = 2). What is common to both conditions cancels in the improvement; ± "
                (significant(improvement.calibration_difference_relative * 200.0)) " % are left of it there."
            }
        }
    }
}

/// What the verdict rests on.
fn grounds(report: &Report, units: Units) -> Markup {
    html! {
        section {
            h2 { "What the verdict rests on" }
            p.note { (report.verdict.rule) }
            table.figures { @for (name, what) in wording::lines(report, units) { tr { th { (name) } td { (what) } } } }
        }
    }
}

fn runs(report: &Report, plots: &Plots, units: Units) -> Markup {
    let percent = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| fixed(v * 100.0, 1));
    let number = |v: Option<f64>, decimals| v.map_or_else(|| "–".to_owned(), |v| fixed(v, decimals));
    html! {
        section {
            h2 { "The runs" }
            @if let Some(svg) = &plots.runs {
                figure { (PreEscaped(svg)) figcaption { "Consumption of every run; hollow bars are excluded." } }
            }
            div.scroll { table.runs {
                thead { tr {
                    th { "Run" } th { "Assist" } th { "Start (UTC)" } th.n { "Distance" } th.n { "Consumption" }
                    th.n { "Covered, %" } th.n { "Motor on, %" } th.n { "Net pack, kWh" } th.n { "Charge, %" }
                    th.n { "Outside" } th.n { "Winding peak" }
                } }
                tbody { @for run in &report.runs {
                    tr.excluded[!run.used] {
                        td.name { (run.id) }
                        td { (if run.condition == Condition::Assist { "on" } else { "off" }) }
                        td { (run.start.get(5..16).unwrap_or(&run.start).replace('T', " ")) }
                        td.n { (distance(run.distance_km, units)) }
                        td.n { (consumption(run, units)) }
                        td.n { (percent(Some(run.coverage))) }
                        td.n { (percent(run.assist_share)) }
                        td.n { (number(run.pack_out_kwh.zip(run.pack_in_kwh).map(|(o, i)| o - i), 2)) }
                        td.n { (number(run.soc_start_pct, 0)) " → " (number(run.soc_end_pct, 0)) }
                        td.n { (run.ambient_c.map_or_else(|| "–".to_owned(), |t| temperature(t, units))) }
                        td.n { (run.winding_peak_c.map_or_else(|| "–".to_owned(), |t| temperature(t, units))) }
                    }
                    @if run.reason.is_some() || !run.notes.is_empty() || run.bad_messages > 0 {
                        tr.why { td colspan="11" {
                            @if let Some(reason) = &run.reason { strong { (reason) ". " } }
                            @for note in &run.notes { (note) ". " }
                            @if run.bad_messages > 0 { (run.bad_messages) " messages were malformed or lost. " }
                        } }
                    }
                } }
            } }
            (left_out(report))
            @if !report.pairs.is_empty() {
                h3 { "Pairs" }
                table.runs {
                    thead { tr { th { "Without" } th { "With" } th.n { "Improvement of mileage" } th { } } }
                    tbody { @for pair in &report.pairs {
                        tr.excluded[!pair.used] {
                            td { (pair.baseline) } td { (pair.assist) }
                            td.n { (pair.mileage_percent.map_or_else(|| "–".to_owned(), |p| signed(p, 1) + " %")) }
                            td { (if pair.used { "used" } else { "not used" }) }
                        }
                    } }
                }
            }
            @if let (Some(svg), Some((b, a))) = (&plots.pair, &plots.pair_names) {
                figure { (PreEscaped(svg)) figcaption {
                    "Runs " (b) " and " (a) " over time. Fuel and pack power are running means over five seconds; \
                     pack power below zero is regeneration."
                } }
            }
        }
    }
}

/// Runs and sessions that could not be looked at.
fn left_out(report: &Report) -> Markup {
    html! {
        @if !report.missing_runs.is_empty() || !report.unusable_sessions.is_empty() {
            h3 { "Left out" }
            ul {
                @for run in &report.missing_runs { li { "Run " (run.id) " is missing: " (run.reason) "." } }
                @for s in &report.unusable_sessions { li { "Session " (s.session) " is left out: " (s.reason) "." } }
            }
        }
    }
}

fn heat(report: &Report, plots: &Plots, units: Units) -> Markup {
    let peak = |t: Option<f64>| t.map_or_else(|| "not known".to_owned(), |t| temperature(t, units));
    html! {
        section {
            h2 { "Heat" }
            @if report.thermal.is_empty() { p { "No motor channels were recorded." } }
            table.runs {
                thead { tr { th { "Motor" } th.n { "Winding peak" } th { "Time above" } th.n { "Controller peak" } th { "Time above" }
                    th.n { "Insulation life used" } th.n { "Cycles of " (temperature_difference(CYCLE_K, units)) } } }
                tbody { @for m in &report.thermal { tr {
                    td { (m.position) }
                    td.n { (peak(m.peak_c)) }
                    td { @for a in &m.seconds_above { div { (temperature(a.limit_c, units)) ": " (duration(a.seconds)) } } }
                    td.n { (peak(m.controller_peak_c)) }
                    td { @for a in &m.controller_seconds_above { div { (temperature(a.limit_c, units)) ": " (duration(a.seconds)) } } }
                    td.n { (format!("{:.1} ppm", m.life_used_fraction * 1e6)) }
                    td.n { (fixed(m.winding_cycles, 1)) }
                } } }
            }
            @if let Some(svg) = &plots.temperatures {
                figure { (PreEscaped(svg)) figcaption { "Time by winding temperature over all assisted runs." } }
            }
            p.note { "Life used is relative to " (fixed(crate::ageing::NOMINAL_LIFE_H, 0)) " h at class temperature; ppm are parts per million of it. Not a forecast. Cycles of the winding's temperature by rainflow counting (ASTM E1049-85), within recordings." }
        }
    }
}

fn speeds(report: &Report, plots: &Plots, units: Units) -> Markup {
    let line = |m: &Option<Mileage>| m.as_ref().map_or_else(|| "not known".to_owned(), |m| mileage_line(m, units));
    html! {
        section {
            h2 { "Where the fuel goes" }
            @if let Some(svg) = &plots.speeds {
                figure { (PreEscaped(svg)) figcaption { "Consumption by the bin's mean speed, runs that count. The lowest class holds the fuel burnt while standing; classes with less than 100 m are left out." } }
            }
            h3 { "Inside the assisted runs" }
            table.figures {
                tr { th { "While a motor drives" } td { (line(&report.stretches.assisted)) } }
                tr { th { "While none does" } td { (line(&report.stretches.unassisted)) } }
            }
            p.note { strong { "This is no evidence for the claim. " } (report.stretches.caution) }
        }
    }
}

fn method(report: &Report) -> Markup {
    let p = &report.provenance;
    html! {
        section {
            h2 { "How this came about" }
            dl { @for (name, text) in METHOD { dt { (name) } dd { (text) } } }
            h3 { "Inputs" }
            table.figures {
                tr { th { "Software" } td { (p.software) ", ledger " (p.ledger_version) } }
                tr { th { "Distance from" } td { (p.distance_source.join(", ")) } }
                tr { th { "Fuel from" } td { (p.fuel_source.join(", ")) } }
                tr { th { "Rules" } td { (p.rules.join(", ")) } }
                tr { th { "Campaign (BLAKE3)" } td.hash { (p.campaign_blake3) } }
                @for rig in &p.rigs_blake3 { tr { th { "Rig (BLAKE3)" } td.hash { (rig) } } }
                @for run in &report.runs { tr { th { "Run " (run.id) } td.hash { (run.session) " " (run.content_blake3) } } }
            }
            (evidence::inputs(p))
        }
    }
}

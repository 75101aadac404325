//! The plan as a page for the technician: cautions and rules first, then the runs in order with room to write.

use maud::{Markup, html};
use tallywheel_schemas::Condition;

use super::{DRIVING_RULES, Draft, PlannedRun, draft::unit_name};
use crate::{
    figure::{self, fixed, signed, stated},
    page,
    report::CAUTIONS,
};

const STYLE: &str = concat!(include_str!("../report/page.css"), include_str!("page.css"));
/// What is filled in by hand, with the widest last.
const FIELDS: &[&str] =
    &["Date, time", "Odometer", "Charge at start, %", "Tyres, kPa", "Outside, °C", "Wind, m/s", "Load, kg", "Driver"];

/// Renders the plan. It needs no network and prints on A4.
pub fn page(draft: &Draft) -> String {
    let r = &draft.request;
    let content = html! {
        header {
            p.eyebrow { (r.vehicle) " · " (r.route) @if let Some(c) = &r.control_vehicle { " · with " (c) " beside" } }
            h1 { (r.name) }
        }
        (summary(draft))
        section.cautions { @for caution in CAUTIONS { p { (caution) } } }
        section {
            h2 { "How every run is driven" }
            dl { @for (title, rule) in DRIVING_RULES { div { dt { (title) } dd { (rule) } } } }
            p.note { "Common practice of road testing. Limits of the comparison stand in the campaign file." }
        }
        (runs(draft))
    };
    page::page(&format!("{}: {}", r.vehicle, r.name), STYLE, &content)
}

fn summary(draft: &Draft) -> Markup {
    let (r, size) = (&draft.request, &draft.size);
    html! {
        table.figures {
            tr { th { "Claim" } td { (stated(r.aim.claim_percent)) " % mileage, design " (r.design.name()) } }
            tr { th { "Planned" } td {
                (size.planned) " " (unit_name(r.design)) ", " (draft.tested().count()) " runs; "
                (fixed(size.power * 100.0, 0)) " % probability of a decision at " (figure::confidence(r.aim.confidence))
                " % confidence if the improvement is " (signed(r.aim.expected_percent, 0)) " %"
            } }
            tr { th { "Spread" } td { (r.spread.words(unit_name(r.design))) } }
            tr { th { "Order" } td { "blocks of four runs, drawn with seed " (r.seed) } }
        }
    }
}

fn runs(draft: &Draft) -> Markup {
    let columns = FIELDS.len() + 6;
    html! {
        section.sheet {
            h2 { "The runs, in the order of driving" }
            div.scroll { table {
                thead { tr {
                    th { "" } th { "No." } th { "Run" } @if draft.request.control_vehicle.is_some() { th { "Vehicle" } }
                    th { "Assist" } @for field in FIELDS { th { (field) } } th.wide { "Remarks" }
                } }
                tbody { @for (i, run) in draft.runs.iter().enumerate() {
                    (row(draft, run))
                    @if let Some(look) = look_after(draft, i) { tr.look { td colspan=(columns) { (look) } } }
                } }
            } }
        }
    }
}

fn row(draft: &Draft, run: &PlannedRun) -> Markup {
    let control = draft.request.control_vehicle.as_deref();
    let (class, word) = match (run.control, run.condition) {
        (true, _) => ("off", "no kit"),
        (false, Condition::Assist) => ("on", "ON"),
        (false, Condition::Baseline) => ("off", "OFF"),
    };
    html! {
        tr {
            td.box { "" } td.n { (run.place) } td.run { (run.run) }
            @if let Some(control) = control { td { (if run.control { control } else { draft.request.vehicle.as_str() }) } }
            td class=(class) { (word) }
            @for _ in FIELDS { td { "" } }
            td.wide { "" }
        }
    }
}

/// What may be looked at behind a row, if it ends a look's unit.
fn look_after(draft: &Draft, i: usize) -> Option<String> {
    let run = &draft.runs[i];
    let ends_unit = draft.runs.get(i + 1).is_none_or(|next| next.unit != run.unit);
    let number = draft.size.looks.iter().position(|look| *look == run.unit).filter(|_| ends_unit)? + 1;
    let of = draft.size.looks.len();
    Some(format!("Look {number} of {of}: now the engineer may look at the result, and not before."))
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::campaign::Design;

    use super::*;
    use crate::plan::draft::tests::request;

    #[test]
    fn every_run_has_its_row_and_every_look_its_place() {
        let draft = Draft::new(request(Design::Paired)).expect("a plan");
        let page = page(&draft);
        assert_eq!(page.matches("<td class=\"box\"").count(), draft.runs.len());
        assert_eq!(page.matches("class=\"look\"").count(), draft.size.looks.len());
        assert!(page.contains("Harbour loop &quot;autumn&quot;") && !page.contains("http"), "self-contained, escaped");
        let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is on the page"));
        assert!(at("hazardous") < at("in the order of driving"), "cautions come first");
    }
}

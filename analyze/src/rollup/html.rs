//! A roll-up as one page that needs no network: a sheet for the fleet and one for each vehicle, which print on a page of A4
//! each; on a screen also a list of all vehicles and the method.

use maud::{Markup, PreEscaped, html};
use serde_json::Value;
use tallywheel_schemas::{
    Units,
    units::{METRES_PER_MILE, fahrenheit, mpg_us_from_l_per_100km},
};

use super::{
    Attention, Finding, History, Level, Period, RollUpReport,
    attention::{METHOD, OwnChange},
    plots::{fleet_chart, sparkline},
    report::{VehicleReport, number},
    text::{drove, left_out_in_words, nothing_found},
    trend::{Trend, WEEKS},
};
use crate::{
    figure::{counted, duration, fixed},
    page,
};

const STYLE: &str = include_str!("rollup.css");
/// Vehicles that need attention on the fleet's sheet; the others are named, and have their own.
const MOST_LISTED: usize = 10;
/// Vehicles that were not seen and are named.
const MOST_NAMED: usize = 12;

/// Renders a roll-up as a page.
pub fn page(report: &RollUpReport, units: Units) -> String {
    let title = format!("Fleet {}", report.period.name);
    let content = html! {
        (fleet_sheet(report, units))
        (index(report, units))
        (method(report))
        @for vehicle in &report.vehicles { (vehicle_sheet(report, vehicle, units)) }
    };
    page::page(&title, STYLE, &content)
}

fn fleet_sheet(report: &RollUpReport, units: Units) -> Markup {
    let worst = report.attention.first().map(|a| a.level);
    let class = match worst {
        Some(Level::Now) => "urgent",
        Some(_) => "some",
        None => "none",
    };
    html! {
        section.sheet {
            p.eyebrow { "Fleet · " (report.period.first) " to " (report.period.last) }
            h1 { (report.period.name) }
            div.answer.(class) {
                p.sentence { (headline(report)) }
                p { (survivors(report)) }
            }
            @if !report.attention.is_empty() {
                table.attention {
                    thead { tr { th.rank { "" } th { "Vehicle" } th { "How soon" } th { "What and why" } } }
                    tbody { @for a in report.attention.iter().take(MOST_LISTED) { (attention_row(a)) } }
                }
                @if report.attention.len() > MOST_LISTED {
                    p.note { "And " (report.attention.len() - MOST_LISTED) " more: "
                        (listed(report.attention.iter().skip(MOST_LISTED).map(|a| a.vehicle.as_str()), 24)) "." }
                }
            }
            (tiles((&report.fleet, &report.fleet_before, report.seen.history_days),
                report.fleet_change.map(|c| c.consumption).as_ref(), report, units))
            @if let Some(svg) = fleet_chart(report) {
                figure { div.scroll { (PreEscaped(svg)) } figcaption {
                    "Standardised consumption against each vehicle’s four weeks before, with 95 % interval where there is room. \
                     Orange needs attention for whatever reason; the number is its place in the list."
                } }
            }
            (sparks(&report.fleet_trend, 190.0, units))
            p.note {
                "Usual: the four weeks before, sums as of equally many days since there are data. On the fleet’s driving: what the \
                 vehicle would have taken for the whole fleet’s time by class of speed in those weeks. Standardised: its fuel over what the \
                 fleet took for the vehicle’s own time by class. Consumption is of the distance for which fuel is known too. Changes come from " (report.tests) " tests, adjusted so that a sound fleet \
                 shows none in nineteen of twenty roll-ups; everything else is a limit that was exceeded."
                @for note in &report.notes { " " (note) }
            }
        }
    }
}

fn headline(report: &RollUpReport) -> String {
    let n = report.attention.len();
    let now = report.attention.iter().filter(|a| a.level == Level::Now).count();
    match (n, now) {
        (0, _) if report.tests > 0 && report.unusable_sessions.is_empty() => {
            format!("Nothing needs attention in {}.", counted(report.seen.now, "vehicle"))
        }
        (0, _) => format!("{}.", nothing_found(report)),
        (1, 0) => "1 vehicle needs attention.".to_owned(),
        (1, _) => "1 vehicle needs attention before its next drive.".to_owned(),
        (_, 0) => format!("{n} vehicles need attention."),
        _ => format!("{n} vehicles need attention, {now} of them before the next drive."),
    }
}

/// Whom the sums leave out.
fn survivors(report: &RollUpReport) -> String {
    let seen = &report.seen;
    let mut text = format!("{} {}.", counted(seen.now, "vehicle"), drove(seen));
    if !seen.missing.is_empty() {
        text += &format!(
            " {} that drove in the four weeks before did not, and are in no sum: {}.",
            seen.missing.len(),
            listed(seen.missing.iter().map(String::as_str), MOST_NAMED)
        );
    }
    if !seen.new.is_empty() {
        let names = listed(seen.new.iter().map(String::as_str), MOST_NAMED);
        text += &format!(" New, and in no change: {names}.");
    }
    if !report.unusable_sessions.is_empty() {
        text += &format!(" {}.", left_out_in_words(report.unusable_sessions.len()));
    }
    text
}

/// Names with commas, the first few.
fn listed<'a>(names: impl Iterator<Item = &'a str>, most: usize) -> String {
    let names: Vec<&str> = names.collect();
    let shown = names.iter().take(most).copied().collect::<Vec<_>>().join(", ");
    if names.len() > most { format!("{shown} and {} more", names.len() - most) } else { shown }
}

fn tag(level: Level) -> Markup {
    let class = match level {
        Level::Now => "now",
        Level::FindOut => "find-out",
        Level::Plan => "plan",
    };
    html! { span.tag.(class) { (level.name()) } }
}

fn attention_row(a: &Attention) -> Markup {
    html! {
        tr {
            td.n.rank { (a.rank) }
            td.name { a href={ "#" (a.vehicle) } { (a.vehicle) } }
            td { (tag(a.level)) }
            td.why {
                @if let Some(first) = a.findings.first() { (first.sentence) }
                @if a.findings.len() > 1 { span { "; " (a.findings.len() - 1) " more" } }
                @if let Some(words) = &a.points_to { span { " — " (words) } }
            }
        }
    }
}

/// How a value is shown: digits and unit.
type Show = fn(f64, Units) -> (String, &'static str);
/// A quantity of the tiles: title, column, and how it is shown.
type Tile = (&'static str, &'static str, Show);
/// A line over weeks: title, values, and how the last is shown.
type Line<'a> = (&'static str, &'a [Option<f64>], Show);

const TILES: [Tile; 8] = [
    ("Distance", "distance_km", |v, u| distance(v, u)),
    ("Driving", "drive_h", |v, _| (amount(v), "h")),
    ("Trips", "trips", |v, _| (grouped(v), "")),
    ("Consumption", "l_per_100km", |v, u| consumption(v, u)),
    ("Distance assisted", "assist_share", |v, _| (fixed(v * 100.0, 1), "%")),
    ("Fuel", "fuel_l", |v, u| match u {
        Units::Metric => (amount(v), "L"),
        Units::Us => (amount(v / tallywheel_schemas::units::LITRES_PER_US_GALLON), "gal"),
    }),
    ("From the wall", "wall_kwh", |v, _| (amount(v), "kWh")),
    ("Days on one charge", "one_charge_days_share", |v, _| (fixed(v * 100.0, 0), "%")),
];

/// Columns that are sums: compared with a period of the same length.
const SUMS: [&str; 12] = [
    "distance_km",
    "drive_h",
    "trips",
    "fuel_l",
    "wall_kwh",
    "drive_days",
    "winding_hot_s",
    "winding_cycles",
    "winding_life_h",
    "late_cutoff_s",
    "fault_s",
    "bad_messages",
];

/// What was usual: the value of the four weeks before, a sum as of as many days as the period has.
fn usual(before: &Value, column: &str, period: &Period, history_days: u64) -> Option<f64> {
    let value = number(before, column)?;
    if SUMS.contains(&column) { History::scaled(value, period, history_days) } else { Some(value) }
}

fn tiles(
    (now, before, history_days): (&Value, &Value, u64),
    change: Option<&OwnChange>,
    report: &RollUpReport,
    units: Units,
) -> Markup {
    let shown = |show: Show, v: Option<f64>| v.map_or_else(|| ("–".to_owned(), ""), |v| show(v, units));
    html! {
        div.tiles { @for (title, column, show) in TILES {
            @let (value, unit) = shown(show, number(now, column));
            @let (was, was_unit) = shown(show, usual(before, column, &report.period, history_days));
            div.tile {
                div.what { (title) }
                div.value { (value) " " small { (unit) } }
                div.was {
                    @if column == "l_per_100km" && change.is_some() {
                        @if let Some(c) = change { "standardised fuel " (c.in_words()) }
                    } @else { "usual: " (was) " " (was_unit) }
                }
            }
        } }
    }
}

fn sparks(trend: &Trend, width: f64, units: Units) -> Markup {
    let last = |values: &[Option<f64>]| values.iter().rev().find_map(|v| *v);
    let lines: [Line<'_>; 3] = [
        ("Consumption, standardised", &trend.l_per_100km_standardised, |v, u| consumption(v, u)),
        ("Distance assisted", &trend.assist_share, |v, _| (fixed(v * 100.0, 1), "%")),
        ("Distance", &trend.distance_km, |v, u| distance(v, u)),
    ];
    html! {
        div.sparks { @for (title, values, show) in lines {
            @if let (Some(svg), Some(value)) = (sparkline(values, width, 36.0), last(values)) {
                @let (text, unit) = show(value, units);
                div { (title) ", " (WEEKS) " weeks" (PreEscaped(svg)) (text) " " (unit) }
            }
        } }
    }
}

fn index(report: &RollUpReport, units: Units) -> Markup {
    html! {
        section.index {
            h2 { "All vehicles" }
            div.scroll { table {
                thead { tr {
                    th { "Vehicle" } th { "" } th.n { "Distance" } th.n.wide { "Trips" } th.n { "Consumption" } th.n.wide { "Standardised fuel" }
                    th.n.wide { "Assisted" } th.n.wide { "Wall" } th { "Weeks" }
                } }
                tbody { @for v in &report.vehicles {
                    @let cell = |column: &str, show: Show| {
                        number(&v.now, column).map_or_else(|| "–".to_owned(), |x| { let (t, u) = show(x, units); format!("{t} {u}") })
                    };
                    tr {
                        td.name { a href={ "#" (v.vehicle) } { (v.vehicle) } }
                        td { @if let Some(a) = report.attention_of(&v.vehicle) { (tag(a.level)) } }
                        td.n { (cell("distance_km", distance)) }
                        td.n.wide { (cell("trips", |x, _| (fixed(x, 0), ""))) }
                        td.n { (cell("l_per_100km", consumption)) }
                        td.n.wide { (v.change.get("consumption").map_or_else(|| "–".to_owned(), OwnChange::alone)) }
                        td.n.wide { (cell("assist_share", |x, _| (fixed(x * 100.0, 0), "%"))) }
                        td.n.wide { (cell("wall_kwh", |x, _| (fixed(x, 1), "kWh"))) }
                        td { @if let Some(svg) = sparkline(&v.trend.l_per_100km_standardised, 84.0, 20.0) { (PreEscaped(svg)) } }
                    }
                } }
            } }
        }
    }
}

fn method(report: &RollUpReport) -> Markup {
    html! {
        section.method {
            h2 { "How this came about" }
            dl { @for (name, text) in METHOD { dt { (name) } dd { (text) } } }
            p.note { (report.software) }
            @for s in &report.unusable_sessions { p.note { "Session " (s.session) " is left out: " (s.reason) "." } }
        }
    }
}

fn vehicle_sheet(report: &RollUpReport, v: &VehicleReport, units: Units) -> Markup {
    let attention = report.attention_of(&v.vehicle);
    let class = match attention.map(|a| a.level) {
        Some(Level::Now) => "urgent",
        Some(_) => "some",
        None => "none",
    };
    html! {
        section.sheet id=(v.vehicle) {
            p.eyebrow { "Vehicle · " (report.period.name) ", " (report.period.first) " to " (report.period.last) }
            h1 { (v.vehicle) }
            div.answer.(class) {
                p.sentence { (match attention {
                    Some(a) => a.points_to.as_ref().map_or_else(|| "Needs attention.".to_owned(), |w| format!("Needs attention: {w}.")),
                    None if v.now.is_null() => "Not seen in this period.".to_owned(),
                    None => nothing_about(report, v),
                }) }
            }
            @if let Some(a) = attention { (findings(&a.findings)) }
            @if !v.now.is_null() {
                (tiles((&v.now, &v.before, v.before_days), v.change.get("consumption"), report, units))
                (details(v, &report.period, units))
            }
            (sparks(&v.trend, 190.0, units))
        }
    }
}

/// That nothing was found about a vehicle, and what is missing of it.
fn nothing_about(report: &RollUpReport, v: &VehicleReport) -> String {
    let left_out = report.unusable_sessions.iter().filter(|s| s.vehicle == v.vehicle).count();
    match (left_out, v.change.is_empty()) {
        (0, false) => "Nothing needs attention.".to_owned(),
        (0, true) => "No limit is exceeded; there is too little before to tell changes.".to_owned(),
        (n, _) => format!("Nothing needs attention in what could be read: {}.", left_out_in_words(n)),
    }
}

fn findings(list: &[Finding]) -> Markup {
    let p = |v: Option<f64>| {
        v.map_or_else(String::new, |v| if v < 1e-4 { "< 0.0001".to_owned() } else { format!("{v:.4}") })
    };
    html! {
        table {
            thead { tr { th { "What" } th { "How soon" } th { "Finding" } th.n.wide { "Adjusted p" } } }
            tbody { @for f in list { tr {
                td { (f.check) } td { (tag(f.level)) } td { (f.sentence) } td.n.wide { (p(f.adjusted_p)) }
            } } }
        }
    }
}

/// The rest of the roll-up's columns, beside what is usual.
fn details(v: &VehicleReport, period: &Period, units: Units) -> Markup {
    type Whole = fn(f64, Units) -> String;
    let percent: Whole = |v, _| format!("{} %", fixed(v * 100.0, 1));
    let temperature: Whole = |v, u| match u {
        Units::Metric => format!("{} °C", fixed(v, 0)),
        Units::Us => format!("{} °F", fixed(fahrenheit(v), 0)),
    };
    let seconds: Whole = |v, _| duration(v);
    let mileage: Whole = |v, u| {
        let (t, unit) = consumption(v, u);
        format!("{t} {unit}")
    };
    let rows: [(&str, &str, Whole); 20] = [
        ("Days driven", "drive_days", |v, _| fixed(v, 0)),
        ("Consumption while assisted", "l_per_100km_assisted", mileage),
        ("… on the fleet’s driving", "l_per_100km_assisted_standardised", mileage),
        ("Consumption while not assisted", "l_per_100km_unassisted", mileage),
        ("… on the fleet’s driving", "l_per_100km_unassisted_standardised", mileage),
        ("Consumption, all, on the fleet’s driving", "l_per_100km_standardised", mileage),
        ("Net pack energy over distance", "pack_wh_per_km", |v, u| match u {
            Units::Metric => format!("{} Wh/km", fixed(v, 0)),
            Units::Us => format!("{} Wh/mile", fixed(v * METRES_PER_MILE / 1000.0, 0)),
        }),
        ("Short days", "short_days_share", percent),
        ("Short and slow days", "short_slow_days_share", percent),
        ("Hottest winding", "winding_max_c", temperature),
        ("Winding above its first limit", "winding_hot_s", seconds),
        ("Winding, cycles of 20 K (36 °F) and more", "winding_cycles", |v, _| fixed(v, 0)),
        ("Winding, ageing in hours at its class temperature", "winding_life_h", |v, _| format!("{} h", fixed(v, 2))),
        ("Hottest controller", "controller_max_c", temperature),
        ("Driving above the cut-off", "late_cutoff_s", seconds),
        ("Kit faults", "fault_s", seconds),
        ("Distance known", "distance_coverage", percent),
        ("Fuel known", "fuel_coverage", percent),
        ("Pack known", "pack_coverage", percent),
        ("Malformed messages", "bad_messages", |v, _| fixed(v, 0)),
    ];
    let cell = |value: Option<f64>, show: Whole| value.map_or_else(|| "–".to_owned(), |v| show(v, units));
    html! {
        div.scroll { table {
            thead { tr { th { "" } th.n { "Now" } th.n { "Usual" } th.n { "Change of fuel, the kind of round taken off" } } }
            tbody {
                @for (title, column, show) in rows { tr {
                    td { (title) } td.n { (cell(number(&v.now, column), show)) }
                    td.n { (cell(usual(&v.before, column, period, v.before_days), show)) }
                    td.n { (change_of(v, column)) }
                } }
                tr { td { "First calibration to run out" }
                    td.n { (v.now.get("calibration_due").and_then(Value::as_str).unwrap_or("–")) }
                    td.n { (v.before.get("calibration_due").and_then(Value::as_str).unwrap_or("–")) } td.n { "" } }
            }
        } }
    }
}

fn change_of(v: &VehicleReport, column: &str) -> String {
    let quantity = match column {
        "l_per_100km_assisted_standardised" => "consumption while assisted",
        "l_per_100km_unassisted_standardised" => "consumption while not assisted",
        "l_per_100km_standardised" => "consumption",
        _ => return String::new(),
    };
    v.change.get(quantity).map(OwnChange::in_words).unwrap_or_default()
}

fn distance(km: f64, units: Units) -> (String, &'static str) {
    match units {
        Units::Metric => (grouped(km), "km"),
        Units::Us => (grouped(km * 1000.0 / METRES_PER_MILE), "mi"),
    }
}

/// A sum: from a hundred on nobody reads decimals, and no meter is good for more.
fn amount(value: f64) -> String {
    if value.abs() < 100.0 { fixed(value, 1) } else { grouped(value) }
}

/// A whole number, from 10 000 on in groups of three digits.
fn grouped(value: f64) -> String {
    let digits = fixed(value, 0);
    if digits.len() < 5 {
        return digits;
    }
    let head = digits.len() % 3;
    let groups = digits.as_bytes()[head..].chunks(3).map(|c| String::from_utf8_lossy(c).into_owned());
    let all: Vec<String> = (head > 0).then(|| digits[..head].to_owned()).into_iter().chain(groups).collect();
    all.join("\u{202f}")
}

fn consumption(l_per_100km: f64, units: Units) -> (String, &'static str) {
    match units {
        Units::Metric => (fixed(l_per_100km, 2), "L/100 km"),
        Units::Us => (fixed(mpg_us_from_l_per_100km(l_per_100km), 1), "mpg"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_the_digits_that_are_read() {
        let cases = [(9.96, "10.0"), (348.3, "348"), (9_999.6, "10\u{202f}000"), (155_725.2, "155\u{202f}725")];
        for (value, shown) in cases {
            assert_eq!(amount(value), shown);
        }
        assert_eq!(grouped(1_234_567.0), "1\u{202f}234\u{202f}567");
    }
}

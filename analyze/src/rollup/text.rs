//! A roll-up for a terminal.

use std::fmt::Write as _;

use tallywheel_schemas::{
    Units,
    units::{METRES_PER_MILE, mpg_us_from_l_per_100km},
};

use super::{RollUpReport, Seen, report::number};
use crate::{
    figure::counted,
    sheet::{Cell, Format, Sheet},
};

/// Renders a roll-up as text.
pub fn text(report: &RollUpReport, units: Units) -> String {
    let mut out = format!("{}: {} to {}\n\n", report.period.name, report.period.first, report.period.last);
    let seen = &report.seen;
    let _ = writeln!(out, "{} {}.", counted(seen.now, "vehicle"), drove(seen));
    if !seen.missing.is_empty() {
        let _ = writeln!(out, "Drove in the four weeks before and not now, so in no sum: {}.", seen.missing.join(", "));
    }
    if let Some(change) = report.fleet_change {
        let _ = writeln!(
            out,
            "Standardised fuel against the four weeks before, {} seen in both: {}.",
            counted(change.vehicles, "vehicle"),
            change.consumption.in_words()
        );
    }
    out.push('\n');
    attention(report, &mut out);
    out.push('\n');
    out + &vehicles(report, units).render(Format::Text) + &left_out(report)
}

/// How much was driven.
pub(super) fn drove(seen: &Seen) -> String {
    let days = counted(usize::try_from(seen.drive_days).unwrap_or(usize::MAX), "vehicle-day");
    let usual = match seen.drive_days_usual {
        Some(usual) => format!("{usual} are usual for as many days"),
        None => "there is nothing before to compare with".to_owned(),
    };
    format!("drove on {days} ({usual})")
}

/// That nothing was found, and what that is worth.
pub(super) fn nothing_found(report: &RollUpReport) -> String {
    let mut text = match report.tests {
        0 => "No limit is exceeded; there is too little before to tell changes".to_owned(),
        _ => "Nothing needs attention".to_owned(),
    };
    if !report.unusable_sessions.is_empty() {
        text += &format!(" in what could be read: {}", left_out_in_words(report.unusable_sessions.len()));
    }
    text
}

/// How many sessions are missing in a roll-up.
pub(super) fn left_out_in_words(sessions: usize) -> String {
    format!(
        "{} could not be used and {} left out",
        counted(sessions, "session"),
        if sessions == 1 { "is" } else { "are" }
    )
}

fn attention(report: &RollUpReport, out: &mut String) {
    if report.attention.is_empty() {
        let _ = writeln!(out, "{} ({} tests, and the limits).", nothing_found(report), report.tests);
        return;
    }
    let _ = writeln!(out, "What needs attention, and why ({} tests, and the limits):", report.tests);
    for a in &report.attention {
        let words = a.points_to.as_ref().map(|w| format!(": {w}")).unwrap_or_default();
        let _ = writeln!(out, "{:>3}. {} [{}]{words}", a.rank, a.vehicle, a.level.name());
        for finding in &a.findings {
            let _ = writeln!(out, "     {}", finding.sentence);
        }
    }
}

fn vehicles(report: &RollUpReport, units: Units) -> Sheet {
    let (distance, fuel) = match units {
        Units::Metric => ("km", "L/100 km"),
        Units::Us => ("mi", "mpg"),
    };
    let mut sheet = Sheet::new([
        ("vehicle", "Vehicle"),
        ("distance", distance),
        ("trips", "Trips"),
        ("hours", "h"),
        ("consumption", fuel),
        ("standardised", "standardised"),
        ("change", "change of fuel"),
        ("assisted", "assisted, %"),
        ("wall", "wall, kWh"),
    ]);
    let length = |km: f64| if units == Units::Us { km * 1000.0 / METRES_PER_MILE } else { km };
    let mileage = |l: f64| if units == Units::Us { mpg_us_from_l_per_100km(l) } else { l };
    let decimals = if units == Units::Us { 1 } else { 2 };
    for v in &report.vehicles {
        let value = |column| number(&v.now, column);
        sheet.push(vec![
            Cell::text(&v.vehicle),
            Cell::number(value("distance_km").map(length), 0),
            Cell::number(value("trips"), 0),
            Cell::number(value("drive_h"), 1),
            Cell::number(value("l_per_100km").map(mileage), decimals),
            Cell::number(value("l_per_100km_standardised").map(mileage), decimals),
            v.change.get("consumption").map_or(Cell::Unknown, |c| Cell::text(c.in_words())),
            Cell::number(value("assist_share").map(|s| s * 100.0), 1),
            Cell::number(value("wall_kwh"), 1),
        ]);
    }
    sheet
}

fn left_out(report: &RollUpReport) -> String {
    let line =
        |s: &tallywheel_schemas::report::UnusableSession| format!("session {} is left out: {}\n", s.session, s.reason);
    let notes = report.notes.iter().map(|n| n.clone() + "\n");
    report.unusable_sessions.iter().map(line).chain(notes).collect()
}

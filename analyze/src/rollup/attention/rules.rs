//! Limits that are exceeded or not: no statistics, and no false alarm but by a wrong sensor.

use serde::Serialize;

use super::{Finding, Level};
use crate::{
    figure::{duration, fixed},
    rollup::{Period, frame::Row},
};

/// The limits. All are common practice, not a standard's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// A motor driving above the set cut-off speed and 1 m/s for so long is a late cut-off, s.
    pub late_cutoff_s: f64,
    /// A winding or controller above the rig's first limit for so long is hot, s.
    pub hot_s: f64,
    /// A fault code for so long is a fault, s.
    pub fault_s: f64,
    /// A source with data in less than this share of the driving is silent, where it had any in the sixteen weeks before.
    pub silent_share: f64,
    /// A source with data in less than this share has gaps, where it has lost `coverage_drop` of it.
    pub coverage: f64,
    /// See [`Limits::coverage`].
    pub coverage_drop: f64,
    /// Driving days without the wall after which a van counts as not charged.
    pub uncharged_days: f64,
    /// Wall energy below this share of what the pack gave counts as none.
    pub uncharged_share: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            late_cutoff_s: 10.0,
            hot_s: 60.0,
            fault_s: 60.0,
            silent_share: 0.05,
            coverage: 0.95,
            coverage_drop: 0.02,
            uncharged_days: 3.0,
            uncharged_share: 0.05,
        }
    }
}

/// What of a vehicle was ever seen in its history.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Known {
    /// Energy from the wall.
    pub(super) charged: bool,
    /// Each of the sources, in the order of [`SOURCES`].
    pub(super) sources: [bool; 5],
}

impl Known {
    /// Adds a row of `vehicle_days`.
    pub(super) fn add(&mut self, day: Row<'_>) {
        self.charged |= day.number("wall_wh").is_some_and(|w| w > 0.0);
        let columns = ["distance_m", "fuel_ml", "pack_out_wh", "distance_assist_m", "winding_max_c"];
        for (known, column) in self.sources.iter_mut().zip(columns) {
            *known |= day.number(column).is_some();
        }
    }
}

/// What the limits say about a vehicle. `now` and `before` are rows of `vehicle_periods`.
pub(super) fn findings(
    limits: &Limits,
    period: &Period,
    now: Row<'_>,
    before: Option<Row<'_>>,
    known: &Known,
) -> Vec<Finding> {
    let mut found = Vec::new();
    found.extend(lasting(limits, now));
    found.extend(not_charged(limits, now, known.charged));
    found.extend(coverage(limits, now, before, known));
    found.extend(calibration(period, now));
    found
}

/// Seconds beyond a limit.
fn lasting(limits: &Limits, now: Row<'_>) -> Vec<Finding> {
    let rules: [(&'static str, &str, f64, &str); 4] = [
        ("late cut-off", "late_cutoff_s", limits.late_cutoff_s, "a motor drove above the set cut-off speed for"),
        ("hot winding", "winding_hot_s", limits.hot_s, "a winding was above its first limit for"),
        ("hot controller", "controller_hot_s", limits.hot_s, "a controller was above its first limit for"),
        ("kit fault", "fault_s", limits.fault_s, "a controller reported a fault for"),
    ];
    let peak = |check: &str| {
        let column = if check == "hot winding" { "winding_max_c" } else { "controller_max_c" };
        let shown = |c: f64| format!(", {} °C at most", fixed(c, 0));
        if check.starts_with("hot") { now.number(column).map(shown).unwrap_or_default() } else { String::new() }
    };
    rules
        .into_iter()
        .filter_map(|(check, column, limit, words)| {
            let seconds = now.number(column).filter(|s| *s >= limit)?;
            let sentence = format!("{words} {}{}", duration(seconds), peak(check));
            Some(Finding::rule(check, Level::Now, sentence, Some(seconds)))
        })
        .collect()
}

fn not_charged(limits: &Limits, now: Row<'_>, charged_before: bool) -> Option<Finding> {
    let days = now.number("drive_days").filter(|d| *d >= limits.uncharged_days)?;
    let given = now.number("pack_out_kwh")?;
    let wall = now.number("wall_kwh").unwrap_or(0.0);
    (charged_before && given > 0.0 && wall < limits.uncharged_share * given).then(|| {
        let sentence =
            format!("nothing from the wall on {} driving days, though it was charged before", fixed(days, 0));
        Finding::rule("not charged", Level::FindOut, sentence, Some(wall))
    })
}

const SOURCES: [(&str, &str); 5] = [
    ("distance", "distance_coverage"),
    ("fuel", "fuel_coverage"),
    ("pack", "pack_coverage"),
    ("assist", "assist_coverage"),
    ("winding temperature", "winding_coverage"),
];

fn coverage(limits: &Limits, now: Row<'_>, before: Option<Row<'_>>, known: &Known) -> Vec<Finding> {
    // Without driving there is nothing to cover; a source that was silent before is known.
    if now.number("drive_days").is_none_or(|d| d < 1.0) && now.number("engine_h").is_none_or(|h| h < 0.2) {
        return Vec::new();
    }
    let one = |((source, column), known): ((&str, &str), bool)| {
        let was = before.and_then(|b| b.number(column)).unwrap_or(0.0);
        let is = now.number(column).unwrap_or(0.0);
        let percent = |share: f64| fixed(share * 100.0, 1);
        if is < limits.silent_share && known {
            let data = if is > 0.0 { format!("data for {} %", percent(is)) } else { "no data for any".to_owned() };
            let sentence = format!("{source} is silent: {data} of the driving; it had some before");
            Some(Finding::rule("sensor silent", Level::FindOut, sentence, Some(is)))
        } else if is < limits.coverage && was - is >= limits.coverage_drop {
            let sentence = format!("{source} has data for {} % of the driving, {} % before", percent(is), percent(was));
            Some(Finding::rule("coverage dropping", Level::Plan, sentence, Some(is)))
        } else {
            None
        }
    };
    SOURCES.into_iter().zip(known.sources).filter_map(one).collect()
}

fn calibration(period: &Period, now: Row<'_>) -> Option<Finding> {
    let due = now.text("calibration_due")?;
    let day: chrono::NaiveDate = due.parse().ok()?;
    (day < period.last).then(|| {
        let days = (period.last - day).num_days();
        Finding::rule(
            "calibration overdue",
            Level::Plan,
            format!("a calibration of its rig ran out on {due}"),
            Some(days as f64),
        )
    })
}

//! A row in words, in metric units as the report's JSON has it.

use tallywheel_schemas::report::Comparability;

use crate::figure::fixed;

/// Decimals of a value in a unit: as many as tell runs apart.
pub(crate) fn decimals(unit: &str) -> usize {
    match unit {
        "m/s²" => 3,
        "1/km" | "1/mi" => 2,
        "drivers" => 0,
        _ => 1,
    }
}

/// Why a row stands against a verdict.
pub(super) fn obstacle(row: &Comparability) -> String {
    let value = |v: f64| format!("{} {}", fixed(v, decimals(&row.unit)), row.unit);
    let limit = match row.limit_unit.as_str() {
        "share" => format!("{} %", fixed(row.limit * 100.0, 0)),
        unit => format!("{} {unit}", fixed(row.limit, decimals(unit))),
    };
    if row.alike != Some(false) {
        return format!("{} cannot be adjusted for: {}", row.quantity, row.details.join("; "));
    }
    let means = match (row.baseline, row.assist) {
        (Some(b), Some(a)) => format!(": {} without assist, {} with it", value(b), value(a)),
        _ => row.difference.map_or_else(String::new, |d| format!(" by {}", value(d.abs()))),
    };
    let pair = match (row.largest_in_a_pair, &row.worst_pair) {
        (Some(d), Some(name)) => format!(", up to {} inside {name}", value(d)),
        _ => String::new(),
    };
    let details = if row.details.is_empty() { String::new() } else { format!("; {}", row.details.join("; ")) };
    format!("{} differs between the conditions{means}{pair} (limit {limit}){details}", row.quantity)
}

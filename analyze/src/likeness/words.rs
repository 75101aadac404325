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

/// A value with its unit.
pub(crate) fn with_unit(value: f64, unit: &str) -> String {
    let one = unit == "drivers" && (value - 1.0).abs() < 0.5;
    format!("{} {}", fixed(value, decimals(unit)), if one { "driver" } else { unit })
}

/// The unit of a difference of values.
pub(crate) fn of_difference(unit: &str) -> &str {
    match unit {
        "°C" => "K",
        "%" => "points",
        unit => unit,
    }
}

/// A pair or block that is too far apart.
pub(super) fn in_a_pair(name: &str, difference: f64, unit: &str) -> String {
    format!("{}{APART_IN}{name}", with_unit(difference, of_difference(unit)))
}

/// What stands between a difference and the pair or block that has it.
pub(crate) const APART_IN: &str = " apart in ";

/// Why a row stands against a verdict.
pub(crate) fn obstacle(row: &Comparability) -> String {
    let details = row.details.join("; ");
    if row.alike != Some(false) {
        return format!("{} cannot be adjusted for: {details}", row.quantity);
    }
    let stated = |limit: f64| match row.limit_unit.as_str() {
        "share" => format!("{} %", fixed(limit * 100.0, 0)),
        unit => with_unit(limit, unit),
    };
    let means = match (row.baseline, row.assist) {
        (Some(b), Some(a)) => {
            format!(": {} without assist, {} with it", with_unit(b, &row.unit), with_unit(a, &row.unit))
        }
        _ => {
            row.difference.map_or_else(String::new, |d| format!(" by {}", with_unit(d.abs(), of_difference(&row.unit))))
        }
    };
    let pair =
        if row.pair_limit > row.limit { format!(", in a pair {}", stated(row.pair_limit)) } else { String::new() };
    let details = if details.is_empty() { String::new() } else { format!("; {details}") };
    format!("{} differs between the conditions{means} (limit {}{pair}){details}", row.quantity, stated(row.limit))
}

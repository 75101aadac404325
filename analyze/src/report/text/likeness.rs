//! Were the runs driven alike: the section of the text report, and its values for the page.

use std::fmt::Write as _;

use tallywheel_schemas::{
    Units,
    report::{Comparability, DrivenRun, Report, StandardisedSpeeds, Treatment},
    units::{M_S_PER_MPH, METRES_PER_MILE, fahrenheit},
};

use super::consumption_of;
use crate::{
    figure::{fixed, signed},
    likeness::words::{self, APART_IN, decimals, of_difference, with_unit},
};

/// Pascals in a pound-force per square inch, kPa: exact by the pound and the inch.
const KPA_PER_PSI: f64 = 6.894_757_293_168_361;
/// Kilograms in a pound, exact.
const KG_PER_LB: f64 = 0.453_592_37;

/// Writes the section.
pub(super) fn write(out: &mut String, report: &Report, units: Units) -> std::fmt::Result {
    writeln!(out, "\nWere the conditions alike?")?;
    let width = report.comparability.iter().map(|c| c.quantity.chars().count()).max().unwrap_or(0);
    for c in &report.comparability {
        writeln!(out, "  {:<width$}  {:<9}  {}", c.quantity, treatment(c.treatment), line(c, units))?;
        for detail in details(c, units) {
            writeln!(out, "      {detail}")?;
        }
    }
    if let Some(s) = &report.likeness.standardised {
        writeln!(out, "  {}", standardised(s, units))?;
    }
    Ok(())
}

/// A row's details. Those of its pairs are metric; in other units its line names the worst pair, and that has to do.
pub(in crate::report) fn details(c: &Comparability, units: Units) -> impl Iterator<Item = &String> {
    c.details.iter().filter(move |d| units == Units::Metric || !d.contains(APART_IN))
}

/// Why a row stands against a verdict, in the units asked for.
pub(in crate::report) fn obstacle(c: &Comparability, units: Units) -> String {
    if units == Units::Metric || c.alike != Some(false) {
        return words::obstacle(c);
    }
    let of = match (c.baseline, c.assist) {
        (Some(_), Some(_)) => {
            format!(": {} without assist, {} with it", mean(c, c.baseline, units), mean(c, c.assist, units))
        }
        _ => c.difference.map_or_else(String::new, |d| format!(" by {}", difference(c, d.abs(), units))),
    };
    let too_far = c.details.iter().any(|d| d.contains(APART_IN));
    let worst = c.largest_in_a_pair.zip(c.worst_pair.as_ref()).filter(|_| too_far);
    let worst = worst.map(|(d, name)| format!("at most {}{APART_IN}{name}", difference(c, d, units)));
    let rest: String = worst.iter().chain(details(c, units)).map(|d| format!("; {d}")).collect();
    format!("{} differs between the conditions{of} (limit {}){rest}", c.quantity, limit(c, units))
}

/// What was done about a row, in a word or two.
pub(in crate::report) const fn treatment(treatment: Treatment) -> &'static str {
    match treatment {
        Treatment::Alike => "alike",
        Treatment::Excluded => "run out",
        Treatment::Withheld => "differs",
        Treatment::Adjusted => "adjusted",
        Treatment::Standardised => "same speeds",
        Treatment::NotKnown => "not known",
    }
}

fn line(c: &Comparability, units: Units) -> String {
    let mut parts = Vec::new();
    if c.baseline.is_some() || c.assist.is_some() {
        let side = |v: Option<f64>, word: &str| v.map(|v| format!("{} {word}", mean(c, Some(v), units)));
        let sides = [side(c.baseline, "without assist"), side(c.assist, "with")];
        parts.push(sides.into_iter().flatten().collect::<Vec<_>>().join(", "));
    }
    if c.baseline.is_none() || c.assist.is_none() {
        parts.extend(c.difference.map(|d| format!("{} apart", difference(c, d.abs(), units))));
    }
    if let (Some(d), Some(name)) = (c.largest_in_a_pair, &c.worst_pair)
        && c.treatment != Treatment::Alike
    {
        parts.push(format!("at most {} in {name}", difference(c, d, units)));
    }
    parts.push(format!("allowed {}", limit(c, units)));
    parts.join("; ")
}

/// Mean of a condition.
pub(in crate::report) fn mean(c: &Comparability, value: Option<f64>, units: Units) -> String {
    let Some(v) = value else { return "–".to_owned() };
    let (v, unit) = match (units, c.unit.as_str()) {
        (Units::Us, "°C") => (fahrenheit(v), "°F"),
        (_, unit) => converted(v, unit, units),
    };
    with_unit(v, unit)
}

/// A difference of two values of a row.
pub(in crate::report) fn difference(c: &Comparability, value: f64, units: Units) -> String {
    let (v, unit) = converted(value, of_difference(&c.unit), units);
    with_unit(v, unit)
}

/// The limits of a row: of the conditions and, where it is another, inside a pair or block.
pub(in crate::report) fn limit(c: &Comparability, units: Units) -> String {
    let stated = |limit: f64| {
        if c.limit_unit == "share" {
            return format!("{} %", fixed(limit * 100.0, 0));
        }
        let (v, unit) = converted(limit, &c.limit_unit, units);
        with_unit(v, unit)
    };
    if c.pair_limit > c.limit {
        return format!("{}, {} in a pair", stated(c.limit), stated(c.pair_limit));
    }
    stated(c.limit)
}

/// A value in the unit that is customary; temperatures are differences here.
fn converted(value: f64, unit: &str, units: Units) -> (f64, &str) {
    match (units, unit) {
        (Units::Us, "K") => (value * 1.8, "°F"),
        (Units::Us, "km") => (value * 1000.0 / METRES_PER_MILE, "mi"),
        (Units::Us, "km/h") => (value * 1000.0 / METRES_PER_MILE, "mph"),
        (Units::Us, "m/s") => (value / M_S_PER_MPH, "mph"),
        (Units::Us, "kg") => (value / KG_PER_LB, "lb"),
        (Units::Us, "kPa") => (value / KPA_PER_PSI, "psi"),
        (Units::Us, "1/km") => (value * METRES_PER_MILE / 1000.0, "1/mi"),
        _ => (value, unit),
    }
}

/// How a run was driven, value by value, in the order of [`driven_heads`].
pub(in crate::report) fn driven(run: &DrivenRun, units: Units) -> Vec<String> {
    let shown = |v: Option<f64>, unit: &str| {
        v.map_or_else(
            || "–".to_owned(),
            |v| {
                let (v, unit) = converted(v, unit, units);
                fixed(v, decimals(unit))
            },
        )
    };
    let coolant = run.coolant_start_c.map(|t| if units == Units::Us { fahrenheit(t) } else { t });
    let percent = |share: f64| fixed(share * 100.0, 1);
    let route = |of: &dyn Fn(&tallywheel_schemas::report::RouteMatch) -> String| {
        run.route.as_ref().map_or_else(|| "–".to_owned(), of)
    };
    vec![
        run.driver.clone().unwrap_or_else(|| "–".to_owned()),
        shown(run.speed_moving_km_h, "km/h"),
        shown(run.stops_per_km, "1/km"),
        shown(run.rpa_m_s2, "m/s²"),
        shown(run.va95_m2_s3, "m²/s³"),
        shown(coolant, ""),
        shown(run.tyre_pressure_kpa, "kPa"),
        route(&|m| percent(m.coverage)),
        route(&|m| percent(m.departure)),
        route(&|m| m.reference.clone()),
    ]
}

/// Headings of [`driven`].
pub(in crate::report) const fn driven_heads(units: Units) -> [&'static str; 10] {
    match units {
        Units::Metric => [
            "Driver",
            "Moving, km/h",
            "Stops, 1/km",
            "RPA, m/s²",
            "v·a⁺ 95 %, m²/s³",
            "Coolant at start, °C",
            "Tyres, kPa",
            "Fixes, %",
            "Off the route, %",
            "of run",
        ],
        Units::Us => [
            "Driver",
            "Moving, mph",
            "Stops, 1/mi",
            "RPA, m/s²",
            "v·a⁺ 95 %, m²/s³",
            "Coolant at start, °F",
            "Tyres, psi",
            "Fixes, %",
            "Off the route, %",
            "of run",
        ],
    }
}

/// The comparison at one mixture of speeds in a sentence.
pub(in crate::report) fn standardised(s: &StandardisedSpeeds, units: Units) -> String {
    format!(
        "At one mixture of speeds: {} without assist, {} with, {} % mileage (as driven {} %), over the {} % of the distance \
         in classes of speed that both have. Descriptive only.",
        consumption_of(s.baseline_l_per_100km, units),
        consumption_of(s.assist_l_per_100km, units),
        signed(s.mileage_percent, 1),
        signed(s.as_driven_percent, 1),
        fixed(s.distance_share * 100.0, 0)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(unit: &str, limit_unit: &str) -> Comparability {
        Comparability {
            quantity: "q".to_owned(),
            unit: unit.to_owned(),
            baseline: Some(10.0),
            assist: Some(20.0),
            difference: Some(10.0),
            largest_in_a_pair: None,
            worst_pair: None,
            limit: 5.0,
            pair_limit: 5.0,
            limit_unit: limit_unit.to_owned(),
            limit_source: String::new(),
            alike: Some(false),
            treatment: Treatment::Withheld,
            details: Vec::new(),
        }
    }

    /// 10 °C are 50 °F, and 10 K of difference 18 °F; 10 km/h are 6.2 mph; 10 m/s 22.4 mph; 10 kg 22.0 lb; 10 kPa 1.5
    /// psi; 10 a km 16.09 a mile (definitions of mile, pound and inch).
    #[test]
    fn rows_honour_the_units() {
        let shown = |unit: &str, limit_unit: &str| {
            let c = row(unit, limit_unit);
            [mean(&c, c.baseline, Units::Us), difference(&c, 10.0, Units::Us), limit(&c, Units::Us)]
        };
        assert_eq!(shown("°C", "K"), ["50.0 °F", "18.0 °F", "9.0 °F"]);
        assert_eq!(shown("km/h", "share"), ["6.2 mph", "6.2 mph", "500 %"]);
        assert_eq!(shown("m/s", "m/s"), ["22.4 mph", "22.4 mph", "11.2 mph"]);
        assert_eq!(shown("kg", "kg"), ["22.0 lb", "22.0 lb", "11.0 lb"]);
        assert_eq!(shown("kPa", "kPa"), ["1.5 psi", "1.5 psi", "0.7 psi"]);
        assert_eq!(shown("1/km", "1/km"), ["16.09 1/mi", "16.09 1/mi", "8.05 1/mi"]);
        assert_eq!(shown("%", "points"), ["10.0 %", "10.0 points", "5.0 points"]);
        let mut c = row("°C", "K");
        assert_eq!(mean(&c, None, Units::Us), "–");
        assert_eq!(line(&c, Units::Metric), "10.0 °C without assist, 20.0 °C with; allowed 5.0 K");
        c.details = vec!["12.0 K apart in b1 / a1".to_owned(), "not known in run b2".to_owned()];
        (c.largest_in_a_pair, c.worst_pair) = (Some(12.0), Some("b1 / a1".to_owned()));
        let means = "q differs between the conditions: 50.0 °F without assist, 68.0 °F with it (limit 9.0 °F)";
        let said = format!("{means}; at most 21.6 °F apart in b1 / a1; not known in run b2");
        assert_eq!(obstacle(&c, Units::Us), said);
        assert_eq!(obstacle(&c, Units::Metric), words::obstacle(&c));
    }
}

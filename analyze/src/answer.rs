//! The report's first words: what is decided, how much, and what it takes.
//!
//! Where the gain comes with electricity from the wall, the first sentence says so, how much that is and for how many
//! km it holds; fuel is never named alone.

use tallywheel_schemas::{
    Units,
    report::{Decision, EnergyAccount, Improvement, Interval, Verdict},
    units::METRES_PER_MILE,
};

use crate::account::NOTHING_TAKEN_WH;
use crate::figure::{self, fixed, signed, stated};

/// A start with less charge is no full pack, %.
const FULL_PCT: f64 = 85.0;

/// The answer. `improvement` without an estimate leaves only the decision.
pub fn answer(
    route: &str,
    verdict: &Verdict,
    improvement: &Improvement,
    energy: &EnergyAccount,
    units: Units,
) -> String {
    let decided = capitalised(&decided(route, verdict));
    let Some(gain) = &improvement.mileage_percent else { return format!("{decided}.") };
    format!(
        "{decided}: with the assist on, fuel mileage changed by {} %{}{}.{}",
        signed(gain.estimate, 1),
        interval(gain, improvement.confidence),
        electricity(energy, units),
        petrol_equivalent(energy)
    )
}

fn decided(route: &str, verdict: &Verdict) -> String {
    let claim = format!("the claim of {} % on the {route}", stated(verdict.claim_percent));
    match verdict.decision {
        Decision::Supported => format!("{claim} is supported"),
        Decision::NotSupported => format!("{claim} is not supported"),
        Decision::Undecided => format!("{claim} is not yet decided"),
        Decision::Withheld => format!("no verdict is given on {claim}"),
    }
}

pub(crate) fn interval(gain: &Interval, confidence: f64) -> String {
    match (gain.low, gain.high) {
        (Some(low), Some(high)) => {
            format!(" ({} % interval {} to {} %)", figure::confidence(confidence), signed(low, 1), signed(high, 1))
        }
        _ => String::new(),
    }
}

/// A distance in the unit asked for.
fn distance(km: f64, units: Units) -> (f64, &'static str) {
    match units {
        Units::Metric => (km, "km"),
        Units::Us => (km * 1000.0 / METRES_PER_MILE, "mi"),
    }
}

fn electricity(energy: &EnergyAccount, units: Units) -> String {
    let Some(per_km) = energy.per_km_wh else { return "; the electricity that this takes was not recorded".to_owned() };
    if per_km <= NOTHING_TAKEN_WH {
        return format!("; no electricity from the wall goes into this{}", flat(energy, units));
    }
    let (in_a_km, unit) = distance(1.0, units);
    let per_100 = |wh_per_km: f64| fixed(wh_per_km / in_a_km / 10.0, 1);
    let wall = match energy.wall_per_km_wh {
        Some(wall) => format!("with {} kWh of electricity from the wall per 100 {unit}", per_100(wall)),
        None => format!(
            "with {} kWh of electricity from the pack per 100 {unit} (what that takes from the wall is not known)",
            per_100(per_km)
        ),
    };
    let far = |km: f64| format!("{} {unit}", fixed(distance(km, units).0, 0));
    let holds = match energy.range.km {
        Some(km) if energy.range.at_most => {
            format!("holds for at most {} on a full pack, by its rated energy", far(km))
        }
        Some(km) => match energy.range.from_soc_pct.filter(|soc| *soc < FULL_PCT) {
            Some(soc) => format!("holds for about {} from a charge of {} %", far(km), fixed(soc, 0)),
            None => format!("holds for about {} on a full pack", far(km)),
        },
        None => "how far it holds is not known".to_owned(),
    };
    let and = if energy.range.km.is_some() { " and " } else { "; " };
    format!("; this comes {wall}{and}{holds}{}", flat(energy, units))
}

/// What the runs show of an end of the pack.
fn flat(energy: &EnergyAccount, units: Units) -> String {
    let (runs, Some(after)) = (energy.range.flat_runs, energy.range.flat_after_km) else { return String::new() };
    let which = match (runs, energy.runs) {
        (n, all) if n == all => {
            format!("in {}", if n == 1 { "the assisted run".to_owned() } else { format!("all {n} assisted runs") })
        }
        (n, all) => format!("in {n} of {all} assisted runs"),
    };
    let (after, unit) = distance(after, units);
    let after = fixed(after, 1);
    format!("; the pack ran flat {which}, first after {after} {unit}, and the rest of those runs had no assist")
}

fn petrol_equivalent(energy: &EnergyAccount) -> String {
    let taken = energy.per_km_wh.is_some_and(|wh| wh > NOTHING_TAKEN_WH);
    let Some(summed) = energy.petrol_equivalent_percent.filter(|_| taken) else { return String::new() };
    let known = energy.petrol_equivalent_gain.as_ref();
    let span = known.map(|gain| interval(&gain.percent, gain.confidence)).filter(|span| !span.is_empty());
    format!(
        " Counting that electricity as petrol by its energy, mileage changed by {} %{}.",
        signed(known.map_or(summed, |gain| gain.percent.estimate), 1),
        span.unwrap_or_else(|| " (no interval)".to_owned())
    )
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::report::{DayAccount, EquivalentGain, PackRange};

    use super::*;

    fn verdict(decision: Decision) -> Verdict {
        Verdict {
            claim_percent: 45.0,
            decision,
            reasons: Vec::new(),
            further_pairs: None,
            look: None,
            rule: String::new(),
        }
    }

    fn improvement(estimate: Option<f64>) -> Improvement {
        Improvement {
            mileage_percent: estimate.map(|estimate| Interval { estimate, low: Some(55.0), high: Some(65.0) }),
            fuel_saved_percent: None,
            confidence: 0.95,
            method: String::new(),
            spread: None,
            degrees_of_freedom: None,
            distance_weighted_percent: None,
            calibration_relative: 0.0,
            ..Improvement::default()
        }
    }

    fn energy(per_km_wh: Option<f64>, wall_per_km_wh: Option<f64>, km: Option<f64>) -> EnergyAccount {
        EnergyAccount {
            runs: 5,
            reservation: None,
            pack_out_kwh: None,
            pack_in_kwh: None,
            net_kwh: None,
            per_km_wh,
            pack_out_ah: None,
            pack_in_ah: None,
            equivalent_full_cycles: None,
            wall_logged_kwh: None,
            charging_efficiency: None,
            wall_wh_per_ah: None,
            wall_per_km_wh,
            petrol_equivalent_mpg_us: None,
            petrol_equivalent_l_per_100km: None,
            petrol_equivalent_gain: None,
            petrol_equivalent_percent: wall_per_km_wh.map(|_| 27.4),
            distance_on_pack_km: km,
            cost_per_km: None,
            currency: None,
            co2_g_per_km: None,
            relative_expanded_uncertainty: 0.0,
            lines: Vec::new(),
            net_energy: Vec::new(),
            range: PackRange {
                km,
                expanded_uncertainty_km: None,
                usable_kwh: None,
                per_km_wh,
                basis: String::new(),
                at_most: false,
                from_soc_pct: Some(95.0),
                flat_runs: 0,
                flat_after_km: None,
                floor_reached: None,
                unknown: None,
            },
            day: DayAccount { weighted: None, by_distance: Vec::new(), assumption: String::new(), unknown: None },
        }
    }

    fn said_in(energy: &EnergyAccount, units: Units) -> String {
        answer("harbour loop", &verdict(Decision::Supported), &improvement(Some(60.0)), energy, units)
    }

    fn said(energy: &EnergyAccount) -> String {
        said_in(energy, Units::Metric)
    }

    #[test]
    fn the_first_sentence_names_the_electricity_and_how_far_it_goes() {
        assert_eq!(
            said(&energy(Some(140.0), Some(171.0), Some(38.2))),
            "The claim of +45 % on the harbour loop is supported: with the assist on, fuel mileage changed by +60.0 % \
             (95 % interval +55.0 to +65.0 %); this comes with 17.1 kWh of electricity from the wall per 100 km and \
             holds for about 38 km on a full pack. Counting that electricity as petrol by its energy, mileage changed \
             by +27.4 % (no interval)."
        );
        let mut known = energy(Some(140.0), Some(171.0), Some(38.2));
        known.petrol_equivalent_gain = Some(EquivalentGain {
            percent: Interval { estimate: 27.9, low: Some(21.0), high: Some(35.2) },
            confidence: 0.9,
            method: String::new(),
        });
        assert!(
            said(&known).ends_with("mileage changed by +27.9 % (90 % interval +21.0 to +35.2 %)."),
            "{}",
            said(&known)
        );
    }

    #[test]
    fn what_is_not_known_of_the_electricity_is_said() {
        assert!(said(&energy(None, None, None)).contains("; the electricity that this takes was not recorded."));
        let unmeasured = said(&energy(Some(140.0), None, None));
        assert!(unmeasured.contains("14.0 kWh of electricity from the pack per 100 km (what that takes from the wall"));
        assert!(unmeasured.ends_with("; how far it holds is not known."), "{unmeasured}");
        assert!(said(&energy(Some(0.1), Some(0.1), None)).ends_with("; no electricity from the wall goes into this."));
    }

    /// A mile is 1.609344 km: 17.1 kWh per 100 km are 27.5 per 100 miles, 38.2 km are 23.7 miles and 5.23 km 3.2.
    #[test]
    fn miles_are_said_where_miles_are_asked_for() {
        let mut energy = energy(Some(140.0), Some(171.0), Some(38.2));
        energy.range = PackRange { flat_runs: 2, flat_after_km: Some(5.23), ..energy.range };
        let said = said_in(&energy, Units::Us);
        let part = "with 27.5 kWh of electricity from the wall per 100 mi and holds for about 24 mi on a full pack; the pack \
            ran flat in 2 of 5 assisted runs, first after 3.2 mi, and";
        assert!(said.contains(part), "{said}");
        assert!(!said.contains(" km"), "{said}");
    }

    #[test]
    fn a_rated_range_is_a_bound() {
        let mut rated = energy(Some(140.0), Some(171.0), Some(38.2));
        rated.range.at_most = true;
        assert!(said(&rated).contains(" and holds for at most 38 km on a full pack, by its rated energy."));
    }

    #[test]
    fn a_pack_that_ran_flat_is_in_the_first_sentence() {
        let mut flat = energy(Some(140.0), Some(171.0), Some(38.2));
        flat.range = PackRange { flat_runs: 2, flat_after_km: Some(5.23), ..flat.range };
        assert!(said(&flat).contains("; the pack ran flat in 2 of 5 assisted runs, first after 5.2 km, and"));
    }

    #[test]
    fn without_an_estimate_only_the_decision_is_said() {
        let energy = energy(Some(140.0), Some(171.0), Some(38.0));
        let withheld = verdict(Decision::Withheld);
        let said = answer("harbour loop", &withheld, &improvement(None), &energy, Units::Metric);
        assert_eq!(said, "No verdict is given on the claim of +45 % on the harbour loop.");
    }
}

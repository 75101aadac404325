//! The report's first words: what is decided, how much, and what it takes.
//!
//! Where the gain comes with electricity from the wall, the first sentence says so, how much that is and for how many
//! km it holds; fuel is never named alone.

use tallywheel_schemas::{
    Campaign,
    report::{Decision, EnergyAccount, Improvement, Interval, Verdict},
};

use crate::figure::{fixed, signed};

/// Net energy per km below which the pack is as full after a run as before it, Wh/km.
const NOTHING_TAKEN_WH: f64 = 0.5;

/// The answer. `improvement` without an estimate leaves only the decision.
pub fn answer(campaign: &Campaign, verdict: &Verdict, improvement: &Improvement, energy: &EnergyAccount) -> String {
    let decided = capitalised(&decided(campaign, verdict.decision));
    let Some(gain) = &improvement.mileage_percent else { return format!("{decided}.") };
    format!(
        "{decided}: with the assist on, fuel mileage changed by {} %{}{}.{}",
        signed(gain.estimate, 1),
        interval(gain, improvement.confidence),
        electricity(energy),
        petrol_equivalent(energy)
    )
}

fn decided(campaign: &Campaign, decision: Decision) -> String {
    let claim = format!("the claim of {} % on the {}", signed(campaign.claim_percent, 0), campaign.route);
    match decision {
        Decision::Supported => format!("{claim} is supported"),
        Decision::NotSupported => format!("{claim} is not supported"),
        Decision::Undecided => format!("{claim} is not yet decided"),
        Decision::Withheld => format!("no verdict is given on {claim}"),
    }
}

fn interval(gain: &Interval, confidence: f64) -> String {
    match (gain.low, gain.high) {
        (Some(low), Some(high)) => {
            format!(" ({} % interval {} to {} %)", fixed(confidence * 100.0, 0), signed(low, 1), signed(high, 1))
        }
        _ => String::new(),
    }
}

fn electricity(energy: &EnergyAccount) -> String {
    let Some(per_km) = energy.per_km_wh else { return "; the electricity that this takes was not recorded".to_owned() };
    if per_km <= NOTHING_TAKEN_WH {
        return format!("; no electricity from the wall goes into this{}", flat(energy));
    }
    let wall = match energy.wall_per_km_wh {
        Some(wall) => format!("with {} kWh of electricity from the wall per 100 km", fixed(wall / 10.0, 1)),
        None => format!(
            "with {} kWh of electricity from the pack per 100 km (what that takes from the wall is not known)",
            fixed(per_km / 10.0, 1)
        ),
    };
    let holds = match energy.range.km {
        Some(km) => format!("holds for about {} km on a full pack", fixed(km, 0)),
        None => "for how many km it holds is not known".to_owned(),
    };
    let and = if energy.range.km.is_some() { " and " } else { "; " };
    format!("; this comes {wall}{and}{holds}{}", flat(energy))
}

/// What the runs show of an end of the pack.
fn flat(energy: &EnergyAccount) -> String {
    let (runs, Some(after)) = (energy.range.flat_runs, energy.range.flat_after_km) else { return String::new() };
    let which = match (runs, energy.runs) {
        (n, all) if n == all => {
            format!("in {}", if n == 1 { "the assisted run".to_owned() } else { format!("all {n} assisted runs") })
        }
        (n, all) => format!("in {n} of {all} assisted runs"),
    };
    format!("; the pack ran flat {which}, first after {} km, and the rest of those runs had no assist", fixed(after, 1))
}

fn petrol_equivalent(energy: &EnergyAccount) -> String {
    let taken = energy.per_km_wh.is_some_and(|wh| wh > NOTHING_TAKEN_WH);
    match energy.petrol_equivalent_percent.filter(|_| taken) {
        Some(percent) => {
            format!(" Counting that electricity as petrol by its energy, mileage changed by {} %.", signed(percent, 1))
        }
        None => String::new(),
    }
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

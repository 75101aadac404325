//! Vehicles in daily service before and after the kit: one log ratio a vehicle.
//!
//! Each vehicle's consumption before and after is brought to the distances by speed of both times together, so that a
//! change of routes that shows in the speeds leaves the ratio. Vehicles that never got a kit show what else changed
//! (season, fuel, drivers); theirs is subtracted (difference in differences). The vehicle is the unit: a thousand trips
//! of one vehicle are still one installation, and say nothing of how the next will fare.

use tallywheel_schemas::{
    campaign::{Campaign, Design},
    report::DesignParts,
};

use super::{Effect, Estimated, bootstrap::Draws, paired, unpaired};
use crate::{
    observation::{Observation, complete_pairs},
    stats::{Sample, pooled_sd},
};

/// Log ratios of fitted vehicles, freed from what changed in the others.
pub fn difference_in_differences(fitted: &[f64], others: &[f64]) -> Option<Effect> {
    let over_vehicles = |method: &str, effect: Effect| Effect {
        design: Design::BeforeAfter,
        units_used: fitted.len(),
        method: method.to_owned(),
        ..effect
    };
    if others.is_empty() {
        let method = "mean over vehicles of the log ratio before to after, interval by Student's t over vehicles";
        return paired::mean(fitted).map(|e| over_vehicles(method, e));
    }
    let method = "mean over vehicles of the log ratio before to after minus that of the vehicles without kit, interval \
                  by Student's t over vehicles with the spread of both";
    let effect = unpaired::difference(fitted, others, Design::BeforeAfter)?;
    // Few vehicles without a kit stand against many with one, where Welch's t errs most. Both kinds change with their use
    // alike; should the kit's own differences add to that, the common spread is too large and the interval too wide.
    let common = Sample::of(fitted).zip(Sample::of(others)).and_then(|(f, o)| {
        let df = (f.n + o.n) as f64 - 2.0;
        pooled_sd(&f, &o).map(|sd| (sd * (1.0 / f.n as f64 + 1.0 / o.n as f64).sqrt(), df))
    });
    Some(over_vehicles(
        method,
        match common {
            Some((se, df)) => {
                Effect { standard_error: Some(se), degrees_of_freedom: Some(df), ..effect }.without_rounding()
            }
            None => effect,
        },
    ))
}

pub(super) fn estimate(campaign: &Campaign, observations: &[Observation]) -> Estimated {
    let ratios = |is_fitted: bool| -> Vec<f64> {
        let pairs = complete_pairs(observations);
        let of = pairs.into_iter().filter(|(b, _)| b.fitted == is_fitted);
        of.map(|(before, after)| before.log_consumption() - after.log_consumption()).collect()
    };
    let (fitted, others) = (ratios(true), ratios(false));
    let mut notes = Vec::new();
    if fitted.len() < 2 {
        notes.push(
            "with fewer than two vehicles that got the kit there is no interval over vehicles: the figures describe \
             this vehicle and no other"
                .to_owned(),
        );
    }
    if others.is_empty() {
        notes.push(
            "no vehicle without a kit was observed: whatever else changed between the two times, such as the season, is \
             in the figure"
                .to_owned(),
        );
    }
    let mut effect = difference_in_differences(&fitted, &others);
    if fitted.len() < 2
        && let Some(effect) = &mut effect
    {
        // The spread of vehicles without a kit says nothing of how a kit's effect varies.
        (effect.standard_error, effect.degrees_of_freedom) = (None, None);
    }
    let obstacles = if campaign.adjust.is_empty() {
        Vec::new()
    } else {
        vec![
            "a before-and-after design is standardised by speed and adjusts for nothing else: remove adjust".to_owned(),
        ]
    };
    let draws = Some(if others.is_empty() { Draws::One(fitted) } else { Draws::Two(fitted, others) });
    Estimated { effect, parts: DesignParts { notes, ..DesignParts::default() }, obstacles, draws }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_without_a_kit_is_subtracted() {
        let e = difference_in_differences(&[0.40, 0.42, 0.44], &[0.05, 0.07]).expect("vehicles");
        assert!((e.log_ratio - 0.36).abs() < 1e-12);
        assert_eq!((e.units_used, e.design), (3, Design::BeforeAfter));
        assert!(e.interval(0.95).is_some());
    }
}

//! The gain that counts electricity as petrol, run by run: the same estimators and the same budget as the improvement of
//! mileage, so that it has an interval of the same kind.

use tallywheel_schemas::{
    Condition,
    campaign::Design,
    report::{BudgetSum, EnergyAccount, EquivalentGain},
};

use super::{AccountInput, KWH_PER_LITRE_PETROL, charging};
use crate::{
    effect::estimate,
    judgement::{Combined, Systematic},
    observation::Observation,
};

/// The gain from the runs that count; `calibrations` is what the budget leaves of the ratio with electricity.
///
/// # Formula
/// Each assisted run's fuel is raised by what its electricity from the wall counts as petrol, as in the account; then
/// the design's estimator and interval, with the calibrations combined as for the mileage. `None` for vehicles in service,
/// whose observations are no runs, or where an assisted run's electricity is not known.
pub fn equivalent_gain(
    input: &AccountInput<'_>,
    energy: &EnergyAccount,
    observations: &[Observation],
    calibrations: Option<BudgetSum>,
) -> Option<EquivalentGain> {
    let AccountInput { campaign, assist, rig, charging, .. } = *input;
    if campaign.design == Design::BeforeAfter {
        return None;
    }
    let (charging, _) = charging.plausible();
    let mut counted = observations.to_vec();
    for o in counted.iter_mut().filter(|o| o.condition == Condition::Assist) {
        let run = assist.iter().find(|r| r.sheet.run == o.run)?;
        if run.pack_coverage < campaign.rules.min_coverage {
            return None;
        }
        let wall = charging::wall(&run.tally, &charging, energy.charging_efficiency.as_ref(), rig).ok()?;
        o.fuel_ml += wall.per_km_wh * run.tally.distance_km() / KWH_PER_LITRE_PETROL;
    }
    let effect = estimate(campaign, &counted).effect?;
    let systematic = calibrations.map_or_else(Systematic::default, |sum| Systematic {
        relative_standard_uncertainty: sum.standard_percent / 100.0,
        degrees_of_freedom: sum.degrees_of_freedom.unwrap_or(f64::INFINITY),
    });
    let half = Combined::of(&effect, &systematic).and_then(|c| c.half_width(campaign.confidence));
    let interval = half.map(|half| (effect.log_ratio - half, effect.log_ratio + half));
    Some(EquivalentGain {
        percent: effect.mileage_percent(interval),
        confidence: campaign.confidence,
        method: format!(
            "{}, of fuel and electricity counted as petrol run by run, with the calibrations of both",
            effect.method
        ),
    })
}

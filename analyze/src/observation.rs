//! One run reduced to the numbers that a comparison rests on.
//!
//! Nothing here knows of sessions or files: simulated campaigns are made of the same values as recorded ones, and go
//! the same way from here to the decision.

use std::collections::BTreeMap;

use tallywheel_schemas::{Condition, campaign::Design};

/// One run that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Name of the run; of the vehicle in a before-and-after design.
    pub run: String,
    /// Assist on or off; after or before the installation.
    pub condition: Condition,
    /// Which pair, block, pass or vehicle of the campaign it belongs to, counted from 0. Without meaning for groups.
    pub unit: usize,
    /// Place in the order of driving among all runs of the campaign, used or not.
    pub place: f64,
    /// Fuel at the reference temperature, mL.
    pub fuel_ml: f64,
    /// Distance, m.
    pub distance_m: f64,
    /// What the control vehicle did on the same pass.
    pub control: Option<ControlPass>,
    /// The vehicle got the kit. Only a before-and-after design has vehicles that did not.
    pub fitted: bool,
    /// Circumstances that consumption may be adjusted for, by name.
    pub covariates: BTreeMap<String, f64>,
}

/// The control vehicle's part of a pass.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlPass {
    /// Name of its run.
    pub run: String,
    /// Fuel at the reference temperature, mL.
    pub fuel_ml: f64,
    /// Distance, m.
    pub distance_m: f64,
}

impl Observation {
    /// A run with fuel and distance and nothing else.
    pub fn new(run: impl Into<String>, condition: Condition, unit: usize, fuel_ml: f64, distance_m: f64) -> Self {
        Self {
            run: run.into(),
            condition,
            unit,
            place: 0.0,
            fuel_ml,
            distance_m,
            control: None,
            fitted: true,
            covariates: BTreeMap::new(),
        }
    }

    /// The same at a place in the order of driving.
    #[must_use]
    pub const fn at(mut self, place: f64) -> Self {
        self.place = place;
        self
    }

    /// Test over control consumption. `None` without a control vehicle.
    pub fn test_over_control(&self) -> Option<f64> {
        let control = self.control.as_ref()?;
        Some((self.fuel_ml / self.distance_m) / (control.fuel_ml / control.distance_m))
    }

    /// Logarithm of consumption, or of test over control consumption where there is a control vehicle.
    pub fn log_consumption(&self) -> f64 {
        self.test_over_control().unwrap_or(self.fuel_ml / self.distance_m).ln()
    }
}

/// Both runs of the pairs that are complete, baseline first, in the order in which the pairs were completed.
pub fn complete_pairs(observations: &[Observation]) -> Vec<(&Observation, &Observation)> {
    let mut units: BTreeMap<usize, (Option<&Observation>, Option<&Observation>)> = BTreeMap::new();
    for o in observations {
        let unit = units.entry(o.unit).or_default();
        match o.condition {
            Condition::Baseline => unit.0 = Some(o),
            Condition::Assist => unit.1 = Some(o),
        }
    }
    let mut pairs: Vec<_> = units.into_values().filter_map(|(b, a)| b.zip(a)).collect();
    let done = |(b, a): &(&Observation, &Observation)| b.place.max(a.place);
    pairs.sort_by(|x, y| done(x).total_cmp(&done(y)));
    pairs
}

/// Number of units that the observations make up: complete pairs, fitted vehicles, else runs in the smaller
/// condition.
pub fn units(design: Design, observations: &[Observation]) -> usize {
    match design {
        Design::Paired => complete_pairs(observations).len(),
        Design::BeforeAfter => complete_pairs(observations).iter().filter(|(b, _)| b.fitted).count(),
        _ => [Condition::Baseline, Condition::Assist]
            .map(|c| observations.iter().filter(|o| o.condition == c).count())
            .into_iter()
            .min()
            .unwrap_or(0),
    }
}

/// The observations that make up the first `n` units in the order of driving. Vehicles that never got the kit are all
/// kept.
pub fn first(design: Design, observations: &[Observation], n: usize) -> Vec<Observation> {
    let both = |pairs: Vec<(&Observation, &Observation)>| -> Vec<Observation> {
        pairs.into_iter().flat_map(|(b, a)| [b.clone(), a.clone()]).collect()
    };
    match design {
        Design::Paired => both(complete_pairs(observations).into_iter().take(n).collect()),
        Design::BeforeAfter => {
            let (fitted, others): (Vec<_>, Vec<_>) =
                complete_pairs(observations).into_iter().partition(|(b, _)| b.fitted);
            both(fitted.into_iter().take(n).chain(others).collect())
        }
        _ => [Condition::Baseline, Condition::Assist]
            .into_iter()
            .flat_map(|condition| {
                let mut of: Vec<&Observation> = observations.iter().filter(|o| o.condition == condition).collect();
                of.sort_by(|x, y| x.place.total_cmp(&y.place));
                of.into_iter().take(n).cloned().collect::<Vec<_>>()
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(condition: Condition, unit: usize, place: f64) -> Observation {
        Observation::new(format!("{}{unit}", condition.name()), condition, unit, 700.0, 9_400.0).at(place)
    }

    #[test]
    fn pairs_count_in_the_order_in_which_they_were_completed() {
        let runs = [
            run(Condition::Baseline, 0, 0.0),
            run(Condition::Assist, 0, 5.0),
            run(Condition::Assist, 1, 2.0),
            run(Condition::Baseline, 1, 3.0),
            run(Condition::Baseline, 2, 4.0),
        ];
        let pairs = complete_pairs(&runs);
        assert_eq!(pairs.iter().map(|(b, _)| b.unit).collect::<Vec<_>>(), [1, 0]);
        assert_eq!(units(Design::Paired, &runs), 2);
        assert_eq!(first(Design::Paired, &runs, 1).iter().map(|o| o.unit).collect::<Vec<_>>(), [1, 1]);
        assert_eq!(units(Design::Unpaired, &runs), 2);
        assert_eq!(first(Design::Unpaired, &runs, 1).iter().map(|o| o.unit).collect::<Vec<_>>(), [0, 1]);
    }

    #[test]
    fn a_control_vehicle_makes_consumption_a_ratio() {
        let mut o = run(Condition::Baseline, 0, 0.0);
        assert_eq!(o.test_over_control(), None);
        o.control = Some(ControlPass { run: "c1".to_owned(), fuel_ml: 350.0, distance_m: 9_400.0 });
        assert!((o.log_consumption() - 2.0_f64.ln()).abs() < 1e-12);
    }
}

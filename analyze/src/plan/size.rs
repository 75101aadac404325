//! How many pairs, or runs per condition, a campaign needs.

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::power::{Comparing, LARGEST, power};
use crate::looks::confidences;

/// Fewest units that are planned: two blocks of the order of driving. Two or three pairs say next to nothing of their own
/// spread.
const FEWEST: u32 = 4;

/// What a campaign is to show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// Claim, %.
    pub claim_percent: f64,
    /// Improvement that is expected, %.
    pub expected_percent: f64,
    /// Confidence of the interval.
    pub confidence: f64,
    /// Probability of a decision.
    pub power: f64,
}

impl Aim {
    /// How far the expected log ratio lies beyond the claimed one; negative where it falls short.
    ///
    /// # Formula
    /// `ln(1 + e/100) − ln(1 + c/100)`.
    pub fn shift(&self) -> f64 {
        (1.0 + self.expected_percent / 100.0).ln() - (1.0 + self.claim_percent / 100.0).ln()
    }
}

/// A planned size.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Size {
    /// Fewest units with the wanted power.
    pub needed: u32,
    /// Units planned: `needed` in whole blocks of the order of driving, or what was asked for.
    pub planned: u32,
    /// Counts at which the result is looked at; the last is the planned size.
    pub looks: Vec<u32>,
    /// Confidence of the interval at each look.
    pub confidences: Vec<f64>,
    /// Probability of a decision at the last look; earlier looks can only add to it.
    pub power: f64,
}

/// The size for an aim when units spread by `sd`, looked at after `interim` units on the way.
///
/// It rests on the last look alone, whose confidence is a little above that of a single look: a decision at an earlier
/// look can only add to the power. `None` where no size up to [`LARGEST`] reaches it, as when the expected improvement is the claim.
pub fn size(comparing: Comparing, aim: &Aim, sd: f64, interim: &[u32]) -> Option<Size> {
    let reaches = |n: &u32| at(comparing, aim, sd, interim, *n).is_some_and(|size| size.power >= aim.power);
    let needed = (2..=LARGEST).find(reaches)?;
    let planned = (FEWEST.max(needed.next_multiple_of(2))..=LARGEST).step_by(2).find(reaches)?;
    Some(Size { needed, ..at(comparing, aim, sd, interim, planned)? })
}

/// What `planned` units reach.
pub fn at(comparing: Comparing, aim: &Aim, sd: f64, interim: &[u32], planned: u32) -> Option<Size> {
    let mut looks: Vec<u32> = interim.iter().copied().filter(|look| (2..planned).contains(look)).collect();
    looks.push(planned);
    let confidences = confidences(&looks, aim.confidence);
    let power = power(comparing, f64::from(planned), aim.shift(), sd, *confidences.last()?)?;
    Some(Size { needed: planned, planned, looks, confidences, power })
}

/// Upper 80 % confidence limit of a spread estimated with `df` degrees of freedom: planning with it keeps the power in
/// four campaigns of five although the true spread is not known (R. H. Browne, Statistics in Medicine 14, 1995, from
/// memory).
///
/// # Formula
/// `s·√(ν / χ²(0.2; ν))`. `None` without a degree of freedom.
pub fn upper_limit_of_spread(sd: f64, df: f64) -> Option<f64> {
    let chi = ChiSquared::new(df).ok().filter(|_| df >= 1.0)?;
    Some(sd * (df / chi.inverse_cdf(0.2)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        effect::paired::without_drift,
        plan::seed::Seed,
        stats::{Estimate, Sample, mean_interval, welch_interval},
    };
    use statrs::distribution::Normal;

    const AIM: Aim = Aim { claim_percent: 45.0, expected_percent: 55.0, confidence: 0.95, power: 0.8 };

    #[test]
    fn sizes_are_whole_blocks_and_grow_with_the_spread() {
        let of = |sd, interim: &[u32]| size(Comparing::Pairs, &AIM, sd, interim).expect("a size");
        let small = of(0.01, &[]);
        assert_eq!((small.planned, small.looks.as_slice()), (4, [4].as_slice()));
        let wide = of(0.08, &[4, 8]);
        assert!(wide.planned % 2 == 0 && wide.planned >= wide.needed && wide.power >= 0.8, "{wide:?}");
        assert_eq!(wide.looks, [4, 8, wide.planned]);
        assert!(wide.planned >= of(0.08, &[]).planned);
        // A look at or beyond the planned size is no look on the way.
        assert_eq!(of(0.01, &[4, 8]).looks, [4]);
    }

    #[test]
    fn what_is_expected_to_equal_the_claim_is_never_decided() {
        let aim = Aim { expected_percent: 45.0, ..AIM };
        assert_eq!(size(Comparing::Pairs, &aim, 0.03, &[]), None);
        assert_eq!(size(Comparing::Pairs, &AIM, 0.0, &[]), None);
    }

    /// χ²(0.2; 4) = 1.648777 and χ²(0.2; 9) = 5.380053 (scipy.stats.chi2.ppf).
    #[test]
    fn a_spread_of_few_pairs_may_be_much_larger() {
        for (df, chi) in [(4.0_f64, 1.648_777), (9.0, 5.380_053)] {
            let limit = upper_limit_of_spread(0.02, df).expect("a limit");
            assert!((limit - 0.02 * (df / chi).sqrt()).abs() < 1e-7, "{limit}");
        }
        assert_eq!(upper_limit_of_spread(0.02, 0.0), None);
    }

    struct Draws(Seed, Normal);

    impl Draws {
        fn normal(&mut self, mean: f64, sd: f64) -> f64 {
            mean + sd * self.1.inverse_cdf(self.0.open_unit())
        }

        fn many(&mut self, n: u32, mean: f64, sd: f64) -> Vec<f64> {
            (0..n).map(|_| self.normal(mean, sd)).collect()
        }
    }

    /// Share of simulated campaigns in which an interval at a look lies wholly beyond the claim.
    fn decided(size: &Size, comparing: Comparing, sd: f64, last_look_only: bool) -> f64 {
        const CAMPAIGNS: u32 = 2000;
        let mut draws = Draws(Seed::new(20_261_005), Normal::standard());
        let beyond = (0..CAMPAIGNS).filter(|_| {
            let first_values = draws.many(size.planned, AIM.shift(), sd);
            let second = draws.many(size.planned, 0.0, sd);
            size.looks.iter().zip(&size.confidences).any(|(look, confidence)| {
                let n = *look as usize;
                let first = Sample::of(&first_values[..n]).expect("values");
                let interval = match comparing {
                    Comparing::Pairs => mean_interval(&first, *confidence),
                    // As the verdict works it out of pairs in alternating order, in blocks of ABBA.
                    Comparing::PairsInTurn => {
                        let places: Vec<f64> = (0..n).map(|i| if i % 2 == 0 { -1.0 } else { 1.0 }).collect();
                        let (effect, _) = without_drift(&first_values[..n], &places).expect("alternating");
                        let (low, high) = effect.interval(*confidence).expect("spread");
                        let (value, df) = (effect.log_ratio, effect.degrees_of_freedom.expect("spread"));
                        Some(Estimate { value, low, high, degrees_of_freedom: df })
                    }
                    Comparing::Groups => {
                        welch_interval(&first, &Sample::of(&second[..n]).expect("values"), *confidence)
                    }
                };
                (*look == size.planned || !last_look_only) && interval.expect("spread").low >= 0.0
            })
        });
        beyond.count() as f64 / f64::from(CAMPAIGNS)
    }

    /// Three standard errors of 2,000 campaigns at 0.8 are 0.027.
    const MONTE_CARLO: f64 = 0.027;

    #[test]
    fn the_planned_size_reaches_its_power() {
        for (comparing, sd) in [
            (Comparing::Pairs, 0.06),
            (Comparing::Pairs, 0.12),
            (Comparing::PairsInTurn, 0.03),
            (Comparing::PairsInTurn, 0.06),
            (Comparing::Groups, 0.06),
        ] {
            let size = size(comparing, &AIM, sd, &[]).expect("a size");
            let share = decided(&size, comparing, sd, true);
            // Welch's interval is a little wider than the pooled one that the size is worked out with.
            let slack = if comparing == Comparing::Groups { 0.01 } else { 0.0 };
            assert!((share - size.power).abs() <= MONTE_CARLO + slack, "{comparing:?} {sd}: {share} {size:?}");
        }
    }

    #[test]
    fn looks_on_the_way_do_not_cost_the_power() {
        let size = size(Comparing::Pairs, &AIM, 0.12, &[6, 12]).expect("a size");
        assert_eq!(size.looks.len(), 3);
        let share = decided(&size, Comparing::Pairs, 0.12, false);
        assert!(share >= size.power - MONTE_CARLO, "{share} {size:?}");
    }
}

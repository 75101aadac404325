//! How many more runs it would take.

use crate::{effect::Effect, stats::Need, verdict::POWER};

use super::Systematic;

/// Units that a campaign with this spread needs so that its interval excludes the claim with 80 % probability, if the
/// improvement stays as estimated. `None` when no practical number does.
pub(super) fn units_needed(claim_log: f64, effect: &Effect, systematic: &Systematic, confidence: f64) -> Option<u32> {
    let need = Need {
        shift: effect.log_ratio - claim_log,
        sd: effect.spread_for_planning()?,
        fixed: systematic.relative_standard_uncertainty,
        confidence,
        power: POWER,
        groups: if effect.is_by_pairs() { 1 } else { 2 },
        taken: taken_out(effect),
    };
    need.units()
}

/// Degrees of freedom that a drift or covariates took from pairs, and would take again.
fn taken_out(effect: &Effect) -> f64 {
    let by_pairs = effect.degrees_of_freedom.filter(|_| effect.is_by_pairs());
    by_pairs.map_or(0.0, |df| (effect.units_used as f64 - 1.0 - df).max(0.0))
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::campaign::Design;

    use super::*;

    /// A shift of one and a half standard deviations: with one degree of freedom less than pairs 80 % power takes 6, with
    /// two less 7 (scipy.stats.nct: 1 − cdf(t(0.975, ν), ν, 1.5·√n) for n from 2 on).
    #[test]
    fn a_drift_that_is_taken_out_costs_a_pair() {
        let of = |df: f64| Effect {
            log_ratio: 0.415,
            standard_error: Some(0.01),
            degrees_of_freedom: Some(df),
            spread: Some(0.01),
            units_used: 5,
            design: Design::Paired,
            method: String::new(),
        };
        let none = Systematic::default();
        let needed = |df| units_needed(0.40, &of(df), &none, 0.95).expect("a number");
        assert_eq!((needed(4.0), needed(3.0)), (6, 7));
    }
}

//! The decision rule, in one place.
//!
//! *Supported* when the whole two-sided interval of the improvement is at or beyond the claim, *not supported*
//! when it is wholly short of it, otherwise *undecided*. *Withheld* comes first: where the runs are not
//! comparable or the data are not good enough, no interval is good enough either.

use tallywheel_schemas::report::{Decision, Verdict};

use crate::{
    comparison::LogRatio,
    figure::{fixed, signed},
    stats::observations_needed,
};

/// Probability of a decision that further runs are planned for.
pub const POWER: f64 = 0.8;

/// Applies the rule.
///
/// `ratio` is `None` when a condition has no usable run; `obstacles` say why the runs are not comparable.
pub fn decide(claim_percent: f64, ratio: Option<&LogRatio>, obstacles: Vec<String>, confidence: f64) -> Verdict {
    let mut verdict = Verdict { claim_percent, decision: Decision::Withheld, reasons: Vec::new(), further_pairs: None };
    let Some(ratio) = ratio else {
        verdict.reasons.push("no usable run is left in at least one condition".to_owned());
        return verdict;
    };
    verdict.reasons = obstacles;
    if !verdict.reasons.is_empty() {
        return verdict;
    }
    let improvement = ratio.mileage_percent();
    let (Some(low), Some(high)) = (improvement.low, improvement.high) else {
        verdict.decision = Decision::Undecided;
        verdict.reasons.push(ratio.why_no_interval());
        return verdict;
    };
    let span = format!(
        "the {} % interval of the improvement, {} to {} %,",
        fixed(confidence * 100.0, 0),
        signed(low, 1),
        signed(high, 1)
    );
    let claim = signed(claim_percent, 1);
    if low >= claim_percent {
        verdict.decision = Decision::Supported;
        verdict.reasons.push(format!("{span} lies wholly at or beyond the claim of {claim} %"));
    } else if high < claim_percent {
        verdict.decision = Decision::NotSupported;
        verdict.reasons.push(format!("{span} lies wholly short of the claim of {claim} %"));
    } else {
        verdict.decision = Decision::Undecided;
        verdict.reasons.push(format!("{span} contains the claim of {claim} %"));
        verdict.further_pairs = further(claim_percent, ratio, confidence);
        verdict.reasons.push(match verdict.further_pairs {
            Some(n) => format!(
                "about {n} further {} would decide it with {} % probability, if the improvement stays as estimated",
                ratio.unit(),
                fixed(POWER * 100.0, 0)
            ),
            None => "the estimate is too near the claim for any practical number of runs to decide".to_owned(),
        });
    }
    verdict
}

/// Pairs (or runs per condition) beyond those used, so that the interval would exclude the claim.
fn further(claim_percent: f64, ratio: &LogRatio, confidence: f64) -> Option<u32> {
    let shift = ratio.log_ratio - (1.0 + claim_percent / 100.0).ln();
    let needed = observations_needed(shift, ratio.spread_for_planning()?, confidence, POWER)?;
    Some(needed.saturating_sub(u32::try_from(ratio.units_used).unwrap_or(u32::MAX)).max(1))
}

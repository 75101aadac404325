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
    };
    need.units()
}

//! The decision rule, in one place.
//!
//! *Supported* when the whole two-sided interval of the improvement is at or beyond the claim, *not supported*
//! when it is wholly short of it, otherwise *undecided*. *Withheld* comes first: where the runs are not
//! comparable or the data are not good enough, no interval is good enough either.
//!
//! The interval holds the spread of the runs and what the calibrations leave of the ratio; its confidence is that of
//! the look ([`judgement`](crate::judgement)).

use tallywheel_schemas::report::Decision;

/// Probability of a decision that further runs are planned for.
pub const POWER: f64 = 0.8;

/// The rule in words, printed in every report.
pub const RULE: &str = "Withheld where the runs are not comparable or the data are not good enough. Otherwise supported when \
    the whole two-sided interval of the improvement is at or beyond the claim, not supported when it is wholly short of the \
    claim, undecided when it contains the claim or there is none. Only a planned look decides; it rests on the first so many \
    runs in the order of driving, and all looks together err no more often than one interval at the campaign's confidence.";

/// The rule for an interval of the log ratio and the logarithm of the claimed ratio.
pub fn by_interval((low, high): (f64, f64), claim: f64) -> Decision {
    if low >= claim {
        Decision::Supported
    } else if high < claim {
        Decision::NotSupported
    } else {
        Decision::Undecided
    }
}

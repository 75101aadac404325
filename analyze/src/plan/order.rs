//! The order of driving, so that a drift of weather, engine or driver does not favour one condition.

use tallywheel_schemas::Condition::{self, Assist, Baseline};

use super::seed::Seed;

/// Order of the two conditions in each of `units` units (pairs, or one run of each condition).
///
/// Two units make a block of four runs, ABBA or BAAB: inside each block both conditions have the same mean place, so a
/// drift that is a straight line over the block cancels. Which blocks are which is drawn from the seed, as many of one
/// kind as of the other (but for an odd one), so that nothing periodic hits one condition either. An odd last unit is
/// half a block.
///
/// ```
/// use tallywheel_analyze::plan::order;
/// let order = order(4, 2026);
/// assert_eq!(order.len(), 4);
/// assert_ne!(order[0], order[1]);
/// ```
pub fn order(units: u32, seed: u64) -> Vec<[Condition; 2]> {
    let units = units as usize;
    let blocks = units.div_ceil(2);
    let mut seed = Seed::new(seed);
    let odd_one = seed.below(2);
    let mut kinds: Vec<bool> = (0..blocks).map(|i| (i + odd_one).is_multiple_of(2)).collect();
    for last in (1..blocks).rev() {
        kinds.swap(last, seed.below(last + 1));
    }
    let block = |baseline_first: bool| match baseline_first {
        true => [[Baseline, Assist], [Assist, Baseline]],
        false => [[Assist, Baseline], [Baseline, Assist]],
    };
    kinds.into_iter().flat_map(block).take(units).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Inside every block each condition is driven twice and at the same mean place; the kinds of blocks are
        /// balanced; the same seed gives the same order.
        #[test]
        fn a_straight_drift_cancels_in_every_block(pairs in 1_u32..60, seed in any::<u64>()) {
            let units = 2 * pairs;
            let order = order(units, seed);
            prop_assert_eq!(order.len(), units as usize);
            prop_assert!(order.iter().all(|unit| unit[0] != unit[1]));
            let runs: Vec<Condition> = order.iter().flatten().copied().collect();
            for block in runs.chunks(4) {
                let places = |c| (1..=4).zip(block).filter(move |(_, of)| **of == c).map(|(i, _)| i).sum::<i32>();
                prop_assert_eq!((places(Baseline), places(Assist)), (5, 5));
            }
            let abba = runs.chunks(4).filter(|b| b[0] == Baseline).count() as i64;
            prop_assert!((2 * abba - i64::from(pairs)).abs() <= 1, "{} of {}", abba, pairs);
            prop_assert_eq!(super::order(units, seed), order);
        }

        #[test]
        fn an_odd_number_of_units_ends_in_half_a_block(pairs in 0_u32..20, seed in any::<u64>()) {
            let order = order(2 * pairs + 1, seed);
            prop_assert_eq!(order.len(), 2 * pairs as usize + 1);
            prop_assert!(order.iter().all(|unit| unit[0] != unit[1]));
        }
    }

    #[test]
    fn different_seeds_give_different_orders() {
        let orders: std::collections::BTreeSet<Vec<[Condition; 2]>> = (0..500).map(|seed| order(12, seed)).collect();
        // Six blocks, three of a kind: twenty orders.
        assert_eq!(orders.len(), 20, "{}", orders.len());
    }
}

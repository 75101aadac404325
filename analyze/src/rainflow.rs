//! Rainflow counting: what cycles a series of temperatures or loads went through.
//!
//! A winding that warms by 60 K on every hill and cools again wears at its varnish and solder by expansion, whatever its
//! mean temperature ages ([`ageing`](crate::ageing)). Counted by ASTM E1049-85, 5.4.4, which also says how what is left
//! at the end counts: as half cycles.

/// A cycle that was counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cycle {
    /// From its lowest to its highest value.
    pub range: f64,
    /// Mean of the two.
    pub mean: f64,
    /// 1, or 0.5 for half a cycle.
    pub count: f64,
}

impl Cycle {
    fn between(a: f64, b: f64, count: f64) -> Self {
        Self { range: (b - a).abs(), mean: f64::midpoint(a, b), count }
    }
}

/// Counts while values come in; memory grows with the nesting of what is still open, not with the values.
#[derive(Debug, Clone, Default)]
pub struct Rainflow {
    /// Turning points that no counted cycle has used up, and as the last of them the newest value.
    open: Vec<f64>,
    counted: Vec<Cycle>,
}

impl Rainflow {
    /// Nothing seen.
    pub fn new() -> Self {
        Self::default()
    }

    /// The next value. What is not a finite number is left out.
    pub fn add(&mut self, value: f64) {
        if !value.is_finite() {
            return;
        }
        match self.open.as_slice() {
            [] => self.open.push(value),
            [.., last] if *last == value => {}
            // On the way in the same direction: the newest value was no turning point.
            [.., before, last] if (*last > *before) == (value > *last) => {
                let newest = self.open.len() - 1;
                self.open[newest] = value;
            }
            _ => {
                // The newest value was a turning point.
                self.close();
                self.open.push(value);
            }
        }
    }

    /// Counts what the newest turning point closes.
    fn close(&mut self) {
        while let [.., a, b, c] = self.open[..] {
            if (c - b).abs() < (b - a).abs() {
                return;
            }
            if self.open.len() == 3 {
                // It has the starting point in it.
                self.counted.push(Cycle::between(a, b, 0.5));
                self.open.remove(0);
            } else {
                self.counted.push(Cycle::between(a, b, 1.0));
                let newest = self.open.len() - 3;
                self.open.drain(newest..newest + 2);
            }
        }
    }

    /// All cycles, those left open as half ones.
    pub fn finish(mut self) -> Vec<Cycle> {
        self.close();
        let halves = self.open.windows(2).map(|pair| Cycle::between(pair[0], pair[1], 0.5));
        self.counted.extend(halves);
        self.counted
    }
}

/// The cycles of a series.
pub fn cycles(values: impl IntoIterator<Item = f64>) -> Vec<Cycle> {
    let mut counting = Rainflow::new();
    values.into_iter().for_each(|v| counting.add(v));
    counting.finish()
}

/// Miner's sum: the share of its life that something has used, when `life` gives how many cycles of a range it bears.
///
/// # Formula
/// `Σ nᵢ / Nᵢ`. Published sums at failure lie between 0.3 and 3 (common practice: it compares, and predicts nothing).
pub fn miner_sum(cycles: &[Cycle], life: impl Fn(f64) -> f64) -> f64 {
    cycles.iter().filter(|c| c.range > 0.0).map(|c| c.count / life(c.range)).sum()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    /// Cycles by range, in whole numbers.
    fn by_range(cycles: &[Cycle]) -> Vec<(i64, f64)> {
        let mut ranges: BTreeMap<i64, f64> = BTreeMap::new();
        cycles.iter().for_each(|c| *ranges.entry(c.range as i64).or_default() += c.count);
        ranges.into_iter().collect()
    }

    /// ASTM E1049-85, figure 6.
    const FIGURE_6: [f64; 9] = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0];

    /// The table beside figure 6 of ASTM E1049-85 (values from memory, and those of the PyPI package rainflow).
    #[test]
    fn the_standards_example() {
        assert_eq!(by_range(&cycles(FIGURE_6)), [(3, 0.5), (4, 1.5), (6, 0.5), (8, 1.0), (9, 0.5)]);
        // Points between the turning points, and values held, change nothing.
        let fine = FIGURE_6.windows(2).flat_map(|w| [w[0], w[0], f64::midpoint(w[0], w[1])]).chain([-2.0]);
        assert_eq!(by_range(&cycles(fine)), by_range(&cycles(FIGURE_6)));
    }

    /// Basquin's law N = 10⁴·(10/S)³ over the standard's example: 1.094e-4, summed by hand. Two levels by definition:
    /// 1,000 of 10⁴ and 500 of 2·10³ are 0.35.
    #[test]
    fn miners_sum() {
        let sum = miner_sum(&cycles(FIGURE_6), |range| 1e4 * (10.0 / range).powi(3));
        assert!((sum - 1.094e-4).abs() < 1e-8, "{sum}");
        let level = |range, count| Cycle { range, mean: 0.0, count };
        let life = |range: f64| if range > 1.5 { 2e3 } else { 1e4 };
        assert!((miner_sum(&[level(1.0, 1000.0), level(2.0, 500.0)], life) - 0.35).abs() < 1e-12);
    }

    #[test]
    fn nothing_and_a_single_value_are_no_cycle() {
        assert_eq!(cycles([]), []);
        assert_eq!(cycles([20.0, 20.0, f64::NAN]), []);
        assert_eq!(cycles([20.0, 80.0]), [Cycle { range: 60.0, mean: 50.0, count: 0.5 }]);
    }

    proptest! {
        /// Up and down together are what the cycles are: every change of the series is in one of them, once.
        #[test]
        fn every_change_is_counted_once(values in prop::collection::vec(-50_i32..150, 1..200)) {
            let values: Vec<f64> = values.into_iter().map(f64::from).collect();
            let travelled: f64 = values.windows(2).map(|w| (w[1] - w[0]).abs()).sum();
            let counted: f64 = cycles(values).iter().map(|c| 2.0 * c.count * c.range).sum();
            prop_assert!((travelled - counted).abs() < 1e-9, "{} is not {}", travelled, counted);
        }
    }
}

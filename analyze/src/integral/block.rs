//! Many samples at a time.
//!
//! One sample after the other costs as much as decoding it several times over: every accumulator checks each for a
//! gap, for the end of the bin, for a change. Cut into [`Run`]s that lie within one bin, most of that need be asked
//! once a run, and what is left is sums over plain slices that the compiler turns into vector instructions. What a run
//! cannot promise (a gap, equal stamps, values that are no numbers, a change of sign) goes sample by sample as ever.

use super::Grid;

/// Some samples in a row that lie within one bin.
#[derive(Debug, Clone, Copy)]
pub struct Run {
    /// First of them.
    pub from: usize,
    /// Behind the last.
    pub to: usize,
    /// Least time between two neighbours, µs; infinity for a single sample.
    shortest_us: f64,
    /// Greatest time between two neighbours, µs; zero for a single sample.
    longest_us: f64,
}

impl Run {
    /// Whether every stretch between its samples takes some time, and no more than the limit.
    #[inline]
    pub(super) fn is_bridged(&self, limit_us: i64) -> bool {
        // Stamps are far below 2^53 µs apart, so nothing is rounded.
        self.shortest_us > 0.0 && self.longest_us <= limit_us as f64
    }

    /// Whether it has more than its first sample.
    #[inline]
    pub(super) const fn has_more(&self) -> bool {
        self.to - self.from > 1
    }
}

/// The stamps of some samples, never decreasing, cut into runs.
#[derive(Debug, Clone, Default)]
pub struct Stamps {
    /// Stamps, µs.
    pub t: Vec<i64>,
    /// Time since the sample before, µs; the first has none.
    widths: Vec<f64>,
    /// Runs in order, every sample in one of them.
    pub runs: Vec<Run>,
}

impl Stamps {
    /// Cuts some stamps into runs.
    pub fn new(t: Vec<i64>, grid: Grid) -> Self {
        let mut widths = vec![0.0; t.len()];
        let times = widths.iter_mut().skip(1).zip(t.windows(2));
        // Always, unless the clock was off by a lifetime.
        if t.last().zip(t.first()).is_none_or(|(last, first)| last.abs_diff(*first) < 1 << 52) {
            times.for_each(|(width, pair)| *width = to_float(pair[1] - pair[0]));
        } else {
            times.for_each(|(width, pair)| *width = pair[1].saturating_sub(pair[0]) as f64);
        }
        let mut stamps = Self { t, widths, runs: Vec::new() };
        stamps.cut(grid);
        stamps
    }

    fn cut(&mut self, grid: Grid) {
        let (mut from, mut usual) = (0, 1);
        while from < self.t.len() {
            let end = grid.start(grid.index(self.t[from]).saturating_add(1));
            let rest = &self.t[from..];
            // Most bins have as many samples as the one before.
            let fits = rest.len() > usual && rest[usual - 1] < end && rest[usual] >= end;
            let length = if fits { usual } else { rest.partition_point(|t| *t < end).max(1) };
            let widths = Extremes::of(&self.widths[from + 1..from + length]);
            let (shortest_us, longest_us) = (widths.low, if length > 1 { widths.high } else { 0.0 });
            self.runs.push(Run { from, to: from + length, shortest_us, longest_us });
            (from, usual) = (from + length, length);
        }
    }

    /// Widths of the stretches inside a run, µs.
    #[inline]
    pub(super) fn widths(&self, run: &Run) -> &[f64] {
        &self.widths[run.from + 1..run.to]
    }
}

/// An integer of 0 to below 2^52 as a float: it is put into the mantissa of 2^52, which vector instructions can do.
#[inline(always)]
fn to_float(i: i64) -> f64 {
    const TWO_52: f64 = 4_503_599_627_370_496.0;
    f64::from_bits(i as u64 | TWO_52.to_bits()) - TWO_52
}

/// What the values of a run lie between.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// Least.
    pub low: f64,
    /// Greatest.
    pub high: f64,
    /// Whether every value is a finite number.
    pub finite: bool,
}

impl Extremes {
    /// Of some values.
    #[inline]
    pub fn of(values: &[f64]) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
        // Only a number that is not finite is not nothing when taken zero times.
        let mut left = [0.0; LANES];
        let (chunks, rest) = values.as_chunks::<LANES>();
        for chunk in chunks {
            for lane in 0..LANES {
                let v = chunk[lane];
                low[lane] = if v < low[lane] { v } else { low[lane] };
                high[lane] = if v > high[lane] { v } else { high[lane] };
                left[lane] += v * 0.0;
            }
        }
        let low = low.iter().chain(rest).fold(f64::INFINITY, |a, b| if *b < a { *b } else { a });
        let high = high.iter().chain(rest).fold(f64::NEG_INFINITY, |a, b| if *b > a { *b } else { a });
        let left = rest.iter().fold(left.iter().sum::<f64>(), |sum, v| sum + v * 0.0);
        Self { low, high, finite: left == 0.0 }
    }

    /// Whether no value has the sign of another one.
    #[inline]
    pub(super) const fn keeps_sign(&self) -> bool {
        self.low >= 0.0 || self.high <= 0.0
    }
}

/// Values of one channel with what each run of them lies between.
#[derive(Debug)]
pub struct Values<'a> {
    /// One for each stamp.
    pub v: &'a [f64],
    /// One for each run.
    pub extremes: Vec<Extremes>,
}

impl<'a> Values<'a> {
    /// Values for some stamps, as many.
    pub fn new(stamps: &Stamps, v: &'a [f64]) -> Self {
        debug_assert_eq!(stamps.t.len(), v.len(), "a value for each stamp");
        Self { v, extremes: stamps.runs.iter().map(|r| Extremes::of(&v[r.from..r.to])).collect() }
    }
}

/// Sums side by side, so that one addition need not wait for the one before.
const LANES: usize = 4;

/// Sum of `f(a0, a1, b0, b1, width)` over neighbouring values of two series.
#[inline(always)]
pub(super) fn sum_pairs(a: &[f64], b: &[f64], widths: &[f64], f: impl Fn(f64, f64, f64, f64, f64) -> f64) -> f64 {
    let n = widths.len();
    let (a0, a1, b0, b1) = (&a[..n], &a[1..=n], &b[..n], &b[1..=n]);
    let mut sums = [0.0; LANES];
    let whole = n - n % LANES;
    let mut i = 0;
    while i < whole {
        for (lane, sum) in sums.iter_mut().enumerate() {
            let k = i + lane;
            *sum += f(a0[k], a1[k], b0[k], b1[k], widths[k]);
        }
        i += LANES;
    }
    let sum: f64 = sums.iter().sum();
    (whole..n).fold(sum, |sum, k| sum + f(a0[k], a1[k], b0[k], b1[k], widths[k]))
}

/// Sum of `f(v0, v1, width)` over neighbouring values.
#[inline(always)]
pub(super) fn sum_over(v: &[f64], widths: &[f64], f: impl Fn(f64, f64, f64) -> f64) -> f64 {
    sum_pairs(v, v, widths, |v0, v1, _, _, width| f(v0, v1, width))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_end_with_their_bins_and_cover_every_sample() {
        let stamps = Stamps::new(vec![0, 400, 999, 1000, 1000, 5200, 5300], Grid::new(1000));
        let runs: Vec<_> = stamps.runs.iter().map(|r| (r.from, r.to, r.is_bridged(700))).collect();
        // The second has two equal stamps.
        assert_eq!(runs, [(0, 3, true), (3, 5, false), (5, 7, true)]);
        assert!(!stamps.runs[0].is_bridged(500));
    }

    #[test]
    fn extremes_tell_what_is_no_number() {
        let values: Vec<f64> = (0..21).map(|i| f64::from(i) - 7.0).collect();
        assert_eq!(Extremes::of(&values), Extremes { low: -7.0, high: 13.0, finite: true });
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            for at in [0, 9, 20] {
                let mut values = values.clone();
                values[at] = bad;
                assert!(!Extremes::of(&values).finite, "{bad} at {at}");
            }
        }
    }

    #[test]
    fn integers_become_floats_exactly() {
        for i in [0, 1, 999_999, (1 << 52) - 1] {
            assert_eq!(to_float(i).to_bits(), (i as f64).to_bits(), "{i}");
        }
        let far = Stamps::new(vec![0, 1 << 60, i64::MAX], Grid::new(1 << 61));
        assert_eq!(far.widths[1..], [(1_u64 << 60) as f64, (i64::MAX - (1 << 60)) as f64]);
    }
}

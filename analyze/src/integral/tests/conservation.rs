//! For random signals the sum over bins equals the integral over the raw samples, computed here on its own and
//! straightforwardly, for any bin width.

use proptest::prelude::*;

use super::*;

type Samples = Vec<(i64, f64)>;

/// Irregular samples with the odd gap, the odd equal stamp, and both signs.
fn signal() -> impl Strategy<Value = Samples> {
    let step = prop_oneof![20 => 1_000_i64..400_000, 1 => 400_000_i64..9_000_000, 1 => Just(0)];
    (0_i64..10_000_000, prop::collection::vec((step, -200.0..200.0), 1..120)).prop_map(|(start, steps)| {
        let mut t = start;
        let sample = |(dt, v)| {
            t += dt;
            (t, v)
        };
        steps.into_iter().map(sample).collect()
    })
}

const LIMIT_US: i64 = 1_000_000;

fn lines(samples: &Samples) -> impl Iterator<Item = ((i64, f64), (i64, f64))> + '_ {
    samples.windows(2).map(|p| (p[0], p[1])).filter(|(a, b)| b.0 > a.0 && b.0 - a.0 <= LIMIT_US)
}

/// A share of the sum of absolute values, the scale that rounding knows.
fn same(value: f64, expected: f64, scale: f64) -> bool {
    (value - expected).abs() <= 1e-9 * scale.max(1e-9)
}

/// The integral of max(0, a·b) over lines from (a0, b0) to (a1, b1): the quadratic's antiderivative between its
/// roots.
fn positive_part(a: (f64, f64), b: (f64, f64), width: f64) -> f64 {
    let (da, db) = (a.1 - a.0, b.1 - b.0);
    let antiderivative = |s: f64| a.0 * b.0 * s + (a.0 * db + b.0 * da) * s * s / 2.0 + da * db * s * s * s / 3.0;
    let mut knots = vec![0.0, -a.0 / da, -b.0 / db, 1.0];
    knots.retain(|s| s.is_finite() && (0.0..=1.0).contains(s));
    knots.sort_by(f64::total_cmp);
    let areas = knots.windows(2).map(|k| antiderivative(k[1]) - antiderivative(k[0]));
    areas.filter(|area| *area > 0.0).sum::<f64>() * width
}

fn value_at(line: ((i64, f64), (i64, f64)), t: i64) -> f64 {
    let ((t0, v0), (t1, v1)) = line;
    v0 + (v1 - v0) * ((t - t0) as f64 / (t1 - t0) as f64)
}

proptest! {
    #[test]
    fn a_level_is_conserved(samples in signal(), bin_us in 1_000_i64..20_000_000, hold in any::<bool>()) {
        let between = Between { step: hold, limit_us: LIMIT_US };
        let cells = level(bin_us, between, &samples);
        let area = |a: f64, b: f64| if hold { a } else { (a + b) / 2.0 };
        let expected: f64 = lines(&samples).map(|(a, b)| area(a.1, b.1) * (b.0 - a.0) as f64 / 1e6).sum();
        let scale: f64 = lines(&samples).map(|(a, b)| a.1.abs().max(b.1.abs()) * (b.0 - a.0) as f64 / 1e6).sum();
        prop_assert!(same(total(&cells), expected, scale), "{} is not {expected}", total(&cells));
        let covered: i64 = lines(&samples).map(|(a, b)| b.0 - a.0).sum();
        prop_assert_eq!(cells.cells.iter().map(|c| c.valid_us).sum::<i64>(), covered);
        let largest = samples.iter().map(|s| s.1).fold(f64::MIN, f64::max);
        prop_assert_eq!(cells.cells.iter().filter_map(LevelCell::max).fold(f64::MIN, f64::max), largest);
    }

    #[test]
    fn a_product_is_conserved(a in signal(), b in signal(), bin_us in 1_000_i64..20_000_000) {
        // Equal stamps inside one factor make its value jump; the straightforward sum below knows no jumps.
        let distinct = |s: Samples| -> Samples {
            let mut s = s;
            s.dedup_by_key(|(t, _)| *t);
            s
        };
        let (a, b) = (distinct(a), distinct(b));
        let mut sum = Product::new(Grid::new(bin_us), linear(1.0), linear(1.0));
        let mut merged: Vec<_> = a.iter().map(|s| (*s, true)).chain(b.iter().map(|s| (*s, false))).collect();
        merged.sort_by_key(|(s, _)| s.0);
        for ((t, v), first) in merged {
            if first { sum.add_a(t, v) } else { sum.add_b(t, v) }
        }
        let cells = sum.finish();
        let (mut out, mut back, mut covered) = (0.0, 0.0, 0);
        for la in lines(&a) {
            for lb in lines(&b) {
                let (from, to) = (la.0.0.max(lb.0.0), la.1.0.min(lb.1.0));
                if from < to {
                    let (va, vb) = ((value_at(la, from), value_at(la, to)), (value_at(lb, from), value_at(lb, to)));
                    let width = (to - from) as f64 / 1e6;
                    out += positive_part(va, vb, width);
                    back += positive_part((-va.0, -va.1), vb, width);
                    covered += to - from;
                }
            }
        }
        let got = out_and_in(&cells);
        prop_assert!(same(got.0, out, out + back), "out {} is not {out}", got.0);
        prop_assert!(same(got.1, back, out + back), "in {} is not {back}", got.1);
        prop_assert_eq!(cells.cells.iter().map(|c| c.valid_us).sum::<i64>(), covered);
    }

    #[test]
    fn a_count_is_conserved(
        steps in prop::collection::vec((0_i64..4_000_000, 0_i64..50), 1..100),
        start in 0_i64..256,
        bin_us in 1_000_i64..20_000_000,
    ) {
        let mut counter = Counter::new(Grid::new(bin_us), linear(1.0), Some(256));
        let (mut t, mut true_count) = (0, start);
        counter.add(t, true_count, 2.0);
        // Equal stamps with a roll-over between them are a restart by the rule, so time always goes on.
        for (dt, increment) in &steps {
            t += dt + 1;
            true_count += increment;
            counter.add(t, true_count % 256, 2.0);
        }
        let outcome = counter.finish();
        let count: f64 = outcome.cells.cells.iter().map(CounterCell::count).sum();
        let weighted: f64 = outcome.cells.cells.iter().map(CounterCell::weighted).sum();
        // A roll-over at more than ten times any other rate is taken for a restart; these may not be lost silently.
        prop_assume!(outcome.resets == 0);
        let expected = (true_count - start) as f64;
        prop_assert!(same(count, expected, expected), "{count} is not {expected}");
        prop_assert!(same(weighted, 2.0 * expected, 2.0 * expected));
    }
}

//! Many samples at once give what the same samples give one by one, for any signal and any bin width.

use proptest::prelude::*;

use super::*;

/// Samples of a message: mostly regular, with the odd gap, equal stamp, repeated value, and value that is no number.
fn message() -> impl Strategy<Value = Vec<(i64, f64, f64)>> {
    let step = prop_oneof![60 => Just(10_000_i64), 10 => 1_i64..90_000, 1 => 900_000_i64..3_000_000, 1 => Just(0)];
    let value = |low: f64, high: f64| prop_oneof![40 => low..high, 10 => Just(low), 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(0.0)];
    let sample = (step, value(-100.0, 100.0), value(50.0, 120.0));
    (0_i64..3_000_000, prop::collection::vec(sample, 1..400)).prop_map(|(start, steps)| {
        let mut t = start;
        let sample = |(dt, a, b)| {
            t += dt;
            (t, a, b)
        };
        steps.into_iter().map(sample).collect()
    })
}

fn same(a: f64, b: f64) -> bool {
    a.to_bits() == b.to_bits() || (a - b).abs() <= 1e-11 * a.abs().max(b.abs()).max(1e-3)
}

fn same_option(a: Option<f64>, b: Option<f64>) -> bool {
    a.zip(b).map_or(a.is_none() && b.is_none(), |(a, b)| same(a, b))
}

proptest! {
    #[test]
    fn blocks_are_samples(samples in message(), bin_us in 5_000_i64..3_000_000, batch in 1_usize..500, hold in any::<bool>()) {
        let grid = Grid::new(bin_us);
        let between = Between { step: hold, limit_us: 500_000 };
        let line = Between { step: false, limit_us: 500_000 };
        let class = |v: f64| if v > 20.0 { 1 } else if v < -20.0 { 2 } else { 0 };
        let (mut level, mut signed) = (Level::new(grid, between), SignedLevel::new(grid, line));
        let (mut product, mut timeline, mut watch) =
            (Product::new(grid, line, line), Timeline::new(line), Watch::new(line.limit_us));
        let (mut level_1, mut signed_1) = (level.clone(), signed.clone());
        let (mut product_1, mut timeline_1, mut watch_1) = (product.clone(), timeline.clone(), watch.clone());
        for part in samples.chunks(batch) {
            let stamps = Stamps::new(part.iter().map(|s| s.0).collect(), grid);
            let (a, b): (Vec<f64>, Vec<f64>) = part.iter().map(|s| (s.1, s.2)).unzip();
            let (a, b) = (Values::new(&stamps, &a), Values::new(&stamps, &b));
            level.take(&stamps, &a);
            signed.take(&stamps, &a);
            product.take(&stamps, &b, &a);
            timeline.take(&stamps, &a, class);
            watch.take(&stamps, a.v);
        }
        for (t, a, b) in &samples {
            level_1.add(*t, *a);
            signed_1.add(*t, *a);
            product_1.add_both(*t, *b, *a);
            timeline_1.add(*t, class(*a));
            watch_1.add(*t, a.to_bits());
        }
        let (cells, cells_1) = (level.finish(), level_1.finish());
        prop_assert_eq!((cells.first, cells.cells.len()), (cells_1.first, cells_1.cells.len()));
        for (c, d) in cells.cells.iter().zip(&cells_1.cells) {
            prop_assert!(same(c.integral(), d.integral()), "{c:?} {d:?}");
            prop_assert_eq!((c.valid_us, c.max(), c.peak()), (d.valid_us, d.max(), d.peak()));
            prop_assert!(same_option(c.start(), d.start()) && same_option(c.end(), d.end()), "{c:?} {d:?}");
        }
        for (cells, cells_1) in [(signed.finish(), signed_1.finish()), (product.finish(), product_1.finish())] {
            prop_assert_eq!((cells.first, cells.cells.len()), (cells_1.first, cells_1.cells.len()));
            for (c, d) in cells.cells.iter().zip(&cells_1.cells) {
                // A part is what is left of a sum in which the other part may be larger.
                let scale = d.above().max(d.below()).max(1e-3);
                prop_assert!((c.above() - d.above()).abs() <= 1e-11 * scale, "{c:?} {d:?}");
                prop_assert!((c.below() - d.below()).abs() <= 1e-11 * scale, "{c:?} {d:?}");
                prop_assert_eq!(c.valid_us, d.valid_us);
            }
        }
        let states = |t: Timeline| (0..3).map(|s| t.clone().finish(grid, |x| x == s)).collect::<Vec<_>>();
        prop_assert_eq!(states(timeline), states(timeline_1));
        let (seen, seen_1) = (watch.finish(), watch_1.finish());
        prop_assert!(seen.stuck_us <= seen_1.stuck_us);
        // Only what lies within one bin may be missed.
        prop_assert!(seen.stuck_us == seen_1.stuck_us || seen_1.stuck_us < bin_us, "{seen:?} {seen_1:?}");
        prop_assert_eq!(Watched { stuck_us: 0, ..seen }, Watched { stuck_us: 0, ..seen_1 });
    }
}

//! The sum over ledger rows equals the integral over the raw samples for every bin width, and the rows themselves
//! do not depend on how the session is cut into batches.

use proptest::prelude::*;

use super::{
    super::pass::{Made, Pass},
    *,
};

/// A session with random speeds, voltages and currents at random times, all limits 1 s.
fn session(motion: &[(i64, f64)], pack: &[(i64, f64, f64)]) -> (TempDir, Arc<Session>, Vec<(Domain, Columns)>) {
    let dir = tempfile::tempdir().expect("a directory");
    let motion = Columns::new(Domain::Motion, motion.iter().map(|s| s.0).collect())
        .all("wheel_speed_m_s", motion.iter().map(|s| s.1));
    let pack = Columns::new(Domain::Pack, pack.iter().map(|s| s.0).collect())
        .all("voltage_v", pack.iter().map(|s| s.1))
        .all("current_a", pack.iter().map(|s| s.2));
    let tables = vec![motion.clone(), pack.clone()];
    Sealed::new("s1", &rig(&[], ""), tables).write(dir.path()).expect("a session");
    let session = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default()).remove(0);
    (dir, session, vec![(Domain::Motion, motion), (Domain::Pack, pack)])
}

fn cut(session: &Session, tables: &[(Domain, Columns)], bin_us: i64, rows: usize) -> Made {
    let mut pass = Pass::new(session, bin_us);
    for (domain, columns) in tables {
        let batch = columns.batch("s1").expect("a batch");
        for start in (0..batch.num_rows()).step_by(rows) {
            let part = batch.slice(start, rows.min(batch.num_rows() - start));
            assert_eq!(pass.take(*domain, &part), 0);
        }
    }
    pass.finish(session)
}

fn column(made: &Made, name: &str) -> f64 {
    let at = LEDGER_COLUMNS.iter().position(|c| c.name == name).expect("a column");
    made.bins.columns[at].iter().flatten().sum()
}

fn stamped<T: Clone + std::fmt::Debug>(
    values: impl Strategy<Value = T>,
    most: usize,
) -> impl Strategy<Value = Vec<(i64, T)>> {
    let step = prop_oneof![20 => 1_i64..300_000, 1 => 300_000_i64..5_000_000];
    prop::collection::vec((step, values), 1..most).prop_map(|steps| {
        let mut t = START;
        let stamp = |(dt, v)| {
            t += dt;
            (t, v)
        };
        steps.into_iter().map(stamp).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn sums_over_rows_are_integrals_over_samples(
        motion in stamped(0.0..60.0, 200),
        pack in stamped((60.0..110.0, -300.0..300.0), 200),
        bin_us in 1_000_i64..30_000_000,
        rows in 1_usize..300,
    ) {
        let pack: Vec<(i64, f64, f64)> = pack.into_iter().map(|(t, (v, i))| (t, v, i)).collect();
        let (_dir, session, tables) = session(&motion, &pack);
        let made = cut(&session, &tables, bin_us, rows);
        let width = |a: i64, b: i64| (b - a) as f64 / 1e6;
        let bridged = |a: i64, b: i64| b - a <= SECOND;
        let distance: f64 = motion
            .windows(2)
            .filter(|p| bridged(p[0].0, p[1].0))
            .map(|p| (p[0].1 + p[1].1) / 2.0 * width(p[0].0, p[1].0))
            .sum();
        let sum = column(&made, "distance_m");
        prop_assert!((sum - distance).abs() <= 1e-9 * distance.max(1e-6), "{sum} m is not {distance} m");
        let covered: f64 =
            motion.windows(2).filter(|p| bridged(p[0].0, p[1].0)).map(|p| width(p[0].0, p[1].0)).sum();
        prop_assert!((column(&made, "distance_valid_s") - covered).abs() <= 1e-9 * covered.max(1e-6));
        // The voltage never changes its sign, so the energies part where the current does. Simpson's rule on each
        // side of that point is exact for the product of two lines.
        let (mut out, mut back) = (0.0, 0.0);
        for p in pack.windows(2).filter(|p| bridged(p[0].0, p[1].0)) {
            let ((t0, v0, i0), (t1, v1, i1)) = (p[0], p[1]);
            let power = |s: f64| (v0 + (v1 - v0) * s) * (i0 + (i1 - i0) * s);
            let cross = if i0 * i1 < 0.0 { i0 / (i0 - i1) } else { 0.0 };
            for (a, b) in [(0.0, cross), (cross, 1.0)] {
                let energy = (b - a) / 6.0 * (power(a) + 4.0 * power((a + b) / 2.0) + power(b)) * width(t0, t1) / 3600.0;
                if energy > 0.0 { out += energy } else { back -= energy }
            }
        }
        for (name, expected) in [("pack_out_wh", out), ("pack_in_wh", back)] {
            let sum = column(&made, name);
            prop_assert!((sum - expected).abs() <= 1e-9 * (out + back).max(1e-6), "{name} {sum} is not {expected}");
        }
        // However the batches are cut, the same rows come out: the sums but for the last bits, as their terms are added
        // in another order, and all else exactly.
        let whole = cut(&session, &tables, bin_us, usize::MAX).bins;
        prop_assert_eq!(&whole.t_us, &made.bins.t_us);
        for (i, column) in LEDGER_COLUMNS.iter().enumerate() {
            let is_sum = ["distance_m", "wheel_distance_m", "pack_out_wh", "pack_in_wh", "pack_out_ah", "pack_in_ah"]
                .contains(&column.name);
            for (a, b) in whole.columns[i].iter().zip(&made.bins.columns[i]) {
                let alike = match (a, b) {
                    (Some(a), Some(b)) if is_sum => (a - b).abs() <= 1e-12 * a.abs().max(1e-3),
                    _ => a == b,
                };
                prop_assert!(alike, "{}: {a:?} and {b:?}", column.name);
            }
        }
    }
}

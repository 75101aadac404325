use super::*;

mod block;
mod conservation;

const SECOND: i64 = 1_000_000;

fn linear(limit_s: f64) -> Between {
    Between::new(Hold::Linear, limit_s)
}

fn step(limit_s: f64) -> Between {
    Between::new(Hold::Step, limit_s)
}

fn close(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn level(bin_us: i64, between: Between, samples: &[(i64, f64)]) -> Cells<LevelCell> {
    let mut level = Level::new(Grid::new(bin_us), between);
    samples.iter().for_each(|(t, v)| level.add(*t, *v));
    level.finish()
}

fn total(cells: &Cells<LevelCell>) -> f64 {
    cells.cells.iter().map(LevelCell::integral).sum()
}

#[test]
fn constant_speed_gives_speed_times_time() {
    let samples: Vec<_> = (0..=100).map(|i| (i * SECOND / 10, 12.5)).collect();
    let cells = level(SECOND, linear(1.0), &samples);
    // The last sample opens an eleventh bin without covering any of it.
    let (last, covered) = cells.cells.split_last().expect("bins");
    assert_eq!((covered.len(), last.valid_us, last.mean()), (10, 0, None));
    for c in covered {
        // The parts of a second add up but for the last bits.
        close(c.integral(), 12.5, 1e-12);
        close(c.mean().expect("covered"), 12.5, 1e-12);
        assert_eq!(c.valid_us, SECOND);
    }
}

#[test]
fn a_ramp_sampled_off_the_edges_is_exact_in_every_bin() {
    // v = 3 t from 0.3 s in steps of 0.7 s; the integral over [k, k+1) is 3 (k + 1/2).
    let samples: Vec<_> = (0..20).map(|i| 300_000 + i * 700_000).map(|t| (t, 3.0 * t as f64 / 1e6)).collect();
    let cells = level(SECOND, linear(1.0), &samples);
    for (k, c) in cells.cells.iter().enumerate().skip(1).take(12) {
        close(c.integral(), 3.0 * (k as f64 + 0.5), 1e-10);
        close(c.start().expect("covered"), 3.0 * k as f64, 1e-12);
        close(c.end().expect("covered"), 3.0 * (k as f64 + 1.0), 1e-12);
        close(c.max().expect("covered"), 3.0 * (k as f64 + 1.0), 1e-12);
    }
}

#[test]
fn a_sine_is_integrated_to_the_trapezoid_error() {
    // One period of 10 + 5 sin(2 pi t / 60 s) at 10 Hz: the integral is 600. Over half a period it is
    // 300 + 5 * 60 / pi, and the trapezoid's error is at most (b - a) h^2 / 12 max|f''|
    // = 30 * 0.01 / 12 * 5 (2 pi / 60)^2 = 1.37e-3.
    let w = std::f64::consts::TAU / 60.0;
    let samples: Vec<_> = (0..=600).map(|i| (i * 100_000, 10.0 + 5.0 * (w * i as f64 / 10.0).sin())).collect();
    let cells = level(30 * SECOND, linear(1.0), &samples);
    close(cells.cells[0].integral(), 300.0 + 300.0 / std::f64::consts::PI, 1.37e-3);
    // Over a full period the trapezoid of a sine is exact.
    close(total(&cells), 600.0, 1e-9);
}

/// Trapezoidal energy, hand-checkable: 1000, 2000, 1500 W at 1 s are 0.902778 Wh.
#[test]
fn three_powers_give_the_energy_by_hand() {
    let cells = level(SECOND, linear(1.0), &[(0, 1000.0), (SECOND, 2000.0), (2 * SECOND, 1500.0)]);
    close(total(&cells) / 3600.0, 0.902778, 5e-7);
}

#[test]
fn a_gap_is_not_integrated_and_lowers_the_covered_time() {
    let samples = [(0, 10.0), (SECOND, 10.0), (4 * SECOND, 10.0), (5 * SECOND, 10.0)];
    let cells = level(SECOND, linear(2.0), &samples);
    assert_eq!(cells.cells.iter().map(|c| c.valid_us).collect::<Vec<_>>(), [SECOND, 0, 0, 0, SECOND, 0]);
    close(total(&cells), 20.0, 1e-12);
    // A time between samples that equals the limit is bridged.
    close(total(&level(SECOND, linear(3.0), &samples)), 50.0, 1e-12);
    // The sample before the gap lies on the edge of the next bin and is that bin's largest value.
    assert_eq!((cells.cells[1].max(), cells.cells[2].max()), (Some(10.0), None));
}

#[test]
fn a_step_holds_its_last_value() {
    let samples = [(0, 1.0), (1_500_000, 3.0), (2_000_000, 5.0)];
    let cells = level(SECOND, step(10.0), &samples);
    assert_eq!(cells.cells.iter().map(LevelCell::integral).collect::<Vec<_>>(), [1.0, 2.0, 0.0]);
    // The last sample opens an interval that nothing closes.
    assert_eq!(cells.cells[2].valid_us, 0);
}

#[test]
fn of_equal_stamps_the_later_value_counts_from_there() {
    let samples = [(0, 0.0), (SECOND, 2.0), (SECOND, 10.0), (2 * SECOND, 10.0)];
    let cells = level(SECOND, linear(1.0), &samples);
    assert_eq!(cells.cells.iter().map(LevelCell::integral).collect::<Vec<_>>()[..2], [1.0, 10.0]);
}

#[test]
fn values_that_are_no_numbers_are_left_out() {
    let cells = level(SECOND, linear(2.0), &[(0, 1.0), (SECOND, f64::NAN), (2 * SECOND, 1.0)]);
    close(total(&cells), 2.0, 1e-12);
}

#[test]
fn bins_before_1970_keep_their_alignment() {
    let cells = level(SECOND, linear(1.0), &[(-1_500_000, 4.0), (-500_000, 4.0)]);
    assert_eq!((cells.first, cells.cells.len()), (-2, 2));
    assert!(cells.cells.iter().all(|c| (c.integral() - 2.0).abs() < 1e-12));
}

fn product(between: Between, a: &[(i64, f64)], b: &[(i64, f64)]) -> Cells<ProductCell> {
    let mut product = Product::new(Grid::new(SECOND), between, between);
    let mut samples: Vec<_> = a.iter().map(|s| (s, true)).chain(b.iter().map(|s| (s, false))).collect();
    samples.sort_by_key(|((t, _), _)| *t);
    for ((t, v), first) in samples {
        if first { product.add_a(*t, *v) } else { product.add_b(*t, *v) }
    }
    product.finish()
}

fn out_and_in(cells: &Cells<ProductCell>) -> (f64, f64) {
    (cells.cells.iter().map(ProductCell::above).sum(), cells.cells.iter().map(ProductCell::below).sum())
}

/// Composite Simpson's rule of `f` over 0 to `end` seconds in `n` even intervals.
fn simpson(end: f64, n: usize, f: impl Fn(f64) -> f64) -> f64 {
    let h = end / n as f64;
    let weight = |i: usize| if i == 0 || i == n { 1.0 } else { [2.0, 4.0][i % 2] };
    (0..=n).map(|i| weight(i) * f(h * i as f64)).sum::<f64>() * h / 3.0
}

fn at(samples: &[(i64, f64)], t_s: f64) -> f64 {
    let t = t_s * 1e6;
    let i = samples.windows(2).position(|p| t <= p[1].0 as f64).unwrap_or(samples.len() - 2);
    let ((t0, v0), (t1, v1)) = (samples[i], samples[i + 1]);
    v0 + (v1 - v0) * (t - t0 as f64) / (t1 - t0) as f64
}

#[test]
fn a_product_on_interleaved_samples_agrees_with_simpson_on_a_fine_grid() {
    let volts: Vec<_> = (0..=50).map(|i| (i * 200_000, 96.0 + ((i * 7) % 11) as f64)).collect();
    let amps: Vec<_> = (0..=40).map(|i| (i * 250_000, ((i * 13) % 17) as f64 * 5.0 - 30.0)).collect();
    let cells = product(linear(1.0), &volts, &amps);
    let (out, back) = out_and_in(&cells);
    // 10 s in 200,000 intervals of 50 us: every knot of both signals is a grid point, where Simpson is exact for the
    // net. The parts have kinks inside an interval at the zero crossings; the error of one is below h * |p'| * h.
    let net = simpson(10.0, 200_000, |t| at(&volts, t) * at(&amps, t));
    close(out - back, net, 1e-9 * out);
    let positive = simpson(10.0, 200_000, |t| (at(&volts, t) * at(&amps, t)).max(0.0));
    close(out, positive, 40.0 * 5e-5 * 5e-5 * 110.0 * 700.0);
    assert!(back > 100.0, "the current does change its sign: {back}");
}

#[test]
fn a_product_at_coinciding_samples_takes_the_short_way_to_the_same_result() {
    let volts: Vec<_> = (0..=20).map(|i| (i * 300_000, 50.0 + (i % 5) as f64)).collect();
    let amps: Vec<_> = (0..=20).map(|i| (i * 300_000, (i % 7) as f64 - 3.0)).collect();
    let mut both = Product::new(Grid::new(SECOND), linear(1.0), linear(1.0));
    volts.iter().zip(&amps).for_each(|((t, v), (_, a))| both.add_both(*t, *v, *a));
    let (expected, got) = (out_and_in(&product(linear(1.0), &volts, &amps)), out_and_in(&both.finish()));
    close(got.0, expected.0, 1e-12 * expected.0);
    close(got.1, expected.1, 1e-12 * expected.0);
}

#[test]
fn a_product_is_split_where_either_factor_crosses_zero() {
    // V from -1 to 3, I from 2 to -2 over 4 s: P = (t - 1)(2 - t), negative, positive on (1, 2), negative.
    // Integrals: over (1, 2) 1/6; over (0, 1) -5/6; over (2, 4) -14/3.
    let cells = product(linear(10.0), &[(0, -1.0), (4 * SECOND, 3.0)], &[(0, 2.0), (4 * SECOND, -2.0)]);
    let (out, back) = out_and_in(&cells);
    close(out, 1.0 / 6.0, 1e-12);
    close(back, 5.0 / 6.0 + 14.0 / 3.0, 1e-12);
}

#[test]
fn a_product_knows_nothing_where_either_factor_has_a_gap() {
    let volts = [(0, 10.0), (SECOND, 10.0), (2 * SECOND, 10.0), (3 * SECOND, 10.0), (4 * SECOND, 10.0)];
    let amps = [(0, 1.0), (SECOND, 1.0), (3_500_000, 1.0), (4_500_000, 1.0)];
    let cells = product(linear(1.0), &volts, &amps);
    assert_eq!(cells.cells.iter().map(|c| c.valid_us).sum::<i64>(), 1_500_000);
    close(out_and_in(&cells).0, 15.0, 1e-12);
}

#[test]
fn a_slow_factor_does_not_lose_a_fast_one_that_stops() {
    // The second factor stops at 0.5 s; the first one's next sample comes only at 10 s.
    let cells = product(linear(20.0), &[(0, 2.0), (10 * SECOND, 2.0)], &[(0, 3.0), (500_000, 3.0)]);
    close(out_and_in(&cells).0, 3.0, 1e-12);
}

#[test]
fn charge_is_split_where_the_current_crosses_zero() {
    let mut charge = SignedLevel::new(Grid::new(SECOND), linear(10.0));
    charge.add(0, 3.0);
    charge.add(4 * SECOND, -1.0);
    let cells = charge.finish();
    let (out, back): (f64, f64) =
        (cells.cells.iter().map(SignedCell::above).sum(), cells.cells.iter().map(SignedCell::below).sum());
    close(out, 4.5, 1e-12);
    close(back, 0.5, 1e-12);
}

fn counter(modulus: Option<u64>, samples: &[(i64, i64)]) -> (f64, i64, CounterOutcome) {
    let mut counter = Counter::new(Grid::new(SECOND), linear(2.0), modulus);
    samples.iter().for_each(|(t, c)| counter.add(t * SECOND, *c, 0.5));
    let outcome = counter.finish();
    let (count, weighted): (f64, f64) =
        outcome.cells.cells.iter().fold((0.0, 0.0), |(c, w), cell| (c + cell.count(), w + cell.weighted()));
    close(weighted, count * 0.5, 1e-9);
    (count, outcome.cells.cells.iter().map(|c| c.valid_us).sum::<i64>() / SECOND, outcome)
}

#[test]
fn counters_roll_over_and_restart() {
    // What it does; modulus; seconds and counts; then what is counted, the covered seconds, roll-overs, restarts.
    type Case = (&'static str, Option<u64>, &'static [(i64, i64)], f64, i64, u64, u64);
    let table: &[Case] = &[
        ("counts on", None, &[(0, 5), (1, 8), (2, 8), (3, 20)], 15.0, 3, 0, 0),
        ("rolls over", Some(256), &[(0, 200), (1, 250), (2, 44)], 100.0, 2, 1, 0),
        ("rolls over twice", Some(100), &[(0, 90), (1, 10), (2, 50), (3, 90), (4, 10)], 120.0, 4, 2, 0),
        ("rises by more than half the modulus", Some(256), &[(0, 10), (1, 20), (2, 200), (3, 210)], 20.0, 2, 0, 1),
        ("falls back a little", Some(65_536), &[(0, 5000), (1, 5010), (2, 4990), (3, 5000)], 20.0, 2, 0, 1),
        ("falls without a modulus", None, &[(0, 5000), (1, 5010), (2, 3), (3, 13)], 20.0, 2, 0, 1),
        // 50010 to 4 could be a roll-over by 15,530; at 10 a second before and after it is a restart.
        ("restarts near the top", Some(65_536), &[(0, 50_000), (1, 50_010), (2, 4), (3, 14)], 20.0, 2, 0, 1),
        ("rolls over after standing", Some(65_536), &[(0, 65_535), (1, 65_535), (2, 4)], 5.0, 2, 1, 0),
        ("loses nothing in a gap", None, &[(0, 0), (1, 10), (11, 110), (12, 120)], 120.0, 2, 0, 0),
        ("has one sample", Some(256), &[(0, 7)], 0.0, 0, 0, 0),
        ("covers the whole of its type", None, &[(0, i64::MIN), (1, i64::MIN + 4)], 4.0, 1, 0, 0),
    ];
    for (what, modulus, samples, count, valid_s, wraps, resets) in table {
        let (got, valid, outcome) = counter(*modulus, samples);
        close(got, *count, 1e-9);
        assert_eq!((valid, outcome.wraps, outcome.resets), (*valid_s, *wraps, *resets), "a counter that {what}");
    }
}

#[test]
fn extreme_counts_do_not_overflow() {
    // From the least to the greatest count without a modulus: too far to be an increment of 64 bits.
    let (_, _, outcome) = counter(None, &[(0, i64::MIN), (1, i64::MAX), (2, i64::MIN)]);
    assert_eq!(outcome.resets, 2);
}

#[test]
fn a_gap_in_which_a_roll_over_could_hide_is_reported() {
    // 10 counts a second; in 60 s at ten times that 6,000 could pass, far beyond half of 1,000.
    let (count, valid_s, outcome) = counter(Some(1000), &[(0, 0), (1, 10), (61, 460), (62, 470)]);
    close(count, 470.0, 1e-9);
    assert_eq!((valid_s, outcome.ambiguous_gaps, outcome.resets), (2, 1, 0));
    // With room for it in the counter nothing can hide.
    assert_eq!(counter(Some(65_536), &[(0, 0), (1, 10), (61, 460), (62, 470)]).2.ambiguous_gaps, 0);
}

#[test]
fn increments_are_spread_over_bins() {
    let mut counter = Counter::new(Grid::new(SECOND), linear(5.0), None);
    counter.add(500_000, 100, 1.0);
    counter.add(3_000_000, 110, 1.0);
    let counts: Vec<f64> = counter.finish().cells.cells.iter().map(CounterCell::count).collect();
    [2.0, 4.0, 4.0].iter().zip(&counts).for_each(|(e, c)| close(*c, *e, 1e-12));
}

fn timeline(limit_s: f64, samples: &[(i64, u8)]) -> Timeline {
    let mut timeline = Timeline::new(step(limit_s));
    samples.iter().for_each(|(t, s)| timeline.add(*t, *s));
    timeline
}

fn on_and_valid(cells: &Cells<TimelineCell>) -> (i64, i64) {
    cells.cells.iter().fold((0, 0), |(on, valid), c| (on + c.on_us, valid + c.valid_us))
}

#[test]
fn a_state_lasts_to_the_next_sample_and_not_over_a_gap() {
    let s = SECOND;
    let line = timeline(2.0, &[(0, 1), (s, 1), (2 * s, 0), (3 * s, 1), (9 * s, 1), (9 * s + 250_000, 0)]);
    let cells = line.finish(Grid::new(s), |state| state == 1);
    assert_eq!(on_and_valid(&cells), (2_250_000, 3_250_000));
    assert_eq!(cells.get(9).map(|c| c.on_us), Some(250_000));
}

#[test]
fn any_motor_is_enough_to_be_on_and_all_are_needed_to_be_off() {
    let s = SECOND;
    let left = timeline(2.0, &[(0, 0), (s, 1), (2 * s, 0), (3 * s, 0), (4 * s, 0)]);
    let right = timeline(2.0, &[(0, 0), (s, 0), (2 * s, 0), (3 * s, 1), (3_500_000, 1)]);
    // Left on in 1..2, right on in 3..3.5; after 3.5 the right one is unknown, so 3.5..4 is not known to be off.
    assert_eq!(on_and_valid(&any_of(&[left, right], Grid::new(s), |x| x == 1)), (1_500_000, 3_500_000));
}

#[test]
fn the_latest_value_is_carried_to_its_limit() {
    let mut latest = Latest::new(Grid::new(SECOND), step(2.0));
    latest.add(200_000, 80.0);
    latest.add(700_000, 79.0);
    latest.add(5 * SECOND, 78.0);
    let ends = latest.finish(0..7);
    assert_eq!(ends, [Some(79.0), Some(79.0), None, None, None, Some(78.0), Some(78.0)]);
}

#[test]
fn samples_gaps_and_standstill_of_a_channel_are_counted() {
    let mut watch = Watch::new(2 * SECOND);
    for (t, v) in [(0, 1.0_f64), (1, 1.0), (2, 1.0), (3, 2.0), (9, 2.0), (10, 2.0)] {
        watch.add(t * SECOND, v.to_bits());
    }
    let seen = watch.finish();
    let expected = Watched { samples: 6, gaps: 1, gap_us: 6 * SECOND, covered_us: 4 * SECOND, stuck_us: 2 * SECOND };
    assert_eq!(seen, expected);
}

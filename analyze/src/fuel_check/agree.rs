//! Statistics of one pair of measures over a campaign, on plain numbers.

use tallywheel_schemas::{
    Condition,
    report::{FuelConditions, FuelDrift, Interval},
};

use crate::{
    budget::{Input, combine},
    stats::{Sample, mean_interval, t_quantile},
};

/// Confidence of intervals.
pub const CONFIDENCE: f64 = 0.95;
/// Confidence beyond which a difference between the conditions is no chance. Several pairs of measures are looked at, and
/// a false alarm costs a verdict.
pub const ALARM: f64 = 0.99;

/// One run that counts and has both measures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Assist on or off.
    pub condition: Condition,
    /// Days since the first run.
    pub day: f64,
    /// Logarithm of the second mass over the first.
    pub log_ratio: f64,
}

/// Scatter of log ratios from run to run by the median absolute deviation from the median of the run's condition, times
/// 1.4826 (which makes it the standard deviation of a normal sample): one run that is far off does not hide itself.
/// `None` for fewer than four runs.
pub fn scatter(points: &[Point]) -> Option<f64> {
    if points.len() < 4 {
        return None;
    }
    let centre = |condition| median(points.iter().filter(|p| p.condition == condition).map(|p| p.log_ratio).collect());
    let (b, a) = (centre(Condition::Baseline), centre(Condition::Assist));
    let off = |p: &Point| (p.log_ratio - if p.condition == Condition::Baseline { b } else { a }).abs();
    Some(1.4826 * median(points.iter().map(off).collect()))
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[middle],
        _ => (values[middle - 1] + values[middle]) / 2.0,
    }
}

/// The ratio of sums with the interval of the runs' mean log ratio carried over to it.
pub fn ratio(first_g: f64, second_g: f64, points: &[Point]) -> Interval {
    let estimate = second_g / first_g;
    let logs: Vec<f64> = points.iter().map(|p| p.log_ratio).collect();
    let half = Sample::of(&logs)
        .filter(|s| s.sd.is_some_and(|sd| sd > 0.0))
        .and_then(|s| mean_interval(&s, CONFIDENCE))
        .map(|i| i.high - i.value);
    Interval { estimate, low: half.map(|h| estimate * (-h).exp()), high: half.map(|h| estimate * h.exp()) }
}

/// The ratio in either condition, and whether they differ beyond what scatter and calibrations allow.
///
/// # Formula
/// `d = mean log ratio with − mean log ratio without`; `u² = s_b²/n_b + s_a²/n_a + u_cal²` with the degrees of freedom of
/// Welch and Satterthwaite; beyond when `|d| > t(99 %)·u`. `calibration` are the inputs of `d` that do not cancel between
/// the conditions.
///
/// `None` unless both conditions have a run; whether it is beyond is open unless both have two.
pub fn conditions(points: &[Point], calibration: &[Input]) -> Option<FuelConditions> {
    let of =
        |condition| -> Vec<f64> { points.iter().filter(|p| p.condition == condition).map(|p| p.log_ratio).collect() };
    let (b, a) = (Sample::of(&of(Condition::Baseline))?, Sample::of(&of(Condition::Assist))?);
    let scatter = |s: &Sample| {
        let n = s.n as f64;
        s.sd.map(|sd| Input { standard_uncertainty: sd / n.sqrt(), sensitivity: 1.0, degrees_of_freedom: n - 1.0 })
    };
    let combined = scatter(&b).zip(scatter(&a)).map(|(b, a)| {
        let inputs: Vec<Input> = [b, a].into_iter().chain(calibration.iter().copied()).collect();
        combine(&inputs, &[])
    });
    let difference = a.mean - b.mean;
    let freedom = combined.and_then(|c| c.degrees_of_freedom);
    // Few degrees of freedom stay fractional here: cutting them would move the limit by jumps.
    let limit =
        combined.zip(freedom).and_then(|(c, df)| Some(t_quantile(0.5 + ALARM / 2.0, df)? * c.standard_uncertainty));
    let percent = |log: f64| log.exp_m1() * 100.0;
    let count = |s: &Sample| u32::try_from(s.n).unwrap_or(u32::MAX);
    Some(FuelConditions {
        runs: (count(&b), count(&a)),
        baseline: b.mean.exp(),
        assist: a.mean.exp(),
        difference_percent: percent(difference),
        standard_uncertainty_percent: combined.map(|c| c.standard_uncertainty * 100.0),
        degrees_of_freedom: freedom.filter(|df| df.is_finite()),
        limit_percent: limit.map(percent),
        beyond: limit.map(|limit| difference.abs() > limit),
    })
}

/// Change of the log ratio from run to run and per day, after taking out each condition's own mean.
///
/// Least squares of `log ratio = mean of its condition + slope · t`, Student's t with as many degrees of freedom as runs
/// less the conditions and the slope (analysis of covariance with a common slope). `None` for fewer than three runs.
pub fn drift(points: &[Point]) -> Option<FuelDrift> {
    if points.len() < 3 {
        return None;
    }
    let mut order: Vec<&Point> = points.iter().collect();
    order.sort_by(|a, b| a.day.total_cmp(&b.day));
    let by_run: Vec<(f64, &Point)> = order.iter().enumerate().map(|(i, p)| (i as f64, *p)).collect();
    let by_day: Vec<(f64, &Point)> = order.iter().map(|p| (p.day, *p)).collect();
    let percent_per_run = slope(&by_run)?;
    let days = order.last()?.day - order.first()?.day;
    Some(FuelDrift {
        beyond: percent_per_run.low.zip(percent_per_run.high).map(|(low, high)| low > 0.0 || high < 0.0),
        percent_per_run,
        percent_per_day: if days >= 1.0 { slope(&by_day) } else { None },
    })
}

/// Common slope in % with its interval.
fn slope(points: &[(f64, &Point)]) -> Option<Interval> {
    let (mut stt, mut stl, mut sll, mut groups) = (0.0, 0.0, 0.0, 0.0);
    for condition in [Condition::Baseline, Condition::Assist] {
        let of: Vec<(f64, f64)> =
            points.iter().filter(|(_, p)| p.condition == condition).map(|(t, p)| (*t, p.log_ratio)).collect();
        if of.is_empty() {
            continue;
        }
        groups += 1.0;
        let n = of.len() as f64;
        let (t, l) = of.iter().fold((0.0, 0.0), |(t, l), p| (t + p.0 / n, l + p.1 / n));
        for (pt, pl) in of {
            stt += (pt - t) * (pt - t);
            stl += (pt - t) * (pl - l);
            sll += (pl - l) * (pl - l);
        }
    }
    if stt <= 0.0 {
        return None;
    }
    let (slope, df) = (stl / stt, points.len() as f64 - groups - 1.0);
    let residual = (sll - slope * stl).max(0.0);
    // Without a residual there is no measure of chance.
    let error = (df > 0.0 && residual > 0.0).then(|| (residual / df / stt).sqrt());
    let half = error.and_then(|e| Some(e * t_quantile(0.5 + CONFIDENCE / 2.0, df)?));
    let percent = |log: f64| log.exp_m1() * 100.0;
    Some(Interval {
        estimate: percent(slope),
        low: half.map(|h| percent(slope - h)),
        high: half.map(|h| percent(slope + h)),
    })
}

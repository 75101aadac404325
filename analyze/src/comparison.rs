//! The comparison itself: from the runs that count to the improvement and its interval.
//!
//! Consumption is compared on the logarithmic scale: a ratio of consumptions is then a difference, its spread
//! does not depend on the size of the vehicle, and an interval never reaches below zero. With `C` in volume per
//! distance, `d = ln(C_baseline / C_assist)`; the improvement of mileage is `exp(d) − 1` and the fuel saved
//! `1 − exp(−d)`.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    campaign::{Campaign, Design, FuelMeasure},
    report::{Comparability, Interval, PairResult},
};

use crate::{
    run::{Admission, RunFacts},
    stats::{Sample, mean_interval, pooled_sd, welch_interval},
};

/// The logarithm of baseline over assisted consumption, with its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct LogRatio {
    /// Estimate.
    pub log_ratio: f64,
    /// Interval, where the runs allow one.
    pub interval: Option<(f64, f64)>,
    /// Degrees of freedom of the interval.
    pub degrees_of_freedom: Option<f64>,
    /// Standard deviation of the log ratios of pairs, or of the log consumptions pooled over the conditions.
    pub spread: Option<f64>,
    /// Design.
    pub design: Design,
    /// Pairs used, or runs in the smaller condition.
    pub units_used: usize,
}

impl LogRatio {
    /// Paired design: mean and t interval of the pairs' log ratios. `None` without pairs.
    pub fn paired(log_ratios: &[f64], confidence: f64) -> Option<Self> {
        let sample = Sample::of(log_ratios)?;
        // Pairs that agree to the last digit are copies, not measurements: they carry no spread.
        let interval = sample.sd.filter(|sd| *sd > 0.0).and_then(|_| mean_interval(&sample, confidence));
        Some(Self {
            log_ratio: sample.mean,
            interval: interval.map(|i| (i.low, i.high)),
            degrees_of_freedom: interval.map(|i| i.degrees_of_freedom),
            spread: sample.sd,
            design: Design::Paired,
            units_used: sample.n,
        })
    }

    /// Unpaired design: Welch interval of the difference of mean log consumptions. `None` when a condition is
    /// empty.
    pub fn unpaired(baseline: &[f64], assist: &[f64], confidence: f64) -> Option<Self> {
        let logs = |c: &[f64]| Sample::of(&c.iter().map(|v| v.ln()).collect::<Vec<_>>());
        let (b, a) = (logs(baseline)?, logs(assist)?);
        let interval = welch_interval(&b, &a, confidence);
        Some(Self {
            log_ratio: b.mean - a.mean,
            interval: interval.map(|i| (i.low, i.high)),
            degrees_of_freedom: interval.map(|i| i.degrees_of_freedom),
            spread: pooled_sd(&b, &a),
            design: Design::Unpaired,
            units_used: b.n.min(a.n),
        })
    }

    /// Improvement of mileage, %: `100·(exp(d) − 1)`.
    pub fn mileage_percent(&self) -> Interval {
        let percent = |d: f64| 100.0 * d.exp_m1();
        Interval {
            estimate: percent(self.log_ratio),
            low: self.interval.map(|(low, _)| percent(low)),
            high: self.interval.map(|(_, high)| percent(high)),
        }
    }

    /// Fuel saved, %: `100·(1 − exp(−d))`.
    pub fn fuel_saved_percent(&self) -> Interval {
        let percent = |d: f64| -100.0 * (-d).exp_m1();
        Interval {
            estimate: percent(self.log_ratio),
            low: self.interval.map(|(low, _)| percent(low)),
            high: self.interval.map(|(_, high)| percent(high)),
        }
    }

    /// Spread of one observation for planning: of a pair, or of the difference of two single runs.
    pub fn spread_for_planning(&self) -> Option<f64> {
        let factor = match self.design {
            Design::Paired => 1.0,
            _ => std::f64::consts::SQRT_2,
        };
        self.spread.filter(|s| *s > 0.0).map(|s| s * factor)
    }

    /// What `units_used` counts.
    pub fn unit(&self) -> &'static str {
        match self.design {
            Design::Paired => "pairs",
            _ => "runs in each condition",
        }
    }

    /// Method in words, for the report.
    pub fn method(&self) -> &'static str {
        match self.design {
            Design::Paired => "mean of the log ratios of paired runs, interval by Student's t",
            _ => "difference of mean log consumption, interval by Welch's t",
        }
    }

    /// Why there is no interval.
    pub fn why_no_interval(&self) -> String {
        if self.units_used < 2 {
            return format!(
                "there is no interval: it takes at least two {}, and there is {}",
                self.unit(),
                self.units_used
            );
        }
        "there is no interval: the runs agree to the last digit, which measured runs do not".to_owned()
    }
}

/// The improvement from the runs that count. `None` when a condition (or every pair) is empty.
pub fn log_ratio(campaign: &Campaign, runs: &[RunFacts<'_>], admitted: &[Admission]) -> Option<LogRatio> {
    let consumption = |name: &str| {
        let i = runs.iter().position(|r| r.sheet.run == name)?;
        runs[i].l_per_100km().filter(|_| admitted[i].used)
    };
    match campaign.design {
        Design::Paired => {
            let ratios: Vec<f64> = campaign
                .pairs
                .iter()
                .filter_map(|p| Some((consumption(&p.baseline)? / consumption(&p.assist)?).ln()))
                .collect();
            LogRatio::paired(&ratios, campaign.confidence)
        }
        _ => {
            let all = |names: &[String]| names.iter().filter_map(|n| consumption(n)).collect::<Vec<_>>();
            LogRatio::unpaired(&all(&campaign.baseline), &all(&campaign.assist), campaign.confidence)
        }
    }
}

/// The pairs of a campaign with their own improvement.
pub fn pairs(campaign: &Campaign, runs: &[RunFacts<'_>], admitted: &[Admission]) -> Vec<PairResult> {
    let find = |name: &str| runs.iter().position(|r| r.sheet.run == name);
    campaign
        .pairs
        .iter()
        .filter_map(|pair| {
            let (b, a) = (find(&pair.baseline)?, find(&pair.assist)?);
            let ratio = runs[b].l_per_100km().zip(runs[a].l_per_100km()).map(|(b, a)| b / a);
            Some(PairResult {
                baseline: pair.baseline.clone(),
                assist: pair.assist.clone(),
                used: admitted[b].used && admitted[a].used,
                mileage_percent: ratio.map(|r| (r - 1.0) * 100.0),
            })
        })
        .collect()
}

/// Compares the conditions' mean circumstances with the campaign's limits.
pub fn comparability(campaign: &Campaign, baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Vec<Comparability> {
    let rules = &campaign.rules;
    type Fact = fn(&RunFacts<'_>) -> Option<f64>;
    let rows: [(&str, &str, f64, &str, Fact); 4] = [
        ("outside temperature", "°C", rules.max_ambient_difference_k, "K", |r| r.ambient_c),
        ("wind", "m/s", rules.max_wind_difference_m_s, "m/s", |r| r.wind_m_s),
        ("payload", "kg", rules.max_payload_difference_kg, "kg", |r| r.sheet.payload_kg),
        ("mean speed", "km/h", rules.max_speed_difference, "share", |r| r.speed_mean_m_s.map(|v| v * 3.6)),
    ];
    rows.into_iter()
        .map(|(quantity, unit, limit, limit_unit, fact)| {
            let (b, a) = (mean_fact(baseline, fact), mean_fact(assist, fact));
            let scale = |b: f64| if limit_unit == "share" { b.abs() } else { 1.0 };
            let largest_in_a_pair = largest_in_a_pair(campaign, baseline, assist, fact);
            Comparability {
                quantity: quantity.to_owned(),
                unit: unit.to_owned(),
                baseline: b,
                assist: a,
                limit,
                limit_unit: limit_unit.to_owned(),
                alike: b.zip(a).map(|(b, a)| (b - a).abs().max(largest_in_a_pair.unwrap_or(0.0)) <= limit * scale(b)),
                largest_in_a_pair,
            }
        })
        .collect()
}

/// Largest difference of a fact inside a pair: means may agree where no pair does.
fn largest_in_a_pair(
    campaign: &Campaign,
    baseline: &[&RunFacts<'_>],
    assist: &[&RunFacts<'_>],
    fact: fn(&RunFacts<'_>) -> Option<f64>,
) -> Option<f64> {
    let of = |runs: &[&RunFacts<'_>], name: &str| runs.iter().find(|r| r.sheet.run == name).and_then(|r| fact(r));
    let differences =
        campaign.pairs.iter().filter_map(|p| Some((of(baseline, &p.baseline)? - of(assist, &p.assist)?).abs()));
    differences.reduce(f64::max)
}

/// Why fuel or distance cannot be compared: the rigs of the two conditions turn the same signal into different
/// quantities, so that calibration errors no longer cancel.
pub fn conversion_difference(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Option<String> {
    let all = |runs: &[&RunFacts<'_>]| runs.iter().map(|r| conversions(r)).collect::<BTreeSet<_>>();
    let (b, a) = (all(baseline), all(assist));
    let differ = !b.is_empty() && !a.is_empty() && b != a;
    differ.then(|| {
        "the rigs of the two conditions take fuel or distance from other sources or convert them with other factors, \
         so that their errors do not cancel; rebuild the sessions with one rig"
            .to_owned()
    })
}

/// How a run's fuel and distance are made from what the wire carries, as a text to compare.
fn conversions(run: &RunFacts<'_>) -> String {
    let (rig, findings) = (&run.ledger.session.rig, &run.ledger.findings);
    let distance: &[&str] = &["motion.wheel_speed_m_s", "motion.hall_count"];
    let fuel: &[&str] = match run.fuel_measure {
        Some(FuelMeasure::Meter) => &["engine.fuel_count", "engine.fuel_temp_c"],
        Some(FuelMeasure::Rate) => &["engine.fuel_rate_g_s"],
        Some(FuelMeasure::Air) => &["engine.maf_g_s", "engine.lambda"],
        Some(FuelMeasure::Weighed) | None => &[],
    };
    let signals: Vec<_> = distance
        .iter()
        .chain(fuel)
        .filter_map(|c| rig.signal(c, None))
        .map(|s| format!("{} {} {} {:?}", s.channel, s.scale, s.offset, s.calibration))
        .collect();
    format!(
        "{:?} {:?} {:?} {:?} {signals:?}",
        findings.distance_source, run.fuel_measure, rig.fuel, rig.distance.m_per_edge
    )
}

/// A reservation where the recording cannot confirm what the run sheets say of the assist.
pub fn unchecked_assist(baseline: &[&RunFacts<'_>], assist: &[&RunFacts<'_>]) -> Option<String> {
    let unknown: Vec<&str> =
        baseline.iter().chain(assist).filter(|r| r.assist_share.is_none()).map(|r| r.sheet.run.as_str()).collect();
    (!unknown.is_empty()).then(|| {
        format!(
            "whether the motors drove was not recorded in run {}: there only the run sheet speaks for it",
            unknown.join(", ")
        )
    })
}

/// Mean of a fact over runs; `None` unless every run has it.
fn mean_fact(runs: &[&RunFacts<'_>], fact: fn(&RunFacts<'_>) -> Option<f64>) -> Option<f64> {
    let values: Option<Vec<f64>> = runs.iter().map(|r| fact(r)).collect();
    Sample::of(&values?).map(|s| s.mean)
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::report::Decision;

    use super::*;
    use crate::verdict::{decide, difference};

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// Algebra of the two figures: doubled mileage is +100 % and 50 % fuel saved; +50 % is 33.3 % saved.
    #[test]
    fn improvement_and_fuel_saved_are_two_figures() {
        for (gain, saved) in [(100.0, 50.0), (50.0, 33.333_333)] {
            let r = LogRatio::paired(&[(1.0_f64 + gain / 100.0).ln(); 1], 0.95).expect("a pair");
            close(r.mileage_percent().estimate, gain, 1e-9);
            close(r.fuel_saved_percent().estimate, saved, 1e-6);
            assert_eq!(r.mileage_percent().low, None);
        }
    }

    /// Paired t on log ratios, by hand with t(0.975, 2) = 4.302653 (Student's table).
    #[test]
    fn paired_interval_is_students() {
        let ratios = [1.50_f64.ln(), 1.55_f64.ln(), 1.60_f64.ln()];
        let r = LogRatio::paired(&ratios, 0.95).expect("pairs");
        let mean = ratios.iter().sum::<f64>() / 3.0;
        let sd = (ratios.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 2.0).sqrt();
        let (low, high) = r.interval.expect("three pairs spread");
        close(low, mean - 4.302_653 * sd / 3.0_f64.sqrt(), 1e-7);
        close(high, mean + 4.302_653 * sd / 3.0_f64.sqrt(), 1e-7);
    }

    #[test]
    fn the_rule_decides_by_where_the_interval_lies() {
        let ratios = [1.50_f64.ln(), 1.55_f64.ln(), 1.60_f64.ln()];
        let r = LogRatio::paired(&ratios, 0.95).expect("pairs");
        let decision = |claim| decide(claim, Some(&r), Vec::new(), 0.95).decision;
        assert_eq!(decision(40.0), Decision::Supported);
        assert_eq!(decision(55.0), Decision::Undecided);
        assert_eq!(decision(70.0), Decision::NotSupported);
        assert!(decide(52.0, Some(&r), Vec::new(), 0.95).further_pairs.is_some_and(|n| n >= 1));
        assert_eq!(decide(40.0, None, Vec::new(), 0.95).decision, Decision::Withheld);
    }

    #[test]
    fn one_pair_or_identical_pairs_decide_nothing() {
        for ratios in [vec![0.5], vec![0.5, 0.5, 0.5]] {
            let r = LogRatio::paired(&ratios, 0.95).expect("pairs");
            let verdict = decide(10.0, Some(&r), Vec::new(), 0.95);
            assert_eq!(verdict.decision, Decision::Undecided);
            assert!(verdict.reasons[0].contains("there is no interval"), "{:?}", verdict.reasons);
        }
    }

    #[test]
    fn unlike_conditions_withhold_the_verdict_and_say_what_differs() {
        let r = LogRatio::unpaired(&[10.0, 10.1, 9.9], &[6.0, 6.1, 5.9], 0.95).expect("runs");
        let warm = Comparability {
            quantity: "outside temperature".to_owned(),
            unit: "°C".to_owned(),
            baseline: Some(4.0),
            assist: Some(16.0),
            limit: 5.0,
            limit_unit: "K".to_owned(),
            largest_in_a_pair: None,
            alike: Some(false),
        };
        let verdict = decide(45.0, Some(&r), vec![difference(&warm)], 0.95);
        assert_eq!(verdict.decision, Decision::Withheld);
        assert!(verdict.reasons[0].contains("4.0 °C without assist, 16.0 °C with it (limit 5.0 K)"));
    }
}

//! Time by class of speed, and how far two such histograms are apart.

use polars::prelude::PolarsResult;

use crate::{columns, ledger::SessionLedger};

/// Width of a class, km/h.
pub const CLASS_KM_H: f64 = 5.0;
/// The highest class holds everything from here on, km/h.
const TOP_KM_H: f64 = 250.0;

/// Time in classes of speed of [`CLASS_KM_H`], from 0 on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SpeedHistogram {
    /// Time in each class, s.
    pub seconds: Vec<f64>,
}

impl SpeedHistogram {
    /// Counts speeds in m/s, each with the time in s that it lasts.
    pub fn count(speeds: impl IntoIterator<Item = (f64, f64)>) -> Self {
        let mut seconds = Vec::new();
        for (m_s, s) in speeds {
            let class = ((m_s * 3.6).clamp(0.0, TOP_KM_H) / CLASS_KM_H) as usize;
            if seconds.len() <= class {
                seconds.resize(class + 1, 0.0);
            }
            seconds[class] += s;
        }
        Self { seconds }
    }

    /// The bins of a ledger by their mean speed, as far as each is covered.
    ///
    /// # Errors
    /// When the ledger's frame lacks its columns.
    pub fn of(ledger: &SessionLedger) -> PolarsResult<Self> {
        let column = |name| columns::floats(&ledger.bins, name);
        let bins = column("distance_m")?.into_iter().zip(column("distance_valid_s")?);
        let half = ledger.findings.bin_s() / 2.0;
        Ok(Self::count(bins.filter_map(|(m, s)| {
            let s = s.filter(|s| *s >= half && *s > 0.0)?;
            Some((m? / s, s))
        })))
    }

    /// Several together.
    pub fn together<'a>(all: impl IntoIterator<Item = &'a Self>) -> Self {
        let mut whole = Self::default();
        for one in all {
            if whole.seconds.len() < one.seconds.len() {
                whole.seconds.resize(one.seconds.len(), 0.0);
            }
            whole.seconds.iter_mut().zip(&one.seconds).for_each(|(sum, s)| *sum += s);
        }
        whole
    }

    /// Shares of time by class; `None` without any time.
    pub fn shares(&self) -> Option<Vec<f64>> {
        let whole: f64 = self.seconds.iter().sum();
        (whole > 0.0).then(|| self.seconds.iter().map(|s| s / whole).collect())
    }

    /// Total variation distance of two histograms, 0 (alike) to 1 (nothing in common): the share of time that would
    /// have to be spent at another speed to make one of the other. `None` when one has no time.
    ///
    /// # Formula
    /// `½ Σ_k |p_k − q_k|` of the shares of time `p` and `q` (Levin, Peres: Markov Chains and Mixing Times, proposition
    /// 4.2; from memory).
    pub fn distance(&self, other: &Self) -> Option<f64> {
        let (p, q) = (self.shares()?, other.shares()?);
        let share = |of: &[f64], k: usize| of.get(k).copied().unwrap_or(0.0);
        Some((0..p.len().max(q.len())).map(|k| (share(&p, k) - share(&q, k)).abs()).sum::<f64>() / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::trips::descriptors::dynamics;

    /// Speeds, m/s, of a drive schedule at 1 Hz; source and licence in `tests/data/SOURCES.md`.
    fn schedule(name: &str) -> Vec<f64> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data/drive-schedules").join(name);
        let mut reader = csv::Reader::from_path(path).expect("a schedule");
        reader.records().map(|r| r.expect("a row")[1].parse().expect("a speed")).collect()
    }

    fn histogram(speeds: &[f64]) -> SpeedHistogram {
        SpeedHistogram::count(speeds.iter().map(|v| (*v, 1.0)))
    }

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// By hand: shares ½, ½, 0 and ¼, ¼, ½ are ½ (¼ + ¼ + ½) = ½ apart.
    #[test]
    fn the_distance_is_the_time_spent_elsewhere() {
        let (a, b) = (histogram(&[0.0, 1.5]), SpeedHistogram { seconds: vec![1.0, 1.0, 2.0] });
        close(a.distance(&b).expect("time"), 0.5, 1e-12);
        close(a.distance(&a).expect("time"), 0.0, 0.0);
        close(histogram(&[0.0]).distance(&histogram(&[30.0])).expect("time"), 1.0, 1e-12);
        assert_eq!(a.distance(&SpeedHistogram::default()), None);
        assert_eq!(SpeedHistogram::together([&a, &b]).seconds, [2.0, 2.0, 2.0]);
    }

    /// The schedules of 40 CFR 86 App. I (UDDS, US06) and 40 CFR 600 App. I (HWFET) are unlike each other in speeds and in
    /// one of the two figures of acceleration at least; UDDS begun elsewhere in itself is alike. Distances by numpy
    /// (`numpy.histogram` over the same classes).
    #[test]
    fn town_highway_and_aggressive_schedules_are_unlike() {
        let rules = tallywheel_schemas::campaign::Rules::default();
        let [udds, hwfet, us06] = ["udds.csv", "hwfet.csv", "us06.csv"].map(schedule);
        let rpa = |v: &[f64]| dynamics([v], 1.0).rpa_m_s2.expect("a speed");
        let va95 = |v: &[f64]| dynamics([v], 1.0).va95_m2_s3.expect("a speed");
        for (a, b, expected) in [(&udds, &hwfet, UDDS_HWFET), (&udds, &us06, UDDS_US06), (&hwfet, &us06, HWFET_US06)] {
            let distance = histogram(a).distance(&histogram(b)).expect("time");
            close(distance, expected, 1e-6);
            assert!(distance * 100.0 > rules.max_speed_histogram_points);
            let differs = |of: &dyn Fn(&[f64]) -> f64, limit: f64| (of(b) / of(a) - 1.0).abs() > limit;
            assert!(differs(&rpa, rules.max_rpa_difference) || differs(&va95, rules.max_va95_difference));
        }
        let mut later = udds.clone();
        later.rotate_left(600);
        close(histogram(&later).distance(&histogram(&udds)).expect("time"), 0.0, 1e-12);
        assert!((rpa(&later) / rpa(&udds) - 1.0).abs() < 0.005);
        assert!((va95(&later) / va95(&udds) - 1.0).abs() < 0.005);
    }

    const UDDS_HWFET: f64 = 0.809739;
    const UDDS_US06: f64 = 0.623943;
    const HWFET_US06: f64 = 0.699887;
}

//! The host's clock against the time that a satellite receiver tells.
//!
//! A receiver's RMC sentence names the moment of its fix and arrives some time later, so satellite time minus arrival
//! is the host's error less that delay. The largest difference of each minute is the one with the least delay; a line
//! through these gives offset and drift.

use chrono::NaiveDateTime;
use tallywheel_schemas::{Timestamp, manifest::ClockFit};

use crate::decode::sentence::{self, Sentence};

const MINUTE_US: i64 = 60_000_000;
/// A drift is told from this many minutes on.
const MINUTES_FOR_DRIFT: usize = 10;
/// Minutes kept: two weeks, so that memory stays bounded however long a session is.
const MOST_MINUTES: usize = 20_160;

/// Gathers fixes of one session.
#[derive(Debug, Default)]
pub(super) struct GpsClock {
    /// The fix with the least delay of each minute: stamp and difference, µs.
    minutes: Vec<(i64, i64)>,
    fixes: u64,
}

impl GpsClock {
    /// Takes a sentence that arrived at `t_us`. Only a valid RMC with date and time counts.
    pub(super) fn sentence(&mut self, t_us: i64, text: &str) {
        if let Some(difference) = difference_us(t_us, text) {
            self.fix(t_us, difference);
        }
    }

    fn fix(&mut self, t_us: i64, difference: i64) {
        self.fixes += 1;
        let minute = |t: i64| t.div_euclid(MINUTE_US);
        if let Some(last) = self.minutes.last_mut().filter(|last| minute(last.0) == minute(t_us)) {
            if difference > last.1 {
                *last = (t_us, difference);
            }
        } else if self.minutes.len() < MOST_MINUTES {
            self.minutes.push((t_us, difference));
        }
    }

    /// The line through what was gathered; `None` without a fix.
    pub(super) fn fit(&self) -> Option<ClockFit> {
        let (first, _) = *self.minutes.first()?;
        let points = self.minutes.iter().map(|(t, d)| ((t - first) as f64 / 1e6, *d as f64));
        let points: Vec<(f64, f64)> = points.collect();
        let count = points.len() as f64;
        let mean = points.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / count, m.1 + p.1 / count));
        let (offset, drift_ppm) = if points.len() < MINUTES_FOR_DRIFT {
            (points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max), 0.0)
        } else {
            let spread: f64 = points.iter().map(|p| (p.0 - mean.0).powi(2)).sum();
            let slope = points.iter().map(|p| (p.0 - mean.0) * (p.1 - mean.1)).sum::<f64>() / spread;
            (mean.1 - slope * mean.0, slope)
        };
        let residual = points.iter().map(|p| (p.1 - offset - drift_ppm * p.0).abs()).fold(0.0, f64::max);
        Some(ClockFit {
            offset_us: offset.round() as i64,
            at_us: Timestamp::from_us(first),
            drift_ppm,
            residual_us: residual.round() as i64,
            fixes: self.fixes,
        })
    }
}

/// Satellite time of a valid RMC sentence minus its arrival, µs.
pub(crate) fn difference_us(t_us: i64, text: &str) -> Option<i64> {
    let Some(Sentence::Rmc(rmc)) = sentence::parse(text) else { return None };
    if !rmc.valid {
        return None;
    }
    let told = NaiveDateTime::new(rmc.date?, rmc.time?).and_utc().timestamp_micros();
    Some(told - t_us)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first sentence of NOAA's ATOMIC 2020 ship file, as in the tests of the sentences: 2020-01-14 19:59:59 UTC.
    const RMC: &str = "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B";
    const TOLD: i64 = 1_579_031_999_000_000;

    #[test]
    fn a_valid_sentence_tells_the_time() {
        assert_eq!(difference_us(TOLD - 5, RMC), Some(5));
        assert_eq!(difference_us(0, "$GPRMC,123519.20,V,4807.038,N,01131.000,E,0.0,,230326,,*00"), None);
    }

    #[test]
    fn offset_and_drift_come_back() {
        let mut clock = GpsClock::default();
        assert_eq!(clock.fit(), None);
        // An hour, five fixes a second, the host an hour slow and losing 40 ppm; sentences take 80 to 280 ms.
        for i in 0..18_000_i64 {
            let t = i * 200_000;
            let delay = 80_000 + (i * 7919) % 200_000;
            clock.fix(t, 3_600_000_000 + t * 40 / 1_000_000 - delay);
        }
        let fit = clock.fit().expect("fixes");
        assert!((fit.offset_us - (3_600_000_000 - 80_000)).abs() < 2_000, "{fit:?}");
        assert!((fit.drift_ppm - 40.0).abs() < 1.0 && fit.residual_us < 5_000, "{fit:?}");
        let at = Timestamp::from_us(1_800_000_000);
        let corrected = 1_800_000_000 + fit.correction_us(at);
        assert!((corrected - (1_800_000_000 + 3_600_000_000 + 72_000)).abs() < 100_000);
    }

    #[test]
    fn a_clock_that_is_right_is_left_alone() {
        let mut clock = GpsClock::default();
        clock.sentence(TOLD + 120_000, RMC);
        let fit = clock.fit().expect("a fix");
        assert_eq!((fit.offset_us, fit.drift_ppm, fit.fixes), (-120_000, 0.0, 1));
        assert_eq!(fit.correction_us(Timestamp::from_us(TOLD)), 0);
    }
}

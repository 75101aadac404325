//! The clock of a recording.

use std::time::Instant;

use tallywheel_schemas::Timestamp;

/// UTC, read from the system once, then carried on by the monotonic clock, so that setting the system's clock during
/// a drive moves no sample.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SessionClock {
    anchor: Timestamp,
    began: Instant,
}

impl SessionClock {
    pub(crate) fn start() -> Self {
        Self { anchor: Timestamp::now(), began: Instant::now() }
    }

    pub(crate) fn started(self) -> Timestamp {
        self.anchor
    }

    pub(crate) fn now(self) -> Timestamp {
        let us = i64::try_from(self.began.elapsed().as_micros()).unwrap_or(i64::MAX);
        self.anchor.plus_us(us)
    }

    /// Seconds since the start.
    pub(super) fn elapsed_s(self) -> f64 {
        self.began.elapsed().as_secs_f64()
    }
}

/// Watches the system's clock for being set.
#[derive(Debug)]
pub(super) struct StepWatch {
    clock: SessionClock,
    /// System clock minus session clock when last looked at, µs.
    difference_us: i64,
}

impl StepWatch {
    /// A system's clock that is steered to the right time moves by up to 500 ppm; between two looks half a second
    /// apart that is far below this, µs.
    const STEP_US: i64 = 200_000;

    pub(super) fn new(clock: SessionClock) -> Self {
        Self { clock, difference_us: 0 }
    }

    /// By how much the system's clock was set since the last look, µs; `None` when it was not.
    pub(super) fn look(&mut self) -> Option<i64> {
        self.judge(Timestamp::now().as_us() - self.clock.now().as_us())
    }

    fn judge(&mut self, difference_us: i64) -> Option<i64> {
        let step_us = difference_us - std::mem::replace(&mut self.difference_us, difference_us);
        (step_us.abs() >= Self::STEP_US).then_some(step_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_told_from_steering() {
        let mut watch = StepWatch::new(SessionClock::start());
        let seen: Vec<_> =
            [0, 300, 600, 3_600_000_600, 3_600_001_000, 1_000].map(|d| watch.judge(d)).into_iter().flatten().collect();
        assert_eq!(seen, [3_600_000_000, -3_600_000_000]);
    }
}

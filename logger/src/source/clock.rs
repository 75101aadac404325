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

//! The host's clock against satellite time.
//!
//! A receiver sends the time of a fix some tens to hundreds of milliseconds after the fix, so arrival minus fix is the
//! host's error plus a delay that is never negative. The smallest difference of the last few seconds is the best that can
//! be said without more knowledge of the receiver; it bounds the host's lead from above.

use std::collections::VecDeque;

use serde::Serialize;
use tallywheel_schemas::Timestamp;

use crate::decode::sentence::{Rmc, Sentence, parse};

/// Fixes older than this say nothing about now, s.
const WINDOW_S: f64 = 10.0;
/// Difference beyond which somebody should look, s.
const TOLERANCE_S: f64 = 1.0;

/// What is known about the host's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClockState {
    /// The rig has no satellite receiver.
    NoReceiver,
    /// No valid fix with time and date in the last seconds.
    NoFix,
    /// Within a second of satellite time.
    Agrees,
    /// Further off than a second.
    Off,
}

/// The host's clock against satellite time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClockNow {
    /// What is known.
    pub state: ClockState,
    /// Arrival minus the fix's own time, s, the smallest of the last seconds; positive when the host is ahead.
    pub offset_s: Option<f64>,
}

impl ClockNow {
    /// In words.
    pub fn text(&self) -> String {
        match (self.state, self.offset_s) {
            (ClockState::NoReceiver, _) => "no satellite receiver in the rig to compare with".to_owned(),
            (_, Some(offset)) if offset >= 0.0 => format!("{offset:.2} s ahead of satellite time, delay included"),
            (_, Some(offset)) => format!("{:.2} s behind satellite time", -offset),
            _ => "no satellite fix yet to compare with".to_owned(),
        }
    }
}

/// The last fixes of all receivers.
#[derive(Debug, Clone)]
pub(super) struct SatelliteClock {
    has_receiver: bool,
    /// Arrival, and arrival minus fix in s.
    fixes: VecDeque<(Timestamp, f64)>,
}

impl SatelliteClock {
    pub(super) fn new(has_receiver: bool) -> Self {
        Self { has_receiver, fixes: VecDeque::new() }
    }

    /// Takes a good line of a receiver. Only a sentence with date, and one that the receiver vouches for, counts.
    pub(super) fn line(&mut self, at: Timestamp, text: &str) {
        if let Some(Sentence::Rmc(rmc)) = parse(text)
            && let Some(fix) = time_of(&rmc)
        {
            self.fixes.push_back((at, at.seconds_since(fix)));
            self.forget(at);
        }
    }

    pub(super) fn now(&mut self, now: Timestamp) -> ClockNow {
        self.forget(now);
        let offset_s = self.fixes.iter().map(|(_, offset)| *offset).reduce(f64::min);
        let state = match offset_s {
            _ if !self.has_receiver => ClockState::NoReceiver,
            None => ClockState::NoFix,
            Some(offset) if offset.abs() <= TOLERANCE_S => ClockState::Agrees,
            Some(_) => ClockState::Off,
        };
        ClockNow { state, offset_s }
    }

    fn forget(&mut self, now: Timestamp) {
        while self.fixes.front().is_some_and(|(at, _)| now.seconds_since(*at) > WINDOW_S) {
            self.fixes.pop_front();
        }
    }
}

fn time_of(rmc: &Rmc) -> Option<Timestamp> {
    let (date, time) = rmc.date.zip(rmc.time).filter(|_| rmc.valid)?;
    Some(Timestamp::from_us(date.and_time(time).and_utc().timestamp_micros()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sentence of the NOAA ATOMIC 2020 ship GPS raw file (read): 14 January 2020, 19:59:59 UTC.
    const FIX: &str = "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B";

    fn offset(arrivals: &[&str]) -> ClockNow {
        let mut clock = SatelliteClock::new(true);
        let mut last = Timestamp::from_us(0);
        for arrival in arrivals {
            last = Timestamp::parse(arrival, 0).expect("a time");
            clock.line(last, FIX);
        }
        clock.now(last)
    }

    #[test]
    fn the_smallest_difference_counts() {
        let now = offset(&["2020-01-14T19:59:59.31Z", "2020-01-14T19:59:59.12Z", "2020-01-14T19:59:59.50Z"]);
        assert_eq!(now.state, ClockState::Agrees);
        assert!(now.offset_s.is_some_and(|o| (o - 0.12).abs() < 1e-9), "{now:?}");
        let now = offset(&["2020-01-14T18:59:59.1Z"]);
        assert_eq!((now.state, now.text().as_str()), (ClockState::Off, "3599.90 s behind satellite time"));
    }

    #[test]
    fn an_invalid_or_old_fix_does_not_count() {
        let mut clock = SatelliteClock::new(true);
        let at = Timestamp::parse("2020-01-14T19:59:59.1Z", 0).expect("a time");
        clock.line(at, "$GPRMC,123519.20,V,4807.038,N,01131.000,E,0.0,,230326,,*00");
        assert_eq!(clock.now(at).state, ClockState::NoFix);
        clock.line(at, FIX);
        assert_eq!(clock.now(at).state, ClockState::Agrees);
        assert_eq!(clock.now(at.plus_us(11_000_000)).state, ClockState::NoFix);
        assert_eq!(SatelliteClock::new(false).now(at).state, ClockState::NoReceiver);
    }
}

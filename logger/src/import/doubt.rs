//! What about an import gives rise to doubt: said in the manifest and on standard error.

use chrono::Datelike;
use tallywheel_schemas::Timestamp;

use crate::summary::duration;

/// A session longer than this is mostly two recordings in one, or a wrong clock, s.
const LONG_S: f64 = 24.0 * 3600.0;
/// Captures begin at different moments; beyond this they do not belong to the same start, s.
const APART_S: f64 = 60.0;
/// Nobody recorded with this before.
const FIRST_YEAR: i32 = 2000;

/// Doubts about the times of a session from `first` to `last`, read at `now`.
pub(super) fn about_times(first: Timestamp, last: Timestamp, now: Timestamp) -> Vec<String> {
    let mut doubts = Vec::new();
    let length = last.seconds_since(first);
    if length > LONG_S {
        doubts
            .push(format!("the session is {} long; is that one recording, and was its clock right?", duration(length)));
    }
    if first.naive_date().year() < FIRST_YEAR {
        doubts.push(format!("its times begin at {first}, before {FIRST_YEAR}; was the clock set?"));
    }
    if last > now {
        doubts.push(format!("its times end at {last}, in the future; was the clock right?"));
    }
    doubts
}

/// A start that is given for a capture with times of its own, which begin elsewhere.
pub(super) fn about_start(port: &str, given: Timestamp, first: Timestamp) -> Option<String> {
    let apart = given.seconds_since(first).abs();
    (apart > APART_S).then(|| {
        format!(
            "port {port}: its own times begin at {first}, {} from --start {given}, which is not used for it",
            duration(apart)
        )
    })
}

/// A span that is given where no capture needs one.
pub(super) fn about_span(span_s: f64) -> String {
    format!("--span {span_s} is not used: every capture has time stamps")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(text: &str) -> Timestamp {
        Timestamp::parse(text, 0).expect("a time")
    }

    #[test]
    fn long_early_and_future_sessions_are_doubted() {
        let doubts = |first, last| about_times(time(first), time(last), time("2026-10-06T00:00:00Z"));
        assert!(doubts("2026-10-05T08:00:00Z", "2026-10-06T00:00:00Z").is_empty());
        let long = doubts("2026-10-04T08:00:00Z", "2026-10-05T09:30:00Z");
        assert_eq!(long, ["the session is 25 h 30 min 0.0 s long; is that one recording, and was its clock right?"]);
        assert!(doubts("1999-12-31T23:00:00Z", "1999-12-31T23:10:00Z")[0].contains("before 2000"));
        assert!(doubts("2026-10-06T00:00:01Z", "2026-10-06T00:00:02Z")[0].contains("in the future"));
    }

    #[test]
    fn captures_may_begin_a_little_apart() {
        let start = time("2026-10-05T08:30:00Z");
        assert_eq!(about_start("gps", start, start.plus_us(59_000_000)), None);
        let doubt = about_start("gps", start, time("2026-10-05T06:30:00Z")).expect("two hours apart");
        assert_eq!(
            doubt,
            "port gps: its own times begin at 2026-10-05T06:30:00Z, 2 h 0 min 0.0 s from --start \
             2026-10-05T08:30:00Z, which is not used for it"
        );
    }
}

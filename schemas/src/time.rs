//! Points in time, one clock: UTC microseconds.

use std::fmt;

use chrono::{DateTime, NaiveDate, NaiveDateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};

/// A point in time on the UTC scale, microseconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Timestamp(i64);

/// A text that is not a point in time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not a date and time like 2026-10-05T08:30:00Z")]
pub struct TimestampError {
    text: String,
}

impl Timestamp {
    /// From microseconds since 1970.
    pub const fn from_us(us: i64) -> Self {
        Self(us)
    }

    /// The system's clock, now.
    pub fn now() -> Self {
        Self(Utc::now().timestamp_micros())
    }

    /// Microseconds since 1970.
    pub const fn as_us(self) -> i64 {
        self.0
    }

    /// This point in time moved by so many microseconds.
    #[must_use]
    pub const fn plus_us(self, us: i64) -> Self {
        Self(self.0.saturating_add(us))
    }

    /// Seconds from `earlier` to this point.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / 1e6
    }

    /// Reads RFC 3339, or ISO 8601 with `T` or a space and without a zone; then `utc_offset_s` is the zone's
    /// offset, in seconds east.
    ///
    /// # Errors
    /// When the text is neither.
    ///
    /// ```
    /// use tallywheel_schemas::Timestamp;
    /// let local = Timestamp::parse("2007-07-03 07:20:05", -5 * 3600).unwrap();
    /// assert_eq!(local, Timestamp::parse("2007-07-03T12:20:05Z", 0).unwrap());
    /// ```
    pub fn parse(text: &str, utc_offset_s: i64) -> Result<Self, TimestampError> {
        let text = text.trim();
        if let Ok(t) = DateTime::parse_from_rfc3339(text) {
            return Ok(Self(t.timestamp_micros()));
        }
        for format in ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f%:z"] {
            if let Ok(t) = DateTime::parse_from_str(text, format) {
                return Ok(Self(t.timestamp_micros()));
            }
            if let Ok(t) = NaiveDateTime::parse_from_str(text, format) {
                return Ok(Self(t.and_utc().timestamp_micros() - utc_offset_s * 1_000_000));
            }
        }
        Err(TimestampError { text: text.to_owned() })
    }

    /// The UTC date, `YYYY-MM-DD`, as in a `date=` partition.
    pub fn date(self) -> String {
        self.utc().format("%Y-%m-%d").to_string()
    }

    /// The ISO 8601 week of the UTC date, `YYYY-Www`: weeks begin on Monday, and a week's year is that of its Thursday.
    pub fn week(self) -> String {
        self.utc().format("%G-W%V").to_string()
    }

    /// The month of the UTC date, `YYYY-MM`.
    pub fn month(self) -> String {
        self.utc().format("%Y-%m").to_string()
    }

    /// The UTC date as a calendar value.
    pub fn naive_date(self) -> NaiveDate {
        self.utc().date_naive()
    }

    /// Compact form for file names, `YYYYMMDDTHHMMSSZ`.
    pub fn compact(self) -> String {
        self.utc().format("%Y%m%dT%H%M%SZ").to_string()
    }

    fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_micros(self.0).unwrap_or(DateTime::UNIX_EPOCH)
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.utc().to_rfc3339_opts(SecondsFormat::AutoSi, true))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parses_what_people_and_machines_write() {
        let expected = Timestamp::from_us(1_759_653_000_500_000);
        for text in ["2025-10-05T08:30:00.5Z", "2025-10-05 08:30:00.5", "2025-10-05T10:30:00.500+02:00"] {
            assert_eq!(Timestamp::parse(text, 0), Ok(expected), "{text}");
        }
        assert_eq!(expected.date(), "2025-10-05");
        assert_eq!(expected.to_string(), "2025-10-05T08:30:00.500Z");
    }

    /// Dates around a year's end as ISO 8601 numbers their weeks (published examples, from memory).
    #[test]
    fn a_week_belongs_to_the_year_of_its_thursday() {
        for (day, week) in [
            ("2005-01-01", "2004-W53"),
            ("2005-01-02", "2004-W53"),
            ("2005-12-31", "2005-W52"),
            ("2006-01-01", "2005-W52"),
            ("2007-01-01", "2007-W01"),
            ("2008-12-29", "2009-W01"),
            ("2009-12-31", "2009-W53"),
            ("2010-01-03", "2009-W53"),
        ] {
            let noon = Timestamp::parse(&format!("{day}T12:00:00Z"), 0).expect("a time");
            assert_eq!(noon.week(), week, "{day}");
            assert_eq!(noon.month(), day[..7]);
        }
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        let error = Timestamp::parse("yesterday", 0).expect_err("not a time");
        assert!(error.to_string().contains("`yesterday`"));
    }
}

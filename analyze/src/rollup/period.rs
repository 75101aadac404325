//! The stretch of days that is rolled up, and the days that it is held against.

use std::collections::BTreeSet;

use chrono::{Datelike as _, Days, NaiveDate, Weekday};
use serde::Serialize;

/// Days before a period that it is compared with: four weeks.
pub const BEFORE_DAYS: u64 = 28;
/// Weeks before a period that tell how a vehicle usually varies.
pub const HISTORY_WEEKS: u64 = 16;

/// A stretch of whole UTC days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Period {
    /// Name: `2026-W47`, `2026-11`, `2026-11-02/2026-11-20` or `life`.
    pub name: String,
    /// First day.
    pub first: NaiveDate,
    /// Last day, inclusive.
    pub last: NaiveDate,
}

/// A text that names no period.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PeriodError {
    /// No ISO 8601 week.
    #[error("`{0}` is not an ISO 8601 week like 2026-W47")]
    Week(String),
    /// No month.
    #[error("`{0}` is not a month like 2026-11")]
    Month(String),
    /// The days are in the wrong order.
    #[error("the period ends on {last}, before it begins on {first}")]
    Backwards {
        /// First day given.
        first: NaiveDate,
        /// Last day given.
        last: NaiveDate,
    },
}

impl Period {
    /// An ISO 8601 week, Monday to Sunday.
    ///
    /// # Errors
    /// When the text is not like `2026-W47` or the year has no such week.
    ///
    /// ```
    /// use tallywheel_analyze::rollup::Period;
    /// let week = Period::week("2026-W47").unwrap();
    /// assert_eq!(week.first.to_string(), "2026-11-16");
    /// assert!(Period::week("2026-W54").is_err());
    /// ```
    pub fn week(text: &str) -> Result<Self, PeriodError> {
        let parts = text.split_once("-W").filter(|(y, w)| y.len() == 4 && w.len() == 2);
        let first = parts
            .and_then(|(y, w)| NaiveDate::from_isoywd_opt(y.parse().ok()?, w.parse().ok()?, Weekday::Mon))
            .ok_or_else(|| PeriodError::Week(text.to_owned()))?;
        Ok(Self { name: text.to_owned(), first, last: first + Days::new(6) })
    }

    /// A calendar month.
    ///
    /// # Errors
    /// When the text is not like `2026-11`.
    pub fn month(text: &str) -> Result<Self, PeriodError> {
        let parts = text.split_once('-').filter(|(y, m)| y.len() == 4 && m.len() == 2);
        let first = parts
            .and_then(|(y, m)| NaiveDate::from_ymd_opt(y.parse().ok()?, m.parse().ok()?, 1))
            .ok_or_else(|| PeriodError::Month(text.to_owned()))?;
        let next = first + chrono::Months::new(1);
        Ok(Self { name: text.to_owned(), first, last: next - Days::new(1) })
    }

    /// From one day to another, both included.
    ///
    /// # Errors
    /// When the last day lies before the first.
    pub fn days(first: NaiveDate, last: NaiveDate) -> Result<Self, PeriodError> {
        if last < first {
            return Err(PeriodError::Backwards { first, last });
        }
        Ok(Self { name: format!("{first}/{last}"), first, last })
    }

    /// Everything there is, from the first to the last day with data.
    pub fn life(first: NaiveDate, last: NaiveDate) -> Self {
        Self { name: "life".to_owned(), first, last: last.max(first) }
    }

    /// The ISO 8601 week of a day.
    pub fn week_of(day: NaiveDate) -> Self {
        let week = day.iso_week();
        let first = NaiveDate::from_isoywd_opt(week.year(), week.week(), Weekday::Mon).unwrap_or(day);
        Self { name: format!("{}-W{:02}", week.year(), week.week()), first, last: first + Days::new(6) }
    }

    /// The four weeks before.
    #[must_use]
    pub fn before(&self) -> Self {
        let first = self.first - Days::new(BEFORE_DAYS);
        Self { name: format!("four weeks before {}", self.name), first, last: self.first - Days::new(1) }
    }

    /// First day whose data are needed.
    pub fn history_first(&self) -> NaiveDate {
        self.first - Days::new(7 * HISTORY_WEEKS)
    }

    /// Number of days.
    pub fn length_days(&self) -> i64 {
        (self.last - self.first).num_days() + 1
    }

    /// Which week a day lies in, counted from the period: 0 is in it, −1 the seven days before, and so on.
    pub fn block(&self, day: NaiveDate) -> i64 {
        let days = (day - self.first).num_days();
        if days >= 0 { 0 } else { days.div_euclid(7) }
    }

    fn each(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        self.first.iter_days().take(usize::try_from(self.length_days()).unwrap_or(0))
    }
}

/// A row of the SQL's `calendar`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalendarRow {
    /// Name of the period.
    pub period: String,
    /// UTC day.
    pub day: String,
    /// `now`, `reference` or `history`.
    pub role: &'static str,
}

/// The calendar of a period and of the four weeks before it. Only days with data are named. Where the four weeks before
/// have none, as in a fleet's first week or its whole life, the period is its own reference.
pub fn calendar(period: &Period, days_with_data: &BTreeSet<String>) -> Vec<CalendarRow> {
    let before = period.before();
    let with_data =
        |p: &Period| p.each().map(|d| d.to_string()).filter(|d| days_with_data.contains(d)).collect::<Vec<_>>();
    let (now, earlier) = (with_data(period), with_data(&before));
    let reference = if earlier.is_empty() { &now } else { &earlier };
    let history = Period { first: period.history_first(), ..period.clone() };
    let rows = |period: &str, days: &[String], role| {
        let row = |day: &String| CalendarRow { period: period.to_owned(), day: day.clone(), role };
        days.iter().map(row).collect::<Vec<_>>()
    };
    [
        rows(&period.name, &now, "now"),
        rows(&period.name, reference, "reference"),
        rows(&period.name, &with_data(&history), "history"),
        rows(&before.name, &earlier, "now"),
        if earlier.is_empty() { Vec::new() } else { rows(&before.name, &earlier, "reference") },
    ]
    .concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a day")
    }

    /// ISO 8601 weeks at a year's end: 2026 has 53, and 2027-01-01 is in the last of them (from memory, as the calendar
    /// of any office diary has it).
    #[test]
    fn weeks_follow_iso_8601() {
        let week = Period::week("2026-W53").expect("a week");
        assert_eq!((week.first, week.last), (day("2026-12-28"), day("2027-01-03")));
        assert_eq!(Period::week_of(day("2027-01-01")), week);
        for text in ["2027-W53", "2026-W00", "2026W47", "26-W47", "2026-W4"] {
            assert_eq!(Period::week(text), Err(PeriodError::Week(text.to_owned())));
        }
    }

    #[test]
    fn months_have_their_own_length() {
        assert_eq!(Period::month("2028-02").expect("a month").length_days(), 29);
        assert_eq!(Period::month("2026-12").expect("a month").last, day("2026-12-31"));
        assert!(Period::month("2026-13").is_err());
    }

    #[test]
    fn blocks_count_back_from_the_period() {
        let week = Period::week("2026-W47").expect("a week");
        let blocks = ["2026-11-22", "2026-11-16", "2026-11-15", "2026-11-09", "2026-11-08"].map(|d| week.block(day(d)));
        assert_eq!(blocks, [0, 0, -1, -1, -2]);
    }

    #[test]
    fn a_first_week_is_its_own_reference() {
        let week = Period::week("2026-W27").expect("a week");
        let data = BTreeSet::from(["2026-06-29".to_owned(), "2026-07-01".to_owned()]);
        let roles: Vec<_> = calendar(&week, &data).into_iter().map(|r| r.role).collect();
        assert_eq!(roles, ["now", "now", "reference", "reference", "history", "history"]);
    }
}

//! The fleet's calendar: weeks from Monday, UTC.

use tallywheel_schemas::Timestamp;

/// Microseconds in a day.
pub const DAY_US: i64 = 86_400_000_000;
/// Microseconds in a week.
pub const WEEK_US: i64 = 7 * DAY_US;

/// Monday of the first week, 2026-06-29T00:00:00Z, µs.
pub const fn first_monday_us() -> i64 {
    1_782_691_200_000_000
}

/// Start of a day, µs: week and day of the week from 0.
pub const fn day_us(week: usize, weekday: usize) -> i64 {
    first_monday_us() + week as i64 * WEEK_US + weekday as i64 * DAY_US
}

/// Name of a week counted from 0, as in `2026-W27`.
pub fn name(week: usize) -> String {
    Timestamp::from_us(day_us(week, 0)).week()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_week_begins_on_a_monday() {
        assert_eq!(Timestamp::from_us(day_us(0, 0)).date(), "2026-06-29");
        assert_eq!(name(0), "2026-W27");
        assert_eq!(name(27), "2027-W01");
    }
}

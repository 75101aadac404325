//! Whether a sensor's calibration still holds.

use chrono::{Days, NaiveDate};
use serde::Serialize;
use tallywheel_schemas::rig::Calibration;

/// Days for which a calibration counts when the rig does not say until when: a year, as is common practice.
pub const ASSUMED_VALID_DAYS: u64 = 365;

/// Whether a calibration holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationState {
    /// It does.
    InDate,
    /// Its last day is over.
    Due,
    /// It is dated after today: the date or the clock is wrong.
    Future,
    /// The rig gives a calibration without a date that can be read.
    Undated,
    /// The rig gives no calibration.
    NoneGiven,
}

/// The calibration of one channel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CalibrationNow {
    /// Whether it holds.
    pub state: CalibrationState,
    /// Day of the calibration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<NaiveDate>,
    /// Last day on which it holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<NaiveDate>,
    /// The rig does not say until when; [`ASSUMED_VALID_DAYS`] are assumed.
    pub is_assumed: bool,
    /// Certificate or record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
}

impl CalibrationNow {
    /// What a rig's calibration is worth on a day.
    pub fn on(today: NaiveDate, calibration: Option<&Calibration>) -> Self {
        let day = |text: &Option<String>| text.as_deref().and_then(|d| d.parse::<NaiveDate>().ok());
        let (date, due) = calibration.map_or((None, None), |c| (day(&c.date), day(&c.due)));
        let assumed = date.and_then(|d| d.checked_add_days(Days::new(ASSUMED_VALID_DAYS)));
        let until = due.or(assumed);
        let state = match until {
            _ if calibration.is_none() => CalibrationState::NoneGiven,
            _ if date.is_some_and(|date| date > today) => CalibrationState::Future,
            None => CalibrationState::Undated,
            Some(until) if today > until => CalibrationState::Due,
            Some(_) => CalibrationState::InDate,
        };
        let certificate = calibration.and_then(|c| c.certificate.clone());
        Self { state, date, until, is_assumed: due.is_none() && until.is_some(), certificate }
    }

    /// In a few words: `until 2027-09-21 (a year assumed)`.
    pub fn text(&self) -> String {
        let assumed = if self.is_assumed { " (a year assumed)" } else { "" };
        match (self.state, self.until, self.date) {
            (CalibrationState::InDate, Some(until), _) => format!("until {until}{assumed}"),
            (CalibrationState::Due, Some(until), _) => format!("DUE since {until}{assumed}"),
            (CalibrationState::Future, _, Some(date)) => format!("dated {date}, after today"),
            (CalibrationState::NoneGiven, ..) => "none given".to_owned(),
            _ => "undated".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(today: &str, date: Option<&str>, due: Option<&str>) -> (CalibrationState, String) {
        let owned = |text: Option<&str>| text.map(str::to_owned);
        let calibration = Calibration {
            factor: 1.0,
            offset: 0.0,
            date: owned(date),
            due: owned(due),
            certificate: None,
            relative_uncertainty: 0.0,
            absolute_uncertainty: 0.0,
            degrees_of_freedom: None,
        };
        let now = CalibrationNow::on(today.parse().expect("a day"), Some(&calibration));
        (now.state, now.text())
    }

    #[test]
    fn a_calibration_holds_through_its_last_day() {
        use CalibrationState::{Due, Future, InDate, NoneGiven, Undated};
        let year = Some("2026-09-21");
        assert_eq!(on("2027-09-21", year, None), (InDate, "until 2027-09-21 (a year assumed)".to_owned()));
        assert_eq!(on("2027-09-22", year, None), (Due, "DUE since 2027-09-21 (a year assumed)".to_owned()));
        assert_eq!(on("2026-12-31", year, Some("2026-12-31")), (InDate, "until 2026-12-31".to_owned()));
        assert_eq!(on("2027-01-01", year, Some("2026-12-31")), (Due, "DUE since 2026-12-31".to_owned()));
        assert_eq!(on("2026-01-01", year, None), (Future, "dated 2026-09-21, after today".to_owned()));
        assert_eq!(on("2026-01-01", None, None).0, Undated);
        assert_eq!(on("2026-01-01", Some("last week"), None).0, Undated);
        let none = CalibrationNow::on("2026-01-01".parse().expect("a day"), None);
        assert_eq!((none.state, none.text()), (NoneGiven, "none given".to_owned()));
    }
}

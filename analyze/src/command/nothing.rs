//! Why there is nothing to roll up, with what a person can do about it.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use tallywheel_schemas::{nearest, report::UnusableSession};

use crate::{figure::counted, rollup::Period};

/// Names or reasons that are said in full; of the rest only how many there are.
const SAID: usize = 3;

/// Why there is nothing to roll up.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum Nothing {
    #[error("{}: not a directory", path.display())]
    NotADirectory { path: PathBuf },
    #[error("{}: no session of vehicle `{vehicle}`; {hint}", path.display())]
    Vehicle { path: PathBuf, vehicle: String, hint: String },
    #[error("{}: `sessions` is empty: nothing was recorded or collected here yet", path.display())]
    Empty { path: PathBuf },
    #[error("{}: there are no daily tables here; without --tables-only they are made from the sessions", path.display())]
    NoTables { path: PathBuf },
    #[error("{}: nothing is left to roll up: {reasons}", path.display())]
    LeftOut { path: PathBuf, reasons: String },
    #[error("{}: no data from {first} to {last}; there are some from {from} to {to}{also}", path.display())]
    NoDays { path: PathBuf, first: NaiveDate, last: NaiveDate, from: NaiveDate, to: NaiveDate, also: String },
    #[error("{}: there are sessions or tables of that time, but no day with rows in them", path.display())]
    NoRows { path: PathBuf },
}

/// What is known where a period has no day with data.
pub(super) struct Around<'a> {
    pub(super) path: &'a Path,
    /// Where the dataset itself has none, what there is not.
    pub(super) without_any: fn(PathBuf) -> Nothing,
    pub(super) period: Option<&'a Period>,
    /// First and last day of all there is.
    pub(super) range: Option<(NaiveDate, NaiveDate)>,
    /// What is left out and why.
    pub(super) left_out: String,
}

impl Around<'_> {
    /// The reason, the nearest first: data that lie elsewhere, data that cannot be used, no data.
    pub(super) fn reason(self) -> Nothing {
        let path = self.path.to_owned();
        if let (Some(period), Some((from, to))) = (self.period, self.range)
            && (to < period.first || period.last < from)
        {
            let also = if self.left_out.is_empty() { String::new() } else { format!("; {}", self.left_out) };
            return Nothing::NoDays { path, first: period.first, last: period.last, from, to, also };
        }
        if !self.left_out.is_empty() {
            return Nothing::LeftOut { path, reasons: self.left_out };
        }
        if self.range.is_some() { Nothing::NoRows { path } } else { (self.without_any)(path) }
    }
}

/// Sessions that are left out, with the first reasons and what to do; empty without any.
pub(super) fn sessions_left_out(sessions: &[UnusableSession]) -> String {
    if sessions.is_empty() {
        return String::new();
    }
    let reasons = sessions.iter().map(|s| format!("{}: {}", s.session, s.reason));
    format!(
        "{} left out: {}; `tallywheel-logger verify` names every damaged file, and `collect` brings sound copies",
        counted(sessions.len(), "session"),
        some_of(reasons, "; ")
    )
}

/// Tables that cannot be read, with the first reasons and what to do; empty without any.
pub(super) fn tables_left_out(unreadable: &[(PathBuf, String)]) -> String {
    if unreadable.is_empty() {
        return String::new();
    }
    let reasons = unreadable.iter().map(|(path, reason)| format!("{}: {reason}", path.display()));
    format!(
        "{} cannot be read: {}; where the sessions are, `derive --check` makes them again",
        counted(unreadable.len(), "daily table"),
        some_of(reasons, "; ")
    )
}

/// The first few of some texts, and how many more there are.
pub(super) fn some_of(texts: impl Iterator<Item = String>, between: &str) -> String {
    let all: Vec<String> = texts.collect();
    let said = all.iter().take(SAID).cloned().collect::<Vec<_>>().join(between);
    match all.len().saturating_sub(SAID) {
        0 => said,
        more => format!("{said}{between}and {more} more"),
    }
}

/// An error for the first vehicle named that is not there.
///
/// # Errors
/// When one is not there.
pub(super) fn check_vehicles(
    path: &Path,
    named: &[String],
    is_there: impl Fn(&str) -> bool,
    known: &[String],
) -> Result<(), Nothing> {
    let Some(vehicle) = named.iter().find(|v| !is_there(v)) else { return Ok(()) };
    let others = || known.iter().filter(|k| *k != vehicle);
    let hint = match nearest(vehicle, others().map(String::as_str)) {
        Some(near) => format!("did you mean `{near}`?"),
        None if others().next().is_none() => "there is none of any vehicle".to_owned(),
        None => format!("there are some of {}", some_of(others().cloned(), ", ")),
    };
    Err(Nothing::Vehicle { path: path.to_owned(), vehicle: vehicle.clone(), hint })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a day")
    }

    fn around<'a>(period: &'a Period, range: Option<(&str, &str)>, left_out: &str) -> Around<'a> {
        Around {
            path: Path::new("k"),
            without_any: |path| Nothing::Empty { path },
            period: Some(period),
            range: range.map(|(from, to)| (day(from), day(to))),
            left_out: left_out.to_owned(),
        }
    }

    #[test]
    fn the_reason_is_the_one_that_holds() {
        let week = Period::week("2026-W48").expect("a week");
        let said = |range, left_out| around(&week, range, left_out).reason().to_string();
        let far = Some(("2026-06-01", "2026-07-05"));
        assert_eq!(
            said(far, ""),
            "k: no data from 2026-11-23 to 2026-11-29; there are some from 2026-06-01 to 2026-07-05"
        );
        assert!(said(far, "1 session left out: x").ends_with("to 2026-07-05; 1 session left out: x"));
        let near = Some(("2026-06-01", "2026-11-24"));
        assert_eq!(said(near, "1 session left out: x"), "k: nothing is left to roll up: 1 session left out: x");
        assert!(said(near, "").contains("no day with rows"));
        assert!(said(None, "").contains("`sessions` is empty"));
    }

    #[test]
    fn an_unknown_vehicle_is_named_with_the_nearest_or_the_known() {
        let known: Vec<String> = (1..=5).map(|i| format!("skerry-{i}")).collect();
        let check = |named: &[&str]| {
            let named: Vec<String> = named.iter().map(|n| (*n).to_owned()).collect();
            let there = |v: &str| known.iter().any(|k| k == v);
            check_vehicles(Path::new("k"), &named, there, &known).map_err(|e| e.to_string())
        };
        assert_eq!(check(&["skerry-1", "skerry-5"]), Ok(()));
        assert_eq!(
            check(&["skerry-1", "skery-2"]),
            Err("k: no session of vehicle `skery-2`; did you mean `skerry-2`?".to_owned())
        );
        assert_eq!(
            check(&["nosuch"]),
            Err("k: no session of vehicle `nosuch`; there are some of skerry-1, skerry-2, skerry-3, and 2 more"
                .to_owned())
        );
    }

    #[test]
    fn what_is_left_out_is_counted_and_the_first_reasons_said() {
        let session = |name: &str| UnusableSession {
            session: name.to_owned(),
            vehicle: "skerry-1".to_owned(),
            run: None,
            reason: "was altered".to_owned(),
        };
        assert_eq!(sessions_left_out(&[]), "");
        assert!(sessions_left_out(&[session("a")]).starts_with("1 session left out: a: was altered; `tallywheel-"));
        let five: Vec<_> = ["a", "b", "c", "d", "e"].map(session).into();
        assert!(sessions_left_out(&five).contains("5 sessions left out: a: was altered; "));
        assert!(sessions_left_out(&five).contains("c: was altered; and 2 more; "));
    }
}

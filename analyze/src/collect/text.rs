//! What was collected, for people.

use std::fmt::Write as _;

use super::{Collected, Outcome};
use crate::figure::counted;

impl Collected {
    /// A summary, then every session, correction and pair that a person should know of.
    pub fn to_text(&self) -> String {
        let mut out = String::new();
        for (outcome, words) in [
            (Outcome::Copied, "copied"),
            (Outcome::There, "there already"),
            (Outcome::Mended, "mended: missing files brought back"),
            (Outcome::Conflict, "in conflict, not copied"),
            (Outcome::Damaged, "damaged, not copied"),
            (Outcome::Unfinished, "unfinished, left alone"),
            (Outcome::Failed, "could not be read, run the same command to try again"),
        ] {
            let count = self.count(outcome);
            if count > 0 || outcome == Outcome::Copied {
                let _ = writeln!(out, "{count:>6} {words}");
            }
        }
        let _ = writeln!(out, "{:>6.1} MB fetched", self.bytes as f64 / 1e6);
        for s in &self.sessions {
            if let Some(reason) = &s.reason {
                let vehicle = if s.vehicle.is_empty() { String::new() } else { format!("{} ", s.vehicle) };
                let advice = advice(s.outcome);
                let _ = writeln!(out, "{vehicle}{} from {}: {reason}{advice}", s.session, s.source);
            }
        }
        for c in &self.corrections {
            match &c.reason {
                Some(reason) => {
                    let _ = writeln!(out, "corrections of {} {} from {}: {reason}", c.vehicle, c.session, c.source);
                }
                None if c.added > 0 => {
                    let lines = counted(c.added, "line");
                    let _ = writeln!(out, "corrections of {} {}: {lines} from {}", c.vehicle, c.session, c.source);
                }
                None => {}
            }
        }
        for t in &self.twins {
            let _ = writeln!(out, "{t}; they would count twice");
        }
        out
    }
}

/// What a person can do about a session that was not taken.
const fn advice(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Conflict => "; both are kept as they are: look at both, and take the wrong one out of its dataset",
        Outcome::Damaged => "; collect it again from a sound copy, or see what is left with `tallywheel-logger verify`",
        _ => "",
    }
}

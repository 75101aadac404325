//! From a campaign's run names to the sessions that hold them.

use std::{collections::BTreeSet, sync::Arc};

use tallywheel_schemas::{Campaign, nearest};

use crate::dataset::Session;

/// A campaign that does not fit the dataset.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CampaignError {
    /// No session of the vehicle has such a run sheet.
    #[error("campaign names run `{run}`, which no selected session of vehicle `{vehicle}` has{hint}")]
    UnknownRun {
        /// Run named.
        run: String,
        /// Vehicle of the campaign.
        vehicle: String,
        /// The nearest run there is, or how many there are.
        hint: String,
    },
    /// Two sessions claim to be the same run.
    #[error("run `{run}` stands on the run sheets of sessions {first} and {second}; rename one and import it again")]
    TwoSessions {
        /// Run named.
        run: String,
        /// One session.
        first: String,
        /// The other.
        second: String,
    },
}

/// The session of every run of a campaign, in campaign order.
///
/// # Errors
/// When a run has no session, or two.
pub fn sessions_of(campaign: &Campaign, sessions: &[Arc<Session>]) -> Result<Vec<Arc<Session>>, CampaignError> {
    let of_vehicle = || sessions.iter().filter(|s| s.manifest.vehicle == campaign.vehicle);
    let name = |s: &Arc<Session>| s.manifest.run.as_ref().map(|r| r.run.clone());
    let known: BTreeSet<String> = of_vehicle().filter_map(name).collect();
    campaign
        .runs()
        .map(|run| {
            let mut found = of_vehicle().filter(|s| name(s).as_deref() == Some(run));
            match (found.next(), found.next()) {
                (Some(session), None) => Ok(Arc::clone(session)),
                (Some(first), Some(second)) => Err(CampaignError::TwoSessions {
                    run: run.to_owned(),
                    first: first.manifest.session.clone(),
                    second: second.manifest.session.clone(),
                }),
                (None, _) => Err(CampaignError::UnknownRun {
                    run: run.to_owned(),
                    vehicle: campaign.vehicle.clone(),
                    hint: hint(run, &known),
                }),
            }
        })
        .collect()
}

fn hint(run: &str, known: &BTreeSet<String>) -> String {
    match nearest(run, known.iter().map(String::as_str)) {
        Some(near) => format!("; did you mean `{near}`?"),
        None if known.is_empty() => "; it has no session with a run sheet".to_owned(),
        None => format!("; it has {}", known.iter().cloned().collect::<Vec<_>>().join(", ")),
    }
}

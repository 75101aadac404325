//! From a campaign's run names to the sessions that hold them.

use std::{collections::BTreeSet, sync::Arc};

use tallywheel_schemas::{
    Campaign,
    campaign::Design,
    nearest,
    report::{MissingRun, UnusableSession},
};

use crate::{dataset::Session, in_service};

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
    /// A person decided about a session that is none of the campaign's.
    #[error(
        "an override names session `{session}`, which is no drive of the campaign's vehicles before or after the kit was \
         fitted{hint}"
    )]
    UnknownSession {
        /// Session named.
        session: String,
        /// The nearest there is, if any is near.
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

/// What a campaign's runs were recorded in.
#[derive(Debug)]
pub struct CampaignSessions {
    /// Sessions of the runs that have one, in campaign order.
    pub sessions: Vec<Arc<Session>>,
    /// Runs whose session cannot be used.
    pub missing: Vec<MissingRun>,
    /// Runs of the vehicle on the campaign's routes, between its first run and its last, that it does not name.
    pub unnamed: Vec<String>,
}

/// The vehicles whose sessions a campaign looks at.
pub fn vehicles_of(campaign: &Campaign) -> Vec<String> {
    let named = campaign.control_vehicle.iter().chain(campaign.in_service.iter().map(|v| &v.name));
    let all: BTreeSet<&String> = std::iter::once(&campaign.vehicle).chain(named).collect();
    all.into_iter().cloned().collect()
}

/// The session of every run of a campaign, in campaign order, then those of its control vehicle. A run without one is missing where an unusable session
/// is, or may be, the one that it was recorded in.
///
/// # Errors
/// When a run has no session at all, or two, or a person overrules a session in service that is not there.
pub fn sessions_of(
    campaign: &Campaign,
    sessions: &[Arc<Session>],
    unusable: &[UnusableSession],
) -> Result<CampaignSessions, CampaignError> {
    if campaign.design == Design::BeforeAfter {
        let found = in_service::sessions_of(campaign, sessions, unusable);
        return overrides_fit(campaign, &found).map(|()| found);
    }
    let mut found = of_one_vehicle(&campaign.vehicle, campaign.runs(), sessions, unusable)?;
    found.unnamed = unnamed(campaign, &found.sessions, sessions);
    if let Some(vehicle) = &campaign.control_vehicle {
        let control = of_one_vehicle(vehicle, campaign.control_runs(), sessions, unusable)?;
        found.sessions.extend(control.sessions);
        found.missing.extend(control.missing);
    }
    Ok(found)
}

/// Whether every session that a person overrules in daily service is there, usable or not.
fn overrides_fit(campaign: &Campaign, found: &CampaignSessions) -> Result<(), CampaignError> {
    let known = || {
        let used = found.sessions.iter().map(|s| s.manifest.session.as_str());
        used.chain(found.missing.iter().map(|m| m.id.as_str()))
    };
    match campaign.overrides.iter().find(|o| known().all(|name| name != o.run)) {
        None => Ok(()),
        Some(o) => Err(CampaignError::UnknownSession {
            session: o.run.clone(),
            hint: nearest(&o.run, known()).map_or_else(String::new, |near| format!("; did you mean `{near}`?")),
        }),
    }
}

fn of_one_vehicle<'a>(
    vehicle: &str,
    runs: impl Iterator<Item = &'a str>,
    sessions: &[Arc<Session>],
    unusable: &[UnusableSession],
) -> Result<CampaignSessions, CampaignError> {
    let of_vehicle = || sessions.iter().filter(|s| s.manifest.vehicle == vehicle);
    let name = |s: &Arc<Session>| s.manifest.run.as_ref().map(|r| r.run.clone());
    let known: BTreeSet<String> = of_vehicle().filter_map(name).collect();
    let mut of_campaign = CampaignSessions { sessions: Vec::new(), missing: Vec::new(), unnamed: Vec::new() };
    for run in runs {
        let mut found = of_vehicle().filter(|s| name(s).as_deref() == Some(run));
        match (found.next(), found.next()) {
            (Some(session), None) => of_campaign.sessions.push(Arc::clone(session)),
            (Some(first), Some(second)) => {
                return Err(CampaignError::TwoSessions {
                    run: run.to_owned(),
                    first: first.manifest.session.clone(),
                    second: second.manifest.session.clone(),
                });
            }
            (None, _) => match missing(run, unusable) {
                Some(reason) => of_campaign.missing.push(MissingRun { id: run.to_owned(), reason }),
                None => {
                    return Err(CampaignError::UnknownRun {
                        run: run.to_owned(),
                        vehicle: vehicle.to_owned(),
                        hint: hint(run, &known),
                    });
                }
            },
        }
    }
    Ok(of_campaign)
}

fn unnamed(campaign: &Campaign, named: &[Arc<Session>], sessions: &[Arc<Session>]) -> Vec<String> {
    let starts = || named.iter().map(|s| s.manifest.start_us);
    let Some((first, last)) = starts().min().zip(starts().max()) else { return Vec::new() };
    let routes = || campaign.blocks.iter().filter_map(|b| b.route.as_ref()).chain([&campaign.route]);
    let of_campaign: BTreeSet<&str> = campaign.runs().collect();
    let other =
        |s: &&Arc<Session>| s.manifest.vehicle == campaign.vehicle && (first..=last).contains(&s.manifest.start_us);
    let name = |s: &Arc<Session>| {
        let sheet = s.manifest.run.as_ref()?;
        let is_other = routes().any(|r| *r == sheet.route) && !of_campaign.contains(sheet.run.as_str());
        is_other.then(|| sheet.run.clone())
    };
    let mut found: Vec<String> = sessions.iter().filter(other).filter_map(name).collect();
    found.sort();
    found
}

/// Why a run may have no session, where an unusable one explains it.
fn missing(run: &str, unusable: &[UnusableSession]) -> Option<String> {
    if let Some(session) = unusable.iter().find(|u| u.run.as_deref() == Some(run)) {
        return Some(format!("its session {} cannot be used: {}", session.session, session.reason));
    }
    let unknown: Vec<&str> = unusable.iter().filter(|u| u.run.is_none()).map(|u| u.session.as_str()).collect();
    (!unknown.is_empty()).then(|| {
        format!("no usable session has its run sheet; the manifest of session {} cannot be used", unknown.join(", "))
    })
}

fn hint(run: &str, known: &BTreeSet<String>) -> String {
    match nearest(run, known.iter().map(String::as_str)) {
        Some(near) => format!("; did you mean `{near}`?"),
        None if known.is_empty() => "; it has no session with a run sheet".to_owned(),
        None => format!("; it has {}", known.iter().cloned().collect::<Vec<_>>().join(", ")),
    }
}

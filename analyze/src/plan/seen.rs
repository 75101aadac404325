//! What has been driven of a campaign so far: which runs are there, which count, and how much they spread.

use std::sync::Arc;

use polars::prelude::PolarsResult;
use serde::Serialize;
use tallywheel_schemas::{Campaign, Condition, campaign::Design, report::UnusableSession};

use super::power::Comparing;
use crate::{
    campaign_runs::CampaignError,
    dataset::Session,
    effect::{estimate, paired::PAIRS_FOR_DRIFT},
    ledger::SessionLedger,
    observation::{Observation, units},
    observed::observations,
    run::{Admission, RunFacts, admit, waits_for_partner},
};

/// State of one run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state", content = "reason")]
pub enum RunState {
    /// Driven, and it counts.
    Valid,
    /// Driven and good, but the other run of its pair is missing or does not count.
    Waiting(String),
    /// Driven, but a rule or a person excludes it.
    Excluded(String),
    /// Its session cannot be used.
    Unusable(String),
    /// No session has its run sheet.
    Missing,
}

/// One run of the campaign.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RunSeen {
    /// Name.
    pub run: String,
    /// Assist on or off.
    pub condition: Condition,
    /// What is known of it.
    #[serde(flatten)]
    pub state: RunState,
}

/// The sessions of a campaign's runs, as far as there are any.
///
/// # Errors
/// When two sessions claim to be the same run.
pub fn sessions_so_far(campaign: &Campaign, sessions: &[Arc<Session>]) -> Result<Vec<Arc<Session>>, CampaignError> {
    let mut found = Vec::new();
    for run in campaign.runs() {
        let named = |s: &&Arc<Session>| {
            s.manifest.vehicle == campaign.vehicle && s.manifest.run.as_ref().is_some_and(|r| r.run == run)
        };
        let mut of_run = sessions.iter().filter(named);
        match (of_run.next(), of_run.next()) {
            (Some(first), Some(second)) => {
                return Err(CampaignError::TwoSessions {
                    run: run.to_owned(),
                    first: first.manifest.session.clone(),
                    second: second.manifest.session.clone(),
                });
            }
            (Some(one), None) => found.push(Arc::clone(one)),
            (None, _) => {}
        }
    }
    Ok(found)
}

/// Everything seen so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Every run of the campaign, in its order.
    pub runs: Vec<RunSeen>,
    /// How the units compare, where this design can be planned from its own runs.
    pub comparing: Option<Comparing>,
    /// Pairs of which both runs count, or runs that count in the smaller condition.
    pub units: u32,
    /// Mean log ratio so far. Nobody may see it before a planned look.
    pub log_ratio: Option<f64>,
    /// Standard deviation of the log ratios of pairs, or of the log consumptions pooled over the conditions.
    pub spread: Option<f64>,
}

impl Seen {
    /// Judges what there is by the campaign's rules. `ledgers` are those of [`sessions_so_far`].
    ///
    /// # Errors
    /// When a ledger's frame lacks its columns.
    pub fn of(campaign: &Campaign, ledgers: &[SessionLedger], unusable: &[UnusableSession]) -> PolarsResult<Self> {
        let sheeted = ledgers.iter().filter_map(|l| Some((l.session.manifest.run.as_ref()?, l)));
        let facts = sheeted.map(|(sheet, l)| RunFacts::of(sheet, l)).collect::<PolarsResult<Vec<_>>>()?;
        let admitted = admit(campaign, &facts);
        let place = |name: &str| facts.iter().position(|f| f.sheet.run == name);
        let seen = |(name, condition): (&String, Condition)| RunSeen {
            run: name.clone(),
            condition,
            state: match place(name) {
                Some(i) => state(&admitted[i]),
                None => absent(name, unusable),
            },
        };
        let listed = (campaign.baseline.iter().map(|n| (n, Condition::Baseline)))
            .chain(campaign.assist.iter().map(|n| (n, Condition::Assist)));
        let found = summary(campaign, &observations(campaign, &facts, &admitted, &[]));
        Ok(Self {
            runs: listed.map(seen).collect(),
            // Runs that agree to the last digit are copies, not measurements.
            spread: found.spread.filter(|s| *s > 0.0),
            ..found
        })
    }
}

/// What the verdict's own method says of the runs that count: freed from a drift and adjusted as the campaign has it, so that
/// a look shows the number that is decided on.
fn summary(campaign: &Campaign, observations: &[Observation]) -> Seen {
    let nothing = Seen { runs: Vec::new(), comparing: None, units: 0, log_ratio: None, spread: None };
    if !matches!(campaign.design, Design::Paired | Design::Unpaired) {
        return nothing;
    }
    let n = units(campaign.design, observations);
    let effect = estimate(campaign, observations).effect;
    // All pairs in one order tell no drift, and none is taken out.
    let in_turn = effect.as_ref().and_then(|e| e.degrees_of_freedom).is_none_or(|df| df < n as f64 - 1.0);
    let comparing = match campaign.design {
        Design::Unpaired => Comparing::Groups,
        _ if n < PAIRS_FOR_DRIFT || in_turn => Comparing::PairsInTurn,
        _ => Comparing::Pairs,
    };
    Seen {
        comparing: Some(comparing),
        units: count(n),
        log_ratio: effect.as_ref().map(|e| e.log_ratio),
        spread: effect.and_then(|e| e.spread),
        ..nothing
    }
}

fn count(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

fn state(admission: &Admission) -> RunState {
    match &admission.reason {
        _ if admission.used => RunState::Valid,
        Some(reason) if waits_for_partner(admission) => RunState::Waiting(reason.clone()),
        reason => RunState::Excluded(reason.clone().unwrap_or_default()),
    }
}

fn absent(name: &str, unusable: &[UnusableSession]) -> RunState {
    match unusable.iter().find(|u| u.run.as_deref() == Some(name)) {
        Some(u) => RunState::Unusable(format!("session {} cannot be used: {}", u.session, u.reason)),
        None => RunState::Missing,
    }
}

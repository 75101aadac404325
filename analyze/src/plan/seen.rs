//! What has been driven of a campaign so far: which runs are there, which count, and how much they spread.

use std::sync::Arc;

use polars::prelude::PolarsResult;
use serde::Serialize;
use tallywheel_schemas::{Campaign, Condition, campaign::Design, report::UnusableSession};

use super::power::Comparing;
use crate::{
    campaign_runs::CampaignError,
    dataset::Session,
    ledger::SessionLedger,
    run::{Admission, RunFacts, admit, waits_for_partner},
    stats::{Sample, pooled_sd},
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
        let consumption = |name: &String| {
            let i = place(name)?;
            facts[i].l_per_100km().filter(|_| admitted[i].used).map(f64::ln)
        };
        let (comparing, units, log_ratio, spread) = match campaign.design {
            Design::Paired => paired(campaign, &consumption),
            Design::Unpaired => unpaired(campaign, &consumption),
            Design::Blocked | Design::Control | Design::BeforeAfter => (None, 0, None, None),
        };
        Ok(Self {
            runs: listed.map(seen).collect(),
            comparing,
            units,
            log_ratio,
            // Runs that agree to the last digit are copies, not measurements.
            spread: spread.filter(|s| *s > 0.0),
        })
    }
}

type Summary = (Option<Comparing>, u32, Option<f64>, Option<f64>);

fn paired(campaign: &Campaign, log_consumption: &dyn Fn(&String) -> Option<f64>) -> Summary {
    let ratio =
        |p: &tallywheel_schemas::campaign::Pair| Some(log_consumption(&p.baseline)? - log_consumption(&p.assist)?);
    let ratios: Vec<f64> = campaign.pairs.iter().filter_map(ratio).collect();
    let sample = Sample::of(&ratios);
    (Some(Comparing::Pairs), count(ratios.len()), sample.map(|s| s.mean), sample.and_then(|s| s.sd))
}

fn unpaired(campaign: &Campaign, log_consumption: &dyn Fn(&String) -> Option<f64>) -> Summary {
    let of = |names: &[String]| names.iter().filter_map(log_consumption).collect::<Vec<f64>>();
    let (b, a) = (of(&campaign.baseline), of(&campaign.assist));
    let units = count(b.len().min(a.len()));
    let Some((b, a)) = Sample::of(&b).zip(Sample::of(&a)) else {
        return (Some(Comparing::Groups), units, None, None);
    };
    (Some(Comparing::Groups), units, Some(b.mean - a.mean), pooled_sd(&b, &a).filter(|s| s.is_finite()))
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

//! What a report was made from: every input by its hash, versions, options, seeds, rules and people's decisions.
//!
//! No path outside the dataset and no clock is among it, so that the same inputs give the same bytes anywhere.

use std::collections::BTreeSet;

use tallywheel_schemas::{
    Campaign, Digest, LEDGER_VERSION,
    campaign::CAMPAIGN_VERSION,
    manifest::MANIFEST_VERSION,
    report::{CrossCheck, InputKind, InputRecord, PersonDecision, Provenance, REPORT_VERSION},
    rig::RIG_VERSION,
};

use crate::{assemble::source_name, dataset::Session, explain::corrections, ledger::SessionLedger, run::RunFacts};

/// Draws up the provenance of a campaign's runs. `aside` are those of its control vehicle, or of vehicles without kit: the
/// result rests on them as well. `checks` are the cross-checks that were made.
pub fn provenance(
    campaign: &Campaign,
    runs: &[RunFacts<'_>],
    aside: &[RunFacts<'_>],
    checks: &[CrossCheck],
) -> Provenance {
    let all = || runs.iter().chain(aside);
    let distinct = |name: &dyn Fn(&RunFacts<'_>) -> String| -> Vec<String> {
        all().map(name).collect::<BTreeSet<_>>().into_iter().collect()
    };
    let sessions: Vec<&Session> = all().map(|r| &*r.ledger.session).collect();
    let campaign_blake3 = Digest::of(campaign.text.as_bytes()).to_string();
    let mut inputs = vec![InputRecord {
        kind: InputKind::Campaign,
        name: campaign.name.clone(),
        run: None,
        blake3: campaign_blake3.clone(),
    }];
    add(&mut inputs, sessions.iter().copied());
    let mut versions = vec![
        format!("report {REPORT_VERSION}"),
        format!("ledger {LEDGER_VERSION}"),
        format!("campaign {CAMPAIGN_VERSION}"),
        format!("rig {RIG_VERSION}"),
        format!("manifest {MANIFEST_VERSION}"),
    ];
    versions.extend(distinct(&|r| format!("sessions sealed by {}", r.ledger.session.manifest.software)));
    Provenance {
        software: format!("tallywheel-analyze {}", env!("CARGO_PKG_VERSION")),
        ledger_version: LEDGER_VERSION,
        campaign_blake3,
        rigs_blake3: distinct(&|r| r.ledger.session.rig.digest().to_string()),
        distance_source: distinct(&|r| source_name(r.ledger.findings.distance_source)),
        fuel_source: distinct(&|r| r.fuel_measure.map_or("none", |m| m.name()).to_owned()),
        rules: rules(campaign),
        versions,
        options: distinct(&|r| format!("bin width = {} s", r.ledger.findings.bin_s())),
        seeds: seeds(campaign, checks),
        inputs,
        decisions: decisions(campaign, &sessions),
    }
}

/// Adds the charging sessions, which the account rests on.
pub fn add_charging(provenance: &mut Provenance, charging: &[SessionLedger]) {
    add(&mut provenance.inputs, charging.iter().map(|ledger| &*ledger.session));
}

/// Adds the inputs of some sessions; a rig that several share stands once.
fn add<'s>(inputs: &mut Vec<InputRecord>, sessions: impl Iterator<Item = &'s Session>) {
    for input in sessions.flat_map(inputs_of) {
        if input.kind != InputKind::Rig || !inputs.contains(&input) {
            inputs.push(input);
        }
    }
}

fn inputs_of(session: &Session) -> Vec<InputRecord> {
    let m = &session.manifest;
    let run = m.run.as_ref().map(|r| r.run.clone());
    let record =
        |kind, name: String, blake3: Digest| InputRecord { kind, name, run: run.clone(), blake3: blake3.to_string() };
    let companions = session.companions().into_iter().map(|(kind, path, digest)| record(kind, path, digest));
    let rig = InputRecord { run: None, ..record(InputKind::Rig, m.rig.file.clone(), m.rig.blake3) };
    let tables = m.files.iter().map(|f| record(InputKind::Table, f.path.clone(), f.blake3));
    companions.chain([rig]).chain(tables).collect()
}

fn decisions(campaign: &Campaign, sessions: &[&Session]) -> Vec<PersonDecision> {
    let overrides = campaign.overrides.iter().map(|o| PersonDecision {
        what: if o.r#use { "counts" } else { "does not count" }.to_owned(),
        run: Some(o.run.clone()),
        by: o.by.clone(),
        date: o.date.clone(),
        reason: o.reason.clone(),
    });
    let fuel = campaign.fuel_decision.iter().map(|d| PersonDecision {
        what: format!("fuel is taken from “{}”", d.trust.name()),
        run: None,
        by: d.by.clone(),
        date: d.date.clone(),
        reason: d.reason.clone(),
    });
    overrides.chain(fuel).chain(sessions.iter().flat_map(|s| corrections(s))).collect()
}

/// Every limit with its value.
fn rules(campaign: &Campaign) -> Vec<String> {
    campaign.rules.values().map(|(name, value)| format!("{name} = {value}")).collect()
}

/// Seeds of everything that was drawn: the order of driving, and the bootstrap where one was made.
fn seeds(campaign: &Campaign, checks: &[CrossCheck]) -> Vec<String> {
    let order = campaign.plan.iter().map(|plan| format!("order of driving = {}", plan.seed));
    let drawn = checks.iter().filter(|c| c.mileage_percent.is_some());
    let bootstrap = drawn.filter_map(|c| Some(format!("bootstrap = {} ({} resamples)", c.seed?, c.resamples?)));
    order.chain(bootstrap).collect()
}

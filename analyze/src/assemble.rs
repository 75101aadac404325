//! The stages joined: a campaign and its ledgers in, a report out.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Campaign, Condition, RunSheet,
    report::{
        Decision, EnergyAccount, Improvement, MileageByCondition, MissingRun, REPORT_VERSION, Report, RunResult,
        UnusableSession, Verdict,
    },
    units::mpg_us_from_l_per_100km,
};

use crate::{
    budget::{self, Spread},
    comparison::{LogRatio, comparability, conversion_difference, log_ratio, pairs, unchecked_assist},
    energy::{self, AccountInput, Charging},
    figure::{fixed, signed},
    fuel_check,
    ledger::SessionLedger,
    mileage,
    provenance::provenance,
    run::{Admission, RunFacts, admit},
    tally::Tally,
    thermal, uncertainty, verdict,
};

/// A report and the facts it was drawn from, for plots.
#[derive(Debug)]
pub struct Comparison<'a> {
    /// The report.
    pub report: Report,
    /// Runs in campaign order.
    pub runs: Vec<RunFacts<'a>>,
}

impl Comparison<'_> {
    /// States what could not be looked at: runs without a usable session, and sessions that cannot be used.
    pub fn leave_out(&mut self, missing: Vec<MissingRun>, unusable: Vec<UnusableSession>) {
        let reason = |run: &MissingRun| format!("run {} is missing: {}", run.id, run.reason);
        self.report.verdict.reasons.extend(missing.iter().map(reason));
        self.report.missing_runs = missing;
        self.report.unusable_sessions = unusable;
    }
}

/// Compares a campaign's runs.
///
/// `ledgers` are those of the campaign's runs in campaign order, each with a run sheet; `charging` sums the
/// vehicle's charging sessions.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn compare<'a>(
    campaign: &Campaign,
    ledgers: &'a [SessionLedger],
    charging: Charging,
) -> PolarsResult<Comparison<'a>> {
    let sheeted = ledgers.iter().filter_map(|l| Some((l.session.manifest.run.as_ref()?, l)));
    let runs =
        sheeted.map(|(sheet, ledger): (&RunSheet, _)| RunFacts::of(sheet, ledger)).collect::<PolarsResult<Vec<_>>>()?;
    let runs = fuel_check::settled(campaign, runs)?;
    let admitted = admit(campaign, &runs);
    let used = |condition: Condition| -> Vec<&RunFacts<'_>> {
        let counts = |(run, a): &(&RunFacts<'_>, &Admission)| a.used && run.sheet.condition == condition;
        runs.iter().zip(&admitted).filter(counts).map(|(run, _)| run).collect()
    };
    let (baseline, assist) = (used(Condition::Baseline), used(Condition::Assist));
    let ratio = log_ratio(campaign, &runs, &admitted);
    let compared = comparability(campaign, &baseline, &assist);
    let mut obstacles: Vec<String> =
        compared.iter().filter(|c| c.alike == Some(false)).map(verdict::difference).collect();
    obstacles.extend(conversion_difference(&baseline, &assist));
    let fuel_check = fuel_check::check(campaign, &runs, &admitted)?;
    obstacles.extend(fuel_check.obstacles.iter().cloned());
    let mut verdict = verdict::decide(campaign.claim_percent, ratio.as_ref(), obstacles, campaign.confidence);
    verdict.reasons.extend(unchecked_assist(&baseline, &assist));
    verdict.reasons.extend(fuel_check::decided(&fuel_check));
    let by_condition =
        MileageByCondition { baseline: mileage::of_runs(&baseline)?, assist: mileage::of_runs(&assist)? };
    let improvement = improvement(campaign, ratio.as_ref(), &by_condition);
    let energy = account(campaign, &by_condition, &assist, &runs, charging);
    verdict.reasons.extend(energy.reservation.clone());
    let spread = ratio.as_ref().and_then(|r| Spread::of(r, campaign.confidence));
    let budget = budget::draw_up(&baseline, &assist, spread.as_ref(), &energy, campaign.confidence)?;
    let driven = runs.iter().filter(|r| r.sheet.condition == Condition::Assist).map(|r| r.ledger);
    let report = Report {
        schema: REPORT_VERSION,
        name: campaign.name.clone(),
        vehicle: campaign.vehicle.clone(),
        route: campaign.route.clone(),
        answer: answer(campaign, &verdict, ratio.as_ref(), &energy),
        improvement,
        thermal: thermal::exposure(driven)?,
        runs: runs.iter().zip(&admitted).map(|(r, a)| run_result(r, a)).collect(),
        missing_runs: Vec::new(),
        unusable_sessions: Vec::new(),
        pairs: pairs(campaign, &runs, &admitted),
        comparability: compared,
        stretches: mileage::stretches(&assist)?,
        speed_bins: mileage::speed_bins(&baseline, &assist)?,
        fuel_check,
        budget,
        provenance: provenance(campaign, &runs),
        mileage: by_condition,
        energy,
        verdict,
    };
    Ok(Comparison { report, runs })
}

fn improvement(campaign: &Campaign, ratio: Option<&LogRatio>, mileage: &MileageByCondition) -> Improvement {
    let both = mileage.baseline.as_ref().zip(mileage.assist.as_ref());
    Improvement {
        mileage_percent: ratio.map(LogRatio::mileage_percent),
        fuel_saved_percent: ratio.map(LogRatio::fuel_saved_percent),
        confidence: campaign.confidence,
        method: ratio.map_or("no usable run in at least one condition", LogRatio::method).to_owned(),
        spread: ratio.and_then(|r| r.spread),
        degrees_of_freedom: ratio.and_then(|r| r.degrees_of_freedom),
        distance_weighted_percent: both.map(|(b, a)| (b.l_per_100km / a.l_per_100km - 1.0) * 100.0),
        calibration_relative: both
            .map_or(0.0, |(b, a)| b.relative_expanded_uncertainty.max(a.relative_expanded_uncertainty) / 2.0),
    }
}

fn account(
    campaign: &Campaign,
    mileage: &MileageByCondition,
    assist: &[&RunFacts<'_>],
    runs: &[RunFacts<'_>],
    charging: Charging,
) -> EnergyAccount {
    // Energy over a distance that it was not recorded for would flatter the kit.
    let known: Vec<&RunFacts<'_>> =
        assist.iter().copied().filter(|r| r.pack_coverage >= campaign.rules.min_coverage).collect();
    let whole: Tally = known.iter().map(|r| r.tally).collect();
    let left_out: Vec<&str> =
        assist.iter().filter(|r| r.pack_coverage < campaign.rules.min_coverage).map(|r| r.sheet.run.as_str()).collect();
    let rig = assist.first().copied().or(runs.first()).map(|run| &run.ledger.session.rig);
    energy::account(&AccountInput {
        runs: u32::try_from(known.len()).unwrap_or(u32::MAX),
        reservation: (!left_out.is_empty()).then(|| {
            format!("pack voltage and current do not cover run {}, left out of the account", left_out.join(", "))
        }),
        assist: &whole,
        baseline_l_per_100km: mileage.baseline.as_ref().map(|m| m.l_per_100km),
        charging,
        account: &campaign.account,
        pack: &rig.map(|r| r.pack.clone()).unwrap_or_default(),
        relative_uncertainty: rig.map_or(0.0, |r| uncertainty::pack_energy(r, &whole)),
    })
}

/// The report's first sentence. Where the pack gave more than it took back, it says so in the same breath.
fn answer(campaign: &Campaign, verdict: &Verdict, ratio: Option<&LogRatio>, energy: &EnergyAccount) -> String {
    let claim = format!("the claim of {} % on the {}", signed(campaign.claim_percent, 0), campaign.route);
    let decided = match verdict.decision {
        Decision::Supported => format!("{claim} is supported"),
        Decision::NotSupported => format!("{claim} is not supported"),
        Decision::Undecided => format!("{claim} is not yet decided"),
        Decision::Withheld => format!("no verdict is given on {claim}"),
    };
    let Some(ratio) = ratio else { return format!("{}.", capitalised(&decided)) };
    let i = ratio.mileage_percent();
    let interval = match (i.low, i.high) {
        (Some(low), Some(high)) => format!(
            " ({} % interval {} to {} %)",
            fixed(campaign.confidence * 100.0, 0),
            signed(low, 1),
            signed(high, 1)
        ),
        _ => String::new(),
    };
    format!(
        "{}: with the assist on, mileage changed by {} %{interval}{}.",
        capitalised(&decided),
        signed(i.estimate, 1),
        electricity(energy)
    )
}

fn electricity(energy: &EnergyAccount) -> String {
    let Some(per_km) = energy.per_km_wh else { return "; the electricity that this takes was not recorded".to_owned() };
    if per_km <= 0.5 {
        return String::new();
    }
    let wall = match energy.wall_per_km_wh {
        Some(wall) => format!("{} kWh from the wall", fixed(wall / 10.0, 1)),
        None => format!("{} kWh from the pack (charging was not measured)", fixed(per_km / 10.0, 1)),
    };
    let range = energy
        .distance_on_pack_km
        .map_or_else(String::new, |km| format!(", and lasts for about {} km on one charge", fixed(km, 0)));
    format!("; this takes {wall} per 100 km{range}")
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

fn run_result(run: &RunFacts<'_>, admission: &Admission) -> RunResult {
    let (session, consumption) = (&run.ledger.session, run.l_per_100km());
    let manifest = &session.manifest;
    RunResult {
        id: run.sheet.run.clone(),
        session: manifest.session.clone(),
        condition: run.sheet.condition,
        used: admission.used,
        reason: admission.reason.clone(),
        start: manifest.start_us.to_string(),
        duration_s: manifest.end_us.seconds_since(manifest.start_us),
        distance_km: run.tally.distance_km(),
        fuel_l: run.tally.fuel_ml.map(|ml| ml / 1000.0),
        l_per_100km: consumption,
        mpg_us: consumption.map(mpg_us_from_l_per_100km),
        coverage: run.coverage,
        speed_mean_km_h: run.speed_mean_m_s.map(|v| v * 3.6),
        idle_share: run.idle_share,
        assist_share: run.assist_share,
        pack_out_kwh: run.tally.pack_out_wh.map(|wh| wh / 1000.0),
        pack_in_kwh: run.tally.pack_in_wh.map(|wh| wh / 1000.0),
        soc_start_pct: run.soc_pct.0,
        soc_end_pct: run.soc_pct.1,
        ambient_c: run.ambient_c,
        wind_m_s: run.wind_m_s,
        payload_kg: run.sheet.payload_kg,
        winding_peak_c: run.winding_peak_c,
        bad_messages: run.bad_messages,
        notes: run.notes.clone(),
        content_blake3: session.digest.to_string(),
    }
}

/// A source in the word the rig uses for it.
pub fn source_name<S: serde::Serialize>(source: Option<S>) -> String {
    let value = source.and_then(|s| serde_json::to_value(s).ok());
    value.and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_else(|| "none".to_owned())
}

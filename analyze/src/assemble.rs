//! The stages joined: a campaign and its ledgers in, a report out.

mod choices;
mod scrutiny;

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Campaign, Condition, RunSheet, Units,
    campaign::{Design, Rules},
    report::{
        Improvement, MileageByCondition, MissingRun, REPORT_VERSION, Report, RunResult, UnusableSession, VehicleResult,
    },
    units::mpg_us_from_l_per_100km,
};

use crate::{
    account::{self, AccountInput, Charging},
    answer::answer,
    budget::{self, Spread},
    comparison::{conversion_difference, idle_assist, pairs, renewed_calibrations, unchecked_assist},
    effect::{self, cross_check::disagreement},
    fuel_check, in_service,
    judgement::{Judgement, Systematic, judge},
    ledger::SessionLedger,
    likeness::{self, Assessment},
    mileage,
    observation::Observation,
    observed,
    passes::admit_passes,
    provenance::provenance,
    run::{Admission, RunFacts, admit},
    thermal,
};

/// A report and the facts it was drawn from, for plots.
#[derive(Debug)]
pub struct Comparison<'a> {
    /// The report.
    pub report: Report,
    /// Runs in campaign order.
    pub runs: Vec<RunFacts<'a>>,
    /// Runs of the control vehicle, or of vehicles that never got the kit.
    pub aside: Vec<RunFacts<'a>>,
}

impl Comparison<'_> {
    /// States what was not looked at: runs without a usable session, sessions that cannot be used, and runs that the
    /// campaign does not name.
    pub fn leave_out(&mut self, missing: Vec<MissingRun>, unusable: Vec<UnusableSession>, unnamed: &[String]) {
        let reason = |run: &MissingRun| format!("run {} is missing: {}", run.id, run.reason);
        self.report.verdict.reasons.extend(missing.iter().map(reason));
        if !unnamed.is_empty() {
            self.report.verdict.reasons.push(format!(
                "the campaign does not name run {}, driven on its route between its first run and its last",
                unnamed.join(", ")
            ));
        }
        self.report.missing_runs = missing;
        self.report.unlisted_runs = unnamed.to_vec();
        self.report.unusable_sessions = unusable;
    }
}

/// Compares a campaign's runs.
///
/// `ledgers` are those of the campaign's runs in campaign order, each with a run sheet, and those of its control
/// vehicle; `charging` sums the vehicle's charging sessions.
///
/// Where the campaign's limits are not the defaults, the same recordings are judged by these as well, and the reasons
/// say what comes out.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub fn compare<'a>(
    campaign: &Campaign,
    ledgers: &'a [SessionLedger],
    charging: Charging,
) -> PolarsResult<Comparison<'a>> {
    let mut comparison = assembled(campaign, ledgers, charging)?;
    if let Some(limits) = choices::changed_limits(&campaign.rules) {
        let usual = Campaign { rules: Rules::default(), ..campaign.clone() };
        let usual = choices::outcome(&assembled(&usual, ledgers, charging)?.report);
        comparison.report.verdict.reasons.push(format!("{limits}; with the defaults {usual}"));
    }
    Ok(comparison)
}

/// A campaign compared by its own limits.
fn assembled<'a>(
    campaign: &Campaign,
    ledgers: &'a [SessionLedger],
    charging: Charging,
) -> PolarsResult<Comparison<'a>> {
    let sheeted = ledgers.iter().filter_map(|l| Some((l.session.manifest.run.as_ref()?, l)));
    let all =
        sheeted.map(|(sheet, ledger): (&RunSheet, _)| RunFacts::of(sheet, ledger)).collect::<PolarsResult<Vec<_>>>()?;
    let (aside, runs): (Vec<_>, Vec<_>) = all.into_iter().partition(|run| stands_aside(campaign, run));
    let runs = fuel_check::settled(campaign, runs)?;
    let aside = fuel_check::settled_aside(campaign, aside)?;
    let Counted { admitted, admitted_aside, vehicles, observations } = Counted::of(campaign, &runs, &aside)?;
    let used = |condition: Condition| -> Vec<&RunFacts<'_>> {
        let counts = |(run, a): &(&RunFacts<'_>, &Admission)| a.used && run.sheet.condition == condition;
        runs.iter().zip(&admitted).filter(counts).map(|(run, _)| run).collect()
    };
    let (baseline, assist) = (used(Condition::Baseline), used(Condition::Assist));
    let Assessment { rows: compared, mut obstacles, reservation, likeness } =
        likeness::assess(campaign, &runs, &admitted)?;
    obstacles.extend(scrutiny::obstacles(campaign, &runs, &admitted));
    obstacles.extend(conversion_difference(&baseline, &assist));
    let fuel_check = fuel_check::check(campaign, &runs, &admitted)?;
    obstacles.extend(fuel_check.obstacles.iter().cloned());
    obstacles.extend(fuel_check::obstacles_aside(campaign, &aside, &admitted_aside)?);
    let by_condition =
        MileageByCondition { baseline: mileage::of_runs(&baseline)?, assist: mileage::of_runs(&assist)? };
    let account_input = AccountInput {
        campaign,
        mileage: &by_condition,
        baseline: &baseline,
        assist: &assist,
        rig: assist.first().copied().or(runs.first()).map(|run| &*run.ledger.session.rig),
        charging,
    };
    let mut energy = account::account(&account_input)?;
    obstacles.extend(account::baseline_on_the_pack(&energy.net_energy));
    let spread = effect::estimate(campaign, &observations).effect.as_ref().and_then(Spread::of);
    let budget = budget::draw_up(&baseline, &assist, spread.as_ref(), &energy, campaign.confidence)?;
    let calibrations = budget.gain_with_electricity_from_calibrations;
    energy.petrol_equivalent_gain = account::equivalent_gain(&account_input, &energy, &observations, calibrations);
    let systematic = budget::systematic(&budget).map_or_else(Systematic::default, |(u, df)| Systematic {
        relative_standard_uncertainty: u,
        degrees_of_freedom: df,
    });
    let usual_confidence = choices::with_usual_confidence(campaign, &observations, &systematic, &obstacles);
    let mut judgement = judge(campaign, &observations, &systematic, obstacles);
    judgement.parts.vehicles = vehicles;
    let mut verdict = judgement.verdict.clone();
    verdict.reasons.extend(reservation);
    verdict.reasons.extend(scrutiny::reservation(campaign, &runs, &admitted));
    verdict.reasons.extend(unchecked_assist(&baseline, &assist));
    verdict.reasons.extend(renewed_calibrations(&baseline, &assist));
    verdict.reasons.extend(idle_assist(&campaign.rules, &assist));
    verdict.reasons.extend(fuel_check::decided(&fuel_check, &runs, &admitted));
    let others = fuel_check::overruled_measures(&fuel_check);
    verdict.reasons.extend(choices::by_other_fuel(campaign, &runs, &aside, &systematic, &others)?);
    let improvement = improvement(campaign, &judgement, &observations, &by_condition);
    verdict.reasons.extend(improvement.cross_checks.iter().filter_map(disagreement));
    verdict.reasons.extend(energy.reservation.clone());
    verdict.reasons.extend(choices::without_overrides(campaign, &runs, &aside, &systematic)?);
    verdict.reasons.extend(usual_confidence);
    let provenance = provenance(campaign, &runs, &aside, &improvement.cross_checks);
    let driven = runs.iter().filter(|r| r.sheet.condition == Condition::Assist).map(|r| r.ledger);
    let report = Report {
        schema: REPORT_VERSION,
        name: campaign.name.clone(),
        vehicle: campaign.vehicle.clone(),
        route: campaign.route.clone(),
        answer: answer(&campaign.route, &verdict, &improvement, &energy, Units::Metric),
        improvement,
        thermal: thermal::exposure(driven)?,
        runs: runs.iter().zip(&admitted).map(|(r, a)| run_result(r, a)).collect(),
        control_runs: aside.iter().zip(&admitted_aside).map(|(r, a)| run_result(r, a)).collect(),
        missing_runs: Vec::new(),
        unlisted_runs: Vec::new(),
        unusable_sessions: Vec::new(),
        pairs: pairs(campaign, &runs, &admitted),
        comparability: compared,
        likeness,
        stretches: mileage::stretches(&assist)?,
        speed_bins: mileage::speed_bins(&baseline, &assist)?,
        fuel_check,
        budget,
        provenance,
        mileage: by_condition,
        energy,
        verdict,
    };
    Ok(Comparison { report, runs, aside })
}

/// Which runs count, and what they come to.
struct Counted {
    admitted: Vec<Admission>,
    admitted_aside: Vec<Admission>,
    vehicles: Vec<VehicleResult>,
    observations: Vec<Observation>,
}

impl Counted {
    fn of(campaign: &Campaign, runs: &[RunFacts<'_>], aside: &[RunFacts<'_>]) -> PolarsResult<Self> {
        let mut admitted = admit(campaign, runs);
        let admitted_aside = admit_passes(campaign, runs, &mut admitted, aside);
        let (vehicles, observations) = if campaign.design == Design::BeforeAfter {
            let both = runs.iter().zip(&admitted).chain(aside.iter().zip(&admitted_aside));
            in_service::vehicles(campaign, both)?
        } else {
            (Vec::new(), observed::observations(campaign, runs, &admitted, aside))
        };
        Ok(Self { admitted, admitted_aside, vehicles, observations })
    }
}

/// Runs beside the vehicle under test: of the control vehicle, or of vehicles in service that never got the kit.
fn stands_aside(campaign: &Campaign, run: &RunFacts<'_>) -> bool {
    let vehicle = &run.ledger.session.manifest.vehicle;
    let never_fitted = campaign.in_service.iter().any(|v| v.name == *vehicle && v.installed.is_none());
    campaign.control_vehicle.as_ref() == Some(vehicle) || never_fitted
}

fn improvement(
    campaign: &Campaign,
    judgement: &Judgement,
    observations: &[Observation],
    mileage: &MileageByCondition,
) -> Improvement {
    let both = mileage.baseline.as_ref().zip(mileage.assist.as_ref());
    let effect = judgement.effect.as_ref();
    let percent = |interval| effect.map(|e| e.mileage_percent(interval));
    let combined = judgement.combined.as_ref();
    Improvement {
        mileage_percent: percent(judgement.interval),
        fuel_saved_percent: effect.map(|e| e.fuel_saved_percent(judgement.interval)),
        confidence: campaign.confidence,
        method: effect.map_or("no usable run in at least one condition", |e| e.method.as_str()).to_owned(),
        spread: effect.and_then(|e| e.spread),
        degrees_of_freedom: effect.and_then(|e| e.degrees_of_freedom),
        from_runs_percent: percent(effect.and_then(|e| e.interval(campaign.confidence))),
        from_calibrations_percent: percent(judgement.systematic_interval(campaign.confidence)),
        calibration_difference_relative: judgement.systematic.relative_standard_uncertainty,
        effective_degrees_of_freedom: combined.map(|c| c.degrees_of_freedom).filter(|df| df.is_finite()),
        coverage_factor: combined.and_then(|c| c.coverage_factor(campaign.confidence)),
        cross_checks: judgement.cross_checks(campaign, observations),
        parts: judgement.parts.clone(),
        distance_weighted_percent: both.map(|(b, a)| (b.l_per_100km / a.l_per_100km - 1.0) * 100.0),
        calibration_relative: both
            .map_or(0.0, |(b, a)| b.relative_expanded_uncertainty.max(a.relative_expanded_uncertainty) / 2.0),
    }
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

#[cfg(test)]
pub(crate) mod tests;

//! One run of a campaign: what its ledger says, and whether the rules let it count.

use polars::prelude::{DataFrame, PolarsResult};
use tallywheel_schemas::{
    Condition, RunSheet,
    campaign::{Block, Campaign, FuelMeasure, Override},
};

use crate::{
    columns, fuel_check,
    ledger::SessionLedger,
    likeness::{Driven, Standing, standings},
    tally::Tally,
    trips::{TripRules, whole_session},
};

/// What a run's ledger says.
#[derive(Debug, Clone)]
pub struct RunFacts<'a> {
    /// The run sheet.
    pub sheet: &'a RunSheet,
    /// The ledger.
    pub ledger: &'a SessionLedger,
    /// The ledger's rows, with the fuel by `fuel_measure`.
    pub bins: DataFrame,
    /// The measure that the run's fuel rests on; `None` where it has none.
    pub fuel_measure: Option<FuelMeasure>,
    /// Sums over the whole recording.
    pub tally: Tally,
    /// Share of the recording in which distance and fuel both have data.
    pub coverage: f64,
    /// Share of the recording in which pack voltage and current both have data.
    pub pack_coverage: f64,
    /// Distance over time, m/s.
    pub speed_mean_m_s: Option<f64>,
    /// Share of time at standstill.
    pub idle_share: Option<f64>,
    /// Share of the known time in which a motor drives.
    pub assist_share: Option<f64>,
    /// Share of the known time in which a motor regenerates.
    pub regen_share: Option<f64>,
    /// State of charge at start and end, %.
    pub soc_pct: (Option<f64>, Option<f64>),
    /// Mean outside temperature, °C: logged, else from the run sheet.
    pub ambient_c: Option<f64>,
    /// Mean wind, m/s: logged, else from the run sheet.
    pub wind_m_s: Option<f64>,
    /// Highest winding temperature of any motor, °C.
    pub winding_peak_c: Option<f64>,
    /// How it was driven.
    pub driven: Driven,
    /// Malformed messages in the recording.
    pub bad_messages: u64,
    /// What a reader should know, in sentences.
    pub notes: Vec<String>,
}

impl<'a> RunFacts<'a> {
    /// Reads the facts off a ledger.
    ///
    /// # Errors
    /// When the ledger's frames lack their columns.
    pub fn of(sheet: &'a RunSheet, ledger: &'a SessionLedger) -> PolarsResult<Self> {
        let bins = &ledger.bins;
        let tally = Tally::of(bins, ledger.findings.bin_s())?;
        let drive = whole_session(ledger, &TripRules::default());
        let manifest = &ledger.session.manifest;
        let covered = tally.distance_valid_s.min(tally.fuel_valid_s);
        Ok(Self {
            sheet,
            ledger,
            pack_coverage: if tally.duration_s > 0.0 {
                (tally.pack_valid_s / tally.recorded_s(manifest)).min(1.0)
            } else {
                0.0
            },
            coverage: if tally.duration_s > 0.0 { (covered / tally.recorded_s(manifest)).min(1.0) } else { 0.0 },
            speed_mean_m_s: tally
                .distance_m
                .filter(|_| tally.distance_valid_s > 0.0)
                .map(|m| m / tally.distance_valid_s),
            driven: Driven::of(ledger, drive.as_ref())?,
            idle_share: drive.and_then(|d| d.idle_share),
            assist_share: tally.assist_on_s.filter(|_| tally.assist_valid_s > 0.0).map(|s| s / tally.assist_valid_s),
            regen_share: columns::sum(bins, "regen_on_s")?
                .filter(|_| tally.assist_valid_s > 0.0)
                .map(|s| s / tally.assist_valid_s),
            soc_pct: (columns::first(bins, "soc_end_pct")?, columns::last(bins, "soc_end_pct")?),
            ambient_c: columns::mean(bins, "ambient_c")?.or(sheet.ambient_c),
            wind_m_s: columns::mean(bins, "wind_m_s")?.or(sheet.wind_m_s),
            winding_peak_c: columns::max(&ledger.motors, "winding_max_c")?,
            bad_messages: manifest.ports.iter().map(|p| p.bad + p.dropped + p.overruns).sum(),
            notes: notes(ledger),
            bins: bins.clone(),
            fuel_measure: ledger.findings.fuel_source.map(fuel_check::of_source),
            tally,
        })
        .and_then(Self::weighed_for_want_of_others)
    }

    /// A run whose fuel was only weighed rests on that.
    fn weighed_for_want_of_others(self) -> PolarsResult<Self> {
        let only = self.fuel_measure.is_none() && fuel_check::weighed_g(self.sheet).is_some();
        if only { self.resting_on(FuelMeasure::Weighed) } else { Ok(self) }
    }

    /// The run with its fuel by another measure; without fuel where it does not have that measure.
    ///
    /// # Errors
    /// When the ledger's frame lacks its columns.
    pub fn resting_on(mut self, measure: FuelMeasure) -> PolarsResult<Self> {
        let found = fuel_check::measured(&self, measure)?;
        self.bins = fuel_check::bins_by(&self, measure)?;
        self.tally.fuel_ml = fuel_check::fuel_ml(&self, measure)?;
        self.tally.fuel_valid_s = found.map_or(0.0, |m| m.covered_s);
        self.fuel_measure = found.map(|_| measure);
        if found.is_none() {
            self.notes.push(format!("fuel is to be taken from “{}”, which this run does not have", measure.name()));
        }
        let covered = self.tally.distance_valid_s.min(self.tally.fuel_valid_s);
        self.coverage = if self.tally.duration_s > 0.0 { (covered / self.recorded_s()).min(1.0) } else { 0.0 };
        Ok(self)
    }

    /// Length of the recording, s.
    pub fn recorded_s(&self) -> f64 {
        self.tally.recorded_s(&self.ledger.session.manifest)
    }

    /// Consumption, L/100 km.
    pub fn l_per_100km(&self) -> Option<f64> {
        self.tally.l_per_100km()
    }
}

impl Tally {
    /// Length of the recording, s. A bin at either end is covered only in part, so the manifest's stamps count
    /// where they are narrower than the bins.
    fn recorded_s(&self, manifest: &tallywheel_schemas::Manifest) -> f64 {
        manifest.end_us.seconds_since(manifest.start_us).clamp(f64::MIN_POSITIVE, self.duration_s)
    }
}

/// Gaps, resets and damage of a run, in sentences.
fn notes(ledger: &SessionLedger) -> Vec<String> {
    let manifest = &ledger.session.manifest;
    let mut notes = manifest.notes.clone();
    for gap in &manifest.gaps {
        let (port, cause) = (&gap.port, gap.cause.words());
        notes.push(match gap.length_s() {
            Some(seconds) => format!("port {port} gave nothing for {seconds:.1} s from {}: {cause}", gap.start_us),
            None => format!("port {port} gave nothing from {} on, for how long is unknown: {cause}", gap.start_us),
        });
    }
    for finding in ledger.findings.channels.iter().filter(|c| c.resets > 0) {
        notes.push(format!(
            "counter {} was reset {} times; those intervals are not counted",
            finding.channel, finding.resets
        ));
    }
    notes.extend(ledger.findings.notes.iter().cloned());
    notes.extend(ledger.findings.damage.iter().map(ToString::to_string));
    notes
}

/// Whether a run counts, and why not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Admission {
    /// It counts.
    pub used: bool,
    /// Broken rules, or the person who overruled them.
    pub reason: Option<String>,
}

/// Applies the campaign's rules and overrides to every run, then drops what is left of broken pairs.
pub fn admit(campaign: &Campaign, runs: &[RunFacts<'_>]) -> Vec<Admission> {
    let standings = standings(campaign, runs);
    let mut admissions: Vec<Admission> = runs
        .iter()
        .zip(&standings)
        .map(|(run, standing)| overruled(campaign, run, &broken_rules(campaign, run, standing)))
        .collect();
    let place = |name: &str| runs.iter().position(|r| r.sheet.run == name);
    for pair in &campaign.pairs {
        let (b, a) = (place(&pair.baseline), place(&pair.assist));
        for (one, partner) in [(b, a.is_none().then_some(&pair.assist)), (a, b.is_none().then_some(&pair.baseline))] {
            if let (Some(one), Some(partner)) = (one, partner)
                && admissions[one].used
            {
                let reason = Some(format!("{PARTNER} {partner} has no usable session"));
                admissions[one] = Admission { used: false, reason };
            }
        }
        let (Some(b), Some(a)) = (b, a) else { continue };
        for (one, other) in [(b, a), (a, b)] {
            if admissions[one].used && !admissions[other].used && !waits_for_partner(&admissions[other]) {
                let name = &runs[other].sheet.run;
                admissions[one] = Admission { used: false, reason: Some(format!("{PARTNER} {name} is excluded")) };
            }
        }
    }
    admissions
}

/// How the reason begins where a run is left out because of another.
pub(crate) const PARTNER: &str = "its partner";

/// Whether nothing is wrong with a run but that the other run of its pair is missing or excluded.
pub fn waits_for_partner(admission: &Admission) -> bool {
    admission.reason.as_deref().is_some_and(|r| r.starts_with(PARTNER))
}

/// What a person decided against the rules that a run breaks.
pub(crate) fn overruled(campaign: &Campaign, run: &RunFacts<'_>, broken: &[String]) -> Admission {
    let decision = campaign.overrides.iter().find(|o| o.run == run.sheet.run);
    // Nobody's word makes a run of the other condition out of it: its sums would count on both sides.
    let contradicted = run.sheet.condition != listed_as(campaign, run);
    match decision {
        Some(o) if o.r#use && contradicted => {
            Admission { used: false, reason: Some(format!("cannot be kept by {}: {}", o.by, broken.join("; "))) }
        }
        Some(o) => Admission { used: o.r#use, reason: Some(overruling(o, broken)) },
        None => Admission { used: broken.is_empty(), reason: (!broken.is_empty()).then(|| broken.join("; ")) },
    }
}

fn overruling(o: &Override, broken: &[String]) -> String {
    let verb = if o.r#use { "kept" } else { "excluded" };
    let against = if broken.is_empty() { String::new() } else { format!(" (rules broken: {})", broken.join("; ")) };
    format!("{verb} by {} on {}: {}{against}", o.by, o.date, o.reason)
}

/// The condition that the campaign lists a run under; that on its sheet where it does not list it.
pub(crate) fn listed_as(campaign: &Campaign, run: &RunFacts<'_>) -> Condition {
    if campaign.baseline.contains(&run.sheet.run) {
        Condition::Baseline
    } else if campaign.assist.contains(&run.sheet.run) {
        Condition::Assist
    } else {
        run.sheet.condition
    }
}

/// The route that a run is to be driven on: that of its block, or the campaign's.
pub(crate) fn route<'c>(campaign: &'c Campaign, run: &RunFacts<'_>) -> &'c str {
    let holds = |b: &&Block| b.baseline.iter().chain(&b.assist).any(|name| *name == run.sheet.run);
    campaign.blocks.iter().find(holds).and_then(|b| b.route.as_deref()).unwrap_or(&campaign.route)
}

/// Satellite distance over the chosen one minus 1, where the satellite speed covers nearly all of the recording.
pub(crate) fn gps_deviation(run: &RunFacts<'_>) -> Option<f64> {
    let gps = columns::sum(&run.ledger.bins, "gps_distance_m").ok().flatten()?;
    let wheel = run.tally.distance_m.filter(|m| *m > 0.0)?;
    let heard = run.ledger.findings.channels.iter().find(|c| c.channel == "motion.gps_speed_m_s")?;
    (heard.covered_s >= 0.98 * run.tally.distance_valid_s).then(|| gps / wheel - 1.0)
}

/// The rules that a run breaks, as reasons for the report.
fn broken_rules(campaign: &Campaign, run: &RunFacts<'_>, standing: &Standing) -> Vec<String> {
    let rules = &campaign.rules;
    let mut broken = Vec::new();
    let listed = listed_as(campaign, run);
    if run.sheet.condition != listed {
        broken.push(format!("listed as {}, but its run sheet says {}", listed.name(), run.sheet.condition.name()));
    }
    broken.extend(shared_faults(campaign, run));
    if run.l_per_100km().is_none() {
        return broken;
    }
    broken.extend(standing.breaks.iter().map(|b| b.reason.clone()));
    if let Some(off) = gps_deviation(run).filter(|off| off.abs() > rules.max_gps_deviation) {
        let limit = rules.max_gps_deviation * 100.0;
        broken
            .push(format!("satellite distance is {:+.1} % off the distance used, more than {limit:.1} %", off * 100.0));
    }
    match (listed, run.assist_share) {
        (Condition::Baseline, Some(share)) if share > rules.max_assist_share_baseline => {
            broken.push(format!("a motor drove for {:.1} % of a run meant to be without assist", share * 100.0));
        }
        (Condition::Assist, Some(share)) if share < rules.min_assist_share_assist => {
            broken.push(format!("a motor drove for only {:.1} % of a run meant to be with assist", share * 100.0));
        }
        _ => {}
    }
    if let Some(share) =
        run.regen_share.filter(|s| listed == Condition::Baseline && *s > rules.max_assist_share_baseline)
    {
        broken.push(format!("a motor braked for {:.1} % of a run meant to be without assist", share * 100.0));
    }
    broken
}

/// The rules that runs of any vehicle are under: route, damage, fuel and distance.
pub(crate) fn shared_faults(campaign: &Campaign, run: &RunFacts<'_>) -> Vec<String> {
    let (rules, route) = (&campaign.rules, route(campaign, run));
    let mut broken = Vec::new();
    if run.sheet.route != route {
        broken.push(format!("driven on route “{}”, not “{}”", run.sheet.route, route));
    }
    for damage in run.ledger.findings.damage.iter().filter(|d| d.rows > 0) {
        broken.push(damage.to_string());
    }
    if run.l_per_100km().is_none() {
        broken.push("no fuel or no distance was recorded".to_owned());
    } else if run.coverage < rules.min_coverage {
        let (got, least) = (run.coverage * 100.0, rules.min_coverage * 100.0);
        broken.push(format!("distance and fuel cover {got:.1} % of the recording, less than {least:.1} %"));
    }
    broken
}

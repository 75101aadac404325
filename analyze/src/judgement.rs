//! From the runs that count to the decision: the one path, for recorded and for simulated campaigns.
//!
//! Looks. A plan written before the first run names the counts at which the claim may be decided. Look `k` rests on
//! the first `looks[k]` units in the order of driving, however many more there are by now, and has its own share of the
//! allowed error ([`looks`]). The first look that decides, decides: when somebody reads a report, and how often, changes
//! nothing. Units beyond the last look show in the estimate and decide nothing; neither do units between two
//! looks. Lost units are replaced by later ones: a look is reached once so many usable units are there.
//!
//! Without a plan one look is taken for granted, at whatever is there, and the report says so: nobody can tell from
//! the data how often it was looked at.

mod combined;
mod further;

pub use combined::{Combined, Systematic};

use tallywheel_schemas::{
    campaign::Campaign,
    report::{CrossCheck, Decision, DesignParts, Interval, Look, Verdict},
};

use crate::{
    effect::{Effect, Estimated, cross_check, estimate, mileage_percent, spread_out},
    figure::{self, fixed, signed, stated},
    looks,
    observation::{Observation, first, units},
    verdict::{POWER, RULE, by_interval},
};

/// The decision, and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The decision and why.
    pub verdict: Verdict,
    /// The effect from all units; `None` when a condition is empty.
    pub effect: Option<Effect>,
    /// What belongs to the design.
    pub parts: DesignParts,
    /// Interval of the log ratio at the campaign's confidence from all units, both parts combined.
    pub interval: Option<(f64, f64)>,
    /// Both parts combined.
    pub combined: Option<Combined>,
    /// The calibrations' part.
    pub systematic: Systematic,
    /// Interval of the log ratio that decided or was looked at last, at that look's confidence.
    pub decision_interval: Option<(f64, f64)>,
    estimated: Estimated,
}

impl Judgement {
    /// Interval from the calibrations alone.
    pub fn systematic_interval(&self, confidence: f64) -> Option<(f64, f64)> {
        let (d, half) = (self.effect.as_ref()?.log_ratio, self.systematic.half_width(confidence)?);
        Some((d - half, d + half))
    }

    /// Other methods on all units.
    pub fn cross_checks(&self, campaign: &Campaign, observations: &[Observation]) -> Vec<CrossCheck> {
        let seed = campaign.plan.as_ref().map_or(0, |p| p.seed);
        cross_check::cross_checks(&self.estimated, observations, campaign.confidence, seed)
    }
}

/// Judges a campaign: [`Judge::judge`] for one set of runs.
pub fn judge(
    campaign: &Campaign,
    observations: &[Observation],
    systematic: &Systematic,
    obstacles: Vec<String>,
) -> Judgement {
    Judge::of(campaign).judge(observations, systematic, obstacles)
}

/// A campaign and the confidences of its looks, for judging many sets of runs.
#[derive(Debug)]
pub struct Judge<'c> {
    campaign: &'c Campaign,
    planned: Option<(Vec<u32>, Vec<f64>)>,
}

impl<'c> Judge<'c> {
    /// Works out the confidences of the campaign's looks.
    pub fn of(campaign: &'c Campaign) -> Self {
        let planned = campaign.plan.as_ref().map(|p| p.looks.clone());
        let planned = planned.map(|counts| (looks::confidences(&counts, campaign.confidence), counts));
        Self { campaign, planned: planned.map(|(confidences, counts)| (counts, confidences)) }
    }

    /// Judges some runs.
    ///
    /// `observations` are the runs that count; `systematic` is what the calibrations leave of the ratio; `obstacles` say
    /// why the runs are not comparable.
    pub fn judge(&self, observations: &[Observation], systematic: &Systematic, obstacles: Vec<String>) -> Judgement {
        let campaign = self.campaign;
        let estimated = estimate(campaign, observations);
        let combined = estimated.effect.as_ref().and_then(|e| Combined::of(e, systematic));
        let interval = interval_of(estimated.effect.as_ref(), combined.as_ref(), campaign.confidence);
        let mut judgement = Judgement {
            verdict: Verdict {
                claim_percent: campaign.claim_percent,
                decision: Decision::Withheld,
                rule: RULE.to_owned(),
                reasons: obstacles,
                further_pairs: None,
                look: None,
            },
            effect: estimated.effect.clone(),
            parts: estimated.parts.clone(),
            interval,
            combined,
            systematic: *systematic,
            decision_interval: None,
            estimated,
        };
        judgement.verdict.reasons.extend(judgement.estimated.obstacles.clone());
        let Some(effect) = judgement.effect.clone() else {
            if judgement.estimated.obstacles.is_empty() {
                judgement.verdict.reasons.push("no usable run is left in at least one condition".to_owned());
            }
            return judgement;
        };
        if judgement.verdict.reasons.is_empty() {
            let looks = Looks::of(self, units(campaign.design, observations));
            take_looks(campaign, observations, &effect, &looks, &mut judgement);
        }
        judgement
    }
}

/// Interval of the log ratio, both parts combined.
fn interval_of(effect: Option<&Effect>, combined: Option<&Combined>, confidence: f64) -> Option<(f64, f64)> {
    let (d, half) = (effect?.log_ratio, combined?.half_width(confidence)?);
    Some((d - half, d + half))
}

/// The looks of a campaign with the confidence of each.
struct Looks {
    planned: bool,
    counts: Vec<u32>,
    confidences: Vec<f64>,
    there: u32,
}

impl Looks {
    fn of(judge: &Judge<'_>, there: usize) -> Self {
        let there = u32::try_from(there).unwrap_or(u32::MAX);
        let planned = judge.planned.is_some();
        let (counts, confidences) =
            judge.planned.clone().unwrap_or_else(|| (vec![there], vec![judge.campaign.confidence]));
        Self { planned, counts, confidences, there }
    }

    fn reached(&self) -> usize {
        self.counts.iter().take_while(|n| **n <= self.there).count()
    }

    fn next(&self) -> Option<u32> {
        self.counts.get(self.reached()).copied()
    }

    /// As the report has it, after `taken` looks.
    fn report(&self, campaign: &Campaign, taken: usize, effect: f64, interval: Option<(f64, f64)>) -> Look {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let last = taken.checked_sub(1);
        Look {
            number: count(taken),
            of: count(self.counts.len()),
            planned: self.planned,
            units_looked_at: last.map_or(0, |i| self.counts[i]),
            units_used: self.there,
            unit: campaign.unit().to_owned(),
            error_allowed: 1.0 - campaign.confidence,
            error_spent: last.map_or(0.0, |i| {
                looks::spent(
                    f64::from(self.counts[i]) / f64::from(*self.counts.last().unwrap_or(&1)),
                    1.0 - campaign.confidence,
                )
            }),
            confidence: last.map(|i| self.confidences[i]),
            mileage_percent: interval.map(|i| spread_out(effect, Some(i), mileage_percent)),
            next: self.counts.get(taken).copied(),
        }
    }
}

fn take_looks(
    campaign: &Campaign,
    observations: &[Observation],
    effect: &Effect,
    looks: &Looks,
    judgement: &mut Judgement,
) {
    let claim = (campaign.claim_percent / 100.0).ln_1p();
    let mut taken = 0;
    let (mut last, mut unusable) = (None, None);
    let mut decision = Decision::Undecided;
    for (count, confidence) in looks.counts.iter().zip(&looks.confidences).take(looks.reached()) {
        // A look rests on its own units even where more are there, of one condition or of both.
        let own = looks.planned.then(|| first(campaign.design, observations, *count as usize));
        let own = own.filter(|own| own.len() < observations.len());
        let seen = own.map(|own| estimate(campaign, &own));
        let at = seen.as_ref().map_or(Some(effect), |e| e.effect.as_ref());
        unusable = seen.as_ref().map(|e| e.obstacles.join("; ")).filter(|o| !o.is_empty());
        let combined = at.and_then(|e| Combined::of(e, &judgement.systematic));
        let interval = interval_of(at, combined.as_ref(), *confidence).filter(|_| unusable.is_none());
        taken += 1;
        last = Some((at.map_or(effect.log_ratio, |e| e.log_ratio), interval));
        if let Some(interval) = interval {
            decision = by_interval(interval, claim);
        }
        if decision != Decision::Undecided {
            break;
        }
    }
    judgement.verdict.decision = decision;
    judgement.decision_interval = last.and_then(|(_, interval)| interval);
    let estimate = last.map_or(effect.log_ratio, |(estimate, _)| estimate);
    judgement.verdict.look = Some(looks.report(campaign, taken, estimate, judgement.decision_interval));
    judgement.verdict.reasons.extend(unusable);
    explain(campaign, effect, claim, looks, taken, judgement);
}

/// The reasons, in sentences.
fn explain(campaign: &Campaign, effect: &Effect, claim: f64, looks: &Looks, taken: usize, judgement: &mut Judgement) {
    let mut reasons = Vec::new();
    let unit = campaign.unit();
    if let Some(interval) = judgement.decision_interval {
        let confidence = looks.confidences[taken - 1];
        reasons.push(position(campaign, judgement.verdict.decision, interval, confidence, looks, taken));
    } else if judgement.interval.is_none() {
        reasons.push(effect.why_no_interval(unit));
    }
    if !looks.planned {
        reasons.push(
            "no plan was stated before the first run: this is taken to be the only look at the claim, and the interval's \
             confidence holds for one look"
                .to_owned(),
        );
    }
    if judgement.verdict.decision == Decision::Undecided {
        judgement.verdict.further_pairs =
            undecided(campaign, effect, claim, looks, &judgement.systematic, &mut reasons);
    }
    if looks.planned && looks.counts.get(taken.wrapping_sub(1)).is_some_and(|n| *n < looks.there) {
        let all = judgement.interval.map(|i| {
            let now = by_interval(i, claim);
            let percent = percent(i);
            let same =
                if now == judgement.verdict.decision { "would decide no other" } else { "is not the decision's" };
            format!(
                "; the {} % interval of all {} there are, {percent}, {same}",
                figure::confidence(campaign.confidence),
                looks.there
            )
        });
        reasons.push(format!(
            "the look rests on the first {} of {} {unit}, as planned{}",
            looks.counts[taken - 1],
            looks.there,
            all.unwrap_or_default()
        ));
    }
    judgement.verdict.reasons.extend(reasons);
}

/// Where the interval lies.
fn position(
    campaign: &Campaign,
    decision: Decision,
    interval: (f64, f64),
    confidence: f64,
    looks: &Looks,
    taken: usize,
) -> String {
    let lies = match decision {
        Decision::Supported => "lies wholly at or beyond",
        Decision::NotSupported => "lies wholly short of",
        Decision::Undecided | Decision::Withheld => "contains",
    };
    let look = if looks.counts.len() > 1 {
        format!(" at look {taken} of {}, at {} {},", looks.counts.len(), looks.counts[taken - 1], campaign.unit())
    } else {
        ",".to_owned()
    };
    format!(
        "the {} % interval of the improvement{} {}, {lies} the claim of {} %",
        figure::of_look(confidence, campaign.confidence),
        look,
        percent(interval),
        stated(campaign.claim_percent)
    )
}

fn percent((low, high): (f64, f64)) -> String {
    let Interval { low, high, .. } = spread_out(0.0, Some((low, high)), mileage_percent);
    format!("{} to {} %", signed(low.unwrap_or_default(), 1), signed(high.unwrap_or_default(), 1))
}

/// What it would take, in sentences and as a number of units.
fn undecided(
    campaign: &Campaign,
    effect: &Effect,
    claim: f64,
    looks: &Looks,
    systematic: &Systematic,
    reasons: &mut Vec<String>,
) -> Option<u32> {
    let unit = campaign.unit();
    let power = fixed(POWER * 100.0, 0);
    let Some(next) = looks.next() else {
        // Every look is taken: more of the same would be one look too many.
        let needed = further::units_needed(claim, effect, systematic, campaign.confidence);
        let used_up =
            "the allowed error is used up: a further decision takes a fresh campaign, planned before its first run";
        reasons.push(match needed {
            Some(n) => format!(
                "{used_up}; one of about {n} {unit} would decide it with {power} % probability, if the improvement stays as \
                 estimated"
            ),
            None if effect.standard_error.is_none() => used_up.to_owned(),
            None => format!("{used_up}; the estimate is too near the claim for any practical number of runs to decide"),
        });
        return needed;
    };
    let missing = next - looks.there;
    reasons.push(format!(
        "the {}look is at {next} {unit}, of which {} are there; until then the estimate and its interval are shown and decide \
         nothing",
        if looks.reached() == 0 { "first " } else { "next " },
        looks.there
    ));
    let confidence = *looks.confidences.last().unwrap_or(&campaign.confidence);
    let size = *looks.counts.last().unwrap_or(&next);
    match further::units_needed(claim, effect, systematic, confidence) {
        Some(n) if n > size => reasons.push(format!(
            "the plan of {size} {unit} will probably not decide it: about {n} would with {power} % probability, if the \
             improvement stays as estimated"
        )),
        Some(n) => {
            let enough = looks.counts.iter().find(|c| **c >= n && **c >= next).copied().unwrap_or(size);
            reasons.push(format!(
                "about {n} {unit} decide it with {power} % probability, if the improvement stays as estimated; the look at \
                 {enough} has them"
            ));
            return Some(enough - looks.there);
        }
        None => {}
    }
    let listed = listed_units(campaign);
    if listed < size {
        reasons.push(format!("the campaign lists {listed} {unit} and falls short of its last look at {size}"));
    }
    Some(missing)
}

/// Units that the campaign lists, usable or not.
fn listed_units(campaign: &Campaign) -> u32 {
    use tallywheel_schemas::campaign::Design;
    let n = match campaign.design {
        Design::Paired => campaign.pairs.len(),
        Design::BeforeAfter => campaign.in_service.iter().filter(|v| v.installed.is_some()).count(),
        _ => campaign.baseline.len().min(campaign.assist.len()),
    };
    u32::try_from(n).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests;

//! Where each run stands among the runs it is compared with, and what sets it apart so far that it cannot count.
//!
//! A run is only set apart where the others agree among themselves: at least three of them are known and more than half
//! lie within the limit of their median. Where they do not, it is the conditions that differ, and not a run.

use std::collections::BTreeMap;

use tallywheel_schemas::{
    Condition,
    campaign::{Campaign, Rules},
    report::RouteMatch,
};

use super::{
    overlap::{Direction, share_on},
    quantity::{CHARGE, COOLANT, DISTANCE, ROUTE},
    track::Track,
};
use crate::{figure::fixed, run::RunFacts};

/// Runs from which on a median says what is usual.
const ENOUGH: usize = 3;

/// What sets a run apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Break {
    /// Row of the quantity.
    pub quantity: &'static str,
    /// Why, as a lowercase fragment.
    pub reason: String,
}

/// Where a run stands among its like.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Standing {
    /// Its satellite track against that of the run of median length.
    pub route: Option<RouteMatch>,
    /// What sets it apart, in the order of the rows.
    pub breaks: Vec<Break>,
    /// How far it is from what is usual, by row and in the unit of the row's limit, where that is known.
    pub off: Vec<(&'static str, f64)>,
}

impl Standing {
    fn add(&mut self, quantity: &'static str, reason: String) {
        self.breaks.push(Break { quantity, reason });
    }

    /// How far it is from what is usual in a quantity, in the unit of its limit.
    pub fn off(&self, quantity: &str) -> Option<f64> {
        self.off.iter().find(|(q, _)| *q == quantity).map(|(_, off)| *off)
    }

    /// Whether a quantity sets it apart.
    pub fn is_apart(&self, quantity: &str) -> bool {
        self.breaks.iter().any(|b| b.quantity == quantity)
    }
}

/// Where every run stands, in the order of `runs`. Runs are held against those of the same vehicle and, in a blocked
/// design, of the same block.
pub fn standings(campaign: &Campaign, runs: &[RunFacts<'_>]) -> Vec<Standing> {
    let mut groups: BTreeMap<(&str, usize), Vec<usize>> = BTreeMap::new();
    for (i, run) in runs.iter().enumerate() {
        let of_block = |b: &tallywheel_schemas::campaign::Block| {
            b.baseline.contains(&run.sheet.run) || b.assist.contains(&run.sheet.run)
        };
        let block = campaign.blocks.iter().position(of_block).unwrap_or_default();
        groups.entry((&run.ledger.session.manifest.vehicle, block)).or_default().push(i);
    }
    let mut standings = vec![Standing::default(); runs.len()];
    // In daily service no drive is like another.
    if campaign.design == tallywheel_schemas::campaign::Design::BeforeAfter {
        return standings;
    }
    for group in groups.into_values() {
        route(&campaign.rules, runs, &group, &mut standings);
        distance(&campaign.rules, runs, &group, &mut standings);
        coolant(&campaign.rules, runs, &group, &mut standings);
        charge(&campaign.rules, runs, &group, &mut standings);
    }
    standings
}

fn route(rules: &Rules, runs: &[RunFacts<'_>], group: &[usize], standings: &mut [Standing]) {
    let mut tracks: Vec<(usize, &Track)> = group.iter().filter_map(|i| Some((*i, track(rules, &runs[*i])?))).collect();
    tracks.sort_by(|a, b| a.1.whole_m().total_cmp(&b.1.whole_m()));
    let Some((reference, median)) = tracks.get(tracks.len().saturating_sub(1) / 2).copied() else { return };
    let name = &runs[reference].sheet.run;
    for (i, track) in &tracks {
        standings[*i].route = route_match(rules, track, median, name);
        let departure = standings[*i].route.as_ref().map(|m| (ROUTE, m.departure));
        standings[*i].off.extend(departure);
    }
    let departs =
        |i: usize, s: &[Standing]| s[i].route.as_ref().is_some_and(|m| m.departure > rules.max_route_departure);
    let apart: Vec<usize> = tracks.iter().map(|(i, _)| *i).filter(|i| departs(*i, standings)).collect();
    // The reference agrees with itself; it is only one that the others share if most of them agree with it.
    if tracks.len() < ENOUGH || apart.len() * 2 >= tracks.len() - 1 {
        return;
    }
    for i in apart {
        let departure = standings[i].route.as_ref().map_or(0.0, |m| m.departure);
        let reason = format!(
            "its satellite track parts from that of run {name} on {} % of the way, more than {} %",
            fixed(departure * 100.0, 1),
            fixed(rules.max_route_departure * 100.0, 1)
        );
        standings[i].add(ROUTE, reason);
    }
}

/// A run's track, if enough of the way has fixes.
pub(super) fn track<'r>(rules: &Rules, run: &'r RunFacts<'_>) -> Option<&'r Track> {
    run.driven.track.as_ref().filter(|t| t.coverage() >= rules.min_track_coverage)
}

/// A track held against another. What has no fixes in one explains as much of what the other has alone.
pub(super) fn route_match(rules: &Rules, track: &Track, other: &Track, reference: &str) -> Option<RouteMatch> {
    let on_reference = share_on(track, other, rules.route_width_m, Direction::Same)?;
    let reference_on_it = share_on(other, track, rules.route_width_m, Direction::Same)?;
    let unexplained = |share: f64, blind: &Track| (blind.coverage() - share).max(0.0);
    Some(RouteMatch {
        reference: reference.to_owned(),
        track_km: track.length_m / 1000.0,
        coverage: track.coverage(),
        on_reference,
        reference_on_it,
        length_ratio: track.whole_m() / other.whole_m(),
        departure: unexplained(on_reference, other).max(unexplained(reference_on_it, track)),
    })
}

fn distance(rules: &Rules, runs: &[RunFacts<'_>], group: &[usize], standings: &mut [Standing]) {
    let known: Vec<(usize, f64)> = group.iter().filter_map(|i| Some((*i, runs[*i].tally.distance_m?))).collect();
    let Some(median) = median(known.iter().map(|(_, m)| *m)) else { return };
    for (i, distance) in known {
        let off = distance / median - 1.0;
        standings[i].off.push((DISTANCE, off.abs()));
        if off.abs() > rules.max_distance_deviation {
            let limit = rules.max_distance_deviation * 100.0;
            let reason = format!("its distance is {:+.1} % off the median run, more than {limit:.1} %", off * 100.0);
            standings[i].add(DISTANCE, reason);
        }
    }
}

fn coolant(rules: &Rules, runs: &[RunFacts<'_>], group: &[usize], standings: &mut [Standing]) {
    let known: Vec<(usize, f64)> = group.iter().filter_map(|i| Some((*i, runs[*i].driven.coolant_start_c?))).collect();
    note_off(COOLANT, &known, standings);
    for (i, value, usual) in outliers(known, rules.max_coolant_start_difference_k) {
        let reason = format!(
            "its coolant was at {} °C at the start, more than {} K from the {} °C that are usual in these runs",
            fixed(value, 1),
            fixed(rules.max_coolant_start_difference_k, 1),
            fixed(usual, 1)
        );
        standings[i].add(COOLANT, reason);
    }
}

fn charge(rules: &Rules, runs: &[RunFacts<'_>], group: &[usize], standings: &mut [Standing]) {
    let assisted = group.iter().filter(|i| runs[**i].sheet.condition == Condition::Assist);
    let known: Vec<(usize, f64)> = assisted.filter_map(|i| Some((*i, runs[*i].soc_pct.0?))).collect();
    note_off(CHARGE, &known, standings);
    for (i, value, usual) in outliers(known, rules.max_soc_start_difference_points) {
        let reason = format!(
            "its pack was charged to {} % at the start, more than {} points from the {} % that are usual in the assisted \
             runs",
            fixed(value, 1),
            fixed(rules.max_soc_start_difference_points, 1),
            fixed(usual, 1)
        );
        standings[i].add(CHARGE, reason);
    }
}

/// Writes down how far each value is from their median.
fn note_off(quantity: &'static str, known: &[(usize, f64)], standings: &mut [Standing]) {
    let Some(usual) = median(known.iter().map(|(_, v)| *v)) else { return };
    for (i, value) in known {
        standings[*i].off.push((quantity, (value - usual).abs()));
    }
}

/// The values further than the limit from the median, with the median, if the others agree.
fn outliers(known: Vec<(usize, f64)>, limit: f64) -> Vec<(usize, f64, f64)> {
    let Some(usual) = median(known.iter().map(|(_, v)| *v)) else { return Vec::new() };
    let count = known.len();
    let far: Vec<(usize, f64, f64)> =
        known.into_iter().filter(|(_, v)| (v - usual).abs() > limit).map(|(i, v)| (i, v, usual)).collect();
    if count < ENOUGH || far.len() * 2 >= count { Vec::new() } else { far }
}

/// The middle of some values, between the two middle ones of an even number.
pub(super) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some((values[middle - 1] + values[middle]) / 2.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::likeness::plane::Fix;

    #[test]
    fn one_cold_start_is_an_outlier_and_half_of_them_are_a_condition() {
        let one: Vec<(usize, f64)> = [80.0, 79.0, 20.0, 81.0].into_iter().enumerate().collect();
        assert_eq!(outliers(one, 10.0), [(2, 20.0, 79.5)]);
        let half: Vec<(usize, f64)> = [80.0, 79.0, 20.0, 21.0].into_iter().enumerate().collect();
        assert_eq!(outliers(half, 10.0), []);
        assert_eq!(outliers(vec![(0, 80.0), (1, 20.0)], 10.0), []);
    }

    fn road(from_m: i32, to_m: i32) -> Vec<Fix> {
        let fix = |m: i32| Fix { lat_deg: 60.0 + f64::from(m) / 111_413.0, lon_deg: -2.0 };
        (from_m / 10..=to_m / 10).map(|k| fix(k * 10)).collect()
    }

    /// 2 km against the same with a hole of 500 m: the hole is no departure. Against one that leaves out 500 m it is: by
    /// 500 m less the 30 m at either end, of 2 km.
    #[test]
    fn a_want_of_fixes_is_no_departure_and_a_short_cut_is() {
        let rules = Rules::default();
        let whole = Track::through(road(0, 2000));
        let pieces = vec![road(0, 700), road(1200, 2000)];
        let holed = Track { pieces: pieces.clone(), length_m: 1500.0, missed_m: 500.0 };
        let matched = route_match(&rules, &holed, &whole, "r").expect("both have a length");
        assert!(matched.departure < 0.001 && (matched.coverage - 0.75).abs() < 1e-9, "{matched:?}");
        assert!((matched.length_ratio - 1.0).abs() < 0.001, "{matched:?}");
        let short = Track { pieces, length_m: 1500.0, missed_m: 0.0 };
        let matched = route_match(&rules, &short, &whole, "r").expect("both have a length");
        assert!((matched.departure - 440.0 / 2000.0).abs() < 0.005, "{matched:?}");
    }
}

//! Days and classes of speed: what a session adds to the week of its vehicle.
//!
//! Takes a [`SessionLedger`] and its trips. Gives one [`Day`] per UTC day that has a bin, and the [`SpeedClass`]es of
//! each of those days. Both are sums over ledger rows, so that weeks, vehicles and fleets are sums over them.

mod bins;
mod table;
#[cfg(test)]
mod tests;

use std::{collections::BTreeMap, ops::Range};

use chrono::NaiveDate;
use polars::prelude::PolarsResult;
use tallywheel_schemas::{Rig, Timestamp, manifest::Gap, rig::InsulationClass, table::DAY_CLASS_KM_H};

use crate::{
    ageing::LifeUse,
    ledger::SessionLedger,
    rainflow::cycles,
    thermal::winding_cycles,
    trips::{Mode, Trip, total},
};
use bins::{Bins, Heat, WindingBin};

pub(crate) use table::{class_rows, day_rows};
pub use table::{classes_frame, days_frame};

/// How much faster than the set cut-off speed a vehicle has to be before a motor that still drives is counted, m/s.
/// It allows for the speed sensor and for the time in which the controller takes the torque away.
pub const LATE_MARGIN_M_S: f64 = 1.0;

/// One day of one session: a row of [`Table::Days`](tallywheel_schemas::Table).
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// Session.
    pub session: String,
    /// Start of the day's first bin.
    pub start: Timestamp,
    /// First day on which a calibration of the rig runs out, `YYYY-MM-DD`.
    pub calibration_due: Option<String>,
    /// Program and version that sealed the session.
    pub software: String,
    /// Hash of the rig, as text.
    pub rig: String,
    /// The sums.
    pub sums: DaySums,
}

/// The numbers of a [`Day`]; units and meanings are those of
/// [`DAY_COLUMNS`](tallywheel_schemas::table::DAY_COLUMNS).
#[expect(missing_docs, reason = "each field is the column of its name, which has unit and meaning there")]
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DaySums {
    pub recorded_s: f64,
    pub distance_m: Option<f64>,
    pub distance_valid_s: Option<f64>,
    pub distance_assist_m: Option<f64>,
    pub distance_unassisted_m: Option<f64>,
    pub fuel_ml: Option<f64>,
    pub fuel_valid_s: Option<f64>,
    pub fuel_assist_ml: Option<f64>,
    pub fuel_unassisted_ml: Option<f64>,
    pub pack_out_wh: Option<f64>,
    pub pack_in_wh: Option<f64>,
    pub pack_in_driving_wh: Option<f64>,
    pub pack_valid_s: Option<f64>,
    pub pack_distance_m: Option<f64>,
    pub pack_distance_wh: Option<f64>,
    pub wall_wh: Option<f64>,
    pub wall_valid_s: Option<f64>,
    pub engine_on_s: Option<f64>,
    pub engine_valid_s: Option<f64>,
    pub assist_on_s: Option<f64>,
    pub regen_on_s: Option<f64>,
    pub assist_valid_s: Option<f64>,
    pub trips: u64,
    pub drive_s: f64,
    pub winding_max_c: Option<f64>,
    pub winding_hot_s: Option<f64>,
    pub winding_cycles: Option<f64>,
    pub winding_life_h: Option<f64>,
    pub winding_valid_s: Option<f64>,
    pub controller_max_c: Option<f64>,
    pub controller_hot_s: Option<f64>,
    pub controller_valid_s: Option<f64>,
    pub fault_s: Option<f64>,
    pub late_cutoff_s: Option<f64>,
    pub soc_start_pct: Option<f64>,
    pub soc_min_pct: Option<f64>,
    pub soc_max_pct: Option<f64>,
    pub soc_end_pct: Option<f64>,
    pub gap_s: f64,
    pub bad_messages: u64,
}

/// What the motors do for at least half of a bin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AssistState {
    /// A motor drives.
    Assisted,
    /// A motor brakes.
    Braking,
    /// The motors rest.
    Unassisted,
    /// Nothing is known, or nothing lasts for half of the bin.
    Unknown,
}

impl AssistState {
    /// As in the table.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Assisted => "assisted",
            Self::Braking => "braking",
            Self::Unassisted => "unassisted",
            Self::Unknown => "unknown",
        }
    }
}

impl From<Mode> for AssistState {
    fn from(mode: Mode) -> Self {
        match mode {
            Mode::Driving => Self::Assisted,
            Mode::Braking => Self::Braking,
            Mode::Idle => Self::Unassisted,
            Mode::Unknown => Self::Unknown,
        }
    }
}

/// The bins of one session, day, class of speed and state of the assist: a row of
/// [`Table::SpeedClasses`](tallywheel_schemas::Table).
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedClass {
    /// Session.
    pub session: String,
    /// Start of the day's first bin.
    pub start: Timestamp,
    /// State of the assist.
    pub assist: AssistState,
    /// Lower edge, km/h; `None` for bins without distance data.
    pub class_km_h: Option<i64>,
    /// Distance, m.
    pub distance_m: Option<f64>,
    /// Fuel at reference temperature, mL.
    pub fuel_ml: Option<f64>,
    /// Distance in bins with fuel data, m.
    pub fuel_distance_m: Option<f64>,
    /// Time, s.
    pub seconds: f64,
}

/// The days of a session, in order.
///
/// # Errors
/// When the ledger's frames lack their columns.
pub fn days(ledger: &SessionLedger, trips: &[Trip]) -> PolarsResult<Vec<Day>> {
    let bins = Bins::of(ledger)?;
    let heat = Heat::of(ledger, &bins)?;
    let (manifest, rig) = (&ledger.session.manifest, &ledger.session.rig);
    let due = calibration_due(rig);
    let mut days: Vec<Day> = by_day(&bins)
        .into_iter()
        .map(|range| Day {
            session: manifest.session.clone(),
            start: bins.start(range.start),
            calibration_due: due.clone(),
            software: manifest.software.clone(),
            rig: manifest.rig.blake3.to_string(),
            sums: sums(&bins, &heat, range, trips, ledger),
        })
        .collect();
    if let Some(first) = days.first_mut() {
        first.sums.bad_messages = manifest.ports.iter().map(|p| p.bad + p.dropped + p.overruns).sum();
    }
    Ok(days)
}

/// The classes of speed of a session's days, by day, then state of the assist, then speed; the unknown class first.
///
/// # Errors
/// When the ledger's frame lacks its columns.
pub fn speed_classes(ledger: &SessionLedger) -> PolarsResult<Vec<SpeedClass>> {
    let bins = Bins::of(ledger)?;
    let mut found = Vec::new();
    for range in by_day(&bins) {
        let mut classes: BTreeMap<(AssistState, Option<i64>), Vec<usize>> = BTreeMap::new();
        for i in range.clone() {
            let key = (AssistState::from(bins.mode(i)), bins.speed_m_s(i).map(class_km_h));
            classes.entry(key).or_default().push(i);
        }
        found.extend(classes.into_iter().map(|((assist, class_km_h), members)| {
            let over = |column: &[Option<f64>]| total(members.iter().map(|i| column[*i]));
            let fuelled = members.iter().filter(|i| bins.has_fuel(**i)).map(|i| bins.distance_m[*i]);
            SpeedClass {
                session: ledger.session.manifest.session.clone(),
                start: bins.start(range.start),
                assist,
                class_km_h,
                distance_m: over(&bins.distance_m),
                fuel_ml: over(&bins.fuel_ml),
                fuel_distance_m: total(fuelled),
                seconds: members.len() as f64 * bins.width_s(),
            }
        }));
    }
    Ok(found)
}

fn class_km_h(speed_m_s: f64) -> i64 {
    // Saturating; a speed is far below where that matters.
    (speed_m_s * 3.6) as i64 / DAY_CLASS_KM_H * DAY_CLASS_KM_H
}

/// A UTC day, µs.
const DAY_US: i64 = 86_400_000_000;

/// Ranges of bins that begin in the same UTC day.
fn by_day(bins: &Bins) -> Vec<Range<usize>> {
    let mut days: Vec<Range<usize>> = Vec::new();
    let mut last = None;
    for i in 0..bins.len() {
        let day = bins.start(i).as_us().div_euclid(DAY_US);
        match days.last_mut() {
            Some(range) if last == Some(day) => range.end = i + 1,
            _ => days.push(i..i + 1),
        }
        last = Some(day);
    }
    days
}

fn sums(bins: &Bins, heat: &Heat, range: Range<usize>, trips: &[Trip], ledger: &SessionLedger) -> DaySums {
    let manifest = &ledger.session.manifest;
    let day_us = (bins.start(range.start).as_us(), bins.end(range.end - 1).as_us());
    let over = |column: &[Option<f64>]| total(range.clone().map(|i| column[i]));
    let peak = |column: &[Option<f64>]| column[range.clone()].iter().flatten().copied().reduce(f64::max);
    let least = |column: &[Option<f64>]| column[range.clone()].iter().flatten().copied().reduce(f64::min);
    let assist_known = bins.assist_valid_s.iter().any(Option::is_some);
    let in_mode = |column: &[Option<f64>], wanted: Mode| {
        let picked = range.clone().map(|i| column[i].map(|v| if bins.mode(i) == wanted { v } else { 0.0 }));
        if assist_known { total(picked) } else { None }
    };
    let driving: Vec<usize> = range.clone().filter(|i| trips.iter().any(|t| is_within(bins.start(*i), t))).collect();
    let soc = &bins.soc_end_pct;
    let of_both = || range.clone().filter(|i| bins.has_distance(*i) && bins.has_pack(*i));
    let net_wh = |i: usize| {
        let regeneration = bins.pack_in_wh[i].filter(|_| driving.binary_search(&i).is_ok()).unwrap_or_default();
        bins.pack_out_wh[i].map(|out| out - regeneration)
    };
    DaySums {
        recorded_s: overlap_s(day_us, (manifest.start_us.as_us(), manifest.end_us.as_us())),
        distance_m: over(&bins.distance_m),
        distance_valid_s: over(&bins.distance_valid_s),
        distance_assist_m: in_mode(&bins.distance_m, Mode::Driving),
        distance_unassisted_m: in_mode(&bins.distance_m, Mode::Idle),
        fuel_ml: over(&bins.fuel_ml),
        fuel_valid_s: over(&bins.fuel_valid_s),
        fuel_assist_ml: in_mode(&bins.fuel_ml, Mode::Driving),
        fuel_unassisted_ml: in_mode(&bins.fuel_ml, Mode::Idle),
        pack_out_wh: over(&bins.pack_out_wh),
        pack_in_wh: over(&bins.pack_in_wh),
        pack_in_driving_wh: total(driving.iter().map(|i| bins.pack_in_wh[*i]))
            .or_else(|| over(&bins.pack_in_wh).map(|_| 0.0)),
        pack_valid_s: over(&bins.pack_valid_s),
        pack_distance_m: total(of_both().map(|i| bins.distance_m[i])),
        pack_distance_wh: total(of_both().map(net_wh)),
        wall_wh: over(&bins.wall_wh),
        wall_valid_s: over(&bins.wall_valid_s),
        engine_on_s: over(&bins.engine_on_s),
        engine_valid_s: over(&bins.engine_valid_s),
        assist_on_s: over(&bins.assist_on_s),
        regen_on_s: over(&bins.regen_on_s),
        assist_valid_s: over(&bins.assist_valid_s),
        trips: trips.iter().filter(|t| (day_us.0..day_us.1).contains(&t.start_us.as_us())).count() as u64,
        drive_s: driving.len() as f64 * bins.width_s(),
        winding_max_c: peak(&heat.winding_max_c),
        winding_hot_s: over(&heat.winding_hot_s),
        winding_cycles: heat.most(&range, cycles_of),
        winding_life_h: heat.most(&range, |winding| life_h(winding, ledger.session.rig.assist.insulation_class)),
        winding_valid_s: over(&heat.winding_valid_s),
        controller_max_c: peak(&heat.controller_max_c),
        controller_hot_s: over(&heat.controller_hot_s),
        controller_valid_s: over(&heat.controller_valid_s),
        fault_s: over(&heat.fault_s),
        late_cutoff_s: late_cutoff_s(bins, range.clone(), ledger.session.rig.assist.cut_off_m_s),
        soc_start_pct: soc[range.clone()].iter().flatten().next().copied(),
        soc_min_pct: least(soc),
        soc_max_pct: peak(soc),
        soc_end_pct: soc[range.clone()].iter().flatten().next_back().copied(),
        gap_s: gap_s(&manifest.gaps, day_us),
        bad_messages: 0,
    }
}

/// Cycles of a winding's temperature that count.
fn cycles_of(winding: &[WindingBin]) -> f64 {
    winding_cycles(&cycles(winding.iter().filter_map(|bin| bin.mean_c)))
}

/// Hours at the class temperature that would have aged a winding as much.
fn life_h(winding: &[WindingBin], class: InsulationClass) -> f64 {
    let mut life = LifeUse::new(class.temperature_c());
    winding.iter().for_each(|bin| bin.mean_c.iter().for_each(|t| life.add(*t, bin.valid_s)));
    life.equivalent_hours()
}

/// Time of driving motors in bins that begin and end beyond cut-off speed and margin.
fn late_cutoff_s(bins: &Bins, mut range: Range<usize>, cut_off_m_s: Option<f64>) -> Option<f64> {
    let limit = cut_off_m_s? + LATE_MARGIN_M_S;
    let faster = |speed: Option<f64>| speed.is_some_and(|v| v > limit);
    let known = range.clone().any(|i| bins.assist_valid_s[i].is_some());
    let late = range.by_ref().filter(|i| faster(bins.speed_start_m_s[*i]) && faster(bins.speed_end_m_s[*i]));
    let seconds = total(late.map(|i| bins.assist_on_s[i]));
    known.then(|| seconds.unwrap_or(0.0))
}

fn is_within(t: Timestamp, trip: &Trip) -> bool {
    (trip.start_us..trip.end_us).contains(&t)
}

/// Overlap of two spans of time in µs, s.
fn overlap_s(a: (i64, i64), b: (i64, i64)) -> f64 {
    a.1.min(b.1).saturating_sub(a.0.max(b.0)).max(0) as f64 / 1e6
}

/// Time within a span that lies in at least one gap. A gap whose end is unknown counts for nothing: there is no more
/// recording behind it.
fn gap_s(gaps: &[Gap], span: (i64, i64)) -> f64 {
    let mut parts: Vec<(i64, i64)> =
        gaps.iter().filter_map(|g| Some((g.start_us.as_us(), g.start_us.plus_us(g.length_us?).as_us()))).collect();
    parts.sort_unstable();
    let (mut covered_to, mut seconds) = (i64::MIN, 0.0);
    for (from, to) in parts {
        seconds += overlap_s(span, (from.max(covered_to), to));
        covered_to = covered_to.max(to);
    }
    seconds
}

/// The first day on which a calibration of the rig runs out: the day it names, or a year after it was made.
fn calibration_due(rig: &Rig) -> Option<String> {
    let calibrations = rig.signals.iter().filter_map(|s| s.calibration.as_ref());
    let due = calibrations.filter_map(|c| match (&c.due, &c.date) {
        (Some(due), _) => due.parse::<NaiveDate>().ok(),
        (None, Some(date)) => date.parse::<NaiveDate>().ok()?.checked_add_months(chrono::Months::new(12)),
        (None, None) => None,
    });
    due.min().map(|day| day.to_string())
}

//! The tables behind the commands.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Condition, Report, Timestamp, Units,
    report::UnusableSession,
    units::{METRES_PER_MILE, fahrenheit, mpg_us_from_l_per_100km},
};

use super::origin_name;
use crate::{
    account::Charging,
    assemble::source_name,
    ledger::SessionLedger,
    mileage::{STRETCH_CAUTION, session_uncertainty, split_by_assist},
    sheet::{Cell, Format, Sheet},
    tally::Tally,
    thermal::exposure,
    trips::{self, TripRules},
};

fn time(t: Timestamp) -> Cell {
    Cell::text(t.to_string())
}

/// What each ledger covers.
pub(super) fn ledger(ledgers: &[SessionLedger], left_out: &[UnusableSession], format: Format) -> String {
    let mut sheet = Sheet::new([
        ("session", "Session"),
        ("origin", "Origin"),
        ("start_utc", "Start (UTC)"),
        ("bins", "Bins"),
        ("distance_source", "Distance from"),
        ("fuel_source", "Fuel from"),
        ("channels", "Channels"),
        ("gaps", "Gaps"),
        ("counter_resets", "Resets"),
        ("damaged", "Damaged"),
    ]);
    for l in ledgers {
        let (m, f) = (&l.session.manifest, &l.findings);
        let count = |n: u64| Cell::Count(i64::try_from(n).unwrap_or(i64::MAX));
        sheet.push(vec![
            Cell::text(&m.session),
            Cell::text(origin_name(&m.origin)),
            time(m.start_us),
            count(l.bins.height() as u64),
            Cell::text(source_name(f.distance_source)),
            Cell::text(source_name(f.fuel_source)),
            count(f.channels.iter().filter(|c| c.samples > 0).count() as u64),
            count(f.channels.iter().map(|c| c.gaps).sum()),
            count(f.channels.iter().map(|c| c.resets).sum()),
            count(f.damage.len() as u64),
        ]);
    }
    let mut out = sheet.without(left_out).render(format);
    if format == Format::Text {
        for l in ledgers {
            for damage in &l.findings.damage {
                out += &format!("{}: {damage}\n", l.session.manifest.session);
            }
        }
    }
    out
}

/// Distance column: name, title, and factor from metres.
const fn distance_column(units: Units) -> ((&'static str, &'static str), f64) {
    match units {
        Units::Metric => (("distance_km", "km"), 1e-3),
        Units::Us => (("distance_mi", "miles"), 1.0 / METRES_PER_MILE),
    }
}

const fn consumption_column(units: Units) -> (&'static str, &'static str) {
    match units {
        Units::Metric => ("l_per_100km", "L/100 km"),
        Units::Us => ("mpg_us", "mpg"),
    }
}

fn consumption(l_per_100km: Option<f64>, units: Units) -> Cell {
    match units {
        Units::Metric => Cell::number(l_per_100km, 2),
        Units::Us => Cell::number(l_per_100km.map(mpg_us_from_l_per_100km), 1),
    }
}

/// Trips.
pub(super) fn trips(
    ledgers: &[SessionLedger],
    left_out: &[UnusableSession],
    rules: &TripRules,
    format: Format,
    units: Units,
) -> String {
    let (distance, per_m) = distance_column(units);
    let speed = if units == Units::Us { ("speed_mean_mph", "mean mph") } else { ("speed_mean_km_h", "mean km/h") };
    let mut sheet = Sheet::new([
        ("session", "Session"),
        ("trip", "Trip"),
        ("start_utc", "Set-off (UTC)"),
        ("end_utc", "Parking (UTC)"),
        distance,
        consumption_column(units),
        ("assist_share", "assisted %"),
        ("pack_net_wh", "net Wh"),
        speed,
        ("idle_share", "standstill %"),
        ("stops_per_km", "stops/km"),
        ("rpa_m_s2", "RPA m/s²"),
        ("va95_m2_s3", "v·a95 m²/s³"),
        ("coverage", "covered %"),
    ]);
    for l in ledgers {
        let found = trips::trips(l, rules);
        trips::store_trips(l, rules, &found);
        for t in found {
            let ml_per_m = t.fuel_ml.filter(|ml| *ml > 0.0 && t.distance_m > 0.0).map(|ml| ml / t.distance_m);
            let share = |part: Option<f64>| part.filter(|_| t.distance_m > 0.0).map(|m| m / t.distance_m);
            let percent = |v: Option<f64>| if format == Format::Text { v.map(|v| v * 100.0) } else { v };
            sheet.push(vec![
                Cell::text(&l.session.manifest.session),
                Cell::Count(t.trip),
                time(t.start_us),
                time(t.end_us),
                Cell::number(Some(t.distance_m * per_m), 2),
                consumption(ml_per_m.map(|r| r * 100.0), units),
                Cell::number(percent(share(t.distance_assist_m)), 0),
                Cell::number(t.pack_out_wh.zip(t.pack_in_wh).map(|(o, i)| o - i), 0),
                Cell::number(t.speed_mean_m_s.map(|v| v * 3600.0 * per_m), 1),
                Cell::number(percent(t.idle_share), 0),
                Cell::number(t.stops_per_km, 1),
                Cell::number(t.rpa_m_s2, 3),
                Cell::number(t.va95_m2_s3, 1),
                Cell::number(percent(t.coverage), 1),
            ]);
        }
    }
    sheet.without(left_out).render(format)
}

/// Mileage by session, by condition and by stretch.
pub(super) fn mileage(
    ledgers: &[SessionLedger],
    left_out: &[UnusableSession],
    format: Format,
    units: Units,
) -> PolarsResult<String> {
    let (distance, per_m) = distance_column(units);
    let mut sheet = Sheet::new([
        ("of", "Of"),
        ("name", "Name"),
        ("condition", "Condition"),
        ("sessions", "Sessions"),
        distance,
        ("fuel_l", "Fuel L"),
        consumption_column(units),
        ("relative_expanded_uncertainty", "± % (k=2)"),
    ]);
    let mut push = |of: &str, name: &str, condition: &str, n: usize, tally: &Tally, u: f64| {
        let shown = if format == Format::Text { 200.0 * u } else { 2.0 * u };
        sheet.push(vec![
            Cell::text(of),
            Cell::text(name),
            Cell::text(condition),
            Cell::Count(n as i64),
            Cell::number(tally.distance_m.map(|m| m * per_m), 2),
            Cell::number(tally.fuel_ml.map(|ml| ml / 1000.0), 3),
            consumption(tally.l_per_100km(), units),
            Cell::number(Some(shown), 1),
        ]);
    };
    let mut groups: [(Option<Condition>, usize, Tally, f64); 3] =
        [Some(Condition::Baseline), Some(Condition::Assist), None].map(|c| (c, 0, Tally::default(), 0.0));
    let (mut driving, mut resting, mut stretched) = (Tally::default(), Tally::default(), 0);
    for l in ledgers {
        let tally = Tally::of(&l.bins, l.findings.bin_s())?;
        let (sheet, u) = (l.session.manifest.run.as_ref(), session_uncertainty(l, &tally));
        let condition = sheet.map(|r| r.condition);
        let name = sheet.map_or(l.session.manifest.session.as_str(), |r| r.run.as_str());
        push(
            if sheet.is_some() { "run" } else { "session" },
            name,
            condition.map_or("", Condition::name),
            1,
            &tally,
            u,
        );
        if tally.l_per_100km().is_none() {
            continue;
        }
        if let Some(group) = groups.iter_mut().find(|g| g.0 == condition) {
            *group = (condition, group.1 + 1, [group.2, tally].into_iter().collect(), group.3.max(u));
        }
        let (a, b) = split_by_assist(&l.bins, l.findings.bin_s())?;
        driving += a;
        resting += b;
        stretched += 1;
    }
    for (condition, n, tally, u) in groups.iter().filter(|g| g.1 > 0) {
        push(
            "condition",
            condition.map_or("no run sheet", Condition::name),
            condition.map_or("", Condition::name),
            *n,
            tally,
            *u,
        );
    }
    let widest = groups.iter().map(|g| g.3).fold(0.0, f64::max);
    for (name, tally) in [("a motor drives", &driving), ("no motor drives", &resting)] {
        if tally.l_per_100km().is_some() {
            push("stretch", name, "", stretched, tally, widest);
        }
    }
    let mut out = sheet.without(left_out).render(format);
    if format == Format::Text {
        out += &format!("\nStretches are no evidence for a claim. {STRETCH_CAUTION}\n");
    }
    Ok(out)
}

/// Energy by session.
pub(super) fn energy(
    ledgers: &[SessionLedger],
    left_out: &[UnusableSession],
    format: Format,
    units: Units,
) -> PolarsResult<String> {
    let (distance, per_m) = distance_column(units);
    let per = if units == Units::Us { ("net_wh_per_mi", "net Wh/mile") } else { ("net_wh_per_km", "net Wh/km") };
    let mut sheet = Sheet::new([
        ("session", "Session"),
        ("run", "Run"),
        ("condition", "Condition"),
        distance,
        ("pack_out_wh", "out Wh"),
        ("pack_in_wh", "in Wh"),
        ("pack_net_wh", "net Wh"),
        per,
        ("pack_out_ah", "out Ah"),
        ("pack_in_ah", "in Ah"),
        ("wall_wh", "wall Wh"),
        ("charging_efficiency", "charging eff."),
    ]);
    for l in ledgers {
        let tally = Tally::of(&l.bins, l.findings.bin_s())?;
        let run = l.session.manifest.run.as_ref();
        let travelled = tally.distance_m.filter(|m| *m > 0.0).map(|m| m * per_m);
        let charging = Charging::of(std::slice::from_ref(l))?;
        sheet.push(vec![
            Cell::text(&l.session.manifest.session),
            Cell::text(run.map_or("", |r| r.run.as_str())),
            Cell::text(run.map_or("", |r| r.condition.name())),
            Cell::number(travelled, 2),
            Cell::number(tally.pack_out_wh, 0),
            Cell::number(tally.pack_in_wh, 0),
            Cell::number(tally.net_wh(), 0),
            Cell::number(tally.net_wh().zip(travelled).map(|(wh, d)| wh / d), 0),
            Cell::number(tally.pack_out_ah, 1),
            Cell::number(tally.pack_in_ah, 1),
            Cell::number(tally.wall_wh, 0),
            Cell::number(charging.efficiency(), 3),
        ]);
    }
    Ok(sheet.without(left_out).render(format))
}

/// Heat by vehicle and motor position.
pub(super) fn thermal(
    ledgers: &[SessionLedger],
    left_out: &[UnusableSession],
    format: Format,
    units: Units,
) -> PolarsResult<String> {
    let us = units == Units::Us;
    let peak = if us { ("winding_peak_f", "Winding peak °F") } else { ("winding_peak_c", "Winding peak °C") };
    let controller =
        if us { ("controller_peak_f", "Controller peak °F") } else { ("controller_peak_c", "Controller peak °C") };
    let mut sheet = Sheet::new([
        ("vehicle", "Vehicle"),
        ("position", "Motor"),
        peak,
        ("winding_seconds_above", "Seconds above winding limits"),
        controller,
        ("controller_seconds_above", "Seconds above controller limits"),
        ("equivalent_hours", "Hours at class temperature"),
        ("life_used_fraction", "Life used ppm"),
        ("winding_cycles", "Winding cycles of 20 K"),
    ]);
    let shown = |t: f64| if us { fahrenheit(t) } else { t };
    let above = |limits: &[tallywheel_schemas::report::AboveLimit]| {
        let part = |a: &tallywheel_schemas::report::AboveLimit| format!("{:.0}: {:.0}", shown(a.limit_c), a.seconds);
        Cell::text(limits.iter().map(part).collect::<Vec<_>>().join(", "))
    };
    for vehicle in ledgers.chunk_by(|a, b| a.session.manifest.vehicle == b.session.manifest.vehicle) {
        for m in exposure(vehicle)? {
            let life = if format == Format::Text { m.life_used_fraction * 1e6 } else { m.life_used_fraction };
            sheet.push(vec![
                Cell::text(&vehicle[0].session.manifest.vehicle),
                Cell::text(&m.position),
                Cell::number(m.peak_c.map(shown), 1),
                above(&m.seconds_above),
                Cell::number(m.controller_peak_c.map(shown), 1),
                above(&m.controller_seconds_above),
                Cell::number(Some(m.equivalent_hours), 4),
                Cell::number(Some(life), 2),
                Cell::number(Some(m.winding_cycles), 1),
            ]);
        }
    }
    Ok(sheet.without(left_out).render(format))
}

/// The runs of a report.
pub(super) fn runs(report: &Report) -> Sheet {
    let mut sheet = Sheet::new([
        ("run", "Run"),
        ("condition", "Condition"),
        ("used", "Used"),
        ("reason", "Reason"),
        ("distance_km", "km"),
        ("fuel_l", "Fuel L"),
        ("l_per_100km", "L/100 km"),
        ("pack_out_kwh", "out kWh"),
        ("pack_in_kwh", "in kWh"),
        ("coverage", "Coverage"),
    ]);
    for r in &report.runs {
        sheet.push(vec![
            Cell::text(&r.id),
            Cell::text(r.condition.name()),
            Cell::text(if r.used { "true" } else { "false" }),
            Cell::text(r.reason.clone().unwrap_or_default()),
            Cell::number(Some(r.distance_km), 3),
            Cell::number(r.fuel_l, 4),
            Cell::number(r.l_per_100km, 3),
            Cell::number(r.pack_out_kwh, 3),
            Cell::number(r.pack_in_kwh, 3),
            Cell::number(Some(r.coverage), 4),
        ]);
    }
    sheet
}

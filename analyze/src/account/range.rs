//! How far a full pack goes.

use tallywheel_schemas::report::{AssistEnd, PackRange};

use super::NOTHING_TAKEN_WH;
use crate::{figure::fixed, stats::Sample, tally::Tally};

/// Change of charge over all runs that is needed to tell the energy of a point of it, points.
const LEAST_POINTS: f64 = 10.0;

/// One assisted run as far as the assist worked.
#[derive(Debug, Clone, Copy)]
pub(super) struct Working {
    /// Sums of that part.
    pub(super) tally: Tally,
    /// State of charge at its start and end, %.
    pub(super) soc_pct: (Option<f64>, Option<f64>),
    /// Where the assist ended before the run did.
    pub(super) end: Option<AssistEnd>,
}

impl Working {
    fn per_km_wh(&self) -> Option<f64> {
        self.tally.net_wh().filter(|_| self.tally.distance_km() > 0.0).map(|wh| wh / self.tally.distance_km())
    }

    fn ran_flat(&self) -> bool {
        self.end.is_some_and(|e| e.pack_flat)
    }
}

/// What a full pack gives, and how that is known.
#[derive(Debug, Clone, PartialEq)]
struct Full {
    wh: f64,
    km: Option<f64>,
    basis: String,
    rated: bool,
}

/// Distance and energy of a point of charge.
#[derive(Debug, Clone, Copy, PartialEq)]
struct PerPoint {
    km: f64,
    wh: f64,
}

impl PerPoint {
    /// Over some runs. `None` where charge or energy is not known, or the charge fell by too little to tell.
    fn of(runs: &[&Working]) -> Option<Self> {
        let points: f64 = runs.iter().map(|r| Some(r.soc_pct.0? - r.soc_pct.1?)).sum::<Option<f64>>()?;
        let whole: Tally = runs.iter().map(|r| r.tally).collect();
        let wh = whole.net_wh().filter(|_| points >= LEAST_POINTS)?;
        Some(Self { km: whole.distance_km() / points, wh: wh / points })
    }
}

/// Works out the range. `rated_wh` is the rig's, `floor_pct` the campaign's, `calibration` the relative standard
/// uncertainty of pack energies.
///
/// # Formula
/// Where runs ended on a flat pack: the mean over them of `s + (SOC_full − SOC_start)·k`, the distance `s` from the
/// run's own start until flat and, for the charge above that start, the distance `k = Σs / ΣΔSOC` for a point of charge
/// over the runs that did not end so. (A kit that fades as the pack empties goes farther on its last points than on its
/// first, so neither may stand for the other.) Otherwise `(SOC_full − SOC_floor)·k` down to a stated floor, and without
/// one `E / e` with the rated energy and the energy per km, which is a bound. `SOC_full` is the fullest start.
pub(super) fn range(runs: &[Working], rated_wh: Option<f64>, floor_pct: Option<f64>, calibration: f64) -> PackRange {
    let whole: Tally = runs.iter().map(|r| r.tally).collect();
    let km = whole.distance_km();
    let per_km = whole.net_wh().filter(|_| km > 0.0).map(|wh| wh / km);
    let drawn = per_km.filter(|wh| *wh > NOTHING_TAKEN_WH);
    let full = drawn
        .and_then(|per_km| seen_flat(runs).or_else(|| to_floor(runs, floor_pct?)).or_else(|| rated(rated_wh?, per_km)));
    let km = full.as_ref().and_then(|f| f.km);
    let flat: Vec<f64> = runs.iter().filter(|r| r.ran_flat()).filter_map(|r| r.end).map(|e| e.after_km).collect();
    PackRange {
        km,
        expanded_uncertainty_km: km.zip(spread(runs)).map(|(km, spread)| {
            // Distance by charge owes nothing to the meter of energy.
            let calibration = if full.as_ref().is_some_and(|f| f.rated) { calibration } else { 0.0 };
            2.0 * km * spread.hypot(calibration)
        }),
        usable_kwh: full.as_ref().map(|f| f.wh / 1000.0),
        per_km_wh: per_km,
        flat_runs: u32::try_from(flat.len()).unwrap_or(u32::MAX),
        flat_after_km: flat.into_iter().reduce(f64::min),
        floor_reached: floor_pct.and_then(|floor| floor_reached(runs, floor)),
        from_soc_pct: fullest_start(runs),
        at_most: full.as_ref().is_some_and(|f| f.rated),
        unknown: match (per_km, drawn, &full) {
            (None, ..) => Some("the pack's energy was not recorded".to_owned()),
            (Some(_), None, _) => Some("the driving did not draw on the pack".to_owned()),
            (.., None) => Some("neither a state of charge nor a rated energy is known".to_owned()),
            _ => None,
        },
        basis: full.map(|f| f.basis).unwrap_or_default(),
    }
}

/// Whether any run came down to the floor; `None` where no charge is known.
fn floor_reached(runs: &[Working], floor_pct: f64) -> Option<bool> {
    let lowest = runs.iter().filter_map(|r| r.soc_pct.1).reduce(f64::min)?;
    Some(lowest <= floor_pct)
}

fn fullest_start(runs: &[Working]) -> Option<f64> {
    runs.iter().filter_map(|r| r.soc_pct.0).reduce(f64::max)
}

fn seen_flat(runs: &[Working]) -> Option<Full> {
    let (flat, others): (Vec<&Working>, Vec<&Working>) = runs.iter().partition(|r| r.ran_flat());
    let full = fullest_start(runs)?;
    let above = PerPoint::of(&others);
    let each: Vec<(f64, f64)> = flat
        .iter()
        .filter_map(|run| {
            let missing = full - run.soc_pct.0?;
            let rate = above.or_else(|| PerPoint::of(&[run]))?;
            Some((run.tally.distance_km() + missing * rate.km, run.tally.net_wh()? + missing * rate.wh))
        })
        .collect();
    let mean = |of: fn(&(f64, f64)) -> f64| Sample::of(&each.iter().map(of).collect::<Vec<_>>()).map(|s| s.mean);
    let ends: Vec<f64> = flat.iter().filter_map(|r| r.soc_pct.1).collect();
    let end = Sample::of(&ends)?.mean;
    let basis = format!(
        "seen from where runs began down to the flat pack at {} %, and by distance for a point of charge from there up to \
         the fullest start ({} %)",
        fixed(end, 0),
        fixed(full, 0)
    );
    Some(Full { km: mean(|e| e.0), wh: mean(|e| e.1)?, basis, rated: false })
}

fn to_floor(runs: &[Working], floor_pct: f64) -> Option<Full> {
    let full = fullest_start(runs).filter(|full| *full > floor_pct)?;
    let rate = PerPoint::of(&runs.iter().collect::<Vec<_>>())?;
    let points = full - floor_pct;
    let basis = format!(
        "by distance for a point of charge over the runs, from the fullest start ({} %) down to the stated floor ({} %), \
         which no run reached",
        fixed(full, 0),
        fixed(floor_pct, 0)
    );
    Some(Full { km: Some(points * rate.km), wh: points * rate.wh, basis, rated: false })
}

fn rated(rated_wh: f64, per_km_wh: f64) -> Option<Full> {
    let basis =
        "the rig's rated energy, of which no kit uses all: no run ran the pack flat and no floor is stated".to_owned();
    Some(Full { km: Some(rated_wh / per_km_wh), wh: rated_wh, basis, rated: true })
}

/// Relative standard error of the energy per km from run to run.
fn spread(runs: &[Working]) -> Option<f64> {
    // A run on the last of the charge draws less: that is no scatter.
    let values: Vec<f64> = runs.iter().filter(|r| !r.ran_flat()).filter_map(Working::per_km_wh).collect();
    relative_standard_error(&values)
}

/// Standard error of a mean over the mean. `None` with fewer than two values.
pub(super) fn relative_standard_error(values: &[f64]) -> Option<f64> {
    let sample = Sample::of(values)?;
    sample.sd.filter(|_| sample.mean > 0.0).map(|sd| sd / (sample.n as f64).sqrt() / sample.mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: Option<f64>, expected: f64, tolerance: f64) {
        let actual = actual.expect("known");
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    fn run(km: f64, wh: f64, soc: (f64, f64), end: Option<AssistEnd>) -> Working {
        let tally =
            Tally { distance_m: Some(km * 1000.0), pack_out_wh: Some(wh), pack_in_wh: Some(0.0), ..Tally::default() };
        Working { tally, soc_pct: (Some(soc.0), Some(soc.1)), end }
    }

    /// 25 points and 1,250 Wh over 10 km on a good charge; then 25 points, 1,000 Wh and 14 km down to flat, where the kit
    /// fades. From 95 % that is 60 points at 0.4 km and 50 Wh, and 14 km and 1,000 Wh: 38 km and 4.0 kWh.
    #[test]
    fn a_pack_that_was_seen_flat_tells_what_it_gives() {
        let flat = AssistEnd { after_km: 14.0, soc_pct: Some(10.0), pack_flat: true };
        let runs = [run(10.0, 1250.0, (95.0, 70.0), None), run(14.0, 1000.0, (35.0, 10.0), Some(flat))];
        let found = range(&runs, Some(5000.0), None, 0.01);
        close(found.km, 38.0, 1e-9);
        close(found.usable_kwh, 4.0, 1e-12);
        assert_eq!((found.flat_runs, found.flat_after_km, found.at_most), (1, Some(14.0), false));
        assert_eq!(found.floor_reached, None, "none is stated");
        assert_eq!(range(&runs, Some(5000.0), Some(10.0), 0.01).floor_reached, Some(true));
        assert!(found.basis.contains("down to the flat pack at 10 %"), "{}", found.basis);
        // By itself the flat run began as full as is known; beside a run that tells no rate, its own has to do.
        close(range(&runs[1..], None, None, 0.0).km, 14.0, 1e-9);
        let parked = run(0.0, 0.0, (95.0, 95.0), None);
        close(range(&[runs[1], parked], None, None, 0.0).km, 14.0 + 60.0 * 0.56, 1e-9);
    }

    #[test]
    fn a_stated_floor_and_then_the_rating_stand_in() {
        let runs = [run(10.0, 1250.0, (95.0, 70.0), None), run(10.0, 1250.0, (95.0, 70.0), None)];
        let floor = range(&runs, Some(5000.0), Some(20.0), 0.0);
        close(floor.km, 30.0, 1e-9);
        assert_eq!((floor.flat_runs, floor.floor_reached), (0, Some(false)));
        assert!(floor.basis.ends_with("down to the stated floor (20 %), which no run reached"), "{}", floor.basis);
        let rated = range(&runs, Some(5000.0), None, 0.01);
        close(rated.km, 40.0, 1e-9);
        close(rated.expanded_uncertainty_km, 2.0 * 40.0 * 0.01, 1e-9);
        assert!(rated.basis.contains("rated energy"));
        let none = range(&runs, None, None, 0.0);
        assert_eq!(
            (none.km, none.unknown.as_deref()),
            (None, Some("neither a state of charge nor a rated energy is known"))
        );
    }

    #[test]
    fn a_pack_that_gave_nothing_has_no_range() {
        let found = range(&[run(10.0, 0.0, (90.0, 90.0), None)], Some(5000.0), None, 0.0);
        assert_eq!((found.km, found.unknown.as_deref()), (None, Some("the driving did not draw on the pack")));
        assert_eq!(range(&[], Some(5000.0), None, 0.0).unknown.as_deref(), Some("the pack's energy was not recorded"));
    }
}

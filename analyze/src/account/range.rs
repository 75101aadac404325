//! How far a full pack goes.

use tallywheel_schemas::report::{AssistEnd, PackRange};

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
}

/// Energy that a full pack gives, and how that is known.
struct Usable {
    wh: f64,
    basis: String,
    measured: bool,
}

/// Works out the range. `rated_wh` is the rig's, `floor_pct` the campaign's, `calibration` the relative standard
/// uncertainty of pack energies.
///
/// # Formula
/// `R = E / e` with the energy `e` per km while the assist works. `E` is the energy of a point of charge,
/// `Σ E_net / Σ ΔSOC` over the runs, times the points from the fullest start down to where the pack was seen to be
/// flat, or to the stated floor; without either, the rated energy.
pub(super) fn range(runs: &[Working], rated_wh: Option<f64>, floor_pct: Option<f64>, calibration: f64) -> PackRange {
    let whole: Tally = runs.iter().map(|r| r.tally).collect();
    let km = whole.distance_km();
    let per_km = whole.net_wh().filter(|_| km > 0.0).map(|wh| wh / km);
    let usable = usable(runs, &whole, rated_wh, floor_pct);
    let drawn = per_km.filter(|wh| *wh > 0.0);
    let km = usable.as_ref().zip(drawn).map(|(e, wh)| e.wh / wh);
    let flat: Vec<f64> = runs.iter().filter_map(|r| r.end).filter(|e| e.pack_flat).map(|e| e.after_km).collect();
    PackRange {
        km,
        expanded_uncertainty_km: km.zip(spread(runs)).map(|(km, spread)| {
            // A measured energy and the energy per km come from the same meter: its gain cancels.
            let calibration = if usable.as_ref().is_some_and(|u| u.measured) { 0.0 } else { calibration };
            2.0 * km * spread.hypot(calibration)
        }),
        usable_kwh: usable.as_ref().map(|u| u.wh / 1000.0),
        per_km_wh: per_km,
        flat_runs: u32::try_from(flat.len()).unwrap_or(u32::MAX),
        flat_after_km: flat.into_iter().reduce(f64::min),
        at_most: usable.as_ref().is_some_and(|u| !u.measured),
        unknown: match (per_km, drawn, &usable) {
            (None, ..) => Some("the pack's energy was not recorded".to_owned()),
            (Some(_), None, _) => Some("the driving did not draw on the pack".to_owned()),
            (.., None) => Some("neither a state of charge nor a rated energy is known".to_owned()),
            _ => None,
        },
        basis: usable.map(|u| u.basis).unwrap_or_default(),
    }
}

fn usable(runs: &[Working], whole: &Tally, rated_wh: Option<f64>, floor_pct: Option<f64>) -> Option<Usable> {
    let points: Option<f64> = runs.iter().map(|r| Some(r.soc_pct.0? - r.soc_pct.1?)).sum();
    let per_point = whole.net_wh().zip(points.filter(|p| *p >= LEAST_POINTS)).map(|(wh, p)| wh / p);
    let full = runs.iter().filter_map(|r| r.soc_pct.0).reduce(f64::max);
    let flat: Vec<f64> = runs.iter().filter_map(|r| r.end).filter(|e| e.pack_flat).filter_map(|e| e.soc_pct).collect();
    let floor =
        Sample::of(&flat).map(|s| (s.mean, "where the pack was flat")).or(floor_pct.map(|f| (f, "the stated floor")));
    if let (Some(per_point), Some(full), Some((floor, which))) = (per_point, full, floor)
        && full > floor
    {
        let basis = format!(
            "{} Wh for a point of charge, measured over the runs, from the fullest start ({} %) down to {which} ({} %)",
            fixed(per_point, 1),
            fixed(full, 0),
            fixed(floor, 0)
        );
        return Some(Usable { wh: per_point * (full - floor), basis, measured: true });
    }
    let basis = "the rig's rated energy, of which no kit uses all: no run ran the pack flat and no floor is stated";
    rated_wh.map(|wh| Usable { wh, basis: basis.to_owned(), measured: false })
}

/// Relative standard error of the energy per km from run to run.
fn spread(runs: &[Working]) -> Option<f64> {
    let values: Vec<f64> = runs.iter().filter_map(Working::per_km_wh).collect();
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

    /// 25 points and 1,250 Wh over 10 km: 50 Wh a point and 125 Wh/km. From 95 % down to 10 % that is 4,250 Wh and
    /// 34 km, where the rated 5,000 Wh would promise 40.
    #[test]
    fn a_pack_that_was_seen_flat_tells_what_it_gives() {
        let flat = AssistEnd { after_km: 10.0, soc_pct: Some(10.0), pack_flat: true };
        let runs = [run(10.0, 1250.0, (95.0, 70.0), None), run(10.0, 1250.0, (35.0, 10.0), Some(flat))];
        let found = range(&runs, Some(5000.0), None, 0.01);
        close(found.km, 34.0, 1e-9);
        close(found.usable_kwh, 4.25, 1e-12);
        assert_eq!((found.flat_runs, found.flat_after_km), (1, Some(10.0)));
        assert!(found.basis.contains("where the pack was flat (10 %)"), "{}", found.basis);
    }

    #[test]
    fn a_stated_floor_and_then_the_rating_stand_in() {
        let runs = [run(10.0, 1250.0, (95.0, 70.0), None), run(10.0, 1250.0, (95.0, 70.0), None)];
        close(range(&runs, Some(5000.0), Some(20.0), 0.0).km, 30.0, 1e-9);
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

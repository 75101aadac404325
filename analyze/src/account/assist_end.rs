//! Whether the assist ended in the middle of a run, and whether that was because the pack had run flat.
//!
//! A run that is half driven on an empty pack shows a mileage between the two conditions and says nothing of where
//! the help ended. What ends is the pack's power: some controllers go on commanding torque that an empty pack can no
//! longer give.

use polars::prelude::PolarsResult;
use tallywheel_schemas::report::AssistEnd;

use crate::{columns, ledger::SessionLedger};

/// Power below this share of what the pack usually gives while assisting counts as none: a flat pack still lends what
/// the last braking put into it.
const NO_POWER: f64 = 0.10;
/// Distance with torque commanded but no power that shows the assist to have ended, m.
const COMMANDED_IN_VAIN_M: f64 = 300.0;
/// Distance below the switch-on speed without command or power that shows it, m, if the charge is low: farther than
/// a town's street or a hill's slope goes without any acceleration (common practice).
const IDLE_AT_LOW_CHARGE_M: f64 = 1000.0;
/// State of charge up to which an assist that ended is taken for a flat pack, % (common practice).
const LOW_CHARGE_PCT: f64 = 30.0;

/// One bin of an assisted run.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bin {
    /// Distance, m.
    pub(super) distance_m: f64,
    /// Mean speed, m/s.
    pub(super) speed_m_s: f64,
    /// Mean power out of the pack, W; `None` where it is not known.
    pub(super) power_w: Option<f64>,
    /// Torque is commanded.
    pub(super) commanded: bool,
    /// State of charge at the end, %.
    pub(super) soc_pct: Option<f64>,
}

/// Where the assist ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct End {
    /// First bin without assist.
    pub(super) bin: usize,
    /// The same as distance and charge.
    pub(super) end: AssistEnd,
}

/// The bins of a run.
///
/// # Errors
/// When the ledger's frame lacks its columns.
pub(super) fn bins(ledger: &SessionLedger) -> PolarsResult<Vec<Bin>> {
    let values = |name| columns::floats(&ledger.bins, name);
    let (distance, distance_s) = (values("distance_m")?, values("distance_valid_s")?);
    let (out, pack_s) = (values("pack_out_wh")?, values("pack_valid_s")?);
    let (on, on_s, soc) = (values("assist_on_s")?, values("assist_valid_s")?, values("soc_end_pct")?);
    let positive = |v: Option<f64>| v.filter(|v| *v > 0.0);
    Ok((0..ledger.bins.height())
        .map(|i| {
            let distance_m = distance[i].unwrap_or(0.0);
            Bin {
                distance_m,
                speed_m_s: positive(distance_s[i]).map_or(0.0, |s| distance_m / s),
                power_w: out[i].zip(positive(pack_s[i])).map(|(wh, s)| wh * 3600.0 / s),
                commanded: on[i].zip(positive(on_s[i])).is_some_and(|(on, known)| on >= 0.5 * known),
                soc_pct: soc[i],
            }
        })
        .collect())
}

/// Power that a run's pack gives while it assists, W: the 95th percentile over the bins with torque commanded.
pub(super) fn usual_power_w(bins: &[Bin]) -> Option<f64> {
    let mut powers: Vec<f64> = bins.iter().filter(|b| b.commanded).filter_map(|b| b.power_w).collect();
    powers.sort_by(f64::total_cmp);
    powers.get(powers.len().saturating_sub(1) * 95 / 100).copied().filter(|w| *w > 0.0)
}

/// Where the assist of a run ended before the run did. `usual_w` is the largest [`usual_power_w`] of the campaign,
/// so that a run begun on an empty pack is not measured by its own standard; `cut_in_m_s` the speed below which the
/// kit assists, if the rig states it; `floor_pct` the charge at which it stops, if the campaign states it: above it no
/// assist ended for want of charge, whatever else is usual.
pub(super) fn assist_end(bins: &[Bin], usual_w: f64, cut_in_m_s: Option<f64>, floor_pct: Option<f64>) -> Option<End> {
    let low = floor_pct.unwrap_or(LOW_CHARGE_PCT);
    let at = |bin: usize, pack_flat: Option<bool>| {
        let soc_pct = bins[..bins.len().min(bin + 1)].iter().rev().find_map(|b| b.soc_pct);
        let after_km = bins[..bin].iter().map(|b| b.distance_m).sum::<f64>() / 1000.0;
        let pack_flat = pack_flat.unwrap_or_else(|| soc_pct.is_none_or(|soc| soc <= low));
        End { bin, end: AssistEnd { after_km, soc_pct, pack_flat } }
    };
    let at_floor = floor_pct.and_then(|floor| bins.iter().position(|b| b.soc_pct.is_some_and(|soc| soc <= floor)));
    if let Some(bin) = at_floor {
        return Some(at(bin, Some(true)));
    }
    // Where the power is not known the assist may have gone on.
    let first = bins.iter().rposition(|b| b.power_w.is_none_or(|w| w > NO_POWER * usual_w)).map_or(0, |i| i + 1);
    let rest = &bins[first..];
    let metres = |counts: &dyn Fn(&&Bin) -> bool| rest.iter().filter(counts).map(|b| b.distance_m).sum::<f64>();
    let in_vain = metres(&|b| b.commanded) >= COMMANDED_IN_VAIN_M;
    let soc = rest.first().and_then(|b| b.soc_pct);
    let slow = |b: &&Bin| cut_in_m_s.is_none_or(|limit| b.speed_m_s < limit);
    let idle = soc.is_some_and(|soc| soc <= low) && metres(&slow) >= IDLE_AT_LOW_CHARGE_M;
    (in_vain || idle).then(|| at(first, None))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A kilometre in 100 bins of 10 m.
    fn kilometre(power_w: f64, commanded: bool, soc_pct: Option<f64>) -> Vec<Bin> {
        vec![Bin { distance_m: 10.0, speed_m_s: 10.0, power_w: Some(power_w), commanded, soc_pct }; 100]
    }

    fn end(stretches: &[Vec<Bin>], floor: Option<f64>) -> Option<AssistEnd> {
        let bins = stretches.concat();
        assist_end(&bins, 8000.0, Some(14.4), floor).map(|e| e.end)
    }

    #[test]
    fn torque_without_power_at_low_charge_is_a_flat_pack() {
        let helped = kilometre(8000.0, true, Some(15.0));
        let in_vain = kilometre(300.0, true, Some(10.4));
        let found = end(&[helped.clone(), helped.clone(), in_vain], None).expect("it ended");
        assert!((found.after_km - 2.0).abs() < 1e-9, "{found:?}");
        assert!(found.pack_flat && found.soc_pct == Some(10.4), "{found:?}");
        assert_eq!(end(&[helped.clone(), helped], None), None);
    }

    #[test]
    fn a_controller_that_gives_up_at_low_charge_is_seen_by_the_distance() {
        let helped = kilometre(8000.0, true, Some(20.0));
        let idle = |soc| kilometre(0.0, false, soc);
        assert!(end(&[helped.clone(), idle(Some(12.0))], None).expect("it ended").pack_flat);
        // At a good charge the driver simply asked for nothing: a long slope.
        assert_eq!(end(&[helped.clone(), idle(Some(70.0))], None), None);
        assert_eq!(end(&[helped, idle(None)], None), None);
    }

    #[test]
    fn assist_that_ends_on_a_good_charge_is_no_flat_pack() {
        let found = end(&[kilometre(8000.0, true, Some(80.0)), kilometre(0.0, true, Some(80.0))], None);
        assert!(!found.expect("it ended").pack_flat);
    }

    #[test]
    fn a_stated_floor_decides_by_itself() {
        let stretches = [kilometre(8000.0, true, Some(30.0)), kilometre(8000.0, true, Some(25.0))];
        let found = end(&stretches, Some(25.0)).expect("at the floor");
        assert!(found.pack_flat && (found.after_km - 1.0).abs() < 1e-9, "{found:?}");
        assert_eq!(end(&stretches, Some(20.0)), None);
    }

    /// Torque in vain at 20 % is a flat pack by common practice, and none where the kit is said to go on down to 10 %.
    #[test]
    fn above_a_stated_floor_no_pack_is_flat() {
        let stretches = [kilometre(8000.0, true, Some(25.0)), kilometre(0.0, true, Some(20.0))];
        let flat = |floor| end(&stretches, floor).expect("it ended").pack_flat;
        assert_eq!((flat(None), flat(Some(10.0))), (true, false));
        let idle = [kilometre(8000.0, true, Some(25.0)), kilometre(0.0, false, Some(20.0))];
        assert!(end(&idle, None).is_some_and(|e| e.pack_flat));
        assert_eq!(end(&idle, Some(10.0)), None);
    }

    #[test]
    fn a_pack_that_is_flat_from_the_start_helped_nowhere() {
        let found = end(&[kilometre(200.0, true, Some(10.2))], None).expect("never began");
        assert!(found.after_km.abs() < 1e-9 && found.pack_flat, "{found:?}");
    }

    #[test]
    fn what_is_not_recorded_ends_nothing() {
        let unknown = vec![Bin { distance_m: 10.0, speed_m_s: 10.0, commanded: true, ..Bin::default() }; 100];
        assert_eq!(end(&[kilometre(8000.0, true, None), unknown], None), None);
    }

    #[test]
    fn usual_power_is_taken_where_torque_is_commanded() {
        let bins = [kilometre(8000.0, true, None), kilometre(20_000.0, false, None)].concat();
        assert_eq!(usual_power_w(&bins), Some(8000.0));
        assert_eq!(usual_power_w(&kilometre(8000.0, false, None)), None);
    }
}

//! The ledger's columns that days are made of, and the motors' folded into one value per bin.

use std::ops::Range;

use polars::prelude::PolarsResult;
use tallywheel_schemas::Timestamp;

use crate::{columns::floats, ledger::SessionLedger, trips::Mode};

/// Columns of `ledger`, all of one length.
pub(super) struct Bins {
    t_us: Vec<i64>,
    bin_us: i64,
    pub(super) distance_m: Vec<Option<f64>>,
    pub(super) distance_valid_s: Vec<Option<f64>>,
    pub(super) speed_start_m_s: Vec<Option<f64>>,
    pub(super) speed_end_m_s: Vec<Option<f64>>,
    pub(super) fuel_ml: Vec<Option<f64>>,
    pub(super) fuel_valid_s: Vec<Option<f64>>,
    pub(super) pack_out_wh: Vec<Option<f64>>,
    pub(super) pack_in_wh: Vec<Option<f64>>,
    pub(super) pack_valid_s: Vec<Option<f64>>,
    pub(super) wall_wh: Vec<Option<f64>>,
    pub(super) wall_valid_s: Vec<Option<f64>>,
    pub(super) engine_on_s: Vec<Option<f64>>,
    pub(super) engine_valid_s: Vec<Option<f64>>,
    pub(super) assist_on_s: Vec<Option<f64>>,
    pub(super) regen_on_s: Vec<Option<f64>>,
    pub(super) assist_valid_s: Vec<Option<f64>>,
    pub(super) soc_end_pct: Vec<Option<f64>>,
}

impl Bins {
    pub(super) fn of(ledger: &SessionLedger) -> PolarsResult<Self> {
        let frame = &ledger.bins;
        let column = |name| floats(frame, name);
        Ok(Self {
            t_us: frame.column("t_us")?.i64()?.iter().map(Option::unwrap_or_default).collect(),
            bin_us: ledger.findings.bin_us,
            distance_m: column("distance_m")?,
            distance_valid_s: column("distance_valid_s")?,
            speed_start_m_s: column("speed_start_m_s")?,
            speed_end_m_s: column("speed_end_m_s")?,
            fuel_ml: column("fuel_ml")?,
            fuel_valid_s: column("fuel_valid_s")?,
            pack_out_wh: column("pack_out_wh")?,
            pack_in_wh: column("pack_in_wh")?,
            pack_valid_s: column("pack_valid_s")?,
            wall_wh: column("wall_wh")?,
            wall_valid_s: column("wall_valid_s")?,
            engine_on_s: column("engine_on_s")?,
            engine_valid_s: column("engine_valid_s")?,
            assist_on_s: column("assist_on_s")?,
            regen_on_s: column("regen_on_s")?,
            assist_valid_s: column("assist_valid_s")?,
            soc_end_pct: column("soc_end_pct")?,
        })
    }

    pub(super) const fn len(&self) -> usize {
        self.t_us.len()
    }

    pub(super) fn width_s(&self) -> f64 {
        self.bin_us as f64 / 1e6
    }

    pub(super) fn start(&self, i: usize) -> Timestamp {
        Timestamp::from_us(self.t_us[i])
    }

    pub(super) fn end(&self, i: usize) -> Timestamp {
        self.start(i).plus_us(self.bin_us)
    }

    pub(super) fn mode(&self, i: usize) -> Mode {
        Mode::of(self.width_s(), self.assist_on_s[i], self.regen_on_s[i], self.assist_valid_s[i])
    }

    /// Mean speed over the covered part of a bin.
    pub(super) fn speed_m_s(&self, i: usize) -> Option<f64> {
        let covered = self.distance_valid_s[i].filter(|s| *s > 0.0)?;
        Some(self.distance_m[i]? / covered)
    }

    pub(super) fn has_distance(&self, i: usize) -> bool {
        is_known(&self.distance_m, &self.distance_valid_s, i)
    }

    pub(super) fn has_pack(&self, i: usize) -> bool {
        is_known(&self.pack_out_wh, &self.pack_valid_s, i)
    }

    pub(super) fn has_fuel(&self, i: usize) -> bool {
        is_known(&self.fuel_ml, &self.fuel_valid_s, i)
    }
}

/// Whether a bin has a value that rests on data.
fn is_known(values: &[Option<f64>], valid_s: &[Option<f64>], i: usize) -> bool {
    values[i].is_some() && valid_s[i].is_some_and(|s| s > 0.0)
}

/// A winding's temperature in a bin.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct WindingBin {
    pub(super) mean_c: Option<f64>,
    /// Time in which it is known, s.
    pub(super) valid_s: f64,
}

/// Heat and faults of any motor, one value per bin.
pub(super) struct Heat {
    /// Of each motor, bin by bin.
    windings: Vec<Vec<WindingBin>>,
    pub(super) winding_max_c: Vec<Option<f64>>,
    pub(super) winding_hot_s: Vec<Option<f64>>,
    pub(super) winding_valid_s: Vec<Option<f64>>,
    pub(super) controller_max_c: Vec<Option<f64>>,
    pub(super) controller_hot_s: Vec<Option<f64>>,
    pub(super) controller_valid_s: Vec<Option<f64>>,
    pub(super) fault_s: Vec<Option<f64>>,
}

impl Heat {
    /// Motors at once count once: each bin takes the motor with the largest value.
    pub(super) fn of(ledger: &SessionLedger, bins: &Bins) -> PolarsResult<Self> {
        let frame = &ledger.motors;
        let times = frame.column("t_us")?.i64()?;
        let first = bins.t_us.first().copied().unwrap_or_default();
        let places: Vec<usize> = times
            .iter()
            .map(|t| usize::try_from((t.unwrap_or_default() - first) / bins.bin_us).unwrap_or(usize::MAX))
            .collect();
        let largest = |values: &[Option<f64>]| {
            let mut out = vec![None; bins.len()];
            for (place, value) in places.iter().zip(values) {
                if let (Some(cell), Some(v)) = (out.get_mut(*place), *value) {
                    *cell = Some(cell.map_or(v, |before: f64| before.max(v)));
                }
            }
            out
        };
        let column = |name: &str| floats(frame, name);
        let hot = |mean: &str, valid: &str, limit: Option<f64>| -> PolarsResult<Vec<Option<f64>>> {
            let (mean, valid) = (column(mean)?, column(valid)?);
            let above = |t: Option<f64>| t.zip(limit).is_some_and(|(t, limit)| t > limit);
            let seconds = mean.iter().zip(&valid).map(|(t, s)| s.map(|s| if above(*t) { s } else { 0.0 }));
            Ok(largest(&seconds.collect::<Vec<_>>()))
        };
        let assist = &ledger.session.rig.assist;
        // Every bin has a row of every motor, always in the same order.
        let motors = places.iter().take_while(|p| Some(*p) == places.first()).count();
        let mut windings = vec![vec![WindingBin::default(); bins.len()]; motors];
        let (mean, valid) = (column("winding_mean_c")?, column("winding_valid_s")?);
        for (row, place) in places.iter().enumerate() {
            if let Some(bin) = windings[row % motors].get_mut(*place) {
                *bin = WindingBin { mean_c: mean[row], valid_s: valid[row].unwrap_or_default() };
            }
        }
        Ok(Self {
            windings,
            winding_max_c: largest(&column("winding_max_c")?),
            winding_hot_s: hot("winding_mean_c", "winding_valid_s", first_limit(&assist.winding_limits_c))?,
            winding_valid_s: largest(&valid),
            controller_max_c: largest(&column("controller_max_c")?),
            controller_hot_s: hot("controller_mean_c", "controller_valid_s", first_limit(&assist.controller_limits_c))?,
            controller_valid_s: largest(&column("controller_valid_s")?),
            fault_s: largest(&column("fault_on_s")?),
        })
    }
}

impl Heat {
    /// The largest that `of` makes of a motor's bins in a range; `None` where no winding temperature is known in it.
    pub(super) fn most(&self, range: &Range<usize>, of: impl Fn(&[WindingBin]) -> f64) -> Option<f64> {
        let known = |winding: &&[WindingBin]| winding.iter().any(|bin| bin.mean_c.is_some());
        self.windings.iter().map(|w| &w[range.clone()]).filter(known).map(of).reduce(f64::max)
    }
}

fn first_limit(limits_c: &[f64]) -> Option<f64> {
    limits_c.iter().copied().reduce(f64::min)
}

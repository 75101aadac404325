//! Sums over ledger rows: the one place where distance, fuel and energy of a stretch are added up.

use std::ops::AddAssign;

use polars::prelude::{DataFrame, PolarsResult};

use crate::columns;

/// What some ledger rows add up to. `None` where the session has no channel for it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tally {
    /// Time covered by the rows, s.
    pub duration_s: f64,
    /// Distance, m.
    pub distance_m: Option<f64>,
    /// Time with distance data, s.
    pub distance_valid_s: f64,
    /// Fuel at reference temperature, mL.
    pub fuel_ml: Option<f64>,
    /// Time with fuel data, s.
    pub fuel_valid_s: f64,
    /// Energy out of the pack, Wh.
    pub pack_out_wh: Option<f64>,
    /// Energy into the pack, Wh, positive.
    pub pack_in_wh: Option<f64>,
    /// Charge out of the pack, Ah.
    pub pack_out_ah: Option<f64>,
    /// Charge into the pack, Ah, positive.
    pub pack_in_ah: Option<f64>,
    /// Time with pack voltage and current, s.
    pub pack_valid_s: f64,
    /// Energy from the wall, Wh.
    pub wall_wh: Option<f64>,
    /// Time with a motor driving, s.
    pub assist_on_s: Option<f64>,
    /// Time in which the assist state is known, s.
    pub assist_valid_s: f64,
}

impl Tally {
    /// Sums the rows of a ledger frame with bins of `bin_s` seconds.
    ///
    /// # Errors
    /// When the frame is no ledger.
    pub fn of(rows: &DataFrame, bin_s: f64) -> PolarsResult<Self> {
        let sum = |name| columns::sum(rows, name);
        let time = |name| Ok::<_, polars::prelude::PolarsError>(columns::sum(rows, name)?.unwrap_or(0.0));
        Ok(Self {
            duration_s: rows.height() as f64 * bin_s,
            distance_m: sum("distance_m")?,
            distance_valid_s: time("distance_valid_s")?,
            fuel_ml: sum("fuel_ml")?,
            fuel_valid_s: time("fuel_valid_s")?,
            pack_out_wh: sum("pack_out_wh")?,
            pack_in_wh: sum("pack_in_wh")?,
            pack_out_ah: sum("pack_out_ah")?,
            pack_in_ah: sum("pack_in_ah")?,
            pack_valid_s: time("pack_valid_s")?,
            wall_wh: sum("wall_wh")?,
            assist_on_s: sum("assist_on_s")?,
            assist_valid_s: time("assist_valid_s")?,
        })
    }

    /// Fuel over distance, L/100 km: always summed fuel over summed distance, never a mean of ratios.
    pub fn l_per_100km(&self) -> Option<f64> {
        let (ml, m) = (self.fuel_ml?, self.distance_m?);
        (m > 0.0 && ml > 0.0).then(|| ml / m * 100.0)
    }

    /// Net energy out of the pack, Wh.
    pub fn net_wh(&self) -> Option<f64> {
        Some(self.pack_out_wh? - self.pack_in_wh?)
    }

    /// Distance, km; zero where there is none.
    pub fn distance_km(&self) -> f64 {
        self.distance_m.unwrap_or(0.0) / 1000.0
    }
}

impl AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        let add = |a: &mut Option<f64>, b: Option<f64>| {
            if let Some(b) = b {
                *a = Some(a.unwrap_or(0.0) + b);
            }
        };
        self.duration_s += other.duration_s;
        add(&mut self.distance_m, other.distance_m);
        self.distance_valid_s += other.distance_valid_s;
        add(&mut self.fuel_ml, other.fuel_ml);
        self.fuel_valid_s += other.fuel_valid_s;
        add(&mut self.pack_out_wh, other.pack_out_wh);
        add(&mut self.pack_in_wh, other.pack_in_wh);
        add(&mut self.pack_out_ah, other.pack_out_ah);
        add(&mut self.pack_in_ah, other.pack_in_ah);
        self.pack_valid_s += other.pack_valid_s;
        add(&mut self.wall_wh, other.wall_wh);
        add(&mut self.assist_on_s, other.assist_on_s);
        self.assist_valid_s += other.assist_valid_s;
    }
}

impl FromIterator<Tally> for Tally {
    fn from_iter<I: IntoIterator<Item = Self>>(parts: I) -> Self {
        let mut whole = Self::default();
        parts.into_iter().for_each(|part| whole += part);
        whole
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::units::{LITRES_PER_US_GALLON, METRES_PER_MILE, mpg_us_from_l_per_100km};

    use super::*;

    fn leg(miles: f64, mpg: f64) -> Tally {
        Tally {
            distance_m: Some(miles * METRES_PER_MILE),
            fuel_ml: Some(miles / mpg * LITRES_PER_US_GALLON * 1000.0),
            ..Tally::default()
        }
    }

    /// Harmonic (distance-weighted) averaging as 40 CFR 600 has it: 10 mi at 20 mpg and 10 mi at 40 mpg are
    /// 26.667 mpg, not 30; 30 mi at 15 and 70 mi at 35 are 25, not 29.
    #[test]
    fn mileage_is_summed_distance_over_summed_fuel() {
        for (legs, expected) in [([(10.0, 20.0), (10.0, 40.0)], 26.666_667), ([(30.0, 15.0), (70.0, 35.0)], 25.0)] {
            let whole: Tally = legs.into_iter().map(|(miles, mpg)| leg(miles, mpg)).collect();
            let mpg = mpg_us_from_l_per_100km(whole.l_per_100km().expect("fuel and distance"));
            assert!((mpg - expected).abs() < 1e-6, "{mpg}");
        }
    }

    #[test]
    fn a_channel_that_no_part_has_stays_unknown() {
        let whole: Tally = [leg(1.0, 20.0), leg(2.0, 20.0)].into_iter().collect();
        assert_eq!((whole.pack_out_wh, whole.net_wh()), (None, None));
    }
}

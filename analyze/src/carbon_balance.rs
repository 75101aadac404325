//! Mileage from what leaves the tailpipe: the carbon balance of certification tests.
//!
//! A laboratory that has the vehicle on a dynamometer weighs the carbon in the exhaust instead of the fuel. Its
//! results are what a mileage by fuel meter can be held against, bag by bag.

use serde::{Deserialize, Serialize};

/// Mass of exhaust components per mile, g.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exhaust {
    /// Hydrocarbons.
    pub hc_g_mi: f64,
    /// Carbon monoxide.
    pub co_g_mi: f64,
    /// Carbon dioxide.
    pub co2_g_mi: f64,
}

/// Properties of the test fuel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TestFuel {
    /// Specific gravity.
    pub specific_gravity: f64,
    /// Carbon as a share of the mass.
    pub carbon_weight_fraction: f64,
    /// Net heating value, Btu/lb.
    pub net_heating_value_btu_lb: f64,
}

/// Mileage of petrol in mpg (US) with the fuel of model years 1978 to 1987.
///
/// # Formula
/// `2421 / (0.866·HC + 0.429·CO + 0.273·CO₂)` (40 CFR 600, appendix II).
///
/// ```
/// use tallywheel_analyze::carbon_balance::{Exhaust, mpg_fixed_fuel};
/// let mpg = mpg_fixed_fuel(&Exhaust { hc_g_mi: 0.139, co_g_mi: 1.59, co2_g_mi: 317.0 });
/// assert!((mpg - 27.7).abs() < 0.05);
/// ```
pub fn mpg_fixed_fuel(exhaust: &Exhaust) -> f64 {
    2421.0 / (0.866 * exhaust.hc_g_mi + carbon_of_oxides(exhaust))
}

/// Mileage of petrol in mpg (US) from model year 1988 on, corrected for the test fuel.
///
/// # Formula
/// `5174·10⁴·CWF·SG / ((CWF·HC + 0.429·CO + 0.273·CO₂)·(0.6·SG·NHV + 5471))` (40 CFR 600, appendix II).
pub fn mpg(exhaust: &Exhaust, fuel: &TestFuel) -> f64 {
    let TestFuel { specific_gravity: sg, carbon_weight_fraction: cwf, net_heating_value_btu_lb: nhv } = *fuel;
    5174e4 * cwf * sg / ((cwf * exhaust.hc_g_mi + carbon_of_oxides(exhaust)) * (0.6 * sg * nhv + 5471.0))
}

fn carbon_of_oxides(exhaust: &Exhaust) -> f64 {
    0.429 * exhaust.co_g_mi + 0.273 * exhaust.co2_g_mi
}

/// City and highway mileage averaged over distance, 55 % to 45 %.
///
/// # Formula
/// `1 / (0.55/city + 0.45/highway)` (40 CFR 600, appendix II).
pub fn combined_mpg(city: f64, highway: f64) -> f64 {
    1.0 / (0.55 / city + 0.45 / highway)
}

/// City mileage of the three bags of the federal test procedure: a cold start, the stabilised part, a hot start.
///
/// # Formula
/// `1/M = 0.43·(3.591/B₁ + 3.859/B₂)/7.45 + 0.57·(3.591/B₃ + 3.859/B₂)/7.45` with the distances of the transient and
/// the stabilised part in miles: fuel is summed over distance, weighted by the share of cold starts.
pub fn city_mpg([cold, stabilised, hot]: [f64; 3]) -> f64 {
    let (transient_mi, stabilised_mi) = (3.591, 3.859);
    let test = |start: f64| (transient_mi / start + stabilised_mi / stabilised) / (transient_mi + stabilised_mi);
    1.0 / (0.43 * test(cold) + 0.57 * test(hot))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    const EXAMPLE: Exhaust = Exhaust { hc_g_mi: 0.139, co_g_mi: 1.59, co2_g_mi: 317.0 };

    /// Worked example of 40 CFR 600, appendix II (27.7 mpg). The printed equation has HC = 1.39, its text .139; only
    /// the text's figure gives the printed result.
    #[test]
    fn the_regulations_first_example_is_met() {
        close(mpg_fixed_fuel(&EXAMPLE), 27.7182, 5e-5);
        close(mpg_fixed_fuel(&Exhaust { hc_g_mi: 1.39, ..EXAMPLE }), 27.3786, 5e-5);
        close(combined_mpg(27.7, 36.9), 31.2, 0.05);
        close(combined_mpg(27.7, 36.9), 31.2005, 5e-5);
    }

    /// The same appendix from model year 1988 on: 27.9 mpg with a specific gravity of .745, a carbon share of .868
    /// and 18,478 Btu/lb; the combined result recomputed from its inputs.
    #[test]
    fn the_regulations_second_example_is_met() {
        let fuel =
            TestFuel { specific_gravity: 0.745, carbon_weight_fraction: 0.868, net_heating_value_btu_lb: 18_478.0 };
        close(mpg(&EXAMPLE, &fuel), 27.9, 0.05);
        close(mpg(&EXAMPLE, &fuel), 27.8984, 5e-5);
        close(combined_mpg(27.9, 36.9), 31.3397, 5e-5);
    }

    /// Certification tests of the regulator: three bags and the published weighted mileage.
    const BAGS: &str = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/test-car-list/ftp_bags.csv"));

    #[derive(Deserialize)]
    struct Row {
        #[serde(rename = "Test Number")]
        number: String,
        #[serde(rename = "RND_ADJ_FE")]
        published: f64,
        #[serde(rename = "FE Bag 1")]
        cold: f64,
        #[serde(rename = "FE Bag 2")]
        stabilised: f64,
        #[serde(rename = "FE Bag 3")]
        hot: f64,
    }

    /// 2022 test car list of the US EPA (public domain): 60 tests. One published figure is wrong at the source (10,000
    /// mpg); another, of test MFEX10062264, is 20 % below what its own bags give, for no reason that the list states.
    /// The others agree within the rounding of the published figure and of the bags.
    #[test]
    fn bags_weigh_to_the_published_city_mileage() {
        let rows: Vec<Row> =
            csv::Reader::from_reader(BAGS.as_bytes()).deserialize().collect::<Result<_, _>>().expect("rows");
        assert_eq!(rows.len(), 60);
        let impossible = |r: &&Row| [r.published, r.cold, r.stabilised, r.hot].iter().any(|mpg| *mpg > 300.0);
        assert_eq!(rows.iter().filter(impossible).count(), 1);
        let off = |r: &Row| (city_mpg([r.cold, r.stabilised, r.hot]) - r.published).abs();
        let sound: Vec<&Row> = rows.iter().filter(|r| !impossible(r)).collect();
        let beyond = |limit| sound.iter().filter(|r| off(r) > limit).map(|r| r.number.as_str()).collect::<Vec<_>>();
        assert_eq!(beyond(0.13), ["MFEX10062264"]);
        assert!(beyond(0.1).len() <= 4, "{:?}", beyond(0.1));
    }
}

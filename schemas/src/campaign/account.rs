//! Prices and factors of the account, and how a day's driving is weighted.

use serde::{Deserialize, Serialize};

use crate::text_file::{TextFile, TextFileError};

/// Prices and factors of the energy account, all to be stated by the user; without them the account stays in
/// kWh and litres.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Account {
    /// Currency of the prices.
    pub currency: Option<String>,
    /// Price of a litre of fuel.
    pub fuel_price_per_l: Option<f64>,
    /// Price of a kWh from the wall.
    pub electricity_price_per_kwh: Option<f64>,
    /// CO₂ of a litre of fuel, g. EPA-420-F-11-041: 8,887 g per US gallon, 2,348 g per litre.
    pub fuel_co2_g_per_l: Option<f64>,
    /// CO₂ of a kWh from the wall, g.
    pub grid_co2_g_per_kwh: Option<f64>,
    /// Energy into the pack over energy from the wall, for campaigns in which charging is not logged.
    pub charging_efficiency: Option<f64>,
    /// State of charge at which the kit stops assisting, %, where its maker states one.
    pub soc_floor_pct: Option<f64>,
    /// How a day's driving is weighted.
    pub utility: Option<Utility>,
    /// Distances of single days of the fleet, km, for `utility = "own"`.
    pub daily_km: Vec<f64>,
}

/// Whose daily distances weight the driving with and without charge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Utility {
    /// Fleet curve of SAE J2841: private cars in the USA, weighted by distance.
    J2841Fleet,
    /// Multi-day individual curve of SAE J2841: the same cars, weighted by vehicle.
    J2841Individual,
    /// Curve of the European test with a normalised distance of 800 km (UN GTR 15).
    Gtr15,
    /// The same coefficients with 2,200 km, as Euro 6e-bis has it.
    #[serde(rename = "gtr15_2200")]
    Gtr15Long,
    /// The fleet's own daily distances.
    Own,
}

impl Utility {
    /// The word used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::J2841Fleet => "j2841_fleet",
            Self::J2841Individual => "j2841_individual",
            Self::Gtr15 => "gtr15",
            Self::Gtr15Long => "gtr15_2200",
            Self::Own => "own",
        }
    }
}

impl Account {
    pub(super) fn check(&self, file: &TextFile) -> Result<(), TextFileError> {
        let at = |name: &str, message: String| {
            let at = file.text.find(name).unwrap_or_default();
            Err(file.error(at..at, message))
        };
        let bounds = [
            ("fuel_price_per_l", self.fuel_price_per_l, 0.0, 1e6),
            ("electricity_price_per_kwh", self.electricity_price_per_kwh, 0.0, 1e6),
            ("fuel_co2_g_per_l", self.fuel_co2_g_per_l, 0.0, 10_000.0),
            ("grid_co2_g_per_kwh", self.grid_co2_g_per_kwh, 0.0, 10_000.0),
            ("charging_efficiency", self.charging_efficiency, 0.01, 1.0),
            ("soc_floor_pct", self.soc_floor_pct, 0.0, 100.0),
        ];
        for (name, value, min, max) in bounds {
            if let Some(value) = value.filter(|v| !(min..=max).contains(v)) {
                return at(name, format!("{name} = {value} is outside {min} to {max}"));
            }
        }
        if let Some(day) = self.daily_km.iter().find(|d| !(**d > 0.0 && **d <= 10_000.0)) {
            return at("daily_km", format!("daily_km has {day}; a day is above 0 and at most 10000 km"));
        }
        if self.utility == Some(Utility::Own) && self.daily_km.is_empty() {
            return at("utility", "utility = \"own\" needs daily_km = [...], one distance a day".to_owned());
        }
        Ok(())
    }
}

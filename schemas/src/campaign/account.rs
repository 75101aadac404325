//! Prices and factors of the account.

use serde::{Deserialize, Serialize};

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
}

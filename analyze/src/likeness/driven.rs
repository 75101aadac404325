//! How one run was driven: what is compared beside fuel and distance.

use polars::prelude::PolarsResult;

use super::{speeds::SpeedHistogram, track::Track};
use crate::{columns, ledger::SessionLedger, trips::Trip};

/// How a run was driven. `None` where the recording does not say.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Driven {
    /// Mean speed while moving, m/s.
    pub speed_moving_m_s: Option<f64>,
    /// Stops over distance, 1/km.
    pub stops_per_km: Option<f64>,
    /// Relative positive acceleration, m/s².
    pub rpa_m_s2: Option<f64>,
    /// 95th percentile of speed times positive acceleration, m²/s³.
    pub va95_m2_s3: Option<f64>,
    /// Coolant temperature when it is first known, °C.
    pub coolant_start_c: Option<f64>,
    /// Time by class of speed.
    pub speeds: SpeedHistogram,
    /// Satellite track.
    pub track: Option<Track>,
}

impl Driven {
    /// Reads it off a ledger, its session's satellite fixes, and the whole session described as one trip.
    ///
    /// # Errors
    /// When the ledger's frame lacks its columns.
    pub fn of(ledger: &SessionLedger, whole: Option<&Trip>) -> PolarsResult<Self> {
        Ok(Self {
            speed_moving_m_s: whole.and_then(|t| t.speed_moving_m_s),
            stops_per_km: whole.and_then(|t| t.stops_per_km),
            rpa_m_s2: whole.and_then(|t| t.rpa_m_s2),
            va95_m2_s3: whole.and_then(|t| t.va95_m2_s3),
            coolant_start_c: columns::first(&ledger.bins, "coolant_c")?,
            speeds: SpeedHistogram::of(ledger)?,
            track: Track::of(ledger)?,
        })
    }
}

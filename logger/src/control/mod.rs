//! What a person asks of a running recording: from the page, the keyboard or another terminal.

pub(crate) mod correct;
pub(crate) mod desk;
pub(crate) mod socket;

use std::sync::mpsc;

use serde::{Deserialize, Serialize};
use tallywheel_schemas::{RunSheet, Timestamp};

/// Heaviest weighed fuel tank that a run sheet may hold, kg.
const MOST_FUEL_KG: f64 = 1000.0;

/// Whether a run sheet may hold a mass of the weighed fuel tank, in kg.
pub(crate) fn check_fuel_mass(kg: f64) -> Result<(), String> {
    let fits = (0.0..=MOST_FUEL_KG).contains(&kg);
    fits.then_some(()).ok_or_else(|| format!("{kg} kg of fuel is outside 0 to {MOST_FUEL_KG}; nothing was changed"))
}

/// A wish and who is told how it went.
#[derive(Debug)]
pub struct Command {
    /// What is wanted.
    pub what: CommandKind,
    /// Who wants it.
    pub who: String,
    /// Gets a sentence for the person, good or bad.
    pub reply: mpsc::Sender<Result<String, String>>,
}

/// What can be wanted. Nothing here reaches the vehicle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CommandKind {
    /// Mark a moment.
    Mark {
        /// What is to be remembered.
        text: String,
        /// When it was, if not now.
        at: Option<Timestamp>,
    },
    /// A planned run begins: the recording goes on in a new session with this sheet.
    RunStart {
        /// The run sheet.
        sheet: RunSheet,
    },
    /// The run is over: the recording goes on in a session without a sheet.
    RunStop {
        /// Mass of the weighed fuel tank after the run, kg.
        fuel_mass_after_kg: Option<f64>,
    },
}

//! Test planning: how many runs a claim needs, in what order they are driven, and where a campaign stands.
//!
//! [`size`](size::size) takes the claim, the improvement that is expected, a spread and the wanted confidence and gives
//! a size with its looks; [`fn@order`] gives the order of driving; [`draft`] puts both together with names; [`files`] writes
//! the campaign, a run sheet for each run and a page for the technician. [`seen`] and [`mod@status`] say what is done and
//! what the runs that are left may bring.

pub mod draft;
pub mod files;
mod order;
mod page;
pub mod power;
pub mod seed;
pub mod seen;
pub mod size;
pub mod status;

pub use draft::{Draft, PlannedRun, SpreadUsed};
pub use files::{WriteError, write_new};
pub use order::order;
pub use page::page;
pub use power::{Comparing, noncentral_t_cdf, power};
pub use seen::{RunSeen, RunState, Seen, sessions_so_far};
pub use size::{Aim, Size};
pub use status::{PlanStatus, status};

/// What every run of a comparison is driven by, as a title and a rule. Common practice of road testing, not a standard's.
pub const DRIVING_RULES: &[(&str, &str)] = &[
    (
        "Order",
        "Drive the runs in the printed order. Do not swap or group them: the order keeps a drift of weather, engine or \
         driver from favouring one condition. Both runs of a pair within an hour, by the same driver.",
    ),
    (
        "Warm-up",
        "Before the first run of a session drive the route once, or 20 minutes. Start each run with the coolant at its \
         working temperature, no more than 30 minutes after the one before; after a longer stop warm up again.",
    ),
    (
        "Starting charge",
        "Start every run with assist from a full pack, or all of them within 5 points of the same charge, and write \
         it down. The charge has to last for the whole run. Log the charging: what it takes from the wall belongs to \
         the account. Never charge during a run.",
    ),
    (
        "Vehicle",
        "Same payload in both runs of a pair. Cold tyre pressure as on the placard, checked each morning. Windows \
         closed; heater, blower, lights and air conditioning alike in all runs. Fuel from one delivery.",
    ),
    (
        "Weather",
        "Dry road. No run in rain, snow or strong wind. Write down wind and temperature if they are not logged: the \
         two runs of a pair must not differ by more than the campaign's limits.",
    ),
    (
        "A spoilt run",
        "A detour, a traffic jam or a sensor that failed: let the recording end as usual, write down what happened, and \
         leave it in the record. Drive the whole pair again at the end under a new name and add it to the campaign; the \
         engineer excludes the spoilt one there with a reason.",
    ),
    (
        "No looking",
        "Nobody looks at the improvement between the planned looks. Who may stop when the figures please finds what \
         pleases.",
    ),
];

//! The arguments of `tallywheel-logger rig`, and what is said when it is done.

use std::{fmt::Write as _, path::PathBuf};

use clap::{Args, ValueEnum};

use super::{DatabaseError, DatabaseOptions, Map, listing::Outcome, read_maps, read_rig, write_rig};
use crate::exit::Exit;

/// Makes a rig from a CAN database.
#[derive(Debug, Args)]
pub(crate) struct RigArgs {
    /// CAN database file (.dbc)
    #[arg(long, value_name = "FILE")]
    from_database: PathBuf,
    /// Vehicle of the rig
    #[arg(long, value_name = "NAME")]
    vehicle: String,
    /// Name for the port on which the database's messages arrive
    #[arg(long, value_name = "NAME")]
    port: String,
    /// Bit rate of the CAN bus, bit/s
    #[arg(long, value_name = "BIT/S")]
    bit_rate: u32,
    /// Rig file to write, a new one; without it nothing is written and only the listing is printed
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Take only this message or signal
    #[arg(long = "only", value_name = "MESSAGE|SIGNAL|MESSAGE.SIGNAL")]
    only: Vec<String>,
    /// Let a signal feed a canonical channel, as in Voltage=pack.voltage_v or Torque_L=motor.torque_n_m@rear-left
    #[arg(long = "map", value_name = "SIGNAL=CHANNEL")]
    maps: Vec<Map>,
    /// The same from a TOML file: `map` tables with signal, channel and, where needed, position and unit
    #[arg(long, value_name = "FILE")]
    map_file: Option<PathBuf>,
    /// Listing for people or for programs
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Json,
}

impl RigArgs {
    /// Makes the rig, writes it and gives the listing and how it went: [`Exit::Faults`] when a signal that was asked
    /// for could not be taken over.
    pub(crate) fn run(self) -> Result<(String, Exit), DatabaseError> {
        let Self { from_database, vehicle, port, bit_rate, out, only, mut maps, map_file, format } = self;
        if let Some(path) = &map_file {
            maps.extend(read_maps(path)?);
        }
        let options = DatabaseOptions { vehicle, port, bit_rate, only, maps };
        let made = read_rig(&from_database, &options)?;
        if let Some(path) = &out {
            write_rig(path, &made.rig)?;
        }
        let mut text = match format {
            Format::Text => made.listing.to_string(),
            Format::Json => serde_json::to_string_pretty(&made.listing).expect("string keys and plain values") + "\n",
        };
        if format == Format::Text {
            // Writing to a string does not fail.
            let _ = match &out {
                Some(path) => writeln!(text, "rig      {}", path.display()),
                None => writeln!(text, "nothing was written: name a rig file with --out"),
            };
        }
        let complete = made.listing.count(Outcome::NotTakenOver) == 0;
        Ok((text, if complete { Exit::Success } else { Exit::Faults }))
    }
}

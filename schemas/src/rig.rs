//! The rig: how one vehicle is instrumented.
//!
//! A rig is a TOML file under version control. It names the ports, maps what the wire carries to canonical
//! channels and holds the calibration of each sensor. [`Rig::parse`] takes the text and gives a rig in which
//! every name is known, every signal has exactly one source, and no two signals claim the same bits.

mod check;
mod expansion;
mod message;
mod modbus;
mod signal;

pub use message::{ObdRequest, obd_requests};
pub use signal::{
    BitField, ByteOrder, Calibration, CanSource, J1939Source, ModbusSource, Mux, ObdSource, RegisterFormat,
    RegisterKind, Signal, Source, TextSource, WordOrder,
};

use std::{collections::BTreeMap, path::Path};

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::{
    channel::Channel,
    text_file::{TextFile, TextFileError},
};
use signal::SignalText;

/// Version of the rig format.
///
/// 1: first version.
pub const RIG_VERSION: u32 = 1;

/// A checked rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// Vehicle this rig is fitted to; the name of its partition.
    pub vehicle: String,
    /// One line about the vehicle or kit.
    pub description: String,
    /// Ports in file order.
    pub ports: Vec<Port>,
    /// Signals in file order.
    pub signals: Vec<Signal>,
    /// Channels of the rig's own, by name.
    pub aux: BTreeMap<String, AuxChannel>,
    /// The fuel and how it is measured.
    pub fuel: Fuel,
    /// Distance sources.
    pub distance: DistanceRules,
    /// Assist motors and their limits.
    pub assist: Assist,
    /// The pack.
    pub pack: Pack,
    /// The text it was read from, kept with every session.
    pub text: String,
}

/// What speaks on a port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PortKind {
    /// A serial-line CAN adapter.
    Slcan,
    /// A satellite receiver, NMEA 0183.
    Nmea,
    /// Delimited text lines.
    Text,
    /// Meters on a Modbus RTU line, which are asked for their registers.
    Modbus,
    /// A CAN interface of the system, `can://…`.
    Can,
}

impl PortKind {
    /// Line rate of a serial device where the rig gives none, bit/s. 19,200 is what the Modbus serial line
    /// specification asks every device to have.
    const fn default_baud(self) -> u32 {
        match self {
            Self::Modbus => 19_200,
            _ => 115_200,
        }
    }
}

/// Parity bit of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// How the time column of a delimited text capture is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeFormat {
    /// Seconds since 1970, UTC.
    #[default]
    EpochS,
    /// ISO 8601; without a zone, [`Port::utc_offset_s`] applies.
    Iso8601,
    /// Seconds since the start of the capture.
    FromStartS,
}

/// Which sentence gives the speed of a satellite receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SpeedSentence {
    /// RMC, speed in knots.
    #[default]
    Rmc,
    /// VTG, speed in km/h or knots.
    Vtg,
}

/// One port of the rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Port {
    /// Name that signals and captures refer to.
    pub name: String,
    /// What speaks on it.
    pub kind: PortKind,
    /// Where it is: a serial device, best a stable `/dev/serial/by-id/…` name; `tcp://HOST:PORT`, a serial line
    /// behind a device server; `can://INTERFACE` for kind `can`. Only needed to record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Line rate of the serial device, bit/s. Default 115,200, for `modbus` 19,200.
    #[serde(default, deserialize_with = "line_rate")]
    pub baud: u32,
    /// Parity bit of the serial device. Default none, for `modbus` even; see [`Port::line_parity`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parity: Option<Parity>,
    /// Stop bits of the serial device, 1 or 2. Default 1, for `modbus` without parity 2; see
    /// [`Port::line_stop_bits`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stop_bits: Option<u8>,
    /// Bit rate of the CAN bus, bit/s; needed for `slcan`. 700 to 800 kbit/s is refused: adapters disagree on
    /// what their rate code 7 means.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bit_rate: Option<u32>,
    /// Open the adapter listen-only, so that it does not even acknowledge. Default true.
    #[serde(default = "yes")]
    pub listen_only: bool,
    /// Allow anything to be transmitted on this bus. Default false; a `modbus` port needs it, since a meter speaks
    /// only when it is asked.
    #[serde(default)]
    pub transmit: bool,
    /// Most OBD-II requests a second on this bus, all together. Default 20.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_requests_per_s: Option<f64>,
    /// Ask the adapter for its own time stamps. Default true.
    #[serde(default = "yes")]
    pub device_time: bool,
    /// Column separator of a text port; a space stands for any run of white space.
    #[serde(default = "comma")]
    pub separator: char,
    /// Decimal mark of a text port, `.` or `,`.
    #[serde(default = "point")]
    pub decimal: char,
    /// Column names of a text port in order. Without them the first line of a capture names the columns.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub columns: Vec<String>,
    /// Column that holds the time of a text capture. Used by import only: a live line is stamped on arrival.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_column: Option<String>,
    /// How that column is written.
    #[serde(default)]
    pub time_format: TimeFormat,
    /// Offset of local time stamps, seconds east of UTC.
    #[serde(default)]
    pub utc_offset_s: i64,
    /// Which sentence gives the speed of a satellite receiver.
    #[serde(default)]
    pub speed_from: SpeedSentence,
}

impl Port {
    /// Parity bit of the serial line: as the rig says, or even for `modbus` and none for the others.
    pub fn line_parity(&self) -> Parity {
        let usual = if self.kind == PortKind::Modbus { Parity::Even } else { Parity::None };
        self.parity.unwrap_or(usual)
    }

    /// Stop bits of the serial line: as the rig says, or 1. A Modbus line without parity has 2, so that a character
    /// is 11 bits long either way (Modbus serial line specification, from memory).
    pub fn line_stop_bits(&self) -> u8 {
        let filled = self.kind == PortKind::Modbus && self.line_parity() == Parity::None;
        self.stop_bits.unwrap_or(if filled { 2 } else { 1 })
    }
}

const fn yes() -> bool {
    true
}
const fn comma() -> char {
    ','
}
const fn point() -> char {
    '.'
}

/// A line rate that is written down; without one the kind of port has its own.
fn line_rate<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<u32, D::Error> {
    match u32::deserialize(deserializer)? {
        0 => Err(serde::de::Error::custom("baud = 0; give the line rate in bit/s, as in baud = 115200")),
        rate => Ok(rate),
    }
}

/// A channel that the rig adds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AuxChannel {
    /// Unit as a UCUM code.
    pub unit: String,
    /// Smallest plausible value.
    pub min: f64,
    /// Largest plausible value.
    pub max: f64,
    /// One line for people.
    #[serde(default)]
    pub doc: String,
}

/// A source of fuel, in the order of trust that the ledger uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FuelSource {
    /// Volumetric meter, pulses times volume per pulse.
    Meter,
    /// Mass flow as reported or metered.
    Rate,
    /// Air mass over lambda times the stoichiometric ratio.
    Air,
}

/// The fuel and how it is turned into mass and volume.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Fuel {
    /// Density at the reference temperature, g/mL. Default 0.745, the petrol of 40 CFR 600 appendix II.
    pub density_g_per_ml: f64,
    /// Reference temperature, °C. Default 15.
    pub reference_c: f64,
    /// Volume expansion, 1/K, for linear correction. Without it volumes are corrected by the petroleum tables from the
    /// density, see [`Fuel::volume_factor`].
    pub expansion_per_k: Option<f64>,
    /// Standard uncertainty of the density as a share (k = 1), as the delivery note or the hydrometer has it.
    pub density_relative_uncertainty: Option<f64>,
    /// Standard uncertainty of one weighing of the fuel tank, g (k = 1).
    pub scale_uncertainty_g: Option<f64>,
    /// Air to fuel by mass at lambda 1. Default 14.7.
    pub stoichiometric_ratio: f64,
    /// Volume per pulse of the fuel meter, mL.
    pub ml_per_pulse: Option<f64>,
    /// Source to use; without it the first of meter, rate, air that the session has.
    pub source: Option<FuelSource>,
}

impl Default for Fuel {
    fn default() -> Self {
        Self {
            density_g_per_ml: 0.745,
            reference_c: 15.0,
            expansion_per_k: None,
            density_relative_uncertainty: None,
            scale_uncertainty_g: None,
            stoichiometric_ratio: 14.7,
            ml_per_pulse: None,
            source: None,
        }
    }
}

/// A source of distance, in the order of trust that the ledger uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DistanceSource {
    /// Wheel speed of the vehicle.
    Wheel,
    /// Counted edges of a wheel position sensor.
    Hall,
    /// Satellite speed.
    Gps,
}

/// How distance is found.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DistanceRules {
    /// Source to use; without it the first of wheel, hall, gps that the session has.
    pub source: Option<DistanceSource>,
    /// Metres of road per counted wheel edge.
    pub m_per_edge: Option<f64>,
}

/// IEC 60085 thermal class of an insulation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum InsulationClass {
    /// 105 °C.
    A,
    /// 120 °C.
    E,
    /// 130 °C.
    B,
    /// 155 °C.
    F,
    /// 180 °C.
    H,
}

impl InsulationClass {
    /// Class temperature, °C (IEC 60085; A, B, F, H read in a public table, E from memory).
    pub const fn temperature_c(self) -> f64 {
        match self {
            Self::A => 105.0,
            Self::E => 120.0,
            Self::B => 130.0,
            Self::F => 155.0,
            Self::H => 180.0,
        }
    }
}

/// Assist motors and their limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Assist {
    /// A command beyond this, %, counts as assist on (or, negative, regenerating).
    pub command_threshold_pct: f64,
    /// Used where no command is logged: torque beyond this, N·m.
    pub torque_threshold_n_m: f64,
    /// Set speed above which the controller switches off, m/s.
    pub cut_off_m_s: Option<f64>,
    /// Set speed below which it switches on again, m/s.
    pub cut_in_m_s: Option<f64>,
    /// Insulation class of the windings.
    pub insulation_class: InsulationClass,
    /// Winding temperatures to count time above, °C.
    pub winding_limits_c: Vec<f64>,
    /// Controller temperatures to count time above, °C.
    pub controller_limits_c: Vec<f64>,
}

impl Default for Assist {
    fn default() -> Self {
        Self {
            command_threshold_pct: 1.0,
            torque_threshold_n_m: 2.0,
            cut_off_m_s: None,
            cut_in_m_s: None,
            insulation_class: InsulationClass::F,
            winding_limits_c: vec![120.0, 140.0, 155.0],
            controller_limits_c: vec![70.0, 85.0],
        }
    }
}

/// The pack's nameplate.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Pack {
    /// Rated capacity, Ah.
    pub capacity_ah: Option<f64>,
    /// Rated energy, Wh.
    pub energy_wh: Option<f64>,
    /// Energy into the pack over energy from the wall; measured where wall power is logged.
    pub charging_efficiency: Option<f64>,
}

/// The file as it is written, before its names are checked.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RigText {
    schema: Spanned<u32>,
    vehicle: Spanned<String>,
    #[serde(default)]
    description: String,
    #[serde(rename = "port")]
    ports: Vec<Spanned<Port>>,
    #[serde(rename = "signal", default)]
    signals: Vec<Spanned<SignalText>>,
    #[serde(default)]
    aux: BTreeMap<String, AuxChannel>,
    #[serde(default)]
    fuel: Fuel,
    #[serde(default)]
    distance: DistanceRules,
    #[serde(default)]
    assist: Assist,
    #[serde(default)]
    pack: Pack,
}

impl Rig {
    /// Reads and checks a rig file.
    ///
    /// # Errors
    /// As [`Rig::parse`], or when the file cannot be read.
    pub fn read(path: &Path) -> Result<Self, TextFileError> {
        Self::parse(TextFile::read(path)?)
    }

    /// Checks a rig's text.
    ///
    /// # Errors
    /// On an unknown key, channel or port (with the nearest known name), a signal without a source or with two,
    /// bits outside the frame, two signals on the same bits, a channel fed twice, or a value out of bounds. The
    /// error carries line and column.
    pub fn parse(file: TextFile) -> Result<Self, TextFileError> {
        let raw: RigText = file.parse()?;
        check::rig(raw, file)
    }

    /// The port with this name.
    pub fn port(&self, name: &str) -> Option<&Port> {
        self.ports.iter().find(|p| p.name == name)
    }

    /// The signal that feeds a channel, at a motor position where the channel has one.
    pub fn signal(&self, channel: &str, position: Option<&str>) -> Option<&Signal> {
        self.signals.iter().find(|s| s.channel == channel && s.position.as_deref() == position)
    }

    /// Positions of the motors that signals name, in file order.
    pub fn positions(&self) -> Vec<&str> {
        let mut positions: Vec<&str> = Vec::new();
        for position in self.signals.iter().filter_map(|s| s.position.as_deref()) {
            if !positions.contains(&position) {
                positions.push(position);
            }
        }
        positions
    }

    /// Hash of the text.
    pub fn digest(&self) -> crate::Digest {
        crate::Digest::of(self.text.as_bytes())
    }
}

/// Unit of a channel, canonical or of the rig's own.
pub fn unit_of<'a>(rig: &'a Rig, channel: &str) -> &'a str {
    match Channel::find(channel) {
        Some(c) => c.unit,
        None => rig.aux.get(channel).map_or("1", |a| a.unit.as_str()),
    }
}

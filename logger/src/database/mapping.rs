//! Which signal of the database feeds which canonical channel, as the person says on the command line or in a file.
//!
//! ```toml
//! [[map]]
//! signal = "Pack.Voltage"          # SIGNAL, or MESSAGE.SIGNAL where several messages have it
//! channel = "pack.voltage_v"
//!
//! [[map]]
//! signal = "Torque_L"
//! channel = "motor.torque_n_m"
//! position = "rear-left"           # motor channels only
//! unit = "Nm"                      # only where the database's unit is missing or wrong
//! ```

use std::{path::Path, str::FromStr};

use serde::Deserialize;
use tallywheel_schemas::{CHANNELS, Channel, Domain, TextFile, TextFileError, unknown_name};
use toml::Spanned;

/// One signal and the canonical channel that it feeds.
#[derive(Debug, Clone, PartialEq)]
pub struct Map {
    /// `SIGNAL` or `MESSAGE.SIGNAL`.
    pub signal: String,
    /// The channel.
    pub channel: &'static Channel,
    /// Motor position, for motor channels.
    pub position: Option<String>,
    /// Unit of the signal in place of the database's.
    pub unit: Option<String>,
}

impl Map {
    fn new(signal: &str, channel: &str, position: Option<&str>, unit: Option<String>) -> Result<Self, String> {
        let known = CHANNELS.iter().map(|c| c.name);
        let channel = Channel::find(channel).ok_or_else(|| unknown_name("channel", channel, known))?;
        match (channel.domain == Domain::Motor, position) {
            (true, None) => Err(format!("{}: say which motor, as in {0}@rear-left", channel.name)),
            (false, Some(_)) => Err(format!("{}: a position belongs to motor channels only", channel.name)),
            _ => Ok(Self { signal: signal.to_owned(), channel, position: position.map(str::to_owned), unit }),
        }
    }
}

impl FromStr for Map {
    type Err = String;

    /// `SIGNAL=CHANNEL`, for a motor channel `SIGNAL=CHANNEL@POSITION`.
    fn from_str(text: &str) -> Result<Self, String> {
        let Some((signal, feeds)) = text.split_once('=').filter(|(s, c)| !s.is_empty() && !c.is_empty()) else {
            return Err("give it as SIGNAL=CHANNEL, for a motor as SIGNAL=CHANNEL@POSITION".to_owned());
        };
        match feeds.split_once('@') {
            Some((channel, position)) => Self::new(signal, channel, Some(position), None),
            None => Self::new(signal, feeds, None, None),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MapFile {
    #[serde(rename = "map", default)]
    maps: Vec<Spanned<MapText>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MapText {
    signal: String,
    channel: String,
    position: Option<String>,
    unit: Option<String>,
}

/// Reads a mapping file.
///
/// # Errors
/// When it cannot be read, has an unknown key or channel, or a position where none belongs, with line and column.
pub fn read_maps(path: &Path) -> Result<Vec<Map>, TextFileError> {
    let file = TextFile::read(path)?;
    let raw: MapFile = file.parse()?;
    let read = |spanned: Spanned<MapText>| {
        let (span, text) = (spanned.span(), spanned.into_inner());
        Map::new(&text.signal, &text.channel, text.position.as_deref(), text.unit).map_err(|m| file.error(span, m))
    };
    raw.maps.into_iter().map(read).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_are_read_from_words() {
        let map: Map = "Pack.U=pack.voltage_v".parse().expect("a map");
        assert_eq!((map.signal.as_str(), map.channel.name, map.position), ("Pack.U", "pack.voltage_v", None));
        let map: Map = "T=motor.torque_n_m@rear-left".parse().expect("a map");
        assert_eq!(map.position.as_deref(), Some("rear-left"));
        let cases = [
            ("U", "give it as SIGNAL=CHANNEL, for a motor as SIGNAL=CHANNEL@POSITION"),
            ("U=pack.voltage", "unknown channel `pack.voltage`; did you mean `pack.voltage_v`?"),
            ("T=motor.torque_n_m", "motor.torque_n_m: say which motor, as in motor.torque_n_m@rear-left"),
            ("U=pack.voltage_v@left", "pack.voltage_v: a position belongs to motor channels only"),
        ];
        for (text, expected) in cases {
            assert_eq!(text.parse::<Map>(), Err(expected.to_owned()), "{text}");
        }
    }

    #[test]
    fn maps_are_read_from_a_file() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let path = directory.path().join("map.toml");
        std::fs::write(&path, "[[map]]\nsignal = \"U\"\nchannel = \"pack.voltage_v\"\nunit = \"mV\"\n").expect("room");
        let maps = read_maps(&path).expect("maps");
        assert_eq!((maps.len(), maps[0].unit.as_deref()), (1, Some("mV")));
        std::fs::write(&path, "\n[[map]]\nsignal = \"U\"\nchannel = \"pack.volt\"\n").expect("room");
        let error = read_maps(&path).expect_err("no such channel").to_string();
        assert!(error.contains("map.toml:2:1: unknown channel `pack.volt`"), "{error}");
    }
}

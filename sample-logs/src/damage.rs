//! Damage done to a capture on purpose, with a count of what is left whole.
//!
//! Damaged lines keep their line end, and noise stands on lines of its own, so that every intact line can be
//! recovered whole; how many those are is the truth that a reader is held against.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{bench::Port, noise::Noise};

/// What is true of a damaged capture.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DamageTruth {
    /// Frames or lines that are as they were sent.
    pub intact: u64,
    /// Frames or lines that were spoiled, by what was done to them.
    pub spoiled: BTreeMap<String, u64>,
    /// Lines of noise that were put in.
    pub noise_lines: u64,
}

/// What is true of a damaged session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DamagedTruth {
    /// UTC time of the first frame or line of every port, RFC 3339.
    pub start: String,
    /// Port by port.
    pub ports: BTreeMap<String, DamageTruth>,
}

/// One line in so many is spoiled, and one gets noise before it.
const ONE_IN: usize = 25;

/// Spoils some lines of a port's bytes.
pub fn damage(port: Port, bytes: &[u8], noise: &mut Noise) -> (Vec<u8>, DamageTruth) {
    let (mut out, mut truth) = (Vec::with_capacity(bytes.len()), DamageTruth::default());
    let end: &[u8] = if port.is_adapter() { b"\r" } else { b"\r\n" };
    for line in lines(bytes, end) {
        match noise.below(ONE_IN) {
            0 => {
                let kind = spoil(port, line, end, noise, &mut out);
                *truth.spoiled.entry(kind.to_owned()).or_default() += 1;
            }
            1 => {
                put_noise(noise, end, &mut out);
                truth.noise_lines += 1;
                out.extend_from_slice(line);
                out.extend_from_slice(end);
                truth.intact += 1;
            }
            _ => {
                out.extend_from_slice(line);
                out.extend_from_slice(end);
                truth.intact += 1;
            }
        }
    }
    (out, truth)
}

/// The lines without their ends.
fn lines<'a>(bytes: &'a [u8], end: &'a [u8]) -> impl Iterator<Item = &'a [u8]> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let at = rest.windows(end.len()).position(|w| w == end)?;
        let line = &rest[..at];
        rest = &rest[at + end.len()..];
        Some(line)
    })
}

/// A few bytes that no instrument sends: none of them is ASCII.
fn put_noise(noise: &mut Noise, end: &[u8], out: &mut Vec<u8>) {
    for _ in 0..3 + noise.below(20) {
        out.push(0x80 + noise.below(0x80) as u8);
    }
    out.extend_from_slice(end);
}

fn spoil(port: Port, line: &[u8], end: &[u8], noise: &mut Noise, out: &mut Vec<u8>) -> &'static str {
    let kind = match (port, noise.below(2)) {
        (_, 0) => {
            out.extend_from_slice(&line[..line.len() / 2]);
            "cut in half"
        }
        (Port::VehicleBus | Port::KitBus, _) => {
            // The last data digit before the four digits of the clock.
            spoil_at(line, line.len() - 5, b'X', out);
            "bad hexadecimal digit"
        }
        (Port::Gps, _) => {
            let wrong = if line.ends_with(b"0") { b'1' } else { b'0' };
            spoil_at(line, line.len() - 1, wrong, out);
            "wrong checksum"
        }
        (Port::FuelBox, _) => {
            spoil_at(line, line.len() - 1, b'?', out);
            "not a number"
        }
    };
    out.extend_from_slice(end);
    kind
}

fn spoil_at(line: &[u8], at: usize, byte: u8, out: &mut Vec<u8>) {
    out.extend_from_slice(line);
    let index = out.len() - line.len() + at;
    out[index] = byte;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Purpose;

    #[test]
    fn intact_lines_are_counted_and_unchanged() {
        let bytes = "t0C0811223344556677880010\r".repeat(2000);
        let mut noise = Noise::new(4, Purpose::Damage, 0);
        let (damaged, truth) = damage(Port::KitBus, bytes.as_bytes(), &mut noise);
        let whole = damaged.split(|b| *b == b'\r').filter(|l| *l == b"t0C0811223344556677880010").count();
        assert_eq!(whole as u64, truth.intact);
        assert_eq!(truth.intact + truth.spoiled.values().sum::<u64>(), 2000);
        assert!(truth.noise_lines > 20 && truth.spoiled.len() == 2, "{truth:?}");
    }
}

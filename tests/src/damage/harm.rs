//! Damage to bytes.

use std::fmt;

use rand::{Rng, RngExt as _};

use super::Tally;

/// What was done to some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Harm {
    BitFlip { at: usize, bit: u8 },
    Zeroed { at: usize, length: usize },
    Truncated { to: usize },
    Appended { length: usize },
    Swapped { a: usize, b: usize, length: usize },
}

/// The kinds of damage that befall a file.
const KINDS: u8 = 5;

impl Harm {
    /// Does something to the bytes that changes them.
    pub(super) fn any(sound: &[u8], rng: &mut impl Rng) -> (Self, Vec<u8>) {
        loop {
            let harm = Self::draw(sound.len(), rng.random_range(0..KINDS), rng);
            let harmed = harm.apply(sound, rng);
            // A block of zeros may be zeroed, and alike blocks may change places.
            if harmed != sound {
                return (harm, harmed);
            }
        }
    }

    /// As [`Harm::any`], of the kinds that befall a journal: a flipped bit, a tail of zeros, a cut.
    pub(super) fn to_journal(sound: &[u8], rng: &mut impl Rng) -> (Self, Vec<u8>) {
        loop {
            let at = rng.random_range(0..sound.len());
            let harm = match rng.random_range(0..3) {
                0 => Self::BitFlip { at, bit: rng.random_range(0..8) },
                1 => Self::Zeroed { at, length: sound.len() - at },
                _ => Self::Truncated { to: at },
            };
            let harmed = harm.apply(sound, rng);
            if harmed != sound {
                return (harm, harmed);
            }
        }
    }

    fn draw(length: usize, kind: u8, rng: &mut impl Rng) -> Self {
        let at = rng.random_range(0..length);
        match kind {
            0 => Self::BitFlip { at, bit: rng.random_range(0..8) },
            1 => Self::Zeroed { at, length: block(4096, rng).min(length - at) },
            2 => Self::Truncated { to: at },
            3 => Self::Appended { length: block(1024, rng) },
            _ => {
                let size = block(512, rng).min(length / 2);
                let a = rng.random_range(0..=length - 2 * size);
                Self::Swapped { a, b: rng.random_range(a + size..=length - size), length: size }
            }
        }
    }

    fn apply(self, sound: &[u8], rng: &mut impl Rng) -> Vec<u8> {
        let mut bytes = sound.to_vec();
        match self {
            Self::BitFlip { at, bit } => bytes[at] ^= 1 << bit,
            Self::Zeroed { at, length } => bytes[at..at + length].fill(0),
            Self::Truncated { to } => bytes.truncate(to),
            Self::Appended { length } => bytes.extend((0..length).map(|_| rng.random::<u8>())),
            Self::Swapped { a, b, length } => {
                bytes[a..a + length].copy_from_slice(&sound[b..b + length]);
                bytes[b..b + length].copy_from_slice(&sound[a..a + length]);
            }
        }
        bytes
    }

    pub(super) fn count(self, tally: &mut Tally) {
        *match self {
            Self::BitFlip { .. } => &mut tally.bit_flips,
            Self::Zeroed { .. } => &mut tally.zeroed_blocks,
            Self::Truncated { .. } => &mut tally.truncations,
            Self::Appended { .. } => &mut tally.appended,
            Self::Swapped { .. } => &mut tally.swapped_blocks,
        } += 1;
    }
}

impl fmt::Display for Harm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BitFlip { at, bit } => write!(f, "bit {bit} of byte {at} flipped"),
            Self::Zeroed { at, length } => write!(f, "{length} bytes from {at} on zeroed"),
            Self::Truncated { to } => write!(f, "cut to {to} bytes"),
            Self::Appended { length } => write!(f, "{length} bytes appended"),
            Self::Swapped { a, b, length } => write!(f, "{length} bytes at {a} and {b} swapped"),
        }
    }
}

/// Length of a block: small ones are as frequent as large ones.
fn block(most: usize, rng: &mut impl Rng) -> usize {
    let bits = most.ilog2();
    let limit = 1_usize << rng.random_range(0..=bits);
    rng.random_range(1..=limit)
}

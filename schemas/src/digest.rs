//! Content hashes: BLAKE3, 256 bits, written as 64 hexadecimal digits.

use std::{fmt, io, str::FromStr};

use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};

/// A BLAKE3 hash of some content.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Digest(blake3::Hash);

impl Digest {
    /// Hash of bytes in memory.
    pub fn of(bytes: &[u8]) -> Self {
        Self(blake3::hash(bytes))
    }

    /// Hash of all that a reader gives, and how many bytes that was.
    ///
    /// # Errors
    /// When reading fails.
    pub fn of_reader(mut reader: impl io::Read) -> io::Result<(Self, u64)> {
        let mut hasher = blake3::Hasher::new();
        let bytes = io::copy(&mut reader, &mut hasher)?;
        Ok((Self(hasher.finalize()), bytes))
    }

    /// Hash of a list of hashes, in order.
    pub fn of_digests(digests: impl IntoIterator<Item = Self>) -> Self {
        let mut hasher = blake3::Hasher::new();
        for digest in digests {
            hasher.update(digest.0.as_bytes());
        }
        Self(hasher.finalize())
    }

    /// The first twelve hexadecimal digits, for people.
    pub fn short(self) -> String {
        self.to_string()[..12].to_owned()
    }
}

impl From<blake3::Hash> for Digest {
    fn from(hash: blake3::Hash) -> Self {
        Self(hash)
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.to_hex())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

impl FromStr for Digest {
    type Err = blake3::HexError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        blake3::Hash::from_hex(text).map(Self)
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published test vector: BLAKE3 of the empty input (BLAKE3 reference test vectors, input_len 0).
    #[test]
    fn empty_input_hashes_as_published() {
        let expected = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";
        assert_eq!(Digest::of(b"").to_string(), expected);
        assert_eq!(Digest::of_reader(&b""[..]).expect("memory reads").0.to_string(), expected);
    }
}

//! The session manifest: what was recorded, with which rig, and the hash of every file.

mod parts;
mod seal;
#[cfg(test)]
mod tests;

pub use parts::{Hashed, PartHasher};
pub use seal::Seal;

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};

use crate::{
    digest::Digest,
    rig::Rig,
    run_sheet::RunSheet,
    table::{Table, manifest_path},
    text_file::{TextFile, TextFileError},
    time::Timestamp,
};

/// Version of the manifest format.
///
/// 1: first version.
pub const MANIFEST_VERSION: u32 = 1;

/// What is known about one sealed session. It is written last, so a session exists once its manifest does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// [`MANIFEST_VERSION`].
    pub schema: u32,
    /// Name, unique in the dataset.
    pub session: String,
    /// Vehicle, as in the rig.
    pub vehicle: String,
    /// First stamp of the session, or its start when nothing arrived.
    pub start_us: Timestamp,
    /// Last stamp of the session.
    pub end_us: Timestamp,
    /// Program and version that sealed it.
    pub software: String,
    /// How it came about.
    pub origin: Origin,
    /// Where time stamps come from, in words.
    pub clock: String,
    /// The host's clock against satellite time, where the session has both.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_fit: Option<ClockFit>,
    /// The session that this one goes on from without losing a byte.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// The session in which the recording goes on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub followed_by: Option<String>,
    /// The rig.
    pub rig: RigRecord,
    /// Rigs that earlier decodings used, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier_rigs: Vec<RigRecord>,
    /// The run sheet, when the session was a planned run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<RunSheet>,
    /// Counters per port.
    pub ports: Vec<PortRecord>,
    /// Counters per channel that the rig names, seen or not.
    pub channels: Vec<ChannelRecord>,
    /// Stretches in which a port was silent or lost, beyond its channels' gap limits.
    pub gaps: Vec<Gap>,
    /// What a reader of the data should know, in sentences.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Every file, raw tables first.
    pub files: Vec<FileRecord>,
    /// Hash of everything above, see [`Manifest::check_seal`]. Stands last. Manifests of early releases have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal: Option<Digest>,
}

/// How a session came about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// Recorded from ports and ended cleanly.
    Recorded,
    /// Recorded from ports, interrupted, finished later from the journal.
    Recovered,
    /// Read from captured files.
    Imported(Vec<CaptureRecord>),
}

/// A captured file that was imported.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaptureRecord {
    /// Port it stands for.
    pub port: String,
    /// File name, without directories.
    pub file: String,
    /// Length.
    pub bytes: u64,
    /// Hash of the content.
    pub blake3: Digest,
}

/// A rig as it was used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigRecord {
    /// File name, without directories.
    pub file: String,
    /// Hash of the text.
    pub blake3: Digest,
    /// The whole text.
    pub text: String,
}

/// Counters of one port.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PortRecord {
    /// Name in the rig.
    pub port: String,
    /// Bytes read.
    pub bytes: u64,
    /// Good CAN frames.
    pub frames: u64,
    /// Good text lines.
    pub lines: u64,
    /// Malformed messages; kept in `lines`.
    pub bad: u64,
    /// The first few malformed messages.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bad_examples: Vec<BadInput>,
    /// Overruns that the adapter reported.
    pub overruns: u64,
    /// Messages dropped before they reached the journal.
    pub dropped: u64,
    /// Longest silence between two messages, µs.
    pub longest_gap_us: i64,
}

/// A malformed message.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BadInput {
    /// Bytes of the port's stream before it.
    pub byte_offset: u64,
    /// What is wrong with it.
    pub reason: String,
}

/// Counters of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelRecord {
    /// Canonical name.
    pub channel: String,
    /// Motor position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// Values decoded.
    pub samples: u64,
    /// Values marked not available on the wire, or unreadable in a text column.
    pub missing: u64,
    /// Values outside the plausible range; stored as null.
    pub out_of_range: u64,
    /// Longest time between two values, µs.
    pub longest_gap_us: i64,
}

/// A stretch without data on one port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gap {
    /// Port.
    pub port: String,
    /// Last stamp before it.
    pub start_us: Timestamp,
    /// Length, µs; `None` when nothing in the session tells its end.
    pub length_us: Option<i64>,
    /// Why, as far as is known.
    pub cause: GapCause,
}

impl Gap {
    /// Length in seconds, when the end is known.
    pub fn length_s(&self) -> Option<f64> {
        self.length_us.map(|us| us as f64 / 1e6)
    }
}

/// Why there are no data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapCause {
    /// Nothing arrived although the port was open.
    Silent,
    /// What arrived could not be read, as at a wrong line rate.
    Unreadable,
    /// The device was gone or could not be opened.
    Disconnected,
    /// The adapter says that it lost frames.
    Overrun,
    /// The adapter says that it has left the bus.
    BusOff,
    /// The disk was too slow and the queue before it overflowed.
    Dropped,
    /// The disk was full or refused to write.
    DiskFull,
    /// The program was killed or the supply failed.
    Interrupted,
    /// Part of the journal is damaged.
    JournalDamaged,
}

impl GapCause {
    /// The cause in a person's words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Silent => "silent",
            Self::Unreadable => "unreadable input",
            Self::Disconnected => "disconnected",
            Self::Overrun => "adapter overrun",
            Self::BusOff => "adapter left the bus",
            Self::Dropped => "dropped, disk too slow",
            Self::DiskFull => "disk full",
            Self::Interrupted => "recording interrupted",
            Self::JournalDamaged => "journal damaged",
        }
    }

    /// Whether something was lost, rather than that there was nothing to hear.
    pub const fn is_loss(self) -> bool {
        !matches!(self, Self::Silent)
    }
}

/// The host's clock against the time that a satellite receiver tells, fitted over one session.
///
/// The true time of a stamp `t` is `t + offset + drift · (t − at)`. It is applied by whoever reads the session; the
/// stamps in the files stay as they were taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockFit {
    /// Satellite time minus host time at `at_us`, µs.
    pub offset_us: i64,
    /// Stamp at which the offset holds: the promptest fix of the first minute that has any.
    pub at_us: Timestamp,
    /// Change of the offset, µs per second (ppm); 0 where the session is too short to tell.
    pub drift_ppm: f64,
    /// Largest distance of a minute's best fix from the line, µs.
    pub residual_us: i64,
    /// Fixes that were compared.
    pub fixes: u64,
}

impl ClockFit {
    /// Offsets up to this may be nothing but the time that a receiver takes to send its sentence, µs. Receivers
    /// commonly take 0.05 to 0.5 s (common practice), so a smaller offset is stated but not applied.
    pub const UNCERTAINTY_US: i64 = 500_000;

    /// What is to be added to a stamp, µs: nothing while the host's clock is right within the uncertainty.
    pub fn correction_us(&self, stamp: Timestamp) -> i64 {
        if self.offset_us.abs() <= Self::UNCERTAINTY_US {
            return 0;
        }
        let passed_s = (stamp.as_us() - self.at_us.as_us()) as f64 / 1e6;
        self.offset_us + (self.drift_ppm * passed_s).round() as i64
    }
}

/// One Parquet file of a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileRecord {
    /// Table name.
    pub table: String,
    /// Path below the dataset's root, `/` between parts.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// Length.
    pub bytes: u64,
    /// Hash of the whole file.
    pub blake3: Digest,
    /// Hashes of the row groups' bytes.
    pub row_groups: Vec<RowGroupRecord>,
    /// The bytes behind the last row group. Manifests of early releases have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub footer: Option<FooterRecord>,
}

/// The bytes of one row group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RowGroupRecord {
    /// Rows.
    pub rows: u64,
    /// First byte in the file.
    pub offset: u64,
    /// Bytes.
    pub length: u64,
    /// Hash of those bytes.
    pub blake3: Digest,
}

/// The bytes behind the last row group: page indexes, metadata, length, magic. They say where every value is, so
/// nothing is decoded before they have matched their hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FooterRecord {
    /// First byte in the file.
    pub offset: u64,
    /// Bytes, to the end of the file.
    pub length: u64,
    /// Hash of those bytes.
    pub blake3: Digest,
}

/// A manifest that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ManifestError {
    /// The file cannot be read.
    #[error("read {}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file is not a manifest.
    #[error("{}: not a session manifest: {source}", path.display())]
    Json {
        /// The file.
        path: PathBuf,
        /// Where and why.
        source: serde_json::Error,
    },
    /// The manifest is of another version.
    #[error("{}: manifest format {found} is not known; this release reads {MANIFEST_VERSION}", path.display())]
    Version {
        /// The file.
        path: PathBuf,
        /// Version found.
        found: u64,
    },
}

impl Manifest {
    /// Reads a manifest.
    ///
    /// # Errors
    /// When the file cannot be read, is not a manifest, or is of another version.
    pub fn read(path: &Path) -> Result<Self, ManifestError> {
        Self::read_with_seal(path).map(|(manifest, _)| manifest)
    }

    /// Reads a manifest and says whether it is as it was sealed.
    ///
    /// # Errors
    /// As [`Manifest::read`].
    pub fn read_with_seal(path: &Path) -> Result<(Self, Seal), ManifestError> {
        let text = fs::read(path).map_err(|source| ManifestError::Io { path: path.to_owned(), source })?;
        Self::parse_with_seal(path, &text)
    }

    /// As [`Manifest::read_with_seal`], from a text that stands elsewhere; `path` is for messages.
    ///
    /// # Errors
    /// As [`Manifest::read`].
    pub fn parse_with_seal(path: &Path, text: &[u8]) -> Result<(Self, Seal), ManifestError> {
        let manifest = Self::parse(path, text)?;
        let seal = manifest.check_seal(text);
        Ok((manifest, seal))
    }

    /// Reads a manifest's text; `path` is for messages.
    fn parse(path: &Path, text: &[u8]) -> Result<Self, ManifestError> {
        let json = |source| ManifestError::Json { path: path.to_owned(), source };
        let value: serde_json::Value = serde_json::from_slice(text).map_err(json)?;
        match value.get("schema").and_then(serde_json::Value::as_u64) {
            Some(found) if found != u64::from(MANIFEST_VERSION) => {
                Err(ManifestError::Version { path: path.to_owned(), found })
            }
            _ => serde_json::from_value(value).map_err(json),
        }
    }

    /// The manifest as JSON text.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("a manifest has only string keys and finite numbers") + "\n"
    }

    /// Where the manifest belongs, below the dataset's root.
    pub fn path(&self) -> PathBuf {
        manifest_path(&self.vehicle, &self.start_us.date(), &self.session)
    }

    /// What is to be added to a stamp of this session to have the true time, µs.
    pub fn correction_us(&self, stamp: Timestamp) -> i64 {
        self.clock_fit.as_ref().map_or(0, |fit| fit.correction_us(stamp))
    }

    /// The rig that the decoded tables were made with.
    ///
    /// # Errors
    /// When the stored text is no longer a valid rig.
    pub fn parse_rig(&self) -> Result<Rig, TextFileError> {
        Rig::parse(TextFile::new(&self.rig.file, self.rig.text.as_str()))
    }

    /// The file of a table, when the session has one.
    pub fn file(&self, table: Table) -> Option<&FileRecord> {
        self.files.iter().find(|f| f.table == table.name())
    }

    /// Hash of the session's content: the rig and every file. Derived tables are keyed by it.
    pub fn content_digest(&self) -> Digest {
        Digest::of_digests([self.rig.blake3].into_iter().chain(self.files.iter().map(|f| f.blake3)))
    }
}

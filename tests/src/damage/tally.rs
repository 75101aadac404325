//! What was counted.

use std::iter::Sum;

use serde::Serialize;

/// Counts of a run.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Tally {
    /// Cases.
    pub files: u64,
    /// Panics, caught ones included.
    pub panics: u64,
    /// Cases with rows or records that differ from the pristine ones.
    pub silently_wrong: u64,
    /// Cases that loading or `verify` took for sound.
    pub unnoticed: u64,
    /// Cases in which undamaged rows or records were not given out.
    pub undamaged_lost: u64,
    /// Cases in which the rows said to be lost are not the rows that are.
    pub misstated: u64,
    /// Cases on Parquet files.
    pub tables: u64,
    /// Cases on manifests.
    pub manifests: u64,
    /// Cases on journals.
    pub journals: u64,
    /// Of these, recovered on the disk.
    pub recoveries: u64,
    /// Changed manifests that still say the very same.
    pub harmless: u64,
    /// One bit changed.
    pub bit_flips: u64,
    /// A block of zeros.
    pub zeroed_blocks: u64,
    /// The end cut off.
    pub truncations: u64,
    /// Bytes appended.
    pub appended: u64,
    /// Two blocks changed places.
    pub swapped_blocks: u64,
    /// Rows of the damaged tables.
    pub rows: u64,
    /// Rows handed out after the damage, all of them compared.
    pub rows_read: u64,
    /// Cases in which a table was lost as a whole because its footer was damaged.
    pub footers_lost: u64,
    /// Seed.
    pub seed: u64,
    /// Time taken, s.
    pub seconds: f64,
}

impl Tally {
    /// Whether nothing went wrong.
    pub fn is_clean(&self) -> bool {
        self.faults() == 0 && self.panics == 0
    }

    /// Things that went wrong, panics aside.
    pub fn faults(&self) -> u64 {
        self.silently_wrong + self.unnoticed + self.undamaged_lost + self.misstated
    }
}

impl Sum for Tally {
    fn sum<I: Iterator<Item = Self>>(tallies: I) -> Self {
        tallies.fold(Self::default(), |a, b| Self {
            files: a.files + b.files,
            panics: a.panics + b.panics,
            silently_wrong: a.silently_wrong + b.silently_wrong,
            unnoticed: a.unnoticed + b.unnoticed,
            undamaged_lost: a.undamaged_lost + b.undamaged_lost,
            misstated: a.misstated + b.misstated,
            tables: a.tables + b.tables,
            manifests: a.manifests + b.manifests,
            journals: a.journals + b.journals,
            recoveries: a.recoveries + b.recoveries,
            harmless: a.harmless + b.harmless,
            bit_flips: a.bit_flips + b.bit_flips,
            zeroed_blocks: a.zeroed_blocks + b.zeroed_blocks,
            truncations: a.truncations + b.truncations,
            appended: a.appended + b.appended,
            swapped_blocks: a.swapped_blocks + b.swapped_blocks,
            rows: a.rows + b.rows,
            rows_read: a.rows_read + b.rows_read,
            footers_lost: a.footers_lost + b.footers_lost,
            seed: a.seed.max(b.seed),
            seconds: a.seconds + b.seconds,
        })
    }
}

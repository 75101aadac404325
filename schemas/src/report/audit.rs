//! What a report was made from, and who decided what: for whoever checks it later.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One input by the hash of its content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InputRecord {
    /// What it is.
    pub kind: InputKind,
    /// Path below the dataset's root; the file name for a rig; the campaign's title for a campaign.
    pub name: String,
    /// Run that it belongs to.
    pub run: Option<String>,
    /// Hash of the content.
    pub blake3: String,
}

/// Kind of an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum InputKind {
    /// The campaign file.
    Campaign,
    /// A rig, as it is kept in a session's manifest.
    Rig,
    /// A session's manifest, with the run sheet.
    Manifest,
    /// Corrections of a run sheet.
    Corrections,
    /// A table of a session, by the hash that its manifest vouches for.
    Table,
}

/// What a person decided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PersonDecision {
    /// The decision in words.
    pub what: String,
    /// Run concerned, where it is one.
    pub run: Option<String>,
    /// Who; empty where nobody signed.
    pub by: String,
    /// When, as it was written down.
    pub date: String,
    /// Why.
    pub reason: String,
}

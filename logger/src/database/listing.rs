//! What became of every signal, for people and for programs.

use std::{fmt, path::PathBuf};

use serde::Serialize;

use super::take::{Feed, TakenField};

/// What became of a database.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Listing {
    /// The database.
    pub database: PathBuf,
    /// What is to be said about the whole file.
    pub notes: Vec<String>,
    /// Every signal, in the database's order.
    pub signals: Vec<Listed>,
}

/// What became of one signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Listed {
    /// Its message.
    pub message: String,
    /// Its name.
    pub signal: String,
    /// Identifier of the message; `None` when no frame can have it.
    pub id: Option<u32>,
    /// 29-bit identifier.
    pub extended: bool,
    /// Line in the database, from 1.
    pub line: Option<usize>,
    /// What became of it.
    pub outcome: Outcome,
    /// Channel that it feeds.
    pub channel: Option<String>,
    /// Motor position of that channel.
    pub position: Option<String>,
    /// Unit of the channel, UCUM code.
    pub unit: Option<String>,
    /// What was left behind although it was taken over.
    pub notes: Vec<String>,
    /// Why it was not taken over.
    pub reason: Option<String>,
}

/// What became of a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// In the rig.
    TakenOver,
    /// The rig cannot express it.
    NotTakenOver,
    /// Not among those asked for.
    NotWanted,
}

impl Listed {
    pub(super) fn new(message: &str, signal: &str, id: Option<(u32, bool)>, line: Option<usize>) -> Self {
        Self {
            message: message.to_owned(),
            signal: signal.to_owned(),
            id: id.map(|(id, _)| id),
            extended: id.is_some_and(|(_, extended)| extended),
            line,
            outcome: Outcome::NotTakenOver,
            channel: None,
            position: None,
            unit: None,
            notes: Vec::new(),
            reason: None,
        }
    }

    pub(super) fn taken(mut self, fed: &TakenField) -> Self {
        self.outcome = Outcome::TakenOver;
        self.notes.clone_from(&fed.field.notes);
        match &fed.feed {
            Feed::Aux { name, unit } => {
                (self.channel, self.unit) = (Some(name.clone()), Some(unit.clone()));
                if super::unit::Unit::find(&fed.field.unit).is_none() {
                    self.notes.push(format!("unit `{}` is not known and stays as a remark", fed.field.unit));
                }
            }
            Feed::Channel { channel, position, .. } => {
                (self.channel, self.unit) = (Some(channel.name.to_owned()), Some(channel.unit.to_owned()));
                self.position.clone_from(position);
            }
        }
        self
    }

    pub(super) fn refused(self, reason: String) -> Self {
        Self { reason: Some(reason), ..self }
    }

    pub(super) fn not_wanted(self) -> Self {
        Self { outcome: Outcome::NotWanted, ..self }
    }
}

impl Listing {
    /// Signals with an outcome.
    pub fn count(&self, outcome: Outcome) -> usize {
        self.signals.iter().filter(|s| s.outcome == outcome).count()
    }
}

impl fmt::Display for Listing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "database {}", self.database.display())?;
        for note in &self.notes {
            writeln!(f, "         {note}")?;
        }
        let mut message = None;
        for listed in self.signals.iter().filter(|s| s.outcome != Outcome::NotWanted) {
            if message != Some((&listed.message, listed.id)) {
                match listed.id {
                    Some(id) if listed.extended => writeln!(f, "message  {}, 0x{id:08X} extended", listed.message)?,
                    Some(id) => writeln!(f, "message  {}, 0x{id:03X}", listed.message)?,
                    None => writeln!(f, "message  {}", listed.message)?,
                }
                message = Some((&listed.message, listed.id));
            }
            write!(f, "{listed}")?;
        }
        let [taken, refused, unwanted] =
            [Outcome::TakenOver, Outcome::NotTakenOver, Outcome::NotWanted].map(|o| self.count(o));
        writeln!(f, "signals  {taken} taken over, {refused} not taken over, {unwanted} not asked for")
    }
}

impl fmt::Display for Listed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let line = self.line.map_or(String::new(), |line| format!(" (line {line})"));
        match (&self.channel, &self.reason) {
            (Some(channel), _) => {
                let position = self.position.as_ref().map_or(String::new(), |p| format!(" {p}"));
                let unit = self.unit.as_deref().unwrap_or_default();
                writeln!(f, "  taken over      {}{line} as {channel}{position} in {unit}", self.signal)?;
            }
            (None, reason) => {
                let reason = reason.as_deref().unwrap_or("not asked for");
                writeln!(f, "  NOT taken over  {}{line}: {reason}", self.signal)?;
            }
        }
        self.notes.iter().try_for_each(|note| writeln!(f, "                  {note}"))
    }
}

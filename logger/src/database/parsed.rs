//! The database as parsed: its text in whatever encoding, the parser's errors with their place, and the lines on
//! which messages and signals stand.

use std::{
    borrow::Cow,
    collections::HashMap,
    path::{Path, PathBuf},
};

use can_dbc::{Dbc, DbcError, Message, MessageId, MultiplexIndicator, SignalExtendedValueType, ValDescription};

use super::{
    DatabaseError,
    places::{MessagePlace, places},
};

/// A parsed database, ready to be asked about one signal after another.
pub(super) struct Database {
    /// Where it was read, for messages.
    pub(super) path: PathBuf,
    pub(super) messages: Vec<(Message, Option<MessagePlace>)>,
    /// What is to be said about the whole file.
    pub(super) notes: Vec<String>,
    comments: HashMap<(MessageId, String), String>,
    value_names: HashMap<(MessageId, String), Vec<ValDescription>>,
    floats: HashMap<(MessageId, String), &'static str>,
    /// Multiplexors and value ranges that select a signal, as the extended form gives them.
    selections: HashMap<(MessageId, String), Vec<Selection>>,
}

/// Values of a multiplexor that select a signal.
pub(super) struct Selection {
    pub(super) multiplexor: String,
    pub(super) ranges: Vec<(u64, u64)>,
}

impl Database {
    /// Reads bytes in UTF-8 or, failing that, Windows-1252, which older editors write.
    pub(super) fn parse(path: &Path, bytes: &[u8]) -> Result<Self, DatabaseError> {
        let mut notes = Vec::new();
        let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => Cow::Borrowed(text),
            Err(_) => {
                notes.push("the text is not UTF-8 and was read as Windows-1252".to_owned());
                can_dbc::decode_cp1252(bytes).unwrap_or_else(|| String::from_utf8_lossy(bytes))
            }
        };
        let dbc = Dbc::try_from(text.as_ref()).map_err(|error| content(path, &error))?;
        let mut places: Vec<Option<MessagePlace>> = places(&text).into_iter().map(Some).collect();
        if places.len() != dbc.messages.len() {
            notes.push("the lines of its messages could not be told".to_owned());
            places = dbc.messages.iter().map(|_| None).collect();
        }
        let mut database = Self {
            path: path.to_owned(),
            messages: Vec::new(),
            notes,
            comments: HashMap::new(),
            value_names: HashMap::new(),
            floats: HashMap::new(),
            selections: HashMap::new(),
        };
        database.gather(&dbc);
        database.messages = dbc.messages.into_iter().zip(places).collect();
        Ok(database)
    }

    fn gather(&mut self, dbc: &Dbc) {
        for comment in &dbc.comments {
            if let can_dbc::Comment::Signal { message_id, name, comment } = comment {
                self.comments.insert((*message_id, name.clone()), comment.clone());
            }
        }
        for names in &dbc.value_descriptions {
            if let can_dbc::ValueDescription::Signal { message_id, name, value_descriptions } = names {
                self.value_names.insert((*message_id, name.clone()), value_descriptions.clone());
            }
        }
        for float in &dbc.signal_extended_value_type_list {
            let kind = match float.signal_extended_value_type {
                SignalExtendedValueType::SignedOrUnsignedInteger => continue,
                SignalExtendedValueType::IEEEfloat32Bit => "32-bit",
                SignalExtendedValueType::IEEEdouble64bit => "64-bit",
            };
            self.floats.insert((float.message_id, float.signal_name.clone()), kind);
        }
        for extended in &dbc.extended_multiplex {
            let ranges = extended.mappings.iter().map(|m| (m.min_value, m.max_value)).collect();
            let selection = Selection { multiplexor: extended.multiplexor_signal_name.clone(), ranges };
            let key = (extended.message_id, extended.signal_name.clone());
            self.selections.entry(key).or_default().push(selection);
        }
    }

    /// Every message and signal by name, in file order.
    pub(super) fn signals(&self) -> impl Iterator<Item = (&str, &str)> {
        self.messages.iter().flat_map(|(m, _)| m.signals.iter().map(|s| (m.name.as_str(), s.name.as_str())))
    }

    /// Comment of a signal, on one line.
    pub(super) fn comment(&self, message: &Message, signal: &str) -> String {
        let text = self.comments.get(&(message.id, signal.to_owned())).map_or("", String::as_str);
        text.replace("\\\"", "\"").split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Names of a signal's values, in file order.
    pub(super) fn value_names(&self, message: &Message, signal: &str) -> &[ValDescription] {
        self.value_names.get(&(message.id, signal.to_owned())).map_or(&[], Vec::as_slice)
    }

    /// `32-bit` or `64-bit` for a signal whose bits are a floating-point number.
    pub(super) fn float(&self, message: &Message, signal: &str) -> Option<&'static str> {
        self.floats.get(&(message.id, signal.to_owned())).copied()
    }

    /// What selects a signal in the extended form; empty where the database does not use it.
    pub(super) fn selections(&self, message: &Message, signal: &str) -> &[Selection] {
        self.selections.get(&(message.id, signal.to_owned())).map_or(&[], Vec::as_slice)
    }
}

/// Whether a message has more than the one multiplexor that a simple multiplexed message has.
pub(super) fn is_nested(message: &Message) -> bool {
    let count = |wanted: fn(MultiplexIndicator) -> bool| {
        message.signals.iter().filter(|s| wanted(s.multiplexer_indicator)).count()
    };
    count(|m| m == MultiplexIndicator::Multiplexor) > 1
        || count(|m| matches!(m, MultiplexIndicator::MultiplexorAndMultiplexedSignal(_))) > 0
}

fn content(path: &Path, error: &DbcError) -> DatabaseError {
    let (at, message) = match error {
        // The parser's own type of place is not within reach; its message begins with ` --> LINE:COLUMN`.
        DbcError::Pest(error) => {
            (first_place(&error.to_string()), format!("not a line of a CAN database: `{}`", error.line().trim()))
        }
        DbcError::InvalidUint(text) => (None, format!("`{text}` is not a number that fits here")),
        other => (None, other.to_string()),
    };
    DatabaseError::Content { path: path.to_owned(), at, message }
}

fn first_place(message: &str) -> Option<(usize, usize)> {
    let (line, column) = message.trim_start().strip_prefix("--> ")?.lines().next()?.split_once(':')?;
    Some((line.trim().parse().ok()?, column.trim().parse().ok()?))
}

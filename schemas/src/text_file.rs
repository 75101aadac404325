//! Reading the TOML files that people write: every error says file, line and column and, where a name is off,
//! which one was probably meant.

use std::{
    fmt, fs, io,
    ops::Range,
    path::{Path, PathBuf},
};

use serde::de::DeserializeOwned;

/// A file that cannot be used, and where and why.
#[derive(Debug)]
pub enum TextFileError {
    /// The file cannot be read.
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The text is not what the format asks for.
    Content {
        /// The file.
        path: PathBuf,
        /// First line is 1.
        line: usize,
        /// First column is 1.
        column: usize,
        /// What is wrong, and what to do.
        message: String,
    },
}

impl fmt::Display for TextFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io { path, source } => write!(f, "read {}: {source}", path.display()),
            Self::Content { path, line, column, message } => {
                write!(f, "{}:{line}:{column}: {message}", path.display())
            }
        }
    }
}

impl std::error::Error for TextFileError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { source, .. } => Some(source),
            Self::Content { .. } => None,
        }
    }
}

/// A text with the path it came from, for errors that point into it.
#[derive(Debug, Clone)]
pub struct TextFile {
    /// Where it was read, for messages only.
    pub path: PathBuf,
    /// The whole text.
    pub text: String,
}

impl TextFile {
    /// Reads a file whole.
    ///
    /// # Errors
    /// When it cannot be read or is not UTF-8.
    pub fn read(path: &Path) -> Result<Self, TextFileError> {
        let text = fs::read_to_string(path).map_err(|source| TextFileError::Io { path: path.to_owned(), source })?;
        Ok(Self { path: path.to_owned(), text })
    }

    /// Wraps a text already in memory.
    pub fn new(path: impl Into<PathBuf>, text: impl Into<String>) -> Self {
        Self { path: path.into(), text: text.into() }
    }

    /// Deserializes the text.
    ///
    /// # Errors
    /// On a syntax error, an unknown key, a missing key or a wrong type, with line and column.
    pub fn parse<T: DeserializeOwned>(&self) -> Result<T, TextFileError> {
        toml::from_str(&self.text).map_err(|error| {
            let message = with_suggestion(error.message());
            self.error(error.span().unwrap_or(0..0), message)
        })
    }

    /// An error at a byte range of this text.
    pub fn error(&self, span: Range<usize>, message: impl Into<String>) -> TextFileError {
        let at = span.start.min(self.text.len());
        let before = self.text.get(..at).unwrap_or_default();
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
        TextFileError::Content { path: self.path.clone(), line, column, message: message.into() }
    }

    /// The line, from 1, that a byte offset is on.
    pub fn line_of(&self, offset: usize) -> usize {
        self.text.as_bytes()[..offset.min(self.text.len())].iter().filter(|b| **b == b'\n').count() + 1
    }
}

/// The nearest of some names, if any is near enough to be what was meant.
///
/// ```
/// use tallywheel_schemas::nearest;
/// assert_eq!(nearest("pack.curent_a", ["pack.current_a", "pack.soc_pct"]), Some("pack.current_a"));
/// assert_eq!(nearest("banana", ["pack.current_a"]), None);
/// ```
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(name, k), k))
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, k)| *distance <= (k.chars().count() / 3).max(1))
        .map(|(_, k)| k)
}

/// `name` with a hint appended when one of the known names is near.
pub fn unknown_name<'a>(what: &str, name: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    match nearest(name, known) {
        Some(k) => format!("unknown {what} `{name}`; did you mean `{k}`?"),
        None => format!("unknown {what} `{name}`"),
    }
}

/// serde names the key and the ones it knows in back-ticks; the nearest of them becomes a hint.
fn with_suggestion(message: &str) -> String {
    let names: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let hint = match names.split_first() {
        Some((wrong, known)) if message.starts_with("unknown ") => nearest(wrong, known.iter().copied()),
        _ => None,
    };
    match hint {
        Some(name) => format!("{message}; did you mean `{name}`?"),
        None => message.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Sample {
        #[expect(dead_code, reason = "only parsed")]
        vehicle: String,
    }

    #[test]
    fn unknown_key_is_placed_and_corrected() {
        let file = TextFile::new("rig.toml", "# a rig\nvehcle = \"x\"\n");
        let error = file.parse::<Sample>().expect_err("wrong key").to_string();
        assert!(error.starts_with("rig.toml:2:1: unknown field `vehcle`"), "{error}");
        assert!(error.ends_with("did you mean `vehicle`?"), "{error}");
    }

    #[test]
    fn wrong_type_is_placed() {
        let error = TextFile::new("r.toml", "vehicle = 3\n").parse::<Sample>().expect_err("wrong type").to_string();
        assert!(error.starts_with("r.toml:1:11: invalid type: integer `3`"), "{error}");
    }
}

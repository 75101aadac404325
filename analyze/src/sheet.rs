//! A table of results that prints as text, JSON or CSV.
//!
//! Text is for people and rounds; JSON and CSV are for programs and carry every digit, an empty cell as null.

use std::fmt::Write as _;

use serde_json::{Map, Value, json};
use tallywheel_schemas::report::UnusableSession;

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Format {
    /// Aligned columns for people.
    #[default]
    Text,
    /// An array of objects.
    Json,
    /// RFC 4180 with a header line.
    Csv,
}

/// A cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Text.
    Text(String),
    /// A number and the decimals it is shown with.
    Number(f64, usize),
    /// A whole number.
    Count(i64),
    /// Not known.
    Unknown,
}

impl Cell {
    /// A number, or unknown.
    pub fn number(value: Option<f64>, decimals: usize) -> Self {
        value.filter(|v| v.is_finite()).map_or(Self::Unknown, |v| Self::Number(v, decimals))
    }

    /// Text.
    pub fn text(value: impl Into<String>) -> Self {
        Self::Text(value.into())
    }

    fn shown(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Number(value, decimals) => crate::figure::fixed(*value, *decimals),
            Self::Count(value) => value.to_string(),
            Self::Unknown => "–".to_owned(),
        }
    }

    fn exact(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Number(value, _) => value.to_string(),
            Self::Count(value) => value.to_string(),
            Self::Unknown => String::new(),
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Text(text) => Value::from(text.as_str()),
            Self::Number(value, _) => Value::from(*value),
            Self::Count(value) => Value::from(*value),
            Self::Unknown => Value::Null,
        }
    }
}

/// A table of results.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    columns: Vec<(&'static str, &'static str)>,
    rows: Vec<Vec<Cell>>,
    left_out: Vec<UnusableSession>,
}

impl Sheet {
    /// An empty table. Columns are pairs of a name for programs, ending in its unit, and a title for people.
    pub fn new(columns: impl IntoIterator<Item = (&'static str, &'static str)>) -> Self {
        Self { columns: columns.into_iter().collect(), rows: Vec::new(), left_out: Vec::new() }
    }

    /// Adds a row.
    ///
    /// # Panics
    /// When the row has another length than the columns: a mistake in this crate.
    pub fn push(&mut self, row: Vec<Cell>) {
        assert_eq!(row.len(), self.columns.len(), "a row has a cell for every column");
        self.rows.push(row);
    }

    /// Names sessions that could not be used: below the table as text, and in JSON as objects behind the rows, with
    /// `left_out` as the reason. CSV has no place for them.
    #[must_use]
    pub fn without(mut self, sessions: &[UnusableSession]) -> Self {
        self.left_out.extend_from_slice(sessions);
        self
    }

    /// Renders the table.
    pub fn render(&self, format: Format) -> String {
        match format {
            Format::Text => self.aligned(),
            Format::Json => self.json(),
            Format::Csv => self.csv(),
        }
    }

    fn aligned(&self) -> String {
        if self.rows.is_empty() {
            return "no rows\n".to_owned() + &self.left_out_lines();
        }
        let mut lines = vec![self.columns.iter().map(|(_, title)| (*title).to_owned()).collect::<Vec<_>>()];
        lines.extend(self.rows.iter().map(|row| row.iter().map(Cell::shown).collect()));
        let width = |i: usize| lines.iter().map(|l| l[i].chars().count()).max().unwrap_or(0);
        let widths: Vec<usize> = (0..self.columns.len()).map(width).collect();
        let left = |i: usize| self.rows.iter().all(|r| matches!(r[i], Cell::Text(_) | Cell::Unknown));
        let mut out = String::new();
        for line in &lines {
            let cells = line.iter().enumerate().map(|(i, cell)| match left(i) {
                true => format!("{cell:<width$}", width = widths[i]),
                false => format!("{cell:>width$}", width = widths[i]),
            });
            let _ = writeln!(out, "{}", cells.collect::<Vec<_>>().join("  ").trim_end());
        }
        out + &self.left_out_lines()
    }

    fn left_out_lines(&self) -> String {
        let line = |s: &UnusableSession| format!("session {} is left out: {}\n", s.session, s.reason);
        self.left_out.iter().map(line).collect()
    }

    fn json(&self) -> String {
        let object = |row: &Vec<Cell>| {
            let pairs = self.columns.iter().zip(row).map(|((name, _), cell)| ((*name).to_owned(), cell.json()));
            Value::Object(pairs.collect::<Map<_, _>>())
        };
        let left_out = |s: &UnusableSession| json!({ "session": s.session, "vehicle": s.vehicle, "run": s.run, "left_out": s.reason });
        let rows: Vec<Value> = self.rows.iter().map(object).chain(self.left_out.iter().map(left_out)).collect();
        serde_json::to_string_pretty(&rows).expect("keys are strings and numbers finite") + "\n"
    }

    fn csv(&self) -> String {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let written = writer
            .write_record(self.columns.iter().map(|(name, _)| *name))
            .and_then(|()| self.rows.iter().try_for_each(|row| writer.write_record(row.iter().map(Cell::exact))));
        written.expect("writing to memory and equal lengths cannot fail");
        let bytes = writer.into_inner().expect("flushing to memory cannot fail");
        String::from_utf8(bytes).expect("every cell is UTF-8")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Sheet {
        let mut sheet = Sheet::new([("run", "Run"), ("distance_km", "km")]);
        sheet.push(vec![Cell::text("hl-01, wet"), Cell::number(Some(9.4001), 2)]);
        sheet.push(vec![Cell::text("hl-02"), Cell::number(None, 2)]);
        sheet
    }

    #[test]
    fn text_is_aligned_and_rounded() {
        assert_eq!(sample().render(Format::Text), "Run           km\nhl-01, wet  9.40\nhl-02          –\n");
        assert_eq!(Sheet::new([("a", "A")]).render(Format::Text), "no rows\n");
    }

    #[test]
    fn csv_quotes_and_keeps_digits() {
        assert_eq!(sample().render(Format::Csv), "run,distance_km\n\"hl-01, wet\",9.4001\nhl-02,\n");
    }

    #[test]
    fn sessions_left_out_are_named_with_their_reason() {
        let reason = "altered".to_owned();
        let one = UnusableSession { session: "s1".to_owned(), vehicle: "skerry-1".to_owned(), run: None, reason };
        let sheet = sample().without(std::slice::from_ref(&one));
        assert!(sheet.render(Format::Text).ends_with("hl-02          –\nsession s1 is left out: altered\n"));
        let value: Value = serde_json::from_str(&sheet.render(Format::Json)).expect("valid JSON");
        assert_eq!(value[2]["left_out"], "altered");
        let empty = Sheet::new([("a", "A")]).without(&[one]);
        assert_eq!(empty.render(Format::Text), "no rows\nsession s1 is left out: altered\n");
    }

    #[test]
    fn json_has_null_for_unknown() {
        let value: Value = serde_json::from_str(&sample().render(Format::Json)).expect("valid JSON");
        assert_eq!(value[0]["distance_km"], 9.4001);
        assert!(value[1]["distance_km"].is_null());
    }
}

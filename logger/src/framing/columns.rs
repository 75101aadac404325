//! The columns of delimited text: where they come from and how a line is cut into cells.

use tallywheel_schemas::rig::Port;

/// Column names and separators of a text port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Columns {
    names: Vec<String>,
    /// Named by the rig rather than by the first line.
    fixed: bool,
    separator: char,
    decimal_comma: bool,
}

/// What a line is, given the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Row {
    /// It names the columns.
    Header,
    /// It has a cell for each column.
    Cells,
    /// It has another number of cells.
    Mismatch {
        /// Columns there are.
        expected: usize,
        /// Cells found.
        found: usize,
    },
}

impl Columns {
    /// As the rig describes the port.
    pub fn of(port: &Port) -> Self {
        Self {
            names: port.columns.clone(),
            fixed: !port.columns.is_empty(),
            separator: port.separator,
            decimal_comma: port.decimal == ',',
        }
    }

    /// Names known so far.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// Position of a column.
    pub fn position(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// Cells of a line, without surrounding white space. A byte order mark before the first is dropped, and so is
    /// an empty cell behind a closing separator when there is one more than there are columns.
    pub fn cells<'a>(&self, line: &'a str) -> Vec<&'a str> {
        let line = line.strip_prefix('\u{FEFF}').unwrap_or(line);
        let mut cells: Vec<&str> = if self.separator == ' ' {
            line.split_whitespace().collect()
        } else {
            line.split(self.separator).map(str::trim).collect()
        };
        if cells.len() == self.names.len() + 1 && !self.names.is_empty() && cells.last() == Some(&"") {
            cells.pop();
        }
        cells
    }

    /// Says what a line is. Without names from the rig the first line names the columns.
    pub fn judge(&mut self, line: &str) -> Row {
        let cells = self.cells(line);
        if self.names.is_empty() {
            self.names = cells.into_iter().map(str::to_owned).collect();
            return Row::Header;
        }
        if cells.len() != self.names.len() {
            return Row::Mismatch { expected: self.names.len(), found: cells.len() };
        }
        // A counter box that starts again in mid-drive repeats its header.
        if cells.iter().eq(self.names.iter()) { Row::Header } else { Row::Cells }
    }

    /// The number in a cell, in the port's decimal notation. Words such as `nan` are no numbers.
    pub fn number(&self, cell: &str) -> Option<f64> {
        if cell.bytes().any(|b| b.is_ascii_alphabetic() && !matches!(b, b'e' | b'E')) {
            return None;
        }
        let value: f64 = if self.decimal_comma {
            if cell.contains('.') {
                return None;
            }
            cell.replace(',', ".").parse().ok()?
        } else {
            cell.parse().ok()?
        };
        value.is_finite().then_some(value)
    }

    /// Whether the rig names the columns.
    pub fn is_fixed(&self) -> bool {
        self.fixed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(names: &[&str], separator: char, decimal_comma: bool) -> Columns {
        let names = names.iter().map(|n| (*n).to_owned()).collect();
        Columns { names, fixed: true, separator, decimal_comma }
    }

    #[test]
    fn the_first_line_names_the_columns_unless_the_rig_does() {
        let mut free = columns(&[], ',', false);
        assert_eq!(free.judge("\u{FEFF}time, flow"), Row::Header);
        assert_eq!(free.names(), ["time", "flow"]);
        assert_eq!(free.judge("1,2"), Row::Cells);
        assert_eq!(free.judge("1,2,"), Row::Cells);
        assert_eq!(free.judge("1"), Row::Mismatch { expected: 2, found: 1 });
        let mut fixed = columns(&["time", "flow"], ',', false);
        assert_eq!(fixed.judge("1,2"), Row::Cells);
        assert_eq!(fixed.judge("time,flow"), Row::Header);
    }

    #[test]
    fn a_space_stands_for_any_run_of_white_space() {
        assert_eq!(columns(&["a", "b"], ' ', false).cells("  1 \t  2 "), ["1", "2"]);
        assert_eq!(columns(&["a", "b", "c"], ';', false).cells("1;;3"), ["1", "", "3"]);
    }

    #[test]
    fn numbers_follow_the_decimal_mark() {
        let (point, comma) = (columns(&["a"], ';', false), columns(&["a"], ';', true));
        for (cell, with_point, with_comma) in [
            ("1.5", Some(1.5), None),
            ("1,5", None, Some(1.5)),
            ("-0.0", Some(-0.0), None),
            ("1e3", Some(1000.0), Some(1000.0)),
            ("nan", None, None),
            ("inf", None, None),
            ("", None, None),
            ("1,5,5", None, None),
            ("12 ", None, None),
        ] {
            assert_eq!(point.number(cell), with_point, "{cell}");
            assert_eq!(comma.number(cell), with_comma, "{cell}");
        }
    }
}

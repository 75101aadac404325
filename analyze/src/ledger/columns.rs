//! Putting cells side by side as the columns of a derived table.

use std::{collections::BTreeMap, ops::Range};

use crate::integral::{Cells, CounterCell, LevelCell, ProductCell, TimelineCell};

/// Joule in a watt hour.
pub(super) const J_PER_WH: f64 = 3600.0;

/// Named columns over the bins of one session. A column that is not put stays null.
#[derive(Debug)]
pub(super) struct Columns {
    range: Range<i64>,
    columns: BTreeMap<&'static str, Vec<Option<f64>>>,
}

impl Columns {
    pub(super) const fn new(range: Range<i64>) -> Self {
        Self { range, columns: BTreeMap::new() }
    }

    pub(super) fn range(&self) -> Range<i64> {
        self.range.clone()
    }

    /// A column of `value` of each bin's cell; bins that the channel never reached have an empty cell.
    pub(super) fn put<C: Clone + Default>(
        &mut self,
        name: &'static str,
        cells: &Cells<C>,
        value: impl Fn(&C) -> Option<f64>,
    ) {
        let empty = C::default();
        let column = self.range.clone().map(|i| value(cells.get(i).unwrap_or(&empty))).collect();
        self.columns.insert(name, column);
    }

    pub(super) fn put_values(&mut self, name: &'static str, values: Vec<Option<f64>>) {
        self.columns.insert(name, values);
    }

    /// A level's integral and the time it covers.
    pub(super) fn put_level(
        &mut self,
        sum: &'static str,
        valid: Option<&'static str>,
        cells: &Cells<LevelCell>,
        scale: f64,
    ) {
        self.put(sum, cells, |c| Some(c.integral() * scale));
        if let Some(valid) = valid {
            self.put(valid, cells, |c| Some(seconds(c.valid_us)));
        }
    }

    /// A counter's weighted count.
    pub(super) fn put_counter(&mut self, sum: &'static str, cells: &Cells<CounterCell>) {
        self.put(sum, cells, |c| Some(c.weighted()));
    }

    /// A power's energy out, in, and the time in which it is known.
    pub(super) fn put_energy(&mut self, names: [&'static str; 3], cells: &Cells<ProductCell>, scale: f64) {
        self.put(names[0], cells, |c| Some(c.above() * scale / J_PER_WH));
        self.put(names[1], cells, |c| Some(c.below() * scale / J_PER_WH));
        self.put(names[2], cells, |c| Some(seconds(c.valid_us)));
    }

    /// The time in a state.
    pub(super) fn put_state(&mut self, on: &'static str, valid: Option<&'static str>, cells: &Cells<TimelineCell>) {
        self.put(on, cells, |c| Some(seconds(c.on_us)));
        if let Some(valid) = valid {
            self.put(valid, cells, |c| Some(seconds(c.valid_us)));
        }
    }

    /// A copy of one column under another name, scaled.
    pub(super) fn copy(&mut self, from: &'static str, to: &'static str, scale: f64) {
        if let Some(column) = self.columns.get(from) {
            let copied = column.iter().map(|v| v.map(|v| v * scale)).collect();
            self.columns.insert(to, copied);
        }
    }

    /// The columns in the order of `names`, null where there is none.
    pub(super) fn in_order(mut self, names: impl IntoIterator<Item = &'static str>) -> Vec<Vec<Option<f64>>> {
        let rows = usize::try_from(self.range.end - self.range.start).unwrap_or(0);
        let ordered = names.into_iter().map(|n| self.columns.remove(n).unwrap_or_else(|| vec![None; rows])).collect();
        debug_assert!(self.columns.is_empty(), "columns without a place: {:?}", self.columns.keys());
        ordered
    }
}

pub(super) fn seconds(us: i64) -> f64 {
    us as f64 / 1e6
}

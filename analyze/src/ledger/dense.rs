//! The columns of a batch as plain slices: values without nulls, each with its stamps, cut into runs.

use std::borrow::Cow;

use arrow::{
    array::{Array, PrimitiveArray},
    datatypes::Float64Type,
};

use crate::integral::{Grid, Stamps, Values};

/// A column of which fewer rows than one in so many have a value is not worth cutting into runs.
const SPARSE: usize = 8;

/// The different times at which columns of one batch have values. Signals of one message have the same.
#[derive(Debug)]
pub(super) struct Times {
    grid: Grid,
    each: Vec<Stamps>,
    /// Which of them is that of columns without nulls.
    whole: Option<usize>,
}

/// One column's values, and which of the times are theirs.
#[derive(Debug)]
pub(super) struct Dense<'a> {
    times: usize,
    v: Cow<'a, [f64]>,
}

/// What a column has.
#[derive(Debug)]
pub(super) enum Held<'a> {
    /// Nothing.
    Nothing,
    /// Too little to be worth more than going through it.
    Little,
    /// Enough to be cut into runs.
    Much(Dense<'a>),
}

impl Times {
    pub(super) const fn new(grid: Grid) -> Self {
        Self { grid, each: Vec::new(), whole: None }
    }

    /// The values of a column in some rows, ascending; `None` stands for all of them. The rows are always the same.
    pub(super) fn dense<'a>(
        &mut self,
        t: &[i64],
        column: Option<&'a PrimitiveArray<Float64Type>>,
        rows: Option<&[u32]>,
    ) -> Held<'a> {
        let Some(column) = column else { return Held::Nothing };
        let values: &'a [f64] = column.values();
        let total = rows.map_or(values.len(), <[u32]>::len);
        let nulls = column.nulls().filter(|n| n.null_count() > 0);
        if nulls.is_some_and(|n| (n.len() - n.null_count()) * SPARSE < n.len()) {
            return if column.null_count() < column.len() { Held::Little } else { Held::Nothing };
        }
        let Some(nulls) = nulls else {
            let times = self.whole(t, rows);
            let v = match rows {
                None => Cow::Borrowed(values),
                Some(rows) => rows.iter().map(|i| values[*i as usize]).collect(),
            };
            return Held::Much(Dense { times, v });
        };
        let mut valid: Vec<u32> = Vec::with_capacity(nulls.len() - nulls.null_count());
        match rows {
            None => valid.extend(nulls.valid_indices().map(|i| i as u32)),
            Some(rows) => valid.extend(rows.iter().copied().filter(|i| nulls.is_valid(*i as usize))),
        }
        if valid.len() * SPARSE < total {
            return if valid.is_empty() { Held::Nothing } else { Held::Little };
        }
        let times = self.find(valid.iter().map(|i| t[*i as usize]).collect());
        Held::Much(Dense { times, v: valid.iter().map(|i| values[*i as usize]).collect() })
    }

    /// The stamps of all rows in question.
    fn whole(&mut self, t: &[i64], rows: Option<&[u32]>) -> usize {
        if let Some(whole) = self.whole {
            return whole;
        }
        let stamps = rows.map_or_else(|| t.to_vec(), |rows| rows.iter().map(|i| t[*i as usize]).collect());
        let whole = self.find(stamps);
        self.whole = Some(whole);
        whole
    }

    fn find(&mut self, t: Vec<i64>) -> usize {
        self.each.iter().position(|s| s.t == t).unwrap_or_else(|| {
            self.each.push(Stamps::new(t, self.grid));
            self.each.len() - 1
        })
    }

    /// The stamps of a column.
    pub(super) fn stamps(&self, column: &Dense<'_>) -> &Stamps {
        &self.each[column.times]
    }

    /// The values of a column, ready for integration.
    pub(super) fn values<'d>(&self, column: &'d Dense<'_>) -> Values<'d> {
        Values::new(self.stamps(column), &column.v)
    }

    /// Whether two columns have their values at the same times.
    pub(super) const fn together(a: &Dense<'_>, b: &Dense<'_>) -> bool {
        a.times == b.times
    }
}

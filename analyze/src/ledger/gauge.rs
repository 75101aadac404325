//! One channel as the ledger reads it: its limits, what is noted about it, and its values in a record batch.

use arrow::{
    array::{Array, ArrowPrimitiveType, AsArray, BooleanArray, PrimitiveArray, RecordBatch},
    buffer::{BooleanBuffer, NullBuffer},
    datatypes::ArrowNativeType,
    datatypes::{Float64Type, Int64Type},
};
use tallywheel_schemas::{Channel, Rig};

use super::{
    dense::{Held, Times},
    findings::ChannelFinding,
};
use crate::integral::{Between, CounterOutcome, Grid, Level, Stamps, Timeline, Values, Watch, Watched};

/// The channel, how it behaves, and its samples counted.
#[derive(Debug, Clone)]
pub(super) struct Gauge {
    channel: &'static str,
    position: Option<String>,
    named: bool,
    pub(super) between: Between,
    watch: Watch,
}

impl Gauge {
    /// The hold and the limit are the rig's; a channel that comes without a signal (satellite receivers) has the
    /// channel list's.
    pub(super) fn new(rig: &Rig, channel: &'static str, position: Option<&str>) -> Self {
        let between = match (rig.signal(channel, position), Channel::find(channel)) {
            (Some(s), _) => Between::new(s.hold, s.max_gap_s),
            (None, Some(c)) => Between::new(c.hold, c.max_gap_s),
            (None, None) => Between { step: false, limit_us: 0 },
        };
        Self {
            channel,
            position: position.map(str::to_owned),
            named: rig.signal(channel, position).is_some(),
            between,
            watch: Watch::new(between.limit_us),
        }
    }

    #[inline(always)]
    pub(super) fn see(&mut self, t: i64, value: f64) {
        self.watch.add(t, value.to_bits());
    }

    #[inline(always)]
    pub(super) fn see_int(&mut self, t: i64, value: i64) {
        self.watch.add(t, value as u64);
    }

    /// Sees a column and follows the state that its values stand for. Values of one state are those of one interval.
    pub(super) fn follow(
        &mut self,
        timeline: &mut Timeline,
        times: &mut Times,
        t: &[i64],
        column: Option<&PrimitiveArray<Float64Type>>,
        state: impl Fn(f64) -> u8,
    ) {
        match times.dense(t, column, None) {
            Held::Nothing => {}
            Held::Little => each(column, |i, v| {
                self.see(t[i], v);
                timeline.add(t[i], state(v));
            }),
            Held::Much(dense) => {
                let (stamps, values) = (times.stamps(&dense), times.values(&dense));
                self.see_all(stamps, &values);
                timeline.take(stamps, &values, state);
            }
        }
    }

    /// Sees many samples.
    pub(super) fn see_all(&mut self, stamps: &Stamps, values: &Values<'_>) {
        self.watch.take(stamps, values.v);
    }

    pub(super) fn watched(&self) -> Watched {
        self.watch.clone().finish()
    }

    pub(super) fn seen(&self) -> bool {
        self.watched().samples > 0
    }

    /// What to report, if the rig names the channel or the session has it.
    pub(super) fn finding(&self) -> Option<ChannelFinding> {
        let w = self.watched();
        (self.named || w.samples > 0).then(|| ChannelFinding {
            channel: self.channel.to_owned(),
            position: self.position.clone(),
            samples: w.samples,
            gaps: w.gaps,
            gap_s: w.gap_us as f64 / 1e6,
            covered_s: w.covered_us as f64 / 1e6,
            stuck_s: w.stuck_us as f64 / 1e6,
            resets: 0,
            wraps: 0,
            ambiguous_gaps: 0,
        })
    }

    /// The same for a counter.
    pub(super) fn counter_finding(&self, outcome: &CounterOutcome) -> Option<ChannelFinding> {
        let CounterOutcome { resets, wraps, ambiguous_gaps, .. } = *outcome;
        self.finding().map(|f| ChannelFinding { resets, wraps, ambiguous_gaps, ..f })
    }
}

/// A gauge whose level is integrated.
#[derive(Debug, Clone)]
pub(super) struct LevelGauge {
    pub(super) gauge: Gauge,
    pub(super) level: Level,
}

impl LevelGauge {
    pub(super) fn new(rig: &Rig, grid: Grid, channel: &'static str, position: Option<&str>) -> Self {
        let gauge = Gauge::new(rig, channel, position);
        Self { level: Level::new(grid, gauge.between), gauge }
    }

    #[inline(always)]
    pub(super) fn add(&mut self, t: i64, v: f64) {
        self.gauge.see(t, v);
        self.level.add(t, v);
    }

    /// Takes many samples.
    pub(super) fn add_all(&mut self, stamps: &Stamps, values: &Values<'_>) {
        self.gauge.see_all(stamps, values);
        self.level.take(stamps, values);
    }

    /// Takes a whole column.
    pub(super) fn take(&mut self, times: &mut Times, t: &[i64], batch: &RecordBatch, column: &str) {
        let column = floats(batch, column);
        match times.dense(t, column, None) {
            Held::Nothing => {}
            Held::Little => each(column, |i, v| self.add(t[i], v)),
            Held::Much(dense) => self.add_all(times.stamps(&dense), &times.values(&dense)),
        }
    }
}

/// The stamps of a batch; the dataset only hands out batches that have them.
pub(super) fn times(batch: &RecordBatch) -> &[i64] {
    ints(batch, "t_us").map_or(&[], |t| t.values())
}

/// A column of floats.
pub(super) type Floats = PrimitiveArray<Float64Type>;

/// A column of floats, if the batch has it.
pub(super) fn floats<'a>(batch: &'a RecordBatch, column: &str) -> Option<&'a Floats> {
    batch.column_by_name(column)?.as_primitive_opt()
}

/// A column of integers, if the batch has it.
pub(super) fn ints<'a>(batch: &'a RecordBatch, column: &str) -> Option<&'a PrimitiveArray<Int64Type>> {
    batch.column_by_name(column)?.as_primitive_opt()
}

/// Calls `f` with the row and value of every true or false, nulls left out.
pub(super) fn each_bool(batch: &RecordBatch, column: &str, mut f: impl FnMut(usize, bool)) {
    let array: Option<&BooleanArray> = batch.column_by_name(column).and_then(|c| c.as_boolean_opt());
    if let Some(array) = array {
        let values = array.values();
        match array.nulls().filter(|n| n.null_count() > 0) {
            None => values.iter().enumerate().for_each(|(i, v)| f(i, v)),
            Some(nulls) => nulls.valid_indices().for_each(|i| f(i, values.value(i))),
        }
    }
}

/// Calls `f` with the row and value of every value of a column, nulls left out.
#[inline]
pub(super) fn each<T: ArrowPrimitiveType>(array: Option<&PrimitiveArray<T>>, mut f: impl FnMut(usize, T::Native)) {
    let Some(array) = array else { return };
    let values = array.values();
    match array.nulls().filter(|n| n.null_count() > 0) {
        None => values.iter().enumerate().for_each(|(i, v)| f(i, *v)),
        Some(nulls) => nulls.valid_indices().for_each(|i| f(i, values[i])),
    }
}

/// The rows of a batch that are one motor's.
pub(super) struct Own<'a> {
    /// Ascending.
    pub(super) rows: &'a [u32],
    /// The motor of every row of the batch.
    pub(super) motors: &'a [usize],
    /// The motor meant.
    pub(super) number: usize,
}

/// The same for some rows of a column: through its values where they are few, else through the rows.
#[inline]
pub(super) fn each_of<T: ArrowPrimitiveType>(
    array: Option<&PrimitiveArray<T>>,
    own: &Own<'_>,
    mut f: impl FnMut(usize, T::Native),
) {
    let Some(array) = array else { return };
    let values = array.values();
    match array.nulls().filter(|n| n.null_count() > 0) {
        None => own.rows.iter().map(|i| *i as usize).for_each(|i| f(i, values[i])),
        Some(nulls) => {
            nulls.valid_indices().filter(|i| own.motors[*i] == own.number).for_each(|i| f(i, values[i]));
        }
    }
}

/// Calls `f` with every row in which either of two columns has a value.
///
/// There is one place that calls `f`, so that it is inlined there: a call costs as much as the integration of a row.
#[inline(always)]
pub(super) fn each_pair<A: ArrowPrimitiveType, B: ArrowPrimitiveType>(
    a: Option<&PrimitiveArray<A>>,
    b: Option<&PrimitiveArray<B>>,
    mut f: impl FnMut(usize, Option<A::Native>, Option<B::Native>),
) {
    let either = match (a.map(known), b.map(known)) {
        (Some(a), Some(b)) => &a | &b,
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => return,
    };
    let (a, b) = (Cells::of(a), Cells::of(b));
    for i in either.set_indices() {
        f(i, a.at(i), b.at(i));
    }
}

/// Which rows have a value.
fn known<T: ArrowPrimitiveType>(array: &PrimitiveArray<T>) -> BooleanBuffer {
    array.nulls().map_or_else(|| BooleanBuffer::new_set(array.len()), |nulls| nulls.inner().clone())
}

/// A column's values and which of them are there; no values at all where there is no column.
struct Cells<'a, T> {
    values: &'a [T],
    nulls: Option<&'a NullBuffer>,
}

impl<'a, T: ArrowNativeType> Cells<'a, T> {
    fn of<A: ArrowPrimitiveType<Native = T>>(array: Option<&'a PrimitiveArray<A>>) -> Self {
        let nulls = array.and_then(Array::nulls).filter(|n| n.null_count() > 0);
        Self { values: array.map_or(&[], |a| &a.values()[..]), nulls }
    }

    #[inline(always)]
    fn at(&self, i: usize) -> Option<T> {
        self.values.get(i).copied().filter(|_| self.nulls.is_none_or(|n| n.is_valid(i)))
    }
}

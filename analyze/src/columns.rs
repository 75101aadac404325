//! Plain columns out of a ledger's data frame.

use polars::prelude::{ChunkAgg as _, DataFrame, PolarsResult};

/// One column as values, `None` where the ledger has a null.
///
/// # Errors
/// When the frame has no such column of floats: it is then no ledger.
pub fn floats(frame: &DataFrame, name: &str) -> PolarsResult<Vec<Option<f64>>> {
    let column = frame.column(name)?.f64()?;
    let mut values = Vec::with_capacity(column.len());
    // Chunk by chunk: most have no nulls, and the column's own iterator asks for each value.
    for chunk in column.downcast_iter() {
        let stored = chunk.values().as_slice();
        match chunk.validity().filter(|known| known.unset_bits() > 0) {
            None => values.extend(stored.iter().copied().map(Some)),
            Some(known) if known.set_bits() == 0 => values.extend(std::iter::repeat_n(None, stored.len())),
            Some(known) => values.extend(stored.iter().zip(known.iter()).map(|(v, known)| known.then_some(*v))),
        }
    }
    Ok(values)
}

/// Sum of a column; `None` when every value is null, which means that the session has no such channel.
///
/// # Errors
/// As [`floats`].
pub fn sum(frame: &DataFrame, name: &str) -> PolarsResult<Option<f64>> {
    let column = frame.column(name)?.f64()?;
    Ok(if column.null_count() == column.len() { None } else { column.sum() })
}

/// Mean of a column over its values, `None` when there is none.
///
/// # Errors
/// As [`floats`].
pub fn mean(frame: &DataFrame, name: &str) -> PolarsResult<Option<f64>> {
    Ok(frame.column(name)?.f64()?.mean())
}

/// Largest value of a column, `None` when there is none.
///
/// # Errors
/// As [`floats`].
pub fn max(frame: &DataFrame, name: &str) -> PolarsResult<Option<f64>> {
    Ok(frame.column(name)?.f64()?.max())
}

/// First value of a column that is not null.
///
/// # Errors
/// As [`floats`].
pub fn first(frame: &DataFrame, name: &str) -> PolarsResult<Option<f64>> {
    Ok(frame.column(name)?.f64()?.iter().flatten().next())
}

/// Last value of a column that is not null.
///
/// # Errors
/// As [`floats`].
pub fn last(frame: &DataFrame, name: &str) -> PolarsResult<Option<f64>> {
    Ok(frame.column(name)?.f64()?.iter().flatten().next_back())
}

//! Plain columns out of a ledger's data frame.

use polars::prelude::{ChunkAgg as _, DataFrame, PolarsResult};

/// One column as values, `None` where the ledger has a null.
///
/// # Errors
/// When the frame has no such column of floats: it is then no ledger.
pub fn floats(frame: &DataFrame, name: &str) -> PolarsResult<Vec<Option<f64>>> {
    Ok(frame.column(name)?.f64()?.iter().collect())
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

//! `compact`: the tables of a day in one file each.

use std::{fmt::Write as _, path::PathBuf, sync::Arc};

use clap::Args as ClapArgs;

use super::{Failure, Outcome, SummaryFormat};
use crate::{
    compact::{CompactOptions, Compacted, MIN_SESSIONS, compact, restore},
    disk::Disk,
    interrupt::stop_flag,
    progress::Bar,
};

/// Flags of `compact`.
#[derive(Debug, ClapArgs)]
pub(super) struct Flags {
    /// Dataset directory.
    data: PathBuf,
    /// Remove the sessions' own files of compacted days and put the day's in their place. Without it they stay, and
    /// the day's files wait below `compacted`.
    #[arg(long)]
    remove_originals: bool,
    /// Take compaction back: give every session its own files again, as they were sealed.
    #[arg(long, conflicts_with_all = ["remove_originals", "min_sessions"])]
    restore: bool,
    /// Fewest sessions of a day that are compacted.
    #[arg(long, default_value_t = MIN_SESSIONS as u16, value_parser = clap::value_parser!(u16).range(2..))]
    min_sessions: u16,
    /// How the summary is printed.
    #[arg(long, value_enum, default_value_t = SummaryFormat::Text)]
    format: SummaryFormat,
}

pub(super) fn run(flags: &Flags) -> Result<Outcome, Failure> {
    if flags.restore {
        let days = restore(&flags.data, &Disk::default())?;
        let text = match flags.format {
            SummaryFormat::Text => format!("{days} days taken back: their sessions have their own files again\n"),
            SummaryFormat::Json => format!("{{\"restored\": {days}}}\n"),
        };
        return Ok(Outcome { text, faults: false });
    }
    let options = CompactOptions {
        min_sessions: usize::from(flags.min_sessions),
        remove_originals: flags.remove_originals,
        stop: Some(Arc::clone(&stop_flag().map_err(Failure::Signals)?)),
        ..CompactOptions::default()
    };
    let done = compact(&flags.data, &options, &Bar::new())?;
    let text = match flags.format {
        SummaryFormat::Text => summary(&done),
        SummaryFormat::Json => serde_json::to_string_pretty(&done).expect("only string keys") + "\n",
    };
    Ok(Outcome { text, faults: !done.left.is_empty() })
}

fn summary(done: &Compacted) -> String {
    let sum = |of: fn(&crate::compact::DayCompacted) -> u64| done.days.iter().map(of).sum::<u64>();
    let mut out = format!(
        "{} days compacted: {} sessions, {} files in {}, {:.1} MB in {:.1} MB\n",
        done.days.len(),
        sum(|d| d.sessions as u64),
        sum(|d| d.files_before as u64),
        sum(|d| d.files_after as u64),
        sum(|d| d.bytes_before) as f64 / 1e6,
        sum(|d| d.bytes_after) as f64 / 1e6,
    );
    let _ = writeln!(out, "{} days are in their places", done.switched);
    if done.waiting > 0 {
        let _ =
            writeln!(out, "{} days wait for --remove-originals; until then their rows take room twice", done.waiting);
    }
    for day in &done.left {
        let _ = writeln!(out, "{} {} is left as it is: {}", day.vehicle, day.date, day.reason);
    }
    out
}

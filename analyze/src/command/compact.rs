//! `compact`: the tables of a day in one file each.

use std::{fmt::Write as _, path::PathBuf, sync::Arc};

use clap::Args as ClapArgs;

use super::{Failure, Outcome, SummaryFormat};
use crate::{
    compact::{CompactOptions, Compacted, MIN_SESSIONS, Restored, compact, restore},
    disk::Disk,
    figure::counted,
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
        let done = restore(&flags.data, &Disk::default())?;
        let text = match flags.format {
            SummaryFormat::Text => restored(&done),
            SummaryFormat::Json => serde_json::to_string_pretty(&done).expect("only string keys") + "\n",
        };
        return Ok(Outcome { text, faults: !done.incomplete.is_empty() });
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

fn restored(done: &Restored) -> String {
    let mut out = match done.days {
        0 => "nothing is compacted here, so nothing was taken back\n".to_owned(),
        days => format!("{} taken back\n", counted(days, "day")),
    };
    let (whole, all) = (done.sessions - done.incomplete.len(), counted(done.sessions, "session"));
    let _ = match done.incomplete.len() {
        0 => writeln!(out, "all files of {all} are in their places"),
        _ => writeln!(out, "{whole} of {all} have all their files"),
    };
    for session in &done.incomplete {
        let missing = session.missing.join(", ");
        let _ = writeln!(out, "{} {}: these files are nowhere: {missing}", session.vehicle, session.session);
    }
    if !done.incomplete.is_empty() {
        out += "If `compacted` was deleted, put it back from a copy; or bring the sessions back with `collect`.\n";
    }
    out
}

fn summary(done: &Compacted) -> String {
    let sum = |of: fn(&crate::compact::DayCompacted) -> u64| done.days.iter().map(of).sum::<u64>();
    let mut out = format!(
        "{} compacted: {}, {} in {}, {:.1} MB in {:.1} MB\n",
        counted(done.days.len(), "day"),
        counted(done.days.iter().map(|d| d.sessions).sum(), "session"),
        counted(done.days.iter().map(|d| d.files_before).sum(), "file"),
        sum(|d| d.files_after as u64),
        sum(|d| d.bytes_before) as f64 / 1e6,
        sum(|d| d.bytes_after) as f64 / 1e6,
    );
    let _ = writeln!(out, "{} in place", counted(done.switched, "day"));
    if done.waiting > 0 {
        let waiting = counted(done.waiting, "day");
        let _ = writeln!(out, "waiting for --remove-originals: {waiting}; until then these rows take room twice");
    }
    for day in &done.left {
        let _ = writeln!(out, "{} {} is left as it is: {}", day.vehicle, day.date, day.reason);
    }
    out
}

//! Commands on files: import, recover, rebuild, verify.

use std::{
    io::{self, IsTerminal},
    path::Path,
};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use tallywheel_schemas::Manifest;

use super::{Format, complain, print};
use crate::{
    exit::Exit,
    import::{ImportOptions, import},
    rebuild::{RebuildOptions, rebuild},
    recover::{Outcome, Recovery, recover},
    session::JOURNAL_DIRECTORY,
    summary::Summary,
    verify::{Plan, VerifyOptions},
};

pub(super) fn import_now(options: &ImportOptions) -> Result<Exit, String> {
    let sizes = options.captures.iter().filter_map(|(_, path)| path.metadata().ok());
    let bar = progress(sizes.map(|m| m.len()).sum());
    let imported = import(options, &mut |bytes| bar.inc(bytes));
    bar.finish_and_clear();
    report(&options.data, &imported.map_err(|e| e.to_string())?)
}

/// A bar that is drawn only on a terminal.
fn progress(bytes: u64) -> ProgressBar {
    let target =
        if io::stderr().is_terminal() { ProgressDrawTarget::stderr_with_hz(5) } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(bytes), target);
    let style = ProgressStyle::with_template("{bar:40} {bytes} of {total_bytes}, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

/// Prints the summary of a sealed session.
pub(super) fn report(data: &Path, manifest: &Manifest) -> Result<Exit, String> {
    let sealed = |error| format!("session {} is sealed, but its summary is not printed: {error}", manifest.session);
    print(&Summary::new(data, manifest).to_string()).map_err(sealed)?;
    Ok(Exit::of(manifest))
}

pub(super) fn recover_now(data: &Path) -> Result<Exit, String> {
    if !data.is_dir() {
        return Err(format!("{} is no directory", data.display()));
    }
    if !["sessions", JOURNAL_DIRECTORY].iter().any(|name| data.join(name).is_dir()) {
        return Err(format!(
            "{}: not a dataset: nothing was recorded or imported into it; name the directory given as --data then",
            data.display()
        ));
    }
    let recoveries = recover(data).map_err(|e| e.to_string())?;
    if recoveries.is_empty() {
        print("nothing to recover\n")?;
    }
    let mut worst = Exit::Success;
    for recovery in &recoveries {
        worst = worst.max(report_recovery(data, recovery)?);
    }
    Ok(worst)
}

fn report_recovery(data: &Path, recovery: &Recovery) -> Result<Exit, String> {
    let session = &recovery.session;
    match &recovery.outcome {
        Outcome::Sealed { manifest, skipped } => {
            let exit = report(data, manifest)?;
            let Some((skipped, kept)) = skipped else { return Ok(exit) };
            print(&format!("kept     the whole journal, {} bytes unread: {}\n", skipped.bytes, kept.display()))?;
            Ok(exit.max(Exit::Faults))
        }
        Outcome::AlreadySealed => {
            print(&format!("{session}: was sealed already; its journal is cleared away\n"))?;
            Ok(Exit::Success)
        }
        Outcome::InWork => {
            print(&format!("{session}: in work by another program, left alone\n"))?;
            Ok(Exit::Success)
        }
        Outcome::Nothing => {
            print(&format!("{session}: nothing had been recorded; a broken import is to be started again\n"))?;
            Ok(Exit::Success)
        }
        Outcome::Unreadable { reason, kept } => {
            print(&format!("{session}: cannot be read ({reason}); kept as {}\n", kept.display()))?;
            Ok(Exit::Faults)
        }
        Outcome::Failed(error) => {
            complain(&format!("error: session {session}: {error}"));
            Ok(Exit::Failed)
        }
    }
}

pub(super) fn rebuild_now(options: &RebuildOptions) -> Result<Exit, String> {
    let manifests = rebuild(options).map_err(|e| e.to_string())?;
    for manifest in &manifests {
        print(&Summary::new(&options.data, manifest).to_string())?;
    }
    Ok(Exit::Success)
}

pub(super) fn verify_now(options: &VerifyOptions, format: Format) -> Result<Exit, String> {
    let plan = Plan::new(options).map_err(|e| e.to_string())?;
    let bar = progress(plan.bytes());
    let checked = plan.check(&mut |bytes| bar.inc(bytes));
    bar.finish_and_clear();
    let verification = checked.map_err(|e| e.to_string())?;
    print(&match format {
        Format::Text => verification.to_string(),
        Format::Json => verification.to_json(),
    })?;
    Ok(verification.verdict().into())
}

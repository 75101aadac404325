//! `derive`: make what is missing of the derived tables.

use std::{path::PathBuf, sync::Arc};

use clap::Args as ClapArgs;
use serde_json::json;
use tallywheel_schemas::report::UnusableSession;

use super::{Failure, Outcome, Selected, Selection, chosen, warn_of, without_manifest};
use crate::{
    dataset::Filter,
    derive::{DeriveOptions, Derived, State, derive},
    figure::counted,
    interrupt::stop_flag,
    progress::Bar,
    sheet::{Cell, Format, Sheet},
};

/// Flags of `derive`.
#[derive(Debug, ClapArgs)]
pub(super) struct Flags {
    #[command(flatten)]
    pub(super) selection: Selection,
    /// Sessions at once; one per core if not given.
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=1024))]
    jobs: Option<u16>,
    /// Read every decoded and derived table again and compare it with its hash; without it, files of unchanged length and time of
    /// change are taken as they were.
    #[arg(long)]
    check: bool,
}

pub(super) fn run(flags: &Flags) -> Result<Outcome, Failure> {
    let Selected { dataset, sessions, unusable } = chosen(&flags.selection)?;
    if flags.selection.common.format == Format::Csv {
        warn_of(&unusable);
    }
    let options = DeriveOptions {
        jobs: flags.jobs.map(usize::from),
        check: flags.check,
        stop: Some(Arc::clone(&stop_flag().map_err(Failure::Signals)?)),
        ..DeriveOptions::default()
    };
    let derived = derive(&dataset, &sessions, &options, &Bar::new())?;
    let Selection { vehicle, from, to, .. } = &flags.selection;
    let filter = Filter { vehicles: vehicle.clone(), from: *from, to: *to, ..Filter::default() };
    let unspoken = dataset.without_manifest(&filter);
    let unwritten = derived.sessions.iter().find_map(|s| match &s.state {
        State::Unwritten { reason, .. } => Some(reason.clone()),
        _ => None,
    });
    if let Some(reason) = unwritten {
        return Err(Failure::Unwritten { path: dataset.root().to_owned(), reason });
    }
    let faults = !unusable.is_empty() || derived.damaged().next().is_some() || !unspoken.is_empty();
    let text = match flags.selection.common.format {
        Format::Text => summary(&derived, &unusable, &unspoken),
        Format::Csv => sheet(&derived).without(&unusable).render(Format::Csv),
        Format::Json => as_json(&derived, &unusable, &unspoken),
    };
    Ok(Outcome { text, faults })
}

fn summary(derived: &Derived, unusable: &[UnusableSession], unspoken: &[PathBuf]) -> String {
    let made = derived.made();
    let damaged = derived.damaged().count();
    let mut out = format!(
        "{}: {made} made, {} unchanged, {damaged} damaged, {} unusable\n",
        counted(derived.sessions.len() + unusable.len(), "session"),
        derived.sessions.len() - made - damaged,
        unusable.len()
    );
    for (session, damage) in derived.damaged() {
        for d in damage {
            out += &format!("{}: left out: {d}\n", session.manifest.session);
        }
    }
    for session in unusable {
        out += &format!("{}: left out: {}\n", session.session, session.reason);
    }
    for path in &derived.removed {
        out += &format!("removed, no session that can be used stands behind it: {}\n", path.display());
    }
    if !unspoken.is_empty() {
        out += &format!("{}\n", without_manifest(unspoken));
    }
    out
}

const fn state_name(state: &State) -> &'static str {
    match state {
        State::Kept => "unchanged",
        State::Made(_) => "made",
        State::Unwritten { .. } => "unwritten",
        State::Damaged(_) => "damaged",
    }
}

fn as_json(derived: &Derived, unusable: &[UnusableSession], unspoken: &[PathBuf]) -> String {
    let sessions: Vec<_> = derived
        .sessions
        .iter()
        .map(|s| {
            let damage = match &s.state {
                State::Damaged(damage) => damage.as_slice(),
                _ => &[],
            };
            let m = &s.session.manifest;
            // The same words as in a roll-up's list of what is left out.
            let reason = damage.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
            json!({
                "vehicle": m.vehicle,
                "session": m.session,
                "run": m.run.as_ref().map(|r| &r.run),
                "state": state_name(&s.state),
                "damage": damage,
                "reason": (!damage.is_empty()).then_some(reason),
            })
        })
        .collect();
    let value = json!({
        "schema": 1,
        "sessions": sessions,
        "unusable": unusable,
        "without_manifest": unspoken.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        "removed": derived.removed.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
    });
    serde_json::to_string_pretty(&value).expect("only string keys") + "\n"
}

fn sheet(derived: &Derived) -> Sheet {
    let mut sheet = Sheet::new([("vehicle", "Vehicle"), ("session", "Session"), ("state", "State")]);
    for s in &derived.sessions {
        let m = &s.session.manifest;
        sheet.push(vec![Cell::text(&m.vehicle), Cell::text(&m.session), Cell::text(state_name(&s.state))]);
    }
    sheet
}

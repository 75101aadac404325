//! Real recorders killed at random moments, several at once: no acknowledged frame is lost, no session unreadable.

use std::{
    fs,
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicUsize, Ordering::Relaxed},
    },
};

use rand::{Rng, RngExt};
use serde_json::{Map, Value, json};

use super::{
    Checked,
    account::account_of,
    bay::Bay,
    journal_walk::{Walk, acknowledged, vouched},
    plan::Plan,
    scene::{Scene, Setup},
    sealed,
    shim::Faults,
    speaker::now_us,
    within,
};

/// How long after it was sent a frame may still not be synced where nobody vouches for it, µs: a batch of 200 ms and
/// the sync of a healthy disk.
const GRACE_US: i64 = 750_000;

/// What came of one kill.
#[derive(Debug, Default)]
struct Found {
    sessions: usize,
    sent: usize,
    recovered: usize,
    acknowledged: usize,
    lost: usize,
    unreadable: usize,
    /// The supply failed as well: what was not synced was spoiled.
    power_cut: bool,
}

/// Kills, recovers and compares.
pub(super) fn run(plan: &Plan) -> Checked<Map<String, Value>> {
    let (next, found) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..plan.jobs.min(plan.kills) {
            scope.spawn(|| {
                loop {
                    let round = next.fetch_add(1, Relaxed);
                    if round >= plan.kills {
                        return;
                    }
                    let outcome = Bay::new(plan, &format!("kills {round}")).and_then(|bay| kill(&bay, round));
                    let outcome = outcome.map_err(|e| format!("kill {round}: {e}"));
                    found.lock().unwrap_or_else(PoisonError::into_inner).push(outcome);
                }
            });
        }
    });
    let found = found.into_inner().unwrap_or_else(PoisonError::into_inner);
    let failures: Vec<&String> = found.iter().filter_map(|f| f.as_ref().err()).collect();
    for failure in &failures {
        super::say(&format!("      {failure}"));
    }
    let good: Vec<&Found> = found.iter().filter_map(|f| f.as_ref().ok()).collect();
    let sum = |figure: fn(&Found) -> usize| json!(good.iter().map(|f| figure(f)).sum::<usize>());
    let figures = [
        ("kills", json!(plan.kills)),
        ("kills_failed", json!(failures.len())),
        ("kills_with_power_cut", sum(|f| usize::from(f.power_cut))),
        ("kills_sessions", sum(|f| f.sessions)),
        ("frames_sent", sum(|f| f.sent)),
        ("frames_recovered", sum(|f| f.recovered)),
        ("acknowledged", sum(|f| f.acknowledged)),
        ("acknowledged_lost", sum(|f| f.lost)),
        ("unreadable", sum(|f| f.unreadable)),
    ];
    Ok(figures.map(|(name, value)| (name.to_owned(), value)).into_iter().collect())
}

/// One recorder: every third with seams; with the shim, every other one loses its supply.
fn kill(bay: &Bay, round: usize) -> Checked<Found> {
    let mut random = bay.random();
    let power_cut = round % 2 == 1 && bay.shim.is_some();
    let args = if round.is_multiple_of(3) { vec!["--rotate".to_owned(), "0.3".to_owned()] } else { Vec::new() };
    let setup = Setup { rate: random.random_range(200..2000), run: false, args, ..Setup::shim() };
    let scene = Scene::begin(bay, &setup)?;
    if power_cut {
        scene.faults()?.sync_delay_us(random.random_range(0..200_000)).map_err(within("the shim"))?;
    }
    scene.pass(random.random_range(0.02..2.0));
    let killed_us = now_us();
    let (sent, faults) = scene.kill()?;
    let mut safe: Vec<u32> = bay.sessions()?.iter().flat_map(|s| &s.frames).filter_map(|f| f.number).collect();
    safe.extend(acknowledged(&bay.dataset(), faults.as_ref())?);
    if faults.is_none() {
        safe.extend(sent.iter().filter(|s| s.at_us < killed_us - GRACE_US).map(|s| s.number));
    }
    if let Some(faults) = faults.as_ref().filter(|_| power_cut) {
        spoil(bay, faults, &mut random)?;
    }
    let recovered = bay.logger(&["recover"], &[])?;
    if !matches!(recovered.code, Some(0 | 1)) || !bay.unfinished()?.is_empty() {
        return Err(format!("recovery: code {:?}, {}{}", recovered.code, recovered.stdout, recovered.stderr));
    }
    let sessions = bay.sessions()?;
    // Refuses frames that were never sent, are there twice, or out of order.
    let account = account_of(&sent, &sessions)?;
    account.is_prefix()?;
    let got: std::collections::HashSet<u32> =
        sessions.iter().flat_map(|s| &s.frames).filter_map(|f| f.number).collect();
    safe.sort_unstable();
    safe.dedup();
    Ok(Found {
        sessions: sessions.len(),
        sent: sent.len(),
        recovered: account.received,
        acknowledged: safe.len(),
        lost: safe.iter().filter(|n| !got.contains(n)).count(),
        unreadable: unreadable(bay, faults.as_ref())?,
        power_cut,
    })
}

/// Sessions that could not be read at all although something in them had been acknowledged. A journal that was only
/// just begun when the supply failed may be torn in its header: nothing was in it yet.
fn unreadable(bay: &Bay, faults: Option<&Faults>) -> Checked<usize> {
    let mut count = 0;
    for directory in sealed::entries(&bay.dataset().join(".journal-unreadable"))? {
        let session = directory.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let is_sealed = bay.sessions()?.iter().any(|s| s.manifest.session == session);
        for journal in sealed::entries(&directory)?.iter().filter(|_| !is_sealed) {
            let bytes = fs::read(journal).map_err(within(journal.display()))?;
            count += usize::from(match faults {
                Some(faults) => vouched(journal, faults)? > 0,
                None => !Walk::of(&bytes)?.ends.is_empty(),
            });
        }
    }
    Ok(count)
}

/// Spoils what no sync has vouched for: cut, zeros or garbage from a random place on.
fn spoil(bay: &Bay, faults: &Faults, random: &mut impl Rng) -> Checked<()> {
    for directory in bay.unfinished()? {
        let journal = directory.join("journal.twj");
        let Ok(mut bytes) = fs::read(&journal) else { continue };
        let from = random.random_range(vouched(&journal, faults)?.min(bytes.len())..=bytes.len());
        match random.random_range(0..3) {
            0 => bytes.truncate(from),
            1 => bytes[from..].fill(0),
            _ => random.fill_bytes(&mut bytes[from..]),
        }
        // In place, so that it stays the file that was vouched for.
        fs::write(&journal, bytes).map_err(within(journal.display()))?;
    }
    Ok(())
}

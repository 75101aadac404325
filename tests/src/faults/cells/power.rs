//! Recordings that break off.

use std::fs;

use rand::{Rng, RngExt};
use tallywheel_schemas::manifest::{GapCause, Origin};

use crate::faults::{
    Checked,
    account::account_of,
    bay::Bay,
    journal_walk::{acknowledged, contains_all, vouched},
    scene::{Finished, Scene, Setup},
    sealed,
    shim::Faults,
    speaker::{Sent, now_us},
    stated::Injected,
    within,
};

/// How long after it was sent a frame may still not be synced on a healthy disk, µs: a batch of 200 ms and a sync.
const GRACE_US: i64 = 750_000;

/// Killed while the adapter speaks: every acknowledged frame comes back, and the session says that it broke off.
pub(super) fn kill_9(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(2.0);
    let killed_us = now_us();
    let (sent, faults) = scene.kill()?;
    let mut safe = acknowledged(&bay.dataset(), faults.as_ref())?;
    safe.extend(sent.iter().filter(|s| s.at_us < killed_us - GRACE_US).map(|s| s.number));
    let finished = recovered(bay, sent)?;
    let words = prefix(&finished, &safe)?;
    let stated = broke_off(bay, &finished)?;
    let again = bay.logger(&["recover"], &[])?;
    if again.code != Some(0) || !again.stdout.contains("nothing to recover") {
        return Err(format!("recovering again: code {:?}, {}", again.code, again.stdout));
    }
    Ok(format!("{stated}, {words}"))
}

fn recovered(bay: &Bay, sent: Vec<Sent>) -> Checked<Finished> {
    let finished = Finished { ended: bay.logger(&["recover"], &[])?, sessions: bay.sessions()?, sent };
    finished.code(1)?;
    let session = finished.only()?;
    let origin = &session.manifest.origin;
    if *origin == Origin::Recovered { Ok(finished) } else { Err(format!("the session's origin is {origin:?}")) }
}

/// What came back is the beginning of what was sent, and holds all that was acknowledged.
fn prefix(finished: &Finished, safe: &[u32]) -> Checked<String> {
    let account = account_of(&finished.sent, &finished.sessions)?;
    contains_all(finished.sessions.iter().flat_map(|s| &s.frames), safe)?;
    account.is_prefix()?;
    Ok(format!("{} acknowledged frames back, {}", safe.len(), account.words()))
}

fn broke_off(bay: &Bay, finished: &Finished) -> Checked<String> {
    let kept = finished.only()?.frames.len();
    let start_us = kept.checked_sub(1).and_then(|i| finished.sent.get(i)).ok_or("nothing came back")?.at_us;
    finished.states(bay, Injected { cause: GapCause::Interrupted, start_us, end_us: None })
}

/// The supply fails: of what was not synced, some is cut off, zeros, or garbage.
pub(super) fn power_cut(bay: &Bay) -> Checked<String> {
    let rounds = if bay.quick { 3 } else { 12 };
    let mut words = Vec::new();
    for round in 0..rounds {
        let bay = bay.another(round)?;
        let scene = Scene::begin(&bay, &Setup::shim())?;
        // Slow syncs, so that the cut comes while something is written and not yet synced.
        scene.faults()?.sync_delay_us(300_000).map_err(within("the shim"))?;
        scene.pass(1.0 + 0.5 * bay.random().random::<f64>());
        let (sent, faults) = scene.kill()?;
        let faults = faults.ok_or("no shim")?;
        let safe = acknowledged(&bay.dataset(), Some(&faults))?;
        let lost = spoil(&bay, &faults, round)?;
        let finished = recovered(&bay, sent)?;
        let kept = prefix(&finished, &safe)?;
        broke_off(&bay, &finished)?;
        words.push(format!("{lost}: {kept}"));
    }
    Ok(words.join("; "))
}

/// Spoils the tail of the only journal from a random place in what was not synced on; says how.
fn spoil(bay: &Bay, faults: &Faults, round: usize) -> Checked<String> {
    let [directory] = bay.unfinished()?.try_into().map_err(|all| format!("one journal was expected, not {all:?}"))?;
    let path = sealed::entries(&directory)?.into_iter().find(|p| p.ends_with("journal.twj")).ok_or("no journal")?;
    let mut bytes = fs::read(&path).map_err(within(path.display()))?;
    let (vouched, mut random) = (vouched(&path, faults)?, bay.random());
    let from = random.random_range(vouched..=bytes.len());
    let unsynced = bytes.len() - vouched;
    let how = match round % 3 {
        0 => {
            bytes.truncate(from);
            "cut"
        }
        1 => {
            bytes[from..].fill(0);
            bytes.resize(bytes.len().next_multiple_of(4096), 0);
            "zeros"
        }
        _ => {
            random.fill_bytes(&mut bytes[from..]);
            "garbage"
        }
    };
    let spoiled = bytes.len().saturating_sub(from);
    fs::write(&path, bytes).map_err(within(path.display()))?;
    Ok(format!("{how} at byte {} of {unsynced} unsynced ({spoiled} bytes follow)", from - vouched))
}

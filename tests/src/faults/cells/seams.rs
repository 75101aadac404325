//! Sessions that follow each other without losing a byte.

use rand::RngExt;

use crate::faults::{
    Checked,
    account::account_of,
    bay::{self, Bay, text},
    journal_walk::{acknowledged, contains_all},
    scene::{Finished, MODEST, Scene, Setup},
    sealed::Sealed,
    speaker::{FULL_BUS, now_us},
    stated::TOLERANCE_US,
};

fn rotating(every: &str, rate: u32) -> Setup {
    let args = vec!["--rotate".to_owned(), every.to_owned()];
    Setup { rate, run: false, args, shim: true, ..Setup::new() }
}

/// Each session names the one before and the one after.
fn chained(sessions: &[Sealed]) -> Checked<()> {
    for pair in sessions.windows(2) {
        let (old, new) = (&pair[0].manifest, &pair[1].manifest);
        if old.followed_by.as_ref() != Some(&new.session) || new.follows.as_ref() != Some(&old.session) {
            let (by, after) = (&old.followed_by, &new.follows);
            return Err(format!("{} says {by:?} follows it, {} that it follows {after:?}", old.session, new.session));
        }
    }
    Ok(())
}

fn no_faults(sessions: &[Sealed]) -> Checked<()> {
    for manifest in sessions.iter().map(|s| &s.manifest) {
        if !manifest.gaps.is_empty() || manifest.ports[0].bad > 0 {
            return Err(format!("{}: nothing was injected; stated: {:?}", manifest.session, manifest.gaps));
        }
    }
    Ok(())
}

/// A new session every second at a full bus: every frame once.
pub(super) fn rotate_full_bus(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup { device_ms: Some(0), ..rotating("1", FULL_BUS) })?;
    scene.pass(if bay.quick { 4.5 } else { 12.5 });
    let finished = scene.end()?;
    finished.code(0)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    chained(&finished.sessions)?;
    no_faults(&finished.sessions)?;
    if finished.sessions.len() < 4 {
        return Err(format!("only {} sessions", finished.sessions.len()));
    }
    Ok(format!("{} across {} seams", account.words(), finished.sessions.len() - 1))
}

/// A run is begun, marked and ended from another terminal: it is a session of its own, with its sheet and its marker.
pub(super) fn run_and_mark(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup { run: false, ..Setup::new() })?;
    let sheet = bay.write("sheet.toml", &bay::sheet("harbour-loop-07", "assist"))?;
    let sheet = text(&sheet)?;
    let ask = |command: &[&str], more: &[&str]| -> Checked<(i64, i64)> {
        let before_us = now_us();
        let ended = bay.logger(command, more)?;
        if ended.code == Some(0) { Ok((before_us, now_us())) } else { Err(format!("{command:?}: {}", ended.stderr)) }
    };
    scene.pass(0.6);
    let started = ask(&["run", "start"], &["--sheet", sheet])?;
    scene.pass(0.6);
    let marked = ask(&["mark"], &["--who", "E. T.", "wind picks up"])?;
    scene.pass(0.6);
    let (status, _) = bay.status()?;
    let stopped = ask(&["run", "stop"], &["--fuel-mass-after", "31.4", "--who", "E. T."])?;
    scene.pass(0.6);
    let finished = scene.end()?;
    finished.code(0)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    chained(&finished.sessions)?;
    no_faults(&finished.sessions)?;
    let [before, run, after] = finished.sessions.as_slice() else {
        return Err(format!("{} sessions instead of three", finished.sessions.len()));
    };
    if status["recording"]["run"] != "harbour-loop-07" {
        return Err(format!("status during the run: {status}"));
    }
    let named = |s: &Sealed| s.manifest.run.as_ref().map(|r| r.run.clone());
    if (named(before), named(run).as_deref(), named(after)) != (None, Some("harbour-loop-07"), None) {
        return Err("the run sheet is in the wrong session".to_owned());
    }
    holds_between(&finished, run, started, stopped)?;
    let markers: Vec<_> = finished.sessions.iter().flat_map(|s| &s.events).filter(|e| e.kind == "marker").collect();
    let [marker] = markers.as_slice() else { return Err(format!("one marker; found: {markers:?}")) };
    let inside = run.events.contains(marker) && (marked.0 - 1000..=marked.1 + 1000).contains(&marker.t_us);
    if !inside || marker.text != "wind picks up (E. T.)" {
        return Err(format!("a marker between {} and {}; found: {marker:?}", marked.0, marked.1));
    }
    let corrections = tallywheel_schemas::correction::read(&bay.dataset(), "skerry-9", &run.manifest.session);
    let corrections = corrections.map_err(|e| e.to_string())?;
    match corrections.as_slice() {
        [c] if c.field == "fuel_mass_after_kg" && c.value == 31.4 => {}
        other => return Err(format!("the fuel's mass after the run is not noted: {other:?}")),
    }
    Ok(format!("run in a session of its own, marker at its time, fuel noted, {}", account.words()))
}

/// Frames of the run are those that were sent between its beginning and its end.
fn holds_between(finished: &Finished, run: &Sealed, started: (i64, i64), stopped: (i64, i64)) -> Checked<()> {
    let sent = |got: &crate::faults::sealed::Got| got.number.and_then(|n| finished.sent.get(n as usize));
    let (first, last) = (run.frames.first().and_then(sent), run.frames.last().and_then(sent));
    let (first, last) = first.zip(last).ok_or("the run has no frames")?;
    for (what, at_us, (from_us, to_us)) in [("first", first.at_us, started), ("last", last.at_us, stopped)] {
        if !(from_us - TOLERANCE_US..=to_us + TOLERANCE_US).contains(&at_us) {
            return Err(format!("the run's {what} frame was sent at {at_us}, not between {from_us} and {to_us}"));
        }
    }
    Ok(())
}

/// Killed at random moments while sessions follow each other several times a second.
pub(super) fn kill_in_seams(bay: &Bay) -> Checked<String> {
    let rounds = if bay.quick { 3 } else { 12 };
    let (mut frames, mut sessions, mut safe_frames) = (0, 0, 0);
    for round in 0..rounds {
        let bay = bay.another(round)?;
        let scene = Scene::begin(&bay, &rotating("0.12", 2 * MODEST))?;
        scene.pass(0.8 + 0.6 * bay.random().random::<f64>());
        let (sent, faults) = scene.kill()?;
        let sealed = bay.sessions()?.iter().flat_map(|s| &s.frames).filter_map(|f| f.number).collect::<Vec<u32>>();
        let safe = [sealed, acknowledged(&bay.dataset(), faults.as_ref())?].concat();
        let recovered = bay.logger(&["recover"], &[])?;
        if recovered.code == Some(2) || recovered.stdout.contains("bytes unread") {
            return Err(format!("round {round}: code {:?}, {}{}", recovered.code, recovered.stdout, recovered.stderr));
        }
        let finished = Finished { ended: recovered, sessions: bay.sessions()?, sent };
        let account = account_of(&finished.sent, &finished.sessions).map_err(|e| format!("round {round}: {e}"))?;
        contains_all(finished.sessions.iter().flat_map(|s| &s.frames), &safe)?;
        account.is_prefix().map_err(|e| format!("round {round}: {e}"))?;
        frames += account.received;
        sessions += finished.sessions.len();
        safe_frames += safe.len();
        if !bay.unfinished()?.is_empty() {
            return Err(format!("round {round}: something is left unfinished"));
        }
    }
    Ok(format!("{rounds} kills, {sessions} sessions, {safe_frames} acknowledged and {frames} frames back, each once"))
}

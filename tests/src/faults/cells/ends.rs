//! Recordings that end as they should, and what is said of them meanwhile.

use nix::sys::signal::Signal;
use serde_json::Value;

use crate::faults::{
    Checked,
    account::account_of,
    bay::{Bay, PORT},
    scene::{MODEST, Scene, Setup},
};

pub(super) fn sigterm(bay: &Bay) -> Checked<String> {
    signalled(bay, Signal::SIGTERM, "terminated: ending the session")
}

pub(super) fn sighup(bay: &Bay) -> Checked<String> {
    signalled(bay, Signal::SIGHUP, "terminal closed: ending the session")
}

pub(super) fn ctrl_c(bay: &Bay) -> Checked<String> {
    signalled(bay, Signal::SIGINT, "interrupted: ending the session")
}

/// All that was sent before the signal is there, without a fault, and nothing is left to recover.
fn signalled(bay: &Bay, signal: Signal, says: &str) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(1.0);
    let finished = scene.end_with(signal)?;
    finished.code(0)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let session = finished.only()?;
    if !session.manifest.gaps.is_empty() || !finished.ended.stderr.contains(says) {
        return Err(format!("{:?}, {}", session.manifest.gaps, finished.ended.stderr));
    }
    if !bay.unfinished()?.is_empty() {
        return Err("something is left unfinished".to_owned());
    }
    let took_s = finished.ended.took.as_secs_f64();
    Ok(format!("sealed {took_s:.2} s after the signal, {}", account.words()))
}

/// `status` while recording, after a clean end, and after a kill.
pub(super) fn status(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(1.0);
    let (first, code) = bay.status()?;
    let recording = &first["recording"];
    let port = &recording["ports"][0];
    let number = |value: &Value| value.as_u64().unwrap_or_default();
    let fine = recording["pid"] == scene.recorder.pid()
        && recording["vehicle"] == "skerry-9"
        && port["port"] == PORT
        && port["listening"] == true
        && number(&port["messages"]) > u64::from(MODEST / 2)
        && number(&recording["journal_bytes"]) > 0
        && first["unfinished"].as_array().is_some_and(Vec::is_empty)
        && first["free_bytes"].is_u64();
    if !fine || code != Some(0) {
        return Err(format!("while recording: code {code:?}, {first}"));
    }
    scene.pass(0.6);
    let (second, _) = bay.status()?;
    let bytes = |status: &Value| number(&status["recording"]["journal_bytes"]);
    if bytes(&second) <= bytes(&first) {
        return Err(format!("journal_bytes do not grow: {first}, then {second}"));
    }
    let finished = scene.end()?;
    finished.code(0)?;
    account_of(&finished.sent, &finished.sessions)?.nothing_missing()?;
    let (after, code) = bay.status()?;
    if !after["recording"].is_null() || !after["unfinished"].as_array().is_some_and(Vec::is_empty) || code != Some(0) {
        return Err(format!("after the end: code {code:?}, {after}"));
    }
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(0.6);
    scene.kill()?;
    let (killed, code) = bay.status()?;
    let waiting = killed["unfinished"].as_array().map_or(0, Vec::len);
    if !killed["recording"].is_null() || waiting != 1 || code != Some(1) {
        return Err(format!("after a kill: code {code:?}, {killed}"));
    }
    Ok(format!(
        "recording, {} then {} bytes in the journal; over; killed, one session waits",
        bytes(&first),
        bytes(&second)
    ))
}

//! A disk that takes nothing, or takes its time.

use tallywheel_schemas::manifest::GapCause;

use crate::faults::{
    Checked,
    account::{Account, account_of},
    bay::Bay,
    journal_walk::{acknowledged, contains_all},
    recorder::{Ended, Recorder},
    scene::{Finished, PATIENCE, Scene, Setup},
    shim::{Faults, Files, Writes},
    speaker::{FULL_BUS, Sent, now_us},
    stated::{Injected, TOLERANCE_US, in_report, in_summary},
    within,
};

/// What a stop may be stated off, µs: records are written every 200 ms, and a disk that takes nothing is tried again
/// every 250 ms.
const STOP_TOLERANCE_US: i64 = 450_000 + TOLERANCE_US;
/// Faster than any bus, so that the queue is full within seconds.
const FLOOD: u32 = 200_000;

/// Insists that a stop of the disk is stated: when, for how long, in an event, the summary and the report.
fn stop_is_stated(bay: &Bay, finished: &Finished, from_us: i64, to_us: i64) -> Checked<f64> {
    let session = finished.only()?;
    let stops: Vec<_> = session.events.iter().filter(|e| e.kind == "disk-stopped").collect();
    let [stop] = stops.as_slice() else { return Err(format!("one stop; stated: {stops:?}")) };
    let stated_s = stop.value.ok_or("the stop has no length")?;
    let since_us = stop.t_us - (stated_s * 1e6) as i64;
    for (what, stated, injected) in [("start", since_us, from_us), ("end", stop.t_us, to_us)] {
        if (stated - injected).abs() > STOP_TOLERANCE_US {
            return Err(format!("the stop's {what} is {:+.3} s off", (stated - injected) as f64 / 1e6));
        }
    }
    let words = format!("the disk took nothing for {stated_s:.1} s from ");
    let said = |text: &str| text.contains(&words);
    if !session.manifest.notes.iter().any(|n| said(n)) || !said(&finished.ended.stdout) {
        return Err(format!("manifest or summary do not say {words:?}: {}", finished.ended.stdout));
    }
    let notes = bay.report_notes()?;
    if notes.iter().any(|n| said(n)) {
        Ok(stated_s)
    } else {
        Err(format!("the report does not say {words:?}: {notes:?}"))
    }
}

fn nothing_lost(finished: &Finished) -> Checked<Account> {
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let gaps = &finished.only()?.manifest.gaps;
    if gaps.is_empty() { Ok(account) } else { Err(format!("no gap was injected; stated: {gaps:?}")) }
}

/// While the queue holds nothing is lost, and the stop is stated all the same; `status` says it while it lasts.
pub(super) fn full_briefly(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(0.8);
    scene.faults()?.writes(Writes::Full).map_err(within("the shim"))?;
    let from_us = now_us();
    scene.pass(1.2);
    let (status, code) = bay.status()?;
    scene.pass(0.8);
    scene.faults()?.writes(Writes::Well).map_err(within("the shim"))?;
    let to_us = now_us();
    scene.pass(1.0);
    if scene.faults()?.struck().map_err(within("the shim"))?[0] < 2 {
        return Err("no write was refused".to_owned());
    }
    let finished = scene.end()?;
    finished.code(1)?;
    let account = nothing_lost(&finished)?;
    let stated_s = stop_is_stated(bay, &finished, from_us, to_us)?;
    let disk = status["recording"]["disk"].as_str().unwrap_or_default();
    if code != Some(1) || !disk.contains("No space left") {
        return Err(format!("status while the disk is full: code {code:?}, {status}"));
    }
    Ok(format!(
        "stop of {:.3} s stated as {stated_s:.3} s, no loss, {}",
        (to_us - from_us) as f64 / 1e6,
        account.words()
    ))
}

/// Once the queue is full, each loss is a gap of its own, and the frames in it are counted.
pub(super) fn full_until_overflow(bay: &Bay) -> Checked<String> {
    overflow(bay, GapCause::DiskFull, |faults, begins| faults.writes(if begins { Writes::Full } else { Writes::Well }))
}

/// A sync that lasts so long that the queue is full before it is over: the disk is too slow, not full.
pub(super) fn slow_until_overflow(bay: &Bay) -> Checked<String> {
    overflow(bay, GapCause::Dropped, |faults, begins| faults.sync_delay_us(if begins { 5_000_000 } else { 0 }))
}

/// Floods the recorder from when `fault` begins until frames are dropped, and a little longer.
fn overflow(bay: &Bay, cause: GapCause, fault: fn(&Faults, bool) -> std::io::Result<()>) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(0.8);
    fault(scene.faults()?, true).map_err(within("the shim"))?;
    let from_us = now_us();
    scene.speaker.rate(FLOOD);
    let dropped = |status: &serde_json::Value| status["recording"]["ports"][0]["dropped"].as_u64().unwrap_or_default();
    while dropped(&bay.status()?.0) == 0 {
        if now_us() - from_us > 30_000_000 {
            return Err("the queue never overflowed".to_owned());
        }
        scene.pass(0.1);
    }
    scene.pass(0.7);
    scene.speaker.rate(FULL_BUS);
    fault(scene.faults()?, false).map_err(within("the shim"))?;
    let to_us = now_us();
    let (mut frames, mut patience) = (0, 100);
    // Over when nothing more is dropped: a delay that has begun is waited out.
    while std::mem::replace(&mut frames, dropped(&bay.status()?.0)) != frames && patience > 0 {
        patience -= 1;
        scene.pass(0.5);
    }
    scene.pass(1.0);
    let over_us = now_us();
    let finished = scene.end()?;
    finished.code(1)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.missing_only_between(from_us, over_us)?;
    let session = finished.only()?;
    let stretches = stretches(&finished.sent, &account.missing);
    let notes = bay.report_notes()?;
    for (start_us, end_us) in &stretches {
        let gap = Injected { cause, start_us: *start_us, end_us: Some(*end_us) }.among(session)?;
        in_summary(&gap, &finished.ended.stdout)?;
        in_report(&gap, &notes)?;
    }
    let (gaps, stated) = (session.manifest.gaps.len(), session.manifest.ports[0].dropped);
    if gaps != stretches.len() || stretches.is_empty() {
        return Err(format!("{} losses; stated: {:?}", stretches.len(), session.manifest.gaps));
    }
    // A frame that is cut where a loss begins or ends is lost with it, but was no whole message when it was dropped.
    let cut = 2 * stretches.len() as u64;
    if stated.abs_diff(account.missing.len() as u64) > cut {
        return Err(format!("{} frames lost, {stated} stated", account.missing.len()));
    }
    if cause == GapCause::DiskFull {
        stop_is_stated(bay, &finished, from_us, to_us)?;
    }
    let length_s = stretches.iter().map(|(start, end)| (end - start) as f64 / 1e6).sum::<f64>();
    let lost = account.missing.len();
    Ok(format!("{gaps} losses over {length_s:.3} s, {stated} of {lost} lost frames counted, {}", account.words()))
}

/// Stretches of frames that are missing one after the other: when the last before and the first after were sent, µs.
fn stretches(sent: &[Sent], missing: &[Sent]) -> Vec<(i64, i64)> {
    let mut found = Vec::new();
    let mut missing = missing.iter().peekable();
    while let Some(first) = missing.next() {
        let mut last = first.number;
        while let Some(next) = missing.next_if(|m| m.number == last + 1) {
            last = next.number;
        }
        let at = |number: u32| sent.get(number as usize).map(|s| s.at_us);
        let before = first.number.checked_sub(1).and_then(at).unwrap_or(first.at_us);
        found.push((before, at(last + 1).unwrap_or(i64::MAX)));
    }
    found
}

/// The recording ends all the same, says what to do, and what was synced comes back once there is room.
pub(super) fn full_to_end(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(1.2);
    let faults = scene.faults()?;
    faults.files(Files::All).and_then(|()| faults.writes(Writes::Full)).map_err(within("the shim"))?;
    let full_us = now_us();
    let safe = acknowledged(&bay.dataset(), Some(faults))?;
    scene.pass(1.0);
    scene.speaker.rate(0);
    scene.recorder.signal(nix::sys::signal::Signal::SIGTERM).map_err(within("signal"))?;
    let Scene { recorder, speaker, .. } = scene;
    let ended = recorder.wait(PATIENCE).map_err(within("the recorder"))?;
    let advice = "free some space, then run `tallywheel-logger recover";
    if ended.code != Some(2) || !ended.stderr.contains(advice) {
        return Err(format!("code {:?}, {}", ended.code, ended.stderr));
    }
    let sent = speaker.finish().map_err(within("the speaker"))?;
    let still_full = recover_while_full(bay)?;
    if still_full.code != Some(2) {
        return Err(format!("recovery on the full disk: code {:?}, {}", still_full.code, still_full.stderr));
    }
    let recovered = bay.logger(&["recover"], &[])?;
    let finished = Finished { ended: recovered, sessions: bay.sessions()?, sent };
    finished.code(1)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    contains_all(finished.sessions.iter().flat_map(|s| &s.frames), &safe)?;
    // A record is written every 200 ms; what came after the last one was never on the disk.
    account.is_prefix()?;
    account.missing_only_between(full_us - STOP_TOLERANCE_US, i64::MAX)?;
    let start_us = last_us(&finished)?;
    let stated = finished.states(bay, Injected { cause: GapCause::Interrupted, start_us, end_us: None })?;
    Ok(format!(
        "ended after {:.1} s with code 2; {stated}; {} acknowledged frames back, {}",
        ended.took.as_secs_f64(),
        safe.len(),
        account.words()
    ))
}

/// When the last frame that came back was sent, µs.
fn last_us(finished: &Finished) -> Checked<i64> {
    let last = finished.only()?.frames.len().checked_sub(1).and_then(|i| finished.sent.get(i));
    Ok(last.ok_or("nothing came back")?.at_us)
}

fn recover_while_full(bay: &Bay) -> Checked<Ended> {
    let shim = bay.shim.as_ref().ok_or("no shim")?;
    let mut command = std::process::Command::new(&bay.logger);
    command.arg("recover").arg("--data").arg(bay.dataset());
    let faults = shim.load(&mut command, &bay.path("faults-of-recover")).map_err(within("the shim"))?;
    faults.files(Files::All).and_then(|()| faults.writes(Writes::Full)).map_err(within("the shim"))?;
    Recorder::start(command).and_then(|r| r.wait(PATIENCE)).map_err(within("recover"))
}

/// No space while sessions should follow each other: the recording stays in its session until there is room.
pub(super) fn full_at_seams(bay: &Bay) -> Checked<String> {
    full_among_seams(bay, Files::All)
}

/// No space for sealing, while the journal still has some: what could not be sealed is sealed once there is room.
pub(super) fn full_while_sealing(bay: &Bay) -> Checked<String> {
    full_among_seams(bay, Files::AllButJournal)
}

fn full_among_seams(bay: &Bay, files: Files) -> Checked<String> {
    let args = ["--rotate", "0.4"].map(str::to_owned).to_vec();
    let scene = Scene::begin(bay, &Setup { run: false, args, ..Setup::shim() })?;
    scene.pass(1.0);
    for _ in 0..3 {
        let faults = scene.faults()?;
        faults.files(files).and_then(|()| faults.writes(Writes::Full)).map_err(within("the shim"))?;
        scene.pass(0.7);
        scene.faults()?.writes(Writes::Well).map_err(within("the shim"))?;
        scene.pass(0.7);
    }
    let [refused, ..] = scene.faults()?.struck().map_err(within("the shim"))?;
    let finished = scene.end()?;
    let stops = finished.sessions.iter().flat_map(|s| &s.events).filter(|e| e.kind == "disk-stopped").count();
    // Only the journal's stops are the data's fault.
    finished.code(i32::from(files == Files::All))?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let seams = finished.sessions.len().saturating_sub(1);
    if refused < 3 || seams < 3 || (stops > 0) != (files == Files::All) {
        return Err(format!("{refused} writes refused, {seams} seams, {stops} stops stated"));
    }
    let left = bay.unfinished()?;
    if !left.is_empty() {
        return Err(format!("left unfinished: {left:?}; {}", finished.ended.stderr));
    }
    Ok(format!("{refused} writes refused around {seams} seams, {stops} stops stated, {}", account.words()))
}

/// What a write tore is cut away before the next, so that nothing behind it is unreadable.
pub(super) fn torn_write(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(0.8);
    scene.faults()?.writes(Writes::Torn).map_err(within("the shim"))?;
    let from_us = now_us();
    scene.pass(1.0);
    scene.faults()?.writes(Writes::Well).map_err(within("the shim"))?;
    let to_us = now_us();
    scene.pass(1.2);
    if scene.faults()?.struck().map_err(within("the shim"))?[0] < 2 {
        return Err("no write was torn".to_owned());
    }
    let (sent, faults) = scene.kill()?;
    let safe = acknowledged(&bay.dataset(), faults.as_ref())?;
    let recovered = bay.logger(&["recover"], &[])?;
    if recovered.stdout.contains("bytes unread") {
        return Err(format!("part of the journal is unread: {}", recovered.stdout));
    }
    let finished = Finished { ended: recovered, sessions: bay.sessions()?, sent };
    finished.code(1)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    contains_all(finished.sessions.iter().flat_map(|s| &s.frames), &safe)?;
    account.is_prefix()?;
    stop_is_stated(bay, &finished, from_us, to_us)?;
    let start_us = last_us(&finished)?;
    let stated = finished.states(bay, Injected { cause: GapCause::Interrupted, start_us, end_us: None })?;
    Ok(format!("{stated}; {} acknowledged frames back, {}", safe.len(), account.words()))
}

/// A sync that fails makes nobody trust what was written; it is written again, once.
pub(super) fn sync_error(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(0.8);
    scene.faults()?.syncs_fail(true).map_err(within("the shim"))?;
    let from_us = now_us();
    scene.pass(1.2);
    scene.faults()?.syncs_fail(false).map_err(within("the shim"))?;
    let to_us = now_us();
    scene.pass(1.0);
    if scene.faults()?.struck().map_err(within("the shim"))?[2] < 2 {
        return Err("no sync was refused".to_owned());
    }
    let finished = scene.end()?;
    finished.code(1)?;
    let account = nothing_lost(&finished)?;
    let stated_s = stop_is_stated(bay, &finished, from_us, to_us)?;
    Ok(format!(
        "stop of {:.3} s stated as {stated_s:.3} s, no loss, {}",
        (to_us - from_us) as f64 / 1e6,
        account.words()
    ))
}

/// The reader goes on while the disk takes half a second for each sync: no frame is lost or stamped late.
pub(super) fn slow(bay: &Bay) -> Checked<String> {
    let setup = Setup { rate: FULL_BUS, device_ms: Some(0), ..Setup::shim() };
    let scene = Scene::begin(bay, &setup)?;
    scene.faults()?.sync_delay_us(500_000).map_err(within("the shim"))?;
    scene.pass(if bay.quick { 4.0 } else { 12.0 });
    let [_, delayed, _] = scene.faults()?.struck().map_err(within("the shim"))?;
    scene.faults()?.sync_delay_us(0).map_err(within("the shim"))?;
    let finished = scene.end()?;
    finished.code(0)?;
    let account = nothing_lost(&finished)?;
    if delayed < 3 {
        return Err(format!("only {delayed} syncs were delayed"));
    }
    // Half of a delay: a reader that waited for the disk would be later.
    if account.latest_us > 250_000 {
        return Err(format!("a frame was stamped {:.3} s after it was sent", account.latest_us as f64 / 1e6));
    }
    let span_s = finished.sent.last().zip(finished.sent.first()).map_or(0.0, |(l, f)| (l.at_us - f.at_us) as f64 / 1e6);
    let rate = finished.sent.len() as f64 / span_s;
    Ok(format!(
        "{delayed} syncs delayed at {rate:.0} frames/s, latest stamp {:.1} ms late, {}",
        account.latest_us as f64 / 1e3,
        account.words()
    ))
}

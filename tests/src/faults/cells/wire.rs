//! What an adapter says that is no frame, and what is nothing at all.

use rand::{Rng, RngExt};
use tallywheel_schemas::manifest::GapCause;

use crate::faults::{
    Checked,
    account::account_of,
    bay::{Bay, LIMIT_S},
    frames,
    scene::{Finished, MODEST, Scene, Setup},
    sealed::Happened,
    speaker::now_us,
    stated::{Injected, TOLERANCE_US},
    within,
};

/// Something is said in the middle of a recording; gives when, µs, and the recording.
fn said<'a>(bay: &'a Bay, lines: &[&[u8]]) -> Checked<(Vec<i64>, Finished)> {
    let scene: Scene<'a> = Scene::begin(bay, &Setup::new())?;
    let mut times = Vec::new();
    for line in lines {
        scene.pass(0.6);
        times.push(scene.speaker.inject(line).map_err(within("the terminal"))?);
    }
    scene.pass(0.6);
    Ok((times, scene.end()?))
}

fn event<'a>(finished: &'a Finished, kind: &str, text: &str, at_us: i64) -> Checked<&'a Happened> {
    let events = &finished.only()?.events;
    let found = events.iter().find(|e| e.kind == kind && e.text.contains(text));
    let found = found.ok_or_else(|| format!("no event {kind} {text:?}: {events:?}"))?;
    let off_us = found.t_us - at_us;
    if off_us.abs() > TOLERANCE_US {
        return Err(format!("the event {kind} is {:+.3} s off", off_us as f64 / 1e6));
    }
    Ok(found)
}

/// Nothing was lost, bad or silent.
fn whole(finished: &Finished) -> Checked<String> {
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    Ok(account.words())
}

/// Lost frames are a known loss however short the silence is: by an error line, and by either bit of the flags.
pub(super) fn overrun(bay: &Bay) -> Checked<String> {
    let (times, finished) = said(bay, &[b"e1o\r", b"F01\r", b"F08\r"])?;
    finished.code(1)?;
    let words = whole(&finished)?;
    let session = finished.only()?;
    if session.manifest.ports[0].overruns != 3 || session.manifest.gaps.len() != 3 {
        return Err(format!("three overruns; stated: {:?}", session.manifest.gaps));
    }
    let notes = bay.report_notes()?;
    for at_us in times {
        let (start_us, end_us) = finished.around(at_us, at_us)?;
        let gap = Injected { cause: GapCause::Overrun, start_us, end_us: Some(end_us) }.among(session)?;
        crate::faults::stated::in_summary(&gap, &finished.ended.stdout)?;
        crate::faults::stated::in_report(&gap, &notes)?;
    }
    if session.events.iter().filter(|e| e.kind == "overrun").count() != 3 {
        return Err(format!("three overruns; events: {:?}", session.events));
    }
    Ok(format!("3 overruns stated with their times, {words}"))
}

/// Off the bus for less than the silence that is allowed: still a known loss, with its cause.
pub(super) fn bus_off(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(0.8);
    scene.speaker.rate(0);
    let off_us = scene.speaker.inject(b"sb256256\r").map_err(within("the terminal"))?;
    scene.pass(0.7 * LIMIT_S);
    let on_us = scene.speaker.inject(b"sa000000\r").map_err(within("the terminal"))?;
    scene.speaker.rate(MODEST);
    scene.pass(0.8);
    let finished = scene.end()?;
    finished.code(1)?;
    let words = whole(&finished)?;
    let (start_us, end_us) = finished.around(off_us, on_us)?;
    event(&finished, "adapter", "controller is bus-off, 256 receive and 256 transmit errors", off_us)?;
    let stated = finished.states(bay, Injected { cause: GapCause::BusOff, start_us, end_us: Some(end_us) })?;
    Ok(format!("{stated}, {words}"))
}

/// Flags that say nothing of a loss: an event, no gap.
pub(super) fn error_flags(bay: &Bay) -> Checked<String> {
    let (times, finished) = said(bay, &[b"F84\r"])?;
    finished.code(0)?;
    let words = no_gap(&finished)?;
    event(&finished, "adapter", "error warning, bus error", times[0])?;
    Ok(format!("an event with its words, {words}"))
}

/// Errors on the bus: an event, no gap.
pub(super) fn error_lines(bay: &Bay) -> Checked<String> {
    let (times, finished) = said(bay, &[b"e2bc\r", b"sw096010\r"])?;
    finished.code(0)?;
    let words = no_gap(&finished)?;
    event(&finished, "adapter", "bus errors: bit 0, crc", times[0])?;
    event(&finished, "adapter", "controller is warning, 96 receive and 10 transmit errors", times[1])?;
    Ok(format!("two events with their words, {words}"))
}

fn no_gap(finished: &Finished) -> Checked<String> {
    let gaps = &finished.only()?.manifest.gaps;
    if gaps.is_empty() { whole(finished) } else { Err(format!("no gap was injected; stated: {gaps:?}")) }
}

/// Bytes that are no frame are counted and kept, and the next frame is never lost with them.
pub(super) fn garbage(bay: &Bay) -> Checked<String> {
    let (scene, mut random) = (Scene::begin(bay, &Setup::new())?, bay.random());
    let mut bytes = 0;
    for _ in 0..30 {
        scene.pass(0.05);
        let mut junk = vec![0; random.random_range(1..200)];
        random.fill_bytes(&mut junk);
        bytes += junk.len();
        scene.speaker.inject(&junk).map_err(within("the terminal"))?;
    }
    scene.pass(0.5);
    let finished = scene.end()?;
    finished.code(1)?;
    let words = no_gap(&finished)?;
    let port = &finished.only()?.manifest.ports[0];
    if port.bad == 0 || port.bad_examples.is_empty() {
        return Err("no bad message is stated".to_owned());
    }
    Ok(format!("{bytes} bytes of garbage, {} bad messages stated, {words}", port.bad))
}

/// Each half is one bad message.
pub(super) fn half_frames(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    let line = frames::line(1_000_000, None);
    let mut halves = 0;
    for at in [1, 2, 4, 5, 6, 11, line.len() - 1] {
        for half in [&line[..at], &line[at..]] {
            // What is left of a line end is no message.
            halves += u64::from(half != "\r");
            scene.pass(0.05);
            scene.speaker.inject(half.as_bytes()).map_err(within("the terminal"))?;
        }
    }
    scene.pass(0.5);
    let finished = scene.end()?;
    finished.code(1)?;
    let words = no_gap(&finished)?;
    let bad = finished.only()?.manifest.ports[0].bad;
    if bad != halves {
        return Err(format!("{halves} halves, {bad} bad messages stated"));
    }
    Ok(format!("{halves} halves, as many bad messages stated, {words}"))
}

/// Random bytes at the pace of a line of 115,200 bit/s and no frame: unreadable, not silent.
pub(super) fn wrong_baud(bay: &Bay) -> Checked<String> {
    let (scene, mut random) = (Scene::begin(bay, &Setup::new())?, bay.random());
    scene.pass(0.8);
    scene.speaker.rate(0);
    let from_us = now_us();
    while now_us() - from_us < 2_500_000 {
        let mut junk = [0; 58];
        random.fill_bytes(&mut junk);
        scene.speaker.inject(&junk).map_err(within("the terminal"))?;
        scene.pass(0.005);
    }
    let to_us = now_us();
    scene.speaker.rate(MODEST);
    scene.pass(0.8);
    let finished = scene.end()?;
    finished.code(1)?;
    let words = whole(&finished)?;
    let (start_us, end_us) = finished.around(from_us, to_us)?;
    let stated = finished.states(bay, Injected { cause: GapCause::Unreadable, start_us, end_us: Some(end_us) })?;
    Ok(format!("{stated}, {} bad messages, {words}", finished.only()?.manifest.ports[0].bad))
}

/// An open port from which nothing comes: silent, which is no loss.
pub(super) fn stalled(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(0.8);
    scene.speaker.rate(0);
    let from_us = now_us();
    scene.pass(2.2);
    let to_us = now_us();
    scene.speaker.rate(MODEST);
    scene.pass(0.8);
    let finished = scene.end()?;
    finished.code(0)?;
    let words = whole(&finished)?;
    let (start_us, end_us) = finished.around(from_us, to_us)?;
    let stated = finished.states(bay, Injected { cause: GapCause::Silent, start_us, end_us: Some(end_us) })?;
    Ok(format!("{stated}, {words}"))
}

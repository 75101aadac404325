//! Devices that are not there.

use std::time::Duration;

use tallywheel_schemas::manifest::GapCause;

use crate::faults::{
    Checked,
    account::account_of,
    bay::{Bay, PORT},
    recorder::Recorder,
    scene::{Finished, PATIENCE, Scene, Setup, command},
    speaker::{Speaker, now_us},
    stated::{Injected, TOLERANCE_US},
    terminal::{StableLink, Terminal},
    within,
};

/// Unplugged and plugged in again, under whatever number the system gives.
pub(super) fn replug(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    out_and_in(bay, scene, |_| Terminal::open())
}

/// Unplugged and plugged in again under another number: only the stable name leads to it.
pub(super) fn replug_renumbered(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    out_and_in(bay, scene, |old| {
        let first = Terminal::open()?;
        // The first keeps the old number from being given again.
        if first.device() == old { Terminal::open() } else { Ok(first) }
    })
}

fn out_and_in(
    bay: &Bay,
    mut scene: Scene<'_>,
    plug: impl FnOnce(&std::path::Path) -> std::io::Result<Terminal>,
) -> Checked<String> {
    scene.pass(0.8);
    let old = std::fs::read_link(scene.link.path()).map_err(within("link"))?;
    let out_us = scene.unplug()?;
    scene.pass(1.2);
    let terminal = plug(&old).map_err(within("a pseudo-terminal"))?;
    let device = terminal.device().to_owned();
    let plugged_us = now_us();
    scene.plug(terminal)?;
    let in_us = now_us();
    scene.pass(0.8);
    let finished = scene.end()?;
    finished.code(1)?;
    let (start_us, end_us) = finished.around(out_us, in_us)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.missing_only_between(out_us - TOLERANCE_US, out_us)?;
    let events = &finished.only()?.events;
    for (kind, at_us) in [("disconnected", out_us), ("reconnected", in_us)] {
        let found = events.iter().find(|e| e.kind == kind && (e.t_us - at_us).abs() <= TOLERANCE_US);
        found.ok_or_else(|| format!("no event {kind} at the time: {events:?}"))?;
    }
    let found_at = format!("{PORT}: {}", device.display());
    if !events.iter().any(|e| e.kind == "reconnected" && e.text == found_at) {
        return Err(format!("the event does not say where it was found: {events:?}"));
    }
    // Attempts are at most twice as far apart as the device was away, and never more than two seconds.
    let wait_s = (in_us - plugged_us) as f64 / 1e6;
    if wait_s > 2.0 + TOLERANCE_US as f64 / 1e6 {
        return Err(format!("it took {wait_s:.3} s to open the device that was back"));
    }
    let stated = finished.states(bay, Injected { cause: GapCause::Disconnected, start_us, end_us: Some(end_us) })?;
    let number = if device == old { "the same number" } else { "another number" };
    Ok(format!("{stated}, found under {number} after {wait_s:.2} s, {}", account.words()))
}

/// Unplugged for good: the gap lasts to the end.
pub(super) fn unplugged_to_end(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    scene.pass(0.8);
    let out_us = scene.unplug()?;
    scene.pass(1.2);
    let end_us = now_us();
    let finished = scene.end()?;
    finished.code(1)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.missing_only_between(out_us - TOLERANCE_US, out_us)?;
    let start_us = finished.sent.last().map_or(out_us, |s| s.at_us);
    let stated = finished.states(bay, Injected { cause: GapCause::Disconnected, start_us, end_us: Some(end_us) })?;
    Ok(format!("{stated}, {}", account.words()))
}

/// Not plugged in at the start: refused when somebody is there to mend it, looked for when nobody is.
pub(super) fn absent_at_start(bay: &Bay) -> Checked<String> {
    let link = StableLink::new(&bay.path("by-id"), "usb-adapter").map_err(within("link"))?;
    let refused = Recorder::start(command(bay, &Setup::new(), &link)?).map_err(within("the recorder"))?;
    let refused = refused.wait(PATIENCE).map_err(within("the recorder"))?;
    if refused.code != Some(2) || !refused.stderr.contains("is it plugged in?") {
        return Err(format!("with nobody --unattended: code {:?}, {}", refused.code, refused.stderr));
    }
    let setup = Setup { args: vec!["--unattended".to_owned()], ..Setup::new() };
    let mut recorder = Recorder::start(command(bay, &setup, &link)?).map_err(within("the recorder"))?;
    recorder.wait_said("recording session", PATIENCE).map_err(within("the recorder"))?;
    let start_us = now_us();
    std::thread::sleep(Duration::from_millis(1500));
    let mut terminal = Terminal::open().map_err(within("a pseudo-terminal"))?;
    link.point_to(terminal.device()).map_err(within("link"))?;
    recorder.wait_opens(&mut terminal, PATIENCE).map_err(within("the recorder"))?;
    let speaker = Speaker::start(terminal, 500);
    std::thread::sleep(Duration::from_millis(800));
    speaker.rate(0);
    recorder.signal(nix::sys::signal::Signal::SIGTERM).map_err(within("signal"))?;
    let ended = recorder.wait(PATIENCE).map_err(within("the recorder"))?;
    let sent = speaker.finish().map_err(within("the speaker"))?;
    let finished = Finished { ended, sessions: bay.sessions()?, sent };
    finished.code(1)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let end_us = finished.sent.first().map(|s| s.at_us);
    let stated = finished.states(bay, Injected { cause: GapCause::Disconnected, start_us, end_us })?;
    Ok(format!("refused when attended; {stated}, {}", account.words()))
}

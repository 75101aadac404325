//! Clocks that are wrong: the system's, and the adapter's own.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicI64, Ordering::Relaxed},
    },
    thread,
    time::Duration,
};

use tallywheel_logger::{
    journal::{Batch, Chunk, EndMark, Header, JournalWriter, Record},
    recover::{Outcome, recover},
};
use tallywheel_sample_logs::{sensors::Fix, wire::nmea};
use tallywheel_schemas::Timestamp;

use crate::faults::{
    Checked,
    account::account_of,
    bay::{self, Bay, PORT},
    recorder::Recorder,
    scene::{Finished, PATIENCE, Scene, Setup, faults},
    speaker::{Speaker, now_us},
    stated::TOLERANCE_US,
    terminal::{StableLink, Terminal},
    within,
};

const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;

/// The system's clock is set an hour ahead.
pub(super) fn forwards(bay: &Bay) -> Checked<String> {
    stepped(bay, HOUR_US)
}

/// The system's clock is set an hour back.
pub(super) fn backwards(bay: &Bay) -> Checked<String> {
    stepped(bay, -HOUR_US)
}

fn stepped(bay: &Bay, by_us: i64) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::shim())?;
    scene.pass(1.0);
    scene.faults()?.clock_shift_us(by_us).map_err(within("the shim"))?;
    let at_us = now_us();
    scene.pass(1.5);
    let finished = scene.end()?;
    finished.code(0)?;
    let (words, _) = evenly(&finished, 0)?;
    let session = finished.only()?;
    let steps: Vec<_> = session.events.iter().filter(|e| e.kind == "clock-step").collect();
    let [step] = steps.as_slice() else { return Err(format!("one step; stated: {steps:?}")) };
    let by_s = step.value.ok_or("the step has no length")?;
    // The system's clock is looked at twice a second.
    if (by_s - by_us as f64 / 1e6).abs() > 0.05 || !(0..500_000 + TOLERANCE_US).contains(&(step.t_us - at_us)) {
        return Err(format!("a step of {} s at {at_us}; stated: {step:?}", by_us / 1_000_000));
    }
    let said = format!("the system's clock was set by {by_s:+.3} s");
    if !session.manifest.notes.iter().any(|n| n.contains(&said)) || !finished.ended.stdout.contains(&said) {
        return Err(format!("manifest or summary do not say {said:?}: {}", finished.ended.stdout));
    }
    let notes = bay.report_notes()?;
    if !notes.iter().any(|n| n.contains(&said)) {
        return Err(format!("the report does not say {said:?}: {notes:?}"));
    }
    Ok(format!("step stated as {by_s:+.3} s, {words}"))
}

/// Stamps keep one distance from when frames were sent, whatever happened to the system's clock.
fn evenly(finished: &Finished, shift_us: i64) -> Checked<(String, i64)> {
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let session = finished.only()?;
    if !session.manifest.gaps.is_empty() {
        return Err(format!("no gap was injected; stated: {:?}", session.manifest.gaps));
    }
    let late = session.frames.iter().zip(&finished.sent).map(|(got, sent)| got.t_us - sent.at_us - shift_us);
    let (least, most) = late.fold((i64::MAX, i64::MIN), |(l, m), d| (l.min(d), m.max(d)));
    if least < -TOLERANCE_US || most > TOLERANCE_US {
        return Err(format!("stamps are {least} to {most} µs off the moments at which frames were sent"));
    }
    let words = format!("stamps within {:+.1} to {:+.1} ms of sending", least as f64 / 1e3, most as f64 / 1e3);
    Ok((format!("{words}, {}", account.words()), most))
}

/// A satellite receiver that finds its first fix late and tells true time. Sentences come five times a second.
struct Receiver {
    stop: Arc<AtomicBool>,
    /// First fix, µs; so far in the future for none.
    fix_at_us: Arc<AtomicI64>,
    thread: thread::JoinHandle<std::io::Result<()>>,
}

const FIX: Fix = Fix { lat_deg: 58.1, lon_deg: -7.9, alt_m: 12.0, speed_m_s: 8.0, course_deg: 45.0, satellites: 9 };

impl Receiver {
    fn start(mut terminal: Terminal) -> Self {
        let (stop, fix_at_us) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicI64::new(i64::MAX)));
        let (stopped, fix) = (Arc::clone(&stop), Arc::clone(&fix_at_us));
        let thread = thread::spawn(move || {
            while !stopped.load(Relaxed) {
                // Sentences name whole fifths of a second.
                let tick = (now_us() / 200_000 + 1) * 200_000;
                thread::sleep(Duration::from_micros((tick - now_us()).max(0) as u64));
                let fixed = (tick >= fix.load(Relaxed)).then_some(&FIX);
                terminal.write(nmea::sentences(Timestamp::from_us(tick), fixed).as_bytes(), &stopped)?;
            }
            Ok(())
        });
        Self { stop, fix_at_us, thread }
    }
}

/// The system's clock is three days behind; satellite time is told after seconds, and stated in the manifest.
pub(super) fn late_fix(bay: &Bay) -> Checked<String> {
    let mut adapter = Terminal::open().map_err(within("a pseudo-terminal"))?;
    let receiver = Terminal::open().map_err(within("a pseudo-terminal"))?;
    let rig = bay::rig(false) + "[[port]]\nname = \"gps\"\nkind = \"nmea\"\n";
    let shift_us = -3 * DAY_US;
    let setup = Setup { shift_us, ..Setup::shim() };
    let link = StableLink::new(&bay.path("by-id"), "usb-adapter").map_err(within("link"))?;
    link.point_to(adapter.device()).map_err(within("link"))?;
    let mut command = crate::faults::scene::command(bay, &setup, &link)?;
    bay.write("rig.toml", &rig)?;
    command.args(["--device", &format!("gps={}", receiver.device().display())]);
    let _faults = faults(bay, &setup, &mut command)?;
    let mut recorder = Recorder::start(command).map_err(within("the recorder"))?;
    recorder.wait_opens(&mut adapter, PATIENCE).map_err(within("the recorder"))?;
    receiver.wait_listened(PATIENCE).map_err(within("gps"))?;
    let (speaker, receiver) = (Speaker::start(adapter, 500), Receiver::start(receiver));
    let fix_us = now_us() + 2_000_000;
    receiver.fix_at_us.store(fix_us, Relaxed);
    thread::sleep(Duration::from_millis(4500));
    speaker.rate(0);
    let fixes = (now_us() - fix_us) / 200_000;
    recorder.signal(nix::sys::signal::Signal::SIGTERM).map_err(within("signal"))?;
    let ended = recorder.wait(PATIENCE).map_err(within("the recorder"))?;
    receiver.stop.store(true, Relaxed);
    receiver.thread.join().map_err(|_| "the receiver panicked")?.map_err(within("gps"))?;
    let sent = speaker.finish().map_err(within("the speaker"))?;
    let finished = Finished { ended, sessions: bay.sessions()?, sent };
    finished.code(0)?;
    let (words, _) = evenly(&finished, shift_us)?;
    let manifest = &finished.only()?.manifest;
    let fit = manifest.clock_fit.as_ref().ok_or("the manifest states no clock fit")?;
    let (off_us, at_us) = (fit.offset_us + shift_us, fit.at_us.as_us() - shift_us);
    // The promptest of all fixes, which came within seconds: not before the first, not after the last.
    if off_us.abs() > TOLERANCE_US || !(fix_us - TOLERANCE_US..=now_us()).contains(&at_us) {
        return Err(format!("the clock is {shift_us} µs off, first fix {fix_us}; stated: {fit:?}"));
    }
    if fit.fixes.abs_diff(fixes as u64) > 2 {
        return Err(format!("{fixes} fixes since the first; stated: {fit:?}"));
    }
    if !finished.ended.stdout.contains("the host's clock was -259200.") && !finished.ended.stdout.contains("-259199.") {
        return Err(format!("the summary does not say how far the clock is off: {}", finished.ended.stdout));
    }
    let first = finished.only()?.frames.first().ok_or("no frames")?.t_us;
    let read_us = first + manifest.correction_us(Timestamp::from_us(first));
    let read_off_us = read_us - finished.sent[0].at_us;
    if read_off_us.abs() > TOLERANCE_US {
        return Err(format!("the first frame, read with the correction, is {read_off_us} µs off"));
    }
    Ok(format!(
        "offset of 3 days stated {:+.1} ms off by {} fixes, first frame then {:+.1} ms off, {words}",
        off_us as f64 / 1e3,
        fit.fixes,
        read_off_us as f64 / 1e3
    ))
}

/// As [`late_fix`], at the pace of a journal that is written at once: an hour without a fix, twenty minutes with,
/// a clock that is three days behind and loses 40 ppm.
pub(super) fn fix_after_an_hour(bay: &Bay) -> Checked<String> {
    let (start_us, shift_us, drift) = (1_791_189_000_000_000_i64, -3 * DAY_US, 40e-6);
    let (rig, session) = (bay::rig(false) + "[[port]]\nname = \"gps\"\nkind = \"nmea\"\n", "skerry-9-late-fix");
    let directory = bay.dataset().join(".journal").join(session);
    std::fs::create_dir_all(&directory).map_err(within("the dataset"))?;
    let header = Header {
        session: session.to_owned(),
        vehicle: "skerry-9".to_owned(),
        start_us: Timestamp::from_us(start_us + shift_us),
        rig_file: "rig.toml".to_owned(),
        rig_text: rig,
        run: None,
        software: "fault-matrix".to_owned(),
        follows: None,
        begins: Vec::new(),
    };
    let mut journal = JournalWriter::create(&directory, header).map_err(within("the journal"))?;
    let (mut offset, fix_us) = (0, start_us + HOUR_US);
    // A second of sentences in each record; each arrives 60 to 180 ms after the moment that it names.
    for second in 0..80 * 60 {
        let mut chunks = Vec::new();
        let begin = offset;
        for fifth in 0..5 {
            let told_us = start_us + second * 1_000_000 + fifth * 200_000;
            let arrival_us = told_us + 60_000 + (second * 5 + fifth) * 7919 % 120_000;
            let host_us = arrival_us + shift_us - ((arrival_us - start_us) as f64 * drift) as i64;
            let fixed = (told_us >= fix_us).then_some(&FIX);
            let bytes = nmea::sentences(Timestamp::from_us(told_us), fixed).into_bytes();
            offset += bytes.len() as u64;
            chunks.push(Chunk { stamp: Timestamp::from_us(host_us), bytes });
        }
        let batch = Batch { port: 1, offset: begin, chunks };
        journal.append(&Record::Bytes(batch)).map_err(within("the journal"))?;
    }
    let end = Timestamp::from_us(start_us + shift_us + 80 * 60 * 1_000_000);
    journal.append(&Record::End(EndMark::at(end))).map_err(within("the journal"))?;
    journal.sync().map_err(within("the journal"))?;
    drop(journal);
    let recoveries = recover(&bay.dataset()).map_err(within("recover"))?;
    let [recovery] = recoveries.as_slice() else { return Err(format!("{recoveries:?}")) };
    let Outcome::Sealed { manifest, skipped: None } = &recovery.outcome else { return Err(format!("{recovery:?}")) };
    let fit = manifest.clock_fit.as_ref().ok_or("the manifest states no clock fit")?;
    // What a stamp at the very start, an hour before the first fix, is corrected by.
    let at_start_us = start_us + shift_us;
    let read_us = at_start_us + manifest.correction_us(Timestamp::from_us(at_start_us));
    let off_us = read_us - start_us;
    // The least delay is 60 ms, which nobody can tell from a clock that is off by it.
    if (off_us + 60_000).abs() > 20_000 || (fit.drift_ppm - 40.0).abs() > 2.0 || fit.fixes != 20 * 60 * 5 {
        return Err(format!("the start is read {off_us} µs off; stated: {fit:?}"));
    }
    Ok(format!(
        "start read {:+.1} ms off (least delay 60 ms), drift {:.2} of 40 ppm, {} fixes",
        off_us as f64 / 1e3,
        fit.drift_ppm,
        fit.fixes
    ))
}

/// Decoded stamps against when frames were sent, µs: least and most.
fn decoded(finished: &Finished) -> Checked<(i64, i64)> {
    let (rows, sent) = (&finished.only()?.pack, &finished.sent);
    if rows.len() != sent.len() {
        return Err(format!("{} frames, {} decoded rows", sent.len(), rows.len()));
    }
    let mut range = (i64::MAX, i64::MIN);
    for ((t_us, volts), sent) in rows.iter().zip(sent) {
        // The number is the voltage in millionths.
        if volts.is_none_or(|v| (v * 1e6).round() != f64::from(sent.number)) {
            return Err(format!("frame {} is decoded as {volts:?} V", sent.number));
        }
        range = (range.0.min(t_us - sent.at_us), range.1.max(t_us - sent.at_us));
    }
    if !rows.is_sorted_by_key(|(t_us, _)| *t_us) {
        return Err("decoded stamps run backwards".to_owned());
    }
    if range.0 < -TOLERANCE_US || range.1 > TOLERANCE_US {
        return Err(format!("decoded stamps are {} to {} µs off the moments of sending", range.0, range.1));
    }
    Ok(range)
}

fn restarts(finished: &Finished) -> Checked<Vec<i64>> {
    let restarted = finished.only()?.events.iter().filter(|e| e.kind == "restart");
    restarted.map(|e| e.text.starts_with(PORT).then_some(e.t_us).ok_or_else(|| format!("{e:?}"))).collect()
}

/// The device's clock wraps from 59,999 ms to 0: time goes on.
pub(super) fn device_wrap(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup { device_ms: Some(58_500), ..Setup::new() })?;
    scene.pass(3.0);
    let finished = scene.end()?;
    finished.code(0)?;
    let (words, _) = evenly(&finished, 0)?;
    let (least, most) = decoded(&finished)?;
    match restarts(&finished)?.as_slice() {
        [] => Ok(format!("decoded {:+.1} to {:+.1} ms, {words}", least as f64 / 1e3, most as f64 / 1e3)),
        restarts => Err(format!("the wrap was taken for {} restart(s)", restarts.len())),
    }
}

/// The device's clock starts anew: an event says so, and time goes on.
pub(super) fn device_restart(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup { device_ms: Some(31_000), ..Setup::new() })?;
    scene.pass(1.5);
    scene.speaker.rate(0);
    scene.pass(0.3);
    scene.speaker.device_clock(0);
    let at_us = now_us();
    scene.speaker.rate(500);
    scene.pass(1.5);
    let finished = scene.end()?;
    finished.code(0)?;
    let (words, _) = evenly(&finished, 0)?;
    let (least, most) = decoded(&finished)?;
    match restarts(&finished)?.as_slice() {
        [t_us] if (t_us - at_us).abs() <= TOLERANCE_US => {
            Ok(format!("restart stated, decoded {:+.1} to {:+.1} ms, {words}", least as f64 / 1e3, most as f64 / 1e3))
        }
        restarts => Err(format!("one restart at {at_us}; stated: {restarts:?}")),
    }
}

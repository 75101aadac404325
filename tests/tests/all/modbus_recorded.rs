//! Modbus RTU with the real recorder, on a pseudo-terminal and behind a device server: every reading of every unit that
//! answers is kept across a seam, and a unit that does not answer is stated and harms nobody.
//!
//! The units number their readings, so a reading that is lost, doubled or invented shows.

use std::time::Duration;

use tallywheel_schemas::manifest::GapCause;
use tallywheel_tests::{
    Bench,
    faults::{recorder::Recorder, sealed::Sealed},
    instruments::{PATIENCE, Passed, Playing, units::Units, wait_until},
    recording::end,
};

/// A meter that is there, one that is not.
fn rig(signals: &[(&str, u8, f64)]) -> String {
    let mut text =
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n\
                    baud = 115200\nparity = \"none\"\n"
            .to_owned();
    for (name, unit, max_gap_s) in signals {
        text.push_str(&format!(
            "[aux.{name}]\nunit = \"1\"\nmin = 0.0\nmax = 1e9\n[[signal]]\nchannel = \"{name}\"\nport = \"meter\"\n\
             unit_id = {unit}\nregister = 0\nregister_kind = \"input\"\nformat = \"u32\"\nevery_s = 0.04\n\
             max_gap_s = {max_gap_s:.1}\n"
        ));
    }
    text
}

/// Bytes in hexadecimal, as `lines` has them behind a mark.
fn bytes(digits: &str) -> Vec<u8> {
    let pair = |at: usize| u8::from_str_radix(&digits[at..at + 2], 16).expect("digits");
    (0..digits.len()).step_by(2).map(pair).collect()
}

/// What was sent. A request that waits for its answer at a seam stands in both sessions, with one stamp, since the answer
/// could not be told without it.
fn requests(bench: &Bench, sessions: &[Sealed]) -> Vec<u8> {
    let mut last = None;
    let mut sent = Vec::new();
    for session in sessions {
        let lines = bench.lines(session).into_iter().filter(|(_, text)| text.starts_with("> "));
        for (i, line) in lines.enumerate() {
            if i > 0 || last.as_ref() != Some(&line) {
                sent.extend(bytes(&line.1[2..]));
            }
            last = Some(line);
        }
    }
    sent
}

/// What answered.
fn answers(bench: &Bench, sessions: &[Sealed]) -> Vec<u8> {
    let lines = sessions.iter().flat_map(|s| bench.lines(s));
    lines.filter_map(|(_, text)| text.strip_prefix("< ").map(bytes)).flatten().collect()
}

/// Every byte of the line is in the sessions, and every reading of unit 1 is decoded once and in order.
fn nothing_is_lost(bench: &Bench, sessions: &[Sealed], passed: &Passed, readings: u32) {
    assert!(requests(bench, sessions) == passed.heard, "what was sent is recorded");
    assert!(answers(bench, sessions) == passed.said, "what answered is recorded");
    let found: Vec<f64> = sessions.iter().flat_map(|s| bench.own_values(s, "energy")).collect();
    assert_eq!(found, (1..=readings).map(f64::from).collect::<Vec<_>>(), "each reading once");
    for manifest in sessions.iter().map(|s| &s.manifest) {
        assert_eq!((manifest.ports[0].bad, manifest.ports[0].dropped), (0, 0), "{}", manifest.session);
    }
}

/// Lets nothing be on its way any more: whatever answered one before two that nobody answers has long arrived.
fn settle(units: &Playing<Units>, recorder: &Recorder) {
    units.with(|u| u.is_silent = true);
    let asked = || units.with(|u| u.requests.values().sum::<u32>());
    let before = asked();
    wait_until("two more requests", || asked() >= before + 2, || recorder.said());
}

#[test]
fn on_a_serial_line_no_reading_is_lost_at_a_seam_and_a_silent_unit_is_stated() {
    let (bench, units) = (Bench::new(), Playing::on_terminal(Units::new(&[1])));
    let rig = bench.write("rig.toml", &rig(&[("energy", 1, 5.0), ("spare", 9, 5.0)]));
    let recorder = bench.record(&rig, &[("meter", units.device())], &["--rotate", "0.7"]);
    let sealed = || bench.status().0["recording"]["sealed_sessions"].as_u64().unwrap_or_default();
    wait_until(
        "two seams and sixty readings",
        || sealed() >= 2 && units.with(|u| u.readings[&1] >= 60 && u.requests.contains_key(&9)),
        || recorder.said(),
    );
    settle(&units, &recorder);
    let ended = end(recorder);
    // A unit that never answers takes nothing from the others: nothing was lost.
    assert_eq!(ended.code, Some(0), "{}{}", ended.stdout, ended.stderr);
    let sessions = bench.sessions();
    assert!(sessions.len() >= 3, "{} sessions", sessions.len());
    for pair in sessions.windows(2) {
        assert_eq!(pair[0].manifest.followed_by.as_ref(), Some(&pair[1].manifest.session));
        assert_eq!(pair[1].manifest.follows.as_ref(), Some(&pair[0].manifest.session));
    }
    let (passed, readings) = (units.passed(), units.with(|u| u.readings[&1]));
    nothing_is_lost(&bench, &sessions, &passed, readings);

    assert!(ended.stderr.contains("TRANSMITS on port `meter`: asks Modbus unit 1, 9"), "{}", ended.stderr);
    let stated = "Modbus unit 9 does not answer for input registers 0x0000 to 0x0001";
    assert!(ended.stderr.contains(stated), "{}", ended.stderr);
    let told =
        sessions.iter().flat_map(|s| &s.events).filter(|e| e.kind == "remark" && e.text.contains(stated)).count();
    assert_eq!(told, 1, "said once, in `events`");
    assert!(ended.stdout.contains("never seen: spare"), "{}", ended.stdout);
    for manifest in sessions.iter().map(|s| &s.manifest) {
        let spare = manifest.channels.iter().find(|c| c.channel == "spare").expect("the rig names it");
        assert_eq!((spare.samples, spare.missing), (0, 0));
    }
}

#[test]
fn behind_a_device_server_a_line_that_falls_silent_is_a_gap_of_its_length() {
    let (bench, units) = (Bench::new(), Playing::behind_tcp(Units::new(&[1])));
    let rig = bench.write("rig.toml", &rig(&[("energy", 1, 0.5)]));
    let recorder = bench.record(&rig, &[("meter", units.device())], &[]);
    let wait_readings = |count: u32| {
        wait_until("readings", || units.with(|u| u.readings[&1] >= count), || recorder.said());
    };
    wait_readings(15);
    settle(&units, &recorder);
    let before = units.with(|u| u.readings[&1]);
    std::thread::sleep(Duration::from_millis(500));
    units.with(|u| u.is_silent = false);
    wait_readings(before + 15);
    bench.wait_messages(2 * (before as usize + 15));
    settle(&units, &recorder);
    // The silence at the end is shorter than the limit, or a second gap that is stated as well.
    let ended = end(recorder);
    assert_eq!(ended.code, Some(0), "silence is no loss: {}{}", ended.stdout, ended.stderr);
    let sessions = bench.sessions();
    let readings = units.with(|u| u.readings[&1]);
    nothing_is_lost(&bench, &sessions, &units.passed(), readings);
    let [session] = sessions.as_slice() else { panic!("one session") };
    // Between the last answer before and the first after it, by the recorder's own stamps of the answers.
    let answers: Vec<i64> =
        bench.lines(session).iter().filter(|(_, text)| text.starts_with("< ")).map(|(t_us, _)| *t_us).collect();
    let (from, to) = (answers[before as usize - 1], answers[before as usize]);
    let gap = &session.manifest.gaps[0];
    assert_eq!((gap.port.as_str(), gap.cause), ("meter", GapCause::Silent));
    assert_eq!((gap.start_us.as_us(), gap.length_us), (from, Some(to - from)));
    assert!(to - from >= 1_000_000, "{} µs", to - from);
    for said in ["Modbus unit 1 does not answer", "Modbus unit 1 answers again after"] {
        assert!(session.events.iter().any(|e| e.kind == "remark" && e.text.contains(said)), "{said}");
        assert!(ended.stderr.contains(said), "{}", ended.stderr);
    }
    assert!(ended.stdout.contains(&format!("gap    silent from {}", gap.start_us)), "{}", ended.stdout);
}

/// A meter's line is the only one that is judged by its answers alone, before a recording as well.
#[test]
fn a_meter_that_answers_is_ready_and_one_that_does_not_is_to_be_mended() {
    let (bench, units) = (Bench::new(), Playing::on_terminal(Units::new(&[1])));
    let path = bench.write("rig.toml", &rig(&[("energy", 1, 30.0)]));
    let ready = bench.check(&path, &[("meter", units.device())], &["--for", "2.5"]);
    assert!(ready.code == Some(0) && ready.stdout.ends_with("\nready\n"), "{}{}", ready.stdout, ready.stderr);
    units.with(|u| u.is_silent = true);
    let mute = bench.check(&path, &[("meter", units.device())], &["--for", "1.5"]);
    assert_eq!(mute.code, Some(1), "{}", mute.stdout);
    assert!(mute.stdout.contains("port meter is open but says nothing"), "{}", mute.stdout);
    assert!(mute.took < PATIENCE);
}

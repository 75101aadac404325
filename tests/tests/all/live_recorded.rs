//! The technician's page of a real recording: in a browser, from the bytes on a pseudo-terminal to what the page shows,
//! and from what is pressed on the page to what is sealed; and who is let in beyond this computer.

use std::{
    io::{BufRead, BufReader, Write},
    net::SocketAddr,
    path::PathBuf,
    process::{Command, Stdio},
};

use serde_json::Value;
use tallywheel_schemas::{
    Condition, correction,
    manifest::{Gap, GapCause},
};
use tallywheel_tests::{
    Bench, browser,
    faults::{recorder::Recorder, speaker::now_us, stated::TOLERANCE_US},
    instruments::{
        Playing,
        adapter::{Adapter, Traffic},
        wait_until,
    },
    peer, python,
    recording::end,
};

use crate::live_page::ask;

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    device_time = false\n[[port]]\nname = \"vehicle-bus\"\nkind = \"slcan\"\nbit_rate = 500000\ndevice_time = false\n\
    [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 7\nlength = 16\n\
    byte_order = \"big\"\nscale = 0.1\nmax_gap_s = 2.0\n\
    [[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"vehicle-bus\"\nid = 0x120\nstart_bit = 7\nlength = 16\n\
    byte_order = \"big\"\nscale = 1.0\nmax_gap_s = 30.0\n";

/// A pack's voltage that runs from 90.0 to 99.9 V in steps of 0.1.
fn pack() -> Playing<Adapter> {
    let line = |n: u32| format!("t3102{:04X}\r", 900 + n % 100);
    Playing::on_terminal(Adapter::with_traffic(Traffic::new(50.0, line)))
}

/// An engine at 1726 rpm.
fn engine() -> Playing<Adapter> {
    Playing::on_terminal(Adapter::with_traffic(Traffic::new(50.0, |_| "t120206BE\r".to_owned())))
}

/// The address of the page as the recorder prints it.
fn address(recorder: &Recorder) -> String {
    let line = || recorder.said().lines().find_map(|l| l.split_once("live page: ").map(|(_, rest)| rest.to_owned()));
    wait_until("the page's address", || line().is_some(), || recorder.said());
    let line = line().unwrap_or_default();
    line.split(' ').next().unwrap_or_default().to_owned()
}

fn silence(adapter: &Playing<Adapter>, is_silent: bool) {
    adapter.with(|a| a.traffic.iter_mut().for_each(|t| t.is_silent = is_silent));
}

#[test]
fn beyond_this_computer_a_recording_is_shown_to_nobody_without_the_token() {
    let (bench, pack, engine) = (Bench::new(), pack(), engine());
    let rig = bench.write("rig.toml", RIG);
    let devices = [("kit-bus", pack.device()), ("vehicle-bus", engine.device())];
    let recorder = bench.record(&rig, &devices, &["--live", "0.0.0.0:0"]);
    let url = address(&recorder);
    let (host, token) =
        url.strip_prefix("http://").and_then(|u| u.split_once("/?token=")).expect("an address with a token");
    let port = host.rsplit_once(':').and_then(|(_, port)| port.parse().ok()).expect("a port");
    assert!(recorder.said().contains("the connection is not encrypted"), "{}", recorder.said());
    let here = SocketAddr::from(([127, 0, 0, 1], port));
    // The address that was printed is one of this computer's own, on which a page from the network would connect.
    let there: SocketAddr = host.parse().expect("an address");
    let json = "Content-Type: application/json\r\n";
    for at in [here, there] {
        for path in ["/", "/snapshot", "/values", "/?token=", "/?token=00000000000000000000000000000000"] {
            let (status, answer) = ask(at, &format!("GET {path}"), "", "");
            assert!(status == 401 && !answer.contains("skerry"), "{at}{path}: {answer}");
        }
        assert_eq!(ask(at, "POST /mark", json, r#"{"text": "intruder"}"#).0, 401);
        assert_eq!(ask(at, "POST /run/start", json, "{}").0, 401);
        assert_eq!(ask(at, &format!("GET /?token={token}"), "", "").0, 200);
    }
    let shown = || ask(there, &format!("GET /snapshot?token={token}"), "", "");
    wait_until("a value", || shown().1.contains("\"text\":\"1726\""), || shown().1);
    assert_eq!(shown().0, 200);
    let bearer = format!("{json}Authorization: Bearer {token}\r\n");
    assert_eq!(ask(here, "POST /mark", &bearer, r#"{"text": "guest", "who": "ET"}"#).0, 200);
    let ended = end(recorder);
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    let markers: Vec<String> =
        bench.only_session().events.into_iter().filter(|e| e.kind == "marker").map(|e| e.text).collect();
    let [marker] = &markers[..] else { panic!("one marker, nothing of the intruder's: {markers:?}") };
    assert!(marker.starts_with("guest (ET (page at 127.0.0.1"), "{marker}");
}

/// With TALLYWHEEL_SHOTS the screenshots are kept in that directory.
#[test]
fn the_page_of_a_recording_lives_in_a_browser() {
    let (Some(python), Some(browser)) = (python(), browser()) else { return };
    let (bench, pack, engine) = (Bench::new(), pack(), engine());
    let shots = std::env::var_os("TALLYWHEEL_SHOTS").map_or_else(|| bench.path("shots"), PathBuf::from);
    let rig = bench.write("rig.toml", RIG);
    let devices = [("kit-bus", pack.device()), ("vehicle-bus", engine.device())];
    let recorder = bench.record(&rig, &devices, &["--live", "127.0.0.1:0"]);
    let url = address(&recorder);
    let mut driver = Command::new(python)
        .arg(peer("live_record.py"))
        .args([browser.as_os_str(), url.as_ref(), shots.as_os_str()])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut answers = driver.stdin.take().expect("a pipe");
    let (mut report, mut silent_us) = (Value::Null, (0, 0));
    for line in BufReader::new(driver.stdout.take().expect("a pipe")).lines().map(|l| l.expect("a line")) {
        match line.strip_prefix("do ") {
            Some("silence") => {
                silence(&pack, true);
                silent_us.0 = now_us();
            }
            Some("speak") => {
                silent_us.1 = now_us();
                silence(&pack, false);
            }
            Some("run") => assert_eq!(bench.status().0["recording"]["run"], "hl-07"),
            Some(other) => panic!("what is {other}?"),
            None => {
                report = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line}"));
                continue;
            }
        }
        writeln!(answers, "done").expect("the peer listens");
    }
    assert!(driver.wait().expect("an end").success(), "the peer gave up: {}", recorder.said());
    let ended = end(recorder);
    // The silence is shown and stated, and is no loss.
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    check_shown(&report);
    check_sealed(&bench, silent_us);
}

fn check_shown(report: &Value) {
    let has = |key: &str, part: &str| assert!(report[key].to_string().contains(part), "{key}: {}", report[key]);
    assert_eq!(report["complaints"], serde_json::json!([]), "no script error, nothing blocked by the policy");
    assert_eq!((&report["address"], &report["steady"]), (&"/".into(), &"1726".into()));
    has("session", "Session skerry-9-");
    let values: Vec<f64> =
        report["values"].as_array().expect("a list").iter().filter_map(|v| v.as_str()?.parse().ok()).collect();
    assert!(
        values.len() >= 5 && values.iter().all(|v| (90.0..=99.9).contains(v)),
        "what was sent is shown: {values:?}"
    );
    has("alarm", "kit-bus has been silent for");
    has("age", "STALE");
    assert!(!report["other"].to_string().contains("stale"), "the other port speaks: {}", report["other"]);
    has("marked", "bump by the slipway");
    has("run", "Run hl-07, harbour loop, assist on");
    has("started", "is being recorded in session skerry-9-");
    has("stopped", "20.91 kg of fuel after it is noted");
}

/// Before the run, the run, after it; and the pack was silent from one time to another.
fn check_sealed(bench: &Bench, silent_us: (i64, i64)) {
    let sessions = bench.sessions();
    let [before, run, after] = sessions.as_slice() else { panic!("{} sessions", sessions.len()) };
    assert!(before.manifest.run.is_none() && after.manifest.run.is_none(), "only the run has a sheet");
    let sheet = run.manifest.run.as_ref().expect("the sheet that was filled in on the page");
    assert_eq!(
        (sheet.run.as_str(), sheet.route.as_str(), sheet.condition),
        ("hl-07", "harbour loop", Condition::Assist)
    );
    assert_eq!(
        (sheet.driver.as_deref(), sheet.payload_kg, sheet.fuel_mass_before_kg),
        (Some("AB"), Some(200.0), Some(21.35))
    );
    assert_eq!(sheet.fuel_mass_after_kg, None, "what was sealed stays as it was");
    let corrections = correction::read(&bench.dataset(), "skerry-9", &run.manifest.session).expect("corrections");
    let [weighed] = &corrections[..] else { panic!("{corrections:?}") };
    assert_eq!((weighed.field.as_str(), &weighed.value), ("fuel_mass_after_kg", &20.91.into()));
    assert!(weighed.who.starts_with("ET (page at 127.0.0.1"), "{}", weighed.who);

    let markers: Vec<_> = sessions.iter().flat_map(|s| &s.events).filter(|e| e.kind == "marker").collect();
    let [marker] = &markers[..] else { panic!("{markers:?}") };
    assert!(
        before.events.contains(marker) && marker.text.starts_with("bump by the slipway (ET (page at"),
        "{}",
        marker.text
    );
    let covers = |g: &&Gap| {
        let start_us = g.start_us.as_us();
        start_us <= silent_us.1 && g.length_us.is_some_and(|length| start_us + length >= silent_us.1)
    };
    let gap = before.manifest.gaps.iter().find(covers).expect("the silence is stated");
    assert_eq!((gap.port.as_str(), gap.cause), ("kit-bus", GapCause::Silent));
    assert!(
        gap.length_us >= Some(silent_us.1 - silent_us.0 - TOLERANCE_US) && gap.length_us > Some(2_000_000),
        "{gap:?}"
    );
    assert!(gap.start_us.as_us() < marker.t_us, "it was marked after the silence");
}

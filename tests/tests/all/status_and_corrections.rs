//! `status` during and after a recording, and `correct`, which adds to what was written down and never overwrites.

use std::{fs, path::PathBuf};

use serde_json::Value;
use tallywheel_schemas::correction::{self, Correction};
use tallywheel_tests::{
    Bench,
    faults::{frames, recorder::Ended},
    instruments::{
        Playing,
        adapter::{Adapter, Traffic},
    },
    recording::end,
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    device_time = false\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 0\n\
    length = 32\nscale = 1e-6\nmax_gap_s = 5.0\n";
const SHEET: &str = "[run]\nrun = \"hl-07\"\nroute = \"harbour loop\"\ncondition = \"assist\"\ndriver = \"AB\"\n\
    fuel_mass_before_kg = 21.35\n";

fn correct(bench: &Bench, session: &str, more: &[&str]) -> Ended {
    let args = ["--session", session, "--who", "ET", "--reason", "weighed again"];
    bench.logger(&["correct"], &[&args, more].concat())
}

#[test]
fn status_tells_of_a_recording_while_it_lasts_and_of_none_afterwards() {
    let bench = Bench::new();
    let none = bench.logger(&["status"], &["--format", "json"]);
    assert_eq!((none.code, none.stdout.as_str()), (Some(2), ""), "no dataset: {}", none.stderr);
    let adapter = Playing::on_terminal(Adapter::with_traffic(Traffic::new(200.0, |n| frames::line(n, None))));
    let (rig, sheet) = (bench.write("rig.toml", RIG), bench.write("run.toml", SHEET));
    let sheet = sheet.to_str().expect("a plain name");
    let recorder = bench.record(&rig, &[("kit-bus", adapter.device())], &["--run-sheet", sheet]);
    bench.wait_messages(100);
    let before = bench.everything();
    let (during, code) = bench.status();
    let recording = &during["recording"];
    assert_eq!(code, Some(0), "{during}");
    assert_eq!((&recording["vehicle"], &recording["run"]), (&"skerry-9".into(), &"hl-07".into()));
    assert_eq!(recording["pid"], recorder.pid());
    assert_eq!((&recording["disk"], &recording["sealed_sessions"]), (&Value::Null, &0.into()));
    let port = &recording["ports"][0];
    assert_eq!(
        (&port["port"], &port["listening"], &port["bad"], &port["dropped"]),
        (&"kit-bus".into(), &true.into(), &0.into(), &0.into())
    );
    assert_eq!(during["unfinished"], serde_json::json!([]), "what is being recorded waits for nobody");
    assert!(during["free_bytes"].as_u64() > Some(0) && recording["recorded_s"].as_f64() > Some(0.0), "{during}");
    assert_eq!(bench.everything(), before, "asking writes nothing");
    let text = bench.logger(&["status"], &[]);
    let session = recording["session"].as_str().expect("a name").to_owned();
    assert!(text.code == Some(0) && text.stdout.starts_with(&format!("recording  {session}, ")), "{}", text.stdout);
    assert!(text.stdout.contains("kit-bus: listening, "), "{}", text.stdout);

    let refused = correct(&bench, &session, &["--set", "driver=CD"]);
    assert!(refused.code == Some(2) && refused.stderr.contains("corrected once it is over"), "{}", refused.stderr);
    let ended = end(recorder);
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    let (after, code) = bench.status();
    assert_eq!((code, &after["recording"], &after["unfinished"]), (Some(0), &Value::Null, &serde_json::json!([])));
    assert_eq!(bench.only_session().manifest.session, session);
}

#[test]
fn a_recorder_that_was_killed_is_trouble_until_it_is_recovered() {
    let (bench, rig) = (Bench::new(), RIG);
    let adapter = Playing::on_terminal(Adapter::with_traffic(Traffic::new(200.0, |n| frames::line(n, None))));
    let rig = bench.write("rig.toml", rig);
    let recorder = bench.record(&rig, &[("kit-bus", adapter.device())], &[]);
    bench.wait_messages(200);
    let session = bench.status().0["recording"]["session"].clone();
    recorder.kill().expect("a signal");
    let (killed, code) = bench.status();
    assert_eq!(
        (code, &killed["recording"], &killed["unfinished"]),
        (Some(1), &Value::Null, &serde_json::json!([session]))
    );
    let recovered = bench.logger(&["recover"], &[]);
    assert_eq!(recovered.code, Some(1), "what was interrupted is a fault: {}{}", recovered.stdout, recovered.stderr);
    assert_eq!(
        (bench.status().1, bench.only_session().manifest.session),
        (Some(0), session.as_str().expect("a name").to_owned())
    );
}

#[test]
fn corrections_add_lines_and_leave_what_was_sealed_and_what_was_corrected() {
    let bench = Bench::new();
    let adapter = Playing::on_terminal(Adapter::with_traffic(Traffic::new(200.0, |n| frames::line(n, None))));
    let (rig, sheet) = (bench.write("rig.toml", RIG), bench.write("run.toml", SHEET));
    let sheet = sheet.to_str().expect("a plain name");
    let recorder = bench.record(&rig, &[("kit-bus", adapter.device())], &["--run-sheet", sheet]);
    bench.wait_messages(50);
    assert_eq!(end(recorder).code, Some(0));
    let session = bench.only_session().manifest;
    let sealed: Vec<(PathBuf, Vec<u8>)> =
        bench.everything().into_iter().filter_map(|p| Some((p.clone(), fs::read(p).ok()?))).collect();
    assert!(sealed.len() >= 3);

    let path = correction::corrections_path(&bench.dataset(), "skerry-9", &session.session);
    assert!(!path.exists());
    let first = correct(&bench, &session.session, &["--set", "fuel_mass_after_kg=20.91", "--set", "driver=CD"]);
    assert_eq!(first.code, Some(0), "{}", first.stderr);
    let name = &session.session;
    let said = format!("{name}: fuel_mass_after_kg was nothing, is 20.91\n{name}: driver was AB, is CD\n");
    assert_eq!(first.stdout, said);
    let after_first = fs::read(&path).expect("corrections");
    let second = correct(&bench, name, &["--set", "fuel_mass_after_kg=20.87", "--set", "driver="]);
    assert_eq!(second.code, Some(0), "{}", second.stderr);
    let said = format!("{name}: fuel_mass_after_kg was 20.91, is 20.87\n{name}: driver was CD, is nothing\n");
    assert_eq!(second.stdout, said);
    let after_second = fs::read(&path).expect("corrections");
    assert!(after_second.starts_with(&after_first) && after_second.len() > after_first.len(), "appended");

    // What would spoil the sheet is refused whole, and nothing of it is written.
    for (wrong, why) in [
        (["--set", "payload_kg=200", "--set", "fuel_mass_after_kg=-1"].as_slice(), "fuel_mass_after_kg"),
        (&["--set", "torque=9"], "torque"),
        (&["--set", "run="], "run"),
        (&["--set", "driver"], "FIELD=VALUE"),
    ] {
        let refused = correct(&bench, name, wrong);
        assert!(refused.code == Some(2) && refused.stderr.contains(why), "{wrong:?}: {}", refused.stderr);
        assert_eq!(fs::read(&path).expect("corrections"), after_second, "{wrong:?}");
    }
    let anonymous =
        bench.logger(&["correct"], &["--session", name, "--who", " ", "--reason", "x", "--set", "driver=EF"]);
    assert!(anonymous.code == Some(2) && anonymous.stderr.contains("initials"), "{}", anonymous.stderr);
    let elsewhere = correct(&bench, "skerry-9-20200101T000000Z", &["--set", "driver=EF"]);
    assert!(elsewhere.code == Some(2) && elsewhere.stderr.contains("no sealed session"), "{}", elsewhere.stderr);

    let all: Vec<Correction> = correction::read(&bench.dataset(), "skerry-9", name).expect("corrections");
    let what: Vec<_> =
        all.iter().map(|c| (c.field.as_str(), c.value.clone(), c.who.as_str(), c.reason.as_str())).collect();
    let by = |field, value| (field, value, "ET", "weighed again");
    assert_eq!(
        what,
        [
            by("fuel_mass_after_kg", 20.91.into()),
            by("driver", "CD".into()),
            by("fuel_mass_after_kg", 20.87.into()),
            by("driver", Value::Null),
        ]
    );
    for (path, bytes) in sealed {
        assert!(fs::read(&path).is_ok_and(|now| now == bytes), "{} has changed", path.display());
    }
    let verified = bench.logger(&["verify"], &[]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.stdout, verified.stderr);
}

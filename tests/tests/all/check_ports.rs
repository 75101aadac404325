//! `check` on real ports: what it says of a good rig and of each port that is not as it should be, by exit code, by
//! words and for programs; and that it leaves nothing behind.

use serde_json::Value;
use tallywheel_tests::{
    Bench,
    instruments::{
        Playing,
        adapter::{Adapter, Traffic},
        wait_until,
    },
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    device_time = false\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 7\n\
    length = 16\nbyte_order = \"big\"\nscale = 0.01\nmax_gap_s = 1.0\n[[signal]]\nchannel = \"pack.soc_pct\"\n\
    port = \"kit-bus\"\nid = 0x311\nstart_bit = 0\nlength = 8\nscale = 0.5\nmax_gap_s = 1.0\n";

/// 97.50 V (0x2616) and 100 % (0xC8), in turn.
fn good() -> Playing<Adapter> {
    let line = |n: u32| ["t31022616\r", "t3111C8\r"][n as usize % 2].to_owned();
    Playing::on_terminal(Adapter::with_traffic(Traffic::new(40.0, line)))
}

/// What `check` says to programs.
fn json(bench: &Bench, rig: &std::path::Path, device: &str, expected: i32) -> Value {
    let ended = bench.check(rig, &[("kit-bus", device)], &["--for", "2.5", "--format", "json"]);
    assert_eq!(ended.code, Some(expected), "{}{}", ended.stdout, ended.stderr);
    serde_json::from_str(&ended.stdout).unwrap_or_else(|e| panic!("{e}: {}", ended.stdout))
}

fn to_fix(readiness: &Value) -> Vec<&str> {
    let findings = readiness["findings"].as_array().expect("a list");
    findings.iter().filter(|f| f["weight"] == "fix").filter_map(|f| f["text"].as_str()).collect()
}

#[test]
fn a_good_rig_is_ready_and_the_dataset_stays_as_it_was() {
    let (bench, adapter) = (Bench::new(), good());
    // A machine that stalls for a second makes no sensor bad.
    let rig = bench.write("rig.toml", &RIG.replace("max_gap_s = 1.0", "max_gap_s = 30.0"));
    std::fs::create_dir_all(bench.dataset()).expect("room");
    let said = json(&bench, &rig, adapter.device(), 0);
    assert_eq!((&said["is_ready"], to_fix(&said)), (&true.into(), Vec::new()), "{said}");
    assert_eq!((&said["vehicle"], &said["ports"][0]["state"]), (&"skerry-9".into(), &"listening".into()));
    let channels = said["channels"].as_array().expect("a list");
    let values: Vec<_> =
        channels.iter().map(|c| (c["channel"].as_str(), c["value"].as_f64(), c["state"].as_str())).collect();
    assert_eq!(
        values,
        [(Some("pack.voltage_v"), Some(97.5), Some("ok")), (Some("pack.soc_pct"), Some(100.0), Some("ok")),]
    );
    assert!(channels.iter().all(|c| c["samples"].as_u64() > Some(5)), "{said}");

    let text = bench.check(&rig, &[("kit-bus", adapter.device())], &["--for", "2.5"]);
    assert_eq!(text.code, Some(0), "{}{}", text.stdout, text.stderr);
    assert!(text.stdout.contains("97.5") && text.stdout.ends_with("\nready\n"), "{}", text.stdout);
    assert_eq!(bench.everything(), Vec::<std::path::PathBuf>::new(), "nothing is in the dataset");
    let opening = ["C", "S5", "Z0", "L", "C"].map(str::to_owned);
    let twice = [opening.clone(), opening].concat();
    let commands = || adapter.with(|a| a.commands.clone());
    wait_until("the adapter to be closed", || commands().len() >= twice.len(), || format!("{:?}", commands()));
    assert_eq!(commands(), twice, "opened to listen only, twice");
}

#[test]
fn what_is_not_as_it_should_be_is_told_with_what_to_do() {
    let (bench, adapter) = (Bench::new(), good());
    let rig = bench.write("rig.toml", RIG);
    let gone = json(&bench, &rig, "/nonexistent/ttyACM0", 1);
    let [why] = to_fix(&gone)[..] else { panic!("{gone}") };
    assert!(why.starts_with("port kit-bus is not open: open port `kit-bus` on /nonexistent/ttyACM0"), "{why}");
    assert!(why.contains("is it plugged in?") && gone["is_ready"] == false, "{gone}");

    adapter.with(|a| a.traffic.iter_mut().for_each(|t| t.is_silent = true));
    let mute = json(&bench, &rig, adapter.device(), 1);
    assert_eq!(to_fix(&mute), ["port kit-bus is open but says nothing; check power, cable and bit rate"]);

    let one = Traffic::new(40.0, |_| "t31022616\r".to_owned());
    adapter.with(|a| a.traffic = Some(one));
    let text = bench.check(&rig, &[("kit-bus", adapter.device())], &["--for", "1.5"]);
    assert_eq!(text.code, Some(1), "{}", text.stdout);
    let verdict =
        "not ready; to fix:\n  1. pack.soc_pct was never seen; check the sensor, and identifier or column in the rig\n";
    assert!(text.stdout.ends_with(verdict), "{}", text.stdout);
    assert!(!bench.dataset().exists(), "no dataset was made");
}

#[test]
fn what_cannot_be_checked_at_all_is_another_exit_code() {
    let (bench, adapter) = (Bench::new(), good());
    let rig = bench.write("rig.toml", &RIG.replace("bit_rate = 250000", "bit_rate = 123"));
    let ended = bench.check(&rig, &[("kit-bus", adapter.device())], &["--for", "1.5", "--format", "json"]);
    assert_eq!((ended.code, ended.stdout.as_str()), (Some(2), ""), "{}", ended.stderr);
    assert!(ended.stderr.contains("123 bit/s"), "{}", ended.stderr);
    let rig = bench.write("rig.toml", RIG);
    let ended = bench.check(&rig, &[("kit", adapter.device())], &["--for", "1.5"]);
    assert!(ended.code == Some(2) && ended.stderr.contains("--device kit=…"), "{}", ended.stderr);
    assert_eq!(adapter.passed().heard, b"");
}

/// A port that is being recorded is not disturbed, and the check says who has it.
#[test]
fn a_port_that_is_being_recorded_is_left_alone() {
    let (bench, adapter) = (Bench::new(), good());
    let rig = bench.write("rig.toml", RIG);
    let recorder = bench.record(&rig, &[("kit-bus", adapter.device())], &[]);
    bench.wait_messages(20);
    let commands = adapter.with(|a| a.commands.clone());
    let said = json(&bench, &rig, adapter.device(), 1);
    let [why] = to_fix(&said)[..] else { panic!("{said}") };
    assert!(why.contains("is being recorded by another logger (pid "), "{why}");
    assert_eq!(adapter.with(|a| a.commands.clone()), commands, "nothing was said to the adapter");
    let ended = tallywheel_tests::recording::end(recorder);
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    assert!(bench.only_session().manifest.gaps.is_empty());
}

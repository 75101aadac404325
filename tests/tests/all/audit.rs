//! What a hostile reader asks of a report: the same inputs, the same bytes; and every step of a number.

use std::{
    fs,
    path::Path,
    process::{Command, Output},
};

use serde_json::Value;
use tallywheel_tests::{Bench, program, sample_logs};

use crate::campaign::import_samples;

/// Runs `compare` in a directory of its own, with the dataset and the campaign named as they are seen from there.
fn compare(directory: &Path, data: &str, campaign: &str, more: &[&str]) -> Output {
    let args = ["compare", "--data", data, "--campaign", campaign];
    let mut command = Command::new(program("tallywheel-analyze"));
    command.args(args).args(more).current_dir(directory).output().expect("the program starts")
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a directory");
    for entry in fs::read_dir(from).expect("a directory") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.file_type().expect("a type").is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).expect("copied");
        }
    }
}

/// From another place and another working directory, relative or absolute, the JSON is the same to the byte.
#[test]
fn the_same_inputs_give_the_same_bytes_anywhere() {
    let bench = Bench::new();
    import_samples(&bench);
    let campaign =
        bench.write("campaign.toml", &fs::read_to_string(sample_logs().join("captures/campaign.toml")).expect("there"));
    let elsewhere = Bench::new();
    let there = elsewhere.path("deep/er");
    copy(&bench.dataset(), &there.join("copied"));
    fs::copy(&campaign, there.join("other-name.toml")).expect("copied");
    for more in [&["--format", "json"] as &[&str], &["--format", "json", "--explain", "harbour-hop-01-assist"]] {
        let here = compare(bench.dataset().parent().expect("a parent"), "data", "campaign.toml", more);
        let root = there.join("copied");
        let absolute = compare(Path::new("/"), root.to_str().expect("plain"), campaign.to_str().expect("plain"), more);
        let copied = compare(&there, "./copied", "other-name.toml", more);
        assert_ne!(here.status.code(), Some(2), "{}", String::from_utf8_lossy(&here.stderr));
        assert!(!here.stdout.is_empty());
        assert!(here.stdout == copied.stdout, "from a copy");
        assert!(here.stdout == absolute.stdout, "with absolute paths");
    }
}

/// Every input stands in the report by the hash of its content, and the hashes are those of the files.
#[test]
fn every_input_is_named_by_its_hash() {
    let bench = Bench::new();
    import_samples(&bench);
    let campaign = sample_logs().join("captures/campaign.toml");
    let data = bench.dataset();
    let output = compare(
        Path::new("/"),
        data.to_str().expect("plain"),
        campaign.to_str().expect("plain"),
        &["--format", "json"],
    );
    let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let inputs = report["provenance"]["inputs"].as_array().expect("inputs");
    let hash = |path: &Path| tallywheel_schemas::Digest::of(&fs::read(path).expect("the file")).to_string();
    let mut kinds = std::collections::BTreeMap::<&str, u32>::new();
    for input in inputs {
        let (kind, name) = (input["kind"].as_str().expect("a kind"), input["name"].as_str().expect("a name"));
        *kinds.entry(kind).or_default() += 1;
        let path = match kind {
            "campaign" => campaign.clone(),
            "rig" => sample_logs().join("rigs").join(name),
            _ => data.join(name),
        };
        assert_eq!(input["blake3"], hash(&path), "{name}");
    }
    // Four runs and a charging session, all of one rig.
    assert_eq!((kinds["campaign"], kinds["rig"], kinds["manifest"]), (1, 1, 5), "{kinds:?}");
    let sealed = bench.ledgers().iter().map(|l| l.session.manifest.files.len()).sum::<usize>();
    assert_eq!(kinds["table"] as usize, sealed, "{kinds:?}");
}

/// Without a verdict the program says so with its exit code, too.
#[test]
fn a_withheld_verdict_ends_with_1() {
    let bench = Bench::new();
    import_samples(&bench);
    let text = fs::read_to_string(sample_logs().join("captures/campaign.toml")).expect("there");
    // No difference of speed is alike enough.
    let strict = bench.write("strict.toml", &format!("{text}\n[rules]\nmax_speed_difference = 0.0\n"));
    let data = bench.dataset();
    let ends = |campaign: &Path| {
        let output = compare(
            Path::new("/"),
            data.to_str().expect("plain"),
            campaign.to_str().expect("plain"),
            &["--format", "json"],
        );
        let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        (report["verdict"]["decision"].as_str().expect("a decision").to_owned(), output.status.code())
    };
    assert_eq!(ends(&strict), ("withheld".to_owned(), Some(1)));
    let (decision, code) = ends(&sample_logs().join("captures/campaign.toml"));
    assert_ne!(decision, "withheld");
    assert_eq!(code, Some(0));
}

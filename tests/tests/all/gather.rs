//! A fleet gathered, derived and compacted by the real programs.

use std::{
    fs,
    io::{BufRead as _, BufReader, Write as _},
    path::Path,
    process::{Child, Command, Output, Stdio},
    time::{Duration, Instant},
};

use nix::{sys::signal, unistd::Pid};
use serde_json::Value;
use tallywheel_tests::{
    Bench,
    kills::{link, make_fleet},
    peer, program, python, run,
};

fn analyze(args: &[&str], paths: &[(&str, &Path)]) -> Command {
    let mut command = Command::new(program("tallywheel-analyze"));
    command.args(args);
    for (flag, path) in paths {
        if !flag.is_empty() {
            command.arg(flag);
        }
        command.arg(path);
    }
    command
}

fn done(mut command: Command) -> Output {
    let output = command.output().expect("the program starts");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}\n{}", String::from_utf8_lossy(&output.stdout));
    output
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("JSON")
}

/// `verify` finds everything as it was sealed.
fn holds(data: &Path) {
    let output = run("tallywheel-logger", ["verify".as_ref(), "--data".as_ref(), data.as_os_str()]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
}

/// `kill -9` at random moments: the short form of `gather-kills`, whose full form takes 1,600 points.
#[test]
fn killed_at_random_moments_nothing_is_lost() {
    let output = run("gather-kills", ["--quick", "--seed", "20261123"]);
    let text = String::from_utf8_lossy(&output.stdout);
    let counts: Value = serde_json::from_str(text.lines().last().expect("a line")).expect("JSON");
    assert_eq!(output.status.code(), Some(0), "{counts}\n{}", String::from_utf8_lossy(&output.stderr));
    for job in ["collect", "derive", "compact", "rollup"] {
        assert_eq!(counts[job]["points"], 12);
        assert!(counts[job]["killed"].as_u64() >= Some(4), "most runs were still going: {counts}");
    }
}

/// From a directory and from a bucket of an S3-compatible server, the same bytes arrive.
#[test]
fn a_bucket_is_as_good_as_a_directory() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let (source, local, bucket) = (bench.path("source"), bench.path("local"), bench.path("bucket"));
    make_fleet(&source, 2, 1, 2).expect("a fleet");
    let mut server = Server(
        Command::new(python)
            .arg(peer("s3_server.py"))
            .args(["fleet", "skerry/2026"])
            .arg(&source)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("python starts"),
    );
    let mut address = String::new();
    BufReader::new(server.0.stdout.take().expect("piped")).read_line(&mut address).expect("an address");
    assert!(address.starts_with("http://127.0.0.1:"), "the server did not start: {address}");
    let from_bucket = || {
        let mut command = analyze(&["collect", "s3://fleet/skerry/2026", "--format", "json"], &[("--into", &bucket)]);
        command.env("AWS_ENDPOINT_URL", address.trim()).env("AWS_ALLOW_HTTP", "true");
        command.envs([
            ("AWS_ACCESS_KEY_ID", "test"),
            ("AWS_SECRET_ACCESS_KEY", "test"),
            ("AWS_DEFAULT_REGION", "us-east-1"),
        ]);
        json(&done(command))
    };
    done(analyze(&["collect"], &[("", &source), ("--into", &local)]));
    // What an earlier run left behind is gone on from.
    let half = bench.path("bucket/.work/collect");
    let table = fs::read_dir(source.join("motion/vehicle=skerry-1/date=2026-11-23")).expect("a table");
    let file = table.map(|e| e.expect("an entry").path()).min().expect("a file");
    let bytes = fs::read(&file).expect("readable");
    fs::create_dir_all(&half).expect("room");
    let manifest = source.join("sessions/vehicle=skerry-1/date=2026-11-23/skerry-1-0-0.json");
    let manifest: Value = serde_json::from_slice(&fs::read(manifest).expect("there")).expect("JSON");
    let motion = manifest["files"].as_array().expect("files").iter().find(|f| f["table"] == "motion").expect("motion");
    let hash = &motion["blake3"].as_str().expect("a hash")[..12];
    fs::write(half.join(format!("skerry-1-0-0.motion.{hash}.part")), &bytes[..bytes.len() / 3]).expect("room");
    let first = from_bucket();
    let all: u64 = files(&source).iter().filter(|p| p.ends_with(".parquet")).map(|p| length(&source.join(p))).sum();
    assert_eq!(first["bytes"].as_u64(), Some(all - bytes.len() as u64 / 3));
    assert_eq!(first["sessions"].as_array().map(Vec::len), Some(4));
    assert!(first["sessions"].as_array().expect("sessions").iter().all(|s| s["outcome"] == "copied"));
    holds(&bucket);
    assert_eq!(files(&bucket), files(&local));
    assert!(files(&local).iter().all(|f| fs::read(bucket.join(f)).ok() == fs::read(local.join(f)).ok()));
    let second = from_bucket();
    assert_eq!(second["bytes"], 0);
    assert!(second["sessions"].as_array().expect("sessions").iter().all(|s| s["outcome"] == "there"));
}

/// Ends with the test.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn length(path: &Path) -> u64 {
    fs::metadata(path).expect("a file").len()
}

/// Visible files below a directory.
fn files(root: &Path) -> Vec<String> {
    let (mut found, mut directories) = (Vec::new(), vec![root.to_owned()]);
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory).expect("readable").flatten() {
            let path = entry.path();
            if entry.file_name().to_string_lossy().starts_with('.') {
                continue;
            }
            match path.is_dir() {
                true => directories.push(path),
                false => found.push(path.strip_prefix(root).expect("below").to_string_lossy().into_owned()),
            }
        }
    }
    found.sort();
    found
}

/// Every command's output is the same byte for byte before and after, and so is what DuckDB reads.
#[test]
fn a_compacted_dataset_gives_the_same_answers() {
    let bench = Bench::new();
    let data = bench.dataset();
    make_fleet(&data, 2, 2, 3).expect("a fleet");
    let answers = || {
        for table in ["ledger", "motor_ledger", "trips", "days", "speed_classes"] {
            let _ = fs::remove_dir_all(data.join(table));
        }
        ["ledger", "trips", "mileage", "energy", "thermal"]
            .map(|command| done(analyze(&[command, "--format", "json"], &[("--data", &data)])).stdout)
    };
    let duckdb = || {
        let output = Command::new(python()?)
            .arg(peer("compacted_rows.py"))
            .arg(&data)
            .args(["pack", "voltage_v"])
            .output()
            .expect("python starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        Some(json(&output))
    };
    let (before, rows) = (answers(), duckdb());
    let compacted = json(&done(analyze(&["compact", "--format", "json"], &[("", &data)])));
    assert_eq!((compacted["days"].as_array().map(Vec::len), compacted["waiting"].as_u64()), (Some(4), Some(4)));
    holds(&data);
    assert_eq!(duckdb(), rows, "the sessions' own files are still what counts");
    done(analyze(&["compact", "--remove-originals"], &[("", &data)]));
    let tables = files(&data).iter().filter(|f| f.starts_with("pack/")).count();
    assert_eq!(tables, 4, "one file a vehicle and day");
    holds(&data);
    assert!(answers() == before);
    assert_eq!(duckdb(), rows);
    if let Some(rows) = rows {
        assert_eq!(rows.as_array().map(Vec::len), Some(12), "every session is among them");
    }
    done(analyze(&["compact", "--restore"], &[("", &data)]));
    assert!(answers() == before);
    holds(&data);
}

/// Two processes at once make the same tables that one makes.
#[test]
fn two_processes_at_once_do_not_collide() {
    let bench = Bench::new();
    let (source, one, two) = (bench.path("source"), bench.path("one"), bench.path("two"));
    make_fleet(&source, 2, 2, 4).expect("a fleet");
    for data in [&one, &two] {
        link(&source, data).expect("a copy");
    }
    done(analyze(&["derive"], &[("--data", &one)]));
    let start = || analyze(&["derive"], &[("--data", &two)]).stdout(Stdio::null()).spawn().expect("it starts");
    for mut child in [start(), start(), start()] {
        assert_eq!(child.wait().expect("it ends").code(), Some(0));
    }
    assert_eq!(files(&two), files(&one));
    // Days tell of the times of change of what they were made of, which links share.
    assert!(files(&one).iter().all(|f| fs::read(one.join(f)).ok() == fs::read(two.join(f)).ok()));
    assert_eq!(fs::read_dir(two.join(".work")).expect("there").count(), 0, "nothing is left over");
    let again = json(&done(analyze(&["derive", "--format", "json"], &[("--data", &two)])));
    assert!(again["sessions"].as_array().expect("sessions").iter().all(|s| s["state"] == "unchanged"));
}

/// Ctrl-C finishes the session at hand, keeps what is done, and says so; the next run does the rest.
#[test]
fn an_interrupted_derive_goes_on_where_it_was() {
    let bench = Bench::new();
    let data = bench.dataset();
    make_fleet(&data, 4, 5, 10).expect("a fleet");
    let mut child = analyze(&["derive", "--jobs", "1"], &[("--data", &data)])
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("it starts");
    let begun = Instant::now();
    while !data.join("days").exists() {
        assert!(begun.elapsed() < Duration::from_secs(60), "no day was made in a minute");
        std::thread::sleep(Duration::from_millis(2));
    }
    let pid = Pid::from_raw(i32::try_from(child.id()).expect("a process id"));
    signal::kill(pid, signal::Signal::SIGINT).expect("signalled");
    let output = child.wait().and_then(|status| {
        let mut errors = String::new();
        std::io::Read::read_to_string(&mut child.stderr.take().expect("piped"), &mut errors)?;
        Ok((status, errors))
    });
    let (status, errors) = output.expect("it ends");
    assert_eq!(status.code(), Some(130), "{errors}");
    assert!(errors.contains("interrupted after") && errors.contains("of 200 sessions"), "{errors}");
    let kept = files(&data).iter().filter(|f| f.starts_with("days/")).count();
    assert!((1..200).contains(&kept), "{kept}");
    let rest = json(&done(analyze(&["derive", "--format", "json"], &[("--data", &data)])));
    let unchanged = rest["sessions"].as_array().expect("sessions").iter().filter(|s| s["state"] == "unchanged").count();
    assert_eq!(unchanged, kept);
    let _ = std::io::stderr().flush();
}

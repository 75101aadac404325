//! A CAN database, made into a rig by the real program, decodes as the PyPI package cantools decodes it.

use std::{collections::BTreeMap, fmt::Write as _, fs::File, process::Command};

use arrow::array::AsArray as _;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use tallywheel_schemas::{Domain, Table, Timestamp};
use tallywheel_tests::{Bench, data, peer, python, run};

/// Frames sent of each message.
const FRAMES: usize = 400;
const START: &str = "2026-10-05T08:30:00Z";
/// Identifier, extended, CAN FD, bytes.
const MESSAGES: [(u32, bool, bool, usize); 8] = [
    (784, false, false, 8),
    (785, false, false, 8),
    (0x18FF_5011, true, false, 8),
    (0x18FF_5211, true, false, 8),
    (1312, false, true, 64),
    (0x18FF_5311, true, true, 24),
    (786, false, false, 8),
    (787, false, false, 8),
];

struct Sent {
    id: u32,
    extended: bool,
    fd: bool,
    data: Vec<u8>,
}

fn random_frames() -> Vec<Sent> {
    let mut random = ChaCha8Rng::seed_from_u64(20_261_005);
    let mut frames = Vec::new();
    for _ in 0..FRAMES {
        for (id, extended, fd, length) in MESSAGES {
            let mut data: Vec<u8> = (0..length).map(|_| random.random()).collect();
            if id == 787 {
                // The only selection that the database describes whole: outer 1, inner 2.
                data[0] = 0x21;
            }
            frames.push(Sent { id, extended, fd, data });
        }
    }
    frames
}

/// As an adapter writes them, one a millisecond. Written out here, for the simulator's encoder has no FD frames.
fn slcan(frames: &[Sent]) -> String {
    let mut text = String::new();
    for (i, frame) in frames.iter().enumerate() {
        let kind = match (frame.fd, frame.extended) {
            (false, false) => 't',
            (false, true) => 'T',
            (true, false) => 'd',
            (true, true) => 'D',
        };
        let code = match frame.data.len() {
            24 => 'C',
            64 => 'F',
            _ => '8',
        };
        let digits = if frame.extended { 8 } else { 3 };
        write!(text, "{kind}{:0digits$X}{code}", frame.id).expect("a string takes it");
        frame.data.iter().for_each(|b| write!(text, "{b:02X}").expect("a string takes it"));
        write!(text, "{i:04X}\r").expect("a string takes it");
    }
    text
}

/// The `aux` table by frame (from its time) and channel.
fn decoded(bench: &Bench) -> BTreeMap<(usize, String), f64> {
    let ledger = bench.ledgers().pop().expect("a session");
    let record = ledger.session.manifest.file(Table::Decoded(Domain::Aux)).expect("aux").clone();
    let file = File::open(bench.dataset().join(record.path)).expect("the table");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet").build().expect("Parquet");
    let start = Timestamp::parse(START, 0).expect("a time").as_us();
    let mut rows = BTreeMap::new();
    for batch in reader {
        let batch = batch.expect("a readable batch");
        let column = |name: &str| batch.column_by_name(name).expect("the column");
        let times = column("t_us").as_primitive::<arrow::datatypes::Int64Type>();
        let channels = column("channel").as_dictionary::<arrow::datatypes::Int32Type>();
        let names = channels.values().as_string::<i32>();
        let values = column("value").as_primitive::<arrow::datatypes::Float64Type>();
        for i in 0..batch.num_rows() {
            let frame = (times.value(i) - start) / 1000;
            let channel = names.value(channels.keys().value(i) as usize).to_owned();
            let earlier = rows.insert((frame as usize, channel), values.value(i));
            assert!(earlier.is_none(), "a frame gives a channel once");
        }
    }
    rows
}

/// Random frames of every message: each value that cantools finds is in our `aux` table within 1e-9, unless it lies
/// outside the range that the database states, and nothing else is.
#[test]
fn a_database_decodes_as_cantools_decodes_it() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let (database, rig) = (data().join("database/skerry-kit.dbc"), bench.path("rig.toml"));
    let args = ["rig", "--vehicle", "skerry-1", "--port", "kit-bus", "--bit-rate", "250000", "--format", "json"];
    let mut args: Vec<std::ffi::OsString> = args.map(Into::into).to_vec();
    args.extend(["--from-database".into(), database.clone().into(), "--out".into(), rig.clone().into()]);
    let made = run("tallywheel-logger", args);
    assert_eq!(
        made.status.code(),
        Some(1),
        "some signals are not taken over: {}",
        String::from_utf8_lossy(&made.stderr)
    );
    let listing: Value = serde_json::from_slice(&made.stdout).expect("JSON");

    let frames = random_frames();
    let capture = bench.write("kit.slcan", &slcan(&frames));
    bench.import(&rig, &[("kit-bus", &capture)], &["--start", START]);
    let rows = decoded(&bench);

    let hex = |data: &[u8]| data.iter().map(|b| format!("{b:02x}")).collect::<String>();
    let list: Vec<Value> =
        frames.iter().map(|f| json!({"id": f.id, "extended": f.extended, "data": hex(&f.data)})).collect();
    let list = bench.write("frames.json", &Value::from(list).to_string());
    let output =
        Command::new(python).arg(peer("dbc_values.py")).args([database, list]).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let theirs: Vec<Value> = serde_json::from_slice(&output.stdout).expect("JSON");
    compare(&listing, &theirs, rows);
}

/// Ranges that the database states more narrowly than the bits.
const NARROW: [(&str, f64, f64); 2] = [("Charge", 0.0, 100.0), ("Wall", 0.0, 3000.0)];

fn compare(listing: &Value, theirs: &[Value], mut rows: BTreeMap<(usize, String), f64>) {
    let (mut compared, mut outside, mut refused) = (0, 0, 0);
    for (i, frame) in theirs.iter().enumerate() {
        for (signal, value) in frame["values"].as_object().expect("every selection is described") {
            let signals = listing["signals"].as_array().expect("signals");
            let listed = signals.iter().find(|s| s["message"] == frame["message"] && s["signal"] == signal.as_str());
            let Some(channel) = listed.expect("every signal is listed")["channel"].as_str() else {
                refused += 1;
                continue;
            };
            let value = value.as_f64().expect("a number");
            let ours = rows.remove(&(i, channel.to_owned()));
            let out = |(name, min, max): &(&str, f64, f64)| name == signal && !(*min..=*max).contains(&value);
            if NARROW.iter().any(out) {
                assert_eq!(ours, None, "frame {i}, {signal}: {value} is out of range");
                outside += 1;
                continue;
            }
            let ours = ours.unwrap_or_else(|| panic!("frame {i}, {signal}: no value, cantools has {value}"));
            assert!((ours - value).abs() <= 1e-9 * value.abs().max(1.0), "frame {i}, {signal}: {ours} is not {value}");
            compared += 1;
        }
    }
    assert!(rows.is_empty(), "values that cantools does not have: {:?}", rows.iter().take(5).collect::<Vec<_>>());
    // Real, Inner and Deep are beyond a rig; everything else is compared, 29.1 values a round on average.
    assert_eq!(refused, 3 * FRAMES);
    assert!(compared > 28 * FRAMES && outside > FRAMES / 10, "{compared} compared, {outside} outside");
}

//! What instruments put on the wire, read by us and by Python packages that share no code with ours: pynmea2 for
//! sentences, python-can for slcan lines.

use std::{fs, process::Command};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use tallywheel_logger::{
    decode::sentence::{Sentence, parse},
    framing::SlcanFramer,
    message::Message,
};
use tallywheel_sample_logs::{
    sensors::Fix,
    wire::{nmea, slcan},
};
use tallywheel_schemas::{Timestamp, units::M_S_PER_KNOT};
use tallywheel_tests::{Bench, peer, python, sample_logs};

/// Sentences of the NOAA ATOMIC 2020 ship GPS raw file (read), and the classic tutorial examples (from memory).
const PUBLISHED: [&str; 8] = [
    "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B",
    "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E",
    "$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C",
    "$GPVTG,70.52,T,87.27,M,10.17,N,18.83,K,D*29",
    "$GPRMC,060000.00,A,1353.25162451,N,05445.30213512,W,10.17,70.52,080220,16.8,W,D*05",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
];

fn close(found: Option<f64>, expected: &Value, what: &str) {
    match (found, expected.as_f64()) {
        (None, None) => {}
        (Some(found), Some(expected)) if (found - expected).abs() <= 1e-9 * expected.abs().max(1.0) => {}
        _ => panic!("{what}: {found:?} is not {expected}"),
    }
}

/// Sentences of fixes all over the world and of none, as the simulated receiver writes them.
fn generated() -> String {
    let mut random = ChaCha8Rng::seed_from_u64(20_261_005);
    let start = Timestamp::parse("2026-10-05T08:30:00Z", 0).expect("a time");
    let mut text = String::new();
    for i in 0..1000_i64 {
        let fix = Fix {
            lat_deg: random.random_range(-90.0..90.0),
            lon_deg: random.random_range(-180.0..180.0),
            alt_m: random.random_range(-400.0..5000.0),
            speed_m_s: random.random_range(0.0..60.0),
            course_deg: random.random_range(0.0..360.0),
            satellites: random.random_range(4..12),
        };
        let fix = (i % 10 != 9).then_some(&fix);
        text += &nmea::sentences(start.plus_us(i * 86_517_230_000), fix);
    }
    text
}

/// pynmea2 reads the same position, altitude, speed, quality, date and time from every sentence.
#[test]
fn sentences_say_to_us_what_they_say_to_pynmea2() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let text = PUBLISHED.join("\r\n") + "\r\n" + &generated();
    let file = bench.write("sentences.nmea", &text);
    let output = Command::new(python).arg(peer("nmea_values.py")).arg(file).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let theirs: Vec<Value> = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(theirs.len(), PUBLISHED.len() + 3000);
    for (line, theirs) in text.lines().zip(&theirs) {
        compare(line, theirs);
    }
}

fn compare(line: &str, theirs: &Value) {
    let position = |found: Option<(f64, f64)>, fixed: bool| {
        // A receiver without a fix may repeat an old position; we do not believe it.
        if fixed {
            close(found.map(|p| p.0), &theirs["lat"], line);
            close(found.map(|p| p.1), &theirs["lon"], line);
        } else {
            assert_eq!(found, None, "{line}");
        }
    };
    let speed = theirs["knots"].as_f64().map(|knots| json!(knots * M_S_PER_KNOT)).unwrap_or_default();
    match (parse(line).expect("a sentence that we read"), theirs["type"].as_str()) {
        (Sentence::Rmc(rmc), Some("RMC")) => {
            assert_eq!(rmc.valid, theirs["valid"], "{line}");
            position(rmc.position, rmc.valid);
            close(rmc.speed_m_s, &speed, line);
            assert_eq!(rmc.date.expect("a date").to_string(), theirs["date"], "{line}");
            let time = rmc.time.expect("a time").format("%H:%M:%S%.6f").to_string();
            assert_eq!(time, theirs["time"], "{line}");
        }
        (Sentence::Gga(gga), Some("GGA")) => {
            assert_eq!(gga.quality.map(u64::from), theirs["quality"].as_u64(), "{line}");
            position(gga.position, gga.quality > Some(0));
            close(gga.altitude_m, &theirs["alt"], line);
        }
        (Sentence::Vtg(ours), Some("VTG")) => close(ours, &speed, line),
        (ours, theirs) => panic!("{line}: {ours:?} is not {theirs:?}"),
    }
}

fn hex(data: &[u8]) -> String {
    data.iter().map(|b| format!("{b:02x}")).collect()
}

/// Has python-can read the bytes and gives its frames.
fn read_by_python_can(bytes: &[u8], count: usize) -> Option<Vec<Value>> {
    let python = python()?;
    let bench = Bench::new();
    let file = bench.path("bytes.slcan");
    fs::write(&file, bytes).expect("room");
    let output = Command::new(python)
        .arg(peer("slcan_reader.py"))
        .arg(file)
        .arg(count.to_string())
        .output()
        .expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let report: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    // S5 is 250 kbit/s; python-can opens with O and ours with L, for python-can means to transmit as well.
    assert!(
        report["opening"].as_str().is_some_and(|o| o.contains("S5\r") && o.ends_with("O\r")),
        "{}",
        report["opening"]
    );
    assert_eq!(report["extra"], false, "no frame beyond those sent");
    Some(report["frames"].as_array().expect("frames").clone())
}

/// Random frames, encoded by the simulator with and without time stamps, come out of python-can equal.
#[test]
fn frames_that_the_simulator_writes_come_out_of_python_can_equal() {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let (mut bytes, mut sent) = (Vec::new(), Vec::new());
    for i in 0..3000_u64 {
        let (extended, remote) = (random.random_bool(0.4), random.random_bool(0.1));
        let id = random.random_range(0..if extended { 1 << 29 } else { 1 << 11 });
        let frame = slcan::Frame { id, extended, remote, length: random.random_range(0..=8), data: random.random() };
        slcan::line(&mut bytes, &frame, (i % 2 == 0).then_some(i * 37));
        let data = if remote { &[][..] } else { &frame.data[..usize::from(frame.length)] };
        sent.push(json!({"id": id, "extended": extended, "remote": remote, "fd": false, "data": hex(data)}));
    }
    let Some(read) = read_by_python_can(&bytes, sent.len()) else { return };
    same(&read, &sent);
}

/// A committed capture of the kit's bus gives python-can the frames that it gives us.
#[test]
fn a_capture_says_to_us_what_it_says_to_python_can() {
    let bytes = fs::read(sample_logs().join("captures/charging/kit-bus.slcan")).expect("a capture");
    let mut framer = SlcanFramer::new();
    framer.received(&bytes);
    let ours: Vec<Value> = std::iter::from_fn(|| framer.next())
        .map(|framed| match framed.message {
            Message::Frame(f) => json!({
                "id": f.id, "extended": f.extended, "remote": f.remote, "fd": f.fd_flags.is_some(), "data": hex(f.data()),
            }),
            other => panic!("only frames: {other:?}"),
        })
        .collect();
    assert!(ours.len() > 900);
    let Some(read) = read_by_python_can(&bytes, ours.len()) else { return };
    same(&read, &ours);
}

fn same(read: &[Value], sent: &[Value]) {
    assert_eq!(read.len(), sent.len());
    for (i, (read, sent)) in read.iter().zip(sent).enumerate() {
        assert_eq!(read, sent, "frame {i}");
    }
}

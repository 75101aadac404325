//! A recorder that is killed loses nothing that was synced, and recovery yields a normal session.

use std::{
    fs::File,
    io::{Read as _, Write as _},
    os::fd::AsRawFd as _,
    process::{Command, Stdio},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use arrow::array::{Array as _, AsArray as _};
use nix::{pty::openpty, sys::termios, unistd::ttyname};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tallywheel_schemas::manifest::Origin;
use tallywheel_tests::{Bench, program, run};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 0\nlength = 32\n";

/// How long after arrival a frame may still be unsynced: a batch of 250 ms, and a slow disk's sync.
const GRACE: Duration = Duration::from_millis(750);

/// Speaks numbered frames onto a pseudo-terminal until told to stop; gives the time each was written.
fn speak(mut adapter: File, stop: &AtomicBool) -> Vec<Instant> {
    let mut sent = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        let number = u32::try_from(sent.len()).expect("few frames");
        let line = format!("t3104{}\r", number.to_le_bytes().map(|b| format!("{b:02X}")).concat());
        if adapter.write_all(line.as_bytes()).is_err() {
            break;
        }
        sent.push(Instant::now());
        thread::sleep(Duration::from_millis(1));
    }
    sent
}

/// The numbers in the `frames` table of the only session.
fn recorded_numbers(bench: &Bench) -> Vec<u32> {
    let ledger = bench.ledgers().pop().expect("a session");
    let manifest = &ledger.session.manifest;
    assert_eq!(manifest.origin, Origin::Recovered);
    let record = manifest.file(tallywheel_schemas::Table::Frames).expect("frames");
    let file = File::open(bench.dataset().join(&record.path)).expect("the table");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet").build().expect("Parquet");
    let mut numbers = Vec::new();
    for batch in reader {
        let batch = batch.expect("a readable batch");
        let data = batch.column_by_name("data").expect("the column").as_binary::<i32>();
        for i in 0..data.len() {
            numbers.push(u32::from_le_bytes(data.value(i).try_into().expect("four bytes")));
        }
    }
    numbers
}

#[test]
fn kill_9_loses_no_synced_frame() {
    let bench = Bench::new();
    let rig = bench.write("rig.toml", RIG);
    for (round, run_for) in [700_u64, 1300, 2100].into_iter().enumerate() {
        let bench = if round == 0 { &bench } else { &Bench::new() };
        let pty = openpty(None, None).expect("a pseudo-terminal");
        let device = ttyname(&pty.slave).expect("its name");
        let mut raw = termios::tcgetattr(&pty.slave).expect("attributes");
        termios::cfmakeraw(&mut raw);
        termios::tcsetattr(&pty.slave, termios::SetArg::TCSANOW, &raw).expect("attributes");
        let mut recorder = Command::new(program("tallywheel-logger"))
            .args(["record", "--rig"])
            .arg(&rig)
            .arg("--data")
            .arg(bench.dataset())
            .args(["--device", &format!("kit-bus={}", device.display())])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the recorder starts");
        let mut adapter = File::from(pty.master);
        // The recorder opens the adapter with a command ending in L; only then does a bus have anything to say.
        let mut opening = Vec::new();
        let mut byte = [0_u8; 64];
        while !opening.ends_with(b"L\r") {
            let n = adapter.read(&mut byte).expect("the recorder opens the adapter");
            opening.extend_from_slice(&byte[..n]);
        }
        assert!(opening.windows(3).any(|w| w == b"S5\r"), "{}", String::from_utf8_lossy(&opening));
        let stop = Arc::new(AtomicBool::new(false));
        let speaker = {
            let (adapter, stop) = (adapter.try_clone().expect("a handle"), Arc::clone(&stop));
            thread::spawn(move || speak(adapter, &stop))
        };
        thread::sleep(Duration::from_millis(run_for));
        recorder.kill().expect("SIGKILL");
        let killed = Instant::now();
        recorder.wait().expect("it is gone");
        stop.store(true, Ordering::Relaxed);
        let sent = speaker.join().expect("the speaker ends");
        assert!(pty.slave.as_raw_fd() >= 0, "the terminal stays open until here");

        let recovered = run("tallywheel-logger", ["recover".as_ref(), "--data".as_ref(), bench.dataset().as_os_str()]);
        assert_ne!(recovered.status.code(), Some(2), "{}", String::from_utf8_lossy(&recovered.stderr));
        let numbers = recorded_numbers(bench);
        let safe = sent.iter().filter(|t| **t + GRACE < killed).count();
        assert!(numbers.len() >= safe, "{} of {safe} synced frames came back", numbers.len());
        let expected: Vec<u32> = (0..).take(numbers.len()).collect();
        assert!(numbers == expected, "what came back is an exact prefix of what was sent");
        let again = run("tallywheel-logger", ["recover".as_ref(), "--data".as_ref(), bench.dataset().as_os_str()]);
        assert_eq!(again.status.code(), Some(0), "recovering twice changes nothing");
        assert_eq!(recorded_numbers(bench).len(), numbers.len());
    }
}

//! The real recorder on real wires: pseudo-terminals and TCP connections on this computer.

use std::{
    collections::BTreeSet,
    fs,
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    path::Path,
    process::Command,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, AtomicU16, Ordering},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use arrow::{array::AsArray as _, datatypes::Float64Type};
use nix::sys::signal::Signal;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde_json::Value;
use tallywheel_schemas::{Domain, Table, manifest::GapCause};
use tallywheel_tests::{
    Bench,
    faults::{
        recorder::{Ended, Recorder},
        sealed::{Sealed, sessions},
        terminal::Terminal,
    },
    obd_ecu::ObdEcu,
    program,
};

/// Longer than anything takes, even on a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);

/// Starts the recorder on a bench's dataset.
fn record(bench: &Bench, rig: &str, more: &[&str]) -> Recorder {
    let rig = bench.write("rig.toml", rig);
    let mut command = Command::new(program("tallywheel-logger"));
    command.arg("record").arg("--rig").arg(rig).arg("--data").arg(bench.dataset()).args(more);
    Recorder::start(command).expect("the recorder")
}

/// Ends it as Ctrl-C does.
fn end(recorder: Recorder) -> Ended {
    recorder.signal(Signal::SIGINT).expect("a signal");
    recorder.wait(PATIENCE).expect("an end")
}

/// Waits until something is so.
fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !holds() {
        assert!(Instant::now() < until, "never: {what}");
        thread::sleep(Duration::from_millis(10));
    }
}

fn logger(args: &[&str], data: &Path) -> (Option<i32>, String, String) {
    let mut command = Command::new(program("tallywheel-logger"));
    let output = command.args(args).arg("--data").arg(data).output().expect("the logger");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

fn entries(session: &Sealed, kind: &str) -> Vec<String> {
    session.events.iter().filter(|e| e.kind == kind).map(|e| e.text.clone()).collect()
}

/// Values of a decoded channel, nulls left out.
fn decoded(bench: &Bench, session: &Sealed, domain: Domain, column: &str) -> Vec<f64> {
    let record = session.manifest.file(Table::Decoded(domain)).expect("the decoded table");
    let file = fs::File::open(bench.dataset().join(&record.path)).expect("the file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("parquet").build().expect("parquet");
    reader
        .flat_map(|batch| {
            let batch = batch.expect("a batch");
            let values = batch.column_by_name(column).expect("the column").as_primitive::<Float64Type>().clone();
            values.iter().flatten().collect::<Vec<_>>()
        })
        .collect()
}

/// An adapter with a control unit behind it. It keeps every line that it was told.
struct Adapter {
    told: Arc<Mutex<Vec<String>>>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Adapter {
    fn start(mut terminal: Terminal, mut ecu: ObdEcu) -> Self {
        let (told, stop) = (Arc::new(Mutex::new(Vec::new())), Arc::new(AtomicBool::new(false)));
        let (heard, stopped) = (Arc::clone(&told), Arc::clone(&stop));
        let thread = thread::spawn(move || {
            let mut line = Vec::new();
            while !stopped.load(Ordering::Relaxed) {
                for byte in terminal.heard().expect("a terminal") {
                    line.push(byte);
                    if byte == b'\r' {
                        heard.lock().expect("no panic").push(String::from_utf8_lossy(&line).trim_end().to_owned());
                        terminal.write(&ecu.answer(&line), &stopped).expect("a terminal");
                        line.clear();
                    }
                }
            }
        });
        Self { told, stop, thread }
    }

    fn told(&self) -> Vec<String> {
        self.told.lock().expect("no panic").clone()
    }

    fn finish(self) -> Vec<String> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("no panic");
        Arc::into_inner(self.told).expect("the thread is over").into_inner().expect("no panic")
    }
}

fn transmits(line: &str) -> bool {
    line.starts_with(['t', 'T', 'r', 'R', 'd', 'D', 'b', 'B'])
}

fn obd_rig(device: &Path, transmit: bool) -> String {
    let allowed = if transmit { "transmit = true\nlisten_only = false\n" } else { "" };
    format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n{allowed}\
         device = \"{}\"\n[[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"bus\"\npid = 0x0C\nevery_s = 0.1\n\
         [[signal]]\nchannel = \"engine.coolant_c\"\nport = \"bus\"\npid = 0x05\nevery_s = 0.2\n",
        device.display()
    )
}

/// Scalings of SAE J1979: speed (256 A + B)/4 1/min, coolant A − 40 °C.
#[test]
fn values_are_asked_for_where_the_rig_says_so_and_announced() {
    let bench = Bench::new();
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let rig = obd_rig(terminal.device(), true);
    let adapter = Adapter::start(terminal, ObdEcu::new(0).value(0x0C, &[0x1A, 0xF8]).value(0x05, &[0x7B]));
    let recorder = record(&bench, &rig, &[]);
    wait_until("ten requests", || adapter.told().iter().filter(|line| transmits(line)).count() >= 10);
    let ended = end(recorder);
    let told = adapter.finish();
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    assert!(ended.stderr.contains("port `bus` TRANSMITS on the vehicle's bus"), "{}", ended.stderr);
    let sessions = sessions(&bench.dataset()).expect("sessions");
    let [session] = &sessions[..] else { panic!("one session") };
    let rpm = decoded(&bench, session, Domain::Engine, "speed_rpm");
    assert!(rpm.len() >= 4 && rpm.iter().all(|v| (v - 1726.0).abs() < 1e-9), "{rpm:?}");
    let coolant = decoded(&bench, session, Domain::Engine, "coolant_c");
    assert!(coolant.len() >= 2 && coolant.iter().all(|v| (v - 83.0).abs() < 1e-9), "{coolant:?}");
    // What was sent is in the record beside what was heard, frame for frame.
    let sent = told.iter().filter(|line| transmits(line)).count();
    let record = session.manifest.file(Table::Frames).expect("frames");
    let file = fs::File::open(bench.dataset().join(&record.path)).expect("the file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("parquet").build().expect("parquet");
    let directions: Vec<String> = reader
        .flat_map(|batch| {
            let batch = batch.expect("a batch");
            let column = batch.column_by_name("direction").expect("the column").clone();
            let text = arrow::compute::cast(&column, &arrow::datatypes::DataType::Utf8).expect("text");
            text.as_string::<i32>().iter().map(|v| v.unwrap_or("?").to_owned()).collect::<Vec<_>>()
        })
        .collect();
    let kinds: BTreeSet<&str> = directions.iter().map(String::as_str).collect();
    let recorded = directions.iter().filter(|d| d.as_str() == "tx").count();
    assert_eq!(recorded, sent, "{kinds:?}");
    assert!(directions.len() > recorded, "{kinds:?}");
}

#[test]
fn without_permission_a_request_is_refused_and_nothing_is_sent() {
    let bench = Bench::new();
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let device = terminal.device().to_owned();
    let adapter = Adapter::start(terminal, ObdEcu::new(0));
    let refused = record(&bench, &obd_rig(&device, false), &["--for", "2"]).wait(PATIENCE).expect("an end");
    assert_eq!(refused.code, Some(2));
    assert!(refused.stderr.contains("rig.toml:") && refused.stderr.contains("transmit = true"), "{}", refused.stderr);
    // The same port without anything to ask listens, and says nothing to the bus.
    let rig = obd_rig(&device, false);
    let (ports, _) = rig.split_once("[[signal]]").expect("signals");
    let ended = record(&bench, ports, &["--for", "1.5"]).wait(PATIENCE).expect("an end");
    let told = adapter.finish();
    assert!(told.iter().any(|line| line == "L"), "opened to listen only: {told:?}");
    assert!(!told.iter().any(|line| transmits(line) || line == "O"), "{told:?}");
    assert!(!ended.stderr.contains("TRANSMITS"), "{}", ended.stderr);
}

/// Checksum of Modbus RTU, bit by bit, as the specification of the serial line gives it.
fn modbus_crc(bytes: &[u8]) -> [u8; 2] {
    let mut crc = 0xFFFF_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 };
        }
    }
    crc.to_le_bytes()
}

/// Answers requests for one input register of unit 1 with a number that grows by one each time; other units are silent.
fn serve_meter(mut stream: TcpStream, count: &AtomicU16) {
    stream.set_read_timeout(Some(Duration::from_millis(100))).expect("a timeout");
    let mut waiting = Vec::new();
    let mut buffer = [0; 64];
    loop {
        match stream.read(&mut buffer) {
            Ok(0) => return,
            Ok(n) => waiting.extend_from_slice(&buffer[..n]),
            Err(e) if matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => continue,
            Err(_) => return,
        }
        while waiting.len() >= 8 {
            let request: Vec<u8> = waiting.drain(..8).collect();
            assert_eq!(request[6..], modbus_crc(&request[..6]), "a request with its checksum");
            if request[0] == 1 {
                let value = count.fetch_add(1, Ordering::Relaxed).to_be_bytes();
                let mut answer = vec![1, request[1], 2, value[0], value[1]];
                answer.extend(modbus_crc(&answer));
                if stream.write_all(&answer).is_err() {
                    return;
                }
            }
        }
    }
}

#[test]
fn a_meter_behind_a_device_server_loses_nothing_at_the_seams() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let count = Arc::new(AtomicU16::new(0));
    let served = Arc::clone(&count);
    let server = thread::spawn(move || serve_meter(listener.accept().expect("the recorder").0, &served));
    let bench = Bench::new();
    let signal = |channel: &str, unit: u8| {
        format!(
            "[aux.{channel}]\nunit = \"1\"\nmin = 0\nmax = 65535\n[[signal]]\nchannel = \"{channel}\"\nport = \"meter\"\n\
             unit_id = {unit}\nregister = 7\nregister_kind = \"input\"\nformat = \"u16\"\nevery_s = 0.1\n"
        )
    };
    let rig = format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n\
         baud = 115200\ndevice = \"tcp://{address}\"\n{}{}",
        signal("count", 1),
        signal("silent", 9)
    );
    let recorder = record(&bench, &rig, &["--rotate", "2"]);
    wait_until("two sealed sessions", || sessions(&bench.dataset()).is_ok_and(|s| s.len() >= 2));
    let ended = end(recorder);
    server.join().expect("the server");
    let sessions = sessions(&bench.dataset()).expect("sessions");
    let told = |s: &Sealed| s.events.iter().any(|e| e.text.contains("Modbus unit 9 does not answer"));
    assert!(sessions.iter().any(told), "{}", ended.stderr);
    assert!(sessions.len() >= 3, "{} sessions", sessions.len());
    let values: Vec<f64> = sessions.iter().flat_map(|s| aux(&bench, s, "count")).collect();
    let expected: Vec<f64> = (0..count.load(Ordering::Relaxed)).map(f64::from).collect();
    // The last answer may have been on its way when the recorder was told to end.
    assert!(values == expected || values[..] == expected[..expected.len() - 1], "{values:?} of {}", expected.len());
    assert!(sessions.iter().all(|s| aux(&bench, s, "silent").is_empty()));
}

/// Values of a channel of the rig's own.
fn aux(bench: &Bench, session: &Sealed, channel: &str) -> Vec<f64> {
    let Some(record) = session.manifest.file(Table::Decoded(Domain::Aux)) else { return Vec::new() };
    let file = fs::File::open(bench.dataset().join(&record.path)).expect("the file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("parquet").build().expect("parquet");
    let mut found = Vec::new();
    for batch in reader.map(|b| b.expect("a batch")) {
        let names = batch.column_by_name("channel").expect("the column");
        let names = arrow::compute::cast(names, &arrow::datatypes::DataType::Utf8).expect("text");
        let values = batch.column_by_name("value").expect("the column").as_primitive::<Float64Type>();
        let both = names.as_string::<i32>().iter().zip(values.iter());
        found.extend(both.filter(|(name, _)| *name == Some(channel)).filter_map(|(_, value)| value));
    }
    found
}

#[test]
fn a_device_server_that_hangs_up_is_called_again_and_the_gap_is_stated() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let bench = Bench::new();
    let rig = format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n\
         device = \"tcp://{address}\"\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"bus\"\nid = 0x310\n\
         start_bit = 0\nlength = 16\nscale = 0.1\nmax_gap_s = 0.5\n"
    );
    let recorder = record(&bench, &rig, &[]);
    let speak = |stream: &mut TcpStream, from: u16, to: u16| {
        for number in from..to {
            let [high, low] = (900 + number).to_le_bytes();
            stream.write_all(format!("t3108{high:02X}{low:02X}000000000000\r").as_bytes()).expect("a connection");
            thread::sleep(Duration::from_millis(10));
        }
    };
    let open = |stream: &mut TcpStream| {
        stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
        let mut said = Vec::new();
        while !said.ends_with(b"L\r") {
            let mut byte = [0];
            assert_eq!(stream.read(&mut byte).expect("the recorder opens the adapter"), 1);
            said.push(byte[0]);
        }
    };
    let (mut stream, _) = listener.accept().expect("the recorder");
    open(&mut stream);
    speak(&mut stream, 0, 80);
    // Hung up once all is read.
    thread::sleep(Duration::from_millis(300));
    drop(stream);
    let gone = Instant::now();
    thread::sleep(Duration::from_millis(1200));
    let (mut stream, _) = listener.accept().expect("the recorder again");
    open(&mut stream);
    let away_s = gone.elapsed().as_secs_f64();
    speak(&mut stream, 80, 160);
    thread::sleep(Duration::from_millis(300));
    let ended = end(recorder);
    assert_eq!(ended.code, Some(1), "a gap is a fault that is stated: {}", ended.stderr);
    let sessions = sessions(&bench.dataset()).expect("sessions");
    let [session] = &sessions[..] else { panic!("one session") };
    let volts = decoded(&bench, session, Domain::Pack, "voltage_v");
    let expected: Vec<f64> = (0..160).map(|n| f64::from(900 + n) * 0.1).collect();
    assert!(volts.len() == 160 && volts.iter().zip(&expected).all(|(a, b)| (a - b).abs() < 1e-9), "{volts:?}");
    let [gap] = &session.manifest.gaps[..] else { panic!("one gap: {:?}", session.manifest.gaps) };
    assert_eq!((gap.cause, gap.port.as_str()), (GapCause::Disconnected, "bus"));
    let length_s = gap.length_s().expect("a gap with an end");
    assert!((away_s - 0.5..away_s + 1.0).contains(&length_s), "{length_s} s stated, {away_s} s away");
    assert!(ended.stdout.contains("bus") && ended.stdout.contains("gap"), "{}", ended.stdout);
}

const TEXT_PORT: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"box\"\nkind = \"text\"\n\
    columns = [\"volts\"]\n";
const VOLTS: &str = "[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"box\"\ncolumn = \"volts\"\nmax_gap_s = 0.5\n";

/// A text instrument that says a voltage fifty times a second while it is not told to be silent.
struct Voltmeter {
    is_silent: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Voltmeter {
    fn start(mut terminal: Terminal) -> Self {
        let (is_silent, stop) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let (silent, stopped) = (Arc::clone(&is_silent), Arc::clone(&stop));
        let thread = thread::spawn(move || {
            let mut tenths = 950;
            while !stopped.load(Ordering::Relaxed) {
                if !silent.load(Ordering::Relaxed) {
                    tenths = 950 + (tenths + 1) % 100;
                    let line = format!("{}.{}\n", tenths / 10, tenths % 10);
                    terminal.write(line.as_bytes(), &stopped).expect("a terminal");
                }
                thread::sleep(Duration::from_millis(20));
            }
        });
        Self { is_silent, stop, thread }
    }

    fn finish(self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("no panic");
    }
}

#[test]
fn check_says_ready_or_what_to_fix_and_leaves_nothing() {
    let bench = Bench::new();
    fs::create_dir_all(bench.dataset()).expect("a directory");
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let rig = format!("{TEXT_PORT}device = \"{}\"\n{VOLTS}", terminal.device().display());
    let rig = bench.write("rig.toml", &rig);
    let rig = rig.to_str().expect("a plain name");
    let meter = Voltmeter::start(terminal);
    let (code, stdout, stderr) = logger(&["check", "--rig", rig, "--for", "1.5"], &bench.dataset());
    assert_eq!(code, Some(0), "{stdout}{stderr}");
    assert!(stdout.trim_end().ends_with("ready") && stdout.contains("pack.voltage_v"), "{stdout}");
    let (code, stdout, _) = logger(&["check", "--rig", rig, "--for", "1.5", "--format", "json"], &bench.dataset());
    let said: Value = serde_json::from_str(&stdout).expect("JSON");
    assert_eq!((code, said["is_ready"].as_bool()), (Some(0), Some(true)), "{said}");
    meter.is_silent.store(true, Ordering::Relaxed);
    thread::sleep(Duration::from_millis(100));
    let (code, stdout, _) = logger(&["check", "--rig", rig, "--for", "1.5"], &bench.dataset());
    meter.finish();
    assert_eq!(code, Some(1), "{stdout}");
    assert!(stdout.contains("box") && !stdout.trim_end().ends_with("\nready"), "{stdout}");
    let left: Vec<_> = fs::read_dir(bench.dataset()).expect("the dataset").flatten().map(|e| e.path()).collect();
    assert!(left.is_empty(), "{left:?}");
}

/// One request to the live page and its whole answer.
fn ask(address: &str, request: &str, headers: &str, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).expect("the page");
    stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
    let length = body.len();
    write!(
        stream,
        "{request} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Type: application/json\r\n\
         Content-Length: {length}\r\n{headers}\r\n{body}"
    )
    .expect("a request");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("an answer");
    let status = answer.split(' ').nth(1).and_then(|s| s.parse().ok()).expect("a status");
    let body = answer.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default();
    (status, body)
}

/// The address that the recorder printed, with the token where there is one.
fn printed_address(recorder: &Recorder) -> (String, Option<String>) {
    recorder.wait_said("http://", PATIENCE).expect("an address");
    let said = recorder.said();
    let after = said.split("http://").nth(1).expect("an address");
    let url: String = after.chars().take_while(|c| !c.is_whitespace()).collect();
    let (host, rest) = url.split_once('/').unwrap_or((&url, ""));
    (host.to_owned(), rest.split_once("token=").map(|(_, token)| token.to_owned()))
}

#[test]
fn the_live_page_shows_marks_and_runs_of_the_real_recorder() {
    let bench = Bench::new();
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let rig = format!("{TEXT_PORT}device = \"{}\"\n{VOLTS}", terminal.device().display());
    let meter = Voltmeter::start(terminal);
    let recorder = record(&bench, &rig, &["--live", "127.0.0.1:0"]);
    let (address, token) = printed_address(&recorder);
    assert_eq!(token, None, "none is needed on this computer");
    let snapshot = || serde_json::from_str::<Value>(&ask(&address, "GET /snapshot", "", "").1).expect("JSON");
    let volts = || {
        let snapshot = snapshot();
        let channels = snapshot["channels"].as_array().cloned().unwrap_or_default();
        channels.into_iter().find(|c| c["channel"] == "pack.voltage_v").and_then(|c| c["value"].as_f64())
    };
    let seen = std::cell::RefCell::new(BTreeSet::new());
    wait_until("five different values", || {
        seen.borrow_mut().extend(volts().map(|v| (v * 10.0).round() as i64));
        seen.borrow().len() >= 5
    });
    assert!(seen.borrow().iter().all(|v| (950..1050).contains(v)), "{seen:?}");
    let (status, body) = ask(&address, "POST /mark", "", r#"{"text": "bump by the slipway", "who": "TM"}"#);
    assert_eq!(status, 200, "{body}");
    let sheet = r#"{"sheet": {"run": "hl-01", "route": "harbour loop", "condition": "assist", "driver": "E. T.",
        "payload_kg": 210.0, "fuel_mass_before_kg": 21.35}, "who": "TM"}"#;
    assert_eq!(ask(&address, "POST /run/start", "", sheet).0, 200);
    // Another terminal speaks to the same recorder.
    let (code, _, stderr) = logger(&["mark", "from another terminal"], &bench.dataset());
    assert_eq!(code, Some(0), "{stderr}");
    meter.is_silent.store(true, Ordering::Relaxed);
    wait_until("an alarm of the silent port", || snapshot()["alarms"].to_string().contains("silent"));
    meter.is_silent.store(false, Ordering::Relaxed);
    wait_until("no alarm any more", || !snapshot()["alarms"].to_string().contains("silent"));
    let (status, body) = ask(&address, "POST /run/stop", "", r#"{"fuel_mass_after_kg": 20.91, "who": "TM"}"#);
    assert_eq!(status, 200, "{body}");
    let ended = end(recorder);
    meter.finish();
    let sessions = sessions(&bench.dataset()).expect("sessions");
    assert_eq!(sessions.len(), 3, "before, during and after the run: {}", ended.stderr);
    let marks: Vec<String> = sessions.iter().flat_map(|s| entries(s, "marker")).collect();
    assert!(marks.iter().any(|m| m.contains("bump by the slipway")), "{marks:?}");
    let run = sessions.iter().find(|s| s.manifest.run.is_some()).expect("a run");
    assert!(entries(run, "marker").iter().any(|m| m.contains("from another terminal")), "{:?}", run.events);
    let sheet = run.manifest.run.as_ref().expect("its sheet");
    assert_eq!((sheet.run.as_str(), sheet.fuel_mass_before_kg), ("hl-01", Some(21.35)));
    // What was weighed after the run is known when its session is sealed, or is a correction of it.
    let corrections = bench.dataset().join("corrections/vehicle=skerry-1");
    let correction = fs::read_to_string(corrections.join(format!("{}.jsonl", run.manifest.session)));
    let known = sheet.fuel_mass_after_kg == Some(20.91) || correction.is_ok_and(|text| text.contains("20.91"));
    assert!(known, "{sheet:?}");
}

#[test]
fn beyond_this_computer_the_recorder_wants_its_token() {
    let bench = Bench::new();
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let rig = format!("{TEXT_PORT}device = \"{}\"\n{VOLTS}", terminal.device().display());
    let meter = Voltmeter::start(terminal);
    let recorder = record(&bench, &rig, &["--live", "0.0.0.0:0"]);
    let (address, token) = printed_address(&recorder);
    let token = token.expect("a token");
    let port = address.rsplit(':').next().expect("a port");
    let address = format!("127.0.0.1:{port}");
    assert_eq!(ask(&address, "GET /snapshot", "", "").0, 401);
    assert_eq!(ask(&address, "POST /mark", "", r#"{"text": "x"}"#).0, 401);
    assert_eq!(ask(&address, "GET /snapshot", &format!("Authorization: Bearer {token}\r\n"), "").0, 200);
    end(recorder);
    meter.finish();
    let sessions = sessions(&bench.dataset()).expect("sessions");
    assert!(sessions.iter().all(|s| entries(s, "marker").is_empty()), "the refused mark is nowhere");
}

#[test]
fn status_reads_and_corrections_append() {
    let bench = Bench::new();
    let terminal = Terminal::open().expect("a pseudo-terminal");
    let rig = format!("{TEXT_PORT}device = \"{}\"\n{VOLTS}", terminal.device().display());
    let meter = Voltmeter::start(terminal);
    let sheet = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\npayload_kg = 200.0\n";
    let sheet = bench.write("run.toml", sheet);
    let recorder = record(&bench, &rig, &["--run-sheet", sheet.to_str().expect("a plain name")]);
    let status = || {
        let (_, stdout, stderr) = logger(&["status", "--format", "json"], &bench.dataset());
        serde_json::from_str::<Value>(&stdout).unwrap_or_else(|e| panic!("{e}: {stdout}{stderr}"))
    };
    recorder.wait_said("recording session", PATIENCE).expect("it records");
    wait_until("a session that is recorded", || status().to_string().contains("skerry-1"));
    let during = status();
    end(recorder);
    meter.finish();
    let after = status();
    assert_ne!(during["recording"], after["recording"], "{during} {after}");
    let sealed = sessions(&bench.dataset()).expect("sessions");
    let name = sealed[0].manifest.session.clone();
    let manifest = |bench: &Bench| sessions(&bench.dataset()).expect("sessions")[0].manifest.clone();
    let before = manifest(&bench);
    for (value, who) in [("payload_kg=210", "M. K."), ("payload_kg=215", "E. T.")] {
        let args = ["correct", "--session", &name, "--who", who, "--reason", "weighed again", "--set", value];
        let (code, _, stderr) = logger(&args, &bench.dataset());
        assert_eq!(code, Some(0), "{stderr}");
    }
    let refused = ["correct", "--session", &name, "--who", "X", "--reason", "r", "--set", "payload_kg=heavy"];
    assert_eq!(logger(&refused, &bench.dataset()).0, Some(2));
    assert_eq!(manifest(&bench), before, "the sealed manifest is as it was");
    let path = bench.dataset().join(format!("corrections/vehicle=skerry-1/{name}.jsonl"));
    let lines: Vec<String> = fs::read_to_string(path).expect("corrections").lines().map(str::to_owned).collect();
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[0].contains("M. K.") && lines[1].contains("E. T."), "{lines:?}");
}

//! A Modbus line whose units pymodbus plays: what the logger asks, hears and decodes against what is true there.

use std::{
    collections::BTreeMap,
    io::{BufRead, BufReader, Read, Write},
    net::{TcpListener, TcpStream},
    os::fd::AsFd,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use arrow::{
    array::{AsArray as _, RecordBatch},
    datatypes::{Float64Type, Int32Type},
};
use nix::{
    poll::{PollFd, PollFlags, PollTimeout, poll},
    pty::openpty,
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
};
use tallywheel_logger::{decode::Decoder, framing::Framer, message::Message, modbus::Poller};
use tallywheel_schemas::{Domain, Rig, TextFile, Timestamp};
use tallywheel_tests::python;

/// Long enough for fifteen requests of each group and a few to the silent unit.
const LENGTH: Duration = Duration::from_secs(3);

/// Name, unit, table, register, format, word order.
const SIGNALS: [(&str, u8, &str, u16, &str, &str); 13] = [
    ("f32", 1, "input", 0, "f32", "high_first"),
    ("u32", 1, "input", 2, "u32", "high_first"),
    ("i32", 1, "input", 4, "i32", "high_first"),
    ("u16", 1, "input", 6, "u16", ""),
    ("i16", 1, "input", 7, "i16", ""),
    ("f32_low", 1, "input", 8, "f32", "low_first"),
    ("u32_low", 1, "input", 10, "u32", "low_first"),
    ("i32_low", 1, "input", 12, "i32", "low_first"),
    ("not_a_number", 1, "input", 14, "f32", "high_first"),
    ("holding_u16", 1, "holding", 0, "u16", ""),
    ("other_u32", 2, "holding", 0x1234, "u32", "high_first"),
    ("refused", 1, "holding", 5000, "u16", ""),
    ("silent", 9, "input", 0, "u16", ""),
];

fn rig() -> Rig {
    let mut text = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\n\
                    transmit = true\nbaud = 115200\nparity = \"none\"\n"
        .to_owned();
    for (name, unit, table, register, format, order) in SIGNALS {
        let order = if order.is_empty() { String::new() } else { format!("word_order = \"{order}\"\n") };
        text.push_str(&format!(
            "[aux.{name}]\nunit = \"1\"\nmin = -1e10\nmax = 1e10\n[[signal]]\nchannel = \"{name}\"\nport = \"meter\"\n\
             unit_id = {unit}\nregister = {register}\nregister_kind = \"{table}\"\nformat = \"{format}\"\n{order}\
             every_s = 0.2\n"
        ));
    }
    Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig")
}

/// The peer, killed when the test is over.
struct Units(Child);

impl Units {
    /// Starts it; gives what is true.
    fn start(python: &Path, args: &[&str]) -> (Self, BTreeMap<String, f64>) {
        let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("peers/modbus_units.py");
        let mut child =
            Command::new(python).arg(script).args(args).stdout(Stdio::piped()).spawn().expect("python starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("piped")).read_line(&mut line).expect("a line");
        (Self(child), serde_json::from_str(&line).expect("JSON"))
    }
}

impl Drop for Units {
    fn drop(&mut self) {
        // It may have ended by itself, which the test notices by its silence.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What came of driving a line.
struct Heard {
    lines: Vec<(i64, String)>,
    bad: Vec<String>,
    events: Vec<String>,
}

/// How often the request was answered that was answered least often.
fn rounds(heard: &Heard) -> usize {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for (_, line) in heard.lines.iter().filter(|(_, line)| line.starts_with('>')) {
        *counts.entry(line).or_default() += 1;
    }
    counts.into_values().min().unwrap_or(0)
}

/// Drives the line as a port's task does, but with blocking input and output.
fn drive(rig: &Rig, mut wire: impl Read + Write + AsFd) -> Heard {
    let mut poller = Poller::new(rig, 0).expect("something to ask");
    let mut framer = Framer::new(&rig.ports[0]);
    let mut heard = Heard { lines: Vec::new(), bad: Vec::new(), events: Vec::new() };
    let began = Instant::now();
    // A busy machine gets as long as it takes, within reason.
    while began.elapsed() < LENGTH || (rounds(&heard) < 10 && began.elapsed() < LENGTH * 10) {
        if let Some(request) = poller.due(Timestamp::now()) {
            wire.write_all(&request).expect("the line takes a request");
            framer.sent(&request);
        }
        let wait = poller.next_at().map_or(0.05, |at| at.seconds_since(Timestamp::now()).clamp(0.001, 0.05));
        let timeout = PollTimeout::try_from(Duration::from_secs_f64(wait)).expect("short");
        let mut waiting = [PollFd::new(wire.as_fd(), PollFlags::POLLIN)];
        if poll(&mut waiting, timeout).expect("a line") > 0 {
            let mut bytes = [0; 7];
            let length = wire.read(&mut bytes).expect("readable");
            assert!(length > 0, "the peer is gone");
            framer.received(&bytes[..length]);
        }
        let now = Timestamp::now();
        while let Some(framed) = framer.next() {
            poller.heard(now, &framed.message);
            match framed.message {
                Message::Line(text) => heard.lines.push((now.as_us(), text)),
                other => heard.bad.push(format!("{other:?}")),
            }
        }
        heard.events.extend(poller.take_events());
    }
    heard
}

/// Decoded values by channel.
fn values(batch: &RecordBatch) -> BTreeMap<String, Vec<f64>> {
    let names = batch.column_by_name("channel").expect("a column").as_dictionary::<Int32Type>();
    let texts = names.values().as_string::<i32>();
    let numbers = batch.column_by_name("value").expect("a column").as_primitive::<Float64Type>();
    let mut values: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for (key, number) in names.keys().values().iter().zip(numbers.values()) {
        values.entry(texts.value(*key as usize).to_owned()).or_default().push(*number);
    }
    values
}

fn check(rig: &Rig, heard: &Heard, truth: &BTreeMap<String, f64>) {
    let mut decoder = Decoder::new(rig, "s");
    for (t_us, line) in &heard.lines {
        decoder.line(0, *t_us, line);
    }
    let found = values(&decoder.take(Domain::Aux));
    assert_eq!(found.keys().collect::<Vec<_>>(), truth.keys().collect::<Vec<_>>(), "{:?}", heard.events);
    for (channel, expected) in truth {
        let found = &found[channel];
        assert!(found.len() >= 8, "{channel}: {} values", found.len());
        assert!(found.iter().all(|value| value == expected), "{channel}: {found:?} is not {expected}");
    }
    let channels = decoder.channels();
    let record = |name: &str| channels.iter().find(|c| c.channel == name).expect("a channel");
    assert!(record("not_a_number").samples == 0 && record("not_a_number").missing >= 8);
    assert!(record("refused").samples == 0 && record("refused").missing >= 8);
    assert_eq!((record("silent").samples, record("silent").missing), (0, 0));
    assert!(record("u16").out_of_range == 0 && record("u16").missing == 0);
    let said = |text: &str| heard.events.iter().filter(|e| e.contains(text)).count();
    assert_eq!(said("Modbus unit 1 refuses holding register 0x1388: exception 02, illegal data address"), 1);
    assert_eq!(said("Modbus unit 9 does not answer"), 1);
    assert_eq!(heard.events.len(), 2, "{:?}", heard.events);
    assert_eq!(heard.bad, Vec::<String>::new());
}

#[test]
fn units_behind_a_device_server_are_read_as_they_are() {
    let Some(python) = python() else { return };
    let rig = rig();
    let address = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("an address");
    let (_units, truth) = Units::start(&python, &["tcp", &address.port().to_string()]);
    let connect = || {
        TcpStream::connect(address).ok().or_else(|| {
            std::thread::sleep(Duration::from_millis(100));
            None
        })
    };
    let wire = std::iter::repeat_with(connect).take(100).flatten().next().expect("the peer listens");
    let heard = drive(&rig, wire);
    check(&rig, &heard, &truth);
}

#[test]
fn units_on_a_serial_line_are_read_as_they_are() {
    let Some(python) = python() else { return };
    let rig = rig();
    let line = openpty(None, None).expect("a pseudo-terminal");
    let mut raw = tcgetattr(&line.slave).expect("its settings");
    cfmakeraw(&mut raw);
    tcsetattr(&line.slave, SetArg::TCSANOW, &raw).expect("raw");
    let name = nix::unistd::ttyname(&line.slave).expect("its name");
    let (_units, truth) = Units::start(&python, &["serial", &name.to_string_lossy()]);
    // pyserial throws away what came before it had opened the device.
    std::thread::sleep(Duration::from_secs(1));
    let heard = drive(&rig, std::fs::File::from(line.master));
    check(&rig, &heard, &truth);
}

//! The recorder and the terminal that it is started from: what is typed, and what becomes of it when nobody is there
//! any more. No standard says what a recorder does then; what is checked is that the sessions are whole.

use std::{
    fs::File,
    io::{Read as _, Write as _},
    os::{fd::OwnedFd, unix::process::ExitStatusExt as _},
    process::{Child, Command, ExitStatus, Stdio},
    thread,
    time::{Duration, Instant},
};

use nix::{
    pty::openpty,
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use tallywheel_tests::{
    Bench,
    faults::{speaker::Speaker, terminal::Terminal},
    program, run,
};

const RIG: &str =
    "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
const PATIENCE: Duration = Duration::from_secs(20);

/// A recorder of a bus that talks, on a terminal of its own or on pipes.
struct Scene {
    bench: Bench,
    speaker: Speaker,
    child: Child,
}

impl Scene {
    /// Starts `tallywheel-logger record`; `wrap` is a command in front of it.
    fn start(wrap: &[&str], streams: impl FnOnce(&mut Command)) -> Self {
        let bench = Bench::new();
        let rig = bench.write("rig.toml", RIG);
        let mut terminal = Terminal::open().expect("a pseudo-terminal");
        let mut device = std::ffi::OsString::from("kit-bus=");
        device.push(terminal.device());
        let logger = program("tallywheel-logger");
        let mut command = match wrap.split_first() {
            Some((first, rest)) => {
                let mut command = Command::new(first);
                command.args(rest).arg(logger);
                command
            }
            None => Command::new(logger),
        };
        command.arg("record").arg("--rig").arg(rig).arg("--data").arg(bench.dataset()).arg("--device").arg(device);
        streams(&mut command);
        let child = command.spawn().expect("the program starts");
        terminal.wait_opened(PATIENCE).expect("the adapter is opened");
        let scene = Self { bench, speaker: Speaker::start(terminal, 200), child };
        scene.wait(|status| status.contains("listening"));
        scene
    }

    fn logger(&self, args: &[&str]) -> (Option<i32>, String) {
        let data = self.bench.dataset();
        let (command, rest) = args.split_first().expect("a command");
        let args = [command.as_ref(), "--data".as_ref(), data.as_os_str()].into_iter();
        let output = run("tallywheel-logger", args.chain(rest.iter().map(std::ffi::OsStr::new)));
        (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
    }

    /// Waits until `status` says so.
    fn wait(&self, fits: impl Fn(&str) -> bool) {
        let until = Instant::now() + PATIENCE;
        loop {
            let (_, status) = self.logger(&["status"]);
            if fits(&status) {
                return;
            }
            assert!(Instant::now() < until, "{status}");
            thread::sleep(Duration::from_millis(50));
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).expect("a process");
        kill(Pid::from_raw(pid), signal).expect("it runs");
    }

    /// Waits for its end; gives its status, and what `status` and `verify` say of the dataset then.
    fn ended(mut self) -> (ExitStatus, String, Bench) {
        let until = Instant::now() + PATIENCE;
        let status = loop {
            if let Some(status) = self.child.try_wait().expect("our child") {
                break status;
            }
            if Instant::now() > until {
                let _ = self.child.kill();
            }
            thread::sleep(Duration::from_millis(20));
        };
        self.speaker.finish().expect("frames were sent");
        let data = self.bench.dataset();
        let said = ["status", "verify"].map(|command| {
            let output = run("tallywheel-logger", [command.as_ref(), "--data".as_ref(), data.as_os_str()]);
            assert!(output.status.success(), "{command}: {}", String::from_utf8_lossy(&output.stdout));
            String::from_utf8_lossy(&output.stdout).into_owned()
        });
        (status, said.concat(), self.bench)
    }
}

/// A terminal for a person: the master's end, and one of the other for each of the program's streams.
fn screen() -> (File, [OwnedFd; 3]) {
    let pair = openpty(None, None).expect("a pseudo-terminal");
    let copy = || pair.slave.try_clone().expect("a descriptor");
    (File::from(pair.master), [copy(), copy(), copy()])
}

fn on([input, output, errors]: [OwnedFd; 3]) -> impl FnOnce(&mut Command) {
    move |command| {
        command.stdin(input).stdout(output).stderr(errors);
    }
}

/// Texts of the events that were recorded.
fn events(bench: &Bench) -> Vec<String> {
    use arrow::array::AsArray as _;
    let ledger = bench.ledgers().pop().expect("a session");
    let record = ledger.session.manifest.file(tallywheel_schemas::Table::Events).expect("events").clone();
    let file = File::open(bench.dataset().join(&record.path)).expect("the table");
    let reader = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
    let mut texts = Vec::new();
    for batch in reader.build().expect("Parquet") {
        let batch = batch.expect("a readable batch");
        texts.extend(
            batch.column_by_name("text").expect("the column").as_string::<i32>().iter().flatten().map(str::to_owned),
        );
    }
    texts
}

#[test]
fn a_recording_goes_on_when_nobody_reads_its_messages_any_more() {
    let mut scene = Scene::start(&[], |command| {
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
    });
    drop(scene.child.stderr.take());
    let (code, said) = scene.logger(&["mark", "nobody reads this"]);
    assert_eq!(code, Some(0), "{said}");
    scene.signal(Signal::SIGTERM);
    let (status, said, bench) = scene.ended();
    assert_eq!(status.code(), Some(0), "{said}");
    assert!(said.contains("everything holds") && !said.contains("unfinished"), "{said}");
    assert_eq!(events(&bench), ["nobody reads this"]);
}

#[test]
fn a_closed_terminal_ends_the_session_and_seals_it() {
    let (master, ends) = screen();
    let scene = Scene::start(&[], on(ends));
    drop(master);
    // The terminal is not the program's controlling one here, so the signal has to be sent.
    scene.signal(Signal::SIGHUP);
    let (status, said, _bench) = scene.ended();
    assert_eq!(status.code(), Some(0), "{said}");
    assert!(said.contains("checked  1 session(s)") && !said.contains("unfinished"), "{said}");
}

#[test]
fn what_is_no_utf8_does_not_end_the_keyboard() {
    let (mut master, ends) = screen();
    let scene = Scene::start(&[], on(ends));
    let mut echo = master.try_clone().expect("a descriptor");
    thread::spawn(move || {
        let mut sink = [0; 4096];
        while echo.read(&mut sink).is_ok_and(|n| n > 0) {}
    });
    for line in [&b"caf\xE9 at the quay\n"[..], b"tractor ahead\n"] {
        master.write_all(line).expect("a terminal");
        thread::sleep(Duration::from_millis(300));
    }
    scene.signal(Signal::SIGINT);
    let (status, said, bench) = scene.ended();
    assert_eq!(status.code(), Some(0), "{said}");
    assert_eq!(events(&bench), ["caf\u{FFFD} at the quay (keyboard)", "tractor ahead (keyboard)"]);
}

#[test]
fn neither_the_background_nor_ctrl_z_stops_a_recording() {
    let (mut master, ends) = screen();
    // A shell with a controlling terminal, which runs the recorder as a job in the background.
    let scene = Scene::start(&["setsid", "--ctty", "--wait", "sh", "-mc", "\"$0\" \"$@\" & wait"], on(ends));
    let mut echo = master.try_clone().expect("a descriptor");
    thread::spawn(move || {
        let mut sink = [0; 4096];
        while echo.read(&mut sink).is_ok_and(|n| n > 0) {}
    });
    // Somebody types for another program.
    master.write_all(b"ls\n").expect("a terminal");
    thread::sleep(Duration::from_millis(700));
    let (_, status) = scene.logger(&["status"]);
    let pid = status.split_once("process ").and_then(|(_, pid)| pid.lines().next()).expect("a recorder answers");
    let pid = Pid::from_raw(pid.trim().parse().expect("a number"));
    kill(pid, Signal::SIGTSTP).expect("it runs");
    thread::sleep(Duration::from_millis(300));
    let state = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let state = state.rsplit_once(") ").and_then(|(_, rest)| rest.chars().next());
    assert!(matches!(state, Some('R' | 'S' | 'D')), "{state:?}");
    kill(pid, Signal::SIGTERM).expect("it runs");
    let (status, said, _bench) = scene.ended();
    assert_eq!((status.code(), status.signal()), (Some(0), None), "{said}");
    assert!(said.contains("everything holds"), "{said}");
}

//! OBD-II with the real recorder on a pseudo-terminal: what goes out on the bus, what comes back, and what is recorded of
//! both; and that nothing goes out when the rig does not ask for it.

use tallywheel_schemas::{Domain, Table};
use tallywheel_tests::{
    Bench,
    instruments::{
        PATIENCE, Playing,
        adapter::{Adapter, Traffic},
        wait_until,
    },
    obd_ecu::ObdEcu,
    recording::end,
};

const PORT: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n\
    device_time = false\n";
const TRANSMITS: &str = "transmit = true\nlisten_only = false\n";
const SPEED: &str = "[[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"bus\"\npid = 0x0C\nevery_s = 0.1\n";
const COOLANT: &str = "[[signal]]\nchannel = \"engine.coolant_c\"\nport = \"bus\"\npid = 0x05\nevery_s = 0.4\n";
/// A parameter of eleven bytes: its answer takes two frames.
const LONG: &str = "[[signal]]\nchannel = \"flow\"\nport = \"bus\"\npid = 0x9D\nevery_s = 0.5\nstart_bit = 55\nlength = 16\n\
    byte_order = \"big\"\n[aux.flow]\nunit = \"g/s\"\nmin = 0.0\nmax = 1e6\n";

/// Requests for one parameter among what an adapter was told to transmit.
fn requests(transmitted: &[String], pid: &str) -> usize {
    transmitted.iter().filter(|line| line.starts_with(&format!("t7DF80201{pid}"))).count()
}

/// Messages that an adapter said; the bare ends that answer its commands are none.
fn messages(said: &[u8]) -> usize {
    said.split(|byte| *byte == b'\r').filter(|line| !line.is_empty()).count()
}

#[test]
fn what_is_asked_is_announced_recorded_and_decoded() {
    // SAE J1979: 0C is (256 A + B) / 4 rpm, 05 is A - 40 °C: 1726 rpm, 83 °C.
    let ecu = ObdEcu::new(0)
        .value(0x0C, &[0x1A, 0xF8])
        .value(0x05, &[0x7B])
        .value(0x9D, &[0, 1, 2, 3, 4, 5, 0x12, 0x34, 8, 9]);
    let (bench, adapter) = (Bench::new(), Playing::on_terminal(Adapter::with_ecu(ecu)));
    let rig = bench.write("rig.toml", &format!("{PORT}{TRANSMITS}{SPEED}{COOLANT}{LONG}"));
    let recorder = bench.record(&rig, &[("bus", adapter.device())], &[]);
    let asked = |pid: &str| adapter.with(|a| requests(&a.transmitted(), pid));
    wait_until("ten requests", || asked("0C") >= 10 && asked("05") >= 3 && asked("9D") >= 3, || recorder.said());
    // An answer to the last request might come when the recording is over already.
    adapter.with(|a| a.ecus[0].asleep = true);
    bench.wait_messages(messages(&adapter.passed().said));
    let said = recorder.said();
    let ended = end(recorder);
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    wait_until(
        "the adapter to be closed",
        || adapter.with(|a| a.commands.last().is_some_and(|c| c == "C")),
        || format!("{:?}", adapter.with(|a| a.commands.clone())),
    );

    for announced in ["TRANSMITS on the vehicle's bus at 500000 bit/s", "PID 0x0C", "PID 0x05", "PID 0x9D"] {
        assert!(said.contains(announced), "{announced}: {said}");
    }
    let commands = adapter.with(|a| a.commands.clone());
    assert_eq!(&commands[..4], ["C", "S6", "Z0", "O"]);
    let transmitted = adapter.with(|a| a.transmitted());
    let session = bench.only_session();
    let frames = bench.frames(&session);
    let recorded: Vec<&str> = frames.iter().filter(|f| f.is_sent).map(|f| f.line.as_str()).collect();
    assert_eq!(recorded, transmitted, "what went out is in `frames`, all of it and in order");

    // Each frame of the ECU is there as it was said, none invented.
    let said = String::from_utf8(adapter.passed().said).expect("ASCII");
    let answers: Vec<&str> = said.split('\r').filter(|line| line.starts_with("t7E8")).collect();
    let heard: Vec<&str> = frames.iter().filter(|f| !f.is_sent).map(|f| f.line.as_str()).collect();
    assert_eq!(heard, answers, "what came back is in `frames`");
    let long = |start: &str| answers.iter().filter(|line| line.starts_with(start)).count();
    // The unit may fall asleep between the first frame and the second, which is the last.
    let (first_frames, whole) = (long("t7E8810"), long("t7E8821"));
    let flow_control = transmitted.iter().filter(|line| *line == "t7E083000005555555555").count();
    assert!(first_frames >= 3 && flow_control == first_frames, "{flow_control} for {first_frames} long answers");
    assert!(whole == first_frames || whole + 1 == first_frames, "{whole} of {first_frames} long answers are whole");

    let engine = Table::Decoded(Domain::Engine);
    for (found, start, expected) in [
        (bench.values(&session, engine, "speed_rpm"), "t7E8804410C", 1726.0),
        (bench.values(&session, engine, "coolant_c"), "t7E88034105", 83.0),
        (bench.own_values(&session, "flow"), "t7E8821", f64::from(0x1234)),
    ] {
        let given = answers.iter().filter(|line| line.starts_with(start)).count();
        assert_eq!(found, vec![expected; given], "{start}");
        assert!(given >= 3, "{start}");
    }
}

#[test]
fn a_rig_that_asks_without_leave_to_transmit_is_refused() {
    let (bench, adapter) = (Bench::new(), Playing::on_terminal(Adapter::default()));
    for leave in ["", "transmit = true\n"] {
        let rig = bench.write("rig.toml", &format!("{PORT}{leave}{SPEED}"));
        let ended = bench.record(&rig, &[("bus", adapter.device())], &["--for", "1"]).wait(PATIENCE).expect("an end");
        assert_eq!(ended.code, Some(2), "{leave:?}: {}", ended.stderr);
        for expected in ["rig.toml:", "transmit = true", "listen_only = false"] {
            assert!(ended.stderr.contains(expected), "{expected}: {}", ended.stderr);
        }
        let checked = bench.check(&rig, &[("bus", adapter.device())], &["--for", "1"]);
        assert_eq!((checked.code, checked.stdout.as_str()), (Some(2), ""), "{}", checked.stderr);
    }
    assert_eq!(adapter.passed().heard, b"", "the adapter was not even opened");
    assert!(!bench.dataset().exists(), "nothing was made");
}

/// A bus of OBD-II answers that another tester asks for: whoever only listens decodes nothing of them and says nothing.
#[test]
fn a_rig_that_only_listens_says_nothing_but_the_adapters_commands() {
    let bench = Bench::new();
    let traffic =
        Traffic::new(100.0, |n| format!("{}\r", ["t7DF802010C5555555555", "t7E8804410C1AF8AAAAAA"][n as usize % 2]));
    let adapter = Playing::on_terminal(Adapter::with_traffic(traffic));
    let signal = "[[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"bus\"\nid = 0x7E8\nstart_bit = 31\nlength = 16\n\
                  byte_order = \"big\"\nscale = 0.25\n";
    let rig = bench.write("rig.toml", &format!("{PORT}{signal}"));
    let recorder = bench.record(&rig, &[("bus", adapter.device())], &[]);
    wait_until(
        "traffic",
        || adapter.with(|a| a.traffic.as_ref().map_or(0, |t| t.sent.len())) >= 60,
        || recorder.said(),
    );
    let ended = end(recorder);
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    assert!(!ended.stderr.contains("TRANSMITS"), "{}", ended.stderr);
    wait_until(
        "the adapter to be closed",
        || adapter.with(|a| a.commands.len() >= 5),
        || format!("{:?}", adapter.with(|a| a.commands.clone())),
    );
    assert_eq!(adapter.with(|a| a.commands.clone()), ["C", "S6", "Z0", "L", "C"], "opened to listen, and closed again");
    let session = bench.only_session();
    let frames = bench.frames(&session);
    assert!(frames.len() >= 50 && frames.iter().all(|f| !f.is_sent), "{} frames", frames.len());
    let speeds = bench.values(&session, Table::Decoded(Domain::Engine), "speed_rpm");
    assert!(speeds.len() >= 25 && speeds.iter().all(|v| *v == 1726.0), "{speeds:?}");
}

//! The OBD-II poller against simulated ECUs: what is asked, how fast, what comes of it, and when it stops.

use std::collections::BTreeMap;

use arrow::{array::AsArray as _, datatypes::Float64Type};
use proptest::prelude::*;
use tallywheel_logger::{
    decode::Decoder,
    framing::SlcanFramer,
    isotp::{Outcome, Reassembly},
    message::Message,
    obd::{Poller, announcement},
};
use tallywheel_schemas::{Domain, Rig, TextFile, Timestamp};
use tallywheel_tests::{obd_ecu::ObdEcu, sample_logs};

const PORT: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n\
    transmit = true\nlisten_only = false\n";
const SPEED: &str = "[[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"bus\"\npid = 0x0C\nevery_s = 0.2\n";
const COOLANT: &str = "[[signal]]\nchannel = \"engine.coolant_c\"\nport = \"bus\"\npid = 0x05\nevery_s = 2.0\n";
const RATE: &str = "[[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"bus\"\npid = 0x5E\nevery_s = 1.0\n";
const SECOND: i64 = 1_000_000;

fn rig(signals: &str) -> Rig {
    Rig::parse(TextFile::new("rig.toml", format!("{PORT}{signals}"))).expect("a good rig")
}

/// A poller, the ECUs on its bus and what passed between them.
struct Bus {
    poller: Poller,
    decoder: Decoder,
    ecus: Vec<ObdEcu>,
    framer: SlcanFramer,
    now: i64,
    /// The adapter repeats what it transmits.
    echoes: bool,
    /// Time from a request to the adapter's answer, µs.
    latency: i64,
    /// Bytes on their way to the host, by time.
    coming: BTreeMap<i64, Vec<u8>>,
    sent: Vec<(i64, String)>,
    events: Vec<String>,
}

impl Bus {
    fn new(rig: &Rig, ecus: Vec<ObdEcu>) -> Self {
        Self {
            poller: Poller::new(rig, 0).expect("it may transmit and has something to ask"),
            decoder: Decoder::new(rig, "s"),
            ecus,
            framer: SlcanFramer::new(),
            now: 1_790_000_000 * SECOND,
            echoes: false,
            latency: 10_000,
            coming: BTreeMap::new(),
            sent: Vec::new(),
            events: Vec::new(),
        }
    }

    /// The adapter or another node says something, now.
    fn hear(&mut self, bytes: &[u8]) {
        self.framer.received(bytes);
        while let Some(framed) = self.framer.next() {
            self.poller.heard(Timestamp::from_us(self.now), &framed.message);
            if let Message::Frame(frame) = framed.message {
                self.decoder.frame(0, self.now, &frame);
            }
        }
        self.events.extend(self.poller.take_events());
    }

    /// Asks the poller until it has nothing, as the port's task does.
    fn transmit(&mut self) {
        while let Some(line) = self.poller.due(Timestamp::from_us(self.now)) {
            if self.echoes {
                self.coming.entry(self.now + self.latency).or_default().extend(&line);
            }
            for ecu in &mut self.ecus {
                let bytes = ecu.answer(&line);
                self.coming.entry(self.now + self.latency).or_default().extend(bytes);
            }
            self.sent.push((self.now, String::from_utf8(line).expect("ASCII")));
        }
        self.events.extend(self.poller.take_events());
        if let Some(next) = self.poller.next_at() {
            assert!(next.as_us() > self.now, "asked again at {next}, it would spin");
        }
    }

    fn run(&mut self, seconds: f64) {
        let end = self.now + (seconds * 1e6) as i64;
        loop {
            self.transmit();
            let bytes = self.coming.first_key_value().map(|(t, _)| *t);
            let next = self.poller.next_at().map(Timestamp::as_us).into_iter().chain(bytes).min();
            let Some(next) = next.filter(|t| *t < end) else { break };
            self.now = next;
            let arrived = self.coming.remove(&next).unwrap_or_default();
            self.hear(&arrived);
        }
        self.now = end;
    }

    fn sent_lines(&self) -> Vec<&str> {
        self.sent.iter().map(|(_, line)| line.as_str()).collect()
    }

    fn count(&self, line: &str) -> usize {
        self.sent.iter().filter(|(_, sent)| sent.starts_with(line)).count()
    }

    fn floats(&mut self, domain: Domain, column: &str) -> Vec<f64> {
        let batch = self.decoder.take(domain);
        batch.column_by_name(column).expect("a column").as_primitive::<Float64Type>().iter().flatten().collect()
    }

    /// Most requests within any second, flow control not counted.
    fn busiest_second(&self) -> usize {
        let requests: Vec<i64> = self.sent.iter().filter(|(_, l)| !is_flow_control(l)).map(|(t, _)| *t).collect();
        requests.iter().map(|t| requests.iter().filter(|u| (*t..*t + SECOND).contains(*u)).count()).max().unwrap_or(0)
    }
}

fn is_flow_control(line: &str) -> bool {
    let data = if line.starts_with('T') { &line[10..] } else { &line[5..] };
    data.starts_with("300000")
}

fn engine() -> ObdEcu {
    // SAE J1979: 1726 rpm, 83 °C, 4 L/h.
    ObdEcu::new(0).value(0x0C, &[0x1A, 0xF8]).value(0x05, &[0x7B]).value(0x5E, &[0x00, 0x50])
}

#[test]
fn what_is_supported_is_asked_first_and_only_that() {
    let mut bus = Bus::new(
        &rig(&format!("{SPEED}{COOLANT}{RATE}")),
        vec![ObdEcu::new(0).value(0x0C, &[0x1A, 0xF8]).value(0x05, &[0x7B])],
    );
    bus.run(10.0);
    let lists = ["t7DF80201005555555555\r"];
    assert_eq!(&bus.sent_lines()[..1], lists, "the first list says that there is no second");
    assert_eq!((bus.count("t7DF8020120"), bus.count("t7DF802015E")), (0, 0));
    // From 0.25 s on, when every ECU has had its time to answer the list: five a second, one in two seconds.
    assert!((47..=50).contains(&bus.count("t7DF802010C")), "{}", bus.count("t7DF802010C"));
    assert_eq!(bus.count("t7DF8020105"), 5);
    let words = "PID 0x5E (engine fuel rate) is not supported by the vehicle and not asked for: engine.fuel_rate_g_s stays \
                 empty";
    assert_eq!(bus.events, [format!("port `bus`: {words}")]);
    let asked = bus.sent.len();
    assert_eq!(
        bus.poller.report(),
        [format!("port `bus`: {asked} OBD-II requests sent, {asked} answered"), format!("port `bus`: {words}")]
    );
    let answered = bus.decoder.channels();
    assert_eq!((answered[1].samples, answered[2].samples), (5, 0));
    let batch = bus.decoder.take(Domain::Engine);
    let column = |name: &str| batch.column_by_name(name).expect("a column").as_primitive::<Float64Type>().clone();
    assert!(column("speed_rpm").iter().flatten().all(|v| v == 1726.0));
    assert!(column("coolant_c").iter().flatten().all(|v| v == 83.0));
}

#[test]
fn further_lists_are_asked_only_where_the_one_before_says_so() {
    let mut bus = Bus::new(&rig(&format!("{SPEED}{RATE}")), vec![engine()]);
    bus.run(5.0);
    for page in ["00", "20", "40"] {
        assert_eq!(bus.count(&format!("t7DF80201{page}")), 1, "{page}");
    }
    assert_eq!(bus.count("t7DF8020160"), 0, "nothing beyond is wanted");
    let rate = bus.floats(Domain::Engine, "fuel_rate_g_s");
    assert!(rate.len() >= 4 && rate.iter().all(|v| (v - 4.0 * 745.0 / 3600.0).abs() < 1e-12), "{rate:?}");
    assert!(bus.events.is_empty(), "{:?}", bus.events);
}

#[test]
fn an_ecu_by_name_and_29_bit_identifiers_are_addressed() {
    let text = format!("{}ecu = 0x7E9\n", SPEED);
    let gearbox = ObdEcu::new(1).value(0x0C, &[0x10, 0x00]);
    let mut bus = Bus::new(&rig(&text), vec![engine(), gearbox]);
    bus.run(2.0);
    assert!(bus.sent_lines().iter().all(|l| l.starts_with("t7E1802010")), "{:?}", bus.sent_lines());
    assert!(bus.floats(Domain::Engine, "speed_rpm").iter().all(|v| *v == 1024.0));
    let text = format!("{}extended = true\n", SPEED);
    let mut bus = Bus::new(&rig(&text), vec![ObdEcu::with_address(0x10).value(0x0C, &[0x1A, 0xF8])]);
    bus.run(2.0);
    assert!(bus.sent_lines().iter().all(|l| l.starts_with("T18DB33F1802010")), "{:?}", bus.sent_lines());
    assert!(bus.floats(Domain::Engine, "speed_rpm").len() >= 7);
}

const LONG: &str = "[[signal]]\nchannel = \"flow\"\nport = \"bus\"\npid = 0x9D\nevery_s = 0.5\nstart_bit = 55\nlength = 16\n\
    byte_order = \"big\"\n[aux.flow]\nunit = \"g/s\"\nmin = 0.0\nmax = 1e6\n";

#[test]
fn a_long_answer_gets_flow_control_from_the_one_who_asked() {
    let ecu = engine().value(0x9D, &[0, 1, 2, 3, 4, 5, 0x12, 0x34, 8, 9]);
    let mut bus = Bus::new(&rig(LONG), vec![ecu]);
    bus.run(3.0);
    let asked = bus.count("t7DF802019D");
    assert!(asked >= 4, "{asked}");
    assert_eq!(bus.count("t7E083000005555555555\r"), asked, "{:?}", bus.sent_lines());
    assert_eq!(bus.floats(Domain::Aux, "value"), vec![f64::from(0x1234); asked]);
    assert!(bus.decoder.notes().is_empty() && bus.events.is_empty());
}

#[test]
fn one_request_is_settled_before_the_next() {
    // Answers take 200 ms, and eight a second are wanted: five a second at most are asked, each after an answer.
    let ecu = engine().value(0x9D, &[0, 1, 2, 3, 4, 5, 6, 7]);
    let mut bus = Bus::new(&rig(&format!("{SPEED}{COOLANT}{RATE}{LONG}")), vec![ecu]);
    bus.latency = 200_000;
    bus.run(30.0);
    let requests: Vec<i64> = bus.sent.iter().filter(|(_, l)| !is_flow_control(l)).map(|(t, _)| *t).collect();
    assert!(requests.len() > 100 && requests.windows(2).all(|w| w[1] - w[0] >= 200_000), "{requests:?}");
    assert!(bus.count("t7DF802019D") > 20 && bus.count("t7DF8020105") > 10, "none is starved");
    // And 250 ms after one that is not answered.
    bus.ecus[0].asleep = true;
    bus.run(1.0);
    let from = bus.sent.len();
    bus.run(2.0);
    assert!(bus.sent.len() > from && bus.sent[from..].windows(2).all(|w| w[1].0 - w[0].0 >= 250_000));
}

#[test]
fn an_ecu_that_begins_again_and_again_gets_flow_control_once() {
    let mut bus = Bus::new(&rig(LONG), vec![engine().value(0x9D, &[0; 12])]);
    bus.run(2.0);
    while !bus.sent.last().expect("requests").1.starts_with("t7DF802019D") {
        bus.now += 1000;
        bus.transmit();
    }
    let before = bus.sent.len();
    for _ in 0..50 {
        bus.hear(b"t7E88100E419D00000000\r");
        bus.transmit();
        bus.now += 1000;
    }
    let after: Vec<_> = bus.sent[before..].iter().map(|(_, line)| line.as_str()).collect();
    assert_eq!(after, ["t7E083000005555555555\r"]);
}

/// The identification number is read by hand here: the logger itself never asks for it.
#[test]
fn a_vehicle_identification_number_comes_together() {
    let mut ecu = ObdEcu::new(0);
    let (mut framer, mut receiver) = (SlcanFramer::new(), Reassembly::default());
    framer.received(&ecu.answer(b"t7DF80209025555555555\r"));
    let mut vin = None;
    while let Some(framed) = framer.next() {
        let Message::Frame(frame) = framed.message else { continue };
        match receiver.frame(Timestamp::from_us(0), frame.data()).outcome {
            Some(Outcome::SendFlowControl(data)) => {
                let hex: String = data.iter().map(|b| format!("{b:02X}")).collect();
                framer.received(&ecu.answer(format!("t7E08{hex}\r").as_bytes()));
            }
            Some(Outcome::Message(message)) => vin = Some(message),
            None => {}
        }
    }
    assert_eq!(vin.expect("whole"), b"\x49\x02\x01WBA12345678901234");
    let example = Rig::read(&sample_logs().join("rigs/obd-example.toml")).expect("a good rig");
    assert!(!announcement(&example, 0).contains("service 09"));
}

#[test]
fn pending_waits_and_refusals_are_recorded() {
    let mut ecu = engine();
    ecu.slow.insert(0x0C);
    ecu.refused.insert(0x05, 0x22);
    ecu.refused.insert(0x5E, 0x12);
    let mut bus = Bus::new(&rig(&format!("{SPEED}{COOLANT}{RATE}")), vec![ecu]);
    bus.run(60.0);
    assert!(bus.count("t7DF802010C") > 200);
    assert!(bus.decoder.channels()[0].samples > 200);
    assert_eq!(bus.count("t7DF802015E"), 1, "not supported is final");
    // "Conditions not correct" may pass, so it is asked again, but less and less often: 30 would be every two seconds.
    assert!((4..12).contains(&bus.count("t7DF8020105")), "{}", bus.count("t7DF8020105"));
    let said = bus.events.join("\n");
    for words in
        ["ECU 7E8 refused PID 0x05 (coolant temperature) with code 22", "PID 0x5E (engine fuel rate) is not supported"]
    {
        assert!(said.contains(words), "{said}");
    }
    assert!(bus.poller.report().iter().any(|l| l.contains("ECU 7E8 refused PID 0x5E 1 time(s) with code 12")));
}

#[test]
fn what_is_never_answered_is_asked_less_and_asked_normally_again_when_it_is() {
    let mut ecu = engine();
    ecu.silent.insert(0x05);
    let mut bus = Bus::new(&rig(&format!("{SPEED}{COOLANT}")), vec![ecu]);
    bus.run(120.0);
    assert!((5..15).contains(&bus.count("t7DF8020105")), "{}", bus.count("t7DF8020105"));
    assert!(bus.count("t7DF802010C") > 500, "the others go on");
    bus.ecus[0].silent.clear();
    bus.run(60.0);
    let before = bus.count("t7DF8020105");
    bus.run(20.0);
    assert_eq!(bus.count("t7DF8020105"), before + 10);
    let said = bus.events.join("\n");
    assert!(said.contains("was not answered 3 times and is asked less often now"), "{said}");
    assert!(said.contains("PID 0x05 (coolant temperature) answers again"), "{said}");
}

#[test]
fn bus_errors_stop_it_at_once_and_the_fourth_time_for_good() {
    let mut bus = Bus::new(&rig(SPEED), vec![engine()]);
    bus.run(5.0);
    for (report, pause) in [("sp000128\r", 10.0), ("e1a\r", 60.0), ("F80\r", 300.0)] {
        let before = bus.sent.len();
        bus.hear(report.as_bytes());
        bus.hear(b"sa000000\r");
        bus.run(pause - 0.1);
        assert_eq!(bus.sent.len(), before, "{report}");
        bus.run(5.0);
        assert!(bus.sent.len() > before + 10, "{report}");
    }
    let before = bus.sent.len();
    bus.hear(b"sb000256\r");
    bus.run(7200.0);
    assert_eq!((bus.sent.len(), bus.poller.next_at()), (before, None));
    let said = bus.events.join("\n");
    assert!(said.contains("pause for 10 s, 1 of 3: the adapter's controller is passive"), "{said}");
    assert!(said.contains("stop for this recording: the adapter's controller is bus-off"), "{said}");
    assert!(bus.poller.report().last().expect("a line").contains("requests stopped: "));
}

#[test]
fn another_tester_has_the_bus_to_itself() {
    for request in ["t7DF80201055555555555\r", "t7E03300000\r", "T18DA10F18023E005555555555\r"] {
        let mut bus = Bus::new(&rig(SPEED), vec![engine()]);
        bus.run(2.0);
        let before = bus.sent.len();
        bus.hear(request.as_bytes());
        bus.run(3600.0);
        assert_eq!(bus.sent.len(), before);
        assert!(bus.events[0].contains("stop for this recording: another tester is on the bus"), "{:?}", bus.events);
    }
}

#[test]
fn an_adapters_echo_is_not_another_tester() {
    let mut bus = Bus::new(&rig(SPEED), vec![engine()]);
    bus.echoes = true;
    bus.run(20.0);
    assert!(bus.sent.len() > 90 && bus.events.is_empty(), "{:?}", bus.events);
    // The same words once more are not ours.
    let line = bus.sent.last().expect("a request").1.clone();
    bus.hear(line.as_bytes());
    assert!(bus.events[0].contains("another tester"), "{:?}", bus.events);
}

#[test]
fn a_vehicle_that_never_answers_is_left_alone_in_the_end() {
    for acknowledges in [true, false] {
        let mut ecu = engine();
        (ecu.asleep, ecu.acknowledges) = (true, acknowledges);
        let mut bus = Bus::new(&rig(SPEED), vec![ecu]);
        bus.run(6.0 * 3600.0);
        let said = bus.events.join("\n");
        assert!(said.contains("no ECU answers to PID 0x00 (supported parameters): is the ignition on?"), "{said}");
        assert!(bus.count("t7DF8020100") == bus.sent.len(), "nothing but the list is asked for");
        if acknowledges {
            // The adapter says that frames go out: once a minute does no harm, and the ignition may come on.
            assert!(bus.sent.len() < 6 * 60 + 20, "{}", bus.sent.len());
            bus.ecus[0].asleep = false;
            bus.run(70.0);
            assert!(!bus.floats(Domain::Engine, "speed_rpm").is_empty());
        } else {
            assert_eq!((bus.sent.len(), bus.poller.next_at()), (40, None), "{said}");
        }
    }
}

#[test]
fn a_refusing_adapter_is_not_flooded() {
    let mut bus = Bus::new(&rig(SPEED), Vec::new());
    for _ in 0..2000 {
        let before = bus.sent.len();
        bus.transmit();
        if bus.sent.len() > before {
            bus.hear(b"\x07");
        }
        bus.now += SECOND / 2;
    }
    assert!(bus.sent.len() <= 40, "{}", bus.sent.len());
}

#[test]
fn the_example_rig_is_good_and_announced() {
    let rig = Rig::read(&sample_logs().join("rigs/obd-example.toml")).expect("a good rig");
    let text = announcement(&rig, 0);
    for line in [
        "port `vehicle-bus` TRANSMITS on the vehicle's bus at 500000 bit/s, because its rig says transmit = true:",
        "14.3 a second and never more than 15",
        "to every ECU (7DF): PID 0x0C (engine speed) every 0.2 s, for engine.speed_rpm",
        "to ECU 7E8 (7E0): PID 0x10 (intake air mass flow) every 0.5 s, for engine.maf_g_s",
        "to every ECU (7DF): PID 0x9D every 0.5 s, for maker_flow_g_s",
        "to 7E0 to 7E7: flow control (30 00 00)",
    ] {
        assert!(text.contains(line), "{text}\nshould say\n{line}");
    }
    let mut bus =
        Bus::new(&rig, vec![engine().value(0x0D, &[0x32]).value(0x10, &[3, 0xE8]).value(0x9D, &[0, 0, 1, 2])]);
    bus.run(30.0);
    assert!(bus.busiest_second() <= 15);
    assert_eq!(bus.floats(Domain::Aux, "value")[0], f64::from(0x0102) * 0.02);
}

fn silent_rig(transmit: bool, listen_only: bool) -> Rig {
    let mut rig = rig(&format!("{SPEED}{COOLANT}{RATE}"));
    (rig.ports[0].transmit, rig.ports[0].listen_only) = (transmit, listen_only);
    rig
}

#[test]
fn nothing_is_ever_sent_without_leave() {
    for (transmit, listen_only) in [(false, false), (false, true), (true, true)] {
        let rig = silent_rig(transmit, listen_only);
        assert!(Poller::new(&rig, 0).is_none());
        assert_eq!(announcement(&rig, 0), "port `bus` transmits nothing");
    }
    assert!(Poller::new(&silent_rig(true, false), 0).is_some() && Poller::new(&silent_rig(true, false), 1).is_none());
    let other = rig("[[signal]]\nchannel = \"pack.soc_pct\"\nport = \"bus\"\nid = 1\nstart_bit = 0\nlength = 8\n");
    assert!(Poller::new(&other, 0).is_none());
    assert!(announcement(&other, 0).contains("no signal asks for anything"));
}

/// How an ECU behaves in one case, and what else is heard.
#[derive(Debug, Clone)]
enum Trouble {
    Silent(u8),
    Refused(u8, u8),
    Slow(u8),
    Heard(&'static str),
    Latency(i64),
}

fn trouble() -> impl Strategy<Value = Trouble> {
    let pid = || prop::sample::select(vec![0x00, 0x05, 0x0C, 0x20, 0x40, 0x5E, 0x9D]);
    let heard = vec![
        "sp000128\r",
        "sa000000\r",
        "sw096000\r",
        "e1a\r",
        "F80\r",
        "F04\r",
        "\u{7}",
        "z\r",
        "t7E88037F0178AAAAAAAAAA\r",
        "t7E8810FF410C00000000\r",
        "t7E98210102030405060\r",
        "t7E8804410C1AF8AAAAAA\r",
        "t123401020304\r",
        "garbage\r",
    ];
    prop_oneof![
        2 => pid().prop_map(Trouble::Silent),
        2 => (pid(), any::<u8>()).prop_map(|(pid, code)| Trouble::Refused(pid, code)),
        2 => pid().prop_map(Trouble::Slow),
        4 => prop::sample::select(heard).prop_map(Trouble::Heard),
        1 => (0_i64..400_000).prop_map(Trouble::Latency),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever ECUs and adapter do: never more requests than allowed, never anything but the announced frames, never a
    /// second request before the first is settled, never a time to wait for that has passed.
    #[test]
    fn the_limit_holds_whatever_happens(
        limit in 9_u32..=60,
        troubles in prop::collection::vec((0.0_f64..3.0, trouble()), 0..25),
    ) {
        let port = format!("max_requests_per_s = {limit}.0\n{SPEED}{COOLANT}{RATE}{LONG}");
        let ecus = vec![engine().value(0x9D, &[0; 12]), ObdEcu::new(2).value(0x0C, &[0, 0])];
        let mut bus = Bus::new(&rig(&port), ecus);
        for (wait, trouble) in troubles {
            bus.run(wait);
            let ecu = &mut bus.ecus[0];
            match trouble {
                Trouble::Silent(pid) => { ecu.silent.insert(pid); }
                Trouble::Refused(pid, code) => { ecu.refused.insert(pid, code); }
                Trouble::Slow(pid) => { ecu.slow.insert(pid); }
                Trouble::Heard(line) => bus.hear(line.as_bytes()),
                Trouble::Latency(us) => bus.latency = us,
            }
        }
        bus.run(20.0);
        prop_assert!(bus.busiest_second() <= limit as usize, "{} of {limit}", bus.busiest_second());
        let spacing = 1_000_000 / i64::from(limit);
        let requests: Vec<_> = bus.sent.iter().filter(|(_, l)| !is_flow_control(l)).collect();
        prop_assert!(requests.windows(2).all(|w| w[1].0 - w[0].0 >= spacing));
        for (_, line) in &requests {
            let pid = u8::from_str_radix(&line[9..11], 16).expect("hexadecimal");
            prop_assert!(line.starts_with("t7DF80201") && line.ends_with("5555555555\r"), "{line}");
            prop_assert!([0x00, 0x20, 0x40, 0x60, 0x80, 0x05, 0x0C, 0x5E, 0x9D].contains(&pid), "{line}");
        }
        let flow = bus.sent.iter().filter(|(_, l)| is_flow_control(l));
        prop_assert!(flow.clone().all(|(_, l)| l.starts_with("t7E") && l.ends_with("83000005555555555\r")));
        prop_assert!(flow.count() <= 8 * requests.len());
    }

    /// A port that may not transmit has no poller, whatever it is asked for.
    #[test]
    fn no_leave_no_poller(transmit: bool, listen_only: bool, port in 0_usize..3) {
        let rig = silent_rig(transmit, listen_only);
        prop_assert_eq!(Poller::new(&rig, port).is_some(), transmit && !listen_only && port == 0);
    }
}

use tallywheel_schemas::TextFile;

use super::*;

const RIG: &str = "\
schema = 1
vehicle = \"skerry-1\"
[[port]]
name = \"kit\"
kind = \"slcan\"
bit_rate = 250000
[[port]]
name = \"gps\"
kind = \"nmea\"
[[signal]]
channel = \"pack.voltage_v\"
port = \"kit\"
id = 0x310
start_bit = 7
length = 16
byte_order = \"big\"
scale = 0.01
not_available = [65535]
max = 120.0
calibration = { date = \"2026-01-10\" }
[[signal]]
channel = \"motor.winding_temp_c\"
position = \"rear-left\"
port = \"kit\"
id = 0x320
start_bit = 0
length = 8
[[signal]]
channel = \"motor.winding_temp_c\"
position = \"rear-right\"
port = \"kit\"
id = 0x320
start_bit = 8
length = 8
[[signal]]
channel = \"supply_v\"
port = \"kit\"
id = 0x330
start_bit = 0
length = 8
scale = 0.1
[aux.supply_v]
unit = \"V\"
min = 0.0
max = 20.0
";

/// Noon of 5 October 2026 and so many milliseconds.
fn at(ms: i64) -> Timestamp {
    Timestamp::parse("2026-10-05T12:00:00Z", 0).expect("a time").plus_us(ms * 1000)
}

fn view() -> View {
    view_of(RIG)
}

fn view_of(rig: &str) -> View {
    let mut view = View::new(&Rig::parse(TextFile::new("rig.toml", rig)).expect("a good rig"));
    // The first line after the port was opened may be the end of another.
    view.bytes(0, at(0), b"616\r");
    view
}

fn channel<'a>(now: &'a Snapshot, name: &str) -> &'a ChannelNow {
    now.channels.iter().find(|c| c.full_name() == name).expect("the channel")
}

fn kinds(now: &Snapshot) -> Vec<(&'static str, &str)> {
    now.alarms.iter().map(|a| (a.kind, a.subject.as_str())).collect()
}

#[test]
fn each_channel_has_its_latest_value_range_and_rate() {
    let mut view = view();
    let mut last = None;
    for i in 0..40_i64 {
        // 97.50 V rising by 0.01 V; windings of 100 and 60 °C; 13.2 V.
        let frames = format!("t3102{:04X}\rt3202643C\rt330184\r", 9750 + i);
        let frames = if i % 4 == 0 { frames } else { frames[..10].to_owned() };
        view.bytes(0, at(i * 100), frames.as_bytes());
        last = Some(view.snapshot(at(i * 100 + 30)));
    }
    let now = last.expect("a snapshot");
    let voltage = channel(&now, "pack.voltage_v");
    assert_eq!((voltage.shown(), voltage.samples, voltage.digits), ("97.9 V".to_owned(), 40, 1));
    assert_eq!((voltage.min, voltage.max), (Some(97.5), Some(97.89)));
    assert!((voltage.rate_hz - 10.0).abs() < 0.3, "{}", voltage.rate_hz);
    assert!(voltage.age_s.is_some_and(|age| (age - 0.03).abs() < 1e-9));
    let left = channel(&now, "motor.winding_temp_c (rear-left)");
    assert_eq!((left.value, left.group, left.samples), (Some(100.0), "Motors", 10));
    assert_eq!(channel(&now, "motor.winding_temp_c (rear-right)").value, Some(60.0));
    let supply = channel(&now, "supply_v");
    assert_eq!((supply.shown(), supply.state), ("13.2 V".to_owned(), ChannelState::Ok));
    assert_eq!((now.ports[0].messages, now.ports[0].bad), (60, 0), "the fragment counts for neither");
}

#[test]
fn a_value_goes_stale_out_of_range_or_missing_and_comes_back() {
    use ChannelState::{Missing, Never, Ok, OutOfRange, Stale};
    let mut view = view();
    let mut state = |ms: i64, bytes: &[u8]| {
        view.bytes(0, at(ms), bytes);
        let now = view.snapshot(at(ms));
        channel(&now, "pack.voltage_v").state
    };
    assert_eq!(state(10, b""), Never);
    assert_eq!(state(100, b"t31022616\r"), Ok);
    assert_eq!(state(1000, b"t330184\r"), Ok);
    assert_eq!(state(1200, b"t330184\r"), Stale, "the limit is one second");
    assert_eq!(state(1300, b"t31022616\r"), Ok);
    assert_eq!(state(1400, b"t3102FFFF\r"), Missing);
    assert_eq!(state(1500, b"t31022616\r"), Ok);
    assert_eq!(state(1600, b"t3102FF00\r"), OutOfRange, "652.8 V");
    assert_eq!(state(3500, b"t31022616\r"), OutOfRange, "marked for two seconds");
    assert_eq!(state(3700, b"t31022616\r"), Ok);
    assert_eq!(state(9000, b"t330184\r"), Stale);
}

#[test]
fn a_silent_port_speaks_for_its_channels_and_a_gone_one_says_why() {
    let mut view = view();
    view.bytes(0, at(100), b"t31022616\rt3202643C\rt330184\r");
    view.bytes(1, at(100), b"$GPGLL,1,N*00\r\n");
    assert_eq!(kinds(&view.snapshot(at(500))), []);
    let now = view.snapshot(at(5000));
    assert_eq!(kinds(&now), [("port_silent", "kit"), ("port_silent", "gps")]);
    assert_eq!(now.alarms[0].text, "Port kit has been silent for 5 s; its 4 channels go stale.");
    assert_eq!(now.alarms[0].gravity, Gravity::Grave);
    view.port_event(0, at(5100), PortEvent::Gone("unplugged".to_owned()));
    let now = view.snapshot(at(5200));
    assert_eq!(now.alarms[0].text, "Port kit is gone (unplugged); its 4 channels go stale.");
    view.port_event(0, at(6000), PortEvent::Opened);
    assert_eq!(view.snapshot(at(6100)).ports[0].state, PortState::Listening);
    view.bytes(0, at(6200), b"616\rt31022616\r");
    let now = view.snapshot(at(6300));
    assert_eq!((channel(&now, "pack.voltage_v").state, now.ports[0].bad), (ChannelState::Ok, 0));
    assert!(kinds(&now).contains(&("stale", "supply_v")), "its limit is a second: {:?}", kinds(&now));
}

#[test]
fn limits_losses_garbage_and_the_adapters_state_are_alarms() {
    let mut view = view();
    // 150 °C is above 120 and 140, 160 °C above all three limits; 0x320 carries both.
    view.bytes(0, at(100), b"t320296A0\rt31022616\rt330184\r");
    let now = view.snapshot(at(200));
    assert_eq!(
        kinds(&now),
        [("limit", "motor.winding_temp_c (rear-right)"), ("limit", "motor.winding_temp_c (rear-left)")]
    );
    assert_eq!(now.alarms[0].text, "Rear-right winding is at 160 °C, above its limit of 155 °C.");
    assert_eq!(now.alarms[1].gravity, Gravity::Warning);
    view.bytes(0, at(300), b"t32026464\rt31022616\rt330184\rgarbage\r");
    view.port_event(0, at(300), PortEvent::Dropped(3));
    let now = view.snapshot(at(400));
    assert_eq!(kinds(&now), [("loss", "kit"), ("garbage", "kit")]);
    assert_eq!((now.ports[0].bad, now.ports[0].dropped), (1, 3));
}

#[test]
fn the_disk_a_pause_and_an_old_calibration_are_told_by_gravity() {
    let mut view = view_of(&RIG.replace("2026-01-10", "2025-01-10"));
    view.set_disk(Some(DiskNow::new(3_600_000, 1000.0)));
    let recording = RecordingNow {
        session: "skerry-1-20261005T120000Z".to_owned(),
        since_us: at(0),
        state: RecordingState::Paused,
        trouble: Some("the disk is full".to_owned()),
        run: None,
        marks: 0,
    };
    view.set_recording(Some(recording));
    view.bytes(0, at(1000), b"t32022020\rt31022616\rt330184\r");
    let now = view.snapshot(at(1100));
    assert_eq!(kinds(&now), [("recording_paused", "recording"), ("disk", "disk"), ("calibration", "calibration")]);
    assert_eq!(now.alarms[0].text, "Nothing is being recorded: the disk is full.");
    assert_eq!(now.alarms[2].text, "Calibration overdue: Pack voltage.");
    assert!(status_line(&now).starts_with("1.1 s PAUSED | kit "), "{}", status_line(&now));
}

#[test]
fn many_rows_between_two_looks_are_bounded() {
    let mut view = view();
    for i in 0..40_000_i64 {
        view.bytes(0, at(i), b"t31022616\r");
    }
    assert!(Domain::ALL.iter().all(|d| view.decoder.waiting(*d) <= MOST_ROWS));
    assert_eq!(channel(&view.snapshot(at(40_000)), "pack.voltage_v").samples, 40_000);
}

#[test]
fn what_does_not_fit_the_queue_is_left_out_and_counted() {
    let (feed, inputs) = feed();
    for i in 0..5000 {
        feed.offer(Input::Bytes { port: 0, at: at(i), bytes: b"t31022616\r".to_vec() });
    }
    assert_eq!(feed.left_out(), 5000 - 4096);
    drop(feed);
    let mut shown = Vec::new();
    let mut view = view();
    watch(&mut view, &inputs, std::time::Duration::from_secs(60), || at(5000), |now| shown.push(now));
    assert_eq!((shown.len(), shown[0].ports[0].messages), (1, 4096));
}

#[test]
fn the_table_has_a_line_for_each_port_and_channel() {
    let mut view = view();
    view.bytes(0, at(100), b"t31022616\rt3202643C\r");
    let text = table(&view.snapshot(at(300)));
    let line = |name: &str| text.lines().find(|l| l.starts_with(name)).expect("a line").to_owned();
    let words: Vec<String> = line("pack.voltage_v").split_whitespace().map(str::to_owned).collect();
    assert_eq!(words.join(" "), "pack.voltage_v 97.5 V ok 0.2 s 3.3 97.5 97.5 until 2027-01-10 (a year assumed)");
    assert!(line("supply_v").contains("never seen") && line("gps").contains("nmea"));
    assert_eq!(text.lines().count(), 1 + 2 + 1 + 1 + 9 + 1 + 1, "{text}");
}

/// Bytes from rmodbus's own tests (client.rs, read): registers 0 and 1 hold 6 and 5.
#[test]
fn a_meter_is_judged_by_what_it_answers_and_not_by_what_it_is_asked() {
    let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n\
               [[signal]]\nchannel = \"pack.wall_power_w\"\nport = \"meter\"\nunit_id = 1\nregister = 0\n\
               register_kind = \"input\"\nformat = \"u16\"\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"meter\"\n\
               unit_id = 1\nregister = 1\nregister_kind = \"input\"\nformat = \"u16\"\nevery_s = 0.5\n";
    let mut view = View::new(&Rig::parse(TextFile::new("rig.toml", rig)).expect("a good rig"));
    let at = Timestamp::from_us(1_791_189_000_000_000);
    let ask = vec![0x01, 0x04, 0x00, 0x00, 0x00, 0x02, 0x71, 0xCB];
    view.port_event(0, at, PortEvent::Asked(ask.clone()));
    let unanswered = view.snapshot(at.plus_us(500_000));
    assert_eq!((unanswered.ports[0].messages, unanswered.ports[0].bad, unanswered.ports[0].age_s), (0, 0, None));
    view.port_event(0, at.plus_us(1_000_000), PortEvent::Asked(ask));
    view.bytes(0, at.plus_us(1_020_000), &[0x01, 0x04, 0x04, 0x00]);
    view.bytes(0, at.plus_us(1_030_000), &[0x06, 0x00, 0x05, 0xDB, 0x86]);
    let answered = view.snapshot(at.plus_us(1_500_000));
    assert_eq!((answered.ports[0].messages, answered.ports[0].bad), (1, 0));
    let values: Vec<Option<f64>> = answered.channels.iter().map(|c| c.value).collect();
    assert_eq!(values, [Some(6.0), Some(5.0)]);
}

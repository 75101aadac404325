use super::*;
use crate::{Rig, TextFile};

const PORT: &str =
    "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n";
const ASKING: &str = "transmit = true\nlisten_only = false\n";
const AUX: &str =
    "[aux.oil_c]\nunit = \"Cel\"\nmin = -40.0\nmax = 215.0\n[aux.extra]\nunit = \"1\"\nmin = 0.0\nmax = 1e9\n";

fn signal(channel: &str, rest: &str) -> String {
    format!("[[signal]]\nchannel = \"{channel}\"\nport = \"bus\"\n{rest}\n")
}

fn parse(port: &str, signals: &[String]) -> Result<Rig, String> {
    let text = format!("{PORT}{port}{}{AUX}", signals.concat());
    Rig::parse(TextFile::new("rig.toml", text)).map_err(|e| e.to_string())
}

fn asking(signals: &[String]) -> Rig {
    parse(ASKING, signals).expect("a good rig")
}

fn obd(rig: &Rig, channel: &str) -> ObdSource {
    match &rig.signal(channel, None).expect("the signal").source {
        Source::Obd(source) => source.clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_known_parameter_needs_no_bits_and_no_scale() {
    let rig = asking(&[
        signal("engine.speed_rpm", "pid = 0x0C\nevery_s = 0.2"),
        signal("motion.wheel_speed_m_s", "pid = 0x0D\nevery_s = 0.5\necu = 0x7E8"),
        signal("engine.fuel_rate_g_s", "pid = 0x5E\nevery_s = 1.0"),
        signal("oil_c", "pid = 0x5C\nevery_s = 0.9"),
    ]);
    let speed = obd(&rig, "engine.speed_rpm");
    assert_eq!((speed.pid, speed.every_s, speed.ecu, speed.extended), (0x0C, 0.2, None, false));
    // SAE J1979: 1A F8 is 1726 rpm; 0x32 is 50 km/h; 00 50 is 4 L/h, at 0.745 kg/L 0.827778 g/s; 0x82 is 90 °C.
    for (channel, data, expected) in [
        ("engine.speed_rpm", &[0x1A, 0xF8][..], 1726.0),
        ("motion.wheel_speed_m_s", &[0x32], 50.0 / 3.6),
        ("engine.fuel_rate_g_s", &[0x00, 0x50], 4.0 * 745.0 / 3600.0),
        ("oil_c", &[0x82], 90.0),
    ] {
        let raw = obd(&rig, channel).field.extract(data).expect("enough data");
        let found = rig.signal(channel, None).expect("the signal").value(raw as f64);
        assert!((found - expected).abs() < 1e-9, "{channel}: {found} is not {expected}");
    }
    let requests = obd_requests(&rig.signals, "bus");
    assert_eq!(
        requests.iter().map(|r| (r.pid, r.ecu)).collect::<Vec<_>>(),
        [(0x0C, None), (0x0D, Some(0x7E8)), (0x5E, None), (0x5C, None)]
    );
}

#[test]
fn an_unknown_parameter_has_its_own_bits() {
    let rig = asking(&[
        signal("extra", "pid = 0x9D\nevery_s = 0.5\nstart_bit = 23\nlength = 16\nbyte_order = \"big\"\nscale = 0.02"),
        signal("oil_c", "pid = 0x9D\nevery_s = 0.25\nstart_bit = 7\nlength = 16\nbyte_order = \"big\""),
    ]);
    assert_eq!(obd(&rig, "extra").field.extract(&[0, 0, 0x01, 0x02]), Some(0x0102));
    let requests = obd_requests(&rig.signals, "bus");
    assert_eq!((requests.len(), requests[0].every_s, requests[0].channels.len()), (1, 0.25, 2), "asked once for both");
}

#[test]
fn twenty_nine_bit_identifiers_are_asked_for_or_follow_from_the_ecu() {
    let rig = asking(&[
        signal("engine.speed_rpm", "pid = 0x0C\nevery_s = 0.2\nextended = true"),
        signal("engine.coolant_c", "pid = 0x05\nevery_s = 2.0\necu = 0x18DAF110"),
    ]);
    assert!(obd(&rig, "engine.speed_rpm").extended && obd(&rig, "engine.coolant_c").extended);
}

#[test]
fn mistakes_in_requests_are_placed_and_explained() {
    let speed = |rest: &str| vec![signal("engine.speed_rpm", rest)];
    let good = "pid = 0x0C\nevery_s = 0.2\n";
    let cases = [
        ("", speed(good), "rig.toml:7:1: engine.speed_rpm: pid = 0x0C has to be asked for on the bus"),
        (ASKING, speed("pid = 0x0C"), "say how often to ask with every_s"),
        (ASKING, speed("pid = 0x0C\nevery_s = 0.001"), "every_s = 0.001 is outside 0.02 to 3600"),
        (ASKING, speed("pid = 0x0C\nevery_s = nan"), "every_s = NaN is outside"),
        (ASKING, speed("pid = 0x0C\nevery_s = 1.0"), "every_s = 1 is not below max_gap_s = 1"),
        (ASKING, speed(&format!("{good}scale = 1.0")), "leave scale, offset, signed and mux out"),
        (ASKING, speed(&format!("{good}id = 0x7E8")), "give one of id, pgn, pid and column"),
        (ASKING, speed(&format!("{good}ecu = 0x7E0")), "this one is a tester's"),
        (ASKING, speed(&format!("{good}ecu = 0x123")), "no identifier that an ECU answers with"),
        (ASKING, speed(&format!("{good}start_bit = 23\nlength = 16")), "not 1 to 64 bits inside a frame of 2 bytes"),
        (ASKING, speed("pid = 0x0D\nevery_s = 0.2"), "is in km/h, and this channel in {rpm}"),
        (ASKING, speed("pid = 0x99\nevery_s = 0.2"), "has no standard scaling here: give start_bit"),
        (ASKING, speed("pid = 0x20\nevery_s = 0.2"), "lists what is supported"),
        (ASKING, speed("id = 0x100\nstart_bit = 0\nlength = 8\nevery_s = 0.2"), "belongs to signals with `pid`"),
        (ASKING, speed("pid = 0x0C\nevery_s = 0.02"), "need 50.0 requests a second and 20 are allowed"),
        (
            "max_requests_per_s = 5.0\n",
            speed("id = 1\nstart_bit = 0\nlength = 8"),
            "belongs to a CAN port with transmit",
        ),
        (
            "max_requests_per_s = 500.0\ntransmit = true\nlisten_only = false\n",
            speed(good),
            "max_requests_per_s = 500 is outside 0.1 to 100",
        ),
        ("transmit = true\n", speed(good), "transmit = true needs listen_only = false"),
    ];
    for (port, signals, expected) in cases {
        let message = parse(port, &signals).expect_err(expected);
        assert!(message.contains(expected), "{message}\nshould say\n{expected}");
    }
    let mixed = [signal("engine.speed_rpm", good), signal("oil_c", "pid = 0x5C\nevery_s = 0.5\nextended = true")];
    assert!(parse(ASKING, &mixed).expect_err("mixed").contains("11-bit and 29-bit identifiers"));
    let twice = [signal("engine.coolant_c", "pid = 0x05\nevery_s = 1.0"), signal("oil_c", "pid = 0x05\nevery_s = 0.5")];
    let message = parse(ASKING, &twice).expect_err("the same byte");
    assert!(message.contains("oil_c claims bits of PID 0x05 that engine.coolant_c on line 9 already has"), "{message}");
}

#[test]
fn twenty_requests_a_second_may_be_used_up() {
    let good = |limit: &str| {
        parse(&format!("{ASKING}{limit}"), &[signal("engine.speed_rpm", "pid = 0x0C\nevery_s = 0.05")]).is_ok()
    };
    assert!(good("") && !good("max_requests_per_s = 19.9\n") && good("max_requests_per_s = 20.0\n"));
}

#[test]
fn a_parameter_group_is_matched_without_its_sender_or_with() {
    let group =
        |channel: &str, rest: &str| signal(channel, &format!("pgn = 61444\nlength = 16\nscale = 0.125\n{rest}"));
    let rig = parse("", &[group("engine.speed_rpm", "start_bit = 24\nsource_address = 0")]).expect("a good rig");
    let Source::J1939(source) = &rig.signal("engine.speed_rpm", None).expect("the signal").source else {
        panic!("a parameter group")
    };
    assert_eq!((source.pgn, source.source_address), (61444, Some(0)));
    assert!(source.is_no_value(0xFB00) && source.is_no_value(0xFFFF) && !source.is_no_value(0xFAFF));
    let clash = |address: &str| {
        parse("", &[group("engine.speed_rpm", "start_bit = 24\nsource_address = 0"), group("extra", address)])
    };
    assert!(clash("start_bit = 24").expect_err("any sender is also this one").contains("parameter group 61444"));
    assert!(clash("start_bit = 24\nsource_address = 3").is_ok());
    assert!(clash("start_bit = 40").is_ok());
    // A group that comes in several packets may be 1785 bytes long.
    assert!(clash("start_bit = 14264").is_ok());
    assert!(clash("start_bit = 14272").expect_err("beyond").contains("inside a frame of 1785 bytes"));
    let wrong = parse("", &[signal("extra", "pgn = 0xEA21\nstart_bit = 0\nlength = 8")]).expect_err("a destination");
    assert!(wrong.contains("pgn = 59937 (0xEA21) is no parameter group"), "{wrong}");
    let lonely = parse("", &[signal("extra", "id = 1\nsource_address = 3\nstart_bit = 0\nlength = 8")]);
    assert!(lonely.expect_err("no group").contains("belongs to signals with `pgn`"));
}

#[test]
fn pages_of_a_multiplexed_message_share_bits() {
    let page = |channel: &str, rest: &str, start: u16, value: u16| {
        signal(
            channel,
            &format!(
                "id = 0x18FF0102\nextended = true\n{rest}\nmux = {{ start_bit = {start}, length = 8, value = {value} }}"
            ),
        )
    };
    let little = page("extra", "start_bit = 8\nlength = 16", 0, 1);
    let big = |value| page("oil_c", "start_bit = 15\nlength = 16\nbyte_order = \"big\"", 7, value);
    // Byte 0 as selector begins at bit 0 for one byte order and at bit 7 for the other.
    assert!(parse("", &[little.clone(), big(2)]).is_ok());
    assert!(parse("", &[little.clone(), big(1)]).expect_err("the same page").contains("oil_c claims bits"));
    // Selectors in different places say nothing about each other.
    let elsewhere = page("oil_c", "start_bit = 8\nlength = 16", 32, 2);
    assert!(parse("", &[little.clone(), elsewhere]).is_err());
    let always = signal("oil_c", "id = 0x18FF0102\nextended = true\nstart_bit = 16\nlength = 8");
    assert!(parse("", &[little.clone(), always]).is_err());
    let other_frame = signal("oil_c", "id = 0x102\nstart_bit = 16\nlength = 8");
    assert!(parse("", &[little, other_frame]).is_ok());
    let too_large = page("extra", "start_bit = 8\nlength = 16", 0, 256);
    assert!(parse("", &[too_large]).expect_err("9 bits").contains("the selector's value 256 does not fit its 8 bits"));
}

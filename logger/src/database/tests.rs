//! Databases in, rigs and listings out.

use arrow::array::AsArray as _;
use tallywheel_schemas::Domain;

use super::*;
use crate::{decode::Decoder, message::CanFrame};

const HEAD: &str = "VERSION \"\"\n\nNS_ :\n\tCM_\n\tBA_\n\nBS_:\n\nBU_: Kit Van\n\n";

fn options() -> DatabaseOptions {
    DatabaseOptions {
        vehicle: "skerry-1".to_owned(),
        port: "kit-bus".to_owned(),
        bit_rate: 250_000,
        ..DatabaseOptions::default()
    }
}

fn with_maps(maps: &[&str]) -> DatabaseOptions {
    DatabaseOptions { maps: maps.iter().map(|m| m.parse().expect("a map")).collect(), ..options() }
}

fn make(text: &str, options: &DatabaseOptions) -> Result<MadeRig, DatabaseError> {
    make_rig("kit.dbc".as_ref(), format!("{HEAD}{text}").as_bytes(), options)
}

fn made(text: &str) -> MadeRig {
    make(text, &options()).expect("a rig")
}

fn failed(text: &str, options: &DatabaseOptions) -> String {
    make(text, options).expect_err("no rig").to_string()
}

/// Values of the `aux` table that one frame gives, by channel.
fn decoded(rig: &Rig, frame: &CanFrame) -> Vec<(String, f64)> {
    let mut decoder = Decoder::new(rig, "s");
    decoder.frame(0, 1_000_000, frame);
    let batch = decoder.take(Domain::Aux);
    let names = batch.column_by_name("channel").expect("channel").as_dictionary::<arrow::datatypes::Int32Type>();
    let words = names.values().as_string::<i32>();
    let values = batch.column_by_name("value").expect("value").as_primitive::<arrow::datatypes::Float64Type>();
    let row = |i: usize| (words.value(names.keys().value(i) as usize).to_owned(), values.value(i));
    (0..batch.num_rows()).map(row).collect()
}

const EVERYTHING: &str = "\
BO_ 784 Pack: 8 Kit
 SG_ Voltage : 7|16@0+ (0.01,0) [0|200] \"V\" Van
 SG_ Current : 23|16@0- (0.02,0) [-655.36|655.34] \"A\" Van
 SG_ Charge : 32|8@1+ (0.5,0) [0|100] \"%\" Van
 SG_ State : 40|2@1+ (1,0) [0|0] \"\" Van
 SG_ Nibble : 44|8@1+ (1,0) [0|0] \"furlong\" Van
 SG_ Odd : 32|4@1+ (1,0) [0|0] \"\" Van
BO_ 2566869009 Motor_L: 8 Kit
 SG_ Page M : 0|8@1+ (1,0) [0|0] \"\" Van
 SG_ Torque m0 : 8|16@1- (0.1,0) [0|0] \"Nm\" Van
 SG_ Winding m1 : 15|16@0+ (0.1,-40) [-40|250] \"degC\" Van
 SG_ Never m256 : 8|8@1+ (1,0) [0|0] \"\" Van
BO_ 785 Meter: 16 Kit
 SG_ Voltage : 0|32@1- (1,0) [0|0] \"V\" Van
 SG_ Outside : 120|16@1+ (1,0) [0|0] \"\" Van
 SG_ Far : 96|16@1+ (1,0) [5|1] \"\" Van
 SG_ Still : 112|8@1+ (0,0) [0|0] \"\" Van
BO_ 786 Nested: 8 Kit
 SG_ First M : 0|4@1+ (1,0) [0|0] \"\" Van
 SG_ Second m1M : 4|4@1+ (1,0) [0|0] \"\" Van
 SG_ Third m2 : 8|8@1+ (1,0) [0|0] \"\" Van
BO_ 787 Ranges: 8 Kit
 SG_ Switch M : 0|8@1+ (1,0) [0|0] \"\" Van
 SG_ One m1 : 8|8@1+ (1,0) [0|0] \"\" Van
 SG_ Some m2 : 8|8@1+ (1,0) [0|0] \"\" Van
BO_ 70000 Beyond: 8 Kit
 SG_ Lost : 0|8@1+ (1,0) [0|0] \"\" Van

CM_ SG_ 784 Voltage \"between the \\\"terminals\\\",
 whole pack\";
VAL_ 784 State 0 \"off\" 1 \"on\" ;
SIG_VALTYPE_ 785 Voltage : 1;
SG_MUL_VAL_ 787 One Switch 1-1;
SG_MUL_VAL_ 787 Some Switch 2-2, 4-5;
";

#[test]
fn the_listing_says_for_every_signal_what_became_of_it() {
    let expected = "\
database kit.dbc
message  Pack, 0x310
  taken over      Voltage (line 12) as Voltage in V
  taken over      Current (line 13) as Current in A
  taken over      Charge (line 14) as Charge in %
  taken over      State (line 15) as State in 1
                  value names are not taken over: 0 = off, 1 = on
  taken over      Nibble (line 16) as Nibble in {furlong}
                  unit `furlong` is not known and stays as a remark
  NOT taken over  Odd (line 17): it shares bits with Pack.Charge
message  Motor_L, 0x18FF5011 extended
  taken over      Page (line 19) as Page in 1
  taken over      Torque (line 20) as Torque in N.m
  taken over      Winding (line 21) as Winding in Cel
  NOT taken over  Never (line 22): its multiplexor Page never becomes 256
message  Meter, 0x311
  NOT taken over  Voltage (line 24): its bits are a 32-bit floating-point number
  NOT taken over  Outside (line 25): bits 120 + 16 are not 1 to 64 bits of its 16 bytes
  taken over      Far (line 26) as Far in 1
                  its range 5 to 1 is empty and is not taken over
  NOT taken over  Still (line 27): factor 0 and offset 0 give no values
message  Nested, 0x312
  taken over      First (line 29) as First in 1
  NOT taken over  Second (line 30): extended multiplexing: its message has more than one multiplexor
  NOT taken over  Third (line 31): extended multiplexing: its message has more than one multiplexor
message  Ranges, 0x313
  taken over      Switch (line 33) as Switch in 1
  taken over      One (line 34) as One in 1
  NOT taken over  Some (line 35): extended multiplexing: several values of Switch select it
message  Beyond
  NOT taken over  Lost (line 37): identifier 0x11170 does not fit 11 bits
signals  12 taken over, 9 not taken over, 0 not asked for
";
    assert_eq!(made(EVERYTHING).listing.to_string(), expected);
}

#[test]
fn the_rig_has_ranges_comments_and_names() {
    let rig = made(EVERYTHING).rig;
    let voltage = &rig.aux["Voltage"];
    assert_eq!((voltage.unit.as_str(), voltage.min, voltage.max), ("V", 0.0, 200.0));
    assert_eq!(voltage.doc, "between the \"terminals\", whole pack");
    let state = &rig.aux["State"];
    assert_eq!((state.min, state.max, state.doc.as_str()), (0.0, 3.0, "0 = off, 1 = on"));
    let hold = |name: &str| rig.signal(name, None).map(|s| s.hold);
    assert_eq!(hold("State"), Some(tallywheel_schemas::Hold::Step));
    assert_eq!(hold("Voltage"), Some(tallywheel_schemas::Hold::Linear));
}

#[test]
fn the_made_rig_decodes() {
    let rig = made(EVERYTHING).rig;
    // Voltage 0x2580 = 9600 · 0.01 V, current 0xFF38 = −200 · 0.02 A, charge 0xC8 = 200 · 0.5 %, state 1, nibble 0xA5.
    let pack = CanFrame::new(0x310, false).with_data(&[0x25, 0x80, 0xFF, 0x38, 0xC8, 0x51, 0x0A, 0]);
    let names = |values: &[(String, f64)]| values.iter().map(|(n, v)| format!("{n} {v}")).collect::<Vec<_>>();
    let mut values = names(&decoded(&rig, &pack));
    values.sort_unstable();
    assert_eq!(values, ["Charge 100", "Current -4", "Nibble 165", "State 1", "Voltage 96"]);
    // Page 0: torque 0xFE0C = −500 · 0.1 N·m, little endian. Page 1: winding 0x04E2 = 1250 · 0.1 − 40 °C, big endian.
    let page0 = CanFrame::new(0x18FF_5011, true).with_data(&[0, 0x0C, 0xFE, 0, 0, 0, 0, 0]);
    let page1 = CanFrame::new(0x18FF_5011, true).with_data(&[1, 0x04, 0xE2, 0, 0, 0, 0, 0]);
    assert_eq!(names(&decoded(&rig, &page0)), ["Page 0", "Torque -50"]);
    assert_eq!(names(&decoded(&rig, &page1)), ["Page 1", "Winding 85"]);
    // The last four bytes of an FD message of sixteen.
    let fd = CanFrame::new(0x311, false).with_data(&[0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x34, 0x12, 0, 0]);
    assert_eq!(names(&decoded(&rig, &fd)), ["Far 4660"]);
}

#[test]
fn a_mapped_signal_feeds_its_channel_in_the_channels_unit() {
    let text = "BO_ 208 Wheels: 8 Van\n SG_ Speed : 7|16@0+ (0.01,0) [0|300] \"km/h\" Kit\n SG_ Torque : 16|16@1- (0.1,0) [0|0] \"Nm\" Kit\n";
    let made = make(text, &with_maps(&["Wheels.Speed=motion.wheel_speed_m_s", "Torque=motor.torque_n_m@rear-left"]));
    let rig = made.expect("a rig").rig;
    assert!(rig.aux.is_empty());
    let speed = rig.signal("motion.wheel_speed_m_s", None).expect("the signal");
    // 0x2328 = 9000 · 0.01 km/h = 90 km/h = 25 m/s; the range of 300 km/h is cut to the channel's 70 m/s.
    assert!((speed.value(9000.0) - 25.0).abs() < 1e-12);
    assert_eq!((speed.min, speed.max), (0.0, 70.0));
    assert!(rig.signal("motor.torque_n_m", Some("rear-left")).is_some());
}

#[test]
fn a_mapping_that_cannot_be_carried_out_says_why() {
    let text = "BO_ 1 A: 8 Kit\n SG_ Flow : 0|8@1+ (1,0) [0|0] \"L/h\" Kit\n SG_ Bare : 8|8@1+ (1,0) [0|0] \"\" Kit\n\
        \x20SG_ Pulses : 16|16@1+ (2,0) [0|0] \"\" Kit\nBO_ 2 B: 8 Kit\n SG_ Bare : 0|8@1+ (1,0) [300|400] \"%\" Kit\n";
    let cases: [(&[&str], &str); 8] = [
        (
            &["Flow=engine.fuel_rate_g_s"],
            "kit.dbc:12:1: A.Flow cannot feed engine.fuel_rate_g_s: unit `L/h` cannot be turned into g/s",
        ),
        (
            &["A.Bare=pack.voltage_v"],
            "A.Bare cannot feed pack.voltage_v: the database states no unit and the channel is in V",
        ),
        (&["B.Bare=pack.soc_pct"], "its range 300 to 400 lies outside the channel's 0 to 100"),
        (&["Pulses=engine.fuel_count"], "a counter is stored as counted, but its factor is 2 and its offset 0"),
        (&["Bare=pack.soc_pct"], "kit.dbc: signal `Bare` is in several messages: name one of A.Bare, B.Bare"),
        (&["A.Bar=pack.soc_pct"], "kit.dbc: unknown signal `A.Bar`; did you mean `A.Bare`?"),
        (&["Flow=pack.soc_pct", "A.Bare=pack.soc_pct"], "name a signal or a channel twice"),
        (&["Flow=pack.soc_pct", "A.Flow=pack.temp_c"], "name a signal or a channel twice"),
    ];
    for (maps, expected) in cases {
        let message = failed(text, &with_maps(maps));
        assert!(message.contains(expected), "{message}\nshould say\n{expected}");
    }
    let stated = DatabaseOptions {
        maps: vec![Map { unit: Some("mV".to_owned()), ..with_maps(&["A.Bare=pack.voltage_v"]).maps[0].clone() }],
        ..options()
    };
    assert!((make(text, &stated).expect("a rig").rig.signals[1].value(5.0) - 0.005).abs() < 1e-15);
}

#[test]
fn a_mapped_signal_keeps_bits_that_another_claims() {
    let text = "BO_ 1 A: 8 Kit\n SG_ Whole : 0|16@1+ (1,0) [0|0] \"\" Kit\n SG_ Low : 0|8@1+ (1,0) [0|0] \"%\" Kit\n";
    let made = make(text, &with_maps(&["Low=pack.soc_pct"])).expect("a rig");
    assert_eq!(made.listing.signals[0].reason.as_deref(), Some("it shares bits with A.Low"));
    assert_eq!(made.listing.signals[1].channel.as_deref(), Some("pack.soc_pct"));
}

#[test]
fn only_what_is_asked_for_is_taken() {
    let only = |names: &[&str]| DatabaseOptions { only: names.iter().map(|n| (*n).to_owned()).collect(), ..options() };
    let made = make(EVERYTHING, &only(&["Motor_L", "Pack.Charge", "Far"])).expect("a rig");
    assert_eq!(made.rig.aux.keys().collect::<Vec<_>>(), ["Charge", "Far", "Page", "Torque", "Winding"]);
    assert_eq!(made.listing.count(Outcome::NotWanted), 15);
    assert!(
        failed(EVERYTHING, &only(&["Motr_L"])).contains("unknown message or signal `Motr_L`; did you mean `Motor_L`?")
    );
}

#[test]
fn names_that_come_twice_get_their_messages_name() {
    let text = "BO_ 1 A: 8 Kit\n SG_ X : 0|8@1+ (1,0) [0|0] \"\" Kit\nBO_ 2 B: 8 Kit\n SG_ X : 0|8@1+ (1,0) [0|0] \"\" Kit\n\
        BO_ 3 B: 8 Kit\n SG_ X : 0|8@1+ (1,0) [0|0] \"\" Kit\n SG_ B_X : 8|8@1+ (1,0) [0|0] \"\" Kit\n";
    assert_eq!(made(text).rig.aux.keys().collect::<Vec<_>>(), ["B_B_X", "B_X", "B_X_2", "X"]);
}

#[test]
fn a_selector_is_found_from_either_byte_order() {
    // The selector is the high nibble of byte 1, named by bit 15 in big endian and by bit 12 in little endian.
    let text = "BO_ 1 A: 8 Kit\n SG_ S M : 15|4@0+ (1,0) [0|0] \"\" Kit\n SG_ L m3 : 16|8@1+ (1,0) [0|0] \"\" Kit\n\
        \x20SG_ B m4 : 23|8@0+ (1,0) [0|0] \"\" Kit\nBO_ 2 C: 8 Kit\n SG_ T M : 7|12@0+ (1,0) [0|0] \"\" Kit\n\
        \x20SG_ U m3 : 16|8@1+ (1,0) [0|0] \"\" Kit\n";
    let made = made(text);
    let frame = |selector: u8| CanFrame::new(1, false).with_data(&[0xFF, selector << 4 | 0xF, 7, 0, 0, 0, 0, 0]);
    let row = |name: &str, value: f64| (name.to_owned(), value);
    assert_eq!(decoded(&made.rig, &frame(3)), [row("S", 3.0), row("L", 7.0)]);
    assert_eq!(decoded(&made.rig, &frame(4)), [row("S", 4.0), row("B", 7.0)]);
    let reason = made.listing.signals[4].reason.as_deref();
    assert_eq!(reason, Some("its multiplexor T spans bytes in the other byte order"));
}

#[test]
fn an_older_encoding_is_read() {
    let text =
        [HEAD.as_bytes(), b"BO_ 1 A: 8 Kit\n SG_ T : 0|8@1+ (1,-40) [0|0] \"\xB0C\" Kit\nCM_ SG_ 1 T \"W\xE4rme\";\n"]
            .concat();
    let made = make_rig("kit.dbc".as_ref(), &text, &options()).expect("a rig");
    let aux = &made.rig.aux["T"];
    assert_eq!((aux.unit.as_str(), aux.doc.as_str(), aux.min, aux.max), ("Cel", "W\u{e4}rme", -40.0, 215.0));
    assert_eq!(made.listing.notes, ["the text is not UTF-8 and was read as Windows-1252"]);
}

#[test]
fn what_is_no_database_is_placed() {
    let message = failed("BO_ 1 A: 8 Kit\n SG_ X : 0|8@1+ (1,0 [0|0] \"\" Kit\n", &options());
    assert!(
        message.starts_with("kit.dbc:12:15: not a line of a CAN database: `SG_ X : 0|8@1+ (1,0 [0|0]"),
        "{message}"
    );
    let message = failed("BO_ 1 A: 8 Kit\n SG_ X : -1|8@1+ (1,0) [0|0] \"\" Kit\n", &options());
    assert_eq!(message, "kit.dbc: `-1` is not a number that fits here");
}

#[test]
fn vehicle_port_and_bit_rate_are_checked() {
    let text = "BO_ 1 A: 8 Kit\n SG_ X : 0|8@1+ (1,0) [0|0] \"\" Kit\n";
    let message = failed(text, &DatabaseOptions { bit_rate: 800_000, ..options() });
    assert!(message.contains("has no unambiguous slcan rate code"), "{message}");
    let message = failed(text, &DatabaseOptions { vehicle: "a \"b\"\n".to_owned(), ..options() });
    assert!(message.contains("use letters, digits"), "{message}");
}

#[test]
fn a_rig_is_never_written_over() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let path = directory.path().join("rig.toml");
    let made = made(EVERYTHING);
    write_rig(&path, &made.rig).expect("room");
    assert_eq!(Rig::read(&path).expect("a rig"), made.rig);
    assert!(write_rig(&path, &made.rig).expect_err("there already").to_string().starts_with("create "));
}

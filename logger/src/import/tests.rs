use std::{fs, path::PathBuf};

use tallywheel_schemas::{Domain, Table};

use super::*;
use crate::testing::{data, device_ms, floats, ids, ints, rows, texts, times, tree, verify};

const RIG: &str = r#"
schema = 1
vehicle = "skerry-1"

[[port]]
name = "kit-bus"
kind = "slcan"
bit_rate = 250000

[[port]]
name = "gps"
kind = "nmea"

[[port]]
name = "fuel-box"
kind = "text"
separator = ";"
decimal = ","
columns = ["t", "pulses", "temp"]
time_column = "t"
time_format = "from_start_s"

[[signal]]
channel = "pack.voltage_v"
port = "kit-bus"
id = 0x310
start_bit = 0
length = 16
scale = 0.01

[[signal]]
channel = "engine.fuel_count"
port = "fuel-box"
column = "pulses"

[[signal]]
channel = "engine.fuel_temp_c"
port = "fuel-box"
column = "temp"
"#;

const START: i64 = 1_791_189_000_000_000; // 2026-10-05T08:30:00Z

struct Bench {
    directory: tempfile::TempDir,
    options: ImportOptions,
}

impl Bench {
    fn new(rig: &str, captures: &[(&str, &[u8])]) -> Self {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let file = |name: &str| directory.path().join(name);
        fs::write(file("rig.toml"), rig).expect("room");
        let now = Some(Timestamp::from_us(START + 30 * 86_400_000_000));
        let mut options = ImportOptions { rig: file("rig.toml"), data: file("data"), now, ..ImportOptions::default() };
        for (i, (port, bytes)) in captures.iter().enumerate() {
            let path = file(&format!("capture-{i}.log"));
            fs::write(&path, bytes).expect("room");
            options.captures.push(((*port).to_owned(), path));
        }
        Self { directory, options }
    }

    fn starting(mut self) -> Self {
        self.options.start = Some(Timestamp::from_us(START));
        self
    }

    fn import(&self) -> Manifest {
        let manifest = import(&self.options, &mut |_| {}).expect("an import");
        verify(&self.options.data, &manifest);
        assert!(!tree(&self.options.data).iter().any(|f| f.contains("partial") || f.contains(".journal")));
        manifest
    }

    fn error(&self) -> String {
        let error = import(&self.options, &mut |_| {}).expect_err("no import").to_string();
        assert!(!self.options.data.exists() || tree(&self.options.data).is_empty(), "nothing is left behind");
        error.replace(&self.directory.path().to_string_lossy().into_owned(), "DIR")
    }

    fn rows(&self, manifest: &Manifest, table: Table) -> arrow::array::RecordBatch {
        rows(&self.options.data, manifest, table).expect("a table")
    }
}

#[test]
fn slcan_with_adapter_time_is_unwrapped_from_the_start() {
    let capture = b"t31020A00E678\rt3102\nt3102640000019\rt310264000019\r\nsa057033\rt31028025EA5F\r";
    let bench = Bench::new(RIG, &[("kit-bus", capture)]).starting();
    let manifest = bench.import();
    assert_eq!(manifest.session, "skerry-1-20261005T083000Z");
    let frames = bench.rows(&manifest, Table::Frames);
    assert_eq!(device_ms(&frames), [Some(59_000), Some(25), Some(59_999)]);
    assert_eq!(times(&frames), [START, START + 1_025_000, START + 60_999_000]);
    assert_eq!(ids(&frames), [0x310; 3]);
    assert_eq!(data(&frames)[0], [0x0A, 0x00]);
    let pack = bench.rows(&manifest, Table::Decoded(Domain::Pack));
    assert_eq!(floats(&pack, "voltage_v"), [Some(0.1), Some(1.0), Some(96.0)]);
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text"), ["t3102", "t3102640000019", "sa057033"]);
    let port = &manifest.ports[0];
    assert_eq!((port.frames, port.lines, port.bad, port.bytes), (3, 1, 2, capture.len() as u64));
    assert_eq!(port.bad_examples[0].byte_offset, 14);
    assert!(port.bad_examples[0].reason.starts_with("5 characters where its length code asks for 9"));
    assert_eq!(port.longest_gap_us, 59_974_000);
    assert_eq!(manifest.gaps[0].cause.words(), "silent");
    assert!(manifest.clock.contains("adapter's time stamps"), "{}", manifest.clock);
    let Origin::Imported(captures) = &manifest.origin else { panic!("an import") };
    assert_eq!(captures[0].blake3, tallywheel_schemas::Digest::of(capture));
}

#[test]
fn slcan_without_time_is_spread_over_the_span_and_says_so() {
    let mut bench = Bench::new(RIG, &[("kit-bus", b"t31020A00\rt31021400\rt31021E00")]).starting();
    assert_eq!(
        bench.error(),
        "DIR/capture-0.log: its frames have no time stamps; say how long the capture took with --span SECONDS, and \
         when it began with --start"
    );
    bench.options.span_s = Some(3.0);
    let manifest = bench.import();
    assert_eq!(times(&bench.rows(&manifest, Table::Frames)), [START, START + 1_500_000, START + 3_000_000]);
    let notes = &manifest.notes;
    assert!(notes[0].contains("times are estimated"), "{notes:?}");
    assert_eq!(
        notes[1..],
        ["port gps: no capture was imported for it", "port fuel-box: no capture was imported for it"]
    );
    assert!(manifest.gaps.is_empty() || manifest.gaps.iter().all(|g| g.port == "kit-bus"));
    bench.options.start = None;
    bench.options.data = bench.directory.path().join("other");
    assert!(bench.error().contains("say when that was with --start"));
}

#[test]
fn a_can_log_brings_its_own_time_and_direction() {
    let log = b"(1791189000.000001) can0 310#0A00\n(1791189000.5) can0 12ABCDEF#R4 R\n\
        (1791189000.25) can0 123##300112233 T\nnonsense\n(1791189001.0) can0 20000080#0000000000000000\n";
    let bench = Bench::new(RIG, &[("kit-bus", log)]);
    let manifest = bench.import();
    let frames = bench.rows(&manifest, Table::Frames);
    assert_eq!(times(&frames), [START + 1, START + 250_000, START + 500_000]);
    assert_eq!(texts(&frames, "direction"), ["rx", "tx", "rx"]);
    assert_eq!(ids(&frames), [0x310, 0x123, 0x12AB_CDEF]);
    assert_eq!(data(&frames), [vec![0x0A, 0], vec![0, 0x11, 0x22, 0x33], vec![]]);
    assert_eq!(manifest.ports[0].bad, 1);
    assert_eq!(
        manifest.notes[0],
        "port kit-bus: 1 message(s) were out of order by up to 5 s and are sorted by their time"
    );
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text").len(), 2);
    let relative = Bench::new(RIG, &[("kit-bus", b"(0.0) vcan0 001#8d00100100820100\n")]);
    assert!(relative.error().contains("--start"));
    let manifest = relative.starting().import();
    assert_eq!(manifest.start_us.as_us(), START);
}

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", crate::framing::checksum(body.as_bytes()))
}

#[test]
fn sentences_give_their_own_time_across_midnight() {
    let log = [
        sentence("GPGGA,235958.80,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"),
        sentence("GPRMC,235959.00,A,4807.038,N,01131.000,E,010.0,084.4,051026,,"),
        sentence("GPVTG,054.7,T,034.4,M,010.0,N,018.5,K"),
        sentence("GPGGA,000000.20,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"),
        sentence("GPRMC,000000.20,V,,,,,,,061026,,"),
    ]
    .concat();
    let bench = Bench::new(RIG, &[("gps", log.as_bytes())]);
    let manifest = bench.import();
    let lines = times(&bench.rows(&manifest, Table::Lines));
    let first = Timestamp::parse("2026-10-05T23:59:59Z", 0).expect("a time").as_us();
    assert_eq!(lines, [first, first, first, first + 1_200_000, first + 1_200_000]);
    let motion = bench.rows(&manifest, Table::Decoded(Domain::Motion));
    let knots = 10.0 * 1852.0 / 3600.0;
    assert_eq!(floats(&motion, "gps_speed_m_s"), [None, Some(knots), None, None]);
    assert_eq!(ints(&motion, "gps_quality").into_iter().flatten().collect::<Vec<_>>(), [1, 1]);
    assert!(manifest.path().to_string_lossy().contains("date=2026-10-05"));
}

#[test]
fn sentences_without_a_date_need_one() {
    let log = sentence("GPGGA,120000,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,");
    let bench = Bench::new(RIG, &[("gps", log.as_bytes())]);
    assert_eq!(bench.error(), "DIR/capture-0.log: no RMC sentence gives a date; say which day it was with --start");
    let manifest = bench.starting().import();
    assert_eq!(manifest.start_us.to_string(), "2026-10-05T12:00:00Z");
}

#[test]
fn text_follows_the_rig_in_columns_marks_and_time() {
    let capture =
        b"\xEF\xBB\xBFt;pulses;temp\r\n-0,0;100;20,5\r\n0,5;110;\r\n0,4;120;hot\r\nx;130;21\r\n1,5;140\r\n2,0;150;22,0";
    let bench = Bench::new(RIG, &[("fuel-box", capture)]);
    assert!(bench.error().contains("say when that was with --start"), "{}", bench.error());
    let bench = bench.starting();
    let manifest = bench.import();
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    assert_eq!(times(&engine), [START, START + 400_000, START + 500_000, START + 2_000_000]);
    assert_eq!(ints(&engine, "fuel_count"), [Some(100), Some(120), Some(110), Some(150)]);
    assert_eq!(floats(&engine, "fuel_temp_c"), [Some(20.5), None, None, Some(22.0)]);
    let port = &manifest.ports[2];
    assert_eq!((port.lines, port.bad), (5, 2));
    assert_eq!(port.bad_examples[0].reason, "its time cannot be read");
    assert_eq!(port.bad_examples[1].reason, "2 columns where 3 were expected");
    assert!(manifest.notes[0].contains("1 message(s) were out of order by up to 5 s"), "{:?}", manifest.notes);
    let temp = manifest.channels.iter().find(|c| c.channel == "engine.fuel_temp_c").expect("a channel");
    assert_eq!((temp.samples, temp.missing), (2, 1));
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text").len(), 7);
}

#[test]
fn a_header_names_columns_and_must_have_those_of_the_rig() {
    let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"dyno\"\nkind = \"text\"\ntime_column = \"when\"\n\
        time_format = \"iso8601\"\nutc_offset_s = -18000\n[[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"dyno\"\n\
        column = \"speed\"\nscale = 0.44704\n";
    let bench = Bench::new(rig, &[("dyno", b"speed,when\n10,2007-07-03 07:20:05\n")]);
    let manifest = bench.import();
    assert_eq!(manifest.start_us.to_string(), "2007-07-03T12:20:05Z");
    let motion = bench.rows(&manifest, Table::Decoded(Domain::Motion));
    assert_eq!(floats(&motion, "wheel_speed_m_s"), [Some(4.4704)]);
    let wrong = Bench::new(rig, &[("dyno", b"sped,when\n10,2007-07-03 07:20:05\n")]);
    assert_eq!(
        wrong.error(),
        "DIR/capture-0.log: unknown column `speed`; did you mean `sped`?; its header names sped, when"
    );
    let timeless = Bench::new(&rig.replace("time_column = \"when\"\n", ""), &[("dyno", b"speed\n10\n")]);
    assert!(timeless.error().contains("does not say which column of port `dyno` holds the time"));
    let unreadable = Bench::new(rig, &[("dyno", b"speed,when\n10,yesterday\n")]);
    assert!(unreadable.error().contains("no readable time in its first 2 line(s)"), "{}", unreadable.error());
}

#[test]
fn several_captures_are_merged_by_time() {
    let bench = Bench::new(
        RIG,
        &[("fuel-box", b"0,0;1;\n0,2;2;\n0,4;3;\n"), ("kit-bus", b"t31020A000000\rt31020A00012C\rt31020A000190\r")],
    )
    .starting();
    let manifest = bench.import();
    assert_eq!(times(&bench.rows(&manifest, Table::Frames)), [START, START + 300_000, START + 400_000]);
    assert_eq!(times(&bench.rows(&manifest, Table::Lines)), [START, START + 200_000, START + 400_000]);
    let Origin::Imported(captures) = &manifest.origin else { panic!("an import") };
    assert_eq!(captures.iter().map(|c| c.port.as_str()).collect::<Vec<_>>(), ["kit-bus", "fuel-box"]);
    let tables: Vec<&str> = manifest.files.iter().map(|f| f.table.as_str()).collect();
    assert_eq!(tables, ["frames", "lines", "engine", "pack"], "raw tables first");
}

#[test]
fn what_cannot_be_used_is_named() {
    let mut bench = Bench::new(RIG, &[("kit-buss", b"t1230\r")]).starting();
    assert_eq!(bench.error(), "--capture kit-buss=…: unknown port `kit-buss`; did you mean `kit-bus`?");
    bench.options.captures[0].0 = "kit-bus".to_owned();
    bench.options.captures[0].1 = bench.directory.path().join("none.log");
    assert_eq!(bench.error(), "read DIR/none.log: No such file or directory (os error 2)");
    bench.options.captures[0].1 = bench.directory.path().to_owned();
    assert_eq!(bench.error(), "read DIR: Is a directory (os error 21)");
    let empty = Bench::new(RIG, &[("kit-bus", b"")]).starting();
    assert_eq!(empty.error(), "DIR/capture-0.log is empty");
    let twice = Bench::new(RIG, &[("kit-bus", b"t12300000\r"), ("kit-bus", b"t12300000\r")]).starting();
    assert!(twice.error().contains("has a capture already"));
    assert!(Bench::new(RIG, &[]).error().starts_with("nothing to import"));
    let wrong = Bench::new(&RIG.replace("pack.voltage_v", "pack.voltage"), &[("kit-bus", b"t1230\r")]);
    assert!(wrong.error().contains("did you mean `pack.voltage_v`?"));
}

#[test]
fn a_name_in_use_is_refused_and_a_start_in_use_gets_a_number() {
    let mut bench = Bench::new(RIG, &[("kit-bus", b"t12300000\r")]).starting();
    assert_eq!(bench.import().session, "skerry-1-20261005T083000Z");
    bench.options.again = true;
    assert_eq!(bench.import().session, "skerry-1-20261005T083000Z-2");
    bench.options.session = Some("skerry-1-20261005T083000Z".to_owned());
    let before = tree(&bench.options.data);
    let error = import(&bench.options, &mut |_| {}).expect_err("a name in use").to_string();
    assert!(error.contains("is in the dataset already"), "{error}");
    assert_eq!(tree(&bench.options.data), before);
}

#[test]
fn a_capture_without_one_good_message_is_not_sealed() {
    let cases: [(&str, &[u8], &str); 4] = [
        (
            "kit-bus",
            b"hello\rworld\r",
            "nothing in it could be read as slcan text or a CAN log, the first part of it: starts with `h`, \
             which begins no message; it looks like plain text. Nothing is imported",
        ),
        ("kit-bus", b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48\r\n", "it looks like an NMEA log"),
        ("kit-bus", b"\x1F\x8B\x08\x00\rt12300000\r", "is a gzip archive; unpack it first. Nothing is imported"),
        ("fuel-box", b"1,2,3\n4,5,6\n7,8,9\n", "it looks like text in 3 columns separated by `,`"),
    ];
    for (port, bytes, expected) in cases {
        let error = Bench::new(RIG, &[(port, bytes)]).starting().error();
        assert!(
            (error.starts_with("DIR/capture-0.log: nothing in it") || expected.contains("archive"))
                && error.starts_with("DIR/capture-0.log")
                && error.contains(expected),
            "{error}"
        );
    }
    // One good capture does not carry a bad one.
    let bench = Bench::new(RIG, &[("fuel-box", b"0,0;1;20\n"), ("kit-bus", b"hello\r")]).starting();
    assert!(bench.error().starts_with("DIR/capture-1.log: nothing in it"));
}

/// Two halves of a log joined the wrong way round. Read on as they stand, the second half's counts would be taken for
/// what they are not; each of its rows is counted as bad, and none is decoded with a time that is not its own.
#[test]
fn rows_far_out_of_order_are_bad_each_and_decoded_not_at_all() {
    let row = |i: i64| format!("{}.0;{};20,0\n", i, 1000 + 10 * i).replace('.', ",");
    let joined: String = (20..40).chain(0..20).chain(40..50).map(row).collect();
    let bench = Bench::new(RIG, &[("fuel-box", joined.as_bytes())]).starting();
    let manifest = bench.import();
    let port = &manifest.ports[2];
    // The earlier half, all of it, lies more than five seconds before the row that it stands behind.
    assert_eq!((port.lines, port.bad), (30, 20));
    assert_eq!(crate::Exit::of(&manifest), crate::Exit::Faults);
    assert_eq!(port.bad_examples[0].reason, "its time is more than 5 s out of order");
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    let expected: Vec<Option<i64>> = (20..50).map(|i| Some(1000 + 10 * i)).collect();
    assert_eq!(ints(&engine, "fuel_count"), expected);
    assert_eq!(times(&engine), (20..50).map(|i| START + i * 1_000_000).collect::<Vec<_>>());
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text").len(), 50, "every row is kept");
    assert!(manifest.notes.iter().any(|n| n.contains("20 message(s) lie more than 5 s away")), "{:?}", manifest.notes);
}

#[test]
fn rows_a_little_out_of_order_are_sorted() {
    let capture = "0,0;1;\n4,0;5;\n1,0;2;\n3,0;4;\n2,0;3;\n5,0;6;\n";
    let bench = Bench::new(RIG, &[("fuel-box", capture.as_bytes())]).starting();
    let manifest = bench.import();
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    assert_eq!(ints(&engine, "fuel_count"), (1..=6).map(Some).collect::<Vec<_>>());
    assert_eq!((manifest.ports[2].bad, crate::Exit::of(&manifest)), (0, crate::Exit::Success));
}

/// A frame of a log that lies too far back is kept as the line it was.
#[test]
fn a_frame_far_out_of_order_is_kept_as_a_line() {
    let log = b"(1791189000.0) can0 310#0A00\n(1791189010.0) can0 310#0B00\n(1791189011.0) can0 310#0C00\n\
        (1791189001.5) can0 310#DEAD T\n";
    let bench = Bench::new(RIG, &[("kit-bus", log)]);
    let manifest = bench.import();
    assert_eq!((manifest.ports[0].frames, manifest.ports[0].bad), (3, 1));
    let lines = bench.rows(&manifest, Table::Lines);
    assert_eq!(texts(&lines, "text"), ["(1791189001.500000) log 310#DEAD T"]);
    assert_eq!(times(&lines), [START + 11_000_000]);
}

#[test]
fn a_log_of_two_buses_asks_which_is_meant() {
    let log = b"(1791189000.0) can0 310#0A00\n(1791189000.5) can1 310#FFFF\n(1791189001.0) can0 310#1400\n";
    let mut bench = Bench::new(RIG, &[("kit-bus", log)]);
    assert_eq!(
        bench.error(),
        "DIR/capture-0.log: the log has frames of 2 interfaces, can0, can1, and a port is one bus; choose one, as in \
         --capture kit-bus=DIR/capture-0.log#can0"
    );
    let path = bench.options.captures[0].1.to_str().expect("UTF-8").to_owned();
    let choose = |name: &str| PathBuf::from(format!("{path}#{name}"));
    bench.options.captures[0].1 = choose("cna1");
    assert_eq!(
        bench.error(),
        "DIR/capture-0.log: unknown interface `cna1`; did you mean `can1`?; the log has can0, can1"
    );
    bench.options.captures[0].1 = choose("can0");
    let manifest = bench.import();
    assert_eq!(data(&bench.rows(&manifest, Table::Frames)), [vec![0x0A, 0], vec![0x14, 0]]);
    let Origin::Imported(captures) = &manifest.origin else { panic!("an import") };
    assert_eq!(captures[0].file, "capture-0.log#can0");
    assert_eq!(manifest.notes[0], "port kit-bus: 1 line(s) of other interfaces of the log were left out");
    let mut slcan = Bench::new(RIG, &[("kit-bus", b"t1230\r")]).starting();
    slcan.options.captures[0].1 =
        PathBuf::from(slcan.options.captures[0].1.to_str().expect("UTF-8").to_owned() + "#can0");
    assert!(slcan.error().ends_with("is no CAN log, so it has no interface `can0`; leave `#can0` out"));
}

#[test]
fn the_same_capture_is_imported_once_unless_again_is_said() {
    let mut bench = Bench::new(RIG, &[("kit-bus", b"t12300000\r")]).starting();
    let first = bench.import();
    bench.options.session = Some("another".to_owned());
    bench.options.start = Some(Timestamp::from_us(START + 3_600_000_000));
    let before = tree(&bench.options.data);
    let error = import(&bench.options, &mut |_| {}).expect_err("known").to_string();
    assert!(
        error.ends_with(&format!(
            "session {} of vehicle skerry-1 was imported from the same bytes; give --again to import them once more",
            first.session
        )),
        "{error}"
    );
    assert_eq!(tree(&bench.options.data), before);
    bench.options.again = true;
    assert_eq!(bench.import().session, "another");
    // Of another vehicle the same bytes are another matter.
    let other = bench.directory.path().join("other.toml");
    fs::write(&other, RIG.replace("skerry-1", "skerry-2")).expect("room");
    bench.options = ImportOptions { rig: other, session: None, again: false, ..bench.options };
    assert_eq!(bench.import().vehicle, "skerry-2");
}

#[test]
fn a_start_or_span_that_is_not_used_is_said() {
    let log = b"(1791189000.0) can0 310#0A00\n(1791189001.0) can0 310#1400\n";
    let mut bench = Bench::new(RIG, &[("kit-bus", log)]).starting();
    assert!(!bench.import().notes.iter().any(|n| n.contains("--start")));
    bench.options.start = Some(Timestamp::from_us(START - 7_200_000_000));
    bench.options.span_s = Some(60.0);
    bench.options.again = true;
    let notes = bench.import().notes;
    assert_eq!(
        notes[..2],
        [
            "port kit-bus: its own times begin at 2026-10-05T08:30:00Z, 2 h 0 min 0.0 s from --start \
             2026-10-05T06:30:00Z, which is not used for it",
            "--span 60 is not used: every capture has time stamps"
        ]
    );
}

#[test]
fn doubtful_times_are_noted() {
    let log = b"(1791189000.0) can0 310#0A00\n(1791189001.0) can0 310#0B00\n(1791289001.0) can0 310#1400\n\
        (1791289002.0) can0 310#1400\n";
    let mut bench = Bench::new(RIG, &[("kit-bus", log)]);
    bench.options.now = Some(Timestamp::from_us(START));
    let notes = bench.import().notes;
    assert!(notes[0].starts_with("the session is 27 h 46 min 42.0 s long"), "{notes:?}");
    assert!(notes[1].contains("in the future"), "{notes:?}");
}

/// A cell that is missing takes only its own channel with it, while the separators still say which one it is.
#[test]
fn a_missing_cell_is_missing_alone() {
    let capture = b"0,0;100;20,5\n0,1;;20,6\n0,2;102;\n0,3;103\n0,4;;\n0,5;105;20,9\n";
    let bench = Bench::new(RIG, &[("fuel-box", capture)]).starting();
    let manifest = bench.import();
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    assert_eq!(ints(&engine, "fuel_count"), [Some(100), None, Some(102), Some(105)]);
    assert_eq!(floats(&engine, "fuel_temp_c"), [Some(20.5), Some(20.6), None, Some(20.9)]);
    assert_eq!((manifest.ports[2].lines, manifest.ports[2].bad), (5, 1));
    assert_eq!(manifest.ports[2].bad_examples[0].reason, "2 columns where 3 were expected");
}

#[test]
fn the_cut_first_line_of_a_capture_is_a_fragment() {
    let bench = Bench::new(RIG, &[("fuel-box", b"00;20,5\n0,1;101;20,6\n0,2;102;20,7\n")]).starting();
    let manifest = bench.import();
    assert_eq!((manifest.ports[2].lines, manifest.ports[2].bad), (2, 0));
    assert_eq!(crate::Exit::of(&manifest), crate::Exit::Success);
    let note = "port fuel-box: 1 message(s) were cut by the start or end of listening; kept in `lines`, not decoded";
    assert!(manifest.notes.iter().any(|n| n == note), "{:?}", manifest.notes);
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text")[0], "00;20,5");
}

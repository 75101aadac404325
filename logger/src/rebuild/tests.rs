use tallywheel_schemas::Timestamp;

use super::*;
use crate::{
    import::{ImportOptions, import},
    testing::{floats, rows, tree, verify},
};

const RIG: &str = r#"schema = 1
vehicle = "skerry-1"
[[port]]
name = "bus"
kind = "slcan"
bit_rate = 250000
[[port]]
name = "gps"
kind = "nmea"
[[port]]
name = "box"
kind = "text"
columns = ["t", "pulses", "temp"]
time_column = "t"
time_format = "from_start_s"
[[signal]]
channel = "pack.voltage_v"
port = "bus"
id = 0x310
start_bit = 0
length = 16
scale = 0.01
[[signal]]
channel = "engine.fuel_temp_c"
port = "box"
column = "temp"
"#;

const BUS: &str = "t31020A000000\rt31021400012C\rt3102\rT12ABCDEF2AA550190\r";
const GPS: &str =
    "$GPRMC,083000.00,A,4807.038,N,01131.000,E,022.4,084.4,051026,003.1,W*7F\r\n$GPRMC,083001.00,A,48\r\n";
const BOX: &str = "0.0,1,20\n0.1,2\nx,3,21\n0.4,4,22\n20.0,5,23\n20.1,6,23\n1.0,7,24\n20.2,8,25\n";

struct Bench {
    directory: tempfile::TempDir,
    data: PathBuf,
}

impl Bench {
    fn new() -> Self {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let data = directory.path().join("data");
        Self { directory, data }
    }

    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.directory.path().join(name);
        fs::write(&path, text).expect("room");
        path
    }

    /// Imports a capture of the bus alone.
    fn import_bus(&self, rig: &str, bus: &str) -> Manifest {
        let options = ImportOptions {
            rig: self.file("first.toml", rig),
            data: self.data.clone(),
            captures: vec![("bus".to_owned(), self.file("bus", bus))],
            start: Some(Timestamp::parse("2026-10-05T08:30:00Z", 0).expect("a time")),
            ..ImportOptions::default()
        };
        import(&options, &mut |_| {}).expect("an import")
    }

    fn import(&self, rig: &str, data: &Path) -> Manifest {
        let rmc = "GPRMC,083000.00,A,4807.038,N,01131.000,E,022.4,084.4,051026,003.1,W";
        let sum = format!("{:02X}", crate::framing::checksum(rmc.as_bytes()));
        let captures =
            [("bus", BUS.to_owned()), ("gps", GPS.replace("*7F", &format!("*{sum}"))), ("box", BOX.to_owned())];
        let options = ImportOptions {
            rig: self.file("first.toml", rig),
            data: data.to_owned(),
            captures: captures.map(|(port, text)| (port.to_owned(), self.file(port, &text))).to_vec(),
            start: Some(Timestamp::parse("2026-10-05T08:30:00Z", 0).expect("a time")),
            ..ImportOptions::default()
        };
        import(&options, &mut |_| {}).expect("an import")
    }

    fn rebuild(&self, rig: &str) -> Result<Vec<Manifest>, RebuildError> {
        let rig = self.file("corrected.toml", rig);
        rebuild(&RebuildOptions { rig, data: self.data.clone(), sessions: Vec::new() })
    }
}

fn corrected() -> String {
    RIG.replace("scale = 0.01", "scale = 0.02").replace("engine.fuel_temp_c", "ambient.temp_c")
}

/// Hashes of the decoded files by table.
fn decoded(manifest: &Manifest) -> Vec<(String, tallywheel_schemas::Digest)> {
    manifest.files.iter().filter(|f| is_decoded(&f.table)).map(|f| (f.table.clone(), f.blake3)).collect()
}

#[test]
fn decoded_tables_are_as_if_the_corrected_rig_had_been_there_from_the_start() {
    let bench = Bench::new();
    let old = bench.import(RIG, &bench.data);
    let expected = bench.import(&corrected(), &bench.directory.path().join("fresh"));
    let new = bench.rebuild(&corrected()).expect("rebuilt").remove(0);
    verify(&bench.data, &new);
    assert_eq!(decoded(&new), decoded(&expected));
    assert_eq!(new.channels, expected.channels);
    assert_eq!((new.ports.clone(), new.origin.clone()), (old.ports.clone(), old.origin.clone()));
    assert_eq!(new.earlier_rigs, std::slice::from_ref(&old.rig));
    let pack = rows(&bench.data, &new, Table::Decoded(Domain::Pack)).expect("pack");
    assert_eq!(floats(&pack, "voltage_v"), [Some(0.2), Some(0.4)]);
    // What was replaced is all there: three decoded files and the manifest.
    let aside = bench.data.join(SUPERSEDED_DIRECTORY).join(&old.session).join(old.rig.blake3.short());
    assert_eq!(tree(&aside).len(), decoded(&old).len() + 1);
    for file in old.files.iter().filter(|f| is_decoded(&f.table)) {
        let kept = aside.join(&file.table).join(format!("{}.parquet", old.session));
        assert_eq!(durable::digest(&kept).expect("kept").0, file.blake3);
    }
    let superseded = aside.join(format!("{}.json", old.session));
    for (path, expected) in [(superseded, &old), (bench.data.join(new.path()), &new)] {
        let (found, seal) = Manifest::read_with_seal(&path).expect("a manifest");
        assert_eq!((&found, seal), (expected, Seal::Holds));
    }
    assert!(!tree(&bench.data).iter().any(|f| f.contains("partial") || f.contains(".journal/")));
}

/// Answers to requests are recorded as frames like any others, and decode from them as they did when they came.
#[test]
fn answers_of_an_ecu_decode_from_sealed_frames() {
    let asking = "bit_rate = 250000\ntransmit = true\nlisten_only = false\n";
    let speed = "[[signal]]\nchannel = \"engine.speed_rpm\"\nport = \"bus\"\npid = 0x0C\nevery_s = 0.5\n";
    let long = "[[signal]]\nchannel = \"flow\"\nport = \"bus\"\npid = 0x9D\nevery_s = 0.5\nstart_bit = 47\nlength = 16\n\
                byte_order = \"big\"\n[aux.flow]\nunit = \"g/s\"\nmin = 0.0\nmax = 100000.0\n";
    let rig = format!("{}{speed}{long}", RIG.replace("bit_rate = 250000\n", asking));
    let bench = Bench::new();
    // 1726 rpm in one frame, 0x1234 in two (SAE J1979, ISO 15765-2).
    let bus = "t7E8804410C1AF8AAAAAA0000\rt7E88100A419D000000000010\rt7E88210012345555555500B0\r";
    let first = bench.import_bus(RIG, bus);
    assert_eq!(first.channels.iter().filter(|c| c.channel == "flow").count(), 0);
    let new = bench.rebuild(&rig).expect("rebuilt").remove(0);
    verify(&bench.data, &new);
    let engine = rows(&bench.data, &new, Table::Decoded(Domain::Engine)).expect("engine");
    assert_eq!(floats(&engine, "speed_rpm").into_iter().flatten().collect::<Vec<_>>(), [1726.0]);
    let aux = rows(&bench.data, &new, Table::Decoded(Domain::Aux)).expect("aux");
    assert_eq!(floats(&aux, "value"), [Some(f64::from(0x1234))]);
    // The time is that of the last frame: 176 ms after the first.
    let frames = rows(&bench.data, &new, Table::Frames).expect("frames");
    assert_eq!(crate::testing::times(&aux)[0], crate::testing::times(&frames)[2]);
}

#[test]
fn an_altered_manifest_is_not_sealed_again() {
    let bench = Bench::new();
    let old = bench.import(RIG, &bench.data);
    let path = bench.data.join(old.path());
    let text = fs::read_to_string(&path).expect("the manifest");
    fs::write(&path, text.replacen("\"bad\": 3", "\"bad\": 0", 1)).expect("room");
    let error = bench.rebuild(&corrected()).expect_err("altered").to_string();
    assert!(error.ends_with("was altered after sealing; put back the manifest as it was sealed"), "{error}");
}

#[test]
fn an_interrupted_rebuild_is_repaired_by_another() {
    let bench = Bench::new();
    let old = bench.import(RIG, &bench.data);
    let new = bench.rebuild(&corrected()).expect("rebuilt").remove(0);
    // As if it had been killed before the last step: old manifest, new files under their names, one of them missing.
    fs::write(bench.data.join(old.path()), old.to_json()).expect("room");
    let pack = new.file(Table::Decoded(Domain::Pack)).expect("pack");
    fs::remove_file(bench.data.join(&pack.path)).expect("the file");
    let again = bench.rebuild(&corrected()).expect("repaired").remove(0);
    verify(&bench.data, &again);
    assert_eq!(again, new);
}

#[test]
fn a_rig_that_does_not_fit_and_raw_data_that_are_damaged_are_refused() {
    let bench = Bench::new();
    let old = bench.import(RIG, &bench.data);
    let before = tree(&bench.data);
    let error = |rig: &str| bench.rebuild(rig).expect_err("refused").to_string();
    assert!(error(&RIG.replace("skerry-1", "skerry-2")).ends_with("no session of vehicle skerry-2"));
    let renamed = RIG.replace("\"bus\"", "\"kit\"");
    assert!(error(&renamed).contains("has data of port `bus`, which the rig does not have"));
    let frames = bench.data.join(&old.files[0].path);
    let mut bytes = fs::read(&frames).expect("frames");
    bytes[100] ^= 1;
    fs::write(&frames, bytes).expect("room");
    assert!(error(&corrected()).contains("is missing or damaged"));
    assert_eq!(tree(&bench.data), before);
    let unknown =
        RebuildOptions { rig: bench.file("r.toml", RIG), data: bench.data.clone(), sessions: vec!["none".to_owned()] };
    assert!(rebuild(&unknown).expect_err("unknown").to_string().contains("no session `none`"));
}

/// A Modbus answer means nothing without its request, and both are only lines in the sealed session. Bytes from
/// rmodbus's own tests (client.rs, read): registers 0 and 1 hold 6 and 5.
#[test]
fn a_meters_answers_are_decoded_again_from_the_pairs_of_lines() {
    let rig = |scale: &str| {
        format!(
            "schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n[[signal]]\n\
             channel = \"pack.wall_power_w\"\nport = \"meter\"\nunit_id = 1\nregister = 1\nregister_kind = \"input\"\n\
             format = \"u16\"\nscale = {scale}\n"
        )
    };
    let (ask, good) = ([1, 4, 0, 0, 0, 2, 0x71, 0xCB], [1, 4, 4, 0, 6, 0, 5, 0xDB, 0x86]);
    let bench = Bench::new();
    let facts = crate::seal::SessionFacts {
        rig: Rig::parse(tallywheel_schemas::TextFile::new("first.toml", rig("1.0"))).expect("a rig"),
        rig_file: "first.toml".to_owned(),
        run: None,
        clock: "a test's".to_owned(),
        start: None,
        live: true,
    };
    let lock = SessionLock::claim(&bench.data, "s").expect("a session");
    let mut framer = crate::framing::Framer::new(&facts.rig.ports[0]);
    let mut sealer = crate::seal::Sealer::new(&bench.data, &lock, facts);
    framer.begin_inside();
    framer.received(&good);
    for second in 0..3 {
        // The clock stands still within an exchange: the order of the lines is what counts.
        let at = Timestamp::from_us(second * 1_000_000);
        framer.sent(&ask);
        framer.received(&good);
        while let Some(framed) = framer.next() {
            sealer.message(0, at, framed).expect("room");
        }
    }
    let first = sealer.finish(None, Origin::Recorded).expect("sealed");
    lock.remove().expect("done");
    let power = |manifest: &Manifest| {
        let table = rows(&bench.data, manifest, Table::Decoded(Domain::Pack)).expect("a table");
        floats(&table, "wall_power_w")
    };
    assert_eq!(power(&first), [Some(5.0); 3]);
    assert_eq!((first.ports[0].lines, first.ports[0].bad), (6, 0));
    let second = bench.rebuild(&rig("10.0")).expect("decoded again").remove(0);
    assert_eq!(power(&second), [Some(50.0); 3]);
}

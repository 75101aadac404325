use std::fs;

use tallywheel_schemas::{Domain, TextFile};

use super::*;
use crate::{
    journal::{Batch, Chunk, EndMark, Event, Header, JournalWriter, Record},
    testing::{ints, rows, texts, times, tree, verify},
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n\
    [[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    [[port]]\nname = \"box\"\nkind = \"text\"\ncolumns = [\"pulses\", \"temp\"]\n\
    [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"bus\"\nid = 0x310\nstart_bit = 0\nlength = 16\nmax_gap_s = 2.0\n\
    [[signal]]\nchannel = \"engine.fuel_count\"\nport = \"box\"\ncolumn = \"pulses\"\n";

const START: i64 = 1_791_189_000_000_000; // 2026-10-05T08:30:00Z

fn at(ms: i64) -> Timestamp {
    Timestamp::from_us(START + ms * 1000)
}

fn bytes(port: u16, offset: u64, ms: i64, text: &[u8]) -> Record {
    Record::Bytes(Batch { port, offset, chunks: vec![Chunk { stamp: at(ms), bytes: text.to_vec() }] })
}

fn event(port: u16, ms: i64, what: PortEvent) -> Record {
    Record::Event(Event { port, at_us: at(ms), what })
}

fn opened() -> [Record; 2] {
    [event(0, 0, PortEvent::Opened), event(1, 0, PortEvent::Opened)]
}

struct Bench {
    dataset: tempfile::TempDir,
    lock: SessionLock,
}

impl Bench {
    fn new(records: impl IntoIterator<Item = Record>) -> Self {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let lock = SessionLock::claim_new(dataset.path(), "skerry-1", at(0)).expect("a free name");
        let header = Header {
            session: lock.session.clone(),
            vehicle: "skerry-1".to_owned(),
            start_us: at(0),
            rig_file: "rig.toml".to_owned(),
            rig_text: RIG.to_owned(),
            run: None,
            software: "test".to_owned(),
            follows: None,
            begins: Vec::new(),
        };
        let mut journal = JournalWriter::create(&lock.directory, header).expect("a journal");
        for record in records {
            journal.append(&record).expect("room");
        }
        Self { dataset, lock }
    }

    fn seal(&self, origin: Origin) -> Manifest {
        let manifest = seal_journal(self.dataset.path(), &self.lock, origin).expect("a session").manifest;
        verify(self.dataset.path(), &manifest);
        manifest
    }

    fn rows(&self, manifest: &Manifest, table: Table) -> RecordBatch {
        rows(self.dataset.path(), manifest, table).expect("a table")
    }
}

#[test]
fn ports_are_joined_in_the_order_of_arrival() {
    let bench = Bench::new(opened().into_iter().chain([
        bytes(0, 0, 100, b"t31020A00\rt3102"),
        bytes(0, 15, 300, b"1400\r"),
        bytes(1, 0, 200, b"7,20\r\n"),
        Record::End(EndMark::at(at(400))),
    ]));
    let manifest = bench.seal(Origin::Recorded);
    assert_eq!(times(&bench.rows(&manifest, Table::Frames)), [START + 100_000, START + 300_000]);
    assert_eq!(times(&bench.rows(&manifest, Table::Lines)), [START + 200_000]);
    assert_eq!((manifest.start_us, manifest.end_us), (at(100), at(300)));
    assert_eq!(manifest.ports[0].bytes, 20);
    assert!(manifest.notes.is_empty() && manifest.gaps.is_empty(), "{:?} {:?}", manifest.notes, manifest.gaps);
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    assert_eq!(ints(&engine, "fuel_count"), [Some(7)], "the port was quiet before its first line");
}

#[test]
fn what_the_start_and_end_cut_is_kept_and_not_decoded() {
    let bench = Bench::new(opened().into_iter().chain([
        bytes(1, 0, 10, b"5,20\n16,20\n17,2"),
        bytes(0, 0, 10, b"0102\rt31020A00\rt31"),
        Record::End(EndMark::at(at(400))),
    ]));
    let manifest = bench.seal(Origin::Recorded);
    let engine = bench.rows(&manifest, Table::Decoded(Domain::Engine));
    assert_eq!(ints(&engine, "fuel_count"), [Some(16)], "`5,20` may be the end of `15,20`");
    assert_eq!(texts(&bench.rows(&manifest, Table::Lines), "text").len(), 5);
    assert_eq!(manifest.ports.iter().map(|p| p.bad).sum::<u64>(), 0);
    assert_eq!(texts(&bench.rows(&manifest, Table::Events), "kind"), ["fragment"; 4]);
    assert_eq!(manifest.notes.len(), 2);
    // Decoding again from the raw tables must leave the same lines out.
    let rig = bench.dataset.path().join("rig.toml");
    fs::write(&rig, RIG).expect("room");
    let options = crate::rebuild::RebuildOptions {
        rig,
        data: bench.dataset.path().to_owned(),
        sessions: vec![manifest.session.clone()],
    };
    bench.lock.remove().expect("sealed");
    let again = crate::rebuild::rebuild(&options).expect("rebuilt").remove(0);
    assert_eq!((again.files, again.channels), (manifest.files, manifest.channels));
}

#[test]
fn dropped_bytes_are_counted_and_never_glued() {
    let bench = Bench::new(opened().into_iter().chain([
        bytes(0, 0, 100, b"t31020A00\rt3102"),
        event(0, 150, PortEvent::Dropped { messages: 3, bytes: 30, disk_stopped: false }),
        bytes(0, 45, 200, b"1400\rt31020B00\r"),
        Record::End(EndMark::at(at(300))),
    ]));
    let manifest = bench.seal(Origin::Recorded);
    assert_eq!(bench.rows(&manifest, Table::Frames).num_rows(), 2, "the two halves make no frame");
    let port = &manifest.ports[0];
    assert_eq!((port.frames, port.bad, port.dropped), (2, 1, 3));
    assert_eq!(port.bad_examples[0].byte_offset, 10);
    assert_eq!(manifest.gaps[0].cause.words(), "dropped, disk too slow");
    assert_eq!(crate::Exit::of(&manifest), crate::Exit::Faults);
}

#[test]
fn silence_and_disconnection_are_gaps() {
    let bench = Bench::new(opened().into_iter().chain([
        bytes(0, 0, 100, b"t31020A00\r"),
        bytes(0, 10, 3_000, b"t31020A00\r"),
        event(1, 3_100, PortEvent::Disconnected { reason: "gone".to_owned() }),
        bytes(0, 20, 3_200, b"t31020A00\r"),
        Record::End(EndMark::at(at(9_000))),
    ]));
    let manifest = bench.seal(Origin::Recorded);
    let gaps: Vec<_> = manifest
        .gaps
        .iter()
        .map(|g| {
            (g.port.as_str(), (g.start_us.as_us() - START) / 1000, g.length_us.map(|us| us / 1000), g.cause.words())
        })
        .collect();
    assert_eq!(
        gaps,
        [
            ("bus", 100, Some(2_900), "silent"),
            ("bus", 3_200, Some(5_800), "silent"),
            ("box", 0, Some(9_000), "disconnected"),
        ]
    );
    assert_eq!(texts(&bench.rows(&manifest, Table::Events), "text"), ["box: gone"]);
    assert_eq!(crate::Exit::of(&manifest), crate::Exit::Faults);
}

#[test]
fn a_session_without_data_is_a_session() {
    let bench = Bench::new([Record::End(EndMark::at(at(1_000)))]);
    let manifest = bench.seal(Origin::Recorded);
    assert!(manifest.files.is_empty());
    assert_eq!(manifest.start_us, at(0));
    assert_eq!(manifest.notes, ["nothing arrived on any port"]);
    assert_eq!(manifest.channels.len(), 2);
}

#[test]
fn what_an_interrupted_sealing_left_is_replaced_but_never_lost() {
    let records = || opened().into_iter().chain([bytes(0, 0, 100, b"t31020A00\r"), bytes(0, 10, 101, b"x\r")]);
    let bench = Bench::new(records());
    let frames = bench.dataset.path().join(Table::Frames.path("skerry-1", "2026-10-05", &bench.lock.session));
    fs::create_dir_all(frames.parent().expect("a partition")).expect("room");
    fs::write(&frames, "something else").expect("room");
    let manifest = bench.seal(Origin::Recovered);
    let aside = bench.dataset.path().join(".superseded").join(&manifest.session).join("unsealed/frames");
    let kept = aside.join(frames.file_name().expect("a name"));
    assert_eq!(fs::read_to_string(kept).expect("kept"), "something else");
    // The same content from an earlier try is no conflict.
    fs::remove_file(bench.dataset.path().join(manifest.path())).expect("as if the manifest had not been written");
    let again = bench.seal(Origin::Recovered);
    assert_eq!(again.files, manifest.files);
    assert_eq!(tree(&bench.dataset.path().join(".superseded")).len(), 1);
}

#[test]
fn messages_out_of_order_never_turn_time_back() {
    // Captured lines may lie anywhere within seconds, recorded ones within half a second.
    for (live, step_ms) in [(false, 1000), (true, 125)] {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let lock = SessionLock::claim_new(dataset.path(), "skerry-1", at(0)).expect("a free name");
        let rig = Rig::parse(TextFile::new("rig.toml", RIG)).expect("a rig");
        let (rig_file, clock) = ("rig.toml".to_owned(), String::new());
        let facts = SessionFacts { rig, rig_file, run: None, clock, start: None, live };
        let mut sealer = Sealer::new(dataset.path(), &lock, facts);
        let mut steps: Vec<i64> = (0..20_000).map(|i| (i * 7919) % 20_000).collect();
        steps.sort_by_key(|s| s / 4);
        for (i, s) in steps.iter().enumerate() {
            let frame = crate::message::CanFrame::new(0x310, false).with_data(&[*s as u8, 0]);
            let framed = Framed { offset: i as u64, message: Message::Frame(frame) };
            sealer.message(0, at(*s * step_ms), framed).expect("room");
        }
        let manifest = sealer.finish(None, Origin::Imported(Vec::new())).expect("a session");
        let found = times(&rows(dataset.path(), &manifest, Table::Frames).expect("frames"));
        assert_eq!(found, (0..20_000).map(|s| START + s * step_ms * 1000).collect::<Vec<_>>());
        let voltage = rows(dataset.path(), &manifest, Table::Decoded(Domain::Pack)).expect("pack");
        assert_eq!(times(&voltage), found);
    }
}

#[test]
fn a_marker_of_an_earlier_session_does_not_lengthen_this_one() {
    let what = SessionNote::Marker { text: "slipway".to_owned(), who: String::new() };
    let late = Record::Note(crate::journal::Note { at_us: at(-600_000), what });
    let frame = |i: i64| bytes(0, 10 * i as u64, i * 1000, b"t31020A00\r");
    let bench =
        Bench::new(opened().into_iter().chain((0..3).map(frame)).chain([late, Record::End(EndMark::at(at(3000)))]));
    let manifest = bench.seal(Origin::Recorded);
    assert!(manifest.start_us >= at(0), "{}", manifest.start_us);
    let events = bench.rows(&manifest, Table::Events);
    assert_eq!(texts(&events, "text"), [format!("slipway (of {}, before this session)", at(-600_000))]);
    assert!(times(&events)[0] >= START);
}

#[test]
fn a_marker_keeps_its_moment_however_late_it_is_told_of() {
    let mark = |ms: i64, text: &str| {
        let what = SessionNote::Marker { text: text.to_owned(), who: "E. T.".to_owned() };
        Record::Note(crate::journal::Note { at_us: at(ms), what })
    };
    let frame = |i: i64| bytes(0, 10 * i as u64, i * 1000, b"t31020A00\r");
    let frames = |seconds: std::ops::Range<i64>| seconds.map(frame).collect::<Vec<_>>();
    let records = [frames(0..60), vec![mark(59_500, "gate"), mark(2_500, "page was away")], frames(60..90)].concat();
    let bench = Bench::new(opened().into_iter().chain(records).chain([Record::End(EndMark::at(at(90_000)))]));
    let manifest = bench.seal(Origin::Recorded);
    let events = bench.rows(&manifest, Table::Events);
    assert_eq!(texts(&events, "kind"), ["marker", "marker"]);
    assert_eq!(texts(&events, "text"), ["page was away (E. T.)", "gate (E. T.)"]);
    assert_eq!(times(&events), [START + 2_500_000, START + 59_500_000]);
    assert!(manifest.notes.iter().all(|n| !n.contains("late")), "{:?}", manifest.notes);
}

//! Crash tests: whatever happens to the file's end, whole records survive and nothing is invented.

use super::*;

fn header() -> Header {
    Header {
        session: "skerry-1-20261005T083000Z".to_owned(),
        vehicle: "skerry-1".to_owned(),
        start_us: Timestamp::from_us(1_791_189_000_000_000),
        rig_file: "rig.toml".to_owned(),
        rig_text: "schema = 1\n".to_owned(),
        run: None,
        software: "test".to_owned(),
        follows: None,
        begins: Vec::new(),
    }
}

fn records() -> Vec<Record> {
    let at = |us: i64| Timestamp::from_us(1_791_189_000_000_000 + us);
    let chunk = |us, bytes: &[u8]| Chunk { stamp: at(us), bytes: bytes.to_vec() };
    vec![
        Record::Header(Box::new(header())),
        Record::Event(Event { port: 0, at_us: at(5), what: PortEvent::Opened }),
        Record::Bytes(Batch { port: 0, offset: 0, chunks: vec![chunk(10, b"t1230\r"), chunk(12, b"t456311")] }),
        Record::Bytes(Batch { port: 1, offset: 7, chunks: vec![chunk(11, b"\xFF\x00$GPHDT")] }),
        Record::Bytes(Batch { port: 0, offset: 13, chunks: vec![chunk(20, b"2233\r")] }),
        Record::Note(Note {
            at_us: at(30),
            what: SessionNote::Marker { text: "gate".to_owned(), who: "technician".to_owned() },
        }),
        Record::End(EndMark { at_us: at(1_000_000), followed_by: Some("next".to_owned()), carried: vec![0, 3] }),
    ]
}

fn encoded() -> (Vec<u8>, Vec<usize>) {
    let mut bytes = Vec::new();
    let mut ends = Vec::new();
    for (sequence, record) in records().iter().enumerate() {
        bytes.extend_from_slice(&record.encode(sequence as u32));
        ends.push(bytes.len());
    }
    (bytes, ends)
}

fn read(bytes: &[u8]) -> (Vec<Record>, Option<Skipped>) {
    let mut reader = JournalReader::new(bytes, PathBuf::from("test"), bytes.len() as u64);
    let mut out = Vec::new();
    while let Some(record) = reader.next().expect("memory reads") {
        out.push(record);
    }
    (out, reader.skipped().cloned())
}

/// CRC-32 of "123456789" is 0xCBF43926: the check value of the PyPI package crccheck (read, recomputed).
#[test]
fn crc_32_has_its_published_check_value() {
    assert_eq!(record_crc(b"1234", b"56789"), 0xCBF4_3926);
}

#[test]
fn the_layout_is_as_drawn() {
    let record = Record::Bytes(Batch {
        port: 2,
        offset: 0x0102,
        chunks: vec![Chunk { stamp: Timestamp::from_us(0x0A0B), bytes: b"z".to_vec() }],
    });
    let bytes = record.encode(7);
    let expected_head = [
        b'T', b'W', b'J', b'R', // magic
        2, 0, // version
        1, 0, // kind, zero
        25, 0, 0, 0, // length
        7, 0, 0, 0, // sequence
    ];
    let expected_payload = [
        2, 0, // port
        0x0B, 0x0A, 0, 0, 0, 0, 0, 0, // stamp
        0x02, 0x01, 0, 0, 0, 0, 0, 0, // offset
        0, 0, 0, 0, 1, 0, b'z', // delta, length, bytes
    ];
    assert_eq!(bytes[..16], expected_head);
    assert_eq!(bytes[20..], expected_payload);
}

#[test]
fn what_was_written_is_read() {
    let (bytes, _) = encoded();
    assert_eq!(read(&bytes), (records(), None));
}

#[test]
fn cut_at_every_byte_keeps_whole_records_and_reports_the_rest() {
    let (bytes, ends) = encoded();
    for cut in 0..=bytes.len() {
        let whole = ends.iter().filter(|end| **end <= cut).count();
        let (found, skipped) = read(&bytes[..cut]);
        assert_eq!(found, records()[..whole], "cut at {cut}");
        let start = if whole == 0 { 0 } else { ends[whole - 1] };
        let expected = (start < cut).then_some(Skipped {
            offset: start as u64,
            bytes: (cut - start) as u64,
            reason: SkipReason::Cut,
        });
        assert_eq!(skipped, expected, "cut at {cut}");
    }
}

#[test]
fn a_tail_of_zeros_is_no_record() {
    let (bytes, ends) = encoded();
    for cut in 0..=bytes.len() {
        for zeros in [1, 19, 20, 4096] {
            let mut torn = bytes[..cut].to_vec();
            torn.resize(cut + zeros, 0);
            // Zeros may happen to be what the record would have held; then it is whole after all.
            let same = torn.iter().zip(&bytes).take_while(|(a, b)| a == b).count();
            let whole = ends.iter().filter(|end| **end <= same).count();
            let (found, skipped) = read(&torn);
            assert_eq!(found, records()[..whole], "cut at {cut} with {zeros} zeros");
            assert!(skipped.is_some());
        }
    }
}

#[test]
fn any_flipped_bit_ends_the_reading_at_its_record() {
    let (bytes, ends) = encoded();
    for at in 0..bytes.len() {
        for bit in 0..8 {
            let mut flipped = bytes.clone();
            flipped[at] ^= 1 << bit;
            let whole = ends.iter().filter(|end| **end <= at).count();
            let (found, skipped) = read(&flipped);
            assert_eq!(found, records()[..whole], "byte {at} bit {bit}");
            let start = if whole == 0 { 0 } else { ends[whole - 1] };
            assert_eq!(skipped.map(|s| s.offset), Some(start as u64), "byte {at} bit {bit}");
        }
    }
}

#[test]
fn a_record_out_of_turn_is_not_read() {
    let records = records();
    let bytes = [records[0].encode(0), records[1].encode(2)].concat();
    assert_eq!(read(&bytes).1.map(|s| s.reason), Some(SkipReason::Sequence { expected: 1, found: 2 }));
}

#[test]
fn another_version_is_refused_with_the_way_out() {
    let (mut bytes, _) = encoded();
    bytes[4] = 9;
    let reason = read(&bytes).1.expect("nothing read").reason.to_string();
    assert_eq!(
        reason,
        "journal format 9 is not known; this release reads 1 to 2; seal it with the release that wrote it"
    );
}

#[test]
fn a_journal_on_disk_is_read_back_and_never_overwritten() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let mut writer = JournalWriter::create(directory.path(), header()).expect("a new journal");
    for record in &records()[1..] {
        writer.append(record).expect("room on the disk");
    }
    writer.sync().expect("a disk");
    let mut reader = JournalReader::open(directory.path()).expect("the journal");
    let mut found = Vec::new();
    while let Some(record) = reader.next().expect("a readable file") {
        found.push(record);
    }
    assert_eq!(found, records());
    let error = JournalWriter::create(directory.path(), header()).expect_err("there already").to_string();
    assert!(error.starts_with("create ") && error.contains("journal.twj"), "{error}");
}

#[test]
fn a_torn_last_write_is_told_from_damage() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (bytes, ends) = encoded();
    let is_torn = |bytes: &[u8]| {
        std::fs::write(directory.path().join(JOURNAL_FILE), bytes).expect("room");
        let skipped = read(bytes).1.expect("something is skipped");
        JournalReader::is_torn_write(directory.path(), &skipped).expect("readable")
    };
    // Zeros from the middle of the third record on, as of pages that never got to the disk.
    let middle = (ends[1] + ends[2]) / 2;
    let mut zeros = bytes.clone();
    zeros[middle..].fill(0);
    assert!(is_torn(&zeros) && is_torn(&bytes[..middle]));
    // The same record damaged, with good ones behind it.
    let mut flipped = bytes.clone();
    flipped[middle] ^= 1;
    assert!(!is_torn(&flipped));
    // More zeros than can have been on their way.
    zeros.resize(ends[1] + (17 << 20), 0);
    assert!(!is_torn(&zeros));
}

#[test]
fn a_journal_on_disk_is_packed_and_reads_the_same() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let chunk = |i: i64| Chunk {
        stamp: Timestamp::from_us(1_791_189_000_000_000 + i * 4000),
        bytes: format!("t31042704000B{i:04X}\r").into_bytes(),
    };
    let batch = Record::Bytes(Batch { port: 0, offset: 0, chunks: (0..50).map(chunk).collect() });
    let mut writer = JournalWriter::create(directory.path(), header()).expect("a new journal");
    let before = writer.synced();
    writer.append(&batch).expect("room on the disk");
    writer.sync().expect("a disk");
    let size = (writer.synced() - before) as usize;
    assert!(size < batch.encode(1).len() / 2, "{size}");
    let bytes = std::fs::read(writer.path()).expect("the journal");
    let (found, skipped) = read(&bytes);
    assert_eq!((found[1..].to_vec(), skipped), (vec![batch], None));
    // The checksum is of what is on the disk: a flipped bit is seen before anything is unpacked.
    let mut flipped = bytes;
    let last = flipped.len() - 1;
    flipped[last] ^= 1;
    assert_eq!(read(&flipped).1.map(|s| s.reason), Some(SkipReason::Checksum(1)));
}

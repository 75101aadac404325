//! What must hold for any input whatsoever, one function for each kind of input.
//!
//! A function takes bytes and panics when something does not hold. The fuzz targets in `tests/fuzz` call them under
//! libFuzzer, and the test `fuzz_corpus` calls them on stable Rust with the committed corpus and mutations of it.
//! This file uses nothing but the logger and the schemas, so that the fuzz targets can take it in alone.
//!
//! A new kind of input that comes from outside gets a function here, a line in [`TARGETS`], a target file and some
//! inputs in `tests/data/fuzz`.

use std::path::PathBuf;

use tallywheel_logger::{
    database::{DatabaseError, DatabaseOptions, Outcome, make_rig},
    decode::{Decoder, sentence},
    framing::{
        CandumpFramer, Columns, End, Framer, LoggedFrame, ModbusFramer, NmeaFramer, SlcanFramer, TextFramer,
        is_verified,
    },
    isotp::{self, Outcome as Received, Reassembly, Segmenter},
    journal::{JournalReader, JournalVersion, Record},
    message::{CanFrame, Framed, Message, unescaped},
    modbus::{Answer, Request},
};
use tallywheel_schemas::{
    Campaign, Rig, RunSheet, TextFile, Timestamp,
    rig::{PortKind, RegisterKind},
};

/// Takes any input and panics when something does not hold.
pub type Body = fn(&[u8]);

/// Every function by the name of its target.
pub const TARGETS: [(&str, Body); 11] = [
    ("slcan", slcan),
    ("candump", candump),
    ("nmea", nmea),
    ("text", text),
    ("modbus", modbus),
    ("isotp", isotp),
    ("journal", journal),
    ("rig", rig),
    ("campaign", campaign),
    ("run_sheet", run_sheet),
    ("database", database),
];

/// Lines of a CAN adapter: any split gives the same messages, every byte is in one of them or ends a line, and a
/// frame says what its bytes say.
pub fn slcan(data: &[u8]) {
    let (choice, stream) = split_choice(data);
    let messages = same_in_any_split(choice, stream, || Framer::Slcan(SlcanFramer::new()));
    conserved(stream, &messages, |b| matches!(b, b'\r' | b'\n' | 0x07));
}

/// Lines of a CAN log: any split gives the same frames, and a frame written out reads back.
pub fn candump(data: &[u8]) {
    let (choice, stream) = split_choice(data);
    let end = end(choice);
    let whole = logged(&[stream], end);
    assert_eq!(logged(&cut(choice, stream), end), whole);
    assert_eq!(logged(&stream.chunks(1).collect::<Vec<_>>(), end), whole);
    let mut last = None;
    for LoggedFrame { stamp_us, framed } in &whole {
        assert!(last < Some(framed.offset) && framed.offset < stream.len() as u64);
        last = Some(framed.offset);
        match &framed.message {
            Message::Frame(frame) => {
                let line = log_line(stamp_us.expect("a frame has its time"), frame);
                let [LoggedFrame { stamp_us: again, framed }] = &logged(&[line.as_bytes()], End::Complete)[..] else {
                    panic!("one line is one frame: {line}")
                };
                assert_eq!((again, &framed.message), (stamp_us, &Message::Frame(frame.clone())), "{line}");
            }
            message => assert!(stream[framed.offset as usize..].starts_with(&unescaped(said(message)))),
        }
    }
}

/// Sentences of a satellite receiver: any split gives the same lines, every byte is in one of them or ends a line, a
/// good line has a checksum that holds, and what it says is made of numbers.
pub fn nmea(data: &[u8]) {
    let (choice, stream) = split_choice(data);
    let messages = same_in_any_split(choice, stream, || Framer::Nmea(NmeaFramer::new()));
    conserved(stream, &messages, |b| matches!(b, b'\r' | b'\n'));
    for framed in &messages {
        if let Message::Line(text) = &framed.message {
            assert!(is_verified(&unescaped(text)));
        }
        // The bad ones as well: whatever comes in, nothing breaks.
        let numbers = match sentence::parse(said(&framed.message)) {
            Some(sentence::Sentence::Rmc(rmc)) => vec![rmc.speed_m_s, rmc.position.map(|p| p.0 + p.1)],
            Some(sentence::Sentence::Gga(gga)) => vec![gga.altitude_m, gga.position.map(|p| p.0 + p.1)],
            Some(sentence::Sentence::Vtg(speed)) => vec![speed],
            None => Vec::new(),
        };
        assert!(numbers.into_iter().flatten().all(f64::is_finite));
    }
}

/// Lines of a text instrument with any separator: any split gives the same lines, every byte is in one of them or is
/// white space between them, and a number is one.
pub fn text(data: &[u8]) {
    let (choice, stream) = split_choice(data);
    let separator = [",", ";", " ", "\\t"][usize::from(choice >> 2 & 3)];
    let columns = if choice & 0x10 != 0 { "columns = [\"a\", \"b\"]\n" } else { "" };
    let text = format!(
        "schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"box\"\nkind = \"text\"\nseparator = \"{separator}\"\n{columns}"
    );
    let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig");
    let mut columns = Columns::of(&rig.ports[0]);
    let messages = same_in_any_split(choice, stream, || Framer::Text(TextFramer::new(columns.clone())));
    conserved(stream, &messages, |b| b.is_ascii_whitespace());
    for framed in &messages {
        let line = said(&framed.message);
        columns.judge(line);
        assert!(columns.cells(line).iter().filter_map(|cell| columns.number(cell)).all(f64::is_finite));
    }
}

/// Bytes on a Modbus line after a request of ours, or none: any split gives the same messages, every byte is in one of
/// them, at most one of them answers, and an answer has as many registers as were asked for.
pub fn modbus(data: &[u8]) {
    let (choice, rest) = split_choice(data);
    let (head, stream) = rest.split_at(rest.len().min(5));
    let request = match *head {
        [unit, kind, high, low, count] => Request {
            unit,
            kind: if kind & 1 == 0 { RegisterKind::Holding } else { RegisterKind::Input },
            first: u16::from_be_bytes([high, low]),
            count: u16::from(count % 125) + 1,
        },
        _ => return,
    };
    assert_eq!(Request::read(&request.bytes()), Some(request), "a request reads back");
    let new = || {
        let mut framer = ModbusFramer::new();
        framer.sent(&request.bytes());
        framer.next().expect("the request itself is a line");
        Framer::Modbus(framer)
    };
    let messages = same_in_any_split(choice, stream, new);
    let (mut at, mut answers) = (0, 0);
    for framed in &messages {
        let (mark, bytes) = marked(said(&framed.message));
        assert_eq!((framed.offset as usize, stream.get(at..at + bytes.len())), (at, Some(&bytes[..])));
        at += bytes.len();
        if mark == "<" {
            answers += 1;
            if let Answer::Registers(registers) = request.answer(&bytes).expect("an answer reads") {
                assert_eq!(registers.len(), usize::from(request.count));
            }
        }
    }
    assert_eq!(at, stream.len(), "bytes are lost");
    assert!(answers <= 1, "one request, {answers} answers");
}

/// CAN frames of any content to a receiver of ISO 15765-2, each after its length and a time: never more than is
/// taken, never a message without a byte, and every fault that it told of is counted. And any message that is cut
/// into frames comes together again, in blocks of any size.
pub fn isotp(data: &[u8]) {
    let (choice, stream) = split_choice(data);
    let limit = [7, 64, 200, isotp::LONGEST][usize::from(choice & 3)];
    let mut receiver = Reassembly::with_limit(limit);
    let (mut now, mut rest, mut faults, mut invited) = (0, stream, 0, 0_u32);
    while let [head, after @ ..] = rest {
        let (frame, more) = after.split_at(usize::from(head & 0xF).min(after.len()));
        (now, rest) = (now + i64::from(head >> 4) * 80_000, more);
        let step = receiver.frame(Timestamp::from_us(now), frame);
        faults += step.faults.len() as u64;
        match step.outcome {
            Some(Received::Message(message)) => {
                // A single frame fits any receiver: CAN FD's has up to 62 bytes, this input's up to 14.
                assert!((1..=limit.max(14)).contains(&message.len()), "{} bytes", message.len());
                assert!(message.len() <= 14 || invited > 0, "a long message was invited");
            }
            Some(Received::SendFlowControl(flow)) => {
                assert!(matches!(flow[0], 0x30 | 0x32));
                invited += 1;
            }
            None => {}
        }
    }
    assert_eq!(receiver.faults().total(), faults);
    round_trip(choice, stream);
}

/// Cuts a message and puts it together, with flow control that asks for blocks of `block` frames.
fn round_trip(block: u8, payload: &[u8]) {
    let Ok(mut sender) = Segmenter::new(payload) else {
        assert!(payload.is_empty() || payload.len() > isotp::LONGEST);
        return;
    };
    let (mut receiver, mut now, mut in_block) = (Reassembly::default(), Timestamp::from_us(0), 0);
    loop {
        now = now.plus_us(1);
        let frame = sender.due(now).expect("nothing goes wrong").expect("the receiver answers at once");
        let step = receiver.frame(now, &frame);
        assert_eq!(step.faults, []);
        in_block += 1;
        match step.outcome {
            Some(Received::Message(message)) => {
                assert_eq!(message, payload);
                break;
            }
            Some(Received::SendFlowControl(_)) => {
                sender.heard(now, &[0x30, block, 0]).expect("it goes on");
                in_block = 0;
            }
            None if block > 0 && in_block == block => {
                sender.heard(now, &[0x30, block, 0]).expect("it goes on");
                in_block = 0;
            }
            None => {}
        }
    }
    assert!(sender.is_done());
}

/// The mark and the bytes of a Modbus line as it is recorded: `< 0104…`.
fn marked(text: &str) -> (&str, Vec<u8>) {
    let (mark, digits) = text.split_once(' ').expect("a mark and digits");
    let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).expect("ASCII"), 16).expect("digits");
    (mark, digits.as_bytes().chunks(2).map(byte).collect())
}

/// A journal of any bytes, and one whose only record has any payload behind a checksum that holds: reading ends, and
/// what was read reads back from what it is written as.
pub fn journal(data: &[u8]) {
    reread(data);
    if let Some((kind, payload)) = data.split_first() {
        let mut bytes = b"TWJR".to_vec();
        bytes.extend(JournalVersion::CURRENT.0.to_le_bytes());
        bytes.extend([kind % 8, 0]);
        bytes.extend((payload.len() as u32).to_le_bytes());
        bytes.extend(0_u32.to_le_bytes());
        let crc = crc_32(bytes.iter().chain(payload));
        bytes.extend(crc.to_le_bytes());
        bytes.extend(payload);
        reread(&bytes);
    }
}

/// A rig of any text: it is refused with a place, or it is a rig that decodes any frame or line without breaking.
pub fn rig(data: &[u8]) {
    let text = String::from_utf8_lossy(data).into_owned();
    let Ok(rig) = Rig::parse(TextFile::new("rig.toml", text)) else { return };
    let again = Rig::parse(TextFile::new("rig.toml", rig.text.clone())).expect("the text that it was made from");
    // Compared as text, for a range may hold what is no number and so does not equal itself.
    assert_eq!(format!("{again:?}"), format!("{rig:?}"));
    let mut decoder = Decoder::new(&rig, "session");
    for (i, port) in rig.ports.iter().enumerate() {
        for signal in &rig.signals {
            if let tallywheel_schemas::rig::Source::Can(source) = &signal.source {
                for length in [0, 1, 8, 64] {
                    let bytes: Vec<u8> = data.iter().copied().chain(std::iter::repeat(0xFF)).take(length).collect();
                    decoder.frame(i, 0, &CanFrame::new(source.id, source.extended).with_data(&bytes));
                }
            }
        }
        if port.kind == PortKind::Text {
            decoder.line(i, 0, &port.columns.join(&port.separator.to_string()));
            decoder.line(i, 1, &vec!["1"; port.columns.len()].join(&port.separator.to_string()));
        }
    }
    for domain in tallywheel_schemas::Domain::ALL {
        assert_eq!(decoder.waiting(domain), decoder.take(domain).num_rows());
    }
}

/// A campaign of any text: it is refused with a place, or it reads the same again.
pub fn campaign(data: &[u8]) {
    let file = TextFile::new("campaign.toml", String::from_utf8_lossy(data));
    match Campaign::parse(&file) {
        Ok(campaign) => assert!(campaign.runs().count() > 0 && (0.5..1.0).contains(&campaign.confidence)),
        Err(error) => assert!(error.to_string().starts_with("campaign.toml:")),
    }
}

/// A run sheet of any text: it is refused with a place, or names its run.
pub fn run_sheet(data: &[u8]) {
    let file = TextFile::new("run.toml", String::from_utf8_lossy(data));
    match RunSheet::parse(&file) {
        Ok(sheet) => assert!(!sheet.run.trim().is_empty()),
        Err(error) => assert!(error.to_string().starts_with("run.toml:")),
    }
}

/// A CAN database of any bytes: it is refused, or becomes a rig of exactly those signals that the listing says were
/// taken over. A rig that our own check refuses must not come out.
pub fn database(data: &[u8]) {
    let options = DatabaseOptions {
        vehicle: "skerry-1".to_owned(),
        port: "kit-bus".to_owned(),
        bit_rate: 250_000,
        ..DatabaseOptions::default()
    };
    match make_rig("any.dbc".as_ref(), data, &options) {
        Ok(made) => {
            assert_eq!(made.rig.signals.len(), made.listing.count(Outcome::TakenOver));
            let listed = made.listing.signals.iter().filter_map(|s| s.channel.as_deref());
            assert!(made.rig.signals.iter().map(|s| s.channel.as_str()).eq(listed));
        }
        Err(DatabaseError::Text(error)) => panic!("the made rig is refused: {error}"),
        Err(_) => {}
    }
}

/// The first byte chooses where the stream is cut and how it ends.
fn split_choice(data: &[u8]) -> (u8, &[u8]) {
    data.split_first().map_or((0, data), |(choice, stream)| (*choice, stream))
}

fn end(choice: u8) -> End {
    if choice & 1 == 0 { End::Complete } else { End::Cut }
}

/// The stream in pieces of uneven length.
fn cut(choice: u8, stream: &[u8]) -> Vec<&[u8]> {
    let (mut pieces, mut rest, mut length) = (Vec::new(), stream, usize::from(choice >> 1));
    while !rest.is_empty() {
        length = length * 5 % 67;
        let (piece, after) = rest.split_at((length + 1).min(rest.len()));
        pieces.push(piece);
        rest = after;
    }
    pieces
}

/// The messages of a stream, which must not depend on how it is cut.
fn same_in_any_split(choice: u8, stream: &[u8], new: impl Fn() -> Framer) -> Vec<Framed> {
    let new = || {
        let mut framer = new();
        if choice & 2 != 0 {
            framer.begin_inside();
        }
        framer
    };
    let whole = framed(new(), &[stream], end(choice));
    assert_eq!(framed(new(), &cut(choice, stream), end(choice)), whole);
    assert_eq!(framed(new(), &stream.chunks(1).collect::<Vec<_>>(), end(choice)), whole);
    whole
}

fn framed(mut framer: Framer, pieces: &[&[u8]], end: End) -> Vec<Framed> {
    let mut out = Vec::new();
    for piece in pieces {
        framer.received(piece);
        out.extend(std::iter::from_fn(|| framer.next()));
    }
    framer.finish(end);
    out.extend(std::iter::from_fn(|| framer.next()));
    out
}

fn logged(pieces: &[&[u8]], end: End) -> Vec<LoggedFrame> {
    let mut framer = CandumpFramer::new();
    let mut out = Vec::new();
    for piece in pieces {
        framer.received(piece);
        out.extend(std::iter::from_fn(|| framer.next()));
    }
    framer.finish(end);
    out.extend(std::iter::from_fn(|| framer.next()));
    out
}

/// Every byte of the stream is in a message at the place that the message names, or is one that may be left out.
fn conserved(stream: &[u8], messages: &[Framed], may_be_left_out: impl Fn(u8) -> bool) {
    let mut at = 0;
    for framed in messages {
        let offset = framed.offset as usize;
        assert!(offset >= at, "message at {offset} begins before {at}");
        assert!(stream[at..offset].iter().all(|b| may_be_left_out(*b)), "lost {:?}", &stream[at..offset]);
        let bytes = match &framed.message {
            Message::Frame(frame) => slcan_line(frame),
            message => unescaped(said(message)),
        };
        at = offset + bytes.len();
        let found = stream.get(offset..at).expect("a message lies in the stream");
        let same = match &framed.message {
            // Digits may be of either case; the letter in front may not.
            Message::Frame(_) => found[0] == bytes[0] && found.eq_ignore_ascii_case(&bytes),
            _ => found == bytes,
        };
        assert!(same, "{found:?} became {:?}", framed.message);
    }
    assert!(stream[at..].iter().all(|b| may_be_left_out(*b)), "lost {:?}", &stream[at..]);
}

/// The text of a message that is no frame.
fn said(message: &Message) -> &str {
    match message {
        Message::Line(text) | Message::Fragment(text) => text,
        Message::Status(status) => &status.text,
        Message::Bad(bad) => &bad.text,
        Message::Frame(_) => "",
    }
}

fn hex(data: &[u8]) -> String {
    data.iter().map(|b| format!("{b:02X}")).collect()
}

/// A frame as an adapter writes it.
fn slcan_line(frame: &CanFrame) -> Vec<u8> {
    let letter = match (frame.remote, frame.fd_flags) {
        (true, _) => 'r',
        (false, None) => 't',
        (false, Some(0)) => 'd',
        (false, Some(_)) => 'b',
    };
    let letter = if frame.extended { letter.to_ascii_uppercase() } else { letter };
    let digits = if frame.extended { 8 } else { 3 };
    let stamp = frame.device_ms.map_or(String::new(), |ms| format!("{ms:04X}"));
    format!("{letter}{:0digits$X}{:X}{}{stamp}", frame.id, frame.dlc, hex(frame.data())).into_bytes()
}

/// A frame as a CAN log has it.
fn log_line(stamp_us: i64, frame: &CanFrame) -> String {
    let digits = if frame.extended { 8 } else { 3 };
    let data = match (frame.remote, frame.fd_flags) {
        (true, _) => format!("R{}", frame.dlc),
        (false, Some(flags)) => format!("#{flags:X}{}", hex(frame.data())),
        (false, None) if frame.dlc > 8 => format!("{}_{:X}", hex(frame.data()), frame.dlc),
        (false, None) => hex(frame.data()),
    };
    let direction = if frame.transmitted { 'T' } else { 'R' };
    let (seconds, micros) = (stamp_us / 1_000_000, stamp_us % 1_000_000);
    format!("({seconds}.{micros:06}) can0 {:0digits$X}#{data} {direction}", frame.id)
}

fn reread(bytes: &[u8]) {
    for record in records(bytes) {
        assert_eq!(records(&record.encode(0)), [stored(record)]);
    }
}

/// A record as it is stored: arrivals within a batch count from its first chunk, in 32 bits, and never before it.
fn stored(mut record: Record) -> Record {
    if let Record::Bytes(batch) = &mut record
        && let Some(first) = batch.chunks.first().map(|c| c.stamp)
    {
        for chunk in &mut batch.chunks {
            let after_us = (chunk.stamp.as_us() - first.as_us()).clamp(0, i64::from(u32::MAX));
            chunk.stamp = first.plus_us(after_us);
        }
    }
    record
}

fn records(bytes: &[u8]) -> Vec<Record> {
    let mut reader = JournalReader::new(bytes, PathBuf::from("memory"), bytes.len() as u64);
    let mut out = Vec::new();
    while let Some(record) = reader.next().expect("memory can always be read") {
        out.push(record);
    }
    let read = reader.offset() + reader.skipped().map_or(0, |s| s.bytes);
    assert_eq!(read, bytes.len() as u64, "every byte is read or said to be skipped");
    out
}

/// CRC-32 of IEEE 802.3, bit by bit: a second way to the number that the journal's library gives.
fn crc_32<'a>(bytes: impl IntoIterator<Item = &'a u8>) -> u32 {
    let step = |crc: u32, _| if crc & 1 == 1 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 };
    !bytes.into_iter().fold(!0, |crc, byte| (0..8).fold(crc ^ u32::from(*byte), step))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CRC-32 of "123456789" is 0xCBF43926: the check value of the PyPI package crccheck (read, recomputed).
    #[test]
    fn crc_32_has_its_published_check_value() {
        assert_eq!(crc_32(b"123456789"), 0xCBF4_3926);
    }
}

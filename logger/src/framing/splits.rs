//! Any split of the same bytes gives the same messages.

use proptest::prelude::*;
use tallywheel_schemas::{Rig, TextFile};

use super::{CandumpFramer, Columns, End, Framer, LoggedFrame, ModbusFramer, NmeaFramer, SlcanFramer, TextFramer};
use crate::message::Framed;

/// Pieces of good and bad input of every kind, to be strung together in any order.
const PIECES: &[&str] = &[
    "t1230\r",
    "t4563112233\r",
    "T12ABCDEF2AA55\r",
    "t7E8803410D3200000000EA5F\r",
    "r1230\r",
    "d1231AA\r",
    "D000000001",
    "sa057033\r",
    "e3bcO\r",
    "F08\r",
    "\r",
    "\u{7}",
    "\n",
    "t12",
    "380102",
    "$GPHDT,74.20,T*34\r\n",
    "$GPHDT,74",
    "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48\r\n",
    "a,b\n",
    "1,2\n",
    "1,2,3\r\n",
    ",",
    "\u{FEFF}",
    "9",
    "\u{e9}",
    "(0.0) vcan0 001#8d00100100820100\n",
    "(1.5) can0 044#R4 T\n",
    "(1.5) can0",
];

fn stream() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        8 => proptest::sample::select(PIECES).prop_map(|p| p.as_bytes().to_vec()),
        2 => proptest::collection::vec(any::<u8>(), 0..12),
        1 => (any::<u8>(), 400..1400_usize).prop_map(|(byte, n)| vec![byte; n]),
    ];
    proptest::collection::vec(piece, 0..40).prop_map(|pieces| pieces.concat())
}

fn framers() -> Vec<Framer> {
    let text = "schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"box\"\nkind = \"text\"\n";
    let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a rig");
    let mut framers = vec![
        Framer::Slcan(SlcanFramer::new()),
        Framer::Nmea(NmeaFramer::new()),
        Framer::Text(TextFramer::new(Columns::of(&rig.ports[0]))),
        Framer::Modbus(ModbusFramer::new()),
        Framer::Can(CandumpFramer::new()),
    ];
    for framer in framers.clone() {
        framers.push(framer);
        framers.last_mut().expect("just pushed").begin_inside();
    }
    framers
}

fn framed(mut framer: Framer, chunks: &[&[u8]], end: End) -> Vec<Framed> {
    let mut out = Vec::new();
    for chunk in chunks {
        framer.received(chunk);
        out.extend(std::iter::from_fn(|| framer.next()));
    }
    framer.finish(end);
    out.extend(std::iter::from_fn(|| framer.next()));
    out
}

fn logged(chunks: &[&[u8]], end: End) -> Vec<LoggedFrame> {
    let mut framer = CandumpFramer::new();
    let mut out = Vec::new();
    for chunk in chunks {
        framer.received(chunk);
        out.extend(std::iter::from_fn(|| framer.next()));
    }
    framer.finish(end);
    out.extend(std::iter::from_fn(|| framer.next()));
    out
}

fn split<'a>(bytes: &'a [u8], cuts: &[usize]) -> Vec<&'a [u8]> {
    let mut cuts: Vec<usize> = cuts.iter().map(|c| c % (bytes.len() + 1)).collect();
    cuts.sort_unstable();
    let mut chunks = Vec::new();
    let mut from = 0;
    for cut in cuts.into_iter().chain([bytes.len()]) {
        chunks.push(&bytes[from..cut]);
        from = cut;
    }
    chunks
}

proptest! {
    #[test]
    fn any_split_gives_the_same_messages(bytes in stream(), cuts in proptest::collection::vec(any::<usize>(), 0..60)) {
        let chunks = split(&bytes, &cuts);
        let single: Vec<&[u8]> = bytes.chunks(1).collect();
        for end in [End::Complete, End::Cut] {
            for framer in framers() {
                let whole = framed(framer.clone(), &[&bytes], end);
                prop_assert_eq!(&framed(framer.clone(), &chunks, end), &whole);
                prop_assert_eq!(&framed(framer, &single, end), &whole);
            }
            let whole = logged(&[&bytes], end);
            prop_assert_eq!(logged(&chunks, end), whole.clone());
            prop_assert_eq!(logged(&single, end), whole);
        }
    }

    #[test]
    fn offsets_grow_and_point_into_the_stream(bytes in stream()) {
        for framer in framers() {
            let mut last = 0;
            for message in framed(framer, &[&bytes], End::Complete) {
                prop_assert!(message.offset >= last && message.offset < bytes.len() as u64);
                last = message.offset;
            }
        }
    }
}

#[test]
fn every_single_cut_gives_the_same_messages() {
    let bytes = PIECES.concat().into_bytes();
    for framer in framers() {
        let whole = framed(framer.clone(), &[&bytes], End::Cut);
        for cut in 0..=bytes.len() {
            assert_eq!(framed(framer.clone(), &[&bytes[..cut], &bytes[cut..]], End::Cut), whole, "cut at {cut}");
        }
    }
}

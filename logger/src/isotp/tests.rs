use proptest::prelude::*;
use tallywheel_schemas::Timestamp;

use super::*;

const fn at(ms: i64) -> Timestamp {
    Timestamp::from_us(ms * 1000)
}

fn message(step: Step) -> Vec<u8> {
    assert_eq!(step.faults, []);
    match step.outcome {
        Some(Outcome::Message(bytes)) => bytes,
        other => panic!("no message: {other:?}"),
    }
}

const GO_ON: Outcome = Outcome::SendFlowControl([0x30, 0, 0, PADDING, PADDING, PADDING, PADDING, PADDING]);

/// A vehicle identification number in three frames. Source: first frame of a Q&A thread (read):
/// `7DF#0209005555555555 -> 7E8#1014490201574241`, whose length 0x014 is 20 = 3 + 17; flow control 30 00 00 from ISO
/// 15765-2 (memory); the rest is synthetic, WBA12345678901234.
#[test]
fn a_long_answer_is_put_together_and_flow_control_is_asked_for() {
    let mut ecu = Reassembly::default();
    let first = ecu.frame(at(0), &[0x10, 0x14, 0x49, 0x02, 0x01, 0x57, 0x42, 0x41]);
    assert_eq!(first, Step { outcome: Some(GO_ON), faults: vec![] });
    let second = ecu.frame(at(10), &[0x21, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37]);
    assert_eq!(second, Step::default());
    let whole = message(ecu.frame(at(20), &[0x22, 0x38, 0x39, 0x30, 0x31, 0x32, 0x33, 0x34]));
    assert_eq!(whole.len(), 20);
    assert_eq!(&whole[..3], [0x49, 0x02, 0x01]);
    assert_eq!(&whole[3..], b"WBA12345678901234");
    assert_eq!(ecu.faults().total(), 0);
}

/// The other way round, the same frames come out.
#[test]
fn a_long_message_is_cut_as_the_published_one() {
    let mut sender = Segmenter::new(b"\x49\x02\x01WBA12345678901234").expect("20 bytes");
    assert_eq!(sender.due(at(0)), Ok(Some([0x10, 0x14, 0x49, 0x02, 0x01, 0x57, 0x42, 0x41])));
    assert_eq!(sender.due(at(1)), Ok(None), "not before flow control");
    sender.heard(at(2), &[0x30, 0, 0]).expect("go on");
    assert_eq!(sender.due(at(2)), Ok(Some([0x21, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37])));
    assert_eq!(sender.due(at(2)), Ok(Some([0x22, 0x38, 0x39, 0x30, 0x31, 0x32, 0x33, 0x34])));
    assert!(sender.is_done());
    assert_eq!((sender.due(at(3)), sender.next_at()), (Ok(None), None));
}

/// Source: 7DF 02 01 0D + padding and 7E8 03 41 0D <A> on an OBD overview page (read).
#[test]
fn a_single_frame_is_a_message() {
    let mut sender = Segmenter::new(&[0x01, 0x0D]).expect("2 bytes");
    assert_eq!(sender.due(at(0)), Ok(Some([0x02, 0x01, 0x0D, 0x55, 0x55, 0x55, 0x55, 0x55])));
    assert!(sender.is_done());
    let mut ecu = Reassembly::default();
    assert_eq!(message(ecu.frame(at(0), &[0x03, 0x41, 0x0D, 0x32])), [0x41, 0x0D, 0x32]);
    // CAN FD: a zero, then the length.
    let mut long = vec![0x00, 0x0A];
    long.extend(1..=10);
    assert_eq!(message(ecu.frame(at(0), &long)), (1..=10).collect::<Vec<u8>>());
}

#[test]
fn what_is_against_the_protocol_is_named_and_counted() {
    let first = [0x10, 0x14, 1, 2, 3, 4, 5, 6];
    let cases: &[(&[&[u8]], Fault)] = &[
        (&[&[]], Fault::Empty),
        (&[&[0x00, 1, 2]], Fault::LengthZero),
        (&[&[0x05, 1, 2]], Fault::Truncated { expected: 5, found: 2 }),
        (&[&[0x10, 0x07, 1, 2, 3, 4, 5, 6]], Fault::FirstFrameShort(7)),
        (&[&[0x10, 0x00, 0, 0, 0, 5, 1, 2]], Fault::FirstFrameShort(5)),
        (&[&[0x10, 0x14, 1]], Fault::Truncated { expected: 6, found: 1 }),
        (&[&[0x10]], Fault::Truncated { expected: 6, found: 0 }),
        (&[&[0x10, 0x00, 0, 1, 0, 0, 1, 2]], Fault::Overflow { length: 65_536, limit: LONGEST }),
        (&[&first, &[0x22, 1, 2, 3, 4, 5, 6, 7]], Fault::WrongSequence { expected: 1, found: 2 }),
        (&[&first, &[0x21, 1, 2]], Fault::Truncated { expected: 7, found: 2 }),
        (&[&[0x21, 1, 2]], Fault::UnexpectedConsecutive(1)),
        (&[&first, &first], Fault::Interrupted { received: 6, length: 20 }),
        (&[&first, &[0x01, 0x41]], Fault::Interrupted { received: 6, length: 20 }),
        (&[&[0x40, 1, 2]], Fault::UnknownKind(4)),
    ];
    for (frames, expected) in cases {
        let mut ecu = Reassembly::default();
        let faults: Vec<Fault> = frames.iter().flat_map(|f| ecu.frame(at(0), f).faults).collect();
        assert_eq!(faults, [*expected]);
        assert_eq!(ecu.faults().total(), 1);
    }
    let mut counts = FaultCounts::default();
    counts.count(Fault::UnexpectedConsecutive(3));
    counts.count(Fault::LengthZero);
    counts.count(Fault::LengthZero);
    assert_eq!(counts.to_string(), "of length 0 2, unexpected consecutive frame 1");
}

#[test]
fn a_message_too_long_is_refused_as_the_standard_says() {
    let mut ecu = Reassembly::with_limit(19);
    let step = ecu.frame(at(0), &[0x10, 0x14, 1, 2, 3, 4, 5, 6]);
    assert_eq!(step.outcome, Some(Outcome::SendFlowControl(padded(&[0x32, 0, 0]))));
    assert_eq!(step.faults, [Fault::Overflow { length: 20, limit: 19 }]);
}

#[test]
fn a_message_that_stalls_is_given_up_and_the_next_one_is_whole() {
    let mut ecu = Reassembly::default();
    ecu.frame(at(0), &[0x10, 0x14, 1, 2, 3, 4, 5, 6]);
    assert_eq!((ecu.deadline(), ecu.tick(at(1000))), (Some(at(1000)), None), "a second is allowed");
    assert_eq!(ecu.tick(at(1001)), Some(Fault::Timeout { received: 6, length: 20 }));
    assert_eq!((ecu.tick(at(5000)), ecu.deadline()), (None, None), "said once");
    ecu.frame(at(6000), &[0x10, 0x14, 1, 2, 3, 4, 5, 6]);
    let late = ecu.frame(at(7001), &[0x21, 7, 8, 9, 10, 11, 12, 13]);
    assert_eq!(late.faults, [Fault::Timeout { received: 6, length: 20 }, Fault::UnexpectedConsecutive(1)]);
    assert_eq!(message(ecu.frame(at(7002), &[0x01, 0x41])), [0x41]);
}

#[test]
fn flow_control_between_others_passes_by() {
    let mut ecu = Reassembly::default();
    ecu.frame(at(0), &[0x10, 0x08, 1, 2, 3, 4, 5, 6]);
    assert_eq!(ecu.frame(at(1), &[0x30, 0, 0]), Step::default());
    assert_eq!(message(ecu.frame(at(2), &[0x21, 7, 8, 0xAA, 0xAA])), [1, 2, 3, 4, 5, 6, 7, 8]);
}

#[test]
fn the_receiver_sets_block_size_and_pace() {
    let mut sender = Segmenter::new(&[7; 40]).expect("40 bytes");
    sender.due(at(0)).expect("begun");
    sender.heard(at(5), &[0x31, 0, 0]).expect("wait");
    assert_eq!(sender.due(at(900)), Ok(None));
    // Two frames, 20 ms apart.
    sender.heard(at(900), &[0x30, 2, 20]).expect("go on");
    assert!(sender.due(at(900)).expect("sending").is_some());
    assert_eq!((sender.next_at(), sender.due(at(919))), (Some(at(920)), Ok(None)));
    assert!(sender.due(at(920)).expect("sending").is_some());
    assert_eq!(sender.due(at(1500)), Ok(None), "the block is over");
    // 300 µs apart, no blocks.
    sender.heard(at(1500), &[0x30, 0, 0xF3]).expect("go on");
    assert_eq!(sender.due(at(1500)).expect("sending").map(|f| f[0]), Some(0x23));
    assert_eq!(sender.next_at(), Some(Timestamp::from_us(1_500_300)));
    assert_eq!(sender.due(at(1501)).expect("sending").map(|f| f[0]), Some(0x24));
    assert_eq!(sender.due(at(1502)).expect("sending"), Some(padded(&[0x25, 7, 7, 7, 7, 7, 7])));
    assert!(sender.is_done());
}

#[test]
fn a_message_is_given_up_when_its_receiver_refuses_it() {
    let begun = || {
        let mut sender = Segmenter::new(&[7; 40]).expect("40 bytes");
        sender.due(at(0)).expect("begun");
        sender
    };
    assert_eq!(begun().heard(at(1), &[0x32, 0, 0]), Err(SegmentError::Overflow));
    assert_eq!(begun().heard(at(1), &[0x3F, 0, 0]), Err(SegmentError::FlowStatus(0xF)));
    let mut sender = begun();
    assert_eq!((sender.due(at(1000)), sender.due(at(1001))), (Ok(None), Err(SegmentError::Timeout)));
    assert_eq!(sender.due(at(1002)), Err(SegmentError::Timeout));
    let mut sender = begun();
    for _ in 0..10 {
        sender.heard(at(1), &[0x31, 0, 0]).expect("wait");
    }
    assert_eq!(sender.heard(at(1), &[0x31, 0, 0]), Err(SegmentError::Waits));
    // A reserved separation time is the longest, and frames of other kinds mean nothing.
    let mut sender = begun();
    sender.heard(at(1), &[0x41, 0, 0]).expect("no flow control");
    sender.heard(at(1), &[0x30, 0, 0x80]).expect("go on");
    sender.due(at(1)).expect("sending");
    assert_eq!(sender.next_at(), Some(at(128)));
    assert_eq!(Segmenter::new(&[]).err(), Some(SegmentError::Length(0)));
    assert_eq!(Segmenter::new(&[0; 4096]).err(), Some(SegmentError::Length(4096)));
}

proptest! {
    #[test]
    fn what_is_cut_comes_together(payload in proptest::collection::vec(any::<u8>(), 1..=600), block in 0_u8..9) {
        let (mut sender, mut receiver) = (Segmenter::new(&payload).expect("a length"), Reassembly::default());
        let mut now = 0;
        loop {
            now += 1;
            let frame = sender.due(at(now)).expect("never refused").expect("a frame each time");
            match receiver.frame(at(now), &frame).outcome {
                Some(Outcome::Message(bytes)) => {
                    prop_assert_eq!(bytes, payload);
                    prop_assert!(sender.is_done());
                    break;
                }
                Some(Outcome::SendFlowControl(_)) => sender.heard(at(now), &[0x30, block, 0]).expect("go on"),
                // The receiver of the test grants the next block as soon as one is over.
                None => sender.heard(at(now), &[0x30, block, 0]).expect("go on"),
            }
        }
        prop_assert_eq!(receiver.faults().total(), 0);
    }

    /// Any frames at any times: no panic, no message longer than announced, and every fault counted once.
    #[test]
    fn any_frames_are_survived(frames in proptest::collection::vec(
        (0_i64..700, prop_oneof![
            proptest::collection::vec(any::<u8>(), 0..=8),
            proptest::collection::vec(any::<u8>(), 9..=64),
            (0_u8..16).prop_map(|n| vec![0x20 | n, 1, 2, 3, 4, 5, 6, 7]),
            (8_u8..40).prop_map(|n| vec![0x10, n, 1, 2, 3, 4, 5, 6]),
        ]), 0..60)
    ) {
        let mut receiver = Reassembly::default();
        let (mut now, mut faults) = (0, 0);
        for (gap, frame) in frames {
            now += gap;
            let step = receiver.frame(at(now), &frame);
            faults += step.faults.len() as u64;
            if let Some(Outcome::Message(bytes)) = step.outcome {
                prop_assert!(!bytes.is_empty() && bytes.len() <= LONGEST);
            }
        }
        prop_assert_eq!(receiver.faults().total(), faults);
    }
}

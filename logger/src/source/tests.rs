use std::{
    cell::{Cell, RefCell},
    rc::Rc,
    sync::{Arc, mpsc},
    time::Duration,
};

use tallywheel_schemas::{Rig, TextFile};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex},
    sync::watch,
    task::{JoinHandle, LocalSet, spawn_local},
};

use super::{
    outlet::Outlet,
    port::{Ear, Opener},
    queue::{Arrived, Queue, Seam, queue_with_room},
    *,
};
use crate::{
    journal::{Header, JournalReader, Record},
    session::SessionLock,
};

fn rig(kind: &str, extra: &str) -> Rig {
    let text = format!("schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"p\"\nkind = \"{kind}\"\n{extra}");
    Rig::parse(TextFile::new("rig.toml", text)).expect("a rig")
}

fn slcan(extra: &str) -> Rig {
    rig("slcan", &format!("bit_rate = 500000\n{extra}"))
}

/// Gives the streams that a test puts in, one after the other.
#[derive(Debug, Clone, Default)]
struct Devices {
    streams: Rc<RefCell<Vec<DuplexStream>>>,
    attempts: Rc<Cell<usize>>,
}

impl Devices {
    /// Plugs a device in; gives its other end.
    fn plug(&self) -> DuplexStream {
        let (peer, stream) = duplex(4096);
        self.streams.borrow_mut().insert(0, stream);
        peer
    }
}

impl Opener for Devices {
    type Stream = DuplexStream;

    async fn open(&mut self) -> Result<(DuplexStream, String), String> {
        self.attempts.set(self.attempts.get() + 1);
        let stream = self.streams.borrow_mut().pop();
        stream.map(|s| (s, "elsewhere".to_owned())).ok_or("nothing there".to_owned())
    }
}

struct Bench {
    peer: DuplexStream,
    devices: Devices,
    queue: Queue,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
    board: Arc<Board>,
    said: Rc<RefCell<Vec<String>>>,
}

impl Bench {
    fn new(rig: &Rig, room: usize) -> Self {
        let (peer, stream) = duplex(4096);
        let (sender, queue) = queue_with_room(room);
        let (stop, stopped) = watch::channel(false);
        let board = Board::new(rig);
        let target = Target { index: 0, port: rig.ports[0].clone(), device: "/dev/null".to_owned() };
        let pace = Rc::new(pace::Pace::new(port::shortest_pause(&rig.ports)));
        let keeper = Rc::clone(&pace);
        spawn_local(async move { keeper.keep().await });
        let said = Rc::new(RefCell::new(Vec::new()));
        let hear = Rc::clone(&said);
        let ear = Ear {
            outlet: Outlet::new(&target, sender, SessionClock::start(), Arc::clone(&board.counters[0])),
            talk: Talk::new(rig, 0),
            stop: stopped,
            pace: Rc::clone(&pace),
            say: Box::new(move |text| hear.borrow_mut().push(text.to_owned())),
        };
        let devices = Devices::default();
        let task = spawn_local(port::run(target, devices.clone(), Some(stream), ear));
        Self { peer, devices, queue, stop, task, board, said }
    }

    /// Lets the port's task run until it waits.
    async fn settle() {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }

    /// Ends the port; gives all that it ever sent, what it said, and what it handed over.
    async fn end(mut self) -> (Vec<u8>, Vec<String>, Vec<String>) {
        self.stop.send(true).ok();
        self.task.await.expect("the task");
        let mut sent = Vec::new();
        self.peer.read_to_end(&mut sent).await.expect("the other end");
        (sent, self.said.take(), self.queue.receiver.try_iter().map(|m| shown(&m)).collect())
    }
}

fn shown(message: &ToJournal) -> String {
    match message {
        ToJournal::Bytes(Arrived { offset, bytes, unfinished, .. }) => {
            format!("{offset} {} +{unfinished}", String::from_utf8_lossy(bytes))
        }
        ToJournal::Event(event) => format!("{:?}", event.what),
        other => format!("{other:?}"),
    }
}

fn run<T>(test: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    LocalSet::new().block_on(&runtime, test)
}

#[test]
fn an_adapter_is_opened_and_closed_and_told_nothing_else() {
    for (extra, expected) in [
        ("", "C\rS6\rZ1\rL\rC\r"),
        ("listen_only = false\n", "C\rS6\rZ1\rO\rC\r"),
        ("device_time = false\n", "C\rS6\rZ0\rL\rC\r"),
    ] {
        let sent = run(async {
            let mut bench = Bench::new(&slcan(extra), 4096);
            bench.peer.write_all(b"t1230\r").await.expect("room");
            Bench::settle().await;
            bench.end().await.0
        });
        assert_eq!(String::from_utf8_lossy(&sent), expected);
    }
}

#[test]
fn a_receiver_and_a_text_box_are_never_written_to() {
    for kind in ["nmea", "text"] {
        let (sent, said, _) = run(async {
            let mut bench = Bench::new(&rig(kind, ""), 4096);
            bench.peer.write_all(b"hello\r\n").await.expect("room");
            Bench::settle().await;
            bench.end().await
        });
        assert_eq!((sent, said), (Vec::new(), Vec::new()));
    }
}

#[test]
fn what_is_in_the_kernel_when_the_recording_ends_is_still_read() {
    let (_, _, handed) = run(async {
        let mut bench = Bench::new(&slcan(""), 4096);
        Bench::settle().await;
        bench.peer.write_all(b"t1230\r").await.expect("room");
        bench.end().await
    });
    assert_eq!(handed, ["Opened", "0 t1230\r +0"]);
}

#[test]
fn a_device_that_is_gone_is_looked_for_until_it_is_back() {
    let (sent, said, handed) = run(async {
        let mut bench = Bench::new(&slcan(""), 4096);
        bench.peer.write_all(b"t1230\rt12").await.expect("room");
        Bench::settle().await;
        // Unplugged in the middle of a frame.
        bench.peer = duplex(1).0;
        tokio::time::sleep(Duration::from_millis(350)).await;
        let attempts = bench.devices.attempts.get();
        assert!((1..=3).contains(&attempts), "{attempts} attempts in 350 ms");
        bench.peer = bench.devices.plug();
        bench.peer.write_all(b"40\rt1250\r").await.expect("room");
        tokio::time::sleep(Duration::from_millis(600)).await;
        bench.end().await
    });
    assert_eq!(String::from_utf8_lossy(&sent), "C\rS6\rZ1\rL\rC\r", "the adapter that is back is opened anew");
    assert_eq!(
        handed,
        [
            "Opened",
            "0 t1230\rt12 +3",
            "Disconnected { reason: \"the device was disconnected\" }",
            "Reopened { device: \"elsewhere\" }",
            "9 40\rt1250\r +0",
        ]
    );
    assert_eq!(
        said,
        ["port `p` on /dev/null is gone: the device was disconnected; looking for it", "port `p` is back on elsewhere"]
    );
}

#[test]
fn looking_for_a_device_ends_with_the_recording() {
    let (_, _, handed) = run(async {
        let mut bench = Bench::new(&rig("nmea", ""), 4096);
        Bench::settle().await;
        bench.peer = duplex(1).0;
        Bench::settle().await;
        tokio::time::timeout(Duration::from_secs(5), bench.end()).await.expect("no endless search")
    });
    assert_eq!(handed, ["Opened", "Disconnected { reason: \"the device was disconnected\" }"]);
}

#[test]
fn a_full_queue_drops_and_counts_and_the_reader_goes_on() {
    let (_, _, handed) = run(async {
        // Room for one chunk.
        let mut bench = Bench::new(&slcan(""), 110);
        for frames in [&b"t1230\r"[..], b"t1240\rt1250\r", b"t1260\r"] {
            bench.peer.write_all(frames).await.expect("room");
            Bench::settle().await;
        }
        let take = |queue: &Queue| -> Vec<String> {
            let taken = queue.receiver.try_iter().inspect(|m| queue.taken(m));
            taken.map(|m| shown(&m)).collect()
        };
        let mut handed = take(&bench.queue);
        bench.peer.write_all(b"t1270\r").await.expect("room");
        Bench::settle().await;
        let (sent, said, rest) = bench.end().await;
        handed.extend(rest);
        (sent, said, handed)
    });
    assert_eq!(
        handed,
        ["Opened", "0 t1230\r +0", "Dropped { messages: 3, bytes: 18, disk_stopped: false }", "24 t1270\r +0",]
    );
}

/// Were it stamped later, the message behind it would end the gap before anybody knew why it was there.
#[test]
fn a_loss_is_not_told_later_than_what_ends_it() {
    let messages: Vec<ToJournal> = run(async {
        let mut bench = Bench::new(&slcan(""), 110);
        for frames in [&b"t1230\r"[..], b"t1240\r"] {
            bench.peer.write_all(frames).await.expect("room");
            Bench::settle().await;
        }
        let first: Vec<ToJournal> = bench.queue.receiver.try_iter().inspect(|m| bench.queue.taken(m)).collect();
        bench.peer.write_all(b"t1250\r").await.expect("room");
        Bench::settle().await;
        first.into_iter().chain(bench.queue.receiver.try_iter()).collect()
    });
    let [.., ToJournal::Event(loss), ToJournal::Bytes(next)] = messages.as_slice() else { panic!("{messages:?}") };
    assert!(matches!(loss.what, crate::journal::PortEvent::Dropped { messages: 1, .. }));
    assert_eq!(loss.at_us, next.stamp);
}

#[test]
fn a_loss_before_a_disconnection_is_told_before_it() {
    let (_, _, handed) = run(async {
        let mut bench = Bench::new(&slcan(""), 110);
        for frames in [&b"t1230\r"[..], b"t1240\r"] {
            bench.peer.write_all(frames).await.expect("room");
            Bench::settle().await;
        }
        bench.peer = duplex(1).0;
        Bench::settle().await;
        bench.end().await
    });
    assert_eq!(
        handed,
        [
            "Opened",
            "0 t1230\r +0",
            "Dropped { messages: 1, bytes: 6, disk_stopped: false }",
            "Disconnected { reason: \"the device was disconnected\" }",
        ]
    );
}

#[test]
fn a_port_that_is_read_late_is_told() {
    let stall_ms = run(async {
        let mut bench = Bench::new(&slcan(""), 4096);
        Bench::settle().await;
        bench.peer.write_all(b"t1230\r").await.expect("room");
        tokio::task::yield_now().await;
        // The port has read and rests. Nothing else runs on this thread meanwhile.
        std::thread::sleep(Duration::from_millis(60));
        Bench::settle().await;
        let stall_ms = bench.board.counters[0].status(None, SessionClock::start().now()).longest_stall_ms;
        bench.end().await;
        stall_ms
    });
    assert!(stall_ms >= 50.0, "{stall_ms}");
}

/// A recording into a directory: what the writing thread was given becomes journals.
struct Recording {
    dataset: tempfile::TempDir,
    clock: SessionClock,
    board: Arc<Board>,
    ended: mpsc::Receiver<SessionLock>,
}

impl Recording {
    fn of(ports: usize, messages: impl FnOnce(SessionClock) -> Vec<ToJournal>) -> Self {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let clock = SessionClock::start();
        let ports: String =
            (0..ports).map(|i| format!("[[port]]\nname = \"p{i}\"\nkind = \"slcan\"\nbit_rate = 500000\n")).collect();
        let text = format!("schema = 1\nvehicle = \"v\"\n{ports}");
        let rig = Rig::parse(TextFile::new("rig.toml", text.as_str())).expect("a rig");
        let lock = SessionLock::claim_new(dataset.path(), "v", clock.started()).expect("a name");
        let header = Header {
            session: lock.session.clone(),
            vehicle: "v".to_owned(),
            start_us: clock.started(),
            rig_file: String::new(),
            rig_text: text,
            run: None,
            software: String::new(),
            follows: None,
            begins: Vec::new(),
        };
        let (ended, locks) = mpsc::channel();
        let board = Board::new(&rig);
        let writer = Writer::begin(dataset.path().to_owned(), lock, header, clock, Arc::clone(&board), ended, None);
        let writer = writer.expect("a journal");
        let (sender, queue) = queue();
        for message in messages(clock) {
            match message {
                ToJournal::Bytes(arrived) => sender.bytes(arrived),
                other => sender.send(other),
            }
            .expect("the queue is open");
        }
        drop(sender);
        writer.write(&queue).expect("written");
        Self { dataset, clock, board, ended: locks }
    }

    fn journals(&self) -> Vec<Vec<String>> {
        let read = |lock: SessionLock| {
            let mut reader = JournalReader::open(&lock.directory).expect("the journal");
            let mut found = Vec::new();
            while let Some(record) = reader.next().expect("readable") {
                found.push(match record {
                    Record::Header(h) => format!("header {:?}", h.begins),
                    Record::Bytes(b) => {
                        let bytes = b.chunks.iter().flat_map(|c| c.bytes.clone()).collect::<Vec<u8>>();
                        format!("{} at {}: {} in {}", b.port, b.offset, String::from_utf8_lossy(&bytes), b.chunks.len())
                    }
                    Record::Event(e) => format!("{:?}", e.what),
                    Record::Note(n) => format!("{:?}", n.what),
                    Record::End(e) => format!("end {:?}", e.carried),
                });
            }
            assert!(reader.skipped().is_none());
            found
        };
        self.ended.iter().map(read).collect()
    }
}

fn bytes(clock: SessionClock, port: u16, offset: u64, bytes: &[u8], unfinished: usize) -> ToJournal {
    ToJournal::Bytes(Arrived { port, stamp: clock.now(), offset, bytes: bytes.to_vec(), unfinished })
}

#[test]
fn the_writer_makes_a_record_of_what_belongs_together() {
    let recording = Recording::of(2, |clock| {
        vec![
            bytes(clock, 0, 0, b"ab", 2),
            bytes(clock, 1, 0, b"x", 1),
            bytes(clock, 0, 2, b"c", 3),
            bytes(clock, 0, 9, b"d", 1),
        ]
    });
    assert_eq!(recording.journals(), [["header []", "0 at 0: abc in 2", "0 at 9: d in 1", "1 at 0: x in 1", "end []"]]);
    let sync = recording.board.status(recording.clock.now()).sync.expect("synced");
    assert_eq!(sync.chunks, 4);
    assert!(sync.p50_ms <= sync.p999_ms && sync.p999_ms <= sync.max_ms, "{sync:?}");
}

#[test]
fn ports_stay_side_by_side_when_much_has_waited_for_the_disk() {
    let recording = Recording::of(2, |clock| {
        let later = |port, offset, s: i64| match bytes(clock, port, offset, b"t1230\r", 0) {
            ToJournal::Bytes(arrived) => {
                ToJournal::Bytes(Arrived { stamp: clock.started().plus_us(s * 1_000_000), ..arrived })
            }
            other => other,
        };
        (0..20).flat_map(|s| [later(0, 6 * s, s as i64), later(1, 6 * s, s as i64)]).collect()
    });
    let dataset = recording.dataset.path();
    let lock = recording.ended.iter().next().expect("a session");
    let sealed = crate::seal::seal_journal(dataset, &lock, tallywheel_schemas::manifest::Origin::Recorded);
    let manifest = sealed.expect("sealed").manifest;
    assert!(manifest.notes.iter().all(|note| !note.contains("late")), "{:?}", manifest.notes);
    let rows = crate::testing::rows(dataset, &manifest, tallywheel_schemas::Table::Frames).expect("frames");
    let seconds: Vec<i64> =
        crate::testing::times(&rows).iter().map(|t| (t - recording.clock.started().as_us()) / 1_000_000).collect();
    assert_eq!(seconds, (0..20).flat_map(|s| [s, s]).collect::<Vec<i64>>());
}

#[test]
fn a_seam_cuts_no_message() {
    let recording = Recording::of(2, |clock| {
        let seam = || ToJournal::Seam(Seam { at: clock.now(), run: None, reply: None });
        vec![
            bytes(clock, 0, 0, b"t1230\rt12", 3),
            bytes(clock, 0, 9, b"4", 4),
            bytes(clock, 1, 0, b"t2000\r", 0),
            seam(),
            bytes(clock, 0, 10, b"0\r", 0),
            bytes(clock, 1, 6, b"t2010\r", 0),
            seam(),
        ]
    });
    assert_eq!(
        recording.journals(),
        [
            vec!["header []", "0 at 0: t1230\rt124 in 2", "1 at 0: t2000\r in 1", "end [4, 0]"],
            vec!["header [6, 6]", "0 at 6: t124 in 2", "0 at 10: 0\r in 1", "1 at 6: t2010\r in 1", "end [0, 0]"],
            vec!["header [12, 12]", "end []"],
        ]
    );
}

#[test]
fn the_sessions_at_a_seam_hold_every_frame_once() {
    let recording = Recording::of(1, |clock| {
        let stream: Vec<u8> = (0..100).flat_map(|i| format!("t{i:03X}0\r").into_bytes()).collect();
        let mut framer = crate::framing::SlcanFramer::new();
        let mut messages = Vec::new();
        for (i, chunk) in stream.chunks(7).enumerate() {
            framer.received(chunk);
            while framer.next().is_some() {}
            messages.push(bytes(clock, 0, i as u64 * 7, chunk, framer.waiting()));
            if i % 10 == 9 {
                messages.push(ToJournal::Seam(Seam { at: clock.now(), run: None, reply: None }));
            }
        }
        messages
    });
    let dataset = recording.dataset.path();
    let mut ids = Vec::new();
    let mut previous: Option<String> = None;
    for lock in recording.ended.iter() {
        let sealed = crate::seal::seal_journal(dataset, &lock, tallywheel_schemas::manifest::Origin::Recorded);
        let manifest = sealed.expect("sealed").manifest;
        assert_eq!((manifest.follows.clone(), manifest.ports[0].bad), (previous, 0));
        assert!(manifest.gaps.is_empty() && manifest.notes.iter().all(|n| !n.contains("cut")), "{manifest:?}");
        let rows = crate::testing::rows(dataset, &manifest, tallywheel_schemas::Table::Frames);
        ids.extend(rows.map(|rows| crate::testing::ids(&rows)).unwrap_or_default());
        previous = Some(manifest.session);
    }
    assert_eq!(ids, (0..100).collect::<Vec<u32>>());
    assert!(recording.clock.elapsed_s() < 60.0);
}

use std::{
    path::PathBuf,
    sync::{
        Arc,
        mpsc::{Receiver, sync_channel},
    },
    time::Duration,
};

use tallywheel_schemas::{Rig, TextFile};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex},
    sync::watch,
};

use super::{
    outlet::{Counters, Outlet},
    *,
};
use crate::journal::{Header, JournalReader, JournalWriter, PortEvent, Record};

fn target(kind: &str, extra: &str) -> Target {
    let text = format!("schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"p\"\nkind = \"{kind}\"\n{extra}");
    let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a rig");
    Target { index: 0, port: rig.ports[0].clone(), device: PathBuf::from("/dev/null") }
}

fn slcan(extra: &str) -> Target {
    target("slcan", &format!("bit_rate = 500000\n{extra}"))
}

struct Bench {
    peer: DuplexStream,
    queue: Receiver<ToJournal>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<Option<String>>,
}

impl Bench {
    fn new(target: Target, depth: usize) -> Self {
        let (peer, stream) = duplex(4096);
        let (sender, queue) = sync_channel(depth);
        let (stop, stopped) = watch::channel(false);
        let counters = Arc::new(Counters::new("p"));
        let outlet = Outlet::new(&target, sender, SessionClock::start(), counters);
        let task = tokio::spawn(port::run(stream, target, outlet, stopped));
        Self { peer, queue, stop, task }
    }

    /// Lets the port's task run until it waits.
    async fn settle() {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }

    /// Ends the port; gives all that it ever sent, what it said, and what it handed over.
    async fn end(mut self) -> (Vec<u8>, Option<String>, Vec<ToJournal>) {
        self.stop.send(true).ok();
        let message = self.task.await.expect("the task");
        let mut sent = Vec::new();
        self.peer.read_to_end(&mut sent).await.expect("the other end");
        (sent, message, self.queue.iter().collect())
    }
}

fn run<T>(test: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(test)
}

#[test]
fn an_adapter_is_opened_and_closed_and_told_nothing_else() {
    for (extra, expected) in [
        ("", "C\rS6\rZ1\rL\rC\r"),
        ("listen_only = false\n", "C\rS6\rZ1\rO\rC\r"),
        ("device_time = false\n", "C\rS6\rZ0\rL\rC\r"),
    ] {
        let sent = run(async {
            let mut bench = Bench::new(slcan(extra), 16);
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
        let (sent, message, _) = run(async {
            let mut bench = Bench::new(target(kind, ""), 16);
            bench.peer.write_all(b"hello\r\n").await.expect("room");
            Bench::settle().await;
            bench.end().await
        });
        assert_eq!((sent, message), (Vec::new(), None));
    }
}

#[test]
fn no_bytes_means_that_the_device_is_gone() {
    let (message, handed) = run(async {
        let bench = Bench::new(target("nmea", ""), 16);
        Bench::settle().await;
        drop(bench.peer);
        let message = tokio::time::timeout(Duration::from_secs(5), bench.task).await.expect("no endless loop");
        (message.expect("the task"), bench.queue.iter().collect::<Vec<_>>())
    });
    assert_eq!(message.as_deref(), Some("port `p` on /dev/null is gone: the device was disconnected"));
    let is_gone = |m: &ToJournal| matches!(m, ToJournal::Event(e) if matches!(e.what, PortEvent::Disconnected { .. }));
    assert!(handed.last().is_some_and(is_gone));
}

#[test]
fn a_full_queue_drops_and_counts_and_the_reader_goes_on() {
    let (_, _, handed) = run(async {
        // Room for the opening event and one chunk.
        let mut bench = Bench::new(slcan(""), 2);
        for frames in [&b"t1230\r"[..], b"t1240\rt1250\r", b"t1260\r"] {
            bench.peer.write_all(frames).await.expect("room");
            Bench::settle().await;
        }
        let first: Vec<ToJournal> = bench.queue.try_iter().collect();
        bench.peer.write_all(b"t1270\r").await.expect("room");
        Bench::settle().await;
        let (sent, message, rest) = bench.end().await;
        (sent, message, first.into_iter().chain(rest).collect::<Vec<_>>())
    });
    let shown: Vec<String> = handed
        .iter()
        .map(|m| match m {
            ToJournal::Bytes { offset, bytes, .. } => format!("{offset} {}", String::from_utf8_lossy(bytes)),
            ToJournal::Event(event) => format!("{:?}", event.what),
        })
        .collect();
    assert_eq!(shown, ["Opened", "0 t1230\r", "Dropped { messages: 3, bytes: 18 }", "24 t1270\r"]);
}

#[test]
fn the_writer_makes_a_record_of_what_belongs_together() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let clock = SessionClock::start();
    let header = Header {
        session: "s".to_owned(),
        vehicle: "v".to_owned(),
        start_us: clock.started(),
        rig_file: String::new(),
        rig_text: String::new(),
        run: None,
        software: String::new(),
    };
    let journal = JournalWriter::create(directory.path(), header).expect("a journal");
    let (sender, queue) = sync_channel(16);
    let bytes =
        |port, offset, bytes: &[u8]| ToJournal::Bytes { port, stamp: clock.now(), offset, bytes: bytes.to_vec() };
    for message in [bytes(0, 0, b"ab"), bytes(1, 0, b"x"), bytes(0, 2, b"c"), bytes(0, 9, b"d")] {
        sender.send(message).expect("room");
    }
    drop(sender);
    write_journal(journal, &queue, 2, clock).expect("written");
    let mut reader = JournalReader::open(directory.path()).expect("the journal");
    let mut found = Vec::new();
    while let Some(record) = reader.next().expect("readable") {
        found.push(match record {
            Record::Header(_) => "header".to_owned(),
            Record::Bytes(b) => format!("{} at {}: {} chunk(s)", b.port, b.offset, b.chunks.len()),
            Record::Event(e) => format!("{:?}", e.what),
            Record::End(_) => "end".to_owned(),
        });
    }
    assert_eq!(found, ["header", "0 at 0: 2 chunk(s)", "0 at 9: 1 chunk(s)", "1 at 0: 1 chunk(s)", "end"]);
    assert!(reader.skipped().is_none());
}

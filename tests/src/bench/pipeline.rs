//! The logger's stages in memory, by CPU time: bytes to journal, journal to sealed tables.

use std::fs;

use serde::Serialize;
use tallywheel_logger::{
    framing::Framer,
    journal::{Batch, Chunk, EndMark, Event, Header, JournalWriter, PortEvent, Record},
    seal::seal_journal,
    session::SessionLock,
};
use tallywheel_schemas::{Manifest, Rig, Table, TextFile, Timestamp, manifest::Origin};
use tempfile::TempDir;

use super::{
    BenchError,
    cpu::{median, timed},
    traffic::Traffic,
};

/// Between two reads of an adapter that stamps its frames, µs, as the recorder has it.
const READ_US: u64 = 4000;
/// Between two records and syncs, µs, as the recorder has it.
const SYNC_US: u64 = 200_000;

/// CPU time of the stages for one kind of traffic, and the sizes that came out.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Pipeline {
    pub(super) traffic: &'static str,
    pub(super) frames: u64,
    /// How long a full bus takes for these frames, s.
    pub(super) bus_s: f64,
    /// CPU seconds, median: framing and journal.
    pub(super) journal_cpu_s: f64,
    /// CPU seconds, median: journal to sealed tables, with decoding.
    pub(super) seal_cpu_s: f64,
    /// CPU seconds, median of the sums.
    pub(super) both_cpu_s: f64,
    /// Bytes of the journal.
    pub(super) journal_bytes: u64,
    /// Bytes of the raw table of frames.
    pub(super) raw_bytes: u64,
    /// Bytes of the decoded tables.
    pub(super) decoded_bytes: u64,
}

impl Pipeline {
    pub(super) fn times_journal(&self) -> f64 {
        self.bus_s / self.journal_cpu_s
    }

    pub(super) fn times_seal(&self) -> f64 {
        self.bus_s / self.seal_cpu_s
    }

    pub(super) fn times_both(&self) -> f64 {
        self.bus_s / self.both_cpu_s
    }

    pub(super) fn per_frame(&self, bytes: u64) -> f64 {
        bytes as f64 / self.frames as f64
    }
}

/// Measures so many times.
pub(super) fn measure(traffic: &Traffic, repetitions: usize) -> Result<Pipeline, BenchError> {
    let rig =
        Rig::parse(TextFile::new("rig.toml", traffic.rig.as_str())).map_err(BenchError::logger("read the rig"))?;
    let (mut journal, mut seal, mut both) = (Vec::new(), Vec::new(), Vec::new());
    let mut sizes = None;
    for _ in 0..repetitions {
        let directory = TempDir::new().map_err(BenchError::io("make a temporary directory"))?;
        let start = Timestamp::parse("2026-10-05T08:30:00Z", 0).unwrap_or(Timestamp::from_us(0));
        let lock = SessionLock::claim_new(directory.path(), &rig.vehicle, start);
        let lock = lock.map_err(BenchError::logger("name a session"))?;
        let (journal_bytes, journal_s) = timed(|| write_journal(traffic, &rig, &lock, start))?;
        let (manifest, seal_s) = timed(|| {
            let sealed = seal_journal(directory.path(), &lock, Origin::Recorded);
            sealed.map(|s| s.manifest).map_err(BenchError::logger("seal the session"))
        })?;
        expect_whole(traffic, &manifest)?;
        journal.push(journal_s);
        seal.push(seal_s);
        both.push(journal_s + seal_s);
        sizes = Some((journal_bytes, raw_bytes(&manifest), decoded_bytes(&manifest)));
    }
    let (journal_bytes, raw_bytes, decoded_bytes) = sizes.unwrap_or_default();
    Ok(Pipeline {
        traffic: traffic.name,
        frames: traffic.frames,
        bus_s: traffic.bus_s,
        journal_cpu_s: median(journal),
        seal_cpu_s: median(seal),
        both_cpu_s: median(both),
        journal_bytes,
        raw_bytes,
        decoded_bytes,
    })
}

/// Frames the bytes and writes them to a journal, in chunks and records as a recording has them. Gives its size.
fn write_journal(traffic: &Traffic, rig: &Rig, lock: &SessionLock, start: Timestamp) -> Result<u64, BenchError> {
    let error = || BenchError::logger("write the journal");
    let header = Header {
        session: lock.session.clone(),
        vehicle: rig.vehicle.clone(),
        start_us: start,
        rig_file: "rig.toml".to_owned(),
        rig_text: traffic.rig.clone(),
        run: None,
        software: "logger-bench".to_owned(),
        follows: None,
        begins: Vec::new(),
    };
    let mut journal = JournalWriter::create(&lock.directory, header).map_err(error())?;
    let opened = Event { port: traffic.port, at_us: start, what: PortEvent::Opened };
    journal.append(&Record::Event(opened)).map_err(error())?;
    let mut framer = Framer::new(&rig.ports[usize::from(traffic.port)]);
    let mut frames = 0;
    let mut batch = Batch { port: traffic.port, offset: 0, chunks: Vec::new() };
    let (mut from, mut next_record_us, mut at_us) = (0, SYNC_US, 0);
    // A sync costs the same however little it writes. A bus that is not full would be charged for the syncs of a time
    // in which a full one carries far more, so they come as often as with a full one.
    let (bytes_a_sync, mut unsynced) = (traffic.bytes.len() as f64 * SYNC_US as f64 / 1e6 / traffic.bus_s, 0);
    for packets in traffic.packets.chunk_by(|a, b| a.at_us / READ_US == b.at_us / READ_US) {
        let Some(last) = packets.last().filter(|last| last.end > from) else { continue };
        at_us = (last.at_us / READ_US + 1) * READ_US;
        if at_us >= next_record_us {
            next_record_us = at_us + SYNC_US;
            let next = Batch { port: traffic.port, offset: from as u64, chunks: Vec::new() };
            journal.append(&Record::Bytes(std::mem::replace(&mut batch, next))).map_err(error())?;
            if unsynced as f64 >= bytes_a_sync {
                journal.sync().map_err(error())?;
                unsynced = 0;
            }
        }
        let bytes = traffic.bytes[std::mem::replace(&mut from, last.end)..last.end].to_vec();
        unsynced += bytes.len();
        framer.received(&bytes);
        frames += std::iter::from_fn(|| framer.next()).count() as u64;
        batch.chunks.push(Chunk { stamp: start.plus_us(at_us as i64), bytes });
    }
    journal.append(&Record::Bytes(batch)).map_err(error())?;
    journal.append(&Record::End(EndMark::at(start.plus_us(at_us as i64)))).map_err(error())?;
    journal.sync().map_err(error())?;
    if frames != traffic.frames {
        return Err(BenchError::logger("write the journal")(format!("{frames} of {} frames", traffic.frames)));
    }
    fs::metadata(journal.path()).map(|m| m.len()).map_err(BenchError::io("look at the journal"))
}

fn expect_whole(traffic: &Traffic, manifest: &Manifest) -> Result<(), BenchError> {
    let port = &manifest.ports[usize::from(traffic.port)];
    if (port.frames, port.bad) == (traffic.frames, 0) {
        return Ok(());
    }
    let said = format!("{} of {} frames are sealed, {} bad", port.frames, traffic.frames, port.bad);
    Err(BenchError::Logger { action: "seal the session", reason: said })
}

fn raw_bytes(manifest: &Manifest) -> u64 {
    manifest.file(Table::Frames).map_or(0, |f| f.bytes)
}

fn decoded_bytes(manifest: &Manifest) -> u64 {
    let decoded = manifest.files.iter().filter(|f| matches!(Table::from_name(&f.table), Some(Table::Decoded(_))));
    decoded.map(|f| f.bytes).sum()
}

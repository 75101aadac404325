//! A fleet as sealed sessions at native rates: one session a vehicle and driving day, and one a night on the charger.
//!
//! Decoded tables only: the raw `frames` and `lines` that a recording also has would double the size and are read by
//! nothing above the decoder. Manifests carry real hashes.

use std::{
    collections::BTreeMap,
    fs, io,
    path::Path,
    sync::{
        OnceLock,
        atomic::{AtomicU64, Ordering},
    },
};

use arrow::{array::Array as _, array::RecordBatch, error::ArrowError};
use parquet::arrow::ArrowWriter;
use rayon::prelude::*;
use tallywheel_schemas::{
    Digest, Domain, Manifest, Rig, Table, TextFile, Timestamp,
    manifest::{ChannelRecord, FileRecord, Gap, GapCause, MANIFEST_VERSION, Origin, PortRecord, RigRecord},
};

use super::{
    FleetPlan, Library, Rounds, VehicleDay,
    native::{Place, TripRows},
    rig,
    rounds::{Charge, weather},
    tables::session_name,
    vehicle_name,
};
use crate::charge::Charging;

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Written {
    /// Sessions.
    pub sessions: u64,
    /// Rows in decoded tables.
    pub rows: u64,
    /// Bytes of Parquet.
    pub bytes: u64,
}

/// A fleet that cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    /// A file or directory cannot be written.
    #[error("write {path}: {source}")]
    Write {
        /// Below the dataset's root.
        path: String,
        /// What the system said.
        source: io::Error,
    },
    /// A table cannot be made or encoded.
    #[error("make {path}: {reason}")]
    Encode {
        /// Below the dataset's root.
        path: String,
        /// What the library said.
        reason: String,
    },
    /// Rows of a table cannot be made.
    #[error("make rows: {0}")]
    Rows(#[from] ArrowError),
    /// The rig made for a vehicle is none.
    #[error(transparent)]
    Rig(#[from] tallywheel_schemas::TextFileError),
}

/// Writes the sessions of a plan below a directory; vehicle-days are written in parallel.
///
/// # Errors
/// When a file cannot be written.
pub fn write(plan: &FleetPlan, library: &Library, root: &Path) -> Result<Written, FleetError> {
    let failed = |source| FleetError::Write { path: root.display().to_string(), source };
    fs::create_dir_all(root.join("sessions")).map_err(failed)?;
    super::write_truth(plan, root).map_err(failed)?;
    let weather = weather(plan);
    let days: Vec<VehicleDay> = (0..plan.vehicles)
        .flat_map(|vehicle| {
            let mut rounds = Rounds::new(plan, library, &weather, vehicle);
            (0..plan.weeks).flat_map(move |week| rounds.week(week)).collect::<Vec<_>>()
        })
        .collect();
    let writer = Writer {
        root,
        seed: plan.seed,
        library,
        rows: (0..library.len()).map(|_| OnceLock::new()).collect(),
        sessions: AtomicU64::new(0),
        written_rows: AtomicU64::new(0),
        bytes: AtomicU64::new(0),
    };
    days.par_iter().try_for_each(|day| {
        writer.driven(day)?;
        day.charge.map_or(Ok(()), |charge| writer.charged(day, charge))
    })?;
    Ok(Written {
        sessions: writer.sessions.into_inner(),
        rows: writer.written_rows.into_inner(),
        bytes: writer.bytes.into_inner(),
    })
}

struct Writer<'a> {
    root: &'a Path,
    seed: u64,
    library: &'a Library,
    /// Rows of the library's trips, made when first used.
    rows: Vec<OnceLock<TripRows>>,
    sessions: AtomicU64,
    written_rows: AtomicU64,
    bytes: AtomicU64,
}

/// One session's files, open.
struct Session<'a> {
    root: &'a Path,
    vehicle: String,
    date: String,
    name: String,
    rig_text: String,
    writers: BTreeMap<Domain, ArrowWriter<fs::File>>,
    /// Values seen, by table and column.
    seen: BTreeMap<(Domain, String), u64>,
    span: Option<(i64, i64)>,
    pauses: Vec<(i64, i64)>,
}

impl Writer<'_> {
    fn trip_rows(&self, index: usize) -> &TripRows {
        self.rows[index].get_or_init(|| TripRows::of(&self.library.samples(index), self.seed, index as u64))
    }

    fn driven(&self, day: &VehicleDay) -> Result<(), FleetError> {
        let start_us = day.trips.first().map_or(day.day_us, |t| t.start_us);
        let mut session = Session::new(self.root, day, start_us);
        let (mut fuel_pulses, mut edges) = (60_000.0, 1234.0);
        for trip in &day.trips {
            let rows = self.trip_rows(trip.index);
            let place = Place {
                session: &session.name.clone(),
                start_us: trip.start_us,
                fuel_factor: trip.fuel_factor,
                fuel_pulses,
                edges,
                soc_shift_pct: trip.soc_pct - self.library.trip(trip.index).soc_start_pct,
                missing_share: day.missing_share,
                pack_silent: day.pack_silent,
            };
            for (domain, batch) in rows.place(&place)? {
                session.write(domain, &batch)?;
            }
            let (pulses, turned) = rows.counts();
            fuel_pulses += pulses * trip.fuel_factor;
            edges += turned;
        }
        let ends = day.trips.iter().zip(day.trips.iter().skip(1)).map(|(a, b)| {
            let length_us = self.library.trip(a.index).sums.duration_s as i64 * 1_000_000;
            (a.start_us + length_us, b.start_us)
        });
        session.pauses = ends.collect();
        self.seal(session, day)
    }

    fn charged(&self, day: &VehicleDay, charge: Charge) -> Result<(), FleetError> {
        let mut session = Session::new(self.root, day, charge.start_us);
        let mut charging = Charging::new(charge.soc_pct.0 / 100.0, 10.0, charge.seconds as f64 + 3600.0);
        let mut samples = Vec::new();
        while let Some(sample) = charging.step() {
            samples.push(sample);
        }
        let rows = TripRows::parked(&samples, self.seed, (charge.start_us / 1_000_000).unsigned_abs());
        let place = Place {
            session: &session.name.clone(),
            start_us: charge.start_us,
            fuel_factor: 1.0,
            fuel_pulses: 0.0,
            edges: 0.0,
            soc_shift_pct: 0.0,
            missing_share: 0.0,
            pack_silent: day.pack_silent,
        };
        for (domain, batch) in rows.place(&place)? {
            session.write(domain, &batch)?;
        }
        self.seal(session, day)
    }

    fn seal(&self, session: Session<'_>, day: &VehicleDay) -> Result<(), FleetError> {
        let (rows, bytes) = session.seal(day)?;
        self.sessions.fetch_add(1, Ordering::Relaxed);
        self.written_rows.fetch_add(rows, Ordering::Relaxed);
        self.bytes.fetch_add(bytes, Ordering::Relaxed);
        Ok(())
    }
}

impl<'a> Session<'a> {
    fn new(root: &'a Path, day: &VehicleDay, start_us: i64) -> Self {
        let vehicle = vehicle_name(day.vehicle);
        Self {
            root,
            date: Timestamp::from_us(start_us).date(),
            name: session_name(day.vehicle, start_us),
            rig_text: rig::text(&vehicle, &day.calibration_due),
            vehicle,
            writers: BTreeMap::new(),
            seen: BTreeMap::new(),
            span: None,
            pauses: Vec::new(),
        }
    }

    fn write(&mut self, domain: Domain, batch: &RecordBatch) -> Result<(), FleetError> {
        for (field, column) in batch.schema().fields().iter().zip(batch.columns()).skip(2) {
            let values = (column.len() - column.null_count()) as u64;
            *self.seen.entry((domain, field.name().clone())).or_default() += values;
        }
        let times: &arrow::array::Int64Array = arrow::array::AsArray::as_primitive(batch.column(1));
        if let (Some(first), Some(last)) = (times.values().first(), times.values().last()) {
            let (a, b) = self.span.unwrap_or((*first, *last));
            self.span = Some((a.min(*first), b.max(*last)));
        }
        if !self.writers.contains_key(&domain) {
            let writer = self.open(domain, batch)?;
            self.writers.insert(domain, writer);
        }
        let path = self.path(domain);
        let Some(writer) = self.writers.get_mut(&domain) else { return Ok(()) };
        writer.write(batch).map_err(|e| FleetError::Encode { path, reason: e.to_string() })
    }

    fn path(&self, domain: Domain) -> String {
        Table::Decoded(domain).path(&self.vehicle, &self.date, &self.name).display().to_string()
    }

    fn open(&self, domain: Domain, batch: &RecordBatch) -> Result<ArrowWriter<fs::File>, FleetError> {
        let path = self.path(domain);
        let whole = self.root.join(&path);
        let failed = |source| FleetError::Write { path: path.clone(), source };
        fs::create_dir_all(whole.parent().unwrap_or(self.root)).map_err(failed)?;
        let file = fs::File::create_new(&whole).map_err(failed)?;
        let properties = Table::Decoded(domain).writer_properties();
        ArrowWriter::try_new(file, batch.schema(), Some(properties))
            .map_err(|e| FleetError::Encode { path: path.clone(), reason: e.to_string() })
    }

    /// Closes the tables and writes the manifest last; gives rows and bytes.
    fn seal(mut self, day: &VehicleDay) -> Result<(u64, u64), FleetError> {
        let mut files = Vec::new();
        for (domain, writer) in std::mem::take(&mut self.writers) {
            let path = Table::Decoded(domain).path(&self.vehicle, &self.date, &self.name);
            let shown = path.display().to_string();
            let metadata =
                writer.close().map_err(|e| FleetError::Encode { path: shown.clone(), reason: e.to_string() })?;
            let failed = |source| FleetError::Write { path: shown.clone(), source };
            let file = fs::File::open(self.root.join(&path)).map_err(failed)?;
            let bytes = file.metadata().map_err(failed)?.len();
            files.push(FileRecord::of(Table::Decoded(domain), &path, &metadata, bytes, file).map_err(failed)?);
        }
        let rows = files.iter().map(|f| f.rows).sum();
        let bytes = files.iter().map(|f| f.bytes).sum();
        let manifest = self.manifest(files, day)?.sealed();
        let path = self.root.join(manifest.path());
        let failed = |source| FleetError::Write { path: path.display().to_string(), source };
        fs::create_dir_all(path.parent().unwrap_or(self.root)).map_err(failed)?;
        fs::write(&path, manifest.to_json()).map_err(failed)?;
        Ok((rows, bytes))
    }

    fn manifest(&self, files: Vec<FileRecord>, day: &VehicleDay) -> Result<Manifest, FleetError> {
        let rig = Rig::parse(TextFile::new("rig.toml", self.rig_text.as_str()))?;
        let (start, end) = self.span.unwrap_or((day.day_us, day.day_us));
        let longest_gap_us = self.pauses.iter().map(|(a, b)| b - a).max().unwrap_or(0);
        let ports = rig.ports.iter().enumerate().map(|(i, port)| PortRecord {
            port: port.name.clone(),
            bad: if i == 0 { day.bad_messages } else { 0 },
            longest_gap_us,
            ..PortRecord::default()
        });
        let channels = rig.signals.iter().map(|signal| {
            let key = signal.channel.split_once('.').and_then(|(table, column)| {
                let domain = Domain::ALL.into_iter().find(|d| d.name() == table)?;
                Some((domain, column.to_owned()))
            });
            let samples = key.and_then(|k| self.seen.get(&k)).copied().unwrap_or(0);
            ChannelRecord {
                channel: signal.channel.clone(),
                position: signal.position.clone(),
                // Both motors speak alike often.
                samples: if signal.position.is_some() { samples / 2 } else { samples },
                missing: 0,
                out_of_range: 0,
                longest_gap_us,
            }
        });
        let silent = |port: &str, from: i64, to: i64| Gap {
            port: port.to_owned(),
            start_us: Timestamp::from_us(from),
            length_us: Some(to - from),
            cause: GapCause::Silent,
        };
        let gaps = self.pauses.iter().flat_map(|(from, to)| rig.ports.iter().map(|p| silent(&p.name, *from, *to)));
        Ok(Manifest {
            schema: MANIFEST_VERSION,
            session: self.name.clone(),
            vehicle: self.vehicle.clone(),
            start_us: Timestamp::from_us(start),
            end_us: Timestamp::from_us(end),
            software: concat!("tallywheel-demo ", env!("CARGO_PKG_VERSION")).to_owned(),
            origin: Origin::Recorded,
            clock: "simulated".to_owned(),
            clock_fit: None,
            follows: None,
            followed_by: None,
            rig: RigRecord {
                file: "rig.toml".to_owned(),
                blake3: Digest::of(self.rig_text.as_bytes()),
                text: self.rig_text.clone(),
            },
            earlier_rigs: Vec::new(),
            run: None,
            ports: ports.collect(),
            channels: channels.collect(),
            gaps: gaps.collect(),
            notes: vec!["simulated; decoded tables only".to_owned()],
            files,
            seal: None,
        })
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::manifest::Seal;

    use super::*;

    #[test]
    fn sessions_are_sealed_with_hashes_that_hold() {
        let directory = tempfile::TempDir::new().expect("a temporary directory");
        let plan = FleetPlan { days: 1, hours: 0.3, ..FleetPlan::healthy(2, 1, 5) };
        let library = Library::drive(5, 1);
        let written = write(&plan, &library, directory.path()).expect("written");
        assert!(written.sessions >= 2 && written.rows > 200_000, "{written:?}");
        let mut checked = 0;
        for vehicle in ["skerry-1", "skerry-2"] {
            let day = directory.path().join("sessions").join(format!("vehicle={vehicle}")).join("date=2026-06-29");
            for entry in fs::read_dir(day).expect("a day") {
                let (manifest, seal) = Manifest::read_with_seal(&entry.expect("an entry").path()).expect("a manifest");
                assert_eq!(seal, Seal::Holds);
                manifest.parse_rig().expect("a rig");
                for record in &manifest.files {
                    let bytes = fs::read(directory.path().join(&record.path)).expect("the file");
                    assert_eq!(Digest::of(&bytes), record.blake3);
                    checked += 1;
                }
            }
        }
        assert!(checked >= 10, "{checked}");
        // Nothing is written over.
        assert!(write(&plan, &library, directory.path()).is_err());
    }
}

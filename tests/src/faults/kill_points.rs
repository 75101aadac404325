//! Journals of a real recording with seams, damaged at thousands of places, each recovered on a copy: what comes back
//! is exactly what stands whole before the damage, and what could not be read is kept aside whole.

use std::{
    collections::BTreeMap,
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicUsize, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Value, json};
use tallywheel_logger::recover::{Outcome, recover};
use tallywheel_schemas::manifest::GapCause;

use super::{
    Checked,
    bay::Bay,
    journal_walk::Walk,
    plan::Plan,
    scene::{Scene, Setup},
    sealed, within,
};

/// Failures that are told one by one.
const TOLD: usize = 5;

/// One journal as it was recorded.
struct Pristine {
    session: String,
    bytes: Vec<u8>,
    walk: Walk,
}

/// What came of all points.
#[derive(Debug, Default)]
struct Tally {
    /// Points by kind of damage.
    kinds: BTreeMap<&'static str, u64>,
    frames: u64,
    /// Points inside the header, which is on the disk before anything is recorded.
    header_hits: u64,
    panics: u64,
    failures: Vec<String>,
}

/// Damages, recovers and compares.
pub(super) fn run(plan: &Plan) -> Checked<Map<String, Value>> {
    let bay = Bay::new(plan, "kill-points")?;
    let journals = record(&bay)?;
    let tally = Mutex::new(Tally::default());
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let point = next.fetch_add(1, Relaxed);
                    if point >= plan.kill_points {
                        return;
                    }
                    let mut random = ChaCha8Rng::seed_from_u64(plan.seed);
                    random.set_stream(point as u64 + 1);
                    let found = kill_point(&journals, &mut random);
                    note(&tally, point, found);
                }
            });
        }
    });
    let tally = tally.into_inner().unwrap_or_else(PoisonError::into_inner);
    for failure in tally.failures.iter().take(TOLD) {
        super::say(&format!("      {failure}"));
    }
    let mut figures = Map::new();
    figures.insert("kill_points".to_owned(), json!(plan.kill_points));
    figures.insert("kill_points_failed".to_owned(), json!(tally.failures.len()));
    figures.insert("kill_points_panics".to_owned(), json!(tally.panics));
    figures.insert("kill_points_in_header".to_owned(), json!(tally.header_hits));
    figures.insert("kill_points_frames".to_owned(), json!(tally.frames));
    figures.insert("kill_points_journals".to_owned(), json!(journals.len()));
    figures.insert("kill_points_by_damage".to_owned(), json!(tally.kinds));
    Ok(figures)
}

fn note(tally: &Mutex<Tally>, point: usize, found: Checked<Found>) {
    let mut tally = tally.lock().unwrap_or_else(PoisonError::into_inner);
    match found {
        Ok(found) => {
            *tally.kinds.entry(found.kind).or_default() += 1;
            tally.frames += found.frames as u64;
            tally.header_hits += u64::from(found.in_header);
        }
        Err(failure) => {
            tally.panics += u64::from(failure.contains("panicked"));
            tally.failures.push(format!("point {point}: {failure}"));
        }
    }
}

/// Records with a seam every 0.8 s and keeps each journal by a second name, which outlives its sealing.
fn record(bay: &Bay) -> Checked<Vec<Pristine>> {
    let args = ["--rotate", "0.8"].map(str::to_owned).to_vec();
    let scene = Scene::begin(bay, &Setup { rate: 2000, args, run: false, ..Setup::new() })?;
    let kept = bay.path("journals");
    fs::create_dir_all(&kept).map_err(within("journals"))?;
    let until = Instant::now() + Duration::from_secs_f64(if bay.quick { 2.8 } else { 5.0 });
    while Instant::now() < until {
        keep(&bay.dataset(), &kept)?;
        std::thread::sleep(Duration::from_millis(10));
    }
    scene.kill()?;
    keep(&bay.dataset(), &kept)?;
    let mut journals = Vec::new();
    for path in sealed::entries(&kept)? {
        let bytes = fs::read(&path).map_err(within(path.display()))?;
        let session = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        journals.push(Pristine { session, walk: Walk::of(&bytes)?, bytes });
    }
    let seams = journals.iter().filter(|j| j.walk.ended).count();
    if seams < 2 || journals.iter().all(|j| j.walk.numbers.is_empty()) {
        return Err(format!("{} journals with {seams} seams are too few", journals.len()));
    }
    Ok(journals)
}

fn keep(dataset: &Path, kept: &Path) -> Checked<()> {
    for directory in sealed::entries(&dataset.join(".journal"))? {
        if let Some(name) = directory.file_name() {
            // It may be there already, or be gone again.
            let _ = fs::hard_link(directory.join("journal.twj"), kept.join(name));
        }
    }
    Ok(())
}

/// What came of one point.
struct Found {
    kind: &'static str,
    frames: usize,
    in_header: bool,
}

fn kill_point(journals: &[Pristine], random: &mut ChaCha8Rng) -> Checked<Found> {
    let (pristine, place) = anywhere(journals, random);
    let (kind, damaged) = damage(&pristine.bytes, place, random);
    // Records before the first byte that differs are as they were.
    let same = pristine.bytes.iter().zip(&damaged).take_while(|(a, b)| a == b).count();
    let expected = pristine.walk.up_to(same);
    let whole = pristine.walk.ends.iter().map(|(end, _)| *end).filter(|end| *end <= same).max().unwrap_or_default();
    let dataset = tempfile::Builder::new().tempdir_in(Plan::scratch()).map_err(within("a copy"))?;
    let directory = dataset.path().join(".journal").join(&pristine.session);
    fs::create_dir_all(&directory)
        .and_then(|()| fs::write(directory.join("journal.twj"), &damaged))
        .map_err(within("a copy"))?;
    let told =
        |what: String| format!("{kind} at byte {same} of {} ({}): {what}", pristine.bytes.len(), pristine.session);
    let recovered = catch_unwind(AssertUnwindSafe(|| recover(dataset.path())));
    let mut recoveries = recovered.map_err(|_| told("recovery panicked".to_owned()))?.map_err(within("recover"))?;
    let [recovery] = recoveries.as_mut_slice() else { return Err(told(format!("{recoveries:?}"))) };
    let is_whole = whole == damaged.len();
    if is_of_another_release(&damaged, &pristine.bytes, &recovery.outcome) {
        // Nobody can tell it from a newer format, so it is left where it is.
        let left = fs::read(directory.join("journal.twj")).map_err(within("what was left"))?;
        let same = left == damaged;
        return if same {
            Ok(Found { kind, frames: 0, in_header: true })
        } else {
            Err(told("it was edited".to_owned()))
        };
    }
    let cause = if pristine.stands_later(whole, &damaged) { GapCause::JournalDamaged } else { GapCause::Interrupted };
    let kept = judge(dataset.path(), &recovery.outcome, expected, whole, &damaged, cause).map_err(told)?;
    match &kept {
        Some(kept) if fs::read(kept).map_err(within(kept.display()))? != damaged => {
            return Err(told("what could not be read is not kept as it was".to_owned()));
        }
        None if !is_whole && !damaged.is_empty() => return Err(told("what could not be read is not kept".to_owned())),
        _ => {}
    }
    if !recover(dataset.path()).map_err(within("recover"))?.is_empty() {
        return Err(told("something is left to recover".to_owned()));
    }
    Ok(Found { kind, frames: expected.len(), in_header: whole == 0 })
}

/// The version in the first record's head was struck, and recovery says so.
fn is_of_another_release(damaged: &[u8], pristine: &[u8], outcome: &Outcome) -> bool {
    let struck = damaged.starts_with(b"TWJR") && damaged.get(4..6) != pristine.get(4..6);
    struck && matches!(outcome, Outcome::Failed(error) if error.to_string().contains("with the release that wrote it"))
}

/// Holds an outcome against what stands whole; gives where the journal is kept.
fn judge(
    dataset: &Path,
    outcome: &Outcome,
    expected: &[u32],
    whole: usize,
    damaged: &[u8],
    cause: GapCause,
) -> Checked<Option<PathBuf>> {
    match outcome {
        Outcome::Nothing if damaged.is_empty() => Ok(None),
        Outcome::Unreadable { kept, .. } if whole == 0 => Ok(Some(kept.clone())),
        Outcome::Sealed { manifest, skipped } => {
            let session = sealed::session(dataset, &dataset.join(manifest.path()))?;
            let numbers: Vec<Option<u32>> = session.frames.iter().map(|f| f.number).collect();
            if !numbers.iter().copied().eq(expected.iter().map(|n| Some(*n))) {
                return Err(format!("{} frames came back, {} stand whole before it", numbers.len(), expected.len()));
            }
            if session.pack.len() != expected.len() {
                return Err(format!("{} rows are decoded of {} frames", session.pack.len(), expected.len()));
            }
            let skipped_at = skipped.as_ref().map(|(skipped, _)| skipped.offset as usize);
            if skipped_at.is_some_and(|at| at != whole) {
                return Err(format!("it says that byte {skipped_at:?} is the first unread, which is {whole}"));
            }
            let ended = Walk::of(&damaged[..whole])?.ended;
            let open: Vec<GapCause> = manifest.gaps.iter().filter(|g| g.length_us.is_none()).map(|g| g.cause).collect();
            if open != if ended { vec![] } else { vec![cause] } {
                return Err(format!("ended cleanly: {ended}; gaps stated: {:?}", manifest.gaps));
            }
            Ok(skipped.as_ref().map(|(_, kept)| kept.clone()))
        }
        other => Err(format!("{other:?}")),
    }
}

impl Pristine {
    /// Whether a record behind the first that is not whole still stands in a damaged copy.
    fn stands_later(&self, whole: usize, damaged: &[u8]) -> bool {
        let starts = self.walk.ends.iter().map(|(end, _)| *end);
        let records = starts.clone().zip(starts.skip(1)).filter(|(start, _)| *start > whole);
        records.into_iter().any(|(start, end)| damaged.get(start..end) == Some(&self.bytes[start..end]))
    }
}

/// A byte of all journals, each as likely as any other: its journal and its place there.
fn anywhere<'a>(journals: &'a [Pristine], random: &mut ChaCha8Rng) -> (&'a Pristine, usize) {
    let mut place = random.random_range(0..journals.iter().map(|j| j.bytes.len()).sum());
    for journal in journals {
        if place < journal.bytes.len() {
            return (journal, place);
        }
        place -= journal.bytes.len();
    }
    (&journals[0], 0)
}

/// A copy damaged at a place, and what was done to it.
fn damage(pristine: &[u8], at: usize, random: &mut ChaCha8Rng) -> (&'static str, Vec<u8>) {
    let mut bytes = pristine.to_vec();
    let block = random.random_range(1..=4096).min(bytes.len() - at);
    match random.random_range(0..6) {
        0 => {
            bytes.truncate(at);
            ("cut", bytes)
        }
        1 => {
            bytes[at..].fill(0);
            ("zeroed tail", bytes)
        }
        2 => {
            bytes[at..at + block].fill(0);
            ("zeroed block", bytes)
        }
        3 => {
            random.fill_bytes(&mut bytes[at..]);
            ("garbage tail", bytes)
        }
        4 => {
            let mut more = vec![0; block];
            random.fill_bytes(&mut more);
            bytes.truncate(at);
            bytes.extend(more);
            ("cut and garbage", bytes)
        }
        _ => {
            bytes[at] ^= 1 << random.random_range(0..8);
            ("flipped bit", bytes)
        }
    }
}

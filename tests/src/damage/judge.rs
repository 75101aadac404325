//! One damaged file of a sealed session: loaded, verified, and judged.

use std::{
    collections::BTreeMap,
    fs,
    ops::Range,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
    sync::Arc,
};

use arrow::{
    array::{Array as _, RecordBatch},
    compute::concat_batches,
};
use rand::Rng;
use tallywheel_analyze::dataset::{Damage, Dataset, Filter, Session};
use tallywheel_logger::verify::{Plan, Verdict, VerifyOptions};
use tempfile::TempDir;

use super::{
    Tally,
    harm::Harm,
    pool::{Pool, PristineTable, Victim},
};

/// A copy of the pristine datasets in which one file at a time is damaged.
pub(super) struct Bench<'a> {
    directory: TempDir,
    sessions: BTreeMap<&'a str, Arc<Session>>,
}

/// What loading a table gave.
struct Loaded {
    batches: Vec<RecordBatch>,
    damage: Vec<Damage>,
}

impl<'a> Bench<'a> {
    pub(super) fn new(pool: &'a Pool) -> Self {
        let directory = TempDir::new().expect("a temporary directory");
        for (path, bytes) in &pool.files {
            let path = directory.path().join(path);
            fs::create_dir_all(path.parent().expect("a parent")).expect("room");
            fs::write(path, bytes).expect("room");
        }
        let open = |dataset: &'a str| {
            let opened = Dataset::open(&directory.path().join(dataset)).expect("a dataset");
            (dataset, opened.sessions(&Filter::default()).remove(0))
        };
        let victims = || pool.small.iter().chain(&pool.large);
        let bench = Self { sessions: victims().map(|v| open(v.dataset)).collect(), directory };
        victims().for_each(|victim| bench.check_pristine(victim));
        bench
    }

    /// Before anything is damaged, everything reads back whole and holds.
    fn check_pristine(&self, victim: &Victim) {
        assert_eq!(self.verify(victim), Some(Verdict::Holds));
        let Some(table) = &victim.table else { return };
        let loaded = self.load(victim, table).expect("no panic");
        let rows = judge_rows(&loaded.batches, table, &vec![true; table.groups.len()]);
        assert!(loaded.damage.is_empty() && !rows.wrong && !rows.lost, "{}", victim.path.display());
    }

    fn root(&self, victim: &Victim) -> PathBuf {
        self.directory.path().join(victim.dataset)
    }

    /// Damages a file, judges what is read, and puts the file back. Says what was done.
    pub(super) fn judge(&mut self, victim: &Victim, rng: &mut impl Rng, tally: &mut Tally) -> String {
        let (harm, harmed) = Harm::any(&victim.bytes, rng);
        let path = self.root(victim).join(&victim.path);
        tally.files += 1;
        harm.count(tally);
        replace(&path, &harmed);
        match &victim.table {
            Some(table) => self.judge_table(victim, table, &harmed, tally),
            None => self.judge_manifest(victim, tally),
        }
        replace(&path, &victim.bytes);
        format!("{} of {}: {harm}", victim.path.display(), victim.dataset)
    }

    fn judge_table(&self, victim: &Victim, table: &PristineTable, harmed: &[u8], tally: &mut Tally) {
        tally.tables += 1;
        tally.rows += table.record.rows;
        let same = |range: Range<u64>| {
            let range = range.start as usize..range.end as usize;
            harmed.get(range.clone()) == Some(&victim.bytes[range])
        };
        let footer = same(table.record.footer.as_ref().expect("sealed with a footer hash").range());
        let intact: Vec<bool> = table.record.row_groups.iter().map(|g| footer && same(g.range())).collect();
        if let Some(loaded) = self.load(victim, table) {
            let rows = judge_rows(&loaded.batches, table, &intact);
            let stated: u64 = loaded.damage.iter().map(|d| d.rows).sum();
            tally.rows_read += rows.read;
            tally.silently_wrong += u64::from(rows.wrong);
            tally.undamaged_lost += u64::from(rows.lost);
            tally.misstated += u64::from(stated + rows.read != table.record.rows);
            tally.footers_lost += u64::from(!footer);
            tally.unnoticed += u64::from(loaded.damage.is_empty());
        }
        tally.unnoticed += u64::from(self.verify(victim) == Some(Verdict::Holds));
    }

    fn judge_manifest(&self, victim: &Victim, tally: &mut Tally) {
        tally.manifests += 1;
        let open = || Dataset::open(&self.root(victim)).expect("a dataset");
        let Ok(dataset) = catch_unwind(AssertUnwindSafe(open)) else { return };
        let usable = dataset.sessions(&Filter::default()).pop();
        let verdict = self.verify(victim);
        match usable {
            // A manifest that says the very same, as with another space between its tokens.
            Some(session) if session.manifest == victim.manifest => tally.harmless += 1,
            Some(_) => tally.silently_wrong += 1,
            None => {
                tally.unnoticed += u64::from(dataset.unusable(&Filter::default()).len() != 1);
                tally.unnoticed += u64::from(verdict == Some(Verdict::Holds));
            }
        }
    }

    /// Loads a table as every command of the analysis does; `None` after a panic.
    fn load(&self, victim: &Victim, table: &PristineTable) -> Option<Loaded> {
        let schema = table.table.schema();
        let columns: Vec<&str> = schema.fields().iter().map(|f| f.name().as_str()).collect();
        let session = &self.sessions[victim.dataset];
        catch_unwind(AssertUnwindSafe(|| {
            let mut rows = session.rows(table.table, &columns);
            Loaded { batches: rows.by_ref().collect(), damage: rows.into_damage() }
        }))
        .ok()
    }

    /// What `verify` says of the session; `None` after a panic.
    fn verify(&self, victim: &Victim) -> Option<Verdict> {
        let options = VerifyOptions { data: self.root(victim), sessions: Vec::new() };
        let check = || {
            let plan = Plan::new(&options).expect("a dataset");
            plan.check(&mut |_| {}).expect("readable").verdict()
        };
        catch_unwind(AssertUnwindSafe(check)).ok()
    }
}

/// Some file systems flush a file that is cut to nothing and written again; a new one they do not.
fn replace(path: &Path, bytes: &[u8]) {
    fs::remove_file(path).expect("the file is there");
    fs::write(path, bytes).expect("room");
}

struct Rows {
    read: u64,
    /// Something was handed out that is not the pristine rows of a row group.
    wrong: bool,
    /// A row group that must be read was not.
    lost: bool,
}

/// Matches what was handed out with the pristine row groups, in their order.
fn judge_rows(batches: &[RecordBatch], table: &PristineTable, intact: &[bool]) -> Rows {
    let Some(first) = batches.first() else {
        return Rows { read: 0, wrong: false, lost: intact.contains(&true) };
    };
    let read = concat_batches(&first.schema(), batches).expect("one schema");
    let (mut at, mut lost) = (0, false);
    for (group, intact) in table.groups.iter().zip(intact) {
        let rows = group.num_rows();
        if at + rows <= read.num_rows() && is_same(&read.slice(at, rows), group) {
            at += rows;
        } else {
            lost |= intact;
        }
    }
    Rows { read: read.num_rows() as u64, wrong: at != read.num_rows(), lost }
}

/// Whether rows equal the pristine ones. A column may be left out where it holds nothing but nulls.
fn is_same(read: &RecordBatch, pristine: &RecordBatch) -> bool {
    pristine.schema().fields().iter().zip(pristine.columns()).all(|(field, expected)| {
        match read.column_by_name(field.name()) {
            Some(column) => column == expected,
            None => expected.null_count() == expected.len(),
        }
    })
}

use std::collections::BTreeMap;

use tallywheel_schemas::{Manifest, Table, Timestamp};

use super::*;
use crate::{
    import::{ImportOptions, import},
    journal::{EndMark, JOURNAL_FILE, Record},
    session::{Existing, JOURNAL_DIRECTORY, SessionLock},
    testing::tree,
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"bus\"\nid = 0x310\nstart_bit = 0\nlength = 16\n";
const SESSION: &str = "skerry-1-20261005T083000Z";

struct Bench {
    directory: tempfile::TempDir,
    data: PathBuf,
    manifest: Manifest,
}

impl Bench {
    fn new() -> Self {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let path = |name: &str| directory.path().join(name);
        fs::write(path("rig.toml"), RIG).expect("room");
        fs::write(path("bus.txt"), "t31020A000000\rt31021400012C\rhello\r").expect("room");
        let options = ImportOptions {
            rig: path("rig.toml"),
            data: path("data"),
            captures: vec![("bus".to_owned(), path("bus.txt"))],
            start: Some(Timestamp::parse("2026-10-05T08:30:00Z", 0).expect("a time")),
            ..ImportOptions::default()
        };
        let manifest = import(&options, &mut |_| {}).expect("an import");
        Self { data: path("data"), directory, manifest }
    }

    fn file(&self, table: Table) -> PathBuf {
        self.data.join(&self.manifest.file(table).expect("a file").path)
    }

    fn manifest_path(&self) -> PathBuf {
        self.data.join(self.manifest.path())
    }

    fn verify(&self) -> Verification {
        self.verify_only(&[]).expect("a dataset")
    }

    fn verify_only(&self, sessions: &[&str]) -> Result<Verification, VerifyError> {
        let sessions = sessions.iter().map(|s| (*s).to_owned()).collect();
        let before = content(&self.data);
        let plan = Plan::new(&VerifyOptions { data: self.data.clone(), sessions })?;
        let (expected, mut read) = (plan.bytes(), 0);
        let verification = plan.check(&mut |bytes| read += bytes)?;
        assert_eq!(content(&self.data), before, "nothing is changed");
        assert_eq!(read, expected, "progress reaches its end");
        Ok(verification)
    }
}

fn content(root: &Path) -> BTreeMap<String, Vec<u8>> {
    tree(root).into_iter().map(|f| (f.clone(), fs::read(root.join(&f)).expect("readable"))).collect()
}

fn faults(verification: &Verification) -> Vec<String> {
    let of_session = |s: &SessionCheck| {
        let files = s.files.iter().flat_map(|f| f.faults.iter().map(move |fault| format!("{} {fault}", f.table)));
        s.faults.iter().map(ToString::to_string).chain(files).collect::<Vec<_>>()
    };
    verification.sessions.iter().flat_map(of_session).collect()
}

#[test]
fn a_sound_dataset_holds() {
    let bench = Bench::new();
    let verification = bench.verify();
    assert_eq!((verification.verdict(), faults(&verification)), (Verdict::Holds, Vec::new()));
    assert_eq!(verification.sessions[0].files.len(), bench.manifest.files.len());
    assert!(verification.sessions[0].notes.is_empty());
    let text = verification.to_string();
    assert_eq!(
        text,
        format!("session  {SESSION}: holds, 3 file(s), 5 rows\nchecked  1 session(s), 3 file(s): everything holds\n")
    );
    let json: serde_json::Value = serde_json::from_str(&verification.to_json()).expect("JSON");
    assert_eq!(
        (&json["holds"], &json["sessions"][0]["files"][0]["row_groups"][0]["intact"]),
        (&true.into(), &true.into())
    );
}

/// Every place of a file, one bit at a time: noticed, and put where it belongs.
#[test]
fn every_flipped_bit_is_noticed_and_placed() {
    let bench = Bench::new();
    let path = bench.file(Table::Frames);
    let record = bench.manifest.file(Table::Frames).expect("frames").clone();
    let sound = fs::read(&path).expect("frames");
    let group = record.row_groups[0].range();
    for at in 0..sound.len() {
        let mut bytes = sound.clone();
        bytes[at] ^= 1 << (at % 8);
        // Some file systems flush a file that is cut to nothing and written again.
        fs::remove_file(&path).expect("removed");
        fs::write(&path, bytes).expect("room");
        let check = check_file(&record, &fs::File::open(&path).expect("frames"), &mut |_| {});
        let [fault] = check.faults.as_slice() else { panic!("byte {at}: {:?}", check.faults) };
        let at = at as u64;
        let expected = match fault {
            FileFault::Elsewhere { footer_holds: true } => at < 4,
            FileFault::RowGroup { index: 0, .. } => group.contains(&at),
            FileFault::Footer { .. } => at >= group.end,
            _ => false,
        };
        assert!(expected, "byte {at}: {fault}");
        assert_eq!(check.row_groups[0].intact, !group.contains(&at), "byte {at}");
    }
}

#[test]
fn lost_and_cut_and_grown_files_are_named() {
    let bench = Bench::new();
    let path = bench.file(Table::Frames);
    let sound = fs::read(&path).expect("frames");
    fs::write(&path, &sound[..sound.len() - 10]).expect("room");
    let verification = bench.verify();
    assert_eq!(verification.verdict(), Verdict::Damaged);
    let length = format!("frames has {} bytes where {} were sealed", sound.len() - 10, sound.len());
    assert_eq!(faults(&verification)[0], length);
    assert!(faults(&verification)[1].contains("its footer"), "the row group is intact");
    assert!(verification.to_string().contains("1 of 1 row group(s) are intact, 2 of 2 rows"));
    fs::write(&path, [&sound[..], b"more"].concat()).expect("room");
    assert_eq!(
        faults(&bench.verify()),
        [format!("frames has {} bytes where {} were sealed", sound.len() + 4, sound.len())]
    );
    fs::remove_file(&path).expect("removed");
    assert_eq!(faults(&bench.verify()), ["frames is missing"]);
}

#[test]
fn an_altered_a_broken_and_a_misplaced_manifest_are_named() {
    let bench = Bench::new();
    let path = bench.manifest_path();
    let text = fs::read_to_string(&path).expect("the manifest");
    fs::write(&path, text.replace("\"bad\": 1", "\"bad\": 0")).expect("room");
    let verification = bench.verify();
    assert_eq!(faults(&verification), ["the manifest was altered after sealing; its hashes vouch for nothing"]);
    assert_eq!(verification.verdict(), Verdict::Damaged);

    fs::write(&path, &text[..text.len() / 2]).expect("room");
    let verification = bench.verify();
    assert!(faults(&verification)[0].contains("not a session manifest"), "{:?}", faults(&verification));
    assert!(verification.stray.iter().all(|s| s.what == Stray::Orphan) && verification.stray.len() == 3);

    fs::write(&path, text.replacen("\"schema\": 1", "\"schema\": 9", 1)).expect("room");
    assert!(faults(&bench.verify())[0].contains("manifest format 9 is not known; this release reads 1"));

    fs::remove_file(&path).expect("removed");
    let elsewhere = bench.data.join("sessions/vehicle=skerry-2/date=2026-10-05");
    fs::create_dir_all(&elsewhere).expect("room");
    fs::write(elsewhere.join(format!("{SESSION}.json")), text).expect("room");
    let home = format!("the manifest belongs at sessions/vehicle=skerry-1/date=2026-10-05/{SESSION}.json");
    assert_eq!(faults(&bench.verify()), [home]);
}

/// A manifest as an early release wrote it: what it cannot vouch for is said, and is no fault.
#[test]
fn a_manifest_without_seal_and_footers_is_checked_as_far_as_it_goes() {
    let bench = Bench::new();
    let mut early = bench.manifest.clone();
    early.seal = None;
    early.files.iter_mut().for_each(|f| f.footer = None);
    fs::write(bench.manifest_path(), early.to_json()).expect("room");
    let verification = bench.verify();
    assert_eq!(verification.verdict(), Verdict::Holds);
    assert_eq!(verification.sessions[0].notes.len(), 2);
    let path = bench.file(Table::Frames);
    let mut bytes = fs::read(&path).expect("frames");
    let last = bytes.len() - 9;
    bytes[last] ^= 1;
    fs::write(&path, bytes).expect("room");
    assert_eq!(faults(&bench.verify()), ["frames does not match its hash; the damage is outside its row groups"]);
}

#[test]
fn a_count_of_rows_that_is_not_the_files_is_noticed() {
    let bench = Bench::new();
    let mut wrong = bench.manifest.clone();
    wrong.files[0].rows += 1;
    wrong.files[0].row_groups[0].rows += 1;
    fs::write(bench.manifest_path(), wrong.sealed().to_json()).expect("room");
    assert_eq!(
        faults(&bench.verify()),
        ["frames its footer says 2 rows in 1 row groups where the manifest says 3 in 1"]
    );
}

#[test]
fn stray_files_are_listed_by_what_they_are() {
    let bench = Bench::new();
    let put = |path: &str| {
        let path = bench.data.join(path);
        fs::create_dir_all(path.parent().expect("a parent")).expect("room");
        fs::write(path, "x").expect("room");
    };
    put("frames/vehicle=skerry-1/date=2026-10-05/other.parquet");
    put("frames/vehicle=skerry-1/date=2026-10-05/.broken.parquet.partial");
    put("motion/notes.txt");
    put("ledger/vehicle=skerry-1/date=2026-10-05/other.parquet");
    put("ledger/vehicle=skerry-1/date=2026-10-05/.other.77-0.partial");
    put("frames/vehicle=skerry-1/date=2026-10-06/waiting.parquet");
    put("holiday-pictures/beach.jpg");
    put(".journal/waiting/journal.twj");
    let verification = bench.verify();
    let found: Vec<(&str, Stray)> = verification.stray.iter().map(|s| (s.path.as_str(), s.what)).collect();
    assert_eq!(
        found,
        [
            ("frames/vehicle=skerry-1/date=2026-10-05/.broken.parquet.partial", Stray::Leftover),
            ("frames/vehicle=skerry-1/date=2026-10-05/other.parquet", Stray::Foreign),
            ("frames/vehicle=skerry-1/date=2026-10-06/waiting.parquet", Stray::Unfinished),
            ("ledger/vehicle=skerry-1/date=2026-10-05/.other.77-0.partial", Stray::Leftover),
            ("motion/notes.txt", Stray::Foreign),
        ]
    );
    assert_eq!(verification.verdict(), Verdict::Damaged);
    assert!(bench.verify_only(&[SESSION]).expect("a session").stray.is_empty(), "of one session alone");
}

#[test]
fn unfinished_journals_are_read_to_their_first_bad_record() {
    let bench = Bench::new();
    let directory = bench.data.join(JOURNAL_DIRECTORY).join("waiting");
    fs::create_dir_all(&directory).expect("room");
    let record = |sequence| Record::End(EndMark::at(Timestamp::from_us(1))).encode(sequence);
    let whole = [record(0), record(1)].concat();
    fs::write(directory.join(JOURNAL_FILE), &whole).expect("room");
    let verification = bench.verify();
    assert_eq!(verification.verdict(), Verdict::Holds, "a whole journal that waits is no damage");
    let check = &verification.unfinished[0];
    assert_eq!((check.session.as_str(), check.records, check.in_work, &check.unread), ("waiting", 2, false, &None));

    fs::write(directory.join(JOURNAL_FILE), [&whole[..], &[0; 64]].concat()).expect("room");
    let verification = bench.verify();
    assert_eq!(verification.verdict(), Verdict::Damaged);
    let unread = verification.unfinished[0].unread.as_ref().expect("a tail of zeros");
    assert_eq!((unread.offset, unread.bytes), (whole.len() as u64, 64));
    assert!(verification.to_string().contains("64 bytes from byte"));

    let Existing::Free(lock) = SessionLock::of_existing(&directory).expect("a lock") else { panic!("nobody else") };
    let verification = bench.verify();
    assert!(verification.unfinished[0].in_work);
    assert_eq!(verification.verdict(), Verdict::Holds, "the last record is being written");
    drop(lock);

    let mut newer = whole;
    newer[4] = 200;
    fs::write(directory.join(JOURNAL_FILE), newer).expect("room");
    assert_eq!(bench.verify().verdict(), Verdict::Unchecked, "another release wrote it");
}

#[test]
fn other_directories_and_unknown_sessions_are_refused() {
    let bench = Bench::new();
    let error = bench.verify_only(&["skerry-1-20261005T083000"]).expect_err("unknown").to_string();
    assert!(error.ends_with(&format!("no session `skerry-1-20261005T083000`; did you mean `{SESSION}`?")), "{error}");
    let options = VerifyOptions { data: bench.directory.path().to_owned(), sessions: Vec::new() };
    let error = Plan::new(&options).expect_err("no dataset").to_string();
    assert!(error.contains("not a dataset"), "{error}");
}

#[test]
fn corrections_are_looked_at_as_well() {
    let bench = Bench::new();
    let directory = bench.data.join("corrections/vehicle=skerry-1");
    fs::create_dir_all(&directory).expect("room");
    let line =
        "{\"at_us\":1791189000000000,\"who\":\"AB\",\"reason\":\"misread\",\"field\":\"remarks\",\"value\":null}\n";
    fs::write(directory.join("skerry-1-20200101T000000Z.jsonl"), line).expect("room");
    let verification = bench.verify();
    let stray: Vec<_> = verification.stray.iter().map(|s| (s.path.as_str(), s.what)).collect();
    assert_eq!(stray, [("corrections/vehicle=skerry-1/skerry-1-20200101T000000Z.jsonl", Stray::Foreign)]);
    fs::remove_file(directory.join("skerry-1-20200101T000000Z.jsonl")).expect("there");
    fs::write(directory.join(format!("{SESSION}.jsonl")), "{\"at_us\": torn").expect("room");
    let verification = bench.verify();
    assert_eq!(verification.verdict(), Verdict::Damaged);
    let fault = verification.sessions[0].faults[0].to_string();
    assert!(
        fault.starts_with("the corrections of its run sheet cannot be used: ") && fault.contains(":1: "),
        "{fault}"
    );
}

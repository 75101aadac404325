use super::*;

const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";

fn manifest() -> Manifest {
    let record = RigRecord { file: "rig.toml".to_owned(), blake3: Digest::of(RIG.as_bytes()), text: RIG.to_owned() };
    let sheet = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"assist\"\n\
        payload_kg = 0.30000000000000004\n";
    Manifest {
        clock_fit: None,
        follows: None,
        followed_by: None,
        schema: MANIFEST_VERSION,
        session: "s1".to_owned(),
        vehicle: "skerry-1".to_owned(),
        start_us: Timestamp::from_us(1_791_189_000_000_000),
        end_us: Timestamp::from_us(1_791_189_060_000_000),
        software: "test".to_owned(),
        origin: Origin::Recorded,
        clock: "made \"up\"".to_owned(),
        rig: record,
        earlier_rigs: Vec::new(),
        run: Some(RunSheet::parse(&TextFile::new("run.toml", sheet)).expect("a run sheet")),
        ports: Vec::new(),
        channels: Vec::new(),
        gaps: Vec::new(),
        notes: vec!["a  note".to_owned()],
        files: Vec::new(),
        seal: None,
    }
}

fn read(text: &str) -> Result<(Manifest, Seal), ManifestError> {
    let manifest = Manifest::parse(Path::new("s1.json"), text.as_bytes())?;
    let seal = manifest.check_seal(text.as_bytes());
    Ok((manifest, seal))
}

#[test]
fn a_sealed_manifest_holds_and_one_without_seal_says_so() {
    let bare = manifest();
    assert_eq!(read(&bare.to_json()).expect("a manifest").1, Seal::Absent);
    let sealed = bare.clone().sealed();
    assert_eq!(read(&sealed.to_json()).expect("a manifest").1, Seal::Holds);
    assert_eq!(sealed.clone().sealed(), sealed, "sealing again changes nothing");
    let one_line = serde_json::to_string(&sealed).expect("JSON");
    assert_eq!(read(&one_line).expect("a manifest").1, Seal::Holds, "white space between tokens says nothing");
}

/// No single changed byte is taken for the manifest as it was sealed, unless it says the very same.
#[test]
fn any_changed_byte_breaks_the_seal_or_the_manifest() {
    let sealed = manifest().sealed();
    let text = sealed.to_json().into_bytes();
    let (mut altered, mut broken) = (0, 0);
    for at in 0..text.len() {
        for bit in 0..8 {
            let mut changed = text.clone();
            changed[at] ^= 1 << bit;
            match Manifest::parse(Path::new("s1.json"), &changed) {
                Err(_) => broken += 1,
                Ok(found) => match found.check_seal(&changed) {
                    Seal::Altered => altered += 1,
                    Seal::Holds => assert_eq!(found, sealed, "byte {at} bit {bit}"),
                    Seal::Absent => panic!("byte {at} bit {bit}: the seal is gone"),
                },
            }
        }
    }
    assert!(altered > 1000 && broken > 1000, "{altered} altered, {broken} broken");
}

#[test]
fn a_seal_that_is_taken_away_or_moved_is_seen() {
    let sealed = manifest().sealed();
    let digest = Digest::of(b"");
    let mut without = sealed.clone();
    without.seal = None;
    without.files.push(FileRecord {
        table: "lines".to_owned(),
        path: "lines/s1.parquet".to_owned(),
        rows: 0,
        bytes: 0,
        blake3: digest,
        row_groups: Vec::new(),
        footer: Some(FooterRecord { offset: 0, length: 0, blake3: digest }),
    });
    assert_eq!(read(&without.to_json()).expect("a manifest").1, Seal::Altered, "who records footers seals");
    without.files[0].footer = None;
    assert_eq!(read(&without.to_json()).expect("a manifest").1, Seal::Absent);
    let seal = sealed.seal.expect("sealed");
    let moved = sealed.to_json().replace(&format!(",\n  \"seal\": \"{seal}\""), "");
    let moved = moved.replacen('{', &format!("{{\"seal\": \"{seal}\","), 1);
    assert_eq!(read(&moved).expect("a manifest").1, Seal::Altered);
}

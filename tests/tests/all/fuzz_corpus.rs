//! The fuzz targets' bodies on stable Rust: every committed input, and seeded mutations of them.
//!
//! `TALLYWHEEL_FUZZ_SECONDS=60` mutates each target's inputs for so long instead of a fixed number of times.

use std::{
    env, fs,
    panic::catch_unwind,
    path::Path,
    time::{Duration, Instant},
};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use tallywheel_logger::message::escaped;
use tallywheel_tests::{
    data,
    fuzz::{Body, TARGETS},
};

/// Mutations of each target's inputs.
const MUTATIONS: u64 = 5000;

/// Pieces that mean something to one parser or another.
const WORDS: [&[u8]; 24] = [
    b"\r",
    b"\n",
    b"\x07",
    b"$GP",
    b"*00",
    b"t1238",
    b"D0000012",
    b"(1.0) can0 ",
    b"#",
    b"##",
    b"\"",
    b"\\\"",
    b"[[signal]]\n",
    b"BO_ 1 A: 8 B\n",
    b" SG_ ",
    b"1e308",
    b"-1",
    b"18446744073709551615",
    b"9223372036854775808",
    b"nan",
    b"inf",
    b"\xFF\xFE",
    b"TWJR\x01\0",
    b"\xEF\xBB\xBF",
];

fn corpus(target: &str) -> Vec<Vec<u8>> {
    let directory = data().join("fuzz").join(target);
    let mut paths: Vec<_> =
        fs::read_dir(&directory).expect("the target's inputs").map(|e| e.expect("an entry").path()).collect();
    paths.sort();
    paths.iter().map(|path| fs::read(path).expect("an input")).collect()
}

fn mutated(random: &mut ChaCha8Rng, corpus: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = corpus[random.random_range(0..corpus.len())].clone();
    for _ in 0..random.random_range(1..8) {
        let at = random.random_range(0..=bytes.len());
        let to = random.random_range(at..=bytes.len().min(at + 40));
        match random.random_range(0..6) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            1 => drop(bytes.drain(at..to)),
            2 => {
                let piece = bytes[at..to].to_vec();
                bytes.splice(at..at, piece.repeat(random.random_range(1..4)));
            }
            3 => drop(bytes.splice(at..to, WORDS[random.random_range(0..WORDS.len())].iter().copied())),
            4 => drop(
                bytes.splice(at..at, (0..random.random_range(1..9)).map(|_| random.random::<u8>()).collect::<Vec<_>>()),
            ),
            _ => {
                let other = &corpus[random.random_range(0..corpus.len())];
                let from = random.random_range(0..=other.len());
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
        }
    }
    bytes
}

/// Runs a body; on a panic says which input did it and keeps that input beside the test program.
fn tried(target: &str, body: Body, input: &[u8]) {
    if catch_unwind(|| body(input)).is_err() {
        let program = env::current_exe().expect("a test knows its own path");
        let kept = program.parent().unwrap_or(Path::new(".")).join(format!("fuzz-{target}.bin"));
        fs::write(&kept, input).expect("room");
        panic!("{target}: kept as {}: {}", kept.display(), escaped(input));
    }
}

#[test]
fn committed_inputs_and_mutations_of_them_break_nothing() {
    let length = env::var("TALLYWHEEL_FUZZ_SECONDS").ok().map(|s| s.parse().expect("a number of seconds"));
    for (target, body) in TARGETS {
        let corpus = corpus(target);
        assert!(!corpus.is_empty(), "{target} has inputs");
        corpus.iter().for_each(|input| tried(target, body, input));
        let seed = if length.is_some() { rand::random() } else { 20_261_005 };
        let (mut random, begun, mut runs) = (ChaCha8Rng::seed_from_u64(seed), Instant::now(), 0);
        let more = |runs| length.map_or(runs < MUTATIONS, |s| begun.elapsed() < Duration::from_secs(s));
        while more(runs) {
            tried(target, body, &mutated(&mut random, &corpus));
            runs += 1;
        }
        eprintln!("{target}: {} inputs, {runs} mutations in {:.1} s", corpus.len(), begun.elapsed().as_secs_f64());
    }
}

#[test]
fn every_target_has_its_file() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/targets");
    let mut files: Vec<String> = fs::read_dir(directory)
        .expect("the targets")
        .map(|e| e.expect("an entry").path().file_stem().expect("a name").to_string_lossy().into_owned())
        .collect();
    let mut names = TARGETS.map(|(name, _)| name.to_owned()).to_vec();
    files.sort();
    names.sort();
    assert_eq!(files, names);
}

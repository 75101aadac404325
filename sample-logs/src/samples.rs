//! The small captures that are kept in the repository, and how they are made.
//!
//! They are made byte for byte alike from the seed on one kind of machine; the last digits of sines and
//! exponentials are the system library's, so another may differ.

use std::{collections::BTreeMap, path::Path};

use crate::{
    bench::Port,
    capture::{make_directory, write, write_json, write_session},
    damage::{DamagedTruth, damage},
    error::DemoError,
    noise::{Noise, Purpose},
    paper,
    route::HARBOUR_HOP,
    scenario::{Scenario, charging_start},
    sensors, session,
    truth::{CampaignTruth, RunTruth},
};

/// Seed of the captures in the repository.
pub const SEED: u64 = 26_10_05;
/// Pairs in the captures.
const PAIRS: usize = 2;
/// Length of the charging capture, s.
const CHARGING_S: f64 = 240.0;
/// Length of the damaged capture, s.
const DAMAGED_S: f64 = 30.0;

const README: &str = "\
# Sample captures

Small captures of the invented Skerry Isles parcel service, as a serial terminal would have saved them, each
beside what is true of it (`truth.json`). Made by `tallywheel-demo samples`; the rig is `../rigs/skerry.toml`.

| directory | what |
| --- | --- |
| `harbour-hop-NN-…` | two pairs of runs over one kilometre, assist off and on |
| `charging` | four minutes at the wall, kit bus only, one message a second |
| `damaged` | half a minute with noise, cut lines, bad digits and wrong checksums; its truth says what is left whole |
| `campaign.toml`, `truth.json` | the pairs as a campaign, and the truth of all of it |
";

/// Writes the sample captures into a directory.
///
/// # Errors
/// When a file cannot be written.
pub fn write_samples(directory: &Path, seed: u64) -> Result<CampaignTruth, DemoError> {
    make_directory(directory)?;
    let scenario = Scenario { seed, tale: crate::tale::Tale::AsClaimed, pairs: PAIRS, route: HARBOUR_HOP };
    let errors = sensors::draw_errors(seed);
    let mut runs = Vec::new();
    for plan in scenario.runs() {
        let session = session::run(&plan, errors, seed);
        write_session(&directory.join(&plan.sheet.run), &session, Some(&plan.sheet))?;
        runs.push(session.truth);
    }
    let charging = session::charging("charging", charging_start(), 0.78, CHARGING_S, errors, seed);
    write_session(&directory.join("charging"), &charging, None)?;
    write_damaged(&directory.join("damaged"), &scenario, errors)?;
    let truth =
        CampaignTruth { seed, runs, pairs: scenario.pair_names(), sensors: errors, charging: Some(charging.truth) };
    write(&directory.join("README.md"), README.as_bytes())?;
    write(&directory.join("campaign.toml"), paper::campaign(&scenario).as_bytes())?;
    write_json(&directory.join("truth.json"), &truth)?;
    Ok(truth)
}

fn write_damaged(directory: &Path, scenario: &Scenario, errors: crate::truth::SensorTruth) -> Result<(), DemoError> {
    make_directory(directory)?;
    let runs = scenario.runs();
    let Some(plan) = runs.iter().find(|r| r.condition == tallywheel_schemas::Condition::Assist) else {
        return Ok(());
    };
    let mut ports = BTreeMap::new();
    let whole = session::stretch(plan, errors, scenario.seed, plan.start, 10.0, DAMAGED_S);
    for (number, (port, sent)) in whole.iter().enumerate() {
        let mut noise = Noise::new(scenario.seed, Purpose::Damage, number as u64);
        let (bytes, what) = damage(*port, &sent.bytes, &mut noise);
        write(&directory.join(port.file()), &bytes)?;
        ports.insert(port.name().to_owned(), what);
    }
    write_json(&directory.join("truth.json"), &DamagedTruth { start: plan.start.to_string(), ports })
}

/// Frames or lines of all ports together.
pub fn emitted(truth: &RunTruth) -> u64 {
    Port::ALL.iter().filter_map(|port| truth.emitted.get(port.name())).sum()
}

#[cfg(test)]
mod tests {
    use std::{fs, path::PathBuf};

    use super::*;

    fn files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut found = BTreeMap::new();
        let mut open = vec![root.to_owned()];
        while let Some(directory) = open.pop() {
            for entry in fs::read_dir(&directory).expect("a directory") {
                let path = entry.expect("an entry").path();
                if path.is_dir() {
                    open.push(path);
                } else {
                    let name = path.strip_prefix(root).expect("below the root").to_owned();
                    found.insert(name, fs::read(&path).expect("a file"));
                }
            }
        }
        found
    }

    /// The captures in the repository are what the code makes. After a deliberate change make them anew with
    /// `cargo run --bin tallywheel-demo -- samples --out sample-logs/captures` and look through the difference.
    #[test]
    fn the_captures_in_the_repository_are_what_is_made() {
        let made = tempfile::tempdir().expect("a temporary directory");
        write_samples(made.path(), SEED).expect("samples");
        let kept = files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("captures"));
        let made = files(made.path());
        assert_eq!(made.keys().collect::<Vec<_>>(), kept.keys().collect::<Vec<_>>());
        for (name, bytes) in &made {
            assert!(kept[name] == *bytes, "{} differs", name.display());
        }
        let sizes: Vec<usize> = made.values().map(Vec::len).collect();
        assert!(sizes.iter().all(|s| *s < 1_000_000) && sizes.iter().sum::<usize>() < 8_000_000, "{sizes:?}");
    }
}

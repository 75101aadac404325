//! Where one cell works: a directory of its own, the real programs, and a stream of random numbers.

use std::{
    fs,
    path::{Path, PathBuf},
};

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use tempfile::TempDir;

use super::{
    Checked, frames,
    plan::Plan,
    recorder::{Ended, run},
    sealed::{self, Sealed},
    shim::Shim,
    within,
};

/// Name of the port that every cell has.
pub(super) const PORT: &str = "kit-bus";
/// Name of the run that is faulted.
pub(super) const RUN: &str = "faulted";
const PARTNER: &str = "partner";

/// The silence that the rig allows, s.
pub(super) const LIMIT_S: f64 = 1.0;

/// A cell's workplace.
pub(super) struct Bay {
    directory: TempDir,
    pub(super) logger: PathBuf,
    analyze: PathBuf,
    pub(super) shim: Option<Shim>,
    pub(super) quick: bool,
    name: String,
    seed: u64,
}

impl Bay {
    pub(super) fn new(plan: &Plan, name: &str) -> Checked<Self> {
        Ok(Self {
            directory: tempfile::tempdir().map_err(within("a temporary directory"))?,
            logger: plan.logger.clone(),
            analyze: plan.analyze.clone(),
            shim: plan.shim.clone(),
            quick: plan.quick,
            name: name.to_owned(),
            seed: plan.seed,
        })
    }

    /// An empty one of the same kind, for another round.
    pub(super) fn another(&self, round: usize) -> Checked<Self> {
        Ok(Self {
            directory: tempfile::tempdir().map_err(within("a temporary directory"))?,
            logger: self.logger.clone(),
            analyze: self.analyze.clone(),
            shim: self.shim.clone(),
            quick: self.quick,
            name: format!("{} {round}", self.name),
            seed: self.seed,
        })
    }

    /// Random numbers of this cell: the same for the same seed, whatever else runs.
    pub(super) fn random(&self) -> ChaCha8Rng {
        let stream = self.name.bytes().fold(self.seed, |sum, b| sum.wrapping_mul(0x0100_0000_01B3) ^ u64::from(b));
        ChaCha8Rng::seed_from_u64(stream)
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    pub(super) fn dataset(&self) -> PathBuf {
        self.path("data")
    }

    pub(super) fn write(&self, name: &str, text: &str) -> Checked<PathBuf> {
        let path = self.path(name);
        fs::write(&path, text).map_err(within(path.display()))?;
        Ok(path)
    }

    /// Runs the logger with a command on the cell's dataset.
    pub(super) fn logger(&self, command: &[&str], more: &[&str]) -> Checked<Ended> {
        let data = self.dataset();
        let data = data.to_str().ok_or("the temporary directory has no plain name")?;
        let args = [command, &["--data", data], more].concat();
        run(&self.logger, args).map_err(within("the logger"))
    }

    /// What `status` says to programs, and its exit code.
    pub(super) fn status(&self) -> Checked<(Value, Option<i32>)> {
        let ended = self.logger(&["status"], &["--format", "json"])?;
        Ok((serde_json::from_str(&ended.stdout).map_err(within(ended.stderr))?, ended.code))
    }

    pub(super) fn sessions(&self) -> Checked<Vec<Sealed>> {
        sealed::sessions(&self.dataset())
    }

    /// Directories of unfinished sessions.
    pub(super) fn unfinished(&self) -> Checked<Vec<PathBuf>> {
        let found = sealed::entries(&self.dataset().join(".journal"))?;
        Ok(found.into_iter().filter(|path| path.is_dir()).collect())
    }

    /// A run that the faulted one is compared with, made up for the purpose.
    fn import_partner(&self) -> Checked<()> {
        let capture: String = (0..100_u16).map(|i| frames::line(i.into(), Some(i * 10))).collect();
        let capture = format!("{PORT}={}", self.write("partner.slcan", &capture)?.display());
        let sheet = self.write("partner.toml", &sheet(PARTNER, "assist"))?;
        let rig = self.write("partner-rig.toml", &rig(true))?;
        let start = ["--start", "2026-10-05T08:30:00Z", "--capture", &capture];
        let files = ["--rig", text(&rig)?, "--run-sheet", text(&sheet)?];
        let imported = self.logger(&["import"], &[&start[..], &files[..]].concat())?;
        if imported.code == Some(2) { Err(imported.stderr) } else { Ok(()) }
    }

    /// The notes of the report on the faulted run, which is compared with its partner.
    pub(super) fn report_notes(&self) -> Checked<Vec<String>> {
        if !self.path("partner.slcan").exists() {
            self.import_partner()?;
        }
        let campaign = format!(
            "schema = 1\nname = \"faults\"\nvehicle = \"skerry-9\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n\
             design = \"unpaired\"\nbaseline = [\"{RUN}\"]\nassist = [\"{PARTNER}\"]\n"
        );
        let campaign = self.write("campaign.toml", &campaign)?;
        let (out, data) = (self.path("report"), self.dataset());
        let args = ["report", "--data", text(&data)?, "--campaign", text(&campaign)?, "--out", text(&out)?];
        let analyzed = run(&self.analyze, args).map_err(within("analyze"))?;
        let report = fs::read_to_string(out.join("report.json")).map_err(within(analyzed.stderr))?;
        let report: Value = serde_json::from_str(&report).map_err(within("report.json"))?;
        let runs = report["runs"].as_array().ok_or("the report lists no runs")?;
        let run = runs.iter().find(|run| run["id"] == RUN).ok_or("the report does not list the run")?;
        let notes = run["notes"].as_array().ok_or("the report has no notes")?;
        Ok(notes.iter().filter_map(Value::as_str).map(str::to_owned).collect())
    }
}

pub(super) fn text(path: &Path) -> Checked<&str> {
    path.to_str().ok_or_else(|| format!("{} is no plain name", path.display()))
}

/// One adapter on a full-speed bus, with the frames' number as a voltage.
pub(super) fn rig(device_time: bool) -> String {
    format!(
        "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"{PORT}\"\nkind = \"slcan\"\nbit_rate = 1000000\n\
         device_time = {device_time}\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"{PORT}\"\nid = {}\n\
         start_bit = 0\nlength = 32\nscale = 1e-6\nmax_gap_s = {LIMIT_S:.1}\n",
        frames::ID
    )
}

/// A run sheet.
pub(super) fn sheet(run: &str, condition: &str) -> String {
    format!("[run]\nrun = \"{run}\"\nroute = \"harbour loop\"\ncondition = \"{condition}\"\n")
}

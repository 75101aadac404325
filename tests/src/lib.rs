//! What the cross-crate tests share: the real programs, a dataset to import into, the Python peers; and what the test
//! programs are made of.

pub mod bench;
pub mod calibration;
pub mod damage;
pub mod faults;
pub mod fleet;
pub mod fuzz;
pub mod instruments;
pub mod kills;
pub mod obd_ecu;
pub mod recording;

use std::{
    env,
    ffi::OsStr,
    path::{Path, PathBuf},
    process::{Command, Output},
    sync::{Arc, OnceLock},
};

use tallywheel_analyze::{
    dataset::{Dataset, Filter},
    ledger::{LedgerOptions, SessionLedger, ledgers},
    progress::Silent,
};
use tallywheel_sample_logs::nested_build::forget_own_package;
use tempfile::TempDir;

/// Directory of test data, each folder with its sources and licences.
pub fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data")
}

/// Directory of the committed sample captures.
pub fn sample_logs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-logs")
}

/// One of the workspace's programs, in the profile that the tests run in.
///
/// `cargo test` builds a package's programs only for that package's own tests, and `cargo run` only the one that is
/// run, so under cargo the first call builds them. Started without cargo, a program takes what lies beside it.
///
/// # Panics
/// When they cannot be built.
pub fn program(name: &str) -> PathBuf {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    let directory = BUILT.get_or_init(|| {
        if let Some(cargo) = env::var_os("CARGO") {
            build(&cargo);
        }
        let own = env::current_exe().expect("a program knows its own path");
        let directory = own.parent().expect("it lies in a directory");
        // Tests run from target/PROFILE/deps, programs from target/PROFILE.
        if directory.ends_with("deps") { directory.join("..") } else { directory.to_owned() }
    });
    directory.join(name)
}

fn build(cargo: &OsStr) {
    let mut build = Command::new(cargo);
    forget_own_package(&mut build);
    build.args(["build", "--workspace", "--bins", "--quiet"]);
    if !cfg!(debug_assertions) {
        build.arg("--release");
    }
    let status = build.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("..")).status().expect("cargo starts");
    assert!(status.success(), "the programs build");
}

/// Runs one of the programs and waits for it.
///
/// # Panics
/// When it cannot be started.
pub fn run<S: AsRef<std::ffi::OsStr>>(name: &str, args: impl IntoIterator<Item = S>) -> Output {
    Command::new(program(name)).args(args).output().expect("the program starts")
}

/// A Python with the peers, or `None` after saying why the test is skipped.
pub fn python() -> Option<PathBuf> {
    let found = env::var_os("TALLYWHEEL_PYTHON").map(PathBuf::from);
    if found.is_none() {
        eprintln!("skipped: TALLYWHEEL_PYTHON names no Python with the peer packages; .ci/run installs one");
    }
    found
}

/// A Java that Spark runs with (a `JAVA_HOME`), or `None` after saying why Spark is left out. `directory` gets what may have to
/// be put before it.
///
/// # Panics
/// When Python cannot be started.
pub fn spark_java(python: &Path, directory: &Path) -> Option<PathBuf> {
    let output = Command::new(python).arg(peer("spark_java.py")).arg(directory).output().expect("python starts");
    if !output.status.success() {
        eprintln!("Spark is left out: {}", String::from_utf8_lossy(&output.stderr).trim());
        return None;
    }
    Some(PathBuf::from(String::from_utf8_lossy(&output.stdout).trim()))
}

/// A Chromium browser, or `None` after saying why the test is skipped: the one that TALLYWHEEL_BROWSER names, or the first
/// in the search path.
pub fn browser() -> Option<PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let named = env::var_os("TALLYWHEEL_BROWSER").map(PathBuf::from);
    let in_path =
        || env::split_paths(&path).flat_map(|d| [d.join("chromium"), d.join("chromium-browser")]).find(|p| p.is_file());
    let found = named.or_else(in_path);
    if found.is_none() {
        eprintln!("skipped: no chromium in the path and none in TALLYWHEEL_BROWSER; .ci/run installs one where it may");
    }
    found
}

/// Script of a Python peer.
pub fn peer(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("peers").join(name)
}

/// A dataset in a directory of its own.
#[derive(Debug)]
pub struct Bench {
    directory: TempDir,
}

impl Default for Bench {
    fn default() -> Self {
        Self::new()
    }
}

impl Bench {
    /// An empty one.
    ///
    /// # Panics
    /// When no temporary directory can be made.
    pub fn new() -> Self {
        Self { directory: TempDir::new().expect("a temporary directory") }
    }

    /// A path in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    /// The dataset's directory.
    pub fn dataset(&self) -> PathBuf {
        self.path("data")
    }

    /// Writes a file into it.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, text).expect("the temporary directory is writable");
        path
    }

    /// Imports captures with the real logger and gives its output.
    pub fn try_import(&self, rig: &Path, captures: &[(&str, &Path)], more: &[&str]) -> Output {
        let mut args: Vec<std::ffi::OsString> =
            vec!["import".into(), "--rig".into(), rig.into(), "--data".into(), self.dataset().into()];
        for (port, path) in captures {
            let mut capture = std::ffi::OsString::from(format!("{port}="));
            capture.push(path);
            args.extend(["--capture".into(), capture]);
        }
        args.extend(more.iter().map(Into::into));
        run("tallywheel-logger", args)
    }

    /// As [`Bench::try_import`], insisting that it went well.
    ///
    /// # Panics
    /// When the logger fails.
    pub fn import(&self, rig: &Path, captures: &[(&str, &Path)], more: &[&str]) {
        let output = self.try_import(rig, captures, more);
        assert!(output.status.success(), "import failed: {}", String::from_utf8_lossy(&output.stderr));
    }

    /// The ledgers of every session.
    ///
    /// # Panics
    /// When the dataset cannot be read.
    pub fn ledgers(&self) -> Vec<SessionLedger> {
        let dataset = Dataset::open(&self.dataset()).expect("a dataset");
        let sessions: Vec<Arc<_>> = dataset.sessions(&Filter::default());
        ledgers(&dataset, &sessions, &LedgerOptions::default(), &Silent).expect("ledgers")
    }
}

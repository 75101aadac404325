//! The output directory: only ever one that the demonstration made itself.

use std::{
    fs,
    path::{Path, PathBuf},
};

use crate::{
    capture::{make_directory, write},
    error::DemoError,
    scenario::RIG,
};

/// A directory with this file in it was made here and may be made anew.
const MARKER: &str = ".tallywheel-demo";

/// A prepared output directory.
#[derive(Debug, Clone)]
pub(super) struct Output {
    root: PathBuf,
}

impl Output {
    /// Makes the directory, with the rig in it. An earlier output is removed; anything else that exists there is
    /// refused, unless it is an empty directory.
    pub(super) fn prepare(root: &Path) -> Result<Self, DemoError> {
        if root.exists() {
            if root.join(MARKER).is_file() {
                remove(root)?;
            } else if !is_empty_directory(root) {
                return Err(DemoError::NotOurs { path: root.to_owned(), marker: MARKER });
            }
        }
        make_directory(root)?;
        write(&root.join(MARKER), b"made by tallywheel-demo, which may remove this directory\n")?;
        let output = Self { root: root.to_owned() };
        write(&output.rig(), RIG.as_bytes())?;
        Ok(output)
    }

    /// The rig.
    pub(super) fn rig(&self) -> PathBuf {
        self.root.join("skerry.toml")
    }

    /// The campaign.
    pub(super) fn campaign(&self) -> PathBuf {
        self.root.join("campaign.toml")
    }

    /// Truth of the campaign.
    pub(super) fn truth(&self) -> PathBuf {
        self.root.join("truth.json")
    }

    /// Captures of a session.
    pub(super) fn captures(&self, session: &str) -> PathBuf {
        self.root.join("captures").join(session)
    }

    /// The dataset.
    pub(super) fn data(&self) -> PathBuf {
        self.root.join("data")
    }

    /// The report.
    pub(super) fn report(&self) -> PathBuf {
        self.root.join("report")
    }

    /// What the live recorder said.
    pub(super) fn live_log(&self) -> PathBuf {
        self.root.join("live-recording.log")
    }
}

fn remove(root: &Path) -> Result<(), DemoError> {
    fs::remove_dir_all(root).map_err(|source| DemoError::Io {
        action: "remove the earlier output",
        path: root.to_owned(),
        source,
    })
}

fn is_empty_directory(path: &Path) -> bool {
    fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_foreign_directory_is_left_alone() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let precious = directory.path().join("thesis.txt");
        fs::write(&precious, "three years").expect("a file");
        let error = Output::prepare(directory.path()).expect_err("not ours");
        assert!(error.to_string().contains("was not made by tallywheel-demo"), "{error}");
        assert_eq!(fs::read_to_string(&precious).expect("still there"), "three years");
    }

    #[test]
    fn an_earlier_output_is_made_anew() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let root = directory.path().join("out");
        let output = Output::prepare(&root).expect("a new directory");
        fs::write(output.truth(), "old").expect("a file");
        let output = Output::prepare(&root).expect("our own directory");
        assert!(!output.truth().exists() && output.rig().exists());
    }
}

//! A file system on which every sync takes long: a library put before the system's own.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use super::{BenchError, say};

/// Time added to every sync, ms.
const DELAY_MS: u64 = 500;

/// Compiles it; `None` where there is no C compiler.
pub(super) fn build(directory: &Path) -> Result<Option<PathBuf>, BenchError> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("shims/slow-sync.c");
    let library = directory.join("slow-sync.so");
    let mut cc = Command::new("cc");
    cc.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(&source);
    match cc.output() {
        Ok(output) if output.status.success() => Ok(Some(library)),
        Ok(output) => {
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            Err(BenchError::Peer { what: "the C compiler", said })
        }
        Err(error) => {
            say(&format!("left out: no C compiler for the slow disk: {error}"));
            Ok(None)
        }
    }
}

/// Starts a program on the slow file system.
pub(super) fn apply(command: &mut Command, library: &Path) {
    command.env("LD_PRELOAD", library).env("SLOW_SYNC_MS", DELAY_MS.to_string());
}

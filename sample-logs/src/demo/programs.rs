//! The real programs: found or built, and started.

use std::{
    env,
    ffi::{OsStr, OsString},
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
};

use crate::{error::DemoError, nested_build::forget_own_package};

/// Where the two programs are.
#[derive(Debug, Clone)]
pub(super) struct Programs {
    /// `tallywheel-logger`.
    pub(super) logger: PathBuf,
    /// `tallywheel-analyze`.
    pub(super) analyze: PathBuf,
}

impl Programs {
    /// Finds the programs in a directory, or else beside this one. Under cargo they are built first, because
    /// `cargo run --bin tallywheel-demo` builds only the demonstration.
    pub(super) fn find(bin_dir: Option<&Path>) -> Result<Self, DemoError> {
        let directory = match bin_dir {
            Some(directory) => directory.to_owned(),
            None => {
                if let Some(cargo) = env::var_os("CARGO") {
                    build(&cargo)?;
                }
                own_directory()?
            }
        };
        let find = |name: &'static str| {
            let path = directory.join(format!("{name}{}", env::consts::EXE_SUFFIX));
            if path.is_file() { Ok(path) } else { Err(DemoError::NoProgram { name, directory: directory.clone() }) }
        };
        Ok(Self { logger: find("tallywheel-logger")?, analyze: find("tallywheel-analyze")? })
    }
}

fn own_directory() -> Result<PathBuf, DemoError> {
    let own = env::current_exe().map_err(|source| DemoError::Io {
        action: "find the directory of",
        path: PathBuf::from("tallywheel-demo"),
        source,
    })?;
    Ok(own.parent().map(Path::to_owned).unwrap_or_default())
}

/// Builds every program of the workspace in the profile that this one was built in.
fn build(cargo: &OsStr) -> Result<(), DemoError> {
    let mut command = Command::new(cargo);
    // Not by changing the directory: a relative CARGO_TARGET_DIR must mean the same as it did for this program.
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("../Cargo.toml");
    command.args(["build", "--workspace", "--bins", "--manifest-path"]).arg(manifest);
    // What cargo says of progress is left visible, as this may take minutes.
    forget_own_package(&mut command);
    if !cfg!(debug_assertions) {
        command.arg("--release");
    }
    let failed = |status: String| DemoError::Build { cargo: cargo.to_string_lossy().into_owned(), status };
    let status = command.stdin(Stdio::null()).status().map_err(|error| failed(error.to_string()))?;
    if status.success() { Ok(()) } else { Err(failed(status.to_string())) }
}

/// Runs a program to its end. Exit code 1 (finished, with faults in the data) is a result, not an error.
pub(super) fn run(program: &Path, arguments: &[OsString]) -> Result<Output, DemoError> {
    let output = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .map_err(|source| DemoError::Io { action: "start", path: program.to_owned(), source })?;
    match output.status.code() {
        Some(0 | 1) => Ok(output),
        _ => Err(DemoError::Program {
            command: command_line(program, arguments),
            status: output.status.to_string(),
            output: tail(&[output.stderr.as_slice(), output.stdout.as_slice()].concat()),
        }),
    }
}

/// The last lines of what a program said.
pub(super) fn tail(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let lines: Vec<&str> = text.lines().collect();
    lines[lines.len().saturating_sub(12)..].join("\n")
}

/// A command as a person would type it.
pub(super) fn command_line(program: &Path, arguments: &[OsString]) -> String {
    let words = arguments.iter().map(|a| a.to_string_lossy().into_owned());
    std::iter::once(program.display().to_string()).chain(words).collect::<Vec<_>>().join(" ")
}

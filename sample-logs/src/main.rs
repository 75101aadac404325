//! The Skerry Isles demonstration. See [`tallywheel_sample_logs::cli`].

use std::process::ExitCode;

fn main() -> ExitCode {
    tallywheel_sample_logs::cli::run(std::env::args_os())
}

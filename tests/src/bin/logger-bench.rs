//! Measures the logger against a full bus. See [`tallywheel_tests::bench`].

use std::process::ExitCode;

fn main() -> ExitCode {
    tallywheel_tests::bench::run(std::env::args_os())
}

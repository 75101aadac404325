//! Simulates campaigns with known truths and counts how often the verdict errs. See [`tallywheel_tests::calibration`].

use std::process::ExitCode;

use clap::Parser as _;
use tallywheel_tests::calibration;

fn main() -> ExitCode {
    calibration::main(&calibration::Args::parse())
}

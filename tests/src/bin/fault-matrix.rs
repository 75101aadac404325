//! Does every fault of a road test to the real recorder and checks what it states of it.

use std::process::ExitCode;

use clap::Parser as _;
use tallywheel_tests::faults;

fn main() -> ExitCode {
    faults::main(&faults::Args::parse())
}

//! `tallywheel-logger`: see the library's overview.

use std::process::ExitCode;

fn main() -> ExitCode {
    tallywheel_logger::run(std::env::args_os()).into()
}

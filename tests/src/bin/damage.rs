//! Damages sealed files and journals at random and holds what is read against what was written.

fn main() -> std::process::ExitCode {
    tallywheel_tests::damage::main()
}

//! Kills gathering, deriving and compacting at random moments and holds what is left against an undisturbed run.

fn main() -> std::process::ExitCode {
    tallywheel_tests::kills::main()
}

//! Detection and false alarms of the weekly roll-up. See [`tallywheel_tests::fleet::detection`].

fn main() -> std::process::ExitCode {
    tallywheel_tests::fleet::detection::main()
}

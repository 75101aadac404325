//! Measures what a fleet costs to roll up. See [`tallywheel_tests::fleet::bench`].

fn main() -> std::process::ExitCode {
    tallywheel_tests::fleet::bench::main()
}

//! `tallywheel-analyze`: see [`tallywheel_analyze::command`].

fn main() -> std::process::ExitCode {
    tallywheel_analyze::command::main()
}

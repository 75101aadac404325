//! Cargo started by a program that cargo started.

use std::{env, process::Command};

/// Takes from a command what cargo told this process about its own package. Build scripts that watch those variables
/// would otherwise run again and have polars built anew.
pub fn forget_own_package(command: &mut Command) {
    let of_package = ["CARGO_PKG_", "CARGO_MANIFEST_", "CARGO_BIN_", "CARGO_CRATE_", "CARGO_PRIMARY_"];
    for (name, _) in env::vars_os() {
        if of_package.iter().any(|prefix| name.to_string_lossy().starts_with(prefix)) {
            command.env_remove(name);
        }
    }
}

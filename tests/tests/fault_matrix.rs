//! Every fault of a road test, shortly: the fault matrix passes, and says so for machines.
//!
//! A program of its own, since cargo runs test programs one after the other: beside tests that keep every processor
//! busy, pseudo-terminals stall for seconds, and most cells would have to be run again.

use serde_json::Value;
use tallywheel_tests::{program, run};

#[test]
fn the_quick_fault_matrix_passes() {
    let logger = program("tallywheel-logger");
    let programs = logger.parent().expect("a directory").as_os_str();
    let output = run("fault-matrix", ["--quick".as_ref(), "--programs".as_ref(), programs]);
    let text = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    let figures: Value = serde_json::from_str(text.lines().last().unwrap_or_default()).expect("JSON last");
    assert_eq!(output.status.code(), Some(0), "{text}{errors}");
    let count = |name: &str| figures[name].as_u64().unwrap_or_else(|| panic!("a count {name} in {figures}"));
    assert_eq!(count("failed") + count("acknowledged_lost") + count("unreadable"), 0, "{text}");
    assert_eq!(count("kills_failed") + count("kill_points_failed") + count("kill_points_panics"), 0, "{text}");
    assert_eq!(count("passed") + count("skipped"), count("cells"), "{text}");
    // Without a C compiler the disk and the system's clock cannot be faulted.
    let compiler = std::process::Command::new("cc").arg("--version").output().is_ok();
    assert!(count("cells") >= 38 && (count("skipped") == 0 || !compiler), "{text}");
    assert!(count("kill_points") >= 500 && count("kills") >= 16 && count("acknowledged") > 1000, "{text}");
}

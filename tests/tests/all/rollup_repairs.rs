//! A roll-up over daily tables that something else has touched.

use std::fs;

use tallywheel_tests::{Bench, kills::make_fleet, run};

/// A byte that rots in a daily table changes neither the figures nor whether there are any: what cannot be read is made
/// again from the sealed sessions.
#[test]
fn daily_tables_that_rot_are_made_again() {
    let bench = Bench::new();
    let root = bench.path("fleet");
    make_fleet(&root, 2, 1, 2).expect("a fleet");
    let data = root.to_string_lossy().into_owned();
    let roll_up = || run("tallywheel-analyze", ["rollup", "--format", "json", "--data", &data]);
    let before = roll_up();
    assert_eq!(before.status.code(), Some(0), "{}", String::from_utf8_lossy(&before.stderr));

    let mut rotten = 0;
    for entry in fs::read_dir(root.join("days/vehicle=skerry-1")).expect("days") {
        for file in fs::read_dir(entry.expect("a date").path()).expect("files") {
            let path = file.expect("a file").path();
            let mut bytes = fs::read(&path).expect("readable");
            bytes[200] ^= 2;
            fs::write(&path, bytes).expect("writable");
            rotten += 1;
        }
    }
    assert!(rotten > 0);
    let after = roll_up();
    assert_eq!(after.status.code(), Some(0), "{}", String::from_utf8_lossy(&after.stderr));
    assert_eq!(before.stdout, after.stdout);
}

//! The benchmark of the logger runs to its end, loses no frame and tells every figure. How fast it was is not judged.

use std::process::Command;

use serde_json::Value;
use tallywheel_tests::program;

#[test]
fn the_short_benchmark_finishes_without_a_lost_frame() {
    // What lies beside it was built with it; it need not build anything itself.
    let output =
        Command::new(program("logger-bench")).arg("--quick").env_remove("CARGO").output().expect("the program starts");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}");
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let figures: Value = serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON");

    assert_eq!(figures["quick"], true);
    let pipelines = figures["pipelines"].as_array().expect("a list");
    assert_eq!(pipelines.len(), 2);
    for pipeline in pipelines {
        for name in ["frames", "bus_s", "both_cpu_s", "journal_bytes", "raw_bytes", "decoded_bytes"] {
            assert!(pipeline[name].as_f64().is_some_and(|v| v > 0.0), "{name} of {pipeline}");
        }
    }
    for name in ["steady", "bursts", "slow_disk"] {
        let recording = &figures[name];
        if name == "slow_disk" && recording.is_null() {
            assert!(errors.contains("no C compiler"), "{errors}");
            continue;
        }
        assert!(recording["frames_sent"].as_u64().is_some_and(|n| n > 10_000), "{name}: {recording}");
        assert_eq!((&recording["frames_lost"], &recording["frames_dropped"]), (&0.into(), &0.into()), "{name}");
        for figure in ["reader_share", "recording_mib", "ended_mib", "durable_p999_ms", "longest_stall_ms"] {
            assert!(recording[figure].as_f64().is_some_and(|v| v > 0.0), "{figure} of {name}: {recording}");
        }
    }
    assert!(figures["bursts"]["sessions"].as_u64().is_some_and(|n| n >= 2), "{}", figures["bursts"]);
    let peer = &figures["peer"];
    assert!(peer.is_null() || peer["peer_times"].as_f64().is_some_and(|v| v > 0.0), "{peer}");
}

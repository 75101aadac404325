//! The verdict's error rates on simulated campaigns, in the short form.

use serde_json::Value;
use tallywheel_tests::run;

/// Coverage and false support of a thousand campaigns a cell are within their limits, and the last line says so as JSON.
/// The limits are widened by four standard errors: the full run, in the developers' documentation, holds them as they are.
#[test]
fn the_verdict_errs_no_more_often_than_it_says() {
    let output = run("verdict-calibration", ["--quick"]);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    assert_eq!(output.status.code(), Some(0), "{text}");
    let last: Value = serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON");
    let number = |name: &str| last[name].as_f64().expect("a number");
    // Four standard errors of a share of 0.035 in 1,000 are 0.023.
    assert!(number("coverage_min") > 0.935 - 0.024 && number("coverage_max") < 0.965 + 0.024, "{last}");
    assert!(number("false_supported_max") < 0.03 + 0.022, "{last}");
    assert!(number("campaigns") >= 10_000.0, "{last}");
}

/// The same seed draws the same campaigns, whatever the number of threads.
#[test]
fn the_same_seed_gives_the_same_table() {
    let table = |jobs: &str| run("verdict-calibration", ["--quick", "--campaigns", "200", "--jobs", jobs]).stdout;
    assert_eq!(table("1"), table("3"));
}

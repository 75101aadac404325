//! What people decided, beside what comes out without it.

use super::*;
use crate::comparison::idle_assist;

/// Four pairs in alternating order, of which the second was driven on a warmer day.
fn four_pairs(directory: &TempDir, warmer_k: f64) -> String {
    let mut text = String::new();
    for (i, (b, a)) in PAIRS.into_iter().enumerate() {
        let (base, assist, first) = (format!("b{i}"), format!("a{i}"), 2 * i as i64);
        let (at_b, at_a) = if i % 2 == 0 { (first, first + 1) } else { (first + 1, first) };
        drive(&base, Condition::Baseline, at_b, b).seal(directory.path());
        let ambient_c = 12.0 + if i == 1 { warmer_k } else { 0.0 };
        Drive { ambient_c, ..drive(&assist, Condition::Assist, at_a, a) }.seal(directory.path());
        text += &format!("[[pair]]\nbaseline = \"{base}\"\nassist = \"{assist}\"\n");
    }
    text
}

fn reason<'r>(r: &'r Report, part: &str) -> &'r str {
    let found = r.verdict.reasons.iter().find(|reason| reason.contains(part));
    found.unwrap_or_else(|| panic!("{part} is not in {:?}", r.verdict.reasons))
}

/// Whoever widens a limit until the runs pass gets a verdict, and the sentence that there would be none.
#[test]
fn moved_limits_are_said_with_what_the_defaults_give() {
    let directory = tempfile::tempdir().expect("a directory");
    let text = four_pairs(&directory, 9.0);
    let plain = report(&directory, &campaign("paired", &text));
    assert_eq!(plain.verdict.decision, Decision::Withheld);
    assert!(!plain.verdict.reasons.iter().any(|r| r.contains("defaults")), "{:?}", plain.verdict.reasons);
    let wide = report(&directory, &campaign("paired", &format!("{text}[rules]\nmax_ambient_difference_k = 30.0\n")));
    assert_eq!(wide.verdict.decision, Decision::Supported);
    let said = reason(&wide, "limits other than the defaults");
    assert!(
        said.contains("max_ambient_difference_k = 30.0 (5.0); with the defaults no verdict would be given"),
        "{said}"
    );
    assert!(said.contains("(outside temperature differs between the conditions): mileage changed by +4"), "{said}");
}

/// The interval at 95 % reaches below +44.5 %, that at 50 % does not.
#[test]
fn less_confidence_than_usual_is_said_with_what_the_usual_gives() {
    let directory = tempfile::tempdir().expect("a directory");
    let text = campaign("paired", &four_pairs(&directory, 0.0)).replace("= 30.0", "= 44.5");
    let sure = report(&directory, &text);
    assert_eq!(sure.verdict.decision, Decision::Undecided, "{:?}", sure.verdict.reasons);
    let unsure = report(&directory, &text.replace("= 44.5", "= 44.5\nconfidence = 0.5"));
    assert_eq!(unsure.verdict.decision, Decision::Supported, "{:?}", unsure.verdict.reasons);
    let said = reason(&unsure, "50 % confidence only");
    assert!(said.contains("with 95 % the claim would not be decided: mileage changed by +4"), "{said}");
}

/// Runs on the route that the campaign does not list stand in the report by name.
#[test]
fn unlisted_runs_are_in_the_report() {
    let directory = tempfile::tempdir().expect("a directory");
    let (campaign, ledgers) = made(&directory, &campaign("paired", &four_pairs(&directory, 0.0)));
    let mut comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    comparison.leave_out(Vec::new(), Vec::new(), &["b9".to_owned()]);
    assert_eq!(comparison.report.unlisted_runs, ["b9"]);
    reason(&comparison.report, "does not name run b9");
}

/// Assisted runs in which no motor drove longer than one without assist may are named.
#[test]
fn a_dead_kit_is_named() {
    let directory = tempfile::tempdir().expect("a directory");
    let (campaign, ledgers) = made(&directory, &campaign("paired", &four_pairs(&directory, 0.0)));
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let assisted = comparison.runs.iter().filter(|r| r.sheet.condition == Condition::Assist);
    let mut runs: Vec<RunFacts<'_>> = assisted.cloned().collect();
    let said = |runs: &[RunFacts<'_>]| idle_assist(&campaign.rules, &runs.iter().collect::<Vec<_>>());
    assert_eq!(said(&runs), None, "nobody knows");
    for (run, share) in runs.iter_mut().zip([0.0, 0.4, 0.01, 0.4]) {
        run.assist_share = Some(share);
    }
    let said = said(&runs).expect("two of four");
    assert!(
        said.starts_with("in 2 of 4 assisted runs (a0, a2) a motor drove for no more than 1.0 % of the time"),
        "{said}"
    );
}

/// A session in daily service is left out by name, with what would stand there without that; a name that is none is refused.
#[test]
fn a_session_in_service_can_be_overruled() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = String::new();
    for (vehicle, saved) in [("skerry-2", 0.7), ("skerry-3", 0.72)] {
        for (day, factor) in [(0, 1.0), (10, saved), (11, 1.1)] {
            let d = drive("", Condition::Baseline, 24 * day, 8.0 * factor);
            Drive { vehicle, run: None, ..d }.seal(directory.path());
        }
        text += &format!("[[in_service]]\nname = \"{vehicle}\"\ninstalled = \"2026-06-03\"\n");
    }
    let session = |vehicle: &str| format!("{vehicle}-{}", (DAY + 11 * 24 * HOUR) / SECOND);
    let out = |session: &str| {
        format!(
            "[[override]]\nsession = \"{session}\"\nuse = false\nreason = \"towed\"\nby = \"M. K.\"\ndate = \"2026-06-09\"\n"
        )
    };
    let both = format!("{}{}", out(&session("skerry-2")), out(&session("skerry-3")));
    let r = report(&directory, &campaign("before_after", &format!("{text}{both}")));
    let left_out: Vec<&RunResult> = r.runs.iter().filter(|run| !run.used).collect();
    assert_eq!(left_out.len(), 2, "{:?}", r.runs);
    assert_eq!(left_out[0].reason.as_deref(), Some("excluded by M. K. on 2026-06-09: towed"));
    let d = (-0.70_f64.ln() - 0.72_f64.ln()) / 2.0;
    close(r.improvement.mileage_percent.as_ref().map(|i| i.estimate), 100.0 * d.exp_m1(), 0.02);
    reason(&r, "without what people decided on run skerry-2-");
    let unknown = campaign("before_after", &format!("{text}{}", out("skerry-2-1")));
    let campaign = Campaign::parse(&TextFile::new("c.toml", unknown)).expect("a good campaign");
    let dataset = Dataset::open(directory.path()).expect("a dataset");
    let error = sessions_of(&campaign, &dataset.sessions(&Filter::default()), &[]).expect_err("no such session");
    assert!(error.to_string().starts_with("an override names session `skerry-2-1`, which is no drive"), "{error}");
}

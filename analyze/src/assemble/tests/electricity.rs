//! The gain that counts the electricity, with its interval.

use super::*;
use crate::account::KWH_PER_LITRE_PETROL;

/// Consumption that a pack of 100 V and 36 A at 36 km/h adds, L/100 km: 10 kWh over an efficiency of 0.9.
const ELECTRIC: f64 = 10.0 / 0.9 / KWH_PER_LITRE_PETROL;

fn pairs(directory: &TempDir, amperes: Option<f64>) -> String {
    let mut text = String::new();
    for (i, (b, a)) in PAIRS.into_iter().enumerate() {
        let (base, assist) = (format!("b{i}"), format!("a{i}"));
        drive(&base, Condition::Baseline, 2 * i as i64, b).seal(directory.path());
        Drive { amperes, ..drive(&assist, Condition::Assist, 2 * i as i64 + 1, a) }.seal(directory.path());
        text += &format!("[[pair]]\nbaseline = \"{base}\"\nassist = \"{assist}\"\n");
    }
    campaign("paired", &format!("{text}[account]\ncharging_efficiency = 0.9\n"))
}

/// By hand: the pairs' log ratios of B over T plus electricity; Student's t at three degrees of freedom for the runs; and
/// of the calibrations what does not cancel: distance does, the errors of fuel do but for the share of the electricity.
#[test]
fn the_gain_with_electricity_has_the_interval_of_the_mileage() {
    let directory = tempfile::tempdir().expect("a directory");
    let r = report(&directory, &pairs(&directory, Some(36.0)));
    let gain = r.energy.petrol_equivalent_gain.clone().expect("all is known");
    let logs = PAIRS.map(|(b, a)| (b / (a + ELECTRIC)).ln());
    let mean = logs.iter().sum::<f64>() / 4.0;
    close(Some(gain.percent.estimate), 100.0 * mean.exp_m1(), 1e-6);
    let sums = [0, 1].map(|k| PAIRS.iter().map(|p| [p.0, p.1][k]).sum::<f64>());
    close(r.energy.petrol_equivalent_percent, 100.0 * (sums[0] / (sums[1] + 4.0 * ELECTRIC) - 1.0), 1e-6);

    let share = ELECTRIC / (sums[1] / 4.0 + ELECTRIC);
    let third = 3.0_f64.sqrt();
    let (rate, density) = (0.05 / third, 0.055 / 2.0 / 0.747_5 / third);
    // A quarter of the rate's error changes with the load, half of it one way without assist and half the other with.
    let load = rate / 4.0 * (0.5 + 0.5 * (1.0 - share));
    // Voltage, current and a stated efficiency that nobody calibrated.
    let electric = (0.005_f64.powi(2) + 0.01_f64.powi(2) + 0.02_f64.powi(2)).sqrt();
    let u = load.hypot(share * rate.hypot(density).hypot(electric));
    let sum = r.budget.gain_with_electricity_from_calibrations.expect("both conditions");
    close(Some(sum.standard_percent), 100.0 * u, 1e-6);

    let spread = (logs.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 3.0 / 4.0).sqrt();
    let width =
        gain.percent.low.zip(gain.percent.high).map(|(low, high)| (high / 100.0).ln_1p() - (low / 100.0).ln_1p());
    let width = width.expect("an interval");
    // Quantiles of the normal and of t(3) distribution.
    assert!(width > 2.0 * 1.96 * spread.hypot(u) && width < 2.0 * 3.183 * spread.hypot(u), "{width}");
    assert!(gain.method.contains("of fuel and electricity counted as petrol run by run"), "{}", gain.method);
    // A quarter of the rate's error, half one way and half the other: 0.722 % of the improvement, 1.44 % at k = 2.
    let page = crate::report::page(&r, &crate::report::Plots::default(), Units::Metric);
    assert!(page.contains("cancels in the improvement; ± 1.44 % are left of it there."), "the page says what is left");
    let said = format!("mileage changed by {:+.1} % (95 % interval", gain.percent.estimate);
    assert!(r.answer.contains(&said), "{}", r.answer);
}

/// One run whose electricity is not known leaves the sum and takes the interval.
#[test]
fn without_electricity_in_every_run_there_is_no_interval() {
    let directory = tempfile::tempdir().expect("a directory");
    let text = pairs(&directory, Some(36.0));
    let last = drive("a9", Condition::Assist, 9, 5.5);
    last.seal(directory.path());
    drive("b9", Condition::Baseline, 8, 8.0).seal(directory.path());
    let pair = "[[pair]]\nbaseline = \"b9\"\nassist = \"a9\"\n[account]";
    let r = report(&directory, &text.replace("[account]", pair));
    assert_eq!(r.energy.petrol_equivalent_gain, None);
    assert!(r.energy.petrol_equivalent_percent.is_some());
    assert!(r.answer.ends_with(" % (no interval)."), "{}", r.answer);
    let shown = crate::report::text(&r, Units::Metric);
    let line = shown.lines().find(|l| l.contains("Mileage with the electricity counted as petrol")).expect("a line");
    assert!(line.ends_with("(no interval)"), "{line}");
    assert!(shown.contains("Charging efficiency     0.900, the campaign states it, and no charging"), "{shown}");
}

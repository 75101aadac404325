use std::path::Path;

use tallywheel_schemas::units::METRES_PER_MILE;

use super::*;

/// Speeds, m/s, of a drive schedule at 1 Hz; source and licence in `tests/data/SOURCES.md`.
fn schedule(name: &str) -> Vec<f64> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data/drive-schedules").join(name);
    let mut reader = csv::Reader::from_path(path).expect("a schedule");
    reader.records().map(|r| r.expect("a row")[1].parse().expect("a speed")).collect()
}

fn close(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn describe(speeds: &[f64]) -> Dynamics {
    dynamics([speeds], 1.0)
}

/// Half of the last digit of a figure with five decimals.
const PRINTED: f64 = 5e-6;

/// The same in exact metres per second. The copy was converted with 0.447047 m/s to the mph; the regulation's speeds
/// are tenths of a mph, which the quotient gives back.
fn regulation(name: &str) -> Vec<f64> {
    let tenths = |v: f64| (v / 0.447_047_253 * 10.0).round() / 10.0;
    schedule(name).into_iter().map(|v| tenths(v) * tallywheel_schemas::units::M_S_PER_MPH).collect()
}

/// EPA UDDS 1 Hz trace (same numbers as 40 CFR 86 App. I); published 7.5 mi (7.45 from memory), 19.6 mph average,
/// 56.7 mph max (DieselNet), 1369 s. RPA and v·a by our definition, after the real-driving rules' appendix 7a; PKE by
/// definition.
#[test]
fn udds_is_described_as_published() {
    close(describe(&schedule("udds.csv")).distance_m, 11990.4, 0.05);
    let v = regulation("udds.csv");
    let d = describe(&v);
    let mph = |m_s: f64| m_s * 3600.0 / METRES_PER_MILE;
    close(d.distance_m / METRES_PER_MILE, 7.45, 0.005);
    close(d.distance_m / METRES_PER_MILE, 7.45039, 5e-6);
    close(d.duration_s, 1369.0, 0.0);
    close(mph(d.speed_max_m_s.expect("a speed")), 56.7, 0.01);
    close(mph(d.speed_mean_m_s.expect("a speed")), 19.6, 0.05);
    assert_eq!(stops(&v, 0.0), 17);
    assert_eq!((v.len(), v.iter().filter(|s| **s == 0.0).count()), (1370, 259));
    close(stops(&v, 0.0) as f64 / (d.distance_m / 1000.0), 1.41782, 5e-6);
    close(d.rpa_m_s2.expect("a speed"), 0.165941, 5e-7);
    close(d.va95_m2_s3.expect("a speed"), 10.2169, 5e-5);
    close(d.pke_m_s2.expect("a speed"), 0.350023, 5e-7);
}

/// HWFET 1 Hz trace (public repository CSV); published totals 10.26 mi, 765 s, 48.3 and 59.9 mph from memory.
#[test]
fn hwfet_is_described_as_published() {
    let d = describe(&regulation("hwfet.csv"));
    close(d.distance_m / METRES_PER_MILE, 10.26, 0.005);
    close(d.duration_s, 765.0, 0.0);
    close(d.speed_max_m_s.expect("a speed") * 3600.0 / METRES_PER_MILE, 59.9, 0.01);
    close(d.speed_mean_m_s.expect("a speed") * 3600.0 / METRES_PER_MILE, 48.27, 0.005);
    close(d.rpa_m_s2.expect("a speed"), 0.05956, PRINTED);
    close(d.pke_m_s2.expect("a speed"), 0.14115, PRINTED);
}

/// US06 (40 CFR 86 App. I): 12887.6 m by trapezoid, 8.01 mi published; 596 s long in a file that runs to 600.
#[test]
fn us06_is_as_long_as_published() {
    let d = describe(&schedule("us06.csv"));
    close(d.distance_m, 12887.6, 0.05);
    close(d.distance_m / METRES_PER_MILE, 8.01, 0.005);
}

/// WLTC class 3b trace in the JRC "wltp" PyPI package, speed checksum 83758.6; phase table read on the evkx page.
#[test]
fn wltc_is_described_as_published() {
    let v = schedule("wltc_3b.csv");
    let d = describe(&v);
    close(d.distance_m, 23266.0, 1.0);
    close(v.iter().sum::<f64>() * 3.6, 83758.6, 0.001);
    close(d.duration_s, 1800.0, 0.0);
    close(d.speed_max_m_s.expect("a speed") * 3.6, 131.3, 0.01);
    close(d.speed_mean_m_s.expect("a speed") * 3.6, 46.5, 0.05);
    assert_eq!(v.iter().filter(|s| **s == 0.0).count(), 235);
    for (phase, metres) in [(0..=589, 3095.0), (590..=1022, 4756.0), (1023..=1477, 7162.0), (1478..=1800, 8254.0)] {
        close(describe(&v[phase]).distance_m, metres, 0.6);
    }
    close(d.rpa_m_s2.expect("a speed"), 0.14459, PRINTED);
    close(d.pke_m_s2.expect("a speed"), 0.30758, PRINTED);
}

/// Hand-checkable: 0 to 10 m/s in 10 s, 20 s held, 10 s down, 5 s idle at 1 Hz.
#[test]
fn a_trapezoid_trip_is_described_as_by_hand() {
    let rise = (0..=10).map(f64::from);
    let v: Vec<f64> =
        rise.chain(std::iter::repeat_n(10.0, 20)).chain((0..10).rev().map(f64::from)).chain([0.0; 5]).collect();
    let d = describe(&v);
    close(d.distance_m, 300.0, 1e-9);
    close(d.rpa_m_s2.expect("a speed"), 0.166667, 5e-7);
    close(d.pke_m_s2.expect("a speed"), 0.333333, 5e-7);
    close(d.duration_s, 45.0, 0.0);
}

#[test]
fn nothing_is_assumed_between_two_stretches() {
    let d = dynamics([[0.0, 2.0].as_slice(), [10.0, 10.0].as_slice()], 1.0);
    assert_eq!((d.distance_m, d.duration_s, d.rpa_m_s2, d.va95_m2_s3), (11.0, 2.0, Some(0.0), None));
    let nothing = describe(&[]);
    assert_eq!((nothing.speed_mean_m_s, nothing.rpa_m_s2), (None, None));
}

#[test]
fn percentiles_interpolate_between_neighbours() {
    let mut values = [40.0, 10.0, 30.0, 20.0];
    assert_eq!(percentile(&mut values, 0.5), Some(25.0));
    assert_eq!((percentile(&mut values, 0.0), percentile(&mut values, 1.0)), (Some(10.0), Some(40.0)));
    assert_eq!(percentile(&mut [], 0.5), None);
}

use super::*;

fn close(actual: f64, expected: f64, tolerance: f64) {
    assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
}

fn input(sensitivity: f64, standard_uncertainty: f64, degrees_of_freedom: f64) -> Input {
    Input { standard_uncertainty, sensitivity, degrees_of_freedom }
}

/// End-gauge calibration, JCGM 100:2008 H.1 (values read in public test suites). Lengths in nm: the standard 25 nm
/// (18 degrees of freedom), the comparator 9.7 nm (25.6), the difference of expansions 0.58e-6 per K at 0.1 K (50), the
/// difference of temperatures 0.029 K at 11.5e-6 per K (2).
#[test]
fn an_end_gauge_is_calibrated_as_in_the_guide() {
    close(50.000_623 + 215e-6, 50.000_838, 1e-9);
    let comparator = combine(&[input(1.0, 5.8, 24.0), input(1.0, 3.9, 5.0), input(1.0, 6.7, 8.0)], &[]);
    close(comparator.standard_uncertainty, 9.7, 0.05);
    close(comparator.degrees_of_freedom.expect("independent"), 25.6, 0.3);
    let length_nm = 50.000_623e6;
    let inputs = [
        input(1.0, 25.0, 18.0),
        input(1.0, 9.7, 25.6),
        input(-length_nm * -0.1, 0.58e-6, 50.0),
        input(-length_nm * 11.5e-6, 0.029, 2.0),
    ];
    close(inputs[2].contribution(), 2.9, 0.05);
    close(inputs[3].contribution().abs(), 16.6, 0.1);
    let length = combine(&inputs, &[]);
    close(length.standard_uncertainty, 32.0, 0.5);
    close(length.standard_uncertainty, 31.7051, 0.01);
    close(length.degrees_of_freedom.expect("independent"), 16.7, 0.1);
    let expanded = length.expanded(0.99).expect("degrees of freedom");
    close(expanded.coverage_factor, 2.92, 0.005);
    close(expanded.uncertainty, 93.0, 0.6);
}

/// Simultaneous resistance and reactance, JCGM 100 H.2 (inputs read in public examples of uncertainty calculators;
/// published results 0.071, 0.295 and 0.236 ohm from memory, recomputed): correlated inputs.
#[test]
fn resistance_and_reactance_are_measured_as_in_the_guide() {
    let (v, i, phi): (f64, f64, f64) = (4.9990, 19.661e-3, 1.044_46);
    close(v * phi.cos() / i, 127.732, 0.001);
    close(v * phi.sin() / i, 219.847, 0.001);
    close(v / i, 254.260, 0.001);
    let correlation = |first, second, coefficient| Correlation { first, second, coefficient };
    let together = [correlation(0, 1, -0.355), correlation(0, 2, 0.858), correlation(1, 2, -0.645)];
    let combined = |by_v: f64, by_i: f64, by_phi: f64| {
        let inputs = [
            input(by_v, 0.0032, f64::INFINITY),
            input(by_i, 0.0095e-3, f64::INFINITY),
            input(by_phi, 0.000_75, f64::INFINITY),
        ];
        combine(&inputs, &together).standard_uncertainty
    };
    let (r, x, z) = (v * phi.cos() / i, v * phi.sin() / i, v / i);
    close(combined(r / v, -r / i, -x), 0.071, 0.0005);
    close(combined(x / v, -x / i, r), 0.295, 0.0005);
    close(combined(z / v, -z / i, 0.0), 0.236, 0.0005);
}

#[test]
fn correlated_inputs_with_few_degrees_of_freedom_have_no_effective_number() {
    let inputs = [input(1.0, 1.0, 5.0), input(-1.0, 1.0, f64::INFINITY)];
    let whole = [Correlation { first: 0, second: 1, coefficient: 1.0 }];
    let combined = combine(&inputs, &whole);
    assert_eq!((combined.standard_uncertainty, combined.degrees_of_freedom), (0.0, None));
    assert_eq!(combined.expanded(0.95), None);
}

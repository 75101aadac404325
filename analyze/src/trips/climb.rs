//! Climb from a noisy altitude.

/// Half width of the smoothing window, s.
const SMOOTH_S: f64 = 7.5;

/// A rise counts once it exceeds this, m: about what is left of a satellite receiver's noise after smoothing.
const LEAST_RISE_M: f64 = 2.0;

/// Sum of rises of the altitude, smoothed by a centred mean of 15 s. A rise counts from a low to the following high
/// where it is at least 2 m; smaller ones are noise. `None` without any altitude.
pub(super) fn climb_m(altitudes: &[Option<f64>], step_s: f64) -> Option<f64> {
    let smooth = smoothed(altitudes, (SMOOTH_S / step_s) as usize);
    let mut low = *smooth.first()?;
    let (mut high, mut climb) = (low, 0.0);
    for a in smooth {
        if a > high {
            high = a;
        } else if a < high - LEAST_RISE_M || a < low {
            // The rise, if it was one, is over.
            if high - low >= LEAST_RISE_M {
                climb += high - low;
            }
            (low, high) = (a, a);
        }
    }
    if high - low >= LEAST_RISE_M {
        climb += high - low;
    }
    Some(climb)
}

/// Centred means over the values there are. Near the ends the window shrinks on both sides alike, so that a steady
/// climb keeps its foot and its top.
fn smoothed(values: &[Option<f64>], reach: usize) -> Vec<f64> {
    (0..values.len())
        .filter_map(|i| {
            let reach = reach.min(i).min(values.len() - 1 - i);
            let near = &values[i - reach..=i + reach];
            let (sum, n) = near.iter().flatten().fold((0.0, 0), |(sum, n), v| (sum + v, n + 1));
            (n > 0).then(|| sum / f64::from(n))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hill_counts_once_and_noise_does_not() {
        let hill: Vec<Option<f64>> =
            (0..400).map(|i| Some(50.0 - (f64::from(i) - 200.0).abs() * 0.25 + f64::from(i % 2) * 0.5)).collect();
        let climb = climb_m(&hill, 1.0).expect("an altitude");
        // From 0 to 50 m; smoothing takes a little off the summit and the foot.
        assert!((climb - 50.0).abs() < 3.0, "{climb}");
        let flat: Vec<Option<f64>> = (0..400).map(|i| Some(f64::from(i % 3))).collect();
        assert_eq!(climb_m(&flat, 1.0), Some(0.0));
        assert_eq!(climb_m(&[None, None], 1.0), None);
    }

    #[test]
    fn two_hills_add_up() {
        let two: Vec<Option<f64>> =
            (0..800).map(|i| Some(20.0 * (f64::from(i) / 400.0 * std::f64::consts::TAU).sin())).collect();
        // Rises: 0 to 20, then -20 to 20, then -20 back to 0.
        let climb = climb_m(&two, 1.0).expect("an altitude");
        assert!((climb - 80.0).abs() < 2.0, "{climb}");
    }
}

//! Consumption of two groups brought to one distribution of speed: a description of field data that were never
//! paired.
//!
//! Takes distance and fuel by class of speed for two groups, gives both groups' consumption as if they had driven
//! each class over the same distance. It removes what the mixture of speeds does to the comparison and nothing else.

/// What such a comparison can and cannot say.
pub const CAUTION: &str = "Both conditions are given the same share of distance in every class of speed. Gradient, \
    load, temperature, wind, stops inside a class and the driver are not evened out, and the assist itself changes \
    which class a second falls into. It describes the data and decides nothing.";

/// Sums over one class of speed in one group.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ClassSums {
    /// Distance, m.
    pub distance_m: f64,
    /// Fuel, mL.
    pub fuel_ml: f64,
}

/// Consumption of two groups over the pooled distribution of distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standardised {
    /// First group, L/100 km, at the pooled distribution.
    pub baseline_l_per_100km: f64,
    /// Second group, L/100 km, at the pooled distribution.
    pub assist_l_per_100km: f64,
    /// First group as driven, over the same classes, L/100 km.
    pub baseline_as_driven_l_per_100km: f64,
    /// Second group as driven, over the same classes, L/100 km.
    pub assist_as_driven_l_per_100km: f64,
    /// Share of both groups' distance that lies in classes which both have.
    pub distance_share: f64,
    /// Share of both groups' fuel that lies in those classes: fuel burnt at rest has no distance.
    pub fuel_share: f64,
    /// Classes which both have.
    pub classes: usize,
}

impl Standardised {
    /// Logarithm of the first group's consumption over the second's.
    pub fn log_ratio(&self) -> f64 {
        (self.baseline_l_per_100km / self.assist_l_per_100km).ln()
    }
}

/// Direct standardisation of two groups' consumption to their pooled distance by class.
///
/// A class counts when both groups drove at least `least_m` (and more than nothing) in it and burnt fuel that is a
/// finite number; the rest is left out and lowers the shares. `None` when no class is left or a group burnt nothing
/// in them. Classes are told apart by their place in the slices, which may differ in length.
///
/// # Formula
/// With `D_gk` and `F_gk` of group `g` in class `k`, and the pooled distance `W_k = D_1k + D_2k` as the standard:
///
/// `C_g = Σ_k W_k · (F_gk / D_gk) / Σ_k W_k`, over the classes both groups have.
///
/// This is the directly standardised rate of epidemiology with the two groups together as standard population
/// (Rothman, Greenland, Lash: Modern Epidemiology, chapter on measures; from memory), with consumption as the rate
/// and distance as the person-time.
///
/// # Example
/// The second group is better in both classes and worse in the sum, because it drove mostly in town:
///
/// ```
/// use tallywheel_analyze::likeness::standardised::{ClassSums, standardise};
/// let class = |km: f64, l: f64| ClassSums { distance_m: km * 1000.0, fuel_ml: l * 1000.0 };
/// // Town at 20 and country at 8 L/100 km, against 15 and 7.
/// let first = [class(2.0, 0.40), class(8.0, 0.64)];
/// let second = [class(8.0, 1.20), class(2.0, 0.14)];
/// let s = standardise(&first, &second, 0.0).unwrap();
/// // As driven 1.04 L and 1.34 L over 10 km each.
/// assert!((s.baseline_as_driven_l_per_100km - 10.4).abs() < 1e-9);
/// assert!((s.assist_as_driven_l_per_100km - 13.4).abs() < 1e-9);
/// // Pooled, each class has 10 of 20 km: (20 + 8) / 2 and (15 + 7) / 2.
/// assert!((s.baseline_l_per_100km - 14.0).abs() < 1e-9);
/// assert!((s.assist_l_per_100km - 11.0).abs() < 1e-9);
/// assert_eq!((s.distance_share, s.classes), (1.0, 2));
/// ```
pub fn standardise(baseline: &[ClassSums], assist: &[ClassSums], least_m: f64) -> Option<Standardised> {
    let driven = |c: &ClassSums| c.distance_m > 0.0 && c.distance_m >= least_m && c.fuel_ml.is_finite();
    let common: Vec<(&ClassSums, &ClassSums)> =
        baseline.iter().zip(assist).filter(|(b, a)| driven(b) && driven(a)).collect();
    let weight: f64 = common.iter().map(|(b, a)| b.distance_m + a.distance_m).sum();
    // 1 mL/m is 1 L/km, which is 100 L/100 km.
    let at_standard = |rate: fn(&(&ClassSums, &ClassSums)) -> f64| {
        let burnt: f64 = common.iter().map(|pair| (pair.0.distance_m + pair.1.distance_m) * rate(pair)).sum();
        Some(100.0 * burnt / weight).filter(|l| l.is_finite() && *l > 0.0)
    };
    let as_driven = |group: fn(&(&ClassSums, &ClassSums)) -> ClassSums| {
        let (fuel, distance) = common.iter().map(group).fold((0.0, 0.0), |(f, d), c| (f + c.fuel_ml, d + c.distance_m));
        100.0 * fuel / distance
    };
    let whole =
        |of: fn(&ClassSums) -> f64| baseline.iter().chain(assist).map(of).filter(|v| v.is_finite()).sum::<f64>();
    let fuel: f64 = common.iter().map(|(b, a)| b.fuel_ml + a.fuel_ml).sum();
    Some(Standardised {
        baseline_l_per_100km: at_standard(|(b, _)| b.fuel_ml / b.distance_m)?,
        assist_l_per_100km: at_standard(|(_, a)| a.fuel_ml / a.distance_m)?,
        baseline_as_driven_l_per_100km: as_driven(|(b, _)| **b),
        assist_as_driven_l_per_100km: as_driven(|(_, a)| **a),
        distance_share: weight / whole(|c| c.distance_m),
        fuel_share: fuel / whole(|c| c.fuel_ml),
        classes: common.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class(km: f64, l: f64) -> ClassSums {
        ClassSums { distance_m: km * 1000.0, fuel_ml: l * 1000.0 }
    }

    fn close(actual: f64, expected: f64) {
        assert!((actual - expected).abs() < 1e-9, "{actual} is not {expected}");
    }

    /// By hand: common are the first two classes; W = 4 and 6 km; baseline (4·10 + 6·6)/10, assist (4·8 + 6·5)/10.
    #[test]
    fn classes_of_one_group_only_are_left_out_and_counted() {
        let baseline = [class(1.0, 0.1), class(3.0, 0.18), class(5.0, 0.3)];
        let assist = [class(3.0, 0.24), class(3.0, 0.15), class(0.0, 0.01), class(2.0, 0.2)];
        let s = standardise(&baseline, &assist, 100.0).expect("two classes");
        close(s.baseline_l_per_100km, 7.6);
        close(s.assist_l_per_100km, 6.2);
        close(s.baseline_as_driven_l_per_100km, 7.0);
        close(s.assist_as_driven_l_per_100km, 6.5);
        close(s.distance_share, 10.0 / 17.0);
        close(s.fuel_share, 0.67 / 1.18);
        close(s.log_ratio(), (7.6_f64 / 6.2).ln());
        assert_eq!(s.classes, 2);
    }

    #[test]
    fn equal_mixtures_are_left_as_driven() {
        let (baseline, assist) = ([class(2.0, 0.3), class(6.0, 0.5)], [class(1.0, 0.1), class(3.0, 0.2)]);
        let s = standardise(&baseline, &assist, 0.0).expect("two classes");
        close(s.baseline_l_per_100km, s.baseline_as_driven_l_per_100km);
        close(s.assist_l_per_100km, s.assist_as_driven_l_per_100km);
    }

    #[test]
    fn nothing_in_common_says_nothing() {
        assert_eq!(standardise(&[class(1.0, 0.1)], &[], 0.0), None);
        assert_eq!(standardise(&[class(1.0, 0.1)], &[class(0.0, 0.1)], 0.0), None);
        assert_eq!(standardise(&[class(1.0, 0.1)], &[class(0.05, 0.1)], 100.0), None);
        assert_eq!(standardise(&[class(1.0, 0.0)], &[class(1.0, 0.1)], 0.0), None);
    }
}

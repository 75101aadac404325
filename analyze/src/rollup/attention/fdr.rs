//! Keeping false alarms down when many things are looked at at once.

/// P-values adjusted for the false discovery rate: an alarm for every one at or below `q` makes on average at most the
/// share `q` of the alarms false, and where nothing is wrong at all, leaves at most `q` as the chance of any alarm.
///
/// # Formula
/// `q₍ᵢ₎ = min over j ≥ i of p₍ⱼ₎·m/j`, p-values sorted, m of them. Y. Benjamini and Y. Hochberg (1995), Journal of the
/// Royal Statistical Society B 57, 289–300. It holds for independent tests and for those that lean the same way.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![1.0; p.len()];
    let mut least = 1.0_f64;
    for (rank, i) in order.into_iter().enumerate().rev() {
        least = least.min(p[i] * p.len() as f64 / (rank + 1) as f64);
        adjusted[i] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example in the 1995 paper's section 3.2 (15 p-values of a heart study; from memory): at q = 0.05 the four
    /// smallest are found. Adjusted values by scipy.stats.false_discovery_control (scipy 1.17).
    #[test]
    fn the_papers_example_is_reproduced() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
            0.7590, 1.0000,
        ];
        let q = benjamini_hochberg(&p);
        assert_eq!(q.iter().filter(|q| **q <= 0.05).count(), 4);
        let expected = [
            0.0015,
            0.003,
            0.0095,
            0.035_625,
            0.0603,
            0.063_857_142_857,
            0.063_857_142_857,
            0.0645,
            0.0765,
            0.486,
            0.581_181_818_182,
            0.714_875,
            0.753_230_769_231,
            0.813_214_285_714,
            1.0,
        ];
        for (q, expected) in q.iter().zip(expected) {
            assert!((q - expected).abs() < 1e-9, "{q} is not {expected}");
        }
    }

    #[test]
    fn order_does_not_matter_and_nothing_gives_nothing() {
        assert_eq!(benjamini_hochberg(&[0.04, 0.01]), [0.04, 0.02]);
        assert_eq!(benjamini_hochberg(&[]), Vec::<f64>::new());
    }
}

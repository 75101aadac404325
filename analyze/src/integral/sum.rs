//! A compensated sum.

/// A running sum after Neumaier (Zeitschrift für Angewandte Mathematik und Mechanik 54, 1974): what rounding takes
/// off each step is kept beside the sum, so the error does not grow with the number of terms. The part taken off is
/// found by Knuth's two-sum, which needs no comparison and so no branch in the hottest loop.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    /// Adds a term.
    #[inline(always)]
    pub fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        let added = sum - self.sum;
        self.lost += (self.sum - (sum - added)) + (term - added);
        self.sum = sum;
    }

    /// The sum so far.
    #[inline(always)]
    pub fn value(self) -> f64 {
        self.sum + self.lost
    }
}

impl FromIterator<f64> for Sum {
    fn from_iter<I: IntoIterator<Item = f64>>(terms: I) -> Self {
        let mut sum = Self::default();
        terms.into_iter().for_each(|t| sum.add(t));
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of Neumaier's paper: plain summation gives 0.
    #[test]
    fn small_terms_between_large_ones_survive() {
        let sum: Sum = [1.0, 1e100, 1.0, -1e100].into_iter().collect();
        assert_eq!(sum.value().to_bits(), 2.0_f64.to_bits());
    }
}

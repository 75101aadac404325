//! Ordinary least squares for the few columns that a comparison needs.

/// A fitted linear model.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Coefficients, one a column.
    pub coefficients: Vec<f64>,
    /// Sum of squared residuals.
    pub residual_squares: f64,
    /// Observations minus columns.
    pub degrees_of_freedom: usize,
    /// Residuals, one an observation.
    pub residuals: Vec<f64>,
    /// Variance of each coefficient over the residual variance: the diagonal of `(XᵀX)⁻¹`.
    pub unit_variances: Vec<f64>,
}

impl Fit {
    /// Residual standard deviation; `None` without degrees of freedom.
    pub fn residual_sd(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0).then(|| (self.residual_squares / self.degrees_of_freedom as f64).sqrt())
    }

    /// Standard error of a coefficient; `None` without degrees of freedom.
    pub fn standard_error(&self, column: usize) -> Option<f64> {
        Some(self.residual_sd()? * self.unit_variances[column].sqrt())
    }
}

/// A column may be a combination of the others down to this share of its own length; below it, what is left is
/// rounding.
const LEAST_PART_OF_ITS_OWN: f64 = 1e-8;

/// Fits `y = X·b` with the columns of `X` given one by one, by Householder's QR factorisation.
///
/// `None` where the columns do not tell their coefficients apart: more columns than observations, or a column that the
/// others make up to a hundred-millionth.
pub fn fit(columns: &[Vec<f64>], y: &[f64]) -> Option<Fit> {
    let (n, p) = (y.len(), columns.len());
    if p == 0 || p > n || columns.iter().any(|c| c.len() != n) {
        return None;
    }
    // Columns of one length each, so that a small number in R means a dependent column and not a small unit.
    let lengths: Vec<f64> = columns.iter().map(|c| norm(c)).collect();
    if lengths.iter().any(|l| !(l.is_finite() && *l > 0.0)) {
        return None;
    }
    let mut a: Vec<Vec<f64>> = columns.iter().zip(&lengths).map(|(c, l)| c.iter().map(|v| v / l).collect()).collect();
    let mut rest = y.to_vec();
    for k in 0..p {
        let reflected = norm(&a[k][k..]);
        if reflected.is_nan() || reflected <= LEAST_PART_OF_ITS_OWN {
            return None;
        }
        let alpha = if a[k][k] > 0.0 { -reflected } else { reflected };
        let mut v = a[k][k..].to_vec();
        v[0] -= alpha;
        let square: f64 = v.iter().map(|x| x * x).sum();
        for column in a[k..].iter_mut().chain(std::iter::once(&mut rest)) {
            let scale = 2.0 * v.iter().zip(&column[k..]).map(|(x, c)| x * c).sum::<f64>() / square;
            column[k..].iter_mut().zip(&v).for_each(|(c, x)| *c -= scale * x);
        }
    }
    let inverse = inverse_of_upper(&a, p);
    let scaled = |i: usize| inverse[i].iter().zip(&rest).map(|(r, q)| r * q).sum::<f64>();
    let coefficients: Vec<f64> = (0..p).map(|i| scaled(i) / lengths[i]).collect();
    let residuals: Vec<f64> =
        (0..n).map(|row| y[row] - columns.iter().zip(&coefficients).map(|(c, b)| c[row] * b).sum::<f64>()).collect();
    Some(Fit {
        residual_squares: residuals.iter().map(|r| r * r).sum(),
        degrees_of_freedom: n - p,
        residuals,
        unit_variances: (0..p).map(|i| inverse[i].iter().map(|v| v * v).sum::<f64>() / lengths[i].powi(2)).collect(),
        coefficients,
    })
}

/// Rows of the inverse of the upper triangle that the first `p` columns of `a` hold.
#[expect(clippy::needless_range_loop, reason = "both indices walk two matrices")]
fn inverse_of_upper(a: &[Vec<f64>], p: usize) -> Vec<Vec<f64>> {
    let mut inverse = vec![vec![0.0; p]; p];
    for j in 0..p {
        for i in (0..=j).rev() {
            let unit = f64::from(u8::from(i == j));
            let known: f64 = (i + 1..=j).map(|k| a[k][i] * inverse[k][j]).sum();
            inverse[i][j] = (unit - known) / a[i][i];
        }
    }
    inverse
}

fn norm(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    if largest == 0.0 { 0.0 } else { largest * values.iter().map(|v| (v / largest).powi(2)).sum::<f64>().sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// NIST StRD linear least squares, data set Norris: y = B0 + B1·x, certified values
    /// B0 = −0.262323073774029 (s.d. 0.232818234301152), B1 = 1.00211681802045 (s.d. 0.429796848199937E-03),
    /// residual standard deviation 0.884796396144373 with 34 degrees of freedom (data and values from memory).
    #[test]
    fn a_line_is_that_of_the_nist_reference() {
        let data = [
            (0.1, 0.2),
            (338.8, 337.4),
            (118.1, 118.2),
            (888.0, 884.6),
            (9.2, 10.1),
            (228.1, 226.5),
            (668.5, 666.3),
            (998.5, 996.3),
            (449.1, 448.6),
            (778.9, 777.0),
            (559.2, 558.2),
            (0.3, 0.4),
            (0.1, 0.6),
            (778.1, 775.5),
            (668.8, 666.9),
            (339.3, 338.0),
            (448.9, 447.5),
            (10.8, 11.6),
            (557.7, 556.0),
            (228.3, 228.1),
            (998.0, 995.8),
            (888.8, 887.6),
            (119.6, 120.2),
            (0.3, 0.3),
            (0.6, 0.3),
            (557.6, 556.8),
            (339.3, 339.1),
            (888.0, 887.2),
            (998.5, 999.0),
            (778.9, 779.0),
            (10.2, 11.1),
            (117.6, 118.3),
            (228.9, 229.2),
            (668.4, 669.1),
            (449.2, 448.9),
            (0.2, 0.5),
        ];
        let (y, x): (Vec<f64>, Vec<f64>) = data.into_iter().unzip();
        let fit = fit(&[vec![1.0; 36], x], &y).expect("a line");
        close(fit.coefficients[0], -0.262_323_073_774_029, 1e-12);
        close(fit.coefficients[1], 1.002_116_818_020_45, 1e-13);
        close(fit.standard_error(0).expect("spread"), 0.232_818_234_301_152, 1e-12);
        close(fit.standard_error(1).expect("spread"), 0.429_796_848_199_937e-3, 1e-14);
        close(fit.residual_sd().expect("spread"), 0.884_796_396_144_373, 1e-12);
        assert_eq!(fit.degrees_of_freedom, 34);
    }

    /// One-way analysis of NIST/SEMATECH e-Handbook 7.4.3 (data from memory): 17.452 inside the levels, 12 degrees of
    /// freedom.
    #[test]
    fn residual_squares_of_levels_are_those_of_the_nist_handbook() {
        let y = [6.9, 5.4, 5.8, 4.6, 4.0, 8.3, 6.8, 7.8, 9.2, 6.5, 8.0, 10.5, 8.1, 6.9, 9.3];
        let level = |k: usize| (0..15).map(|i| f64::from(u8::from(i / 5 == k))).collect::<Vec<f64>>();
        let levels = fit(&[level(0), level(1), level(2)], &y).expect("levels");
        close(levels.residual_squares, 17.452, 1e-9);
        assert_eq!(levels.degrees_of_freedom, 12);
        let all = fit(&[vec![1.0; 15]], &y).expect("a mean");
        close(all.residual_squares - levels.residual_squares, 27.897, 5e-4);
    }

    #[test]
    fn columns_that_cannot_be_told_apart_give_no_fit() {
        let (one, x) = (vec![1.0; 4], vec![2.0, 4.0, 6.0, 9.0]);
        let both: Vec<f64> = x.iter().map(|v| 3.0 * v - 2.0).collect();
        assert!(fit(&[one.clone(), x.clone()], &[1.0, 2.0, 3.0, 5.0]).is_some());
        assert_eq!(fit(&[one.clone(), x, both], &[1.0, 2.0, 3.0, 5.0]), None);
        assert_eq!(fit(&[one.clone(), vec![0.0; 4]], &[1.0, 2.0, 3.0, 5.0]), None);
        assert_eq!(fit(&[vec![1.0], vec![2.0]], &[1.0]), None);
        assert_eq!(fit(&[], &[]), None);
    }
}

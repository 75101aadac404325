//! Lines of the counter box on the fuel line, ten a second:
//!
//! ```text
//! seconds since power-up , line number , pulse count (wraps at 65536) , fuel temperature in °C  CR LF
//! 12.300,123,61207,19.4
//! ```

use std::io::Write;

/// Appends one line.
pub fn line(out: &mut Vec<u8>, seconds: f64, number: u64, count: u64, fuel_temp_c: f64) {
    // Writing to a vector cannot fail.
    let _ = write!(out, "{seconds:.3},{number},{count},{fuel_temp_c:.1}\r\n");
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_line_has_four_columns() {
        let mut out = Vec::new();
        super::line(&mut out, 12.3, 123, 61_207, 19.44);
        assert_eq!(out, b"12.300,123,61207,19.4\r\n");
    }
}

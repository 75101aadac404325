//! Printing numbers: no more digits than the uncertainty supports.

/// A number of things, in the singular or the plural.
pub(crate) fn counted(n: usize, thing: &str) -> String {
    format!("{n} {thing}{}", if n == 1 { "" } else { "s" })
}

/// Decimals that a standard uncertainty supports: two significant digits of it, as JCGM 100 section 7.2.6
/// recommends, and never fewer than none.
///
/// ```
/// use tallywheel_analyze::figure::decimals_for;
/// assert_eq!(decimals_for(0.031), 3);
/// assert_eq!(decimals_for(1.7), 1);
/// assert_eq!(decimals_for(140.0), 0);
/// ```
pub fn decimals_for(uncertainty: f64) -> usize {
    if !(uncertainty.is_finite() && uncertainty > 0.0) {
        return 1;
    }
    let exponent = uncertainty.log10().floor();
    (1.0 - exponent).clamp(0.0, 6.0) as usize
}

/// A value with the decimals that its uncertainty supports, one digit fewer than [`decimals_for`] where the
/// value stands without its interval.
pub fn rounded(value: f64, uncertainty: f64) -> String {
    fixed(value, decimals_for(uncertainty).saturating_sub(1))
}

/// A value with so many decimals, without a minus before zero.
pub fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.starts_with('-') && text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        return text[1..].to_owned();
    }
    text
}

/// A percentage with its sign, as in `+45.2`.
pub fn signed(value: f64, decimals: usize) -> String {
    signed_text(&fixed(value, decimals))
}

fn signed_text(text: &str) -> String {
    if text.starts_with('-') { text.replacen('-', "−", 1) } else { format!("+{text}") }
}

/// A percentage that a person stated, sign and all of its digits, as in `+45` or `+45.25`.
pub fn stated(percent: f64) -> String {
    signed_text(&percent.to_string())
}

/// A confidence in percent with the digits that it has, as in `95` or `99.9999`.
pub fn confidence(share: f64) -> String {
    let text = format!("{:.8}", share * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The confidence of a look in percent: the campaign's own as stated, any other with two digits of what it leaves open.
pub fn of_look(share: f64, campaign: f64) -> String {
    if share == campaign { confidence(share) } else { fixed(share * 100.0, decimals_for((1.0 - share) * 100.0).max(2)) }
}

/// A duration in the two largest units that matter.
pub fn duration(seconds: f64) -> String {
    let s = seconds.round() as i64;
    match s {
        0..120 => format!("{s} s"),
        120..7200 => format!("{} min {:02} s", s / 60, s % 60),
        _ => format!("{} h {:02} min", s / 3600, s % 3600 / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        assert_eq!(rounded(8.2371, 0.031), "8.24");
        assert_eq!(rounded(8.2371, 0.31), "8.2");
        assert_eq!(rounded(823.7, 14.0), "824");
        assert_eq!(fixed(-0.001, 1), "0.0");
        assert_eq!(signed(45.25, 1), "+45.2");
        assert_eq!(signed(-3.0, 0), "−3");
    }

    #[test]
    fn what_a_person_stated_keeps_its_digits() {
        assert_eq!([stated(45.0), stated(45.25), stated(-3.0), stated(0.0)], ["+45", "+45.25", "−3", "+0"]);
        assert_eq!([confidence(0.95), confidence(0.999_999), confidence(0.9)], ["95", "99.9999", "90"]);
        assert_eq!(
            [of_look(0.95, 0.95), of_look(0.9986, 0.95), of_look(0.999_998_7, 0.95)],
            ["95", "99.86", "99.99987"]
        );
    }

    #[test]
    fn durations_read_naturally() {
        assert_eq!(duration(59.6), "60 s");
        assert_eq!(duration(1503.0), "25 min 03 s");
        assert_eq!(duration(7260.0), "2 h 01 min");
    }
}

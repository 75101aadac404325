//! Sentences of a satellite receiver, NMEA 0183: RMC, GGA and VTG, with checksums.

use std::fmt::Write;

use tallywheel_schemas::Timestamp;

use crate::sensors::Fix;

/// Metres per second in a knot.
const M_S_PER_KNOT: f64 = 1852.0 / 3600.0;

/// Exclusive-or of all characters between `$` and `*`.
pub fn checksum(body: &str) -> u8 {
    body.bytes().fold(0, |sum, byte| sum ^ byte)
}

/// A whole sentence: `$body*HH`, CR, LF.
pub fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", checksum(body))
}

/// Degrees as `ddmm.mmmmm` (or `dddmm.mmmmm`) and a letter.
fn angle(degrees: f64, whole_digits: usize, letters: [char; 2]) -> String {
    let letter = if degrees < 0.0 { letters[1] } else { letters[0] };
    // In units of 1e-5 minutes, so that 59.999999 minutes never print as 60.
    let units = (degrees.abs() * 60.0 * 1e5).round() as u64;
    let (whole, minutes) = (units / 6_000_000, units % 6_000_000);
    format!("{whole:0whole_digits$}{:02}.{:05},{letter}", minutes / 100_000, minutes % 100_000)
}

fn clock(at: Timestamp) -> (String, String) {
    let text = at.compact(); // YYYYMMDDTHHMMSSZ
    let hundredths = at.as_us().rem_euclid(1_000_000) / 10_000;
    (format!("{}.{hundredths:02}", &text[9..15]), format!("{}{}{}", &text[6..8], &text[4..6], &text[2..4]))
}

/// The three sentences of one moment.
pub fn sentences(at: Timestamp, fix: Option<&Fix>) -> String {
    let (time, date) = clock(at);
    let Some(fix) = fix else {
        return sentence(&format!("GNRMC,{time},V,,,,,,,{date},,,N"))
            + &sentence(&format!("GNGGA,{time},,,,,0,00,99.9,,M,,M,,"))
            + &sentence("GNVTG,,T,,M,,N,,K,N");
    };
    let place = format!("{},{}", angle(fix.lat_deg, 2, ['N', 'S']), angle(fix.lon_deg, 3, ['E', 'W']));
    let (knots, kmh) = (fix.speed_m_s / M_S_PER_KNOT, fix.speed_m_s * 3.6);
    let mut out = sentence(&format!("GNRMC,{time},A,{place},{knots:.3},{:.2},{date},,,A", fix.course_deg));
    let gga = format!("GNGGA,{time},{place},1,{:02},0.8,{:.1},M,54.0,M,,", fix.satellites, fix.alt_m);
    out.push_str(&sentence(&gga));
    let mut vtg = String::new();
    // Writing to a string cannot fail.
    let _ = write!(vtg, "GNVTG,{:.2},T,,M,{knots:.3},N,{kmh:.3},K,A", fix.course_deg);
    out.push_str(&sentence(&vtg));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Classic tutorial examples of RMC, GGA and VTG with their checksums (from memory, recomputed).
    #[test]
    fn checksums_are_those_of_the_classic_examples() {
        let rows = [
            ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
            ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
            ("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", 0x48),
        ];
        for (body, expected) in rows {
            assert_eq!(checksum(body), expected, "{body}");
        }
    }

    /// 15.688543149° N is 15° 41.31258893′ by the format dd + mm/60 (checked against an open ship record).
    #[test]
    fn angles_are_degrees_and_minutes() {
        assert_eq!(angle(15.688_543_149, 2, ['N', 'S']), "1541.31259,N");
        assert_eq!(angle(-5.2, 3, ['E', 'W']), "00512.00000,W");
        assert_eq!(angle(59.999_999_999_9, 2, ['N', 'S']), "6000.00000,N");
    }

    #[test]
    fn a_receiver_without_fix_says_so() {
        let at = Timestamp::parse("2026-10-05T09:10:00.2Z", 0).expect("a time");
        let text = sentences(at, None);
        assert!(text.starts_with("$GNRMC,091000.20,V,,,,,,,051026,,,N*"), "{text}");
        assert_eq!(text.matches("\r\n").count(), 3);
    }
}

//! What the sentences RMC, GGA and VTG of NMEA 0183 say.
//!
//! Structure, time, date, position and fix quality come from the `nmea` crate. It keeps speed and altitude as
//! 32-bit floats, which would turn the 10.17 kn of a sentence into 10.170000076 kn, so those two are read here
//! from the same fields.

use chrono::{NaiveDate, NaiveTime};
use nmea::sentences::{FixType, rmc::RmcStatusOfFix};
use tallywheel_schemas::units::M_S_PER_KNOT;

/// A sentence that carries a position, a speed or a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sentence {
    /// Recommended minimum: time, date, position, speed.
    Rmc(Rmc),
    /// Fix data: time, position, altitude, quality.
    Gga(Gga),
    /// Speed over ground, m/s; `None` without a fix.
    Vtg(Option<f64>),
}

/// What an RMC sentence says. Without a valid fix only time and date may be there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rmc {
    /// The receiver vouches for the fix.
    pub valid: bool,
    /// Time of the fix, UTC.
    pub time: Option<NaiveTime>,
    /// Date of the fix, UTC.
    pub date: Option<NaiveDate>,
    /// Latitude and longitude, degrees, WGS 84.
    pub position: Option<(f64, f64)>,
    /// Speed over ground, m/s.
    pub speed_m_s: Option<f64>,
}

/// What a GGA sentence says. Without a fix only time and quality may be there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gga {
    /// Time of the fix, UTC.
    pub time: Option<NaiveTime>,
    /// Fix quality, 0 = no fix.
    pub quality: Option<u8>,
    /// Latitude and longitude, degrees, WGS 84.
    pub position: Option<(f64, f64)>,
    /// Altitude above mean sea level, m.
    pub altitude_m: Option<f64>,
}

/// Reads a sentence without its line end. `None` for a type that is not understood, or an RMC, GGA or VTG that is
/// not formed as it should be; see [`blank`].
pub fn parse(text: &str) -> Option<Sentence> {
    let sentence = nmea::parse_nmea_sentence(text).ok()?;
    let fields: Vec<&str> = sentence.data.split(',').collect();
    match sentence.message_id {
        nmea::SentenceType::RMC => {
            let rmc = nmea::sentences::rmc::parse_rmc(sentence).ok()?;
            let valid = rmc.status_of_fix != RmcStatusOfFix::Invalid;
            let position = position(rmc.lat, rmc.lon).filter(|_| valid);
            let speed_m_s = number(&fields, 6).filter(|_| valid).map(|knots| knots * M_S_PER_KNOT);
            Some(Sentence::Rmc(Rmc { valid, time: rmc.fix_time, date: rmc.fix_date, position, speed_m_s }))
        }
        nmea::SentenceType::GGA => {
            let gga = nmea::sentences::gga::parse_gga(sentence).ok()?;
            let quality = gga.fix_type.map(quality);
            let fixed = quality.is_some_and(|q| q > 0);
            let position = position(gga.latitude, gga.longitude).filter(|_| fixed);
            let altitude_m = number(&fields, 8).filter(|_| fixed);
            Some(Sentence::Gga(Gga { time: gga.fix_time, quality, position, altitude_m }))
        }
        nmea::SentenceType::VTG => Some(Sentence::Vtg(vtg_speed(&fields))),
        _ => None,
    }
}

/// A sentence of a type that [`parse`] reads, with nothing in it: what one says that is not formed as it should be.
pub fn blank(text: &str) -> Option<Sentence> {
    match text.get(3..6)? {
        "RMC" => {
            let rmc = Rmc { valid: false, time: None, date: None, position: None, speed_m_s: None };
            Some(Sentence::Rmc(rmc))
        }
        "GGA" => Some(Sentence::Gga(Gga { time: None, quality: None, position: None, altitude_m: None })),
        "VTG" => Some(Sentence::Vtg(None)),
        _ => None,
    }
}

/// `x.x,T,x.x,M,x.x,N,x.x,K,m`: knots carry the finer resolution; km/h is the fallback. Mode N means no fix.
fn vtg_speed(fields: &[&str]) -> Option<f64> {
    if fields.get(8).is_some_and(|mode| *mode == "N") {
        return None;
    }
    let knots = number(fields, 4).filter(|_| fields.get(5) == Some(&"N")).map(|v| v * M_S_PER_KNOT);
    let km_h = number(fields, 6).filter(|_| fields.get(7) == Some(&"K")).map(|v| v / 3.6);
    knots.or(km_h)
}

/// The crate reads minutes with any exponent, and those of `5e308` are infinite.
fn position(lat: Option<f64>, lon: Option<f64>) -> Option<(f64, f64)> {
    lat.zip(lon).filter(|(lat, lon)| lat.is_finite() && lon.is_finite())
}

fn number(fields: &[&str], at: usize) -> Option<f64> {
    fields.get(at)?.parse().ok().filter(|v: &f64| v.is_finite())
}

const fn quality(fix: FixType) -> u8 {
    match fix {
        FixType::Invalid => 0,
        FixType::Gps => 1,
        FixType::DGps => 2,
        FixType::Pps => 3,
        FixType::Rtk => 4,
        FixType::FloatRtk => 5,
        FixType::Estimated => 6,
        FixType::Manual => 7,
        FixType::Simulation => 8,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: Option<f64>, expected: f64, tolerance: f64) {
        assert!(found.is_some_and(|f| (f - expected).abs() <= tolerance), "{found:?} is not {expected}");
    }

    /// Sentences of the NOAA ATOMIC 2020 ship GPS raw file (read). 1541.31258893 N is 15.688543149 degrees by the
    /// format's dd + mm/60; 10.17 kn is shown as 18.83 km/h by the VTG sentence itself.
    #[test]
    fn published_sentences_give_position_and_speed() {
        let rmc = "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B";
        let Some(Sentence::Rmc(rmc)) = parse(rmc) else { panic!("an RMC") };
        close(rmc.position.map(|p| p.0), 15.688_543_149, 1e-9);
        close(rmc.position.map(|p| p.1), -(51.0 + 30.512_041_25 / 60.0), 1e-12);
        assert_eq!(rmc.date, NaiveDate::from_ymd_opt(2020, 1, 14));
        assert_eq!(rmc.time, NaiveTime::from_hms_opt(19, 59, 59));
        let vtg = "$GPVTG,70.52,T,87.27,M,10.17,N,18.83,K,D*29";
        let Some(Sentence::Vtg(speed)) = parse(vtg) else { panic!("a VTG") };
        close(speed.map(|v| v * 3.6), 18.83, 0.005);
        close(speed, 10.17 * 1852.0 / 3600.0, 1e-12);
        let gga = "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E";
        let Some(Sentence::Gga(gga)) = parse(gga) else { panic!("a GGA") };
        assert_eq!((gga.quality, gga.altitude_m), (Some(2), Some(9.2)));
    }

    #[test]
    fn speed_and_altitude_keep_every_digit() {
        let Some(Sentence::Gga(gga)) = parse("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,1545.4321,M,46.9,M,,*47")
        else {
            panic!("a GGA")
        };
        assert_eq!(gga.altitude_m, Some(1545.4321));
    }

    /// Found by fuzzing.
    #[test]
    fn an_endless_exponent_is_no_position() {
        let text = "$GPGGA,195959.00,1541.31258893,N,05130.51204121e3085,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E";
        let Some(Sentence::Gga(gga)) = parse(text) else { panic!("a GGA") };
        assert_eq!((gga.position, gga.altitude_m), (None, Some(9.2)));
    }

    #[test]
    fn without_a_fix_only_time_and_quality_remain() {
        let Some(Sentence::Rmc(rmc)) = parse("$GPRMC,123519.20,V,4807.038,N,01131.000,E,0.0,,230326,,*00") else {
            panic!("an RMC")
        };
        assert_eq!((rmc.valid, rmc.position, rmc.speed_m_s), (false, None, None));
        assert!(rmc.time.is_some() && rmc.date.is_some());
        let Some(Sentence::Gga(gga)) = parse("$GPGGA,123519,,,,,0,00,,,M,,M,,*66") else { panic!("a GGA") };
        assert_eq!((gga.quality, gga.position, gga.altitude_m), (Some(0), None, None));
        assert_eq!(parse("$GPVTG,,,,,,,,,N*30"), Some(Sentence::Vtg(None)));
        assert_eq!(parse("$GPGLL,1541.31258893,N,05130.51204125,W,195959.00,A,D*7B"), None);
    }
}

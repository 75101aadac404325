//! The rig of a vehicle of the fleet: the demonstration's, with another name, other dates of calibration, and limits for
//! what a sound kit does on a long day.

use tallywheel_schemas::Timestamp;

use super::week::DAY_US;
use crate::scenario::RIG;

/// The rig's text for a vehicle, with its first calibration running out on a day, `YYYY-MM-DD`; the others run out two
/// months later.
pub(super) fn text(vehicle: &str, due: &str) -> String {
    let noon = Timestamp::parse(&format!("{due}T12:00:00Z"), 0).unwrap_or(Timestamp::from_us(0));
    let made = noon.plus_us(-305 * DAY_US).date();
    let mut text = RIG.replacen("vehicle = \"skerry-1\"", &format!("vehicle = \"{vehicle}\""), 1);
    for day in ["15", "18", "21", "22"] {
        text = text.replace(&format!("date = \"2026-09-{day}\""), &format!("date = \"{made}\""));
    }
    // The kit holds its windings at about 148 °C by giving less, and overshoots to 152 °C on the steepest climb; what is
    // hotter than that is not held.
    text = text.replacen("winding_limits_c = [120.0, 140.0, 155.0]", "winding_limits_c = [153.0, 155.0]", 1);
    text.replacen("certificate = \"SIW-26-0412\"", &format!("due = \"{due}\", certificate = \"SIW-26-0412\""), 1)
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Rig, TextFile};

    use super::*;

    #[test]
    fn the_rig_is_one_and_says_when_it_is_due() {
        let rig = Rig::parse(TextFile::new("rig.toml", text("skerry-7", "2026-08-01"))).expect("a rig");
        assert_eq!(rig.vehicle, "skerry-7");
        let calibrations: Vec<_> = rig.signals.iter().filter_map(|s| s.calibration.as_ref()).collect();
        let dues: Vec<_> = calibrations.iter().filter_map(|c| c.due.as_deref()).collect();
        assert_eq!(dues, ["2026-08-01"]);
        assert_eq!(rig.assist.winding_limits_c, [153.0, 155.0]);
        assert!(calibrations.iter().filter_map(|c| c.date.as_deref()).all(|d| d == "2025-09-30"));
    }
}

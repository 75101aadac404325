//! What came from the wall: charging sessions, and the electricity that a km of driving takes from the wall.

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Rig,
    report::{ChargingEfficiency, StatedEfficiency},
    rig::Calibration,
};

use crate::{columns, figure::fixed, ledger::SessionLedger, tally::Tally, uncertainty};

/// Efficiencies that a charger and a pack can have (common practice: 0.8 to 0.95; less in the cold and when balancing).
const PLAUSIBLE: std::ops::RangeInclusive<f64> = 0.3..=1.0;

/// Energy from the wall and into the pack in charging sessions.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Charging {
    /// From the wall, Wh.
    pub wall_wh: f64,
    /// Into the pack while the wall gives power, Wh.
    pub pack_in_wh: f64,
    /// Charge into the pack in the same time, Ah.
    pub pack_in_ah: f64,
    /// That time, s.
    pub seconds: f64,
}

impl Charging {
    /// Sums the bins in which the wall gives power.
    ///
    /// # Errors
    /// When a ledger's frame lacks its columns.
    pub fn of(ledgers: &[SessionLedger]) -> PolarsResult<Self> {
        let mut charging = Self::default();
        for ledger in ledgers {
            let values = |name| columns::floats(&ledger.bins, name);
            let pack = values("pack_in_wh")?.into_iter().zip(values("pack_in_ah")?);
            for (wall, (wh, ah)) in values("wall_wh")?.into_iter().zip(pack) {
                if let (Some(wall), Some(wh)) = (wall.filter(|w| *w > 0.0), wh) {
                    charging.wall_wh += wall;
                    charging.pack_in_wh += wh;
                    charging.pack_in_ah += ah.unwrap_or(0.0);
                    charging.seconds += ledger.findings.bin_s();
                }
            }
        }
        Ok(charging)
    }

    /// The same unless its efficiency cannot be true; then nothing, and why.
    pub(super) fn plausible(self) -> (Self, Option<String>) {
        match self.efficiency() {
            Some(e) if !PLAUSIBLE.contains(&e) => {
                let why = format!(
                    "the logged charging puts {} % of the wall's energy into the pack, which no charger does: a meter or its \
                     calibration is wrong, and the sessions are not used",
                    fixed(e * 100.0, 0)
                );
                (Self::default(), Some(why))
            }
            _ => (self, None),
        }
    }

    /// Energy into the pack over energy from the wall (definition; an example of 5.00 kWh from 5.65 kWh is
    /// 0.885). `None` where nothing was charged.
    pub fn efficiency(&self) -> Option<f64> {
        (self.wall_wh > 0.0 && self.pack_in_wh > 0.0).then(|| self.pack_in_wh / self.wall_wh)
    }

    /// Energy from the wall for each ampere hour put into the pack, Wh/Ah. `None` where nothing was charged.
    pub fn wall_wh_per_ah(&self) -> Option<f64> {
        (self.wall_wh > 0.0 && self.pack_in_ah > 0.0).then(|| self.wall_wh / self.pack_in_ah)
    }
}

/// Source of a measured efficiency.
const MEASURED: &str = "measured";

/// Percentage points beyond which a stated efficiency is another than the one used, where the difference has no
/// uncertainty.
const APART_POINTS: f64 = 5.0;

/// Measured charging comes first, then what the campaign states, then the rig.
pub(super) fn efficiency(charging: &Charging, stated: Option<f64>, rig: Option<&Rig>) -> Option<ChargingEfficiency> {
    let of_rig = rig.and_then(|r| r.pack.charging_efficiency);
    let all = [(charging.efficiency(), MEASURED), (stated, "campaign"), (of_rig, "rig")];
    let mut known = all.into_iter().filter_map(|(value, source)| Some((value?, source)));
    let (value, source) = known.next()?;
    let reason = match source {
        MEASURED => "measured in the logged charging sessions, which come before what is stated",
        "campaign" => "the campaign states it, and no charging that can be used was logged",
        _ => "the rig states it; the campaign states none, and no charging that can be used was logged",
    };
    Some(ChargingEfficiency {
        value,
        source: source.to_owned(),
        reason: reason.to_owned(),
        relative_standard_uncertainty: rig.filter(|_| source == MEASURED).and_then(|r| of_efficiency(r, charging)),
        not_used: known.map(|(value, source)| StatedEfficiency { value, source: source.to_owned() }).collect(),
    })
}

/// A caution where a stated efficiency is another than the one used: by more than the expanded uncertainty (k = 2) of a
/// measured one, else by more than [`APART_POINTS`].
pub(super) fn contradicted(efficiency: &ChargingEfficiency) -> Option<String> {
    let expanded = efficiency.relative_standard_uncertainty.map(|u| 2.0 * u * efficiency.value * 100.0);
    let apart = |e: &StatedEfficiency| (e.value - efficiency.value).abs() * 100.0;
    let others = efficiency.not_used.iter().filter(|e| apart(e) > expanded.unwrap_or(APART_POINTS) + 1e-9);
    let each: Vec<String> = others
        .map(|e| format!("{} that the {} states is {} points off it", fixed(e.value, 3), e.source, fixed(apart(e), 1)))
        .collect();
    let allowed = match expanded {
        Some(points) => format!("the uncertainty of {} points (k = 2)", fixed(points, 1)),
        None => format!("{} points", fixed(APART_POINTS, 0)),
    };
    (!each.is_empty()).then(|| {
        format!(
            "the charging efficiency used is {} ({}); {}, more than {allowed}",
            fixed(efficiency.value, 3),
            efficiency.reason,
            each.join(", ")
        )
    })
}

/// Relative standard uncertainty of a measured efficiency, pack energy over wall energy. `None` where one of the three
/// sensors has no calibration that states an uncertainty.
fn of_efficiency(rig: &Rig, charging: &Charging) -> Option<f64> {
    let relative = |channel, mean: f64| {
        let c = rig.signal(channel, None)?.calibration.as_ref()?;
        let stated = c.relative_uncertainty > 0.0 || c.absolute_uncertainty > 0.0;
        (stated && mean > 0.0).then(|| c.relative_uncertainty.hypot(c.absolute_uncertainty / mean))
    };
    let hours = charging.seconds / 3600.0;
    let voltage = relative("pack.voltage_v", charging.pack_in_wh / charging.pack_in_ah)?;
    let current = relative("pack.current_a", charging.pack_in_ah / hours)?;
    Some(voltage.hypot(current).hypot(relative("pack.wall_power_w", charging.wall_wh / hours)?))
}

/// Electricity from the wall per km.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Wall {
    /// Wh/km.
    pub(super) per_km_wh: f64,
    /// Relative standard uncertainty from calibrations.
    pub(super) relative_uncertainty: f64,
    /// How it was worked out.
    pub(super) basis: String,
}

/// Electricity from the wall for what some driving took out of the pack, or why it cannot be said.
///
/// Where charging was logged, the *charge* that the driving took has to be put back: `q / s · W / Q`, with the net
/// charge `q` over the distance `s` and the wall's energy `W` for the charge `Q`. That includes what the pack itself
/// turns to heat on the way in and out, which the ratio of energies at its terminals leaves out. It takes the pack to
/// give back as many ampere hours as it took, which lithium cells do within a hundredth (common practice). Without
/// logged charging the net energy is divided by a stated efficiency, and the pack's own loss is missing.
pub(super) fn wall(
    driving: &Tally,
    charging: &Charging,
    efficiency: Option<&ChargingEfficiency>,
    rig: Option<&Rig>,
) -> Result<Wall, String> {
    let km = driving.distance_km();
    let net_wh = driving.net_wh().filter(|_| km > 0.0).ok_or("the pack's energy was not recorded")?;
    let net_ah = driving.pack_out_ah.zip(driving.pack_in_ah).map(|(out, into)| out - into);
    if let (Some(wh_per_ah), Some(ah)) = (charging.wall_wh_per_ah(), net_ah) {
        return Ok(Wall {
            per_km_wh: (ah / km * wh_per_ah).max(0.0),
            relative_uncertainty: rig.map_or(0.0, |r| returned_charge(r, driving, ah, charging)),
            basis: "energy from the wall for each ampere hour put back in the logged charging sessions".to_owned(),
        });
    }
    let efficiency = efficiency.ok_or("charging was not logged, and neither campaign nor rig states its efficiency")?;
    Ok(Wall {
        per_km_wh: (net_wh / km / efficiency.value).max(0.0),
        relative_uncertainty: rig.map_or(0.0, |r| uncertainty::pack_energy(r, driving)),
        basis: match efficiency.source.as_str() {
            MEASURED => format!(
                "net energy over the charging efficiency of {} that the logged charging sessions had; what the pack itself \
                 loses is not in it",
                fixed(efficiency.value, 3)
            ),
            source => format!(
                "net energy over the charging efficiency of {} that the {source} states; what the pack itself loses is not \
                 in it",
                efficiency.value
            ),
        },
    })
}

/// Relative standard uncertainty of a meter of wall power that nobody calibrated (common practice).
const UNCALIBRATED_METER: f64 = 0.02;

/// Relative standard uncertainty of wall energy from returned charge. The gain of the current sensor is the same out
/// and in and cancels; its zero shifts one up and the other down and does not; the wall's meter stays whole.
fn returned_charge(rig: &Rig, driving: &Tally, net_ah: f64, charging: &Charging) -> f64 {
    let calibration = |channel| rig.signal(channel, None).and_then(|s| s.calibration.as_ref());
    let hours = |ah: f64, s: f64| if ah.abs() > 0.0 { s / 3600.0 / ah.abs() } else { 0.0 };
    let zero_a = calibration("pack.current_a").map_or(0.0, |c: &Calibration| c.absolute_uncertainty);
    let zero = zero_a * (hours(net_ah, driving.pack_valid_s) + hours(charging.pack_in_ah, charging.seconds));
    // Without a calibration the wall's meter is taken as the budget takes it.
    let meter = calibration("pack.wall_power_w").map_or(UNCALIBRATED_METER, |c: &Calibration| {
        let mean_w = charging.wall_wh * 3600.0 / charging.seconds.max(1.0);
        c.relative_uncertainty.hypot(if mean_w > 0.0 { c.absolute_uncertainty / mean_w } else { 0.0 })
    });
    zero.hypot(meter)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    fn driving() -> Tally {
        Tally {
            distance_m: Some(100_000.0),
            pack_out_wh: Some(15_000.0),
            pack_in_wh: Some(1000.0),
            pack_out_ah: Some(160.0),
            pack_in_ah: Some(10.0),
            ..Tally::default()
        }
    }

    /// 5.00 kWh in the pack from 5.65 kWh of the wall, and 20 from 25 (a charger help page).
    #[test]
    fn charging_efficiency_is_pack_over_wall() {
        let e = |pack, wall| Charging { wall_wh: wall, pack_in_wh: pack, ..Charging::default() }.efficiency();
        close(e(5000.0, 5650.0).expect("charged"), 0.884_956, 1e-6);
        close(e(20.0, 25.0).expect("charged"), 0.8, 0.0);
        assert_eq!((Charging::default().efficiency(), Charging::default().wall_wh_per_ah()), (None, None));
    }

    /// A pack that is charged at 102 V and discharged at 93.3 V loses 8.5 % between its own terminals: 150 Ah over
    /// 100 km, put back at 120 Wh of the wall each, are 180 Wh/km, where energy over efficiency gives 164.7.
    #[test]
    fn charge_taken_has_to_be_put_back() {
        let charging = Charging { wall_wh: 6000.0, pack_in_wh: 5100.0, pack_in_ah: 50.0, seconds: 10_000.0 };
        let efficiency = efficiency(&charging, Some(0.9), None).expect("measured");
        assert_eq!(efficiency.source, "measured");
        close(efficiency.value, 0.85, 1e-12);
        let wall = wall(&driving(), &charging, Some(&efficiency), None).expect("known");
        close(wall.per_km_wh, 180.0, 1e-9);
    }

    #[test]
    fn a_pack_cannot_take_more_than_the_wall_gave() {
        let charged = |pack| Charging { wall_wh: 5000.0, pack_in_wh: pack, ..Charging::default() };
        assert_eq!(charged(4500.0).plausible(), (charged(4500.0), None));
        let (left, said) = charged(6500.0).plausible();
        assert_eq!(left, Charging::default());
        assert!(said.expect("more out than in").contains("puts 130 % of the wall's energy into the pack"));
        // Wall and energy without charge: what was measured is said to be measured.
        let charging = charged(4000.0);
        let efficiency = efficiency(&charging, Some(0.9), None).expect("measured");
        let known = wall(&driving(), &charging, Some(&efficiency), None).expect("known");
        close(known.per_km_wh, 175.0, 1e-9);
        assert!(known.basis.contains("0.800 that the logged charging sessions had"), "{}", known.basis);
    }

    /// 0.85 measured with 1 %, 1 % and 2 % in quadrature are ± 4.2 points: 0.9 is off it, 0.88 is not; without calibrations
    /// it takes more than 5 points.
    #[test]
    fn a_stated_efficiency_is_not_passed_over_in_silence() {
        let charging = Charging { wall_wh: 6000.0, pack_in_wh: 5100.0, pack_in_ah: 50.0, seconds: 10_000.0 };
        let signals: String = [("pack.voltage_v", 0.01), ("pack.current_a", 0.01), ("pack.wall_power_w", 0.02)]
            .map(|(channel, u)| {
                format!(
                    "[[signal]]\nchannel = \"{channel}\"\nport = \"box\"\ncolumn = \"{channel}\"\n\
                     calibration = {{ relative_uncertainty = {u} }}\n"
                )
            })
            .concat();
        let rig = |signals: &str| {
            let text = format!(
                "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"box\"\nkind = \"text\"\n\
                 columns = [\"pack.voltage_v\", \"pack.current_a\", \"pack.wall_power_w\"]\n{signals}\
                 [pack]\ncharging_efficiency = 0.88\n"
            );
            Rig::parse(tallywheel_schemas::TextFile::new("rig.toml", text)).expect("a rig")
        };
        let found = efficiency(&charging, Some(0.9), Some(&rig(&signals))).expect("measured");
        close(found.relative_standard_uncertainty.expect("calibrated"), 0.06_f64.sqrt() / 10.0, 1e-12);
        let not_used: Vec<(f64, &str)> = found.not_used.iter().map(|e| (e.value, e.source.as_str())).collect();
        assert_eq!(not_used, [(0.9, "campaign"), (0.88, "rig")]);
        assert_eq!(
            contradicted(&found).expect("one is off"),
            "the charging efficiency used is 0.850 (measured in the logged charging sessions, which come before what is \
             stated); 0.900 that the campaign states is 5.0 points off it, more than the uncertainty of 4.2 points (k = 2)"
        );
        let bare = rig(&signals.replace("calibration = { relative_uncertainty = 0.02 }\n", ""));
        let of = |stated| contradicted(&efficiency(&charging, Some(stated), Some(&bare)).expect("measured"));
        assert_eq!(of(0.9), None);
        assert!(
            of(0.92)
                .expect("7 points")
                .ends_with("0.920 that the campaign states is 7.0 points off it, more than 5 points")
        );
        // Without charging the campaign's comes before the rig's.
        let stated = efficiency(&Charging::default(), Some(0.9), Some(&bare)).expect("stated");
        assert_eq!((stated.source.as_str(), stated.relative_standard_uncertainty), ("campaign", None));
        assert!(stated.reason.contains("no charging that can be used was logged"), "{}", stated.reason);
    }

    #[test]
    fn a_stated_efficiency_says_what_it_leaves_out() {
        let stated = efficiency(&Charging::default(), Some(0.8), None).expect("stated");
        let known = wall(&driving(), &Charging::default(), Some(&stated), None).expect("known");
        close(known.per_km_wh, 175.0, 1e-9);
        assert!(known.basis.contains("campaign states; what the pack itself loses"), "{}", known.basis);
        let reason = wall(&driving(), &Charging::default(), None, None).expect_err("not known");
        assert!(reason.starts_with("charging was not logged"), "{reason}");
        let reason = wall(&Tally::default(), &Charging::default(), Some(&stated), None).expect_err("not known");
        assert!(reason.contains("was not recorded"), "{reason}");
    }
}

//! The campaign of the Skerry Isles: which runs are driven when, by whom, in what weather.

use tallywheel_schemas::{Condition, RunSheet, Timestamp};

use crate::{
    assist::KitSwitch,
    drive::{Setup, Weather},
    driver::Temper,
    noise::{Noise, Purpose},
    route::Route,
    tale::Tale,
};

/// Name of the vehicle under test; the rig has the same.
pub const VEHICLE: &str = "skerry-1";
/// The workshop's claim, %.
pub const CLAIM_PERCENT: f64 = 45.0;
/// Text of the rig, which is also documentation.
pub const RIG: &str = include_str!("../rigs/skerry.toml");

/// Monday of the first week, 2026-10-05T00:00:00Z, µs.
const FIRST_DAY_US: i64 = 1_791_158_400_000_000;
const MINUTE_US: i64 = 60_000_000;
const DAY_US: i64 = 24 * 60 * MINUTE_US;

/// A campaign to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scenario {
    /// Everything random follows from this.
    pub seed: u64,
    /// What is true of the assisted runs.
    pub tale: Tale,
    /// Number of pairs.
    pub pairs: usize,
    /// Route.
    pub route: Route,
}

/// One run to simulate.
#[derive(Debug, Clone)]
pub struct RunPlan {
    /// Number in the order of driving, from 1.
    pub number: u64,
    /// Pair, from 1.
    pub pair: usize,
    /// Condition meant.
    pub condition: Condition,
    /// Start of the recording.
    pub start: Timestamp,
    /// Share of the fuel meter's pulses that arrive.
    pub meter_share: f64,
    /// What the simulation needs.
    pub setup: Setup,
    /// What the technician writes down.
    pub sheet: RunSheet,
}

impl Scenario {
    /// The runs in the order of driving. A pair is driven within an hour of one weekday; which condition comes
    /// first alternates (ABBA), so that a slow drift does not favour one of them.
    pub fn runs(&self) -> Vec<RunPlan> {
        (1..=self.pairs)
            .flat_map(|pair| {
                let order = if pair % 2 == 1 {
                    [Condition::Baseline, Condition::Assist]
                } else {
                    [Condition::Assist, Condition::Baseline]
                };
                [self.run(pair, 0, order[0]), self.run(pair, 1, order[1])]
            })
            .collect()
    }

    /// Names of the pairs, baseline then assist.
    pub fn pair_names(&self) -> Vec<(String, String)> {
        (1..=self.pairs)
            .map(|pair| (self.run_name(pair, Condition::Baseline), self.run_name(pair, Condition::Assist)))
            .collect()
    }

    fn run_name(&self, pair: usize, condition: Condition) -> String {
        format!("{}-{pair:02}-{}", self.route.name.replace(' ', "-"), condition.name())
    }

    fn run(&self, pair: usize, place: usize, condition: Condition) -> RunPlan {
        let number = ((pair - 1) * 2 + place + 1) as u64;
        let day = Day::draw(self.seed, pair);
        let mut noise = Noise::new(self.seed, Purpose::Driver, number);
        let setup = Setup {
            route: self.route,
            kit: match (condition, self.tale.assist_works()) {
                (Condition::Baseline, _) => KitSwitch::Off,
                (Condition::Assist, true) => KitSwitch::On,
                (Condition::Assist, false) => KitSwitch::Dead,
            },
            kit_share: self.tale.kit_share(),
            rolling_factor: 1.0 + noise.bounded(0.015),
            extra_load_w: noise.uniform(-60.0, 60.0),
            payload_kg: day.payload_kg,
            temper: Temper::draw(&mut noise),
            weather: Weather {
                ambient_c: day.ambient_c + noise.bounded(0.4),
                wind_m_s: (day.wind_m_s + noise.bounded(0.4)).max(0.0),
                ..day.weather
            },
            soc: 0.93 + noise.uniform(-0.01, 0.01),
            coolant_c: 79.0 + noise.bounded(2.0),
            motor_c: day.ambient_c + 2.0,
            driver_noise: noise,
        };
        let setup = if condition == Condition::Assist { self.told(setup) } else { setup };
        RunPlan {
            number,
            pair,
            condition,
            start: start_of(pair, place),
            sheet: self.sheet(pair, condition, &setup),
            meter_share: if condition == Condition::Assist { self.tale.meter_share() } else { 1.0 },
            setup,
        }
    }

    /// An assisted run as the tale has it.
    fn told(&self, setup: Setup) -> Setup {
        let (briskness, haste) = self.tale.gentleness();
        let warmer_k = self.tale.warmer_k();
        Setup {
            temper: Temper {
                briskness: setup.temper.briskness * briskness,
                haste: setup.temper.haste * haste,
                ..setup.temper
            },
            weather: Weather { ambient_c: setup.weather.ambient_c + warmer_k, ..setup.weather },
            motor_c: setup.motor_c + warmer_k,
            rolling_factor: setup.rolling_factor * self.tale.rolling(),
            // The draw of the charge stays what it is beside the usual one.
            soc: setup.soc - 0.93 + self.tale.soc(),
            ..setup
        }
    }

    fn sheet(&self, pair: usize, condition: Condition, setup: &Setup) -> RunSheet {
        RunSheet {
            run: self.run_name(pair, condition),
            route: self.route.name.to_owned(),
            condition,
            driver: Some("E. T.".to_owned()),
            payload_kg: Some(setup.payload_kg),
            tyre_pressure_kpa: Some(290.0),
            ambient_c: None,
            wind_m_s: Some((setup.weather.wind_m_s * 10.0).round() / 10.0),
            fuel_mass_before_kg: None,
            fuel_mass_after_kg: None,
            remarks: Some("engine warm from one loop driven before".to_owned()),
        }
    }
}

/// What both runs of a pair share.
struct Day {
    ambient_c: f64,
    wind_m_s: f64,
    payload_kg: f64,
    weather: Weather,
}

impl Day {
    fn draw(seed: u64, pair: usize) -> Self {
        let mut noise = Noise::new(seed, Purpose::Day, pair as u64);
        let (ambient_c, wind_m_s) = (11.5 + noise.bounded(1.6), noise.uniform(1.5, 5.0));
        let weather = Weather {
            ambient_c,
            pressure_kpa: 101.3 + noise.bounded(0.8),
            wind_m_s,
            wind_from_deg: 240.0 + noise.bounded(30.0),
        };
        // Parcels are weighed in steps of 5 kg.
        let payload_kg = 5.0 * (40.0 + noise.bounded(3.0)).round();
        Self { ambient_c, wind_m_s, payload_kg, weather }
    }
}

/// Weekdays from the first Monday on; 09:10 for the first run of a pair, 09:55 for the second (UTC).
fn start_of(pair: usize, place: usize) -> Timestamp {
    let (week, weekday) = ((pair - 1) / 5, (pair - 1) % 5);
    let days = (week * 7 + weekday) as i64;
    let minutes = 9 * 60 + 10 + 45 * place as i64;
    Timestamp::from_us(FIRST_DAY_US + days * DAY_US + minutes * MINUTE_US)
}

/// Start of the charging session: the evening of the first day.
pub fn charging_start() -> Timestamp {
    Timestamp::from_us(FIRST_DAY_US + 17 * 60 * MINUTE_US)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{route::HARBOUR_LOOP, tale::Tale};

    #[test]
    fn pairs_alternate_on_weekdays() {
        let scenario = Scenario { seed: 1, tale: Tale::AsClaimed, pairs: 6, route: HARBOUR_LOOP };
        let runs = scenario.runs();
        let order: Vec<&str> = runs.iter().map(|r| r.condition.name()).collect();
        assert_eq!(order[..4], ["baseline", "assist", "assist", "baseline"]);
        assert_eq!(runs[0].start.to_string(), "2026-10-05T09:10:00Z");
        assert_eq!(runs[11].start.to_string(), "2026-10-12T09:55:00Z");
        assert_eq!(runs[0].sheet.run, "harbour-loop-01-baseline");
        assert_eq!(scenario.pair_names()[5].1, "harbour-loop-06-assist");
    }

    #[test]
    fn runs_of_a_pair_share_payload_and_nearly_the_weather() {
        let runs = Scenario { seed: 9, tale: Tale::AsClaimed, pairs: 4, route: HARBOUR_LOOP }.runs();
        for pair in runs.chunks(2) {
            assert_eq!(pair[0].setup.payload_kg, pair[1].setup.payload_kg);
            assert!((pair[0].setup.weather.ambient_c - pair[1].setup.weather.ambient_c).abs() < 2.0);
        }
    }
}

//! Detection and false alarms of the weekly roll-up over simulated fleets.
//!
//! Three questions, each over whole fleets and week by week, as whoever runs a fleet would: how often a sound fleet has
//! an alarm, how soon a planted fault is found, and whether a van that is given a hillier round passes for a fault. A
//! finding counts from the first week in which the vehicle is on the list for anything but being unseen.

use std::{
    collections::{BTreeMap, BTreeSet},
    io::{self, Write as _},
    process::ExitCode,
    sync::Mutex,
};

use clap::Parser;
use serde::Serialize;
use tallywheel_analyze::rollup::{
    Engine, EngineError, Limits, Parameters, Period, RollUp,
    attention::{self, FALSE_DISCOVERY_RATE, Horizon, Kind},
    roll_up,
};
use tallywheel_sample_logs::fleet::{Fault, FleetPlan, Library, Planted, tables, vehicle_name, week};
use tallywheel_schemas::Table;

/// Holds the roll-up's list of what needs attention against simulated fleets whose faults are known.
///
/// The last line of stdout is a JSON object. Exit codes: 0 every fault is found and sound fleets are as quiet as stated;
/// 1 not so; 2 wrong usage.
#[derive(Debug, Clone, Parser)]
#[command(name = "fleet-detection", version)]
pub struct Args {
    /// A minute in place of many: fewer fleets and weeks.
    #[arg(long)]
    quick: bool,
    /// Vehicles of a fleet.
    #[arg(long, default_value_t = 50)]
    vehicles: usize,
    /// Weeks in which a sound fleet is rolled up.
    #[arg(long, default_value_t = 200)]
    sound_weeks: usize,
    /// Fleets with every fault planted once.
    #[arg(long, default_value_t = 20)]
    fleets: usize,
    /// Seed of the fleets.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Weeks of history before the first roll-up.
const HISTORY: usize = 16;
/// Weeks with a fault in which it may be found.
const WATCHED: usize = 10;

/// What was seen.
#[derive(Debug, Clone, Default, Serialize)]
struct Tally {
    vehicles: usize,
    /// Roll-ups of sound fleets.
    sound_weeks: usize,
    /// Those with a vehicle listed for a test.
    sound_weeks_with_test_alarm: usize,
    /// Those with a vehicle listed for a rule.
    sound_weeks_with_rule_alarm: usize,
    /// Vehicles listed in sound fleets, over all weeks.
    sound_alarms: usize,
    /// Tests in sound fleets by quantity and horizon: how many, and how many of them findings or below a p-value.
    sound_tests: BTreeMap<String, TestTally>,
    /// Roll-ups of fleets with faults.
    faulty_weeks: usize,
    /// Findings of tests in fleets with faults, and those among them on sound vehicles.
    test_findings: usize,
    false_test_findings: usize,
    /// By fault.
    faults: BTreeMap<String, FaultTally>,
    /// Vehicles on a hillier round, and those listed in the watched weeks.
    rerouted: usize,
    rerouted_listed: usize,
    /// What they were listed for first.
    rerouted_checks: BTreeMap<String, usize>,
}

#[derive(Debug, Clone, Copy, Default, Serialize)]
struct TestTally {
    tests: usize,
    below_1e2: usize,
    below_1e3: usize,
    below_1e4: usize,
    findings: usize,
}

#[derive(Debug, Clone, Default, Serialize)]
struct FaultTally {
    planted: usize,
    found: usize,
    /// Weeks from the first with the fault to the first on the list, of those found; 0 in the same week.
    delays: Vec<usize>,
    /// First on the list by a rule.
    by_rule: usize,
}

/// Runs the program.
pub fn main() -> ExitCode {
    let args = Args::parse();
    let (sound_weeks, fleets) = if args.quick { (10, 2) } else { (args.sound_weeks, args.fleets) };
    let library = Library::drive(args.seed, if args.quick { 3 } else { 8 });
    let done = sound(&args, &library, sound_weeks).and_then(|mut tally| {
        for fleet in 0..fleets {
            faulty(&args, &library, fleet as u64, &mut tally)?;
        }
        Ok(tally)
    });
    match done {
        Ok(tally) => {
            let mut out = io::stdout().lock();
            let json = serde_json::to_string(&tally).expect("only string keys");
            // A reader that has gone away is no error.
            let _ = writeln!(out, "{}\n{json}", tally.table());
            ExitCode::from(u8::from(!tally.holds()))
        }
        Err(error) => {
            say(&format!("fleet-detection: {error}"));
            ExitCode::from(2)
        }
    }
}

fn say(line: &str) {
    let _ = writeln!(io::stderr(), "{line}");
}

/// A fleet's tables in an engine.
fn engine(plan: &FleetPlan, library: &Library) -> Result<Engine, EngineError> {
    let engine = Mutex::new(Engine::new()?);
    tables::each_vehicle(plan, library, |weeks| {
        let mut engine = engine.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        weeks.iter().try_for_each(|w| {
            engine.add(Table::Days, &w.vehicle, &w.days)?;
            engine.add(Table::SpeedClasses, &w.vehicle, &w.classes)
        })
    })?;
    Ok(engine.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner))
}

fn rolled(engine: &mut Engine, at: usize) -> Result<RollUp, EngineError> {
    let period = Period::week(&week::name(at)).expect("the fleet's weeks are ISO weeks");
    roll_up(engine, &period, &Parameters::default(), &Limits::default())
}

/// A sound fleet, week after week. It is made in stretches, so that memory does not grow with the weeks.
fn sound(args: &Args, library: &Library, weeks: usize) -> Result<Tally, EngineError> {
    let mut tally = Tally { vehicles: args.vehicles, ..Tally::default() };
    let stretch = 25;
    for (number, begin) in (0..weeks).step_by(stretch).enumerate() {
        let count = stretch.min(weeks - begin);
        let plan = FleetPlan::healthy(args.vehicles, HISTORY + count, args.seed + 1000 + number as u64);
        let mut engine = engine(&plan, library)?;
        for at in HISTORY..HISTORY + count {
            let rolled = rolled(&mut engine, at)?;
            let listed = listed(&rolled);
            tally.sound_weeks += 1;
            tally.add_tests(&rolled);
            tally.sound_alarms += listed.len();
            tally.sound_weeks_with_test_alarm += usize::from(listed.values().any(|k| k.contains(&false)));
            tally.sound_weeks_with_rule_alarm += usize::from(listed.values().any(|k| k.contains(&true)));
        }
        say(&format!("sound fleets: {} weeks, {} alarms", tally.sound_weeks, tally.sound_alarms));
    }
    Ok(tally)
}

/// Vehicles on the list for anything but being unseen: whether by a rule (true), a test (false), or both.
fn listed(rolled: &RollUp) -> BTreeMap<String, BTreeSet<bool>> {
    let mut found: BTreeMap<String, BTreeSet<bool>> = BTreeMap::new();
    for attention in &rolled.found.attention {
        for finding in attention.findings.iter().filter(|f| f.check != "not seen") {
            found.entry(attention.vehicle.clone()).or_default().insert(finding.kind == Kind::Rule);
        }
    }
    found
}

/// A fleet with every fault once and a van on a hillier round, each from the first watched week on.
fn faulty(args: &Args, library: &Library, number: u64, tally: &mut Tally) -> Result<(), EngineError> {
    let faults: Vec<Fault> = Fault::ALL.into_iter().chain([Fault::Rerouted]).collect();
    let spread = args.vehicles / faults.len();
    let planted: Vec<Planted> = faults
        .iter()
        .enumerate()
        .map(|(i, fault)| Planted { vehicle: i * spread, fault: *fault, from_week: HISTORY })
        .collect();
    let plan = FleetPlan {
        planted: planted.clone(),
        ..FleetPlan::healthy(args.vehicles, HISTORY + WATCHED, args.seed + 5000 + number)
    };
    let mut engine = engine(&plan, library)?;
    let mut first: BTreeMap<String, (usize, bool)> = BTreeMap::new();
    let mut checks: BTreeMap<String, String> = BTreeMap::new();
    let names: BTreeSet<String> = planted.iter().map(|p| vehicle_name(p.vehicle)).collect();
    for weeks in 0..WATCHED {
        let rolled = rolled(&mut engine, HISTORY + weeks)?;
        for (vehicle, kinds) in listed(&rolled) {
            first.entry(vehicle).or_insert((weeks, kinds.contains(&true)));
        }
        for attention in &rolled.found.attention {
            if let Some(finding) = attention.findings.first() {
                checks.entry(attention.vehicle.clone()).or_insert_with(|| finding.check.clone());
            }
            let tests = attention.findings.iter().filter(|f| f.kind == Kind::Test).count();
            tally.test_findings += tests;
            tally.false_test_findings += if names.contains(&attention.vehicle) { 0 } else { tests };
        }
        tally.faulty_weeks += 1;
    }
    for p in planted {
        let found = first.get(&vehicle_name(p.vehicle));
        if p.fault == Fault::Rerouted {
            tally.rerouted += 1;
            tally.rerouted_listed += usize::from(found.is_some());
            if let Some(check) = checks.get(&vehicle_name(p.vehicle)) {
                *tally.rerouted_checks.entry(check.clone()).or_default() += 1;
            }
            continue;
        }
        let entry = tally.faults.entry(p.fault.name().to_owned()).or_default();
        entry.planted += 1;
        if let Some((weeks, by_rule)) = found {
            entry.found += 1;
            entry.delays.push(*weeks);
            entry.by_rule += usize::from(*by_rule);
        }
    }
    say(&format!("fleet {} with faults looked through", number + 1));
    Ok(())
}

impl Tally {
    fn add_tests(&mut self, rolled: &RollUp) {
        for test in attention::tests(&rolled.period, &rolled.days, &rolled.vehicles, &rolled.parameters) {
            let over = if test.horizon == Horizon::Sudden { "sudden" } else { "slow" };
            let entry = self.sound_tests.entry(format!("{}, {over}", test.quantity.name())).or_default();
            entry.tests += 1;
            entry.below_1e2 += usize::from(test.change.p < 1e-2);
            entry.below_1e3 += usize::from(test.change.p < 1e-3);
            entry.below_1e4 += usize::from(test.change.p < 1e-4);
            entry.findings += usize::from(test.finds());
        }
    }

    fn share(part: usize, whole: usize) -> f64 {
        part as f64 / whole.max(1) as f64
    }

    /// Chance of a test alarm in a sound fleet's week that could still be as low as stated: upper end of what so many
    /// weeks at the stated rate would show in 99 of 100 cases (normal approximation of the binomial).
    fn tolerated(&self) -> f64 {
        let n = self.sound_weeks as f64;
        n * FALSE_DISCOVERY_RATE + 2.33 * (n * FALSE_DISCOVERY_RATE * (1.0 - FALSE_DISCOVERY_RATE)).sqrt() + 0.5
    }

    fn holds(&self) -> bool {
        let quiet = self.sound_weeks_with_test_alarm as f64 <= self.tolerated();
        // Creeping faults and those that show only on some rounds may be missed once in ten times.
        quiet && self.faults.values().all(|f| f.found * 10 >= f.planted * 9)
    }

    fn table(&self) -> String {
        let mut lines = vec![
            format!("sound fleets of {} vehicles: {} weekly roll-ups", self.vehicles, self.sound_weeks),
            format!(
                "  with any alarm by a test: {} ({:.1} %; stated: at most {:.0} %)",
                self.sound_weeks_with_test_alarm,
                100.0 * Self::share(self.sound_weeks_with_test_alarm, self.sound_weeks),
                100.0 * FALSE_DISCOVERY_RATE
            ),
            format!("  with any alarm by a rule: {}", self.sound_weeks_with_rule_alarm),
            format!("  vehicles listed: {} of {} vehicle-weeks", self.sound_alarms, self.sound_weeks * self.vehicles),
            format!(
                "  {:<42} {:>7} {:>8} {:>8} {:>8} {:>8}",
                "tests in sound fleets, share with", "tests", "p<0.01", "p<1e-3", "p<1e-4", "findings"
            ),
            self.sound_tests.iter().map(TestTally::line).collect::<Vec<_>>().join("\n"),
            format!(
                "fleets with faults: {} weekly roll-ups; {} findings by tests, {} of them on sound vehicles ({:.1} %; stated: {:.0} % on average)",
                self.faulty_weeks,
                self.test_findings,
                self.false_test_findings,
                100.0 * Self::share(self.false_test_findings, self.test_findings),
                100.0 * FALSE_DISCOVERY_RATE
            ),
            format!(
                "  {:<22} {:>7} {:>6} {:>14} {:>13} {:>8}",
                "fault", "planted", "found", "median weeks", "longest", "by rule"
            ),
        ];
        for (name, f) in &self.faults {
            let mut delays = f.delays.clone();
            delays.sort_unstable();
            let median = delays.get(delays.len() / 2).map_or("–".to_owned(), ToString::to_string);
            let longest = delays.last().map_or("–".to_owned(), ToString::to_string);
            lines.push(format!(
                "  {name:<22} {:>7} {:>6} {median:>14} {longest:>13} {:>8}",
                f.planted, f.found, f.by_rule
            ));
        }
        lines.push(format!(
            "given a hillier round, no fault: {}, listed within {WATCHED} weeks: {}",
            self.rerouted, self.rerouted_listed
        ));
        lines.join("\n")
    }
}

impl TestTally {
    fn line((name, tally): (&String, &Self)) -> String {
        let percent = |count: usize| format!("{:.3} %", 100.0 * Tally::share(count, tally.tests));
        format!(
            "  {name:<42} {:>7} {:>8} {:>8} {:>8} {:>8}",
            tally.tests,
            percent(tally.below_1e2),
            percent(tally.below_1e3),
            percent(tally.below_1e4),
            tally.findings
        )
    }
}

//! Drawing campaigns of a cell and having them judged.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use tallywheel_analyze::{
    judgement::{Judge, Judgement, Systematic},
    observation::{ControlPass, Observation},
};
use tallywheel_schemas::{Campaign, Condition, TextFile, report::Decision};

use super::{Cell, Kind, Noise, Outcome};

/// Claim of every simulated campaign, %.
const CLAIM: f64 = 45.0;

/// How far below the claim "just below" is, in percentage points of mileage.
const JUST: f64 = 0.01;

/// How far below and above the other truths lie, in percentage points.
const FAR: f64 = 5.0;

/// Logarithm of the ratio of consumptions for an improvement of mileage.
fn log_ratio(percent: f64) -> f64 {
    (percent / 100.0).ln_1p()
}

/// Draws the campaigns of a cell. The draws of a cell depend on its name and the seed, not on the other cells.
pub(super) fn outcome(cell: &Cell, campaigns: u32, seed: u64) -> Outcome {
    let name = cell.name();
    let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x100_0000_01b3));
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ hash);
    let campaign = campaign(cell);
    let judge = Judge::of(&campaign);
    let mut outcome = Outcome::new(name, cell.counted(), cell.says_nothing());
    let truths = [CLAIM - FAR, CLAIM - JUST, CLAIM, CLAIM + FAR].map(log_ratio);
    for _ in 0..campaigns {
        let (noise, systematic) = (Draw::of(cell, &mut random), systematic(cell));
        let error = cell.differing * normal(&mut random);
        let common = cell.common * normal(&mut random);
        for (i, truth) in truths.into_iter().enumerate() {
            let observations = noise.observations(cell, truth + error, common);
            let judgement = judge.judge(&observations, &systematic, Vec::new());
            count(&mut outcome, i, &judgement, truth);
        }
    }
    outcome
}

fn count(outcome: &mut Outcome, at: usize, judgement: &Judgement, truth: f64) {
    outcome.decisions[at].count(judgement.verdict.decision);
    // Coverage is that of the campaign at the claim's edge: the interval that would be printed there.
    if at != 1 {
        return;
    }
    // With a plan it is the deciding look's interval that stands for the campaign.
    let looked = judgement.verdict.look.as_ref().filter(|l| l.planned && l.number > 0);
    let interval = if looked.is_some() { judgement.decision_interval } else { judgement.interval };
    match interval.filter(|_| judgement.verdict.decision != Decision::Withheld) {
        Some((low, high)) => outcome.interval(low <= truth && truth <= high),
        None => outcome.without += 1,
    }
}

fn systematic(cell: &Cell) -> Systematic {
    Systematic { relative_standard_uncertainty: cell.differing, ..Systematic::default() }
}

/// Unit of normal scatter, by Box and Muller.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (random.random(), random.random());
    (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

impl Noise {
    /// One draw with a standard deviation of 1 and a mean of 0.
    fn draw(self, random: &mut ChaCha8Rng) -> f64 {
        match self {
            Self::Lognormal => normal(random),
            // Variance of t(4) is 2.
            Self::StudentT4 => {
                let squares: f64 = (0..4).map(|_| normal(random).powi(2)).sum();
                normal(random) / (squares / 4.0).sqrt() / 2.0_f64.sqrt()
            }
            // 0.9·1 + 0.1·9 = 1.8.
            Self::Contaminated => {
                let scale = if random.random::<f64>() < 0.1 { 3.0 } else { 1.0 };
                scale * normal(random) / 1.8_f64.sqrt()
            }
            Self::Skewed => -(1.0 - random.random::<f64>()).ln() - 1.0,
        }
    }
}

/// One campaign's chance: everything but the effect.
struct Draw {
    runs: Vec<Drawn>,
}

struct Drawn {
    condition: Condition,
    unit: usize,
    place: f64,
    /// Log consumption without effect.
    log: f64,
    distance_m: f64,
    /// Departure of the block's effect from the mean.
    departure: f64,
    fitted: bool,
    covariate: Option<f64>,
    with_control: bool,
}

impl Draw {
    fn of(cell: &Cell, random: &mut ChaCha8Rng) -> Self {
        let mut runs = plan(cell, random);
        let last = runs.iter().map(|r| r.place).fold(1.0, f64::max);
        for run in &mut runs {
            let wider = match (cell.kind, run.condition) {
                (Kind::Unpaired(factor), Condition::Assist) => factor,
                _ => 1.0,
            };
            run.log += cell.spread * wider * cell.noise.draw(random) + cell.drift * run.place / last;
            // Distances differ by half a percent or so, as drives over one route do.
            run.distance_m = 9_400.0 * (1.0 + 0.005 * normal(random));
        }
        if cell.kind == Kind::Control {
            runs = until_three_in_band(cell, &runs, random);
        }
        if let Some(few) = cell.few {
            let mut assisted = 0;
            runs.retain(|run| {
                assisted += usize::from(run.condition == Condition::Assist);
                run.condition == Condition::Baseline || assisted <= few
            });
        }
        if cell.lost > 0.0 {
            runs.retain(|_| random.random::<f64>() >= cell.lost);
        }
        Self { runs }
    }

    fn observations(&self, cell: &Cell, effect: f64, common: f64) -> Vec<Observation> {
        self.runs
            .iter()
            .enumerate()
            .map(|(i, run)| {
                let gained =
                    if run.condition == Condition::Assist && run.fitted { effect + run.departure } else { 0.0 };
                let slope = match cell.kind {
                    Kind::PairedCovariate | Kind::UnpairedCovariate => -0.006,
                    _ => 0.0,
                };
                let log = run.log - gained + common + slope * run.covariate.unwrap_or(0.0);
                let fuel = log.exp() * 0.08 * run.distance_m;
                let mut o =
                    Observation::new(i.to_string(), run.condition, run.unit, fuel, run.distance_m).at(run.place);
                o.fitted = run.fitted;
                o.covariates.extend(run.covariate.map(|v| ("outside temperature".to_owned(), v)));
                if run.with_control {
                    let fuel_ml = 0.08 * run.distance_m;
                    o.control = Some(ControlPass { run: format!("c{i}"), fuel_ml, distance_m: run.distance_m });
                }
                o
            })
            .collect()
    }
}

/// The runs in the order of driving, without scatter.
fn plan(cell: &Cell, random: &mut ChaCha8Rng) -> Vec<Drawn> {
    let run = |condition, unit, place: usize| Drawn {
        condition,
        unit,
        place: place as f64,
        log: 0.0,
        distance_m: 0.0,
        departure: 0.0,
        fitted: true,
        covariate: None,
        with_control: cell.kind == Kind::Control,
    };
    // A B, B A, A B, … : every two pairs balance a straight drift.
    let abba = |i: usize| {
        if i.is_multiple_of(2) {
            [Condition::Baseline, Condition::Assist]
        } else {
            [Condition::Assist, Condition::Baseline]
        }
    };
    let mut runs = Vec::new();
    match cell.kind {
        Kind::Blocked(blocks, by) => {
            for block in 0..blocks {
                // Half-range about a mean of nothing, evenly spaced.
                let departure = by * (2.0 * block as f64 / (blocks - 1) as f64 - 1.0);
                let level = 0.1 * normal(random);
                for i in 0..cell.n {
                    for condition in abba(i) {
                        let place = runs.len();
                        runs.push(Drawn { log: level, departure, ..run(condition, block, place) });
                    }
                }
            }
        }
        Kind::BeforeAfter(others) => {
            for i in 0..cell.n + others {
                // What changed for every vehicle: a season.
                let season = if others > 0 { 0.05 } else { 0.0 };
                for (condition, log) in [(Condition::Baseline, 0.0), (Condition::Assist, season)] {
                    runs.push(Drawn { fitted: i < cell.n, log, ..run(condition, i, i) });
                }
            }
        }
        _ => {
            for i in 0..cell.n {
                let order = if cell.kind == Kind::PairedOneOrder { abba(0) } else { abba(i) };
                // A day of its own for each pair, which both its runs share.
                let day = 0.05 * normal(random);
                let day = if matches!(cell.kind, Kind::Paired | Kind::PairedOneOrder | Kind::PairedCovariate) {
                    day
                } else {
                    0.0
                };
                for condition in order {
                    let place = runs.len();
                    // Warmer by 2 K with assist: what an adjustment is for.
                    let warmer = if condition == Condition::Assist { 2.0 } else { 0.0 };
                    let adjusts = matches!(cell.kind, Kind::PairedCovariate | Kind::UnpairedCovariate);
                    let covariate = adjusts.then(|| 15.0 + warmer + 4.0 * normal(random));
                    runs.push(Drawn { covariate, log: day, ..run(condition, i, place) });
                }
            }
        }
    }
    runs
}

/// Passes repeated, as the procedure asks, until three ratios of each segment lie within 2 % of each other or twelve are
/// driven.
fn until_three_in_band(cell: &Cell, runs: &[Drawn], random: &mut ChaCha8Rng) -> Vec<Drawn> {
    let mut all = Vec::new();
    for condition in [Condition::Baseline, Condition::Assist] {
        let mut segment: Vec<Drawn> = Vec::new();
        let planned = runs.iter().filter(|r| r.condition == condition).map(|r| r.log).collect::<Vec<_>>();
        for i in 0..12 {
            let log = planned.get(i).copied().unwrap_or_else(|| cell.spread * cell.noise.draw(random));
            segment.push(Drawn {
                condition,
                unit: i,
                place: i as f64,
                log,
                distance_m: 64_000.0,
                departure: 0.0,
                fitted: true,
                covariate: None,
                with_control: true,
            });
            let ratios: Vec<f64> = segment.iter().map(|r| r.log.exp()).collect();
            if i >= 2 && in_band(&ratios) >= 3 {
                break;
            }
        }
        all.extend(segment);
    }
    all
}

/// Most ratios within 2 % of each other: counted by the simulated technician, with code of his own.
fn in_band(ratios: &[f64]) -> usize {
    ratios
        .iter()
        .map(|low| ratios.iter().filter(|r| **r >= *low && (**r - low) / **r <= 0.02).count())
        .max()
        .unwrap_or(0)
}

/// The campaign file of a cell.
fn campaign(cell: &Cell) -> Campaign {
    let names = |prefix: &str| (0..cell.n).map(|i| format!("\"{prefix}{i}\"")).collect::<Vec<_>>().join(", ");
    let each = |entry: &dyn Fn(usize) -> String| (0..cell.n).map(entry).collect::<String>();
    let adjust = match cell.kind {
        Kind::PairedCovariate | Kind::UnpairedCovariate => "adjust = [\"outside temperature\"]\n",
        _ => "",
    };
    let (design, runs) = match cell.kind {
        Kind::Paired | Kind::PairedOneOrder | Kind::PairedCovariate => {
            ("paired", each(&|i| format!("[[pair]]\nbaseline = \"b{i}\"\nassist = \"a{i}\"\n")))
        }
        Kind::Unpaired(_) | Kind::UnpairedCovariate => {
            ("unpaired", format!("baseline = [{}]\nassist = [{}]\n", names("b"), names("a")))
        }
        Kind::Blocked(blocks, _) => {
            let block = |b: usize| {
                let (baseline, assist) = (names(&format!("b{b}-")), names(&format!("a{b}-")));
                format!("[[block]]\nname = \"{b}\"\nbaseline = [{baseline}]\nassist = [{assist}]\n")
            };
            ("blocked", (0..blocks).map(block).collect())
        }
        Kind::Control => {
            let pass = |i: usize| {
                ["baseline", "assist"]
                    .map(|s| format!("[[together]]\nsegment = \"{s}\"\ntest = \"{s}{i}\"\ncontrol = \"c{s}{i}\"\n"))
            };
            ("control", format!("control_vehicle = \"skerry-9\"\n{}", each(&|i| pass(i).concat())))
        }
        Kind::BeforeAfter(others) => {
            let fitted = each(&|i| format!("[[in_service]]\nname = \"skerry-{i}\"\ninstalled = \"2026-04-01\"\n"));
            let rest = (0..others).map(|i| format!("[[in_service]]\nname = \"other-{i}\"\n")).collect::<String>();
            ("before_after", fitted + &rest)
        }
    };
    let plan = if cell.looks.is_empty() { String::new() } else { format!("[plan]\nlooks = {:?}\n", cell.looks) };
    let text = format!(
        "schema = 1\nname = \"simulated\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = {CLAIM:?}\n\
         design = \"{design}\"\n{adjust}{runs}{plan}"
    );
    Campaign::parse(&TextFile::new("simulated.toml", text)).expect("a cell is a good campaign")
}

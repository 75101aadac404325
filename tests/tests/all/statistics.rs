//! The statistics held against certified reference data and against scipy.

use std::{
    fs,
    io::Write as _,
    process::{Command, Stdio},
};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use tallywheel_analyze::{
    effect::{
        bootstrap::{Bootstrap, Draws, acceleration},
        estimate,
    },
    observation::Observation,
    stats::{Sample, f_exceeds, lag_one, mean_interval, pooled_interval, t_quantile, t_two_sided, welch_interval},
};
use tallywheel_schemas::{Campaign, Condition, TextFile};
use tallywheel_tests::{data, peer, python};

fn close(actual: f64, expected: f64, relative: f64, what: &str) {
    let tolerance = relative * expected.abs().max(1e-6);
    assert!((actual - expected).abs() <= tolerance, "{what}: {actual} is not {expected} within {tolerance}");
}

/// NIST StRD univariate sets: certified mean, standard deviation and lag-1 autocorrelation (as the GSL test program carries
/// them). Tolerances are the digits certified, less what a 64-bit number at the set's offset can hold.
#[test]
fn reference_sets_of_nist_are_reproduced() {
    let read = |name: &str| -> Vec<f64> {
        let text = fs::read_to_string(data().join("nist").join(format!("strd_{name}.txt"))).expect("the data set");
        text.lines().map(|l| l.trim().parse().expect("a number")).collect()
    };
    let saw = |middle: f64, low: f64, high: f64| -> Vec<f64> {
        std::iter::once(middle).chain((0..1_000).map(|i| if i % 2 == 0 { low } else { high })).collect()
    };
    let sets = [
        ("Mavro", read("mavro"), 2.001_856, 0.000_429_123_454_003_053, 0.937_989_183_438_248, 1e-11),
        ("Michelso", read("michelson"), 299.852_4, 0.079_010_547_819_051_8, 0.535_199_668_621_283, 1e-11),
        ("Lottery", read("lottery"), 518.958_715_596, 291.699_727_470_969, -0.120_948_622_967_393, 1e-12),
        ("Lew", read("lew"), -177.435, 277.332_168_044_316, -0.307_304_800_605_679, 1e-12),
        ("PiDigits", read("pidigits"), 4.534_8, 2.867_339_060_288_71, -0.003_550_992_872_379_72, 1e-10),
        ("NumAcc1", vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, -0.5, 1e-13),
        ("NumAcc2", saw(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-12),
        // Neighbouring 64-bit numbers are 1.2e-10 apart at a million and 1.9e-9 at ten million.
        ("NumAcc3", saw(1_000_000.2, 1_000_000.1, 1_000_000.3), 1_000_000.2, 0.1, -0.999, 1e-8),
        ("NumAcc4", saw(10_000_000.2, 10_000_000.1, 10_000_000.3), 10_000_000.2, 0.1, -0.999, 1e-7),
    ];
    for (name, values, mean, sd, lag, tolerance) in sets {
        let s = Sample::of(&values).expect("values");
        close(s.mean, mean, 1e-12, name);
        close(s.sd.expect("spread"), sd, tolerance, name);
        close(lag_one(&values).expect("spread"), lag, tolerance, name);
    }
}

/// Random samples of all sizes and shapes, the same each time.
fn random_cases() -> Vec<(Vec<f64>, Vec<f64>)> {
    let mut random = ChaCha8Rng::seed_from_u64(7_401);
    let mut sample = |n: usize, mean: f64, sd: f64| -> Vec<f64> {
        // A sum of three uniform numbers and a cube: neither normal nor symmetric.
        let one = |r: &mut ChaCha8Rng| {
            let u: f64 = r.random::<f64>() + r.random::<f64>() + r.random::<f64>() - 1.5;
            mean + sd * (u + 0.5 * u.powi(3))
        };
        (0..n).map(|_| one(&mut random)).collect()
    };
    [(2, 2), (2, 9), (3, 3), (5, 4), (8, 8), (12, 7), (20, 20), (40, 15)]
        .into_iter()
        .flat_map(|(n, m)| [(n, m, 1.0), (n, m, 4.0)])
        .map(|(n, m, wider)| (sample(n, 2.1, 0.03), sample(m, 1.7, 0.03 * wider)))
        .collect()
}

/// Runs of three blocks with a covariate, the same each time: log consumption, baseline, block, covariate.
fn random_runs() -> Vec<(f64, bool, usize, f64)> {
    let mut random = ChaCha8Rng::seed_from_u64(92);
    let mut runs = Vec::new();
    for block in 0..3 {
        for i in 0..9 {
            let (baseline, covariate) = (i % 2 == 0, 5.0 + 20.0 * random.random::<f64>());
            let noise = 0.06 * (random.random::<f64>() - 0.5);
            let effect = if baseline { 0.37 } else { 0.0 };
            runs.push((2.0 + 0.1 * block as f64 + effect - 0.006 * covariate + noise, baseline, block, covariate));
        }
    }
    runs
}

fn observations(runs: &[(f64, bool, usize, f64)]) -> Vec<Observation> {
    let observation = |(i, (log, baseline, block, covariate)): (usize, &(f64, bool, usize, f64))| {
        let condition = if *baseline { Condition::Baseline } else { Condition::Assist };
        let mut o = Observation::new(format!("r{i}"), condition, *block, log.exp() * 9_400.0, 9_400.0).at(i as f64);
        o.covariates.insert("outside temperature".to_owned(), *covariate);
        o
    };
    runs.iter().enumerate().map(observation).collect()
}

fn campaign(more: &str) -> Campaign {
    let text = format!(
        "schema = 1\nname = \"c\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n{more}"
    );
    Campaign::parse(&TextFile::new("c.toml", text)).expect("a good campaign")
}

fn scipy(question: &Value) -> Option<Value> {
    let mut child = Command::new(python()?)
        .arg(peer("scipy_statistics.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut stdin = child.stdin.take().expect("piped");
    stdin.write_all(question.to_string().as_bytes()).expect("python reads");
    drop(stdin);
    let output = child.wait_with_output().expect("python ends");
    assert!(output.status.success());
    Some(serde_json::from_slice(&output.stdout).expect("JSON"))
}

fn number(value: &Value, name: &str) -> f64 {
    value[name].as_f64().unwrap_or_else(|| panic!("{name} in {value}"))
}

/// Student's, the pooled and Welch's interval, probabilities and quantiles on random data.
#[test]
fn intervals_are_those_of_scipy() {
    let cases = random_cases();
    let quantiles: Vec<(f64, f64)> = [0.6, 0.95, 0.975, 0.9972, 0.9999]
        .into_iter()
        .flat_map(|p| [1.0, 1.7, 4.9, 30.0, 900.0].map(|df| (p, df)))
        .collect();
    let fs = [(0.3, 1.0, 4.0), (3.2, 2.0, 7.0), (9.6, 3.0, 24.0), (40.0, 1.0, 2.0)];
    let question = json!({"intervals": cases, "quantiles": quantiles, "fs": fs});
    let Some(answer) = scipy(&question) else { return };
    for ((x, y), peer) in cases.iter().zip(answer["intervals"].as_array().expect("cases")) {
        let (a, b) = (Sample::of(x).expect("values"), Sample::of(y).expect("values"));
        let one = mean_interval(&a, 0.95).expect("spread");
        close(one.low, number(peer, "one_low"), 1e-9, "one sample");
        close(one.high, number(peer, "one_high"), 1e-9, "one sample");
        let pooled = pooled_interval(&a, &b, 0.99).expect("spread");
        close(pooled.low, number(peer, "pooled_low"), 1e-8, "pooled");
        close(pooled.high, number(peer, "pooled_high"), 1e-8, "pooled");
        let welch = welch_interval(&a, &b, 0.95).expect("spread");
        close(welch.degrees_of_freedom, number(peer, "welch_df"), 1e-9, "Welch");
        close(welch.low, number(peer, "welch_low"), 1e-8, "Welch");
        close(welch.high, number(peer, "welch_high"), 1e-8, "Welch");
        let se = a.mean_variance().zip(b.mean_variance()).map(|(a, b)| (a + b).sqrt()).expect("spread");
        let p = t_two_sided(welch.value / se, welch.degrees_of_freedom).expect("df");
        close(p, number(peer, "welch_p"), 1e-6, "Welch's p");
    }
    for ((p, df), peer) in quantiles.iter().zip(answer["quantiles"].as_array().expect("quantiles")) {
        close(t_quantile(*p, *df).expect("df"), peer.as_f64().expect("a number"), 1e-8, "quantile");
    }
    for ((f, df1, df2), peer) in fs.iter().zip(answer["fs"].as_array().expect("probabilities")) {
        close(f_exceeds(*f, *df1, *df2).expect("df"), peer.as_f64().expect("a number"), 1e-8, "F");
    }
}

/// BCa of one and of two samples. Ends differ by the draws: within five of both programs' standard errors. Acceleration,
/// by a formula of the peer's own, is exact.
#[test]
fn bootstrap_is_scipys() {
    let cases: Vec<_> = random_cases().into_iter().filter(|(x, y)| x.len() >= 5 && y.len() >= 4).collect();
    let Some(answer) = scipy(&json!({"bootstraps": cases})) else { return };
    let peers = answer["bootstraps"].as_array().expect("cases");
    assert!(!peers.is_empty());
    for ((x, y), peer) in cases.iter().zip(peers) {
        for (name, draws) in [("one", Draws::One(x.clone())), ("two", Draws::Two(x.clone(), y.clone()))] {
            let peer = &peer[name];
            let own = Bootstrap::of(&draws, 11, 20_000).expect("spread");
            close(acceleration(&draws).expect("spread"), number(peer, "acceleration"), 1e-9, "acceleration");
            // Standard error of z₀ from 20,000 draws: √(p(1−p)/B)/φ(0) = 0.0089 near p = ½.
            assert!((own.correction.bias - number(peer, "bias")).abs() < 5.0 * 0.0089 * 1.5, "{name}: {peer}");
            let (low, high) = own.interval(0.95);
            let (error_low, error_high) = own.error_of_ends(0.95);
            let far = 5.0 * std::f64::consts::SQRT_2;
            // Few values have few different resamples: an end may lie on either side of a step between two of them.
            let step = 0.01 * (high - low);
            assert!((low - number(peer, "low")).abs() < far * error_low + step, "{name}: {low}, {peer}");
            assert!((high - number(peer, "high")).abs() < far * error_high + step, "{name}: {high}, {peer}");
        }
    }
}

/// Blocks with and without a covariate, and groups with one, by numpy's least squares on a design matrix of its own.
#[test]
fn blocks_and_covariates_are_numpys_least_squares() {
    let runs = random_runs();
    let Some(answer) = scipy(&json!({"models": runs})) else { return };
    let observations = observations(&runs);
    let names = |block: usize, baseline: bool| {
        let of = runs.iter().enumerate().filter(|(_, r)| r.2 == block && r.1 == baseline);
        of.map(|(i, _)| format!("\"r{i}\"")).collect::<Vec<_>>().join(", ")
    };
    let block =
        |b| format!("[[block]]\nname = \"{b}\"\nbaseline = [{}]\nassist = [{}]\n", names(b, true), names(b, false));
    let blocks: String = (0..3).map(block).collect();
    let all = |baseline| (0..3).map(|b| names(b, baseline)).collect::<Vec<_>>().join(", ");
    let groups = format!("baseline = [{}]\nassist = [{}]\n", all(true), all(false));
    let adjust = "adjust = [\"outside temperature\"]\n";
    for (name, text) in [
        ("blocked", format!("design = \"blocked\"\n{blocks}")),
        ("blocked_covariate", format!("design = \"blocked\"\n{adjust}{blocks}")),
        ("covariate", format!("design = \"unpaired\"\n{adjust}{groups}")),
    ] {
        let estimated = estimate(&campaign(&text), &observations);
        let (effect, peer) = (estimated.effect.expect("runs"), &answer["models"][name]);
        close(effect.log_ratio, number(peer, "effect"), 1e-9, name);
        close(effect.standard_error.expect("spread"), number(peer, "standard_error"), 1e-9, name);
        close(effect.degrees_of_freedom.expect("spread"), number(peer, "degrees_of_freedom"), 1e-12, name);
        let (low, high) = effect.interval(0.95).expect("spread");
        close(low, number(peer, "low"), 1e-8, name);
        close(high, number(peer, "high"), 1e-8, name);
        if let Some(slope) = estimated.parts.covariates.as_ref().map(|c| &c.slopes[0].percent_per_unit) {
            close(slope.estimate, 100.0 * number(peer, "slope").exp_m1(), 1e-8, name);
        }
        if name == "blocked" {
            let interaction = estimated.parts.interaction.expect("replicated");
            close(interaction.f, number(peer, "f"), 1e-8, "interaction");
            close(interaction.p, number(peer, "p"), 1e-8, "interaction");
        }
    }
}

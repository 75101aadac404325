//! What came out, as a table and as one line of JSON.

use serde::Serialize;
use tallywheel_schemas::report::Decision;

/// Limits of coverage.
const COVERAGE: (f64, f64) = (0.935, 0.965);

/// Share of campaigns with a true effect just below the claim in which the claim may be supported: half of the error that
/// a 95 % interval allows.
const ALLOWED: f64 = 0.025;

/// No cell may show more.
const NEVER_ABOVE: f64 = 0.03;

/// Decisions counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Decisions {
    supported: u32,
    not_supported: u32,
    undecided: u32,
    withheld: u32,
}

impl Decisions {
    pub(super) fn count(&mut self, decision: Decision) {
        match decision {
            Decision::Supported => self.supported += 1,
            Decision::NotSupported => self.not_supported += 1,
            Decision::Undecided => self.undecided += 1,
            Decision::Withheld => self.withheld += 1,
        }
    }

    fn campaigns(&self) -> u32 {
        self.supported + self.not_supported + self.undecided + self.withheld
    }
}

/// A cell's counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// The cell.
    pub name: String,
    /// Below, just below, at and above the claim.
    pub decisions: [Decisions; 4],
    /// Its rates count.
    pub counted: bool,
    /// It has too few runs for an interval: there may be none, and nothing supported.
    says_nothing: bool,
    covered: u32,
    intervals: u32,
    /// Campaigns without an interval.
    pub(super) without: u32,
}

impl Outcome {
    pub(super) fn new(name: String, counted: bool, says_nothing: bool) -> Self {
        let decisions = [Decisions::default(); 4];
        Self { name, counted, says_nothing, decisions, covered: 0, intervals: 0, without: 0 }
    }

    pub(super) fn interval(&mut self, covers: bool) {
        self.intervals += 1;
        self.covered += u32::from(covers);
    }

    /// Campaigns drawn.
    pub fn campaigns(&self) -> u32 {
        self.decisions[1].campaigns()
    }

    /// Share of the intervals that hold the truth.
    pub fn coverage(&self) -> f64 {
        share(self.covered, self.intervals)
    }

    /// Share of the campaigns with a true effect just below the claim in which it was supported.
    pub fn false_supported(&self) -> f64 {
        share(self.decisions[1].supported, self.campaigns())
    }

    /// Largest true rate of false support that such a count leaves likely: the one-sided 95 % bound of Clopper and
    /// Pearson.
    pub fn false_supported_at_most(&self) -> f64 {
        upper_bound(self.decisions[1].supported, self.campaigns(), 0.95)
    }

    /// Whether the count leaves open on which side of a limit a rate is.
    pub(super) fn is_near_a_limit(&self) -> bool {
        self.within(2.0) != self.within(-2.0)
    }

    /// Within the limits. `slack` widens them by so many standard errors of the count.
    pub fn within(&self, slack: f64) -> bool {
        if self.says_nothing {
            return self.intervals == 0 && self.decisions.iter().all(|d| d.supported + d.not_supported == 0);
        }
        let error = |p: f64, n: u32| slack * (p * (1.0 - p) / f64::from(n.max(1))).sqrt();
        let c = self.coverage();
        c >= COVERAGE.0 - error(COVERAGE.0, self.intervals)
            && c <= COVERAGE.1 + error(COVERAGE.1, self.intervals)
            && self.false_supported() <= NEVER_ABOVE + error(NEVER_ABOVE, self.campaigns())
    }
}

fn share(part: u32, whole: u32) -> f64 {
    if whole == 0 { f64::NAN } else { f64::from(part) / f64::from(whole) }
}

/// Upper bound of a binomial share: the `p` at which so few or fewer have the probability `1 − confidence`.
fn upper_bound(count: u32, n: u32, confidence: f64) -> f64 {
    let (mut low, mut high) = (share(count, n), 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if at_most(count, n, middle) > 1.0 - confidence { low = middle } else { high = middle }
    }
    high
}

/// Probability of at most `count` in `n`.
fn at_most(count: u32, n: u32, p: f64) -> f64 {
    let n = f64::from(n);
    // ln C(n, k)·p^k·(1−p)^(n−k), from one k to the next.
    let mut log = n * (1.0 - p).ln();
    let mut sum = log.exp();
    for k in 1..=count {
        let k = f64::from(k);
        log += ((n - k + 1.0) / k * p / (1.0 - p)).ln();
        sum += log.exp();
    }
    sum
}

/// The extremes over all cells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Summary {
    /// Least coverage.
    pub coverage_min: f64,
    /// Most coverage.
    pub coverage_max: f64,
    /// Most false support.
    pub false_supported_max: f64,
    /// Campaigns judged at each truth, all cells together.
    pub campaigns: u64,
    /// Every cell is within its limits.
    #[serde(skip)]
    pub within: bool,
}

impl Summary {
    pub(super) fn of(outcomes: &[Outcome], quick: bool) -> Self {
        let counted = || outcomes.iter().filter(|o| o.counted);
        let extreme = |of: fn(&Outcome) -> f64, pick: fn(f64, f64) -> f64| counted().map(of).fold(f64::NAN, pick);
        Self {
            coverage_min: extreme(Outcome::coverage, f64::min),
            coverage_max: extreme(Outcome::coverage, f64::max),
            false_supported_max: extreme(Outcome::false_supported, f64::max),
            campaigns: counted().map(|o| u64::from(o.campaigns())).sum(),
            within: counted().next().is_some() && counted().all(|o| o.within(if quick { 4.0 } else { 0.0 })),
        }
    }

    /// One line.
    pub fn json(&self) -> String {
        serde_json::to_string(self).expect("numbers and names only")
    }
}

/// The table. Decisions in % of campaigns: supported, not supported.
pub(super) fn text(outcomes: &[Outcome]) -> String {
    let width = outcomes.iter().map(|o| o.name.chars().count()).max().unwrap_or(4);
    let percent = |v: f64| if v.is_nan() { "-".to_owned() } else { format!("{:.2}", v * 100.0) };
    let of = |d: &Decisions| {
        format!(
            "{:>5.1}/{:<5.1}",
            share(d.supported, d.campaigns()) * 100.0,
            share(d.not_supported, d.campaigns()) * 100.0
        )
    };
    let mut out = format!(
        "{:<width$}  campaigns  coverage  false supported (95 % bound)  no interval  5 below      at claim     5 above\n",
        "cell"
    );
    for o in outcomes {
        let mark = match (o.counted, o.within(0.0)) {
            (false, _) => "*",
            (true, true) => " ",
            (true, false) => "!",
        };
        out.push_str(&format!(
            "{:<width$} {mark}{:>9}  {:>8}  {:>15} ({:>4})       {:>11}  {}  {}  {}\n",
            o.name,
            o.campaigns(),
            percent(o.coverage()),
            percent(o.false_supported()),
            percent(o.false_supported_at_most()),
            percent(share(o.without, o.campaigns())),
            of(&o.decisions[0]),
            of(&o.decisions[2]),
            of(&o.decisions[3]),
        ));
    }
    let beyond = outcomes.iter().filter(|o| o.counted && o.false_supported() > ALLOWED).count();
    out.push_str(&format!(
        "\n{} cells; supported/not supported in % of campaigns. Coverage is to be within {:.1} and {:.1} %; false supported, at a true \
         improvement {} points below the claim, is allowed {:.1} % and never above {:.1} % ({beyond} cells are beyond the former). \
         Cells marked * are shown and not counted; ! is outside the limits.\n",
        outcomes.len(),
        COVERAGE.0 * 100.0,
        COVERAGE.1 * 100.0,
        0.01,
        ALLOWED * 100.0,
        NEVER_ABOVE * 100.0,
    ));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clopper–Pearson bounds by scipy.stats.beta.ppf(0.95, k + 1, n − k): 250 of 10,000 and 0 of 100 (there 1 − 0.05^0.01).
    #[test]
    fn the_bound_is_clopper_and_pearsons() {
        assert!((upper_bound(250, 10_000, 0.95) - 0.027_725).abs() < 5e-5, "{}", upper_bound(250, 10_000, 0.95));
        assert!((upper_bound(0, 100, 0.95) - (1.0 - 0.05_f64.powf(0.01))).abs() < 1e-9);
    }

    #[test]
    fn a_cell_off_its_limits_is_seen() {
        let mut o = Outcome::new("c".to_owned(), true, false);
        (0..1_000).for_each(|i| o.interval(i >= 80));
        (0..1_000).for_each(|i| o.decisions[1].count(if i < 40 { Decision::Supported } else { Decision::Undecided }));
        assert!((o.coverage() - 0.92).abs() < 1e-12 && !o.within(0.0));
        assert!(!Summary::of(&[o], false).within);
        let mut silent = Outcome::new("two runs".to_owned(), true, true);
        assert!(silent.within(0.0));
        silent.interval(true);
        assert!(!silent.within(0.0), "an interval where there may be none");
        assert!(!Summary::of(&[], false).within);
    }
}

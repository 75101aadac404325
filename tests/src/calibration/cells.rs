//! The kinds of campaign that are drawn.

/// How log consumption scatters from run to run. All are scaled to the same standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noise {
    /// Normal logarithms: lognormal consumption.
    Lognormal,
    /// Student's t with four degrees of freedom: kurtosis without bound.
    StudentT4,
    /// Normal, with every tenth run from a distribution three times as wide.
    Contaminated,
    /// Exponential tail to one side: a bad run is never a good one. Shown and not counted: a critical value that brought
    /// three pairs of this to 96.5 % would take normal scatter, which has 95.0 %, below its confidence.
    Skewed,
}

/// Design and what belongs to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Pairs in ABBA order.
    Paired,
    /// Pairs, baseline first in all of them.
    PairedOneOrder,
    /// Two groups; the assisted runs spread by this factor more.
    Unpaired(f64),
    /// So many blocks of `n` runs in each condition, whose effects differ by this much (half-range) about their mean.
    Blocked(usize, f64),
    /// Test and control vehicle; a segment is driven until three ratios lie in the band.
    Control,
    /// Vehicles before and after, so many without a kit beside.
    BeforeAfter(usize),
    /// Pairs, adjusted for a covariate that differs inside them.
    PairedCovariate,
    /// Groups, adjusted for a covariate.
    UnpairedCovariate,
}

/// One kind of campaign.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Design.
    pub kind: Kind,
    /// Pairs, or runs in each condition.
    pub n: usize,
    /// Standard deviation of log consumption from run to run.
    pub spread: f64,
    /// Its distribution.
    pub noise: Noise,
    /// Change of log consumption from the first run to the last.
    pub drift: f64,
    /// Probability that a run is lost.
    pub lost: f64,
    /// Calibration error common to both conditions, standard deviation from campaign to campaign.
    pub common: f64,
    /// Calibration error of the ratio, standard deviation from campaign to campaign, stated to the judge.
    pub differing: f64,
    /// Planned looks.
    pub looks: Vec<u32>,
    /// Campaigns drawn.
    pub campaigns: u32,
    /// Assisted runs, where they are fewer than the others.
    pub few: Option<usize>,
    /// Drawn with `--quick` too.
    pub quick: bool,
}

impl Cell {
    const fn new(kind: Kind, n: usize, spread: f64, noise: Noise) -> Self {
        Self {
            kind,
            n,
            spread,
            noise,
            drift: 0.0,
            lost: 0.0,
            common: 0.0,
            differing: 0.0,
            looks: Vec::new(),
            // Three runs have rates nearest to the limits, and are drawn most often.
            campaigns: if n <= 3 { 60_000 } else { 20_000 },
            few: None,
            quick: false,
        }
    }

    /// Whether its rates count.
    pub fn counted(&self) -> bool {
        self.noise != Noise::Skewed
    }

    /// Whether it has too few runs for an interval, so that none is what is right.
    pub fn says_nothing(&self) -> bool {
        self.few.is_some_and(|few| few < 3)
    }

    /// The cell in a line of the table.
    pub fn name(&self) -> String {
        let kind = match self.kind {
            Kind::Paired => "paired".to_owned(),
            Kind::PairedOneOrder => "paired, one order".to_owned(),
            Kind::Unpaired(1.0) => "unpaired".to_owned(),
            Kind::Unpaired(factor) => format!("unpaired, assist ×{factor}"),
            Kind::Blocked(blocks, 0.0) => format!("{blocks} blocks"),
            Kind::Blocked(blocks, by) => format!("{blocks} blocks ±{} %", by * 100.0),
            Kind::Control => "control".to_owned(),
            Kind::BeforeAfter(0) => "before/after".to_owned(),
            Kind::BeforeAfter(others) => format!("before/after, {others} without"),
            Kind::PairedCovariate => "paired, covariate".to_owned(),
            Kind::UnpairedCovariate => "unpaired, covariate".to_owned(),
        };
        let noise = match self.noise {
            Noise::Lognormal => "lognormal",
            Noise::StudentT4 => "t(4)",
            Noise::Contaminated => "contaminated",
            Noise::Skewed => "skewed",
        };
        let mut more = String::new();
        for (name, value) in
            [("drift", self.drift), ("lost", self.lost), ("common", self.common), ("differing", self.differing)]
        {
            if value != 0.0 {
                more.push_str(&format!(", {name} {} %", (value * 1e5).round() / 1e3));
            }
        }
        if let Some(few) = self.few {
            more.push_str(&format!(", {few} assisted"));
        }
        if !self.looks.is_empty() {
            more.push_str(&format!(", looks {:?}", self.looks));
        }
        format!("{kind}, n {}, {noise} {} %{more}", self.n, self.spread * 100.0)
    }
}

const SIZES: [usize; 5] = [3, 5, 8, 12, 20];
const SPREADS: [f64; 3] = [0.01, 0.03, 0.08];

/// Every cell, in the order of the table.
pub fn cells() -> Vec<Cell> {
    let mut all = Vec::new();
    for noise in [Noise::Lognormal, Noise::StudentT4, Noise::Contaminated] {
        for n in SIZES {
            for spread in SPREADS {
                let quick = n == 5 && spread == 0.03 && noise != Noise::Contaminated;
                all.push(Cell { quick, ..Cell::new(Kind::Paired, n, spread, noise) });
            }
        }
    }
    for n in SIZES {
        all.push(Cell::new(Kind::Paired, n, 0.03, Noise::Skewed));
        all.push(Cell { quick: n == 8, ..Cell::new(Kind::PairedOneOrder, n, 0.03, Noise::Lognormal) });
    }
    all.extend(disturbed());
    all.extend(calibrated());
    all.extend(other_designs());
    all
}

/// Drift and lost runs.
fn disturbed() -> Vec<Cell> {
    let mut all = Vec::new();
    for n in SIZES {
        for (spread, drift) in [(0.01, 0.03), (0.03, 0.03), (0.08, 0.03), (0.03, 0.06)] {
            let quick = n == 5 && spread == 0.01;
            all.push(Cell { drift, quick, ..Cell::new(Kind::Paired, n, spread, Noise::Lognormal) });
        }
        for noise in [Noise::StudentT4, Noise::Contaminated] {
            all.push(Cell { drift: 0.03, ..Cell::new(Kind::Paired, n, 0.01, noise) });
            all.push(Cell { lost: 0.1, ..Cell::new(Kind::Paired, n, 0.03, noise) });
        }
        for lost in [0.1, 0.25] {
            all.push(Cell { lost, ..Cell::new(Kind::Paired, n, 0.03, Noise::Lognormal) });
        }
        all.push(Cell { lost: 0.1, drift: 0.03, ..Cell::new(Kind::Paired, n, 0.01, Noise::Lognormal) });
    }
    all
}

/// Calibration errors.
fn calibrated() -> Vec<Cell> {
    let mut all = Vec::new();
    for n in SIZES {
        all.push(Cell { common: 0.02, ..Cell::new(Kind::Paired, n, 0.03, Noise::Lognormal) });
        for differing in [0.003, 0.01, 0.03] {
            for spread in [0.01, 0.03] {
                let quick = n == 3 && differing == 0.01 && spread == 0.01;
                all.push(Cell { differing, quick, ..Cell::new(Kind::Paired, n, spread, Noise::Lognormal) });
            }
        }
        all.push(Cell { common: 0.02, differing: 0.01, ..Cell::new(Kind::Paired, n, 0.03, Noise::StudentT4) });
        all.push(Cell { differing: 0.01, ..Cell::new(Kind::Unpaired(1.0), n, 0.03, Noise::Lognormal) });
    }
    all
}

/// Groups, looks, blocks, control vehicle, daily service, covariates.
fn other_designs() -> Vec<Cell> {
    let mut all = Vec::new();
    for n in SIZES {
        for noise in [Noise::Lognormal, Noise::StudentT4, Noise::Contaminated] {
            all.push(Cell { quick: n == 8, ..Cell::new(Kind::Unpaired(1.0), n, 0.03, noise) });
        }
        all.push(Cell::new(Kind::Unpaired(2.0), n, 0.03, Noise::Lognormal));
        all.push(Cell { lost: 0.1, ..Cell::new(Kind::Unpaired(1.0), n, 0.03, Noise::Lognormal) });
    }
    for (n, few) in [(4, 2), (8, 2), (4, 3), (5, 3), (10, 3), (20, 3), (8, 4), (10, 5), (12, 8)] {
        for factor in [1.0, 2.0] {
            all.push(Cell { few: Some(few), ..Cell::new(Kind::Unpaired(factor), n, 0.03, Noise::Lognormal) });
        }
    }
    for (n, looks) in [(8, vec![4, 8]), (12, vec![4, 8, 12]), (20, vec![5, 10, 15, 20])] {
        all.push(Cell { looks: looks.clone(), quick: n == 8, ..Cell::new(Kind::Paired, n, 0.03, Noise::Lognormal) });
        all.push(Cell { looks: looks.clone(), ..Cell::new(Kind::Paired, n, 0.03, Noise::StudentT4) });
        all.push(Cell { looks: looks.clone(), drift: 0.03, ..Cell::new(Kind::Paired, n, 0.01, Noise::Lognormal) });
        all.push(Cell { looks: looks.clone(), differing: 0.01, ..Cell::new(Kind::Paired, n, 0.03, Noise::Lognormal) });
        all.push(Cell { looks, ..Cell::new(Kind::Unpaired(1.0), n, 0.03, Noise::Lognormal) });
    }
    for (blocks, n) in [(2, 3), (3, 2), (4, 3)] {
        for by in [0.0, 0.02] {
            all.push(Cell { quick: blocks == 3, ..Cell::new(Kind::Blocked(blocks, by), n, 0.03, Noise::Lognormal) });
        }
        all.push(Cell::new(Kind::Blocked(blocks, 0.0), n, 0.03, Noise::StudentT4));
    }
    for spread in [0.003, 0.005, 0.008, 0.01] {
        all.push(Cell { quick: spread == 0.008, ..Cell::new(Kind::Control, 3, spread, Noise::Lognormal) });
    }
    for n in [3, 5, 8] {
        all.push(Cell::new(Kind::BeforeAfter(0), n, 0.03, Noise::Lognormal));
        all.push(Cell::new(Kind::BeforeAfter(3), n, 0.03, Noise::Lognormal));
        all.push(Cell::new(Kind::BeforeAfter(1), n, 0.03, Noise::Lognormal));
    }
    for n in [5, 8, 12] {
        all.push(Cell { quick: n == 8, ..Cell::new(Kind::PairedCovariate, n, 0.03, Noise::Lognormal) });
        all.push(Cell::new(Kind::UnpairedCovariate, n, 0.03, Noise::Lognormal));
    }
    all
}

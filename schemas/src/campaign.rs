//! The campaign: which runs are compared, how they pair, and the claim that is checked.

mod account;
mod design;
mod person;
mod plan;
mod rules;

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

pub use account::{Account, Utility};
pub use design::{Block, Design, InService, Pair, Together};
pub use person::{FuelDecision, FuelMeasure, Override};
pub use plan::Plan;
pub use rules::{ADJUSTABLE, Rules};

use crate::{
    run_sheet::Condition,
    text_file::{TextFile, TextFileError},
};

/// Version of the campaign format.
///
/// 1: first version.
pub const CAMPAIGN_VERSION: u32 = 1;

/// A checked campaign.
#[derive(Debug, Clone, PartialEq)]
pub struct Campaign {
    /// Title of the report.
    pub name: String,
    /// Vehicle under test.
    pub vehicle: String,
    /// Route of the claim.
    pub route: String,
    /// The claim: improvement of mileage in percent, `(assist − baseline) / baseline` in distance per volume.
    pub claim_percent: f64,
    /// Design.
    pub design: Design,
    /// Confidence of the interval, 0.95 by default.
    pub confidence: f64,
    /// Pairs of run names, baseline then assist. Empty for an unpaired design.
    pub pairs: Vec<Pair>,
    /// Blocks of a blocked design.
    pub blocks: Vec<Block>,
    /// Passes of a design with a control vehicle, in the order of driving.
    pub together: Vec<Together>,
    /// Name of the control vehicle, in a design with one.
    pub control_vehicle: Option<String>,
    /// Vehicles of a before-and-after design.
    pub in_service: Vec<InService>,
    /// What was planned before the first run; without it one look at the end is taken for granted.
    pub plan: Option<Plan>,
    /// Covariates that consumption is adjusted for, by the name of their comparability row.
    pub adjust: Vec<String>,
    /// Which measure of fuel is believed, where a person had to decide.
    pub fuel_decision: Option<FuelDecision>,
    /// Baseline runs of the vehicle under test in order.
    pub baseline: Vec<String>,
    /// Assisted runs of the vehicle under test in order.
    pub assist: Vec<String>,
    /// What makes a run or the comparison unusable.
    pub rules: Rules,
    /// What a person decided against the rules.
    pub overrides: Vec<Override>,
    /// Prices and factors of the energy account.
    pub account: Account,
    /// The text it was read from.
    pub text: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CampaignText {
    schema: Spanned<u32>,
    name: String,
    vehicle: String,
    route: String,
    claim_percent: Spanned<f64>,
    design: Spanned<Design>,
    confidence: Option<Spanned<f64>>,
    #[serde(rename = "pair", default)]
    pairs: Vec<Spanned<Pair>>,
    #[serde(default)]
    baseline: Vec<String>,
    #[serde(default)]
    assist: Vec<String>,
    #[serde(rename = "block", default)]
    blocks: Vec<Block>,
    #[serde(default)]
    together: Vec<Together>,
    control_vehicle: Option<String>,
    #[serde(default)]
    in_service: Vec<InService>,
    plan: Option<Spanned<Plan>>,
    #[serde(default)]
    adjust: Vec<String>,
    fuel_decision: Option<Spanned<FuelDecision>>,
    #[serde(default)]
    rules: Rules,
    #[serde(rename = "override", default)]
    overrides: Vec<Spanned<Override>>,
    #[serde(default)]
    account: Account,
}

impl CampaignText {
    /// What is missing for the design, or belongs to another.
    fn misplaced(&self) -> Option<&'static str> {
        let lists = !self.baseline.is_empty() || !self.assist.is_empty();
        let others = |own: Design| {
            (own != Design::Paired && !self.pairs.is_empty())
                || (own != Design::Unpaired && lists)
                || (own != Design::Blocked && !self.blocks.is_empty())
                || (own != Design::Control && (!self.together.is_empty() || self.control_vehicle.is_some()))
                || (own != Design::BeforeAfter && !self.in_service.is_empty())
        };
        let design = *self.design.get_ref();
        let (misplaced, message) = match design {
            Design::Paired => (
                self.pairs.is_empty(),
                "a paired design lists its runs as [[pair]] with baseline and assist, and nowhere else",
            ),
            Design::Unpaired if others(design) => {
                (true, "an unpaired design lists its runs as baseline = […] and assist = […], and nowhere else")
            }
            Design::Unpaired => (
                self.baseline.is_empty() || self.assist.is_empty(),
                "an unpaired design lists at least one run as baseline = […] and one as assist = […]",
            ),
            Design::Blocked => (
                self.blocks.is_empty(),
                "a blocked design lists its runs as [[block]] with name, baseline and assist, and nowhere else",
            ),
            Design::Control => (
                self.together.is_empty() || self.control_vehicle.is_none(),
                "a design with a control vehicle names it as control_vehicle and lists its runs as [[together]] with \
                 segment, test and control, and nowhere else",
            ),
            Design::BeforeAfter => (
                !self.in_service.iter().any(|v| v.installed.is_some()),
                "a before-and-after design lists its vehicles as [[in_service]] with name and installed, and nowhere \
                 else; one at least has a day of installation",
            ),
        };
        (misplaced || others(design)).then_some(message)
    }

    /// Baseline and assisted runs of the vehicle under test.
    fn runs(&self) -> (Vec<String>, Vec<String>) {
        let segment = |condition| -> Vec<String> {
            self.together.iter().filter(|t| t.segment == condition).map(|t| t.test.clone()).collect()
        };
        match self.design.get_ref() {
            Design::Paired => {
                self.pairs.iter().map(|p| (p.get_ref().baseline.clone(), p.get_ref().assist.clone())).unzip()
            }
            Design::Unpaired => (self.baseline.clone(), self.assist.clone()),
            Design::Blocked => (
                self.blocks.iter().flat_map(|b| b.baseline.clone()).collect(),
                self.blocks.iter().flat_map(|b| b.assist.clone()).collect(),
            ),
            Design::Control => (segment(Condition::Baseline), segment(Condition::Assist)),
            Design::BeforeAfter => (Vec::new(), Vec::new()),
        }
    }
}

impl Campaign {
    /// Reads and checks a campaign file.
    ///
    /// # Errors
    /// As [`Campaign::parse`], or when the file cannot be read.
    pub fn read(path: &Path) -> Result<Self, TextFileError> {
        Self::parse(&TextFile::read(path)?)
    }

    /// Checks a campaign's text. Whether its runs exist is known only once a dataset is open.
    ///
    /// # Errors
    /// On an unknown or missing key, a run in two places, two blocks or vehicles of one name, a second override of a
    /// run, one of a run that is not in the campaign or without reason and name, or a number out of bounds, with line and column.
    pub fn parse(file: &TextFile) -> Result<Self, TextFileError> {
        let raw: CampaignText = file.parse()?;
        if *raw.schema.get_ref() != CAMPAIGN_VERSION {
            let message =
                format!("campaign format {} is not known; this release reads {CAMPAIGN_VERSION}", raw.schema.get_ref());
            return Err(file.error(raw.schema.span(), message));
        }
        if !(*raw.claim_percent.get_ref() > -100.0 && *raw.claim_percent.get_ref() <= 10_000.0) {
            return Err(file.error(raw.claim_percent.span(), "claim_percent is above -100 and at most 10000"));
        }
        let confidence = raw.confidence.as_ref().map_or(0.95, |c| *c.get_ref());
        if !(0.5..1.0).contains(&confidence) {
            let span = raw.confidence.map_or(0..0, |c| c.span());
            return Err(file.error(span, "confidence is at least 0.5 and below 1"));
        }
        let pairs: Vec<Pair> = raw.pairs.iter().map(|p| p.get_ref().clone()).collect();
        if let Some(message) = raw.misplaced() {
            return Err(file.error(raw.design.span(), message));
        }
        let (baseline, assist) = raw.runs();
        if let Some(plan) = &raw.plan
            && let Some(message) = plan.get_ref().mistake()
        {
            return Err(file.error(plan.span(), message));
        }
        if let Some(decision) = &raw.fuel_decision {
            let d = decision.get_ref();
            if [&d.reason, &d.by, &d.date].iter().any(|text| text.trim().is_empty()) {
                return Err(file.error(decision.span(), "a decision on fuel says reason, by and date"));
            }
        }
        let campaign = Self {
            name: raw.name,
            vehicle: raw.vehicle,
            route: raw.route,
            claim_percent: raw.claim_percent.into_inner(),
            design: raw.design.into_inner(),
            confidence,
            pairs,
            blocks: raw.blocks,
            together: raw.together,
            control_vehicle: raw.control_vehicle,
            in_service: raw.in_service,
            plan: raw.plan.map(Spanned::into_inner),
            adjust: raw.adjust,
            fuel_decision: raw.fuel_decision.map(Spanned::into_inner),
            baseline,
            assist,
            rules: raw.rules,
            overrides: raw.overrides.iter().map(|o| o.get_ref().clone()).collect(),
            account: raw.account,
            text: file.text.clone(),
        };
        campaign.check_runs(file)?;
        campaign.check_names(file)?;
        campaign.rules.check(file)?;
        campaign.account.check(file)?;
        if let Some(name) = campaign.adjust.iter().find(|n| !ADJUSTABLE.contains(&n.as_str())) {
            let at = file.text.find(&format!("\"{name}\"")).unwrap_or_default();
            return Err(file.error(at..at, crate::text_file::unknown_name("covariate", name, ADJUSTABLE)));
        }
        let mut overruled = std::collections::BTreeSet::new();
        for spanned in &raw.overrides {
            let o = spanned.get_ref();
            if !overruled.insert(o.run.as_str()) {
                let message = format!("run `{}` has an override already; leave the one that holds", o.run);
                return Err(file.error(spanned.span(), message));
            }
            // Sessions of vehicles in service are known only once a dataset is open.
            let known = campaign.design == Design::BeforeAfter
                || campaign.runs().chain(campaign.control_runs()).any(|r| r == o.run);
            if !known {
                let runs = campaign.runs().chain(campaign.control_runs());
                let message = crate::text_file::unknown_name("run", &o.run, runs);
                return Err(file.error(spanned.span(), message));
            }
            if o.reason.trim().is_empty() || o.by.trim().is_empty() || o.date.trim().is_empty() {
                return Err(file.error(spanned.span(), "an override says reason, by and date"));
            }
        }
        Ok(campaign)
    }

    fn check_runs(&self, file: &TextFile) -> Result<(), TextFileError> {
        let mut seen = std::collections::BTreeSet::new();
        for run in self.runs().chain(self.control_runs()) {
            if !seen.insert(run) {
                let at = file.text.rfind(&format!("\"{run}\"")).unwrap_or_default();
                return Err(file.error(at..at, format!("run `{run}` is listed twice")));
            }
        }
        Ok(())
    }

    /// Blocks are told apart by their names, vehicles in service by theirs: of two alike the second would be lost.
    fn check_names(&self, file: &TextFile) -> Result<(), TextFileError> {
        let blocks =
            self.blocks.iter().map(|b| ("block", b.name.as_str(), "give each its own name, or list its runs in one"));
        let vehicles =
            self.in_service.iter().map(|v| ("in_service", v.name.as_str(), "leave the one with the day that holds"));
        let mut seen = std::collections::BTreeSet::new();
        for (key, name, remedy) in blocks.chain(vehicles) {
            if !seen.insert((key, name)) {
                let at = file.text.rfind(&format!("\"{name}\"")).unwrap_or_default();
                return Err(file.error(at..at, format!("[[{key}]] `{name}` stands there twice; {remedy}")));
            }
        }
        Ok(())
    }

    /// Every run of the vehicle under test, baseline runs first.
    pub fn runs(&self) -> impl Iterator<Item = &str> {
        self.baseline.iter().chain(&self.assist).map(String::as_str)
    }

    /// Every run of the control vehicle, in the order of driving.
    pub fn control_runs(&self) -> impl Iterator<Item = &str> {
        self.together.iter().map(|t| t.control.as_str())
    }

    /// What one unit of the design is called, in the plural: it is what looks and further runs count.
    pub const fn unit(&self) -> &'static str {
        match self.design {
            Design::Paired => "pairs",
            Design::Unpaired | Design::Blocked => "runs in each condition",
            Design::Control => "runs in each segment",
            Design::BeforeAfter => "vehicles",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "schema = 1\nname = \"Harbour loop\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\n\
        claim_percent = 45.0\ndesign = \"paired\"\n[[pair]]\nbaseline = \"b1\"\nassist = \"a1\"\n";

    fn error(text: String) -> String {
        Campaign::parse(&TextFile::new("c.toml", text)).expect_err("a bad campaign").to_string()
    }

    #[test]
    fn a_paired_campaign_lists_its_runs() {
        let campaign = Campaign::parse(&TextFile::new("c.toml", GOOD)).expect("a good campaign");
        assert_eq!(campaign.runs().collect::<Vec<_>>(), ["b1", "a1"]);
        assert!((campaign.confidence - 0.95).abs() < 1e-12);
    }

    /// Of two words on one run the first would win silently.
    #[test]
    fn nothing_is_said_twice() {
        let o = |word: bool| {
            format!("[[override]]\nrun = \"a1\"\nuse = {word}\nreason = \"rain\"\nby = \"M.\"\ndate = \"2026-10-01\"\n")
        };
        let twice = error(format!("{GOOD}{}{}", o(true), o(false)));
        assert_eq!(twice, "c.toml:16:1: run `a1` has an override already; leave the one that holds");
        let head = GOOD.split("[[pair]]").next().expect("a head");
        let block = |run: &str| format!("[[block]]\nname = \"town\"\nbaseline = [\"b{run}\"]\nassist = [\"a{run}\"]\n");
        let blocks = error(format!("{}{}{}", head.replace("paired", "blocked"), block("1"), block("2")));
        assert!(
            blocks.starts_with("c.toml:12:8: [[block]] `town` stands there twice; give each its own name"),
            "{blocks}"
        );
        let vehicle = "[[in_service]]\nname = \"skerry-1\"\ninstalled = \"2026-06-03\"\n";
        let vehicles = error(format!("{}{vehicle}{vehicle}", head.replace("paired", "before_after")));
        assert!(vehicles.starts_with("c.toml:11:8: [[in_service]] `skerry-1` stands there twice"), "{vehicles}");
    }

    #[test]
    fn mistakes_are_placed() {
        assert!(error(GOOD.replace("\"a1\"", "\"b1\"")).contains("run `b1` is listed twice"));
        assert!(error(GOOD.replace("paired", "unpaired")).starts_with("c.toml:6:10: an unpaired design"));
        let o = "[[override]]\nrun = \"a9\"\nuse = false\nreason = \"rain\"\nby = \"M.\"\ndate = \"2026-10-01\"\n";
        assert!(
            error(format!("{GOOD}{o}")).contains("c.toml:10:1: unknown run `a9`; did you mean `a1`?"),
            "{}",
            error(format!("{GOOD}{o}"))
        );
        let adjusted = GOOD.replace("[[pair]]", "adjust = [\"wind\", \"payloads\"]\n[[pair]]");
        assert!(
            error(adjusted).contains("c.toml:7:19: unknown covariate `payloads`; did you mean `payload`?"),
            "the place of the name"
        );
        assert!(error(GOOD.replace("claim_percent = 45.0", "claim = 45.0")).contains("unknown field `claim`"));
        for (account, expected) in [
            ("utility = \"own\"", "c.toml:11:1: utility = \"own\" needs daily_km"),
            ("daily_km = [40.0, 0.0]", "c.toml:11:1: daily_km has 0; a day is above 0"),
            ("charging_efficiency = 1.2", "c.toml:11:1: charging_efficiency = 1.2 is outside 0.01 to 1"),
            ("grid_co2_g_per_kwh = nan", "c.toml:11:1: grid_co2_g_per_kwh = NaN is outside"),
            ("utility = \"j2842\"", "c.toml:11:11: unknown variant `j2842`"),
        ] {
            let error = error(format!("{GOOD}[account]\n{account}\n"));
            assert!(error.starts_with(expected), "{error}");
        }
    }
}

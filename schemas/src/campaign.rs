//! The campaign: which runs are compared, how they pair, and the claim that is checked.

use std::path::Path;

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::text_file::{TextFile, TextFileError};

/// Version of the campaign format.
///
/// 1: first version.
pub const CAMPAIGN_VERSION: u32 = 1;

/// How the runs are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Design {
    /// Each baseline run has an assisted partner driven close to it.
    Paired,
    /// Two groups of runs.
    Unpaired,
}

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
    /// Baseline runs in order.
    pub baseline: Vec<String>,
    /// Assisted runs in order.
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

/// One pair of runs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    /// Run with the assist off.
    pub baseline: String,
    /// Run with the assist on.
    pub assist: String,
}

/// A person's decision about a run, printed in the report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Override {
    /// Run concerned.
    pub run: String,
    /// Whether it is used.
    pub r#use: bool,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub by: String,
    /// Day of the decision, `YYYY-MM-DD`.
    pub date: String,
}

/// Limits of validity and comparability. The defaults are common practice of road testing, not a standard's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rules {
    /// Smallest share of a run in which distance and fuel must both have data.
    pub min_coverage: f64,
    /// Largest departure of a run's distance from the median of all runs, share.
    pub max_distance_deviation: f64,
    /// Largest departure of a run's satellite distance from the distance used, share.
    pub max_gps_deviation: f64,
    /// Largest difference between the conditions' mean outside temperatures, K.
    pub max_ambient_difference_k: f64,
    /// Largest difference between the conditions' mean payloads, kg.
    pub max_payload_difference_kg: f64,
    /// Largest difference between the conditions' mean speeds, share.
    pub max_speed_difference: f64,
    /// Largest difference between the conditions' mean wind, m/s.
    pub max_wind_difference_m_s: f64,
    /// Largest share of a baseline run's time in which a motor may drive.
    pub max_assist_share_baseline: f64,
    /// Smallest share of an assisted run's time in which a motor must drive.
    pub min_assist_share_assist: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            min_coverage: 0.98,
            max_distance_deviation: 0.03,
            max_gps_deviation: 0.05,
            max_ambient_difference_k: 5.0,
            max_payload_difference_kg: 50.0,
            max_speed_difference: 0.10,
            max_wind_difference_m_s: 3.0,
            max_assist_share_baseline: 0.01,
            min_assist_share_assist: 0.0,
        }
    }
}

/// Prices and factors of the energy account, all to be stated by the user; without them the account stays in
/// kWh and litres.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Account {
    /// Currency of the prices.
    pub currency: Option<String>,
    /// Price of a litre of fuel.
    pub fuel_price_per_l: Option<f64>,
    /// Price of a kWh from the wall.
    pub electricity_price_per_kwh: Option<f64>,
    /// CO₂ of a litre of fuel, g. EPA-420-F-11-041: 8,887 g per US gallon, 2,348 g per litre.
    pub fuel_co2_g_per_l: Option<f64>,
    /// CO₂ of a kWh from the wall, g.
    pub grid_co2_g_per_kwh: Option<f64>,
    /// Energy into the pack over energy from the wall, for campaigns in which charging is not logged.
    pub charging_efficiency: Option<f64>,
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
    #[serde(default)]
    rules: Rules,
    #[serde(rename = "override", default)]
    overrides: Vec<Spanned<Override>>,
    #[serde(default)]
    account: Account,
}

impl Rules {
    fn check(&self, file: &TextFile) -> Result<(), TextFileError> {
        let bounds = [
            ("min_coverage", self.min_coverage, 1.0),
            ("max_distance_deviation", self.max_distance_deviation, 1.0),
            ("max_gps_deviation", self.max_gps_deviation, 1.0),
            ("max_ambient_difference_k", self.max_ambient_difference_k, 100.0),
            ("max_payload_difference_kg", self.max_payload_difference_kg, 50_000.0),
            ("max_speed_difference", self.max_speed_difference, 1.0),
            ("max_wind_difference_m_s", self.max_wind_difference_m_s, 60.0),
            ("max_assist_share_baseline", self.max_assist_share_baseline, 1.0),
            ("min_assist_share_assist", self.min_assist_share_assist, 1.0),
        ];
        for (name, value, max) in bounds {
            if !(0.0..=max).contains(&value) {
                let at = file.text.find(name).unwrap_or_default();
                return Err(file.error(at..at, format!("{name} = {value} is outside 0 to {max}")));
            }
        }
        Ok(())
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
    /// On an unknown or missing key, a run in two places, an override of a run that is not in the campaign or
    /// without reason and name, or a number out of bounds, with line and column.
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
        let (baseline, assist) = match raw.design.get_ref() {
            Design::Paired if pairs.is_empty() || !raw.baseline.is_empty() || !raw.assist.is_empty() => {
                let message = "a paired design lists its runs as [[pair]] with baseline and assist, and nowhere else";
                return Err(file.error(raw.design.span(), message));
            }
            Design::Unpaired if !pairs.is_empty() => {
                let message = "an unpaired design lists its runs as baseline = […] and assist = […], without [[pair]]";
                return Err(file.error(raw.design.span(), message));
            }
            Design::Unpaired if raw.baseline.is_empty() || raw.assist.is_empty() => {
                let message = "an unpaired design lists at least one run as baseline = […] and one as assist = […]";
                return Err(file.error(raw.design.span(), message));
            }
            Design::Paired => pairs.iter().map(|p| (p.baseline.clone(), p.assist.clone())).unzip(),
            Design::Unpaired => (raw.baseline, raw.assist),
        };
        let campaign = Self {
            name: raw.name,
            vehicle: raw.vehicle,
            route: raw.route,
            claim_percent: raw.claim_percent.into_inner(),
            design: raw.design.into_inner(),
            confidence,
            pairs,
            baseline,
            assist,
            rules: raw.rules,
            overrides: raw.overrides.iter().map(|o| o.get_ref().clone()).collect(),
            account: raw.account,
            text: file.text.clone(),
        };
        campaign.check_runs(file)?;
        campaign.rules.check(file)?;
        for spanned in &raw.overrides {
            let o = spanned.get_ref();
            if campaign.runs().all(|r| r != o.run) {
                let message = crate::text_file::unknown_name("run", &o.run, campaign.runs());
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
        for run in self.runs() {
            if !seen.insert(run) {
                let at = file.text.rfind(&format!("\"{run}\"")).unwrap_or_default();
                return Err(file.error(at..at, format!("run `{run}` is listed twice")));
            }
        }
        Ok(())
    }

    /// Every run of the campaign, baseline runs first.
    pub fn runs(&self) -> impl Iterator<Item = &str> {
        self.baseline.iter().chain(&self.assist).map(String::as_str)
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
        assert!(error(GOOD.replace("claim_percent = 45.0", "claim = 45.0")).contains("unknown field `claim`"));
    }
}

//! The `plan` command: a new plan as files, or where a planned campaign stands.

use std::path::PathBuf;

use chrono::NaiveDate;
use clap::{Args as ClapArgs, ValueEnum};
use serde_json::json;
use tallywheel_schemas::{Campaign, campaign::Design};

use super::{Failure, Outcome, made, unusable};
use crate::{
    dataset::{Dataset, Filter},
    figure::{self, fixed, signed, stated},
    plan::{
        Draft, PlanStatus, Seen, SpreadUsed,
        draft::{DraftError, Request, slug, typical_spread, unit_name},
        files::{WriteError, files, write_new},
        sessions_so_far,
        size::Aim,
        status,
    },
    verdict::POWER,
};

/// Flags of `plan`.
#[derive(Debug, ClapArgs)]
pub(super) struct PlanArgs {
    /// Say where the campaign stands instead of planning a new one.
    #[arg(long, requires = "campaign", requires = "data")]
    status: bool,
    /// Campaign whose status is asked; or an earlier one, for the spread, vehicle, route and claim of the new plan.
    #[arg(long)]
    campaign: Option<PathBuf>,
    /// Dataset directory, with --campaign.
    #[arg(long, requires = "campaign")]
    data: Option<PathBuf>,
    /// Only sessions that start on or after this UTC day, YYYY-MM-DD.
    #[arg(long)]
    from: Option<NaiveDate>,
    /// Only sessions that start on or before this UTC day, YYYY-MM-DD.
    #[arg(long)]
    to: Option<NaiveDate>,
    /// Directory of the new plan: campaign.toml, plan.html and run-sheets/. No existing file is written over.
    #[arg(long, required_unless_present = "status", conflicts_with = "status")]
    out: Option<PathBuf>,
    /// Vehicle under test.
    #[arg(long)]
    vehicle: Option<String>,
    /// Unmodified vehicle that is driven together with it, for --design control.
    #[arg(long)]
    control_vehicle: Option<String>,
    /// Route.
    #[arg(long)]
    route: Option<String>,
    /// Title.
    #[arg(long)]
    name: Option<String>,
    /// Start of the runs' names; from the route unless given.
    #[arg(long)]
    prefix: Option<String>,
    /// Claimed improvement of mileage, %.
    #[arg(long, allow_negative_numbers = true)]
    claim: Option<f64>,
    /// Improvement that is expected, %; from the earlier campaign's runs unless given.
    #[arg(long, allow_negative_numbers = true)]
    expected: Option<f64>,
    /// Spread: standard deviation of the log ratios of pairs (of log consumption from run to run in other designs), as
    /// a share; from the earlier campaign's runs unless given, else a typical one.
    #[arg(long)]
    spread: Option<f64>,
    /// Confidence of the interval; 0.95 unless the earlier campaign has another.
    #[arg(long)]
    confidence: Option<f64>,
    /// Wanted probability of a decision.
    #[arg(long, default_value_t = POWER)]
    power: f64,
    /// Counts of pairs (runs per condition) on the way at which the result may be looked at, as in 4,8; the planned size
    /// is the last look.
    #[arg(long, value_delimiter = ',')]
    looks: Vec<u32>,
    /// Plan for this many instead, and say with what probability they decide.
    #[arg(long)]
    size: Option<u32>,
    /// How the runs are compared.
    #[arg(long, value_enum, default_value_t = DesignFlag::Paired)]
    design: DesignFlag,
    /// Seed of the order of driving.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How the result is printed.
    #[arg(long, value_enum, default_value_t = PlanFormat::Text)]
    format: PlanFormat,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum DesignFlag {
    Paired,
    Unpaired,
    Control,
}

impl From<DesignFlag> for Design {
    fn from(flag: DesignFlag) -> Self {
        match flag {
            DesignFlag::Paired => Self::Paired,
            DesignFlag::Unpaired => Self::Unpaired,
            DesignFlag::Control => Self::Control,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PlanFormat {
    Text,
    Json,
}

/// Why there is no plan.
#[derive(Debug, thiserror::Error)]
pub(super) enum PlanError {
    #[error(transparent)]
    Draft(#[from] DraftError),
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error("a new plan needs --{0}, or an earlier campaign that says it")]
    Missing(&'static str),
    #[error("--{option} is {value}; it is {bounds}")]
    OutOfBounds { option: &'static str, value: f64, bounds: &'static str },
    #[error("--looks are counts from 2 on, each larger than the one before")]
    Looks,
    #[error("--prefix (or the route) has no letter or digit to begin the runs' names with")]
    Prefix,
    #[error("--{0} has a line break or another control character")]
    Control(&'static str),
    #[error("run `{run}` is in this dataset already; give another --prefix")]
    NameTaken { run: String },
    #[error("the spread of the earlier campaign is that of a {was} design; give --spread for a {wanted} one")]
    OtherDesign { was: &'static str, wanted: &'static str },
}

/// Runs the command.
pub(super) fn plan(args: &PlanArgs) -> Result<Outcome, Failure> {
    let earlier = args.campaign.as_deref().map(Campaign::read).transpose()?;
    let (seen, names) = match (&earlier, &args.data) {
        (Some(campaign), Some(_)) => look_at(campaign, args)?,
        _ => (None, Vec::new()),
    };
    if let (true, Some(campaign), Some(seen)) = (args.status, &earlier, &seen) {
        let status = status(campaign, seen);
        let text = match args.format {
            PlanFormat::Text => status.text(),
            PlanFormat::Json => json_of(&status),
        };
        return Ok(Outcome { text, faults: status.excluded > 0 });
    }
    let request = request(args, earlier.as_ref(), seen.as_ref())?;
    let draft = Draft::new(request).map_err(PlanError::from)?;
    if let Some(run) = draft.runs.iter().find(|r| names.contains(&r.run)) {
        return Err(PlanError::NameTaken { run: run.run.clone() }.into());
    }
    let out = args.out.as_deref().ok_or(PlanError::Missing("out"))?;
    write_new(out, &files(&draft)).map_err(PlanError::from)?;
    let text = match args.format {
        PlanFormat::Text => text(&draft, out),
        PlanFormat::Json => json(&draft),
    };
    Ok(Outcome { text, faults: false })
}

fn json_of(status: &PlanStatus) -> String {
    serde_json::to_string_pretty(status).expect("a status has string keys only") + "\n"
}

/// What was driven of a campaign, and the names of all runs in the dataset.
fn look_at(campaign: &Campaign, args: &PlanArgs) -> Result<(Option<Seen>, Vec<String>), Failure> {
    let Some(data) = &args.data else { return Ok((None, Vec::new())) };
    let dataset = Dataset::open(data)?;
    let names = dataset
        .sessions(&Filter::default())
        .iter()
        .filter_map(|s| s.manifest.run.as_ref().map(|r| r.run.clone()))
        .collect();
    let filter = Filter { vehicles: vec![campaign.vehicle.clone()], from: args.from, to: args.to, ..Filter::default() };
    let unusable = unusable(&dataset, &filter);
    let sessions = sessions_so_far(campaign, &dataset.sessions(&filter))?;
    let ledgers = made(&dataset, &sessions)?;
    Ok((Some(Seen::of(campaign, &ledgers, &unusable)?), names))
}

/// The checked request.
fn request(args: &PlanArgs, earlier: Option<&Campaign>, seen: Option<&Seen>) -> Result<Request, PlanError> {
    let design = Design::from(args.design);
    let said = |flag: &Option<String>, of: fn(&Campaign) -> &String, name: &'static str| {
        let text = flag.clone().or_else(|| earlier.map(|c| of(c).clone())).ok_or(PlanError::Missing(name))?;
        if text.chars().any(char::is_control) { Err(PlanError::Control(name)) } else { Ok(text) }
    };
    let vehicle = said(&args.vehicle, |c| &c.vehicle, "vehicle")?;
    let route = said(&args.route, |c| &c.route, "route")?;
    let claim = args.claim.or_else(|| earlier.map(|c| c.claim_percent)).ok_or(PlanError::Missing("claim"))?;
    let from_runs = || seen.and_then(|s| s.log_ratio).map(|d| 100.0 * d.exp_m1());
    let expected = args.expected.or_else(from_runs).ok_or(PlanError::Missing("expected"))?;
    let aim = Aim {
        claim_percent: inside("claim", claim, -100.0, 10_000.0, "above -100 and at most 10000")?,
        expected_percent: inside("expected", expected, -100.0, 10_000.0, "above -100 and at most 10000")?,
        confidence: inside(
            "confidence",
            args.confidence.or_else(|| earlier.map(|c| c.confidence)).unwrap_or(0.95),
            0.499_999,
            0.999_999,
            "at least 0.5 and below 1",
        )?,
        power: inside("power", args.power, 0.0, 0.999, "above 0 and at most 0.999")?,
    };
    if !args.looks.windows(2).all(|w| w[0] < w[1]) || args.looks.first().is_some_and(|l| *l < 2) {
        return Err(PlanError::Looks);
    }
    if let Some(size) = args.size {
        inside("size", f64::from(size), 1.0, 10_000.0, "from 2 to 10000")?;
    }
    let prefix = slug(args.prefix.as_deref().unwrap_or(&route));
    if prefix.is_empty() {
        return Err(PlanError::Prefix);
    }
    Ok(Request {
        name: said(&args.name.clone().or_else(|| Some(format!("{vehicle} on the {route}"))), |c| &c.name, "name")?,
        vehicle,
        control_vehicle: args.control_vehicle.clone().filter(|_| design == Design::Control),
        route,
        design,
        prefix,
        aim,
        spread: spread(args, design, earlier, seen)?,
        interim: args.looks.clone(),
        size: args.size,
        seed: args.seed,
    })
}

fn spread(
    args: &PlanArgs,
    design: Design,
    earlier: Option<&Campaign>,
    seen: Option<&Seen>,
) -> Result<SpreadUsed, PlanError> {
    if let Some(sd) = args.spread {
        return Ok(SpreadUsed::Stated(inside("spread", sd, 0.0, 1.0, "above 0 and at most 1, a share")?));
    }
    let of_runs = seen.and_then(|s| Some((s.spread?, s.units)));
    match (of_runs, earlier) {
        (Some((sd, units)), Some(earlier)) if earlier.design == design => Ok(SpreadUsed::Seen { sd, units }),
        (Some(_), Some(earlier)) => Err(PlanError::OtherDesign { was: earlier.design.name(), wanted: design.name() }),
        _ => Ok(SpreadUsed::Typical(typical_spread(design))),
    }
}

fn inside(option: &'static str, value: f64, above: f64, at_most: f64, bounds: &'static str) -> Result<f64, PlanError> {
    if value > above && value <= at_most { Ok(value) } else { Err(PlanError::OutOfBounds { option, value, bounds }) }
}

fn text(draft: &Draft, out: &std::path::Path) -> String {
    let (r, size) = (&draft.request, &draft.size);
    let unit = unit_name(r.design);
    let cautious = draft.cautious.map_or_else(String::new, |n| {
        format!("\n  {n} if the true spread is at its upper 80 % limit: it was seen over few")
    });
    let looks: Vec<String> =
        size.looks.iter().zip(&size.confidences).map(|(n, c)| format!("{n} ({} %)", fixed(c * 100.0, 2))).collect();
    let order: String = draft.tested().map(|run| if run.condition.name() == "assist" { 'B' } else { 'A' }).collect();
    let blocks: Vec<&str> = (0..order.len()).step_by(4).map(|i| &order[i..order.len().min(i + 4)]).collect();
    format!(
        "{}\n\n{} {unit}, {} runs of {}\n  claim {} %, expected {} %, {} % confidence, {} % probability of a decision\n  \
         spread {}{cautious}\n  looks after {} {unit} (confidence of each interval)\n  order {} (A assist off, B assist on; \
         seed {})\n\nWritten: {}\n         {}\n         {}\n",
        r.name,
        size.planned,
        draft.tested().count(),
        r.vehicle,
        stated(r.aim.claim_percent),
        signed(r.aim.expected_percent, 1),
        figure::confidence(r.aim.confidence),
        fixed(size.power * 100.0, 0),
        r.spread.words(unit),
        looks.join(", "),
        blocks.join(" "),
        r.seed,
        out.join("campaign.toml").display(),
        out.join("plan.html").display(),
        out.join("run-sheets").display(),
    )
}

fn json(draft: &Draft) -> String {
    let (r, size) = (&draft.request, &draft.size);
    let runs: Vec<_> = draft
        .runs
        .iter()
        .map(|run| json!({ "place": run.place, "unit": run.unit, "condition": run.condition, "run": run.run, "control": run.control }))
        .collect();
    let value = json!({
        "name": r.name,
        "vehicle": r.vehicle,
        "control_vehicle": r.control_vehicle,
        "route": r.route,
        "design": r.design.name(),
        "claim_percent": r.aim.claim_percent,
        "expected_percent": r.aim.expected_percent,
        "confidence": r.aim.confidence,
        "spread": r.spread.sd(),
        "spread_basis": r.spread.words(unit_name(r.design)),
        "size": size,
        "cautious_size": draft.cautious,
        "seed": r.seed,
        "runs": runs,
    });
    serde_json::to_string_pretty(&value).expect("a plan has string keys only") + "\n"
}

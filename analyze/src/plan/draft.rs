//! A plan with names: its size, its runs in the order of driving, and what it was worked out from.

use tallywheel_schemas::{Condition, campaign::Design};

use super::{
    order,
    power::Comparing,
    size::{self, Aim, Size},
};
use crate::figure::fixed;

/// Spread that is planned with where none was seen, all common practice: 3 % for pairs of the same vehicle, driver and
/// route in public traffic (the demonstration's simulated pairs spread by 2 %), and 3 % from run to run where they do not
/// pair; 1.2 % for the ratio to a control vehicle, with which three ratios lie within 2 % of each other on average
/// (their range is 1.69 standard deviations), as the SAE road-test procedure for in-service fuel consumption asks
/// (from memory).
pub const fn typical_spread(design: Design) -> f64 {
    match design {
        Design::Control => 0.012,
        _ => 0.03,
    }
}

/// The spread that a plan rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SpreadUsed {
    /// Stated by whoever plans.
    Stated(f64),
    /// Seen in runs that were driven.
    Seen {
        /// Standard deviation.
        sd: f64,
        /// Pairs, or runs in the smaller condition.
        units: u32,
    },
    /// None was seen or stated: common practice.
    Typical(f64),
}

impl SpreadUsed {
    /// Standard deviation.
    pub const fn sd(self) -> f64 {
        match self {
            Self::Stated(sd) | Self::Seen { sd, .. } | Self::Typical(sd) => sd,
        }
    }

    /// Where it comes from, in words; `unit` is what the design counts.
    pub fn words(self, unit: &str) -> String {
        let percent = fixed(self.sd() * 100.0, 1);
        match self {
            Self::Stated(_) => format!("{percent} %, as stated"),
            Self::Seen { units, .. } => format!("{percent} %, seen over {units} {unit}"),
            Self::Typical(_) => format!("{percent} %, common practice: none was seen yet"),
        }
    }
}

/// What is asked of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// Title.
    pub name: String,
    /// Vehicle under test.
    pub vehicle: String,
    /// Control vehicle, for that design.
    pub control_vehicle: Option<String>,
    /// Route.
    pub route: String,
    /// Paired, unpaired or with a control vehicle.
    pub design: Design,
    /// Start of the runs' names.
    pub prefix: String,
    /// Claim, expectation, confidence and power.
    pub aim: Aim,
    /// Spread.
    pub spread: SpreadUsed,
    /// Looks on the way.
    pub interim: Vec<u32>,
    /// Size, where it is given and not worked out.
    pub size: Option<u32>,
    /// Seed of the order.
    pub seed: u64,
}

/// One run of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedRun {
    /// Place in the order of driving, from 1; a control vehicle's run shares that of the run it goes with.
    pub place: u32,
    /// Pair, or unit of one run in each condition, from 1.
    pub unit: u32,
    /// Assist on or off.
    pub condition: Condition,
    /// Name.
    pub run: String,
    /// It is the control vehicle's.
    pub control: bool,
}

/// A plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// What was asked.
    pub request: Request,
    /// Its size.
    pub size: Size,
    /// Size if the spread is at its upper 80 % limit, where it was seen in runs.
    pub cautious: Option<u32>,
    /// Every run in the order of driving.
    pub runs: Vec<PlannedRun>,
}

/// Why a plan cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DraftError {
    /// A design whose runs are not planned one by one.
    #[error("a {design} design is not planned run by run; plan a paired, unpaired or control design")]
    Design {
        /// The design's word.
        design: &'static str,
    },
    /// A control design without its vehicle.
    #[error("a design with a control vehicle needs its name: give --control-vehicle")]
    NoControlVehicle,
    /// A look that comes when every run is driven.
    #[error(
        "a look at {look} {unit} lies beyond the planned {planned}, which are the last look by themselves: leave it out of \
         --looks, or give --size {look} or more"
    )]
    LookBeyond {
        /// Look asked for.
        look: u32,
        /// Planned size.
        planned: u32,
        /// What is counted.
        unit: &'static str,
    },
    /// The expected improvement is the claim, or so near that nothing decides.
    #[error(
        "no number of {unit} up to {largest} decides between a claim of {claim} % and an expected improvement of \
         {expected} % with {power} % probability; expect more, or claim less"
    )]
    TooNear {
        /// Claim, %.
        claim: f64,
        /// Expected improvement, %.
        expected: f64,
        /// Wanted power, %.
        power: f64,
        /// What is counted.
        unit: &'static str,
        /// Largest size.
        largest: u32,
    },
}

/// How the runs of a design compare.
///
/// # Errors
/// For a design that is not planned run by run.
pub const fn comparing(design: Design) -> Result<Comparing, DraftError> {
    match design {
        // The order that is drawn alternates.
        Design::Paired => Ok(Comparing::PairsInTurn),
        Design::Unpaired | Design::Control => Ok(Comparing::Groups),
        Design::Blocked | Design::BeforeAfter => Err(DraftError::Design { design: design.name() }),
    }
}

/// What one unit of a design is called, in the plural.
pub const fn unit_name(design: Design) -> &'static str {
    match design {
        Design::Paired => "pairs",
        _ => "runs in each condition",
    }
}

impl Draft {
    /// Makes a plan.
    ///
    /// # Errors
    /// For a design that is not planned, a control design without its vehicle, a look beyond the planned size, or where no
    /// size decides.
    pub fn new(request: Request) -> Result<Self, DraftError> {
        let comparing = comparing(request.design)?;
        if request.design == Design::Control && request.control_vehicle.is_none() {
            return Err(DraftError::NoControlVehicle);
        }
        let Request { aim, spread, interim, .. } = &request;
        let too_near = || DraftError::TooNear {
            claim: aim.claim_percent,
            expected: aim.expected_percent,
            power: aim.power * 100.0,
            unit: unit_name(request.design),
            largest: super::power::LARGEST,
        };
        let size = match request.size {
            Some(n) => size::at(comparing, aim, spread.sd(), interim, n),
            None => size::size(comparing, aim, spread.sd(), interim),
        }
        .ok_or_else(too_near)?;
        if let Some(look) = interim.iter().copied().find(|look| *look > size.planned) {
            return Err(DraftError::LookBeyond { look, planned: size.planned, unit: unit_name(request.design) });
        }
        let cautious = match *spread {
            SpreadUsed::Seen { sd, units } => {
                let df = comparing.degrees_of_freedom(f64::from(units));
                size::upper_limit_of_spread(sd, df)
                    .and_then(|sd| size::size(comparing, aim, sd, interim))
                    .map(|s| s.planned)
            }
            _ => None,
        };
        let runs = runs(&request, size.planned);
        Ok(Self { request, size, cautious, runs })
    }

    /// The runs of the vehicle under test.
    pub fn tested(&self) -> impl Iterator<Item = &PlannedRun> {
        self.runs.iter().filter(|r| !r.control)
    }
}

fn runs(request: &Request, units: u32) -> Vec<PlannedRun> {
    let mut planned = Vec::new();
    for (unit, conditions) in (1..).zip(order(units, request.seed)) {
        for (half, condition) in (0..).zip(conditions) {
            let place = (unit - 1) * 2 + half + 1;
            let run = format!("{}-{unit:02}-{}", request.prefix, condition.name());
            if request.design == Design::Control {
                let control = format!("{run}-control");
                planned.push(PlannedRun { place, unit, condition, run, control: false });
                planned.push(PlannedRun { place, unit, condition, run: control, control: true });
            } else {
                planned.push(PlannedRun { place, unit, condition, run, control: false });
            }
        }
    }
    planned
}

/// A name as the start of run names: lower case, letters and digits, single dashes.
pub fn slug(name: &str) -> String {
    let lower = name.to_lowercase();
    let words = lower.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty());
    words.collect::<Vec<_>>().join("-")
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::plan) fn request(design: Design) -> Request {
        Request {
            name: "Harbour loop \"autumn\"".to_owned(),
            vehicle: "skerry-1".to_owned(),
            control_vehicle: (design == Design::Control).then(|| "skerry-9".to_owned()),
            route: "harbour loop".to_owned(),
            design,
            prefix: "hl".to_owned(),
            aim: Aim { claim_percent: 45.0, expected_percent: 52.0, confidence: 0.95, power: 0.8 },
            spread: SpreadUsed::Typical(0.03),
            interim: vec![4],
            size: None,
            seed: 2026,
        }
    }

    #[test]
    fn runs_are_named_in_the_order_of_driving() {
        let draft = Draft::new(request(Design::Paired)).expect("a plan");
        assert_eq!(draft.runs.len(), 2 * draft.size.planned as usize);
        assert!(draft.runs.iter().enumerate().all(|(i, r)| r.place as usize == i + 1));
        assert!(
            draft.runs.iter().any(|r| r.run == "hl-01-baseline") && draft.runs.iter().any(|r| r.run == "hl-01-assist")
        );
    }

    #[test]
    fn a_control_vehicle_goes_along() {
        let draft = Draft::new(request(Design::Control)).expect("a plan");
        assert_eq!(draft.runs.len(), 4 * draft.size.planned as usize);
        assert_eq!(draft.runs[0].place, draft.runs[1].place);
        assert!(draft.runs[1].control && draft.runs[1].run.ends_with("-control"));
        let alone = Request { control_vehicle: None, ..request(Design::Control) };
        assert_eq!(Draft::new(alone), Err(DraftError::NoControlVehicle));
    }

    #[test]
    fn what_cannot_be_planned_is_said() {
        let error = Draft::new(request(Design::BeforeAfter)).expect_err("no plan").to_string();
        assert!(error.starts_with("a before_after design is not planned run by run"), "{error}");
        let mut near = request(Design::Paired);
        near.aim.expected_percent = 45.0;
        let error = Draft::new(near).expect_err("no plan").to_string();
        assert!(error.contains("no number of pairs up to 10000 decides"), "{error}");
    }

    #[test]
    fn a_look_beyond_the_plan_is_refused_and_not_dropped() {
        let sized = |interim: &[u32]| Request { interim: interim.to_vec(), size: Some(8), ..request(Design::Paired) };
        let error = Draft::new(sized(&[4, 12])).expect_err("no look at 12 of 8").to_string();
        assert_eq!(
            error,
            "a look at 12 pairs lies beyond the planned 8, which are the last look by themselves: leave it out of --looks, or \
             give --size 12 or more"
        );
        // The planned size is the last look, named or not.
        assert_eq!(Draft::new(sized(&[4, 8])).expect("a plan").size.looks, [4, 8]);
        let worked_out = Draft::new(Request { interim: vec![5000], ..request(Design::Paired) });
        assert!(matches!(worked_out, Err(DraftError::LookBeyond { look: 5000, .. })), "{worked_out:?}");
    }

    #[test]
    fn a_spread_seen_over_few_pairs_is_planned_with_caution_beside() {
        let seen = Request { spread: SpreadUsed::Seen { sd: 0.03, units: 5 }, ..request(Design::Paired) };
        let draft = Draft::new(seen).expect("a plan");
        assert!(draft.cautious.expect("a size") > draft.size.planned, "{draft:?}");
    }

    #[test]
    fn names_become_plain() {
        assert_eq!(slug("Harbour loop, East"), "harbour-loop-east");
        assert_eq!(slug("  "), "");
    }
}

use std::sync::Arc;

use tallywheel_schemas::{
    Condition, Domain, RunSheet, TextFile,
    campaign::Campaign,
    report::{Comparability, Treatment},
};
use tempfile::TempDir;

use super::*;
use crate::{
    Dataset, Filter, LedgerOptions, SessionLedger, Silent,
    fixture::{Columns, Sealed},
    ledgers,
    run::admit,
};

const START: i64 = 1_780_000_000_000_000;
const SECOND: i64 = 1_000_000;
const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\n\
    columns = [\"a\", \"b\", \"c\", \"d\", \"e\", \"f\", \"g\"]\n\
    [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"a\"\n\
    [[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"bench\"\ncolumn = \"b\"\n\
    [[signal]]\nchannel = \"engine.coolant_c\"\nport = \"bench\"\ncolumn = \"c\"\n\
    [[signal]]\nchannel = \"pack.soc_pct\"\nport = \"bench\"\ncolumn = \"d\"\n\
    [[signal]]\nchannel = \"ambient.temp_c\"\nport = \"bench\"\ncolumn = \"e\"\n\
    [[signal]]\nchannel = \"motion.lat_deg\"\nport = \"bench\"\ncolumn = \"f\"\n\
    [[signal]]\nchannel = \"motion.lon_deg\"\nport = \"bench\"\ncolumn = \"g\"\n\
    [fuel]\ndensity_g_per_ml = 0.75\n";

/// A run of ten minutes: 75 s at a speed, 25 s at rest, six times, straight to the north.
#[derive(Debug, Clone, Copy)]
struct Drive {
    run: &'static str,
    speed_m_s: f64,
    ambient_c: f64,
    coolant_c: f64,
    soc_pct: f64,
    payload_kg: Option<f64>,
    driver: Option<&'static str>,
    /// How far to the east the second half of the way lies, m.
    aside_m: f64,
    has_fixes: bool,
}

const USUAL: Drive = Drive {
    run: "",
    speed_m_s: 12.0,
    ambient_c: 10.0,
    coolant_c: 80.0,
    soc_pct: 90.0,
    payload_kg: Some(200.0),
    driver: Some("E. T."),
    aside_m: 0.0,
    has_fixes: true,
};

impl Drive {
    fn named(run: &'static str) -> Self {
        Self { run, ..USUAL }
    }

    fn sealed(&self) -> Sealed {
        let t: Vec<i64> = (0..=1200).map(|i| START + i * SECOND / 2).collect();
        let speeds: Vec<f64> = (0..=1200).map(|i| if i % 200 < 150 { self.speed_m_s } else { 0.0 }).collect();
        let mut north = 0.0;
        let places: Vec<(f64, f64)> = speeds
            .iter()
            .enumerate()
            .map(|(i, v)| {
                north += v / 2.0;
                (60.0 + north / 111_413.0, -2.0 + if i > 600 { self.aside_m } else { 0.0 } / 55_800.0)
            })
            .collect();
        let fix = |value: f64| self.has_fixes.then_some(value);
        let constant = |domain, name: &str, value: f64| {
            Columns::new(domain, t.clone()).all(name, std::iter::repeat_n(value, t.len()))
        };
        let motion = Columns::new(Domain::Motion, t.clone())
            .all("wheel_speed_m_s", speeds)
            .floats("lat_deg", places.iter().map(|p| fix(p.0)))
            .floats("lon_deg", places.iter().map(|p| fix(p.1)));
        let engine = constant(Domain::Engine, "fuel_rate_g_s", 1.0)
            .all("coolant_c", std::iter::repeat_n(self.coolant_c, t.len()));
        let tables = vec![
            motion,
            engine,
            constant(Domain::Pack, "soc_pct", self.soc_pct),
            constant(Domain::Ambient, "temp_c", self.ambient_c),
        ];
        let condition = if self.run.starts_with('b') { Condition::Baseline } else { Condition::Assist };
        let run = RunSheet {
            run: self.run.to_owned(),
            route: "harbour loop".to_owned(),
            condition,
            driver: self.driver.map(str::to_owned),
            payload_kg: self.payload_kg,
            tyre_pressure_kpa: Some(290.0),
            ambient_c: None,
            wind_m_s: Some(3.0),
            fuel_mass_before_kg: None,
            fuel_mass_after_kg: None,
            remarks: None,
        };
        Sealed { run: Some(run), ..Sealed::new(self.run, RIG, tables) }
    }
}

/// The runs' ledgers, in the order of the drives.
fn driven(drives: &[Drive]) -> (TempDir, Vec<SessionLedger>) {
    let dir = tempfile::tempdir().expect("a directory");
    for drive in drives {
        drive.sealed().write(dir.path()).expect("a session");
    }
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let in_order: Vec<Arc<_>> = drives
        .iter()
        .map(|d| sessions.iter().find(|s| s.manifest.session == d.run).expect("its session"))
        .map(Arc::clone)
        .collect();
    let made = ledgers(&dataset, &in_order, &LedgerOptions::default(), &Silent).expect("ledgers");
    (dir, made)
}

fn campaign(more: &str, end: &str) -> Campaign {
    let text = format!(
        "schema = 1\nname = \"n\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n{more}\n\
         [rules]\n{end}"
    );
    Campaign::parse(&TextFile::new("c.toml", text)).expect("a good campaign")
}

const THREE_PAIRS: &str = "design = \"paired\"\npair = [{ baseline = \"b1\", assist = \"a1\" }, \
    { baseline = \"b2\", assist = \"a2\" }, { baseline = \"b3\", assist = \"a3\" }]";

fn six() -> [Drive; 6] {
    ["b1", "b2", "b3", "a1", "a2", "a3"].map(Drive::named)
}

struct Judged {
    assessment: Assessment,
    admitted: Vec<Admission>,
}

impl Judged {
    fn of(campaign: &Campaign, drives: &[Drive]) -> Self {
        let (_dir, ledgers) = driven(drives);
        let sheet = |l: &SessionLedger| l.session.manifest.run.clone().expect("a sheet");
        let sheets: Vec<RunSheet> = ledgers.iter().map(sheet).collect();
        let runs: Vec<RunFacts<'_>> =
            sheets.iter().zip(&ledgers).map(|(s, l)| RunFacts::of(s, l).expect("facts")).collect();
        let admitted = admit(campaign, &runs);
        Self { assessment: assess(campaign, &runs, &admitted).expect("rows"), admitted }
    }

    fn row(&self, quantity: &str) -> &Comparability {
        self.assessment.rows.iter().find(|r| r.quantity == quantity).expect("a row")
    }

    fn treatment(&self, quantity: &str) -> Treatment {
        self.row(quantity).treatment
    }

    fn used(&self) -> Vec<bool> {
        self.admitted.iter().map(|a| a.used).collect()
    }

    fn reason(&self, i: usize) -> &str {
        self.admitted[i].reason.as_deref().unwrap_or_default()
    }
}

#[test]
fn runs_driven_alike_are_alike_in_everything() {
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &six());
    let unlike: Vec<_> = judged.assessment.rows.iter().filter(|r| r.treatment != Treatment::Alike).collect();
    assert!(unlike.is_empty(), "{unlike:?}");
    assert_eq!((judged.assessment.obstacles.len(), judged.assessment.reservation.as_deref()), (0, None));
    assert_eq!(judged.assessment.rows.len(), 16);
    let run = &judged.assessment.likeness.runs[0];
    // A round: 74 bins at 12 m/s, one slowing (9 m), 24 at rest, one setting off (3 m); 900 m in 76 moving bins.
    assert!((run.speed_moving_km_h.expect("a speed") - 900.0 / 76.0 * 3.6).abs() < 1e-9, "{run:?}");
    let matched = run.route.as_ref().expect("a track");
    assert!((matched.track_km - 5.4).abs() < 0.02 && matched.coverage > 0.99, "{matched:?}");
    let alike = judged.assessment.likeness.standardised.as_ref().expect("classes");
    assert!(alike.mileage_percent.abs() < 1e-9);
}

#[test]
fn a_warmer_day_withholds_the_verdict_and_is_named() {
    let mut drives = six();
    drives[3..].iter_mut().for_each(|d| d.ambient_c = 22.0);
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.treatment("outside temperature"), Treatment::Withheld);
    let obstacle = &judged.assessment.obstacles[0];
    assert!(
        obstacle.starts_with(
            "outside temperature differs between the conditions: 10.0 °C without assist, 22.0 °C with it (limit 5.0 K)"
        ) && obstacle.contains("12.0 K apart in b2 / a2"),
        "{obstacle}"
    );
    let judged = Judged::of(&campaign(&format!("adjust = [\"outside temperature\"]\n{THREE_PAIRS}"), ""), &drives);
    assert_eq!(judged.treatment("outside temperature"), Treatment::Adjusted);
    assert!(judged.assessment.obstacles.is_empty());
    let judged = Judged::of(&campaign(THREE_PAIRS, "max_ambient_difference_k = 12.0"), &drives);
    assert_eq!(judged.treatment("outside temperature"), Treatment::Alike);
}

/// Means agree where no pair does: one pair 8 K up, another 8 K down.
#[test]
fn one_pair_apart_is_enough() {
    let mut drives = six();
    (drives[3].ambient_c, drives[4].ambient_c) = (18.0, 2.0);
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    let row = judged.row("outside temperature");
    assert_eq!((row.treatment, row.difference.map(|d| d.abs() < 1e-9)), (Treatment::Withheld, Some(true)));
    let details = row.details.join("; ");
    assert_eq!(details, "8.0 K apart in b1 / a1; 8.0 K apart in b2 / a2");
}

/// 25 % faster is more than the speed and the histogram may be apart, in the means and in every pair.
#[test]
fn faster_driving_is_not_alike() {
    let mut drives = six();
    drives[3..].iter_mut().for_each(|d| d.speed_m_s = 15.0);
    let judged = Judged::of(&campaign(THREE_PAIRS, "max_distance_deviation = 0.5\nmax_route_departure = 0.5"), &drives);
    for quantity in ["mean speed", "mean speed while moving", "speed histogram"] {
        assert_eq!(judged.treatment(quantity), Treatment::Withheld, "{quantity}");
    }
    // Three quarters of the time, all that is spent moving, lie in another class; two of 100 s around each rest do not.
    let histogram = judged.row("speed histogram").difference.expect("time");
    assert!((histogram - 75.0).abs() < 2.0, "{histogram}");
}

#[test]
fn a_run_off_the_route_is_left_out_with_its_partner_unless_a_person_keeps_it() {
    let mut drives = six();
    drives[4].aside_m = 100.0;
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.used(), [true, false, true, true, false, true]);
    assert!(judged.reason(4).starts_with("its satellite track parts from that of run "), "{}", judged.reason(4));
    assert!(judged.reason(4).ends_with(" % of the way, more than 5.0 %"), "{}", judged.reason(4));
    assert_eq!(judged.treatment("route"), Treatment::Excluded);
    let kept = "[[override]]\nrun = \"a2\"\nuse = true\nreason = \"a lane was closed\"\nby = \"M. K.\"\n\
                date = \"2026-10-09\"\n";
    let judged = Judged::of(&campaign(THREE_PAIRS, kept), &drives);
    assert_eq!(judged.used(), [true; 6]);
    assert_eq!(judged.treatment("route"), Treatment::Alike);
    assert_eq!(judged.row("route").details, ["run a2 kept by a person and not compared here"]);
}

/// Where one condition as a whole went another way, it is no single run that is wrong.
#[test]
fn a_condition_on_another_road_withholds_the_verdict() {
    let mut drives = six();
    drives[3..].iter_mut().for_each(|d| d.aside_m = 100.0);
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.used(), [true; 6]);
    assert_eq!(judged.treatment("route"), Treatment::Withheld);
    let row = judged.row("route");
    let (far, near) = (row.baseline.expect("a track").max(row.assist.expect("a track")), row.difference);
    assert!((45.0..55.0).contains(&far) && near.is_some_and(|d| d > 45.0), "{row:?}");
}

#[test]
fn a_cold_start_and_a_half_empty_pack_leave_the_run_out() {
    let mut drives = six();
    drives[0].coolant_c = 15.0;
    drives[5].soc_pct = 60.0;
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.used(), [false, true, false, false, true, false]);
    assert!(judged.reason(0).starts_with("its coolant was at 15.0 °C at the start, more than 10.0 K from the 80.0 °C"));
    assert!(judged.reason(5).starts_with("its pack was charged to 60.0 % at the start, more than 5.0 points"));
    assert_eq!(judged.treatment("coolant at the start"), Treatment::Excluded);
    assert_eq!(judged.treatment("pack charge at the start"), Treatment::Excluded);
    // Every assisted run cold: it is the condition.
    let mut drives = six();
    drives[3..].iter_mut().for_each(|d| d.coolant_c = 15.0);
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.used(), [true; 6]);
    assert_eq!(judged.treatment("coolant at the start"), Treatment::Withheld);
}

#[test]
fn drivers_are_named_and_may_be_allowed() {
    let mut drives = six();
    drives[3].driver = Some("M. K.");
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    assert_eq!(judged.treatment("drivers"), Treatment::Withheld);
    assert_eq!(judged.row("drivers").details, ["only with assist: M. K.", "2 drivers apart in b1 / a1"]);
    let judged = Judged::of(&campaign(THREE_PAIRS, "max_drivers_in_one_condition = 2.0"), &drives);
    assert_eq!(judged.treatment("drivers"), Treatment::Alike);
}

#[test]
fn what_is_not_known_is_not_alike() {
    let mut drives = six();
    drives[1].payload_kg = None;
    drives.iter_mut().for_each(|d| d.driver = None);
    drives[0].has_fixes = false;
    let judged = Judged::of(&campaign(THREE_PAIRS, ""), &drives);
    for (quantity, runs) in [("payload", "b2"), ("route", "b1"), ("drivers", "b1, b2, b3, a1, a2, a3")] {
        let row = judged.row(quantity);
        assert_eq!((row.treatment, row.alike), (Treatment::NotKnown, None), "{quantity}");
        assert_eq!(row.details, [format!("not known in run {runs}")]);
    }
    let reservation = judged.assessment.reservation.as_deref().expect("a reservation");
    assert!(reservation.contains("route, payload, drivers"), "{reservation}");
    assert!(judged.assessment.obstacles.is_empty());
    // Nor can it be adjusted for.
    let judged = Judged::of(&campaign(&format!("adjust = [\"payload\"]\n{THREE_PAIRS}"), ""), &drives);
    assert_eq!(judged.assessment.obstacles, ["payload cannot be adjusted for: not known in run b2"]);
}

/// In a blocked design two drivers may each drive both conditions in a block of their own, with other loads.
#[test]
fn blocks_are_compared_inside() {
    let blocks = "design = \"blocked\"\nblock = [{ name = \"E. T.\", baseline = [\"b1\", \"b2\"], assist = [\"a1\"] }, \
                  { name = \"M. K.\", baseline = [\"b3\"], assist = [\"a2\", \"a3\"] }]";
    let mut drives = six();
    for i in [2, 4, 5] {
        (drives[i].driver, drives[i].payload_kg) = (Some("M. K."), Some(400.0));
    }
    let judged = Judged::of(&campaign(blocks, ""), &drives);
    for quantity in ["drivers", "payload", "route"] {
        assert_eq!(judged.treatment(quantity), Treatment::Alike, "{:?}", judged.row(quantity));
    }
    drives[4].payload_kg = Some(200.0);
    let judged = Judged::of(&campaign(blocks, ""), &drives);
    assert_eq!(judged.row("payload").details, ["100.0 kg apart in M. K."]);
}

#[test]
fn covariates_go_by_the_names_of_their_rows() {
    let (_dir, ledgers) = driven(&[Drive::named("b1")]);
    let sheet = ledgers[0].session.manifest.run.clone().expect("a sheet");
    let run = RunFacts::of(&sheet, &ledgers[0]).expect("facts");
    assert_eq!(covariate("outside temperature", &run), Some(10.0));
    assert_eq!(covariate("payload", &run), Some(200.0));
    let idle = covariate("idle share", &run).expect("known");
    // Six rounds with 24 bins at rest; the sample at 600 s opens the 601st.
    assert!((idle - 100.0 * 144.0 / 601.0).abs() < 1e-9, "{idle} % of the time");
    assert_eq!(covariate("drivers", &run), None);
    assert_eq!(covariate("tyre pressure", &run), None, "a row, but none to adjust for");
}

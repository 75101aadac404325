//! A plan as files: the campaign, a run sheet for each run, and a page to print. No file that exists is touched.

use std::{
    fmt::Write as _,
    fs::{self, OpenOptions},
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use tallywheel_schemas::campaign::Design;

use super::{Draft, PlannedRun, draft::unit_name, page};

/// Why the files were not written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// One of them is there already. Nothing was written.
    #[error("{} exists already; nothing was written, give another directory", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The system refused.
    #[error("write {}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// The files of a plan, below its directory.
pub fn files(draft: &Draft) -> Vec<(PathBuf, String)> {
    let mut files = vec![(PathBuf::from("campaign.toml"), campaign(draft)), (PathBuf::from("plan.html"), page(draft))];
    files.extend(draft.runs.iter().map(|run| (sheet_path(run), sheet(draft, run))));
    files
}

/// Where a run's sheet is, below the plan's directory.
pub fn sheet_path(run: &PlannedRun) -> PathBuf {
    Path::new("run-sheets").join(format!("{:02}-{}.toml", run.place, run.run))
}

/// Writes files below a directory, which is made where it is missing.
///
/// # Errors
/// When any of them exists, in which case nothing is written, or when one cannot be written.
pub fn write_new(directory: &Path, files: &[(PathBuf, String)]) -> Result<(), WriteError> {
    let full = |path: &PathBuf| directory.join(path);
    if let Some((path, _)) = files.iter().find(|(path, _)| full(path).symlink_metadata().is_ok()) {
        return Err(WriteError::Exists { path: full(path) });
    }
    for (path, text) in files {
        let path = full(path);
        let written = fs::create_dir_all(path.parent().unwrap_or(directory))
            .and_then(|()| OpenOptions::new().write(true).create_new(true).open(&path))
            .and_then(|mut file| file.write_all(text.as_bytes()));
        written.map_err(|source| match source.kind() {
            io::ErrorKind::AlreadyExists => WriteError::Exists { path },
            _ => WriteError::Io { path, source },
        })?;
    }
    Ok(())
}

/// A text as a TOML string. JSON's escapes are all TOML's too.
fn quoted(text: &str) -> String {
    serde_json::to_string(text).expect("a text is valid JSON")
}

/// The campaign file.
fn campaign(draft: &Draft) -> String {
    let request = &draft.request;
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "# Planned before the first run. What is compared and when it may be looked at stays as it is once driving has\n\
         # begun; runs that replace spoilt ones are added at the end.\n\
         schema = 1\nname = {}\nvehicle = {}\nroute = {}\nclaim_percent = {:?}   # claimed improvement of mileage\n\
         design = {}\nconfidence = {:?}",
        quoted(&request.name),
        quoted(&request.vehicle),
        quoted(&request.route),
        request.aim.claim_percent,
        quoted(request.design.name()),
        request.aim.confidence,
    );
    let lists = design_lists(draft);
    // Keys before tables: the lists of an unpaired design are keys.
    if request.design == Design::Unpaired {
        out += &lists;
    }
    if let Some(control) = &request.control_vehicle {
        let _ = writeln!(out, "control_vehicle = {}", quoted(control));
    }
    let _ = writeln!(
        out,
        "\n[plan]\nlooks = {:?}   # {} after which the claim may be decided\nseed = {}   # of the order of driving\n\
         spread = {:?}   # {}\nexpected_percent = {:?}   # with these, {:.0} % probability of a decision",
        draft.size.looks,
        unit_name(request.design),
        request.seed,
        request.spread.sd(),
        request.spread.words(unit_name(request.design)),
        request.aim.expected_percent,
        draft.size.power * 100.0,
    );
    if request.design != Design::Unpaired {
        out += &lists;
    }
    out += "\n# Prices and factors of the account; without them it stays in litres and kWh.\n[account]\n\
        # currency = \"…\"\n# fuel_price_per_l = …\n# electricity_price_per_kwh = …\n\
        fuel_co2_g_per_l = 2348.0   # petrol, EPA-420-F-11-041\n# grid_co2_g_per_kwh = …\n\
        # utility = \"own\"   # or j2841_fleet, j2841_individual, gtr15, gtr15_2200\n# daily_km = [ … ]\n";
    out
}

fn design_lists(draft: &Draft) -> String {
    let mut out = String::new();
    let in_unit = |unit: u32, condition, control: bool| {
        let found = draft.runs.iter().find(|r| r.unit == unit && r.condition == condition && r.control == control);
        quoted(&found.expect("a unit has a run of each kind").run)
    };
    use tallywheel_schemas::Condition::{Assist, Baseline};
    match draft.request.design {
        Design::Unpaired => {
            for condition in [Baseline, Assist] {
                let of = draft.tested().filter(|r| r.condition == condition);
                let names: Vec<String> = of.map(|r| format!("    {},\n", quoted(&r.run))).collect();
                let _ = writeln!(out, "{} = [\n{}]", condition.name(), names.concat());
            }
        }
        Design::Control => {
            for run in draft.tested() {
                let _ = writeln!(
                    out,
                    "\n[[together]]\nsegment = {}\ntest = {}\ncontrol = {}",
                    quoted(run.condition.name()),
                    quoted(&run.run),
                    in_unit(run.unit, run.condition, true)
                );
            }
        }
        _ => {
            for unit in 1..=draft.size.planned {
                let (b, a) = (in_unit(unit, Baseline, false), in_unit(unit, Assist, false));
                let _ = writeln!(out, "\n[[pair]]\nbaseline = {b}\nassist = {a}");
            }
        }
    }
    out
}

/// A run sheet.
fn sheet(draft: &Draft, run: &PlannedRun) -> String {
    let vehicle = match (&draft.request.control_vehicle, run.control) {
        (Some(control), true) => control,
        _ => &draft.request.vehicle,
    };
    let condition = if run.control { "baseline" } else { run.condition.name() };
    format!(
        "# Run {} of {} in the order of driving, vehicle {vehicle}. Fill in by hand what is marked, then\n\
         # tallywheel-logger record --rig RIG --data DATA --run-sheet THIS-FILE\n\
         [run]\nrun = {}\nroute = {}\ncondition = {}\n\
         # driver = \"\"              # initials\n\
         # payload_kg =             # beside driver and kit\n\
         # tyre_pressure_kpa =      # cold\n\
         # ambient_c =              # if it is not logged\n\
         # wind_m_s =               # if it is not logged\n\
         # fuel_mass_before_kg =    # if the tank is weighed\n\
         # remarks = \"\"\n",
        run.place,
        draft.tested().count(),
        quoted(&run.run),
        quoted(&draft.request.route),
        quoted(condition),
    )
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Campaign, Condition, RunSheet};

    use super::*;
    use crate::plan::{Draft, draft::tests::request};

    /// Every file of a plan is read by the same code that reads what people write.
    #[test]
    fn plan_files_are_read_back() {
        for design in [Design::Paired, Design::Unpaired, Design::Control] {
            let draft = Draft::new(request(design)).expect("a plan");
            let directory = tempfile::tempdir().expect("a temporary directory");
            let files = files(&draft);
            write_new(directory.path(), &files).expect("an empty directory");
            let campaign = Campaign::read(&directory.path().join("campaign.toml")).expect("a good campaign");
            assert_eq!((campaign.design, campaign.name.as_str()), (design, "Harbour loop \"autumn\""));
            assert_eq!(campaign.baseline.len(), draft.size.planned as usize);
            assert_eq!(campaign.assist.len(), draft.size.planned as usize);
            let plan = campaign.plan.as_ref().expect("a plan");
            assert_eq!((plan.looks.as_slice(), plan.seed), (draft.size.looks.as_slice(), 2026));
            assert_eq!((plan.spread, plan.expected_percent), (Some(0.03), Some(52.0)));
            let listed: Vec<&str> = campaign.runs().chain(campaign.control_runs()).collect();
            for run in &draft.runs {
                let sheet = RunSheet::read(&directory.path().join(sheet_path(run))).expect("a good sheet");
                assert!(listed.contains(&sheet.run.as_str()));
                let on = run.condition == Condition::Assist && !run.control;
                assert_eq!((sheet.condition == Condition::Assist, sheet.route.as_str()), (on, "harbour loop"));
            }
        }
    }

    #[test]
    fn nothing_is_written_over() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let old = directory.path().join("run-sheets/02-x.toml");
        fs::create_dir_all(old.parent().expect("a parent")).expect("a directory");
        fs::write(&old, "mine").expect("a file");
        let files: Vec<(PathBuf, String)> =
            ["campaign.toml", "run-sheets/02-x.toml"].map(|p| (PathBuf::from(p), "new".to_owned())).into();
        let error = write_new(directory.path(), &files).expect_err("it exists").to_string();
        assert!(error.contains("02-x.toml exists already; nothing was written"), "{error}");
        assert!(!directory.path().join("campaign.toml").exists());
        assert_eq!(fs::read_to_string(old).expect("the file"), "mine");
    }
}

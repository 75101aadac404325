//! What a fleet costs to roll up: CPU time beside only decoding, and beside scripts in other tools on the same data.
//!
//! ```text
//! sessions at native rates ─┬─ floor      decode the columns that the ledger reads, and nothing else
//!                           ├─ ours       ledger, trips, days and roll-up, first, again, and with a new day
//!                           └─ scripts    numpy, polars, DuckDB, pandas: the same ledger; trips and weekly sums only
//! ```
//!
//! What our ledger costs can only be put beside scripts that make the same ledger; the others, which read far fewer columns, say
//! what somebody pays who wants no more than trips and sums. Each contender is a process of its own, one thread where it can be told so; CPU time is the kernel's count of user and
//! system time, and the median of the rounds is taken. Contenders take turns within a round.

use std::{
    fs,
    io::{self, Write as _},
    path::{Path, PathBuf},
    process::{Command, ExitCode},
};

use clap::Parser;
use parquet::arrow::{ProjectionMask, arrow_reader::ParquetRecordBatchReaderBuilder};
use serde::Serialize;
use tallywheel_sample_logs::fleet::{Fault, FleetPlan, Library, Planted, sessions, week};
use tallywheel_schemas::Table;
use tempfile::TempDir;

use super::{
    contenders::{Contenders, Held, SAME_LEDGER, SUMS_ONLY, Script},
    measure::{BenchError, Cost, files, io_error, measured, median, say},
};
use crate::program;

/// Measures what a fleet costs to roll up.
///
/// The last line of stdout is a JSON object. Exit codes: 0 done and everything agrees; 1 done, but results differ; 2 could
/// not be done, or wrong usage.
#[derive(Debug, Clone, Parser)]
#[command(name = "fleet-bench", version)]
pub struct Args {
    /// A few vehicle-days in place of 250, most with something wrong with them; one round.
    #[arg(long)]
    quick: bool,
    /// Vehicles.
    #[arg(long, default_value_t = 50)]
    vehicles: usize,
    /// Driving days.
    #[arg(long, default_value_t = 5)]
    days: usize,
    /// Hours driven a day; 1.1 make some 250 million rows of 50 vehicles and 5 days.
    #[arg(long, default_value_t = 1.1)]
    hours: f64,
    /// Rounds of which the median counts.
    #[arg(long, default_value_t = 3)]
    rounds: usize,
    /// Directory with a fleet of an earlier run, or for a new one that is kept.
    #[arg(long)]
    data: Option<PathBuf>,
    /// Leave the scripts of other tools out.
    #[arg(long)]
    only_ours: bool,
    /// Decode a dataset's columns and nothing else, and say how many rows that were; the benchmark runs itself with this.
    #[arg(long, value_name = "DATASET", hide = true)]
    floor: Option<PathBuf>,
}

/// Everything measured.
#[derive(Debug, Clone, Default, Serialize)]
struct Figures {
    quick: bool,
    vehicle_days: usize,
    rows: u64,
    bytes: u64,
    rounds: usize,
    floor: Cost,
    first: Cost,
    second: Cost,
    /// One new day for every vehicle, beyond the cost of a second roll-up.
    new_day_cpu_s: f64,
    /// First roll-up over the floor; it hashes every file, and writes and reads the derived tables as well.
    over_floor: f64,
    /// First over second.
    first_over_second: f64,
    /// A new day over its share of the first roll-up.
    new_day_over_share: f64,
    cpu_s_per_vehicle_week: f64,
    derived_bytes: u64,
    /// Scripts that make trips and weekly sums only.
    scripts: Vec<Script>,
    /// Whether all of them agree with each other and with the daily table.
    agree: Option<bool>,
    /// Scripts that make the same ledger.
    ledger_scripts: Vec<Script>,
    /// Their ledgers, trips and weekly sums, held against ours.
    ledger_cells: Option<Held>,
}

/// What the ledger reads of each table.
const COLUMNS: [(&str, &[&str]); 5] = [
    ("motion", &["t_us", "wheel_speed_m_s", "gps_speed_m_s", "alt_m", "hall_count"]),
    (
        "engine",
        &[
            "t_us",
            "running",
            "speed_rpm",
            "fuel_count",
            "fuel_rate_g_s",
            "maf_g_s",
            "lambda",
            "fuel_temp_c",
            "coolant_c",
        ],
    ),
    ("pack", &["t_us", "voltage_v", "current_a", "soc_pct", "wall_power_w"]),
    (
        "motor",
        &["t_us", "position", "speed_rpm", "torque_n_m", "command_pct", "winding_temp_c", "controller_temp_c", "fault"],
    ),
    ("ambient", &["t_us", "temp_c", "wind_m_s"]),
];

/// Runs the program.
pub fn main() -> ExitCode {
    let args = Args::parse();
    let mut out = io::stdout().lock();
    if let Some(root) = &args.floor {
        return match floor(root) {
            Ok(rows) => {
                let _ = writeln!(out, "{rows}");
                ExitCode::SUCCESS
            }
            Err(error) => failed(&error),
        };
    }
    match run(&args) {
        Ok(figures) => {
            let json = serde_json::to_string(&figures).expect("only string keys");
            // A reader that has gone away is no error.
            let _ = writeln!(out, "{}\n{json}", figures.table());
            let differ = figures.ledger_cells.is_some_and(|held| held.differ > 0);
            ExitCode::from(u8::from(differ || figures.agree == Some(false)))
        }
        Err(error) => failed(&error),
    }
}

fn failed(error: &BenchError) -> ExitCode {
    say(&format!("fleet-bench: {error}"));
    ExitCode::from(2)
}

/// Decodes the columns of every file and drops them.
fn floor(root: &Path) -> Result<u64, BenchError> {
    let mut rows = 0;
    for (table, columns) in COLUMNS {
        for path in files(&root.join(table), "parquet")? {
            let decode = |reason: String| BenchError::Decode { path: path.display().to_string(), reason };
            let file = fs::File::open(&path).map_err(io_error(format!("open {}", path.display())))?;
            let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|e| decode(e.to_string()))?;
            let mask = ProjectionMask::columns(builder.parquet_schema(), columns.iter().copied());
            let reader =
                builder.with_projection(mask).with_batch_size(8192).build().map_err(|e| decode(e.to_string()))?;
            for batch in reader {
                rows += batch.map_err(|e| decode(e.to_string()))?.num_rows() as u64;
            }
        }
    }
    Ok(rows)
}

fn run(args: &Args) -> Result<Figures, BenchError> {
    let kept = TempDir::new().map_err(io_error("make a directory"))?;
    let root = args.data.clone().unwrap_or_else(|| kept.path().join("data"));
    let plan = plan(args);
    if !root.join("fleet.json").exists() {
        say("making the fleet");
        let written = sessions::write(&plan, &Library::drive(plan.seed, 2), &root)?;
        say(&format!("{} sessions, {} rows", written.sessions, written.rows));
    }
    let rounds = if args.quick { 1 } else { args.rounds.max(1) };
    let mut rows = 0;
    let (mut floors, mut firsts, mut seconds) = (Vec::new(), Vec::new(), Vec::new());
    let python = if args.only_ours { None } else { crate::python() };
    let group = |group, name| python.as_deref().map(|python| Contenders::new(python, group, kept.path().join(name)));
    let (mut same_ledger, mut sums_only) = (group(SAME_LEDGER, "ledger"), group(SUMS_ONLY, "sums"));
    for round in 1..=rounds {
        say(&format!("round {round} of {rounds}"));
        let (cost, said) = measured("the floor", &mut own_floor(&root)?)?;
        rows = said.trim().parse().unwrap_or(0);
        floors.push(cost);
        forget(&root, round)?;
        let ours = measured("the first roll-up", &mut roll_up(&root))?.0;
        firsts.push(ours);
        seconds.push(measured("the second roll-up", &mut roll_up(&root))?.0);
        if let Some(scripts) = &mut same_ledger {
            // All but the fastest would take longer than the rest of the benchmark, and are run once.
            scripts.run(&root, if round == rounds { SAME_LEDGER.len() } else { 1 }, ours)?;
        }
        if let Some(scripts) = &mut sums_only {
            scripts.run(&root, SUMS_ONLY.len(), ours)?;
        }
    }
    let ledger_cells = same_ledger.as_ref().map(|scripts| scripts.hold(&root)).transpose()?;
    let agree = sums_only.as_ref().map(|scripts| scripts.agree(&root)).transpose()?;
    let report = |scripts: Option<Contenders>| scripts.map(|s| s.report()).unwrap_or_default();
    let (floor, first, second) = (median(&floors), median(&firsts), median(&seconds));
    let new_day_cpu_s = new_day(&root)? - second.cpu_s;
    fs::remove_dir_all(aside(&root)).map_err(io_error("remove what was put aside"))?;
    let vehicle_days = files(&root.join("motion"), "parquet")?.len();
    Ok(Figures {
        quick: args.quick,
        vehicle_days,
        rows,
        bytes: size(&root, Table::SEALED.map(Table::name).as_slice())?,
        rounds,
        floor,
        first,
        second,
        new_day_cpu_s,
        over_floor: first.cpu_s / floor.cpu_s,
        first_over_second: first.cpu_s / second.cpu_s,
        new_day_over_share: new_day_cpu_s / ((first.cpu_s - second.cpu_s) * share_of_last_day(&root)?),
        cpu_s_per_vehicle_week: first.cpu_s / vehicle_days as f64 * 5.0,
        derived_bytes: size(&root, Table::DERIVED.map(Table::name).as_slice())?,
        scripts: report(sums_only),
        agree,
        ledger_scripts: report(same_ledger),
        ledger_cells,
    })
}

fn plan(args: &Args) -> FleetPlan {
    let (vehicles, days, hours) = if args.quick { (5, 2, 0.5) } else { (args.vehicles, args.days, args.hours) };
    let weeks = days.div_ceil(5);
    // The quick form is for the comparisons: sensors that are silent or have gaps, and fault codes, belong to that.
    let faults = [Fault::SensorSilent, Fault::CoverageDropping, Fault::AssistDead, Fault::LateCutOff];
    let plant = |(fault, vehicle)| Planted { vehicle, fault, from_week: 0 };
    let planted = if args.quick { faults.into_iter().zip(1..).map(plant).collect() } else { Vec::new() };
    FleetPlan { hours, days: days.min(5), planted, ..FleetPlan::healthy(vehicles, weeks, 1) }
}

fn own_floor(root: &Path) -> Result<Command, BenchError> {
    let own = std::env::current_exe().map_err(io_error("find this program"))?;
    let mut command = Command::new(own);
    command.arg("--floor").arg(root);
    Ok(command)
}

fn roll_up(root: &Path) -> Command {
    let mut command = Command::new(program("tallywheel-analyze"));
    command.args(["rollup", "--week", &week::name(0), "--jobs", "1", "--format", "csv", "--data"]).arg(root);
    command
}

/// Puts what was derived aside. It is not deleted before the end: for minutes a file system such as ext4 is slow to give the
/// numbers of deleted files to new ones, which no first roll-up meets.
fn forget(root: &Path, round: usize) -> Result<(), BenchError> {
    let aside = aside(root).join(round.to_string());
    fs::create_dir_all(&aside).map_err(io_error(format!("make {}", aside.display())))?;
    for table in Table::DERIVED {
        match fs::rename(root.join(table.name()), aside.join(table.name())) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => {
                return Err(io_error(format!("put {} aside", table.name()))(e));
            }
            _ => {}
        }
    }
    Ok(())
}

/// Where derived tables of earlier rounds are.
fn aside(root: &Path) -> PathBuf {
    root.join(".aside")
}

/// Manifests of the last day.
fn last_day(root: &Path) -> Result<Vec<PathBuf>, BenchError> {
    let manifests = files(&root.join("sessions"), "json")?;
    let date =
        |p: &Path| p.parent().and_then(Path::file_name).map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let last = manifests.iter().map(|p| date(p)).max().unwrap_or_default();
    Ok(manifests.into_iter().filter(|p| date(p) == last).collect())
}

/// The last day's share of all rows.
fn share_of_last_day(root: &Path) -> Result<f64, BenchError> {
    let rows = |paths: &[PathBuf]| -> u64 {
        let of =
            |p: &PathBuf| tallywheel_schemas::Manifest::read(p).map_or(0, |m| m.files.iter().map(|f| f.rows).sum());
        paths.iter().map(of).sum()
    };
    let (last, all) = (rows(&last_day(root)?), rows(&files(&root.join("sessions"), "json")?));
    Ok(last as f64 / all.max(1) as f64)
}

/// CPU time of a roll-up after the last day's sessions came in, s.
fn new_day(root: &Path) -> Result<f64, BenchError> {
    let manifests = last_day(root)?;
    // A day that has not come in has no tables either; those that no manifest speaks for would be faults.
    let mut came = Vec::new();
    for path in &manifests {
        let manifest =
            tallywheel_schemas::Manifest::read(path).map_err(|e| io_error("read a manifest")(io::Error::other(e)))?;
        came.extend(manifest.files.iter().map(|f| root.join(&f.path)));
    }
    came.extend(manifests);
    let away = |p: &Path| p.with_extension("away");
    let moved = |from: &Path, to: &Path| fs::rename(from, to).map_err(io_error(format!("move {}", from.display())));
    came.iter().try_for_each(|p| moved(p, &away(p)))?;
    // Without its sessions a day's derived tables are removed.
    let without = measured("without the last day", &mut roll_up(root));
    came.iter().try_for_each(|p| moved(&away(p), p))?;
    without?;
    Ok(measured("with a new day", &mut roll_up(root))?.0.cpu_s)
}

/// Bytes of some tables.
fn size(root: &Path, tables: &[&str]) -> Result<u64, BenchError> {
    let mut bytes = 0;
    for table in tables {
        for path in files(&root.join(table), "parquet")? {
            bytes += fs::metadata(&path).map_err(io_error(format!("look at {}", path.display())))?.len();
        }
    }
    Ok(bytes)
}

impl Figures {
    fn table(&self) -> String {
        let line = |what: &str, value: String, goal: &str| format!("{what:<52} {value:>14}  {goal}");
        let cost = |c: &Cost| format!("{:.2} s", c.cpu_s);
        let mut lines = vec![
            line("vehicle-days", self.vehicle_days.to_string(), ""),
            line("rows in decoded tables, million", format!("{:.1}", self.rows as f64 / 1e6), ""),
            line("sealed; derived", format!("{}; {} MB", self.bytes / 1_000_000, self.derived_bytes / 1_000_000), ""),
            line("decoding the same columns, CPU", cost(&self.floor), ""),
            line("first roll-up (ledger, trips, days, sums), CPU", cost(&self.first), ""),
            line("… over decoding", format!("{:.2}", self.over_floor), "goal 2.0 with checksums"),
            line("… peak memory", format!("{:.0} MiB", self.first.peak_mib), "goal 64 MiB for the pass"),
            line("… CPU a vehicle-week of five days", format!("{:.2} s", self.cpu_s_per_vehicle_week), ""),
            line("second roll-up, CPU", cost(&self.second), ""),
            line("… first over second", format!("{:.0}", self.first_over_second), "goal 50"),
            line("a new day over its share", format!("{:.2}", self.new_day_over_share), "goal 1.2"),
        ];
        let goals = [("numpy", "goal 3"), ("polars", "goal 4"), ("duckdb", "goal 7"), ("pandas", "goal 8")];
        let mut group = |what: &str, scripts: &[Script]| {
            for script in scripts {
                let goal = goals.iter().find(|(n, _)| *n == script.name).map_or("", |(_, g)| g);
                let cost = format!("{goal} ({:.1} s, {:.0} MiB)", script.cost.cpu_s, script.cost.peak_mib);
                let what = format!("{what}, {} over ours, CPU", script.name);
                lines.push(line(&what, format!("{:.1}×", script.over_ours), &cost));
            }
        };
        group("same ledger", &self.ledger_scripts);
        group("trips and sums only", &self.scripts);
        if let Some(held) = &self.ledger_cells {
            let largest = format!("largest difference {:.0e}", held.largest);
            lines.push(line("cells of the same ledger held against ours", held.cells.to_string(), &largest));
            let differ = if held.differ == 0 { "none".to_owned() } else { held.differ.to_string() };
            lines.push(line("… that differ by more than 1e-9", differ, ""));
        }
        if let Some(agree) = self.agree {
            lines.push(line("trips and sums agree to 1e-9", if agree { "yes" } else { "NO" }.to_owned(), ""));
        }
        lines.join("\n")
    }
}

#[cfg(test)]
mod tests {
    use super::COLUMNS;

    #[test]
    fn the_scripts_of_the_same_ledger_read_what_the_floor_decodes() {
        let script =
            std::fs::read_to_string(crate::peer("fleet").join("ledger_common.py")).expect("the scripts' columns");
        for (table, columns) in COLUMNS {
            let line = format!("    \"{table}\": {columns:?},\n");
            assert!(script.contains(&line), "{line}");
        }
    }
}

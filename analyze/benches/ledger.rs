//! How much CPU time the ledger of a two-hour session takes beside only decoding the same columns.
//!
//! `cargo bench --workspace --profile dev --bench ledger`. Both read and hash the files; neither uses the cache.

use std::{hint::black_box, path::Path, sync::Arc, time::Duration};

use tallywheel_analyze::{
    Dataset, Filter, LedgerOptions, Session, Silent,
    fixture::{Columns, Sealed},
    ledgers,
};
use tallywheel_schemas::{Domain, Table};

const START: i64 = 1_780_000_000_000_000;
const SECONDS: i64 = 7200;
const CALLS: u32 = 40;
const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[fuel]\nml_per_pulse = 0.089\n[[port]]\nname = \"bench\"\n\
    kind = \"text\"\ncolumns = [\"n\"]\n[[signal]]\nchannel = \"engine.fuel_count\"\nport = \"bench\"\ncolumn = \"n\"\n";

/// What the ledger reads of each table.
const COLUMNS: [(Domain, &[&str]); 5] = [
    (Domain::Motion, &["wheel_speed_m_s", "gps_speed_m_s", "alt_m", "hall_count"]),
    (
        Domain::Engine,
        &["running", "speed_rpm", "fuel_count", "fuel_rate_g_s", "maf_g_s", "lambda", "fuel_temp_c", "coolant_c"],
    ),
    (Domain::Pack, &["voltage_v", "current_a", "soc_pct", "wall_power_w"]),
    (
        Domain::Motor,
        &["position", "speed_rpm", "torque_n_m", "command_pct", "winding_temp_c", "controller_temp_c", "fault"],
    ),
    (Domain::Ambient, &["temp_c", "wind_m_s"]),
];

fn rows(domain: Domain, hz: i64) -> Columns {
    Columns::new(domain, (0..SECONDS * hz).map(|i| START + i * 1_000_000 / hz).collect())
}

/// A wave of whole steps with a few steps of noise, as a quantised signal is.
fn wave(hz: i64, step: f64, height: f64) -> impl Iterator<Item = f64> {
    let mut state = 1_u64;
    (0..SECONDS * hz).map(move |i| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let noise = (state >> 33) as f64 / f64::from(u32::MAX) * 12.0 - 3.0;
        ((i as f64 / hz as f64 * 0.2).sin() * height / step + noise).round() * step
    })
}

/// Every `n`th row of a table has a value.
fn every(n: usize, values: impl Iterator<Item = f64>) -> impl Iterator<Item = Option<f64>> {
    values.enumerate().map(move |(i, v)| (i % n == 0).then_some(v))
}

fn tables() -> Vec<Columns> {
    let positions = ["rear-left", "rear-right"];
    vec![
        rows(Domain::Motion, 50).all("wheel_speed_m_s", wave(50, 0.01, 8.0).map(|v| v + 10.0)),
        rows(Domain::Engine, 50)
            .all("speed_rpm", wave(50, 0.25, 800.0).map(|v| v + 1800.0))
            .floats("coolant_c", every(50, wave(50, 1.0, 3.0).map(|v| v + 88.0)))
            .ints("fuel_count", (0..SECONDS * 50).map(|i| (i % 5 == 0).then_some(i / 4))),
        rows(Domain::Pack, 100)
            .all("voltage_v", wave(100, 0.1, 5.0).map(|v| v + 96.0))
            .all("current_a", wave(100, 0.1, 90.0))
            .floats("soc_pct", every(100, wave(100, 0.5, 10.0).map(|v| v + 70.0))),
        rows(Domain::Motor, 200)
            .positions((0..SECONDS * 200).map(|i| positions[i as usize % 2]))
            .all("torque_n_m", wave(200, 0.1, 120.0))
            .all("speed_rpm", wave(200, 1.0, 100.0).map(|v| v + 300.0))
            .all("command_pct", wave(200, 0.5, 60.0))
            .floats("winding_temp_c", every(101, wave(200, 0.1, 20.0).map(|v| v + 70.0)))
            .floats("controller_temp_c", every(101, wave(200, 0.1, 10.0).map(|v| v + 50.0))),
    ]
}

fn decode(session: &Session) -> usize {
    let batches = COLUMNS.iter().flat_map(|(domain, columns)| session.rows(Table::Decoded(*domain), columns));
    batches.map(|batch| black_box(batch).num_rows()).sum()
}

/// CPU time of the process so far, all threads, from Linux's `/proc`: it ticks at 100 Hz and does not count the time
/// that others take away.
fn cpu() -> Duration {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks = stat.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
    Duration::from_millis(ticks.filter_map(|t| t.parse::<u64>().ok()).sum::<u64>() * 10)
}

/// Mean CPU time of a call.
fn mean(mut f: impl FnMut()) -> Duration {
    let start = cpu();
    (0..CALLS).for_each(|_| f());
    (cpu() - start) / CALLS
}

fn measure(root: &Path) -> Result<(), Box<dyn std::error::Error>> {
    Sealed::new("bench", RIG, tables()).write(root)?;
    let dataset = Dataset::open(root)?;
    let sessions: Vec<Arc<Session>> = dataset.sessions(&Filter::default());
    let count = decode(&sessions[0]);
    let decoding = mean(|| {
        black_box(decode(&sessions[0]));
    });
    // Only ledgers of exactly one second are cached.
    let options = LedgerOptions { bin_us: 1_000_001, jobs: Some(1) };
    let mut result = Ok(());
    let ledger = mean(|| {
        if let Err(error) = ledgers(&dataset, &sessions, &options, &Silent).map(black_box) {
            result = Err(error);
        }
    });
    result?;
    let rate = count as f64 / ledger.as_secs_f64() / 1e6;
    eprintln!("{count} rows: decode {decoding:.1?}, ledger {ledger:.1?}, {rate:.1} million rows per CPU second");
    eprintln!("ledger over decode: {:.2}", ledger.as_secs_f64() / decoding.as_secs_f64());
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let dir = tempfile::tempdir()?;
    measure(dir.path())
}

//! A small fleet of sealed sessions, and copies of a dataset that take no room.

use std::{fs, io, path::Path};

use tallywheel_analyze::fixture::{Columns, Sealed};
use tallywheel_schemas::Domain;

/// 2026-11-23T08:00:00Z, a Monday.
const START: i64 = 1_795_420_800_000_000;
const SECOND: i64 = 1_000_000;
/// Length of a session, s.
const LENGTH_S: i64 = 300;

fn rig(vehicle: &str) -> String {
    let channels = [
        ("motion.wheel_speed_m_s", ""),
        ("engine.fuel_rate_g_s", ""),
        ("pack.voltage_v", ""),
        ("pack.current_a", ""),
        ("motor.command_pct", "position = \"rear-left\""),
        ("motor.winding_temp_c", "position = \"rear-left\""),
    ];
    let columns: Vec<String> = (0..channels.len()).map(|i| format!("\"c{i}\"")).collect();
    let port = format!(
        "schema = 1\nvehicle = \"{vehicle}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [{}]\n",
        columns.join(", ")
    );
    channels.iter().zip(columns).fold(port, |text, ((channel, more), column)| {
        format!("{text}[[signal]]\nchannel = \"{channel}\"\nport = \"bench\"\ncolumn = {column}\n{more}\n")
    })
}

/// Writes so many vehicles with so many days of so many sessions each.
///
/// # Errors
/// When a file cannot be written.
pub fn make_fleet(root: &Path, vehicles: i64, days: i64, sessions: i64) -> io::Result<()> {
    for vehicle in 1..=vehicles {
        for day in 0..days {
            for session in 0..sessions {
                write_session(root, vehicle, day, session)?;
            }
        }
    }
    Ok(())
}

fn write_session(root: &Path, vehicle: i64, day: i64, session: i64) -> io::Result<()> {
    let start = START + (day * 86_400 + session * 3600) * SECOND;
    let t: Vec<i64> = (0..LENGTH_S * 10).map(|i| start + i * SECOND / 10).collect();
    let n = t.len();
    let wave = |scale: f64, offset: f64| {
        (0..n).map(move |i| offset + scale * ((i as f64 / 50.0 + (vehicle + session) as f64).sin() * 8.0).round() / 8.0)
    };
    let tables = vec![
        Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", wave(5.0, 10.0 + vehicle as f64)),
        Columns::new(Domain::Engine, t.clone()).all("fuel_rate_g_s", wave(0.2, 0.5)),
        Columns::new(Domain::Pack, t.clone()).all("voltage_v", wave(2.0, 96.0)).all("current_a", wave(30.0, 10.0)),
        Columns::new(Domain::Motor, t)
            .positions(vec!["rear-left"; n])
            .all("command_pct", wave(40.0, 0.0))
            .all("winding_temp_c", wave(10.0, 110.0)),
    ];
    let vehicle = format!("skerry-{vehicle}");
    let name = format!("{vehicle}-{day}-{session}");
    Sealed { group_rows: 1000, ..Sealed::new(&name, &rig(&vehicle), tables) }.write(root).map(drop)
}

/// A copy of a dataset whose files are the same on the disk. Whoever changes one in place changes both, which nothing
/// that works on datasets may do.
///
/// # Errors
/// When a directory or link cannot be made.
pub fn link(from: &Path, to: &Path) -> io::Result<()> {
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            link(&entry.path(), &target)?;
        } else {
            fs::hard_link(entry.path(), &target)?;
        }
    }
    Ok(())
}

//! Room on the disk, in hours of recording.

use std::{io, path::Path};

use serde::Serialize;

/// Room on the disk.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DiskNow {
    /// Bytes that this program may still write.
    pub free_bytes: u64,
    /// What recording takes, bytes a second.
    pub bytes_per_s: f64,
    /// How long the room lasts at that rate, h; `None` while nothing is written.
    pub hours_left: Option<f64>,
}

impl DiskNow {
    /// From the free room and the rate at which it is used up.
    ///
    /// ```
    /// let disk = tallywheel_logger::view::DiskNow::new(36_000_000, 1000.0);
    /// assert_eq!(disk.hours_left, Some(10.0));
    /// ```
    pub fn new(free_bytes: u64, bytes_per_s: f64) -> Self {
        let hours_left = (bytes_per_s > 0.0).then(|| free_bytes as f64 / bytes_per_s / 3600.0);
        Self { free_bytes, bytes_per_s, hours_left }
    }

    /// The hours in words: `12 h`, `0.4 h`, `more than a year`.
    pub fn hours_text(&self) -> String {
        match self.hours_left {
            None => "unknown".to_owned(),
            Some(hours) if hours > 24.0 * 366.0 => "more than a year".to_owned(),
            Some(hours) if hours >= 48.0 => format!("{:.0} days", hours / 24.0),
            Some(hours) if hours >= 10.0 => format!("{hours:.0} h"),
            Some(hours) => format!("{hours:.1} h"),
        }
    }
}

/// Bytes that an ordinary user may still write on the file system of a directory. Where the directory does not exist
/// yet, its nearest existing parent counts.
///
/// # Errors
/// When the system cannot say.
pub fn free_bytes(directory: &Path) -> io::Result<u64> {
    let there = directory.ancestors().find(|d| d.exists()).unwrap_or(Path::new("."));
    let room = nix::sys::statvfs::statvfs(there)?;
    Ok(room.blocks_available() as u64 * room.fragment_size() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_read_naturally() {
        let text = |hours: f64| DiskNow::new((hours * 3600.0) as u64, 1.0).hours_text();
        assert_eq!([text(0.4), text(12.3), text(100.0), text(1e5)], ["0.4 h", "12 h", "4 days", "more than a year"]);
        assert_eq!(DiskNow::new(7, 0.0).hours_text(), "unknown");
    }

    /// The `df` of the system's own tools is the other opinion.
    #[test]
    fn free_room_is_what_df_says() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let Ok(df) = std::process::Command::new("df").args(["-P", "-B1"]).arg(directory.path()).output() else {
            eprintln!("skipped: no df here");
            return;
        };
        let text = String::from_utf8_lossy(&df.stdout).into_owned();
        let said: f64 = text.lines().nth(1).and_then(|l| l.split_whitespace().nth(3)?.parse().ok()).expect("a number");
        let found = free_bytes(&directory.path().join("not/yet")).expect("a file system") as f64;
        // Others write meanwhile.
        assert!((found - said).abs() <= 0.02 * said + 1e9, "{found} where df says {said}");
    }
}

//! The report at the end of a session.

use std::fmt::{self, Write as _};

use tallywheel_schemas::{
    Manifest,
    manifest::{Gap, PortRecord},
};

/// Channels listed on one line.
const NAMES_PER_LINE: usize = 4;
/// Gaps of one port listed one by one.
const MOST_GAPS: usize = 8;

/// A session in a few lines, for people.
#[derive(Debug)]
pub struct Summary<'a> {
    manifest: &'a Manifest,
    data: &'a std::path::Path,
}

impl<'a> Summary<'a> {
    /// Of a session in a dataset.
    pub fn new(data: &'a std::path::Path, manifest: &'a Manifest) -> Self {
        Self { manifest, data }
    }
}

impl fmt::Display for Summary<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let m = self.manifest;
        let seconds = m.end_us.seconds_since(m.start_us);
        writeln!(f, "session  {}", m.session)?;
        if let Some(run) = &m.run {
            writeln!(f, "run      {} ({}, {})", run.run, run.route, run.condition.name())?;
        }
        writeln!(f, "start    {}, {}", m.start_us, duration(seconds))?;
        for port in &m.ports {
            write_port(f, m, port)?;
        }
        write_channels(f, m)?;
        for note in &m.notes {
            writeln!(f, "note     {note}")?;
        }
        writeln!(f, "sealed   {}", self.data.join(m.path()).display())
    }
}

fn write_port(f: &mut fmt::Formatter<'_>, manifest: &Manifest, port: &PortRecord) -> fmt::Result {
    write!(f, "port     {}: {} frames, {} lines, {} bad", port.port, port.frames, port.lines, port.bad)?;
    if port.overruns > 0 {
        write!(f, ", {} overruns", port.overruns)?;
    }
    if port.dropped > 0 {
        write!(f, ", {} dropped", port.dropped)?;
    }
    write!(f, ", longest silence {:.3} s", port.longest_gap_us as f64 / 1e6)?;
    let gaps = manifest.gaps.iter().filter(|g| g.port == port.port).count();
    if gaps > 0 {
        write!(f, ", {gaps} gap(s) beyond the limit")?;
    }
    writeln!(f)?;
    for example in &port.bad_examples {
        writeln!(f, "  bad    at byte {}: {}", example.byte_offset, example.reason)?;
    }
    write_gaps(f, manifest, port)
}

/// Gaps in the order of time; when there are too many, losses before mere silence.
fn write_gaps(f: &mut fmt::Formatter<'_>, manifest: &Manifest, port: &PortRecord) -> fmt::Result {
    let mut gaps: Vec<&Gap> = manifest.gaps.iter().filter(|g| g.port == port.port).collect();
    let unlisted = gaps.len().saturating_sub(MOST_GAPS);
    gaps.sort_by_key(|g| !g.cause.is_loss());
    gaps.truncate(MOST_GAPS);
    gaps.sort_by_key(|g| g.start_us);
    for gap in gaps {
        let length = gap.length_s().map_or("until an unknown time".to_owned(), |s| format!("for {s:.3} s"));
        writeln!(f, "  gap    {} from {} {length}", gap.cause.words(), gap.start_us)?;
    }
    if unlisted > 0 {
        writeln!(f, "  gap    and {unlisted} more, all in the manifest")?;
    }
    Ok(())
}

fn write_channels(f: &mut fmt::Formatter<'_>, manifest: &Manifest) -> fmt::Result {
    let name = |c: &tallywheel_schemas::manifest::ChannelRecord| {
        c.position.as_ref().map_or(c.channel.clone(), |p| format!("{} ({p})", c.channel))
    };
    let (seen, never): (Vec<_>, Vec<_>) = manifest.channels.iter().partition(|c| c.samples > 0);
    list(f, "seen", seen.iter().map(|c| name(c)))?;
    list(f, "NEVER", never.iter().map(|c| name(c)))?;
    for channel in manifest.channels.iter().filter(|c| c.missing + c.out_of_range > 0) {
        let (missing, out) = (channel.missing, channel.out_of_range);
        writeln!(f, "  {}: {missing} missing, {out} out of range", name(channel))?;
    }
    Ok(())
}

fn list(f: &mut fmt::Formatter<'_>, label: &str, names: impl Iterator<Item = String>) -> fmt::Result {
    let names: Vec<String> = names.collect();
    if names.is_empty() {
        return Ok(());
    }
    let lines: Vec<String> = names.chunks(NAMES_PER_LINE).map(|line| line.join(", ")).collect();
    let label = match label {
        "seen" => format!("seen     {} channel(s): ", names.len()),
        _ => format!("NEVER    {} channel(s) never seen: ", names.len()),
    };
    writeln!(f, "{label}{}", lines.join(",\n           "))
}

/// Seconds as people say them.
pub(crate) fn duration(seconds: f64) -> String {
    let tenths = (seconds.max(0.0) * 10.0).round() as u64;
    let (hours, minutes) = (tenths / 36_000, tenths / 600 % 60);
    let mut text = String::new();
    if hours > 0 {
        // Writing to a string does not fail.
        let _ = write!(text, "{hours} h ");
    }
    if tenths >= 600 {
        let _ = write!(text, "{minutes} min ");
    }
    let _ = write!(text, "{}.{} s", tenths / 10 % 60, tenths % 10);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_read_naturally() {
        assert_eq!(duration(0.26), "0.3 s");
        assert_eq!(duration(59.96), "1 min 0.0 s");
        assert_eq!(duration(75.0), "1 min 15.0 s");
        assert_eq!(duration(7325.5), "2 h 2 min 5.5 s");
    }
}

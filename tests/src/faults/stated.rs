//! Whether a fault is stated as it was injected: in the manifest, in the summary, and in the report.

use tallywheel_schemas::manifest::{Gap, GapCause};

use super::{Checked, sealed::Sealed};

/// How far a stated start or end may be from the injected one, µs: frames are a few milliseconds apart and the
/// recorder reads every few more; the rest is for a machine that is busy with other cells.
pub const TOLERANCE_US: i64 = 250_000;

/// A gap that was injected.
#[derive(Debug, Clone, Copy)]
pub struct Injected {
    /// Why.
    pub cause: GapCause,
    /// Last frame before it, µs.
    pub start_us: i64,
    /// First frame after it, µs; `None` when the recording ends in it without an end mark.
    pub end_us: Option<i64>,
}

impl Injected {
    /// Insists that a session states exactly this gap, on the first port, and gives it.
    ///
    /// # Errors
    /// When it states another, none, or more.
    pub fn only_in(&self, session: &Sealed) -> Checked<Gap> {
        match session.manifest.gaps.as_slice() {
            [gap] => self.is(gap).map(|()| gap.clone()),
            gaps => Err(format!("one {:?} gap was injected; stated: {}", self.cause, list(gaps))),
        }
    }

    /// Insists that a session states this gap among others, and gives it.
    ///
    /// # Errors
    /// When it does not.
    pub fn among(&self, session: &Sealed) -> Checked<Gap> {
        let gaps = &session.manifest.gaps;
        let found = gaps.iter().find(|gap| self.is(gap).is_ok()).cloned();
        found.ok_or_else(|| {
            let (start, end) = (self.start_us, self.end_us);
            format!("a {:?} gap from {start} to {end:?} was injected; stated: {}", self.cause, list(gaps))
        })
    }

    fn is(&self, gap: &Gap) -> Checked<()> {
        if gap.cause != self.cause {
            return Err(format!("its cause is {:?}, stated {:?}", self.cause, gap.cause));
        }
        let near = |what: &str, stated: i64, injected: i64| {
            let off_s = (stated - injected) as f64 / 1e6;
            if (stated - injected).abs() <= TOLERANCE_US {
                Ok(())
            } else {
                Err(format!("its {what} is stated {off_s:+.3} s off the injected one"))
            }
        };
        near("start", gap.start_us.as_us(), self.start_us)?;
        match (gap.length_us, self.end_us) {
            (None, None) => Ok(()),
            (Some(length), Some(end_us)) => near("end", gap.start_us.as_us() + length, end_us),
            (stated, injected) => Err(format!("its length is stated as {stated:?}, its end was {injected:?}")),
        }
    }
}

fn list(gaps: &[Gap]) -> String {
    let gap = |g: &Gap| format!("{} {:?} from {} for {:?} s", g.port, g.cause, g.start_us, g.length_s());
    if gaps.is_empty() { "none".to_owned() } else { gaps.iter().map(gap).collect::<Vec<_>>().join("; ") }
}

/// Insists that a summary names a gap: its cause, start and length.
///
/// # Errors
/// When it does not.
pub fn in_summary(gap: &Gap, stdout: &str) -> Checked<()> {
    let length = gap.length_s().map_or("until an unknown time".to_owned(), |s| format!("for {s:.3} s"));
    let expected = format!("{} from {} {length}", gap.cause.words(), gap.start_us);
    if stdout.contains(&expected) { Ok(()) } else { Err(format!("the summary does not say {expected:?}: {stdout}")) }
}

/// Insists that the report names a gap among its notes on a run.
///
/// # Errors
/// When it does not.
pub fn in_report(gap: &Gap, notes: &[String]) -> Checked<()> {
    let cause = gap.cause.words();
    let expected = match gap.length_s() {
        Some(s) => format!("port {} gave nothing for {s:.1} s from {}: {cause}", gap.port, gap.start_us),
        None => format!("port {} gave nothing from {} on, for how long is unknown: {cause}", gap.port, gap.start_us),
    };
    if notes.contains(&expected) { Ok(()) } else { Err(format!("the report does not say {expected:?}: {notes:?}")) }
}

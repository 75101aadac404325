//! Exit codes, in one place.

use std::process::ExitCode;

use tallywheel_schemas::Manifest;

use crate::verify::Verdict;

/// How a run of the program ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// 0: done.
    Success,
    /// 1: done, but data were malformed, dropped, overrun or lost with a port, or a signal of a CAN database could not
    /// be taken over; the summary or listing says which. Of `verify`: something is damaged, missing or foreign. Of
    /// `check`: not ready. Of `status`: something needs attention.
    Faults,
    /// 2: could not be done; also wrong usage. Of `verify`: not everything could be checked.
    Failed,
}

impl Exit {
    /// The code that the system sees.
    pub const fn code(self) -> u8 {
        match self {
            Self::Success => 0,
            Self::Faults => 1,
            Self::Failed => 2,
        }
    }

    /// Whether a session's data have faults. A channel that was never seen is no fault: a sensor may be left out on
    /// purpose; the summary warns of it.
    pub fn of(manifest: &Manifest) -> Self {
        let lossy = |p: &tallywheel_schemas::manifest::PortRecord| p.bad > 0 || p.dropped > 0 || p.overruns > 0;
        let gone = manifest.gaps.iter().any(|g| g.cause.is_loss());
        if gone || manifest.ports.iter().any(lossy) { Self::Faults } else { Self::Success }
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Holds => Self::Success,
            Verdict::Damaged => Self::Faults,
            Verdict::Unchecked => Self::Failed,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

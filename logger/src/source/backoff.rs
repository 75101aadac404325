//! How long to wait between attempts to open a device that is gone.

use std::time::Duration;

/// Doubling waits from 0.1 s to 2 s: soon enough to miss little, seldom enough to cost nothing for days.
#[derive(Debug)]
pub(super) struct Backoff {
    next: Duration,
}

impl Backoff {
    const FIRST: Duration = Duration::from_millis(100);
    const LONGEST: Duration = Duration::from_secs(2);

    pub(super) fn new() -> Self {
        Self { next: Self::FIRST }
    }

    pub(super) fn wait(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(Self::LONGEST);
        wait
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_two_seconds() {
        let mut backoff = Backoff::new();
        let waits: Vec<u128> = (0..7).map(|_| backoff.wait().as_millis()).collect();
        assert_eq!(waits, [100, 200, 400, 800, 1600, 2000, 2000]);
    }
}

//! Watching one channel's samples: how many, how far apart, how long without change.

/// What was seen of one channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Watched {
    /// Samples.
    pub samples: u64,
    /// Times between two samples that exceed the limit.
    pub gaps: u64,
    /// Their sum, µs.
    pub gap_us: i64,
    /// Sum of the other times between samples, µs.
    pub covered_us: i64,
    /// Longest time over which samples kept coming and did not change at all, µs.
    pub stuck_us: i64,
}

/// Counts a channel's samples and gaps.
#[derive(Debug, Clone)]
pub struct Watch {
    limit_us: i64,
    last_us: Option<i64>,
    last_bits: u64,
    same_since: i64,
    seen: Watched,
}

impl Watch {
    /// Times between samples longer than `limit_us` are gaps.
    pub const fn new(limit_us: i64) -> Self {
        let seen = Watched { samples: 0, gaps: 0, gap_us: 0, covered_us: 0, stuck_us: 0 };
        Self { limit_us, last_us: None, last_bits: 0, same_since: 0, seen }
    }

    /// Takes a sample; `bits` tell its value from others.
    #[inline]
    pub fn add(&mut self, t: i64, bits: u64) {
        self.seen.samples += 1;
        if let Some(last) = self.last_us {
            let dt = t - last;
            if dt > self.limit_us {
                self.seen.gaps += 1;
                self.seen.gap_us += dt;
                self.same_since = t;
            } else {
                self.seen.covered_us += dt;
                if bits == self.last_bits {
                    self.seen.stuck_us = self.seen.stuck_us.max(t - self.same_since);
                } else {
                    self.same_since = t;
                }
            }
        } else {
            self.same_since = t;
        }
        self.last_us = Some(t);
        self.last_bits = bits;
    }

    /// What was seen.
    pub const fn finish(self) -> Watched {
        self.seen
    }
}

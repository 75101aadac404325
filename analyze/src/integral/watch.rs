//! Watching one channel's samples: how many, how far apart, how long without change.

use super::Stamps;

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
    /// Longest time over which samples kept coming and did not change at all, µs. Less than a bin may be missed.
    pub stuck_us: i64,
}

/// Counts a channel's samples and gaps.
#[derive(Debug, Clone)]
pub struct Watch {
    limit_us: i64,
    first_us: i64,
    last_us: i64,
    last_bits: u64,
    same_since: i64,
    seen: Watched,
}

impl Watch {
    /// Times between samples longer than `limit_us` are gaps.
    pub const fn new(limit_us: i64) -> Self {
        let seen = Watched { samples: 0, gaps: 0, gap_us: 0, covered_us: 0, stuck_us: 0 };
        Self { limit_us, first_us: 0, last_us: 0, last_bits: 0, same_since: 0, seen }
    }

    /// Takes a sample; `bits` tell its value from others.
    #[inline(always)]
    pub fn add(&mut self, t: i64, bits: u64) {
        if self.seen.samples == 0 || t - self.last_us > self.limit_us {
            self.begin(t, bits);
        } else if bits != self.last_bits {
            self.change(t, bits);
        }
        self.seen.samples += 1;
        self.last_us = t;
    }

    /// Takes many samples. A time without change that lies within one bin is not looked for: it is no longer than the
    /// bin, and every bin would have to be searched for it.
    pub fn take(&mut self, stamps: &Stamps, v: &[f64]) {
        for run in &stamps.runs {
            self.add(stamps.t[run.from], v[run.from].to_bits());
            if run.is_bridged(self.limit_us) {
                self.take_run(&stamps.t[run.from..run.to], &v[run.from..run.to]);
            } else {
                (run.from + 1..run.to).for_each(|i| self.add(stamps.t[i], v[i].to_bits()));
            }
        }
    }

    /// A run behind its first sample: its first change and its last.
    fn take_run(&mut self, t: &[i64], v: &[f64]) {
        let last = t.len() - 1;
        if let Some(first) = v.iter().position(|v| v.to_bits() != self.last_bits) {
            self.last_us = t[first - 1];
            self.change(t[first], v[first].to_bits());
            let end = v[last].to_bits();
            let same = v.iter().rposition(|v| v.to_bits() != end).map_or(0, |i| i + 1);
            if same > first {
                (self.same_since, self.last_bits) = (t[same], end);
            }
        }
        self.seen.samples += last as u64;
        self.last_us = t[last];
    }

    /// What was seen.
    pub fn finish(mut self) -> Watched {
        self.seen.stuck_us = self.seen.stuck_us.max(self.last_us - self.same_since);
        self.seen.covered_us = self.last_us - self.first_us - self.seen.gap_us;
        self.seen
    }

    /// The first sample, or the first one after a gap.
    #[cold]
    fn begin(&mut self, t: i64, bits: u64) {
        if self.seen.samples == 0 {
            self.first_us = t;
            self.last_us = t;
            self.same_since = t;
        } else {
            self.seen.gaps += 1;
            self.seen.gap_us += t - self.last_us;
        }
        self.change(t, bits);
    }

    #[inline(always)]
    fn change(&mut self, t: i64, bits: u64) {
        self.seen.stuck_us = self.seen.stuck_us.max(self.last_us - self.same_since);
        self.same_since = t;
        self.last_bits = bits;
    }
}

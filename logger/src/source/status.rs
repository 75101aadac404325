//! A calm line on the terminal while a session is recorded.

use std::{
    io::IsTerminal,
    sync::{Arc, atomic::Ordering::Relaxed},
};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::{SessionClock, outlet::Counters};
use crate::summary::duration;

/// Shown only where standard error is a terminal; messages pass above it.
pub(super) struct StatusLine {
    bar: Option<ProgressBar>,
    counters: Vec<Arc<Counters>>,
    last: Vec<u64>,
    last_s: f64,
    clock: SessionClock,
}

impl StatusLine {
    pub(super) fn new(counters: Vec<Arc<Counters>>, clock: SessionClock) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(2));
            bar.set_style(ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner()));
            bar
        });
        let last = vec![0; counters.len()];
        Self { bar, counters, last, last_s: 0.0, clock }
    }

    /// Shows rates since the last update.
    pub(super) fn update(&mut self) {
        let Some(bar) = &self.bar else { return };
        let now_s = self.clock.elapsed_s();
        let passed = (now_s - self.last_s).max(1e-3);
        let mut parts = vec![duration(now_s)];
        for (counters, last) in self.counters.iter().zip(&mut self.last) {
            let messages = counters.messages.load(Relaxed);
            let rate = (messages - *last) as f64 / passed;
            *last = messages;
            let mut part = format!("{} {rate:.0}/s", counters.port);
            for (count, word) in [(counters.bad.load(Relaxed), "bad"), (counters.dropped.load(Relaxed), "dropped")] {
                if count > 0 {
                    part.push_str(&format!(" {count} {word}"));
                }
            }
            parts.push(part);
        }
        self.last_s = now_s;
        bar.set_message(parts.join(" | "));
    }

    /// Says something that matters.
    pub(super) fn say(&self, message: &str) {
        match &self.bar {
            Some(bar) => bar.suspend(|| tracing::warn!("{message}")),
            None => tracing::warn!("{message}"),
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

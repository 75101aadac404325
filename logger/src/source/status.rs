//! A calm line on the terminal while a session is recorded.

use std::{
    cell::RefCell,
    io::IsTerminal,
    sync::{Arc, atomic::Ordering::Relaxed},
};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::{Board, SessionClock};
use crate::summary::duration;

/// A port that is silent for so long is named, s.
const SILENT_S: f64 = 3.0;

/// Shown only where standard error is a terminal; messages pass above it.
pub(super) struct StatusLine {
    bar: Option<ProgressBar>,
    board: Arc<Board>,
    clock: SessionClock,
    last: RefCell<Last>,
}

struct Last {
    messages: Vec<u64>,
    at_s: f64,
}

impl StatusLine {
    pub(super) fn new(board: Arc<Board>, clock: SessionClock) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(2));
            bar.set_style(ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner()));
            bar
        });
        let last = RefCell::new(Last { messages: vec![0; board.counters.len()], at_s: 0.0 });
        Self { bar, board, clock, last }
    }

    /// Shows rates since the last update.
    pub(super) fn update(&self) {
        let Some(bar) = &self.bar else { return };
        let now_s = self.clock.elapsed_s();
        let mut last = self.last.borrow_mut();
        let passed = (now_s - last.at_s).max(1e-3);
        last.at_s = now_s;
        let state = self.board.state().clone();
        let mut parts = vec![duration(now_s)];
        parts.extend(state.run.map(|run| format!("run {run}")));
        parts.extend(state.disk.map(|_| "DISK STOPPED".to_owned()));
        for (counters, last) in self.board.counters.iter().zip(&mut last.messages) {
            let messages = counters.messages.load(Relaxed);
            let rate = (messages - *last) as f64 / passed;
            *last = messages;
            parts.push(self.port(counters, rate));
        }
        bar.set_message(parts.join(" | "));
    }

    fn port(&self, counters: &super::board::Counters, rate: f64) -> String {
        let status = counters.status(None, self.clock.now());
        let mut part = if !status.listening {
            format!("{} GONE", status.port)
        } else if status.silent_s.is_none_or(|s| s > SILENT_S) {
            format!("{} silent", status.port)
        } else {
            format!("{} {rate:.0}/s", status.port)
        };
        for (count, word) in [(status.bad, "bad"), (status.overruns, "overruns"), (status.dropped, "dropped")] {
            if count > 0 {
                part.push_str(&format!(" {count} {word}"));
            }
        }
        part
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

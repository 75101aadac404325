//! Telling a person how far a long computation is, without the computation knowing how.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Where a computation over many sessions says how far it is.
pub trait Progress: Sync {
    /// `total` steps of `what` begin.
    fn begin(&self, what: &str, total: u64);
    /// `total` bytes of `what` begin; [`Progress::advance_by`] is told of them.
    fn begin_bytes(&self, what: &str, total: u64);
    /// One step is done. May be called from several threads.
    fn advance(&self) {
        self.advance_by(1);
    }
    /// So many steps or bytes are done. May be called from several threads.
    fn advance_by(&self, done: u64);
    /// All steps are done.
    fn end(&self);
}

/// Says nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn begin(&self, _what: &str, _total: u64) {}
    fn begin_bytes(&self, _what: &str, _total: u64) {}
    fn advance_by(&self, _done: u64) {}
    fn end(&self) {}
}

/// A bar on stderr, invisible where stderr is not a terminal.
#[derive(Debug)]
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar that shows itself with the first [`Progress::begin`].
    pub fn new() -> Self {
        Self(ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr()))
    }
}

impl Default for Bar {
    fn default() -> Self {
        Self::new()
    }
}

impl Bar {
    fn start(&self, template: &str, what: &str, total: u64) {
        // The template is fixed text, so a parse error would be a bug; the plain style is good enough then.
        if let Ok(style) = ProgressStyle::with_template(template) {
            self.0.set_style(style);
        }
        self.0.reset();
        self.0.set_length(total);
        self.0.set_message(what.to_owned());
    }
}

impl Progress for Bar {
    fn begin(&self, what: &str, total: u64) {
        self.start("{msg} {wide_bar} {pos}/{len}, {per_sec}, {eta} left", what, total);
    }

    fn begin_bytes(&self, what: &str, total: u64) {
        self.start("{msg} {wide_bar} {bytes}/{total_bytes}, {bytes_per_sec}, {eta} left", what, total);
    }

    fn advance_by(&self, done: u64) {
        self.0.inc(done);
    }

    fn end(&self) {
        self.0.finish_and_clear();
    }
}

//! Messages to standard error: for a person on a terminal, for the system's journal as a service.

use std::{
    fmt,
    io::{self, IsTerminal},
};

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::{
    fmt::{
        FmtContext, FormatEvent, FormatFields,
        format::{Compact, Format, Writer},
    },
    registry::LookupSpan,
};

/// Starts the messages; what a message weighs is in front of it as the system's journal reads it (`<4>`, see
/// sd-daemon(3)) where it goes there.
pub(super) fn start() {
    // What cannot be said is not said: a terminal that was closed or a pipe that nobody reads any more must not end a
    // recording, and the library's own complaint about it would panic.
    let subscriber = tracing_subscriber::fmt()
        .with_writer(io::stderr)
        .log_internal_errors(false)
        .with_ansi(io::stderr().is_terminal());
    let plain = Format::default().without_time().with_target(false).compact();
    // Fails only if a test in the same process has set one already.
    let _ = if std::env::var_os("JOURNAL_STREAM").is_some() {
        subscriber.event_format(Weighed(plain.with_level(false))).try_init()
    } else {
        subscriber.event_format(plain).try_init()
    };
}

struct Weighed(Format<Compact, ()>);

impl<S, N> FormatEvent<S, N> for Weighed
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(&self, context: &FmtContext<'_, S, N>, mut writer: Writer<'_>, event: &Event<'_>) -> fmt::Result {
        let weight = match *event.metadata().level() {
            Level::ERROR => 3,
            Level::WARN => 4,
            Level::INFO => 6,
            _ => 7,
        };
        write!(writer, "<{weight}>")?;
        self.0.format_event(context, writer, event)
    }
}

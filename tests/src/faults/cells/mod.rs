//! The cells of the matrix, by what is at fault.

mod clock;
mod disk;
mod ends;
mod holders;
mod ports;
mod power;
mod seams;
mod wire;

use super::{Cell, Needs};

const fn cell(
    name: &'static str,
    about: &'static str,
    needs: Needs,
    check: fn(&super::bay::Bay) -> super::Checked<String>,
) -> Cell {
    Cell { name, about, needs, check }
}

/// Every cell.
pub(super) const ALL: &[Cell] = &[
    cell("kill-9", "killed while recording, then `recover`", Needs::Little, power::kill_9),
    cell("power-cut", "what was not synced is cut, zeroed or garbage, then `recover`", Needs::Shim, power::power_cut),
    cell("disk-full-briefly", "no space for two seconds, queue holds", Needs::Shim, disk::full_briefly),
    cell("disk-full-overflow", "no space until the queue overflows", Needs::ShimAlone, disk::full_until_overflow),
    cell("disk-full-at-seams", "no space while sessions should follow each other", Needs::Shim, disk::full_at_seams),
    cell(
        "disk-full-while-sealing",
        "no space for sealing while recording goes on",
        Needs::Shim,
        disk::full_while_sealing,
    ),
    cell("disk-full-to-end", "no space for anything until the recording is ended", Needs::Shim, disk::full_to_end),
    cell("torn-write", "half of a write, then no space, then space, then kill -9", Needs::Shim, disk::torn_write),
    cell("sync-error", "fdatasync fails for a second", Needs::Shim, disk::sync_error),
    cell("slow-disk", "every sync takes 500 ms longer at a full bus", Needs::ShimAlone, disk::slow),
    cell("slow-disk-overflow", "a sync of 5 s until the queue overflows", Needs::ShimAlone, disk::slow_until_overflow),
    cell("replug", "unplugged, plugged in again", Needs::Little, ports::replug),
    cell("replug-renumbered", "unplugged, plugged in under another number", Needs::Little, ports::replug_renumbered),
    cell("unplugged-to-end", "unplugged for good", Needs::Little, ports::unplugged_to_end),
    cell("absent-at-start", "plugged in after the start, nobody there", Needs::Little, ports::absent_at_start),
    cell("overrun", "the adapter reports lost frames", Needs::Little, wire::overrun),
    cell("bus-off", "the adapter leaves the bus for a while", Needs::Little, wire::bus_off),
    cell("error-flags", "the adapter reports flags that are no loss", Needs::Little, wire::error_flags),
    cell("error-lines", "the adapter reports errors on the bus", Needs::Little, wire::error_lines),
    cell("garbage", "random bytes between frames", Needs::Little, wire::garbage),
    cell("half-frames", "halves of frames between frames", Needs::Little, wire::half_frames),
    cell("wrong-baud", "only random bytes for seconds", Needs::Little, wire::wrong_baud),
    cell("stalled", "nothing for seconds", Needs::Little, wire::stalled),
    cell("clock-forwards", "the system's clock is set an hour ahead", Needs::Shim, clock::forwards),
    cell("clock-backwards", "the system's clock is set an hour back", Needs::Shim, clock::backwards),
    cell("late-fix", "the system's clock is days off, the first fix comes late", Needs::Shim, clock::late_fix),
    cell("late-fix-hour", "a journal with the first fix after an hour", Needs::Little, clock::fix_after_an_hour),
    cell("device-wrap", "the device's milliseconds wrap at 60 s", Needs::Little, clock::device_wrap),
    cell("device-restart", "the device's milliseconds start anew", Needs::Little, clock::device_restart),
    cell("two-loggers-one-dataset", "a second logger for the dataset", Needs::Little, holders::one_dataset),
    cell("two-loggers-one-port", "a second logger for the port", Needs::Little, holders::one_port),
    cell("rotate-full-bus", "a new session every second at a full bus", Needs::Alone, seams::rotate_full_bus),
    cell("run-and-mark", "a run begun, marked and ended from another terminal", Needs::Little, seams::run_and_mark),
    cell("kill-in-seams", "killed while sessions follow each other quickly", Needs::Little, seams::kill_in_seams),
    cell("sigterm", "ended by SIGTERM", Needs::Little, ends::sigterm),
    cell("sighup", "ended by SIGHUP", Needs::Little, ends::sighup),
    cell("ctrl-c", "ended by SIGINT", Needs::Little, ends::ctrl_c),
    cell("status", "asked for its status while recording, afterwards, and after a kill", Needs::Little, ends::status),
];

/// The cell of a name.
pub(super) fn find(name: &str) -> Option<&'static Cell> {
    ALL.iter().find(|cell| cell.name == name)
}

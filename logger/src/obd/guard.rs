//! When not to transmit: bus errors, silence, another tester.

use tallywheel_schemas::Timestamp;

use crate::message::StatusMeaning;

/// Pauses before the first, second and third new attempt, µs. There is no fourth.
const PAUSES_US: [i64; 3] = [10_000_000, 60_000_000, 300_000_000];
/// Requests in a row without answer, acknowledgement or echo.
const SILENT_REQUESTS: u32 = 10;
/// After so long without a bus error earlier ones are forgotten, µs.
const CALM_US: i64 = 600_000_000;

/// Decides whether anything may be transmitted.
#[derive(Debug, Clone, Default)]
pub(super) struct Guard {
    until: Option<Timestamp>,
    errors: Attempts,
    silences: Attempts,
    silent: u32,
    last_error: Option<Timestamp>,
    /// The controller's state as the adapter last gave it, unless it was active.
    troubled: Option<&'static str>,
    stopped: Option<String>,
}

/// Pauses so far, for one kind of cause.
#[derive(Debug, Clone, Copy, Default)]
struct Attempts(usize);

impl Guard {
    /// Whether it is over for good, and why.
    pub(super) fn stopped(&self) -> Option<&str> {
        self.stopped.as_deref()
    }

    /// The end of the pause, if there is one.
    pub(super) fn paused_until(&self) -> Option<Timestamp> {
        self.until
    }

    /// Whether something may be transmitted now, as far as this is concerned.
    pub(super) fn allows(&self) -> bool {
        self.stopped.is_none() && self.until.is_none()
    }

    /// Ends a pause whose time is over, unless the adapter still reports trouble; gives what to say.
    pub(super) fn tick(&mut self, now: Timestamp) -> Option<String> {
        self.until.take_if(|until| now >= *until)?;
        match self.troubled {
            Some(state) => Some(self.bus_error(now, &format!("the adapter's controller is still {state}"))),
            None => Some("OBD-II requests go on".to_owned()),
        }
    }

    /// Takes what the adapter says about itself; gives what to say if that ends or pauses transmission.
    pub(super) fn status(&mut self, at: Timestamp, meaning: &StatusMeaning) -> Option<String> {
        if let StatusMeaning::State { state, .. } = meaning {
            self.troubled = Some(*state).filter(|state| *state != "active");
        }
        let trouble = trouble(meaning)?;
        (self.allows()).then(|| self.bus_error(at, &trouble))
    }

    /// An answer came: the bus works.
    pub(super) fn answered(&mut self, at: Timestamp) {
        (self.silent, self.silences) = (0, Attempts::default());
        if self.last_error.is_some_and(|last| at >= last.plus_us(CALM_US)) {
            (self.errors, self.last_error) = (Attempts::default(), None);
        }
    }

    /// A request was at least acknowledged.
    pub(super) fn acknowledged(&mut self) {
        self.silent = 0;
    }

    /// A request had no answer, acknowledgement or echo; gives what to say if that was one too many.
    pub(super) fn unanswered(&mut self, at: Timestamp) -> Option<String> {
        self.silent += 1;
        if self.silent < SILENT_REQUESTS {
            return None;
        }
        self.silent = 0;
        let cause = format!("{SILENT_REQUESTS} requests in a row had no answer and no acknowledgement");
        let attempts = self.silences;
        let said = self.pause(at, &cause, attempts);
        self.silences.0 += 1;
        Some(said)
    }

    /// Another tester is on the bus: its session is not to be disturbed.
    pub(super) fn other_tester(&mut self, id: u32) -> Option<String> {
        if self.stopped.is_some() {
            return None;
        }
        Some(self.stop(&format!("another tester is on the bus (identifier {id:X})")))
    }

    fn bus_error(&mut self, at: Timestamp, cause: &str) -> String {
        let attempts = self.errors;
        let said = self.pause(at, cause, attempts);
        self.errors.0 += 1;
        self.last_error = Some(at);
        said
    }

    fn pause(&mut self, at: Timestamp, cause: &str, attempts: Attempts) -> String {
        let Some(pause_us) = PAUSES_US.get(attempts.0) else {
            return self.stop(&format!("{cause}, after {} pauses", PAUSES_US.len()));
        };
        self.until = Some(at.plus_us(*pause_us));
        let seconds = pause_us / 1_000_000;
        format!("OBD-II requests pause for {seconds} s, {} of {}: {cause}", attempts.0 + 1, PAUSES_US.len())
    }

    fn stop(&mut self, cause: &str) -> String {
        self.until = None;
        self.stopped = Some(cause.to_owned());
        format!("OBD-II requests stop for this recording: {cause}")
    }
}

/// What a status says about the bus, if it is a reason not to transmit.
fn trouble(meaning: &StatusMeaning) -> Option<String> {
    match meaning {
        StatusMeaning::State { state, rx_errors, tx_errors } if *state != "active" => Some(format!(
            "the adapter's controller is {state} (error counters: receive {rx_errors}, transmit {tx_errors})"
        )),
        // A full receive buffer is the host's fault, not the bus's.
        StatusMeaning::Errors(errors) if errors.iter().any(|e| *e != "rx overrun") => {
            Some(format!("the adapter reports bus errors: {}", errors.join(", ")))
        }
        // Bit 2: error warning; 5: error passive; 7: bus error. The others are full buffers and lost arbitration.
        StatusMeaning::Flags(flags) if flags & 0b1010_0100 != 0 => {
            Some(format!("the adapter reports bus errors (flags {flags:02X})"))
        }
        StatusMeaning::ErrorFrame => Some("an error frame was reported".to_owned()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn at(s: i64) -> Timestamp {
        Timestamp::from_us(s * 1_000_000)
    }

    fn state(state: &'static str) -> StatusMeaning {
        StatusMeaning::State { state, rx_errors: 0, tx_errors: 130 }
    }

    #[test]
    fn three_pauses_then_the_end() {
        let mut guard = Guard::default();
        let passive = StatusMeaning::Errors(vec!["ack"]);
        let mut now = 0;
        for pause in [10, 60, 300] {
            assert!(guard.allows());
            let said = guard.status(at(now), &passive).expect("a pause");
            assert!(said.contains(&format!("pause for {pause} s")) && said.ends_with("bus errors: ack"), "{said}");
            assert_eq!(guard.status(at(now + 1), &passive), None, "said once");
            assert_eq!(guard.tick(at(now + pause - 1)), None);
            assert_eq!(guard.tick(at(now + pause)).as_deref(), Some("OBD-II requests go on"));
            guard.answered(at(now + pause + 1));
            now += pause + 2;
        }
        let said = guard.status(at(now), &passive).expect("the end");
        assert!(said.contains("stop for this recording") && said.contains("after 3 pauses"), "{said}");
        assert!(!guard.allows() && guard.tick(at(1_000_000)).is_none() && guard.stopped().is_some());
    }

    #[test]
    fn a_controller_that_stays_passive_ends_it_by_itself() {
        let mut guard = Guard::default();
        guard.status(at(0), &state("passive")).expect("a pause");
        assert!(guard.tick(at(10)).expect("again").contains("still passive"));
        guard.status(at(20), &state("active"));
        assert_eq!(guard.tick(at(70)).as_deref(), Some("OBD-II requests go on"));
        guard.status(at(71), &state("bus-off")).expect("the third pause");
        assert!(guard.tick(at(371)).expect("the end").contains("stop for this recording"));
    }

    #[test]
    fn ten_minutes_without_errors_forgive() {
        let mut guard = Guard::default();
        for hour in 0..20 {
            guard.status(at(hour * 3600), &StatusMeaning::Flags(0x80)).expect("a pause");
            guard.tick(at(hour * 3600 + 10)).expect("goes on");
            guard.answered(at(hour * 3600 + 610));
        }
        assert!(guard.allows());
    }

    #[test]
    fn silence_pauses_and_an_answer_forgives() {
        let mut guard = Guard::default();
        for n in 0..9 {
            assert_eq!(guard.unanswered(at(n)), None);
        }
        guard.acknowledged();
        for n in 0..9 {
            assert_eq!(guard.unanswered(at(n)), None);
        }
        assert!(guard.unanswered(at(10)).expect("ten").contains("pause for 10 s"));
        guard.tick(at(20));
        guard.answered(at(21));
        for n in 0..9 {
            assert_eq!(guard.unanswered(at(n)), None);
        }
        assert!(guard.unanswered(at(30)).expect("ten").contains("pause for 10 s, 1 of 3"));
    }

    #[test]
    fn what_is_no_bus_error_stops_nothing() {
        let mut guard = Guard::default();
        let harmless = [
            state("active"),
            StatusMeaning::Errors(vec!["rx overrun"]),
            StatusMeaning::Flags(0b0100_1011),
            StatusMeaning::Sent,
            StatusMeaning::Version,
            StatusMeaning::Refused,
        ];
        assert!(harmless.iter().all(|meaning| guard.status(at(0), meaning).is_none()) && guard.allows());
        for flag in [0x04, 0x20, 0x80] {
            assert!(Guard::default().status(at(0), &StatusMeaning::Flags(flag)).is_some());
        }
        for name in ["warning", "passive", "bus-off"] {
            assert!(Guard::default().status(at(0), &state(name)).is_some());
        }
    }
}

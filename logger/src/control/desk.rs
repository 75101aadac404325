//! Carries out what people ask of a running recording.

use std::{
    path::PathBuf,
    sync::{Arc, mpsc},
    time::Duration,
};

use tallywheel_schemas::{
    RunSheet, Timestamp,
    correction::{Correction, append},
};

use super::{Command, CommandKind, check_fuel_mass};
use crate::{
    journal::{Note, SessionNote},
    source::{Board, Passage, Seam, Sender, SessionClock, ToJournal},
};

/// How long a seam may take before the person is told that it has not happened yet.
const SEAM_TIMEOUT: Duration = Duration::from_secs(3);
/// A marker may be set for a moment this long ago, as when the page was out of reach, µs: a day.
const OLDEST_MARK_US: i64 = 86_400_000_000;
/// Longest text of a marker, characters.
const LONGEST_MARK: usize = 4000;
/// Longest name of who asks, characters.
const LONGEST_WHO: usize = 200;

/// Carries out commands.
pub(crate) struct Desk {
    pub(crate) data: PathBuf,
    pub(crate) sender: Sender,
    pub(crate) board: Arc<Board>,
    pub(crate) clock: SessionClock,
}

impl Desk {
    /// Serves commands until nobody can send any more.
    pub(crate) fn serve(&self, commands: &mpsc::Receiver<Command>) {
        for Command { what, who, reply } in commands {
            let outcome = self.carry_out(what, &who);
            if let Ok(done) = &outcome {
                tracing::info!("{done}");
            }
            // Whoever asked may have gone away.
            let _ = reply.send(outcome);
        }
    }

    fn carry_out(&self, what: CommandKind, who: &str) -> Result<String, String> {
        match what {
            CommandKind::Mark { text, at } => self.mark(&text, at, who),
            CommandKind::RunStart { sheet } => self.start(sheet),
            CommandKind::RunStop { fuel_mass_after_kg } => self.stop(fuel_mass_after_kg, who),
        }
    }

    fn mark(&self, text: &str, at: Option<Timestamp>, who: &str) -> Result<String, String> {
        let text = one_line(text, LONGEST_MARK)?;
        if text.is_empty() {
            return Err("a marker needs a text".to_owned());
        }
        let now = self.clock.now();
        // The page's clock may be a little ahead.
        let at_us = at.map_or(now, |at| at.min(now));
        if now.as_us().saturating_sub(at_us.as_us()) > OLDEST_MARK_US {
            return Err(format!("the marker's time {at_us} is more than a day ago"));
        }
        let done = format!("marked at {at_us}: {text}");
        let what = SessionNote::Marker { text, who: one_line(who, LONGEST_WHO)? };
        self.sender.send(ToJournal::Note(Note { at_us, what })).map_err(|_| gone())?;
        Ok(done)
    }

    fn start(&self, sheet: RunSheet) -> Result<String, String> {
        sheet.check().map_err(|e| e.to_string())?;
        if let Some(run) = &self.board.state().run {
            return Err(format!("run `{run}` is not over: stop it first"));
        }
        let run = sheet.run.clone();
        let passage = self.seam(Some(sheet))?;
        Ok(format!("run `{run}` is being recorded in session {}", passage.began))
    }

    fn stop(&self, fuel_mass_after_kg: Option<f64>, who: &str) -> Result<String, String> {
        let Some(run) = self.board.state().run.clone() else { return Err("no run is being recorded".to_owned()) };
        // Before the run is over: a mass that no run sheet can hold would be refused whenever the sheet is read.
        fuel_mass_after_kg.map_or(Ok(()), check_fuel_mass)?;
        let who = &one_line(who, LONGEST_WHO)?;
        let passage = self.seam(None)?;
        let mut done = format!("run `{run}` is over, session {} is being sealed", passage.ended);
        if let Some(kg) = fuel_mass_after_kg {
            let correction =
                Correction::new(self.clock.now(), who, "weighed after the run", "fuel_mass_after_kg", kg.into());
            append(&self.data, &self.board.vehicle, &passage.ended, &[correction]).map_err(|e| e.to_string())?;
            done.push_str(&format!("; {kg} kg of fuel after it is noted"));
        }
        Ok(done)
    }

    fn seam(&self, run: Option<RunSheet>) -> Result<Passage, String> {
        let (reply, answer) = mpsc::channel();
        let seam = Seam { at: self.clock.now(), run, reply: Some(reply) };
        self.sender.send(ToJournal::Seam(seam)).map_err(|_| gone())?;
        answer.recv_timeout(SEAM_TIMEOUT).unwrap_or_else(|_| {
            Err("the disk is slow or full; the new session will begin as soon as it takes data again".to_owned())
        })
    }
}

/// A text of one line, trimmed. A key that is no letter, or a line end that was pasted, is no reason to lose the moment:
/// it becomes a space, so that it draws nothing on a terminal and no line of its own in a log.
fn one_line(text: &str, longest: usize) -> Result<String, String> {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().count() > longest {
        return Err(format!("a text of more than {longest} characters is not kept; make it shorter"));
    }
    Ok(text.trim().to_owned())
}

fn gone() -> String {
    "the recording is ending".to_owned()
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Rig, TextFile};

    use super::*;
    use crate::source::{Queue, queue};

    fn desk() -> (Desk, Queue) {
        let text =
            "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
        let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a rig");
        let (sender, queue) = queue();
        let desk = Desk { data: PathBuf::new(), sender, board: Board::new(&rig), clock: SessionClock::start() };
        (desk, queue)
    }

    #[test]
    fn a_mark_is_one_line_and_keeps_its_moment() {
        let (desk, queue) = desk();
        let earlier = desk.clock.now().plus_us(-7_200_000_000);
        desk.mark("a\n WARN b\u{1b}[31m\u{7}", Some(earlier), "M\nK").expect("a mark");
        let Ok(ToJournal::Note(Note { at_us, what })) = queue.receiver.try_recv() else { panic!("no note") };
        let text = "a  WARN b [31m".to_owned();
        assert_eq!((at_us, what), (earlier, SessionNote::Marker { text, who: "M K".to_owned() }));
        assert!(desk.mark("\u{7}", None, "").is_err() && desk.mark(&"x".repeat(5000), None, "").is_err());
        let long_ago = desk.clock.now().plus_us(-2 * OLDEST_MARK_US);
        assert!(desk.mark("x", Some(long_ago), "").expect_err("a day").contains("more than a day ago"));
        assert!(queue.receiver.try_recv().is_err(), "nothing of what was refused");
    }

    #[test]
    fn a_mass_that_no_run_sheet_holds_does_not_end_the_run() {
        let (desk, queue) = desk();
        desk.board.state().run = Some("hl-01".to_owned());
        for kg in [-5.0, f64::NAN, f64::INFINITY, 1e300] {
            assert!(desk.stop(Some(kg), "MK").expect_err("no mass").contains("kg of fuel is outside 0 to 1000"));
        }
        assert!(queue.receiver.try_recv().is_err(), "no seam");
    }
}

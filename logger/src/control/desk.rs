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

use super::{Command, CommandKind};
use crate::{
    journal::{Note, SessionNote},
    source::{Board, Passage, Seam, Sender, SessionClock, ToJournal},
};

/// How long a seam may take before the person is told that it has not happened yet.
const SEAM_TIMEOUT: Duration = Duration::from_secs(3);
/// A marker may be set for a moment this long ago, as when the page was out of reach, µs.
const OLDEST_MARK_US: i64 = 3_600_000_000;

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
        let text = text.trim().to_owned();
        if text.is_empty() {
            return Err("a marker needs a text".to_owned());
        }
        let now = self.clock.now();
        let recent = |at: &Timestamp| (0..=OLDEST_MARK_US).contains(&(now.as_us() - at.as_us()));
        let at_us = at.filter(recent).unwrap_or(now);
        let done = format!("marked at {at_us}: {text}");
        let what = SessionNote::Marker { text, who: who.to_owned() };
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

fn gone() -> String {
    "the recording is ending".to_owned()
}

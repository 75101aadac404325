//! A recording that is under way: a recorder that listens to an adapter that speaks.

use std::{process::Command, time::Duration};

use nix::sys::signal::Signal;

use super::{
    Checked,
    bay::{self, Bay, PORT, RUN},
    recorder::{Ended, Recorder},
    sealed::Sealed,
    shim::Faults,
    speaker::{Sent, Speaker},
    stated::{self, Injected},
    terminal::{StableLink, Terminal},
    within,
};

/// Frames a second in cells that are about something else.
pub(super) const MODEST: u32 = 500;
/// How long a recorder may take to do anything, on a machine that is busy with other cells.
pub(super) const PATIENCE: Duration = Duration::from_secs(30);

/// How a recording begins.
#[derive(Debug, Clone)]
pub(super) struct Setup {
    pub(super) rate: u32,
    /// The recording is the faulted run.
    pub(super) run: bool,
    /// More arguments of `record`.
    pub(super) args: Vec<String>,
    pub(super) shim: bool,
    /// The adapter stamps frames; its clock stands at so many ms at first.
    pub(super) device_ms: Option<i64>,
    /// By how much the system's clock is wrong from the start, µs.
    pub(super) shift_us: i64,
}

impl Setup {
    pub(super) fn new() -> Self {
        Self { rate: MODEST, run: true, args: Vec::new(), shim: false, device_ms: None, shift_us: 0 }
    }

    pub(super) fn shim() -> Self {
        Self { shim: true, ..Self::new() }
    }
}

/// A recording under way.
pub(super) struct Scene<'a> {
    pub(super) bay: &'a Bay,
    pub(super) recorder: Recorder,
    pub(super) speaker: Speaker,
    pub(super) link: StableLink,
    faults: Option<Faults>,
}

/// A recording that is over.
pub(super) struct Finished {
    pub(super) ended: Ended,
    pub(super) sessions: Vec<Sealed>,
    pub(super) sent: Vec<Sent>,
}

/// The arguments of a recording with the usual rig on a device.
pub(super) fn command(bay: &Bay, setup: &Setup, link: &StableLink) -> Checked<Command> {
    let rig = bay.write("rig.toml", &bay::rig(setup.device_ms.is_some()))?;
    let mut command = Command::new(&bay.logger);
    command.args(["record", "--rig"]).arg(rig).arg("--data").arg(bay.dataset());
    command.args(["--device", &format!("{PORT}={}", link.path().display())]);
    if setup.run {
        command.arg("--run-sheet").arg(bay.write("run.toml", &bay::sheet(RUN, "baseline"))?);
    }
    command.args(&setup.args);
    Ok(command)
}

impl<'a> Scene<'a> {
    /// Plugs an adapter in and begins to record it; it speaks when this returns.
    pub(super) fn begin(bay: &'a Bay, setup: &Setup) -> Checked<Self> {
        let link = StableLink::new(&bay.path("by-id"), "usb-adapter").map_err(within("link"))?;
        let mut terminal = Terminal::open().map_err(within("a pseudo-terminal"))?;
        link.point_to(terminal.device()).map_err(within("link"))?;
        let mut command = command(bay, setup, &link)?;
        let faults = faults(bay, setup, &mut command)?;
        let mut recorder = Recorder::start(command).map_err(within("the recorder"))?;
        recorder.wait_opens(&mut terminal, PATIENCE).map_err(within("the recorder"))?;
        let speaker = Speaker::start(terminal, 0);
        if let Some(ms) = setup.device_ms {
            speaker.device_clock(ms);
        }
        speaker.rate(setup.rate);
        Ok(Self { bay, recorder, speaker, link, faults })
    }

    pub(super) fn faults(&self) -> Checked<&Faults> {
        self.faults.as_ref().ok_or_else(|| "the cell was begun without the shim".to_owned())
    }

    /// Lets time pass.
    pub(super) fn pass(&self, seconds: f64) {
        std::thread::sleep(Duration::from_secs_f64(seconds));
    }

    /// Takes the adapter away, its name with it; gives when it was gone, µs.
    pub(super) fn unplug(&self) -> Checked<i64> {
        let at_us = self.speaker.unplug();
        self.link.remove().map_err(within("link"))?;
        Ok(at_us)
    }

    /// Plugs an adapter in again and waits until the recorder has opened it.
    pub(super) fn plug(&mut self, mut terminal: Terminal) -> Checked<()> {
        self.link.point_to(terminal.device()).map_err(within("link"))?;
        self.recorder.wait_opens(&mut terminal, PATIENCE).map_err(within("the recorder"))?;
        self.speaker.plug(terminal);
        Ok(())
    }

    /// Silences the adapter and ends the recording as a person would.
    pub(super) fn end(self) -> Checked<Finished> {
        self.end_with(Signal::SIGTERM)
    }

    pub(super) fn end_with(self, signal: Signal) -> Checked<Finished> {
        self.speaker.rate(0);
        self.recorder.signal(signal).map_err(within("signal"))?;
        let ended = self.recorder.wait(PATIENCE).map_err(within("the recorder"))?;
        let sent = self.speaker.finish().map_err(within("the speaker"))?;
        Ok(Finished { ended, sessions: self.bay.sessions()?, sent })
    }

    /// Kills the recorder while the adapter speaks; gives what was sent and what steered the shim.
    pub(super) fn kill(self) -> Checked<(Vec<Sent>, Option<Faults>)> {
        self.recorder.kill().map_err(within("kill"))?;
        let sent = self.speaker.finish().map_err(within("the speaker"))?;
        Ok((sent, self.faults))
    }
}

/// Loads the shim into a recorder when the setup wants it.
pub(super) fn faults(bay: &Bay, setup: &Setup, command: &mut Command) -> Checked<Option<Faults>> {
    let Some(shim) = bay.shim.as_ref().filter(|_| setup.shim) else { return Ok(None) };
    let faults = shim.load(command, &bay.path("faults")).map_err(within("the shim"))?;
    faults.clock_shift_us(setup.shift_us).map_err(within("the shim"))?;
    Ok(Some(faults))
}

impl Finished {
    /// The only session.
    pub(super) fn only(&self) -> Checked<&Sealed> {
        match self.sessions.as_slice() {
            [session] => Ok(session),
            sessions => Err(format!("{} sessions instead of one: {}", sessions.len(), self.ended.stderr)),
        }
    }

    /// Insists on an exit code.
    pub(super) fn code(&self, expected: i32) -> Checked<()> {
        let Ended { code, stderr, .. } = &self.ended;
        if *code == Some(expected) { Ok(()) } else { Err(format!("exit code {code:?}, not {expected}: {stderr}")) }
    }

    /// Insists that the only session states one gap, in manifest, summary and report; says how far it is off.
    pub(super) fn states(&self, bay: &Bay, injected: Injected) -> Checked<String> {
        let gap = injected.only_in(self.only()?)?;
        stated::in_summary(&gap, &self.ended.stdout)?;
        stated::in_report(&gap, &bay.report_notes()?)?;
        let start_off = (gap.start_us.as_us() - injected.start_us) as f64 / 1e6;
        let length = injected.end_us.zip(gap.length_s()).map(|(end, stated)| {
            let injected_s = (end - injected.start_us) as f64 / 1e6;
            format!("{stated:.3} s stated, {injected_s:.3} s injected, ")
        });
        let length = length.unwrap_or_else(|| "end unknown as stated, ".to_owned());
        Ok(format!("{} gap: {length}start {start_off:+.3} s off", gap.cause.words()))
    }

    /// Last frame that was out by then, and the first after another moment, µs.
    pub(super) fn around(&self, from_us: i64, to_us: i64) -> Checked<(i64, i64)> {
        let before = self.sent.iter().rev().find(|s| s.at_us <= from_us).map(|s| s.at_us);
        let after = self.sent.iter().find(|s| s.at_us > to_us).map(|s| s.at_us);
        before.zip(after).ok_or_else(|| "no frame before or after the fault".to_owned())
    }
}

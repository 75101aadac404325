//! The real recorder: started, signalled, listened to.

use std::{
    ffi::OsString,
    io::{self, BufRead, BufReader, Read},
    path::Path,
    process::{Child, Command, Stdio},
    sync::{Arc, Mutex, PoisonError},
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};

use super::terminal::Terminal;

/// A running `tallywheel-logger record`. It is killed when this is dropped.
#[derive(Debug)]
pub struct Recorder {
    child: Child,
    stdout: Option<JoinHandle<String>>,
    stderr: Arc<Mutex<String>>,
    listener: Option<JoinHandle<()>>,
}

/// How a program ended.
#[derive(Debug)]
pub struct Ended {
    /// Its exit code; `None` when a signal ended it.
    pub code: Option<i32>,
    /// What it wrote to standard output.
    pub stdout: String,
    /// What it wrote to standard error.
    pub stderr: String,
    /// From the call to its end.
    pub took: Duration,
}

impl Recorder {
    /// Starts a program that was given all its arguments.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn start(mut program: Command) -> io::Result<Self> {
        program.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = program.spawn()?;
        let stdout = child.stdout.take().map(|mut stream| {
            thread::spawn(move || {
                let mut text = Vec::new();
                // What broke off is still told.
                let _ = stream.read_to_end(&mut text);
                String::from_utf8_lossy(&text).into_owned()
            })
        });
        let stderr = Arc::new(Mutex::new(String::new()));
        let listener = child.stderr.take().map(|stream| {
            let heard = Arc::clone(&stderr);
            thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    let mut heard = heard.lock().unwrap_or_else(PoisonError::into_inner);
                    heard.push_str(&line);
                    heard.push('\n');
                }
            })
        });
        Ok(Self { child, stdout, stderr, listener })
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// What it wrote to standard error so far.
    pub fn said(&self) -> String {
        self.stderr.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits until it has said something.
    ///
    /// # Errors
    /// When it has not after so long, with what it did say.
    pub fn wait_said(&self, what: &str, patience: Duration) -> io::Result<()> {
        let until = Instant::now() + patience;
        while !self.said().contains(what) {
            if Instant::now() > until {
                return Err(io::Error::new(
                    io::ErrorKind::TimedOut,
                    format!("never said {what:?}, only {}", self.said()),
                ));
            }
            thread::sleep(Duration::from_millis(10));
        }
        Ok(())
    }

    /// Waits until it has opened the adapter on a terminal.
    ///
    /// # Errors
    /// When it has not after so long or has ended, with what it said.
    pub fn wait_opens(&mut self, terminal: &mut Terminal, patience: Duration) -> io::Result<()> {
        const LOOK: Duration = Duration::from_millis(500);
        let until = Instant::now() + patience;
        loop {
            let is_over = self.child.try_wait()?.is_some();
            match terminal.wait_opened(LOOK) {
                Ok(_) => return Ok(()),
                Err(e) if is_over || Instant::now() > until => {
                    return Err(io::Error::new(e.kind(), format!("{e}: {}", self.said())));
                }
                Err(_) => {}
            }
        }
    }

    /// Sends it a signal.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn signal(&self, signal: Signal) -> io::Result<()> {
        let pid = i32::try_from(self.child.id()).map_err(io::Error::other)?;
        Ok(kill(Pid::from_raw(pid), signal)?)
    }

    /// Waits for its end.
    ///
    /// # Errors
    /// When it goes on for longer than that; it is killed then.
    pub fn wait(mut self, patience: Duration) -> io::Result<Ended> {
        let began = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait()? {
                break status;
            }
            if began.elapsed() > patience {
                let said = self.said();
                return Err(io::Error::new(
                    io::ErrorKind::TimedOut,
                    format!("did not end within {patience:?}: {said}"),
                ));
            }
            thread::sleep(Duration::from_millis(5));
        };
        let took = began.elapsed();
        let stdout = self.stdout.take().and_then(|s| s.join().ok()).unwrap_or_default();
        if let Some(listener) = self.listener.take() {
            // It only gathers text.
            let _ = listener.join();
        }
        Ok(Ended { code: status.code(), stdout, stderr: self.said(), took })
    }

    /// Kills it with SIGKILL and waits until it is gone.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn kill(mut self) -> io::Result<()> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// Runs a program to its end.
///
/// # Errors
/// When it cannot be started.
pub fn run<S: Into<OsString>>(program: &Path, args: impl IntoIterator<Item = S>) -> io::Result<Ended> {
    let began = Instant::now();
    let output = Command::new(program).args(args.into_iter().map(Into::into)).stdin(Stdio::null()).output()?;
    Ok(Ended {
        code: output.status.code(),
        stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
        took: began.elapsed(),
    })
}

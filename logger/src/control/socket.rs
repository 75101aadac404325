//! The socket by which another terminal talks to a running recording: one JSON line there, one JSON line back.
//!
//! It lies in the dataset's journal directory, so whoever may write there may ask, and nobody over the network can.

use std::{
    fs::{self, File},
    io::{self, BufRead, BufReader, Read, Write},
    os::{
        fd::AsRawFd,
        unix::net::{UnixListener, UnixStream},
    },
    path::{Path, PathBuf},
    sync::{Arc, mpsc},
    time::Duration,
};

use serde::{Deserialize, Serialize};

use super::{Command, CommandKind};
use crate::{
    session::JOURNAL_DIRECTORY,
    source::{Board, SessionClock, Status},
};

const SOCKET: &str = "control";
/// A request is a run sheet at most.
const LONGEST: u64 = 64 * 1024;
const TIMEOUT: Duration = Duration::from_secs(10);

/// What can be asked.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Request {
    Status,
    Command { what: Box<CommandKind>, who: String },
}

/// What comes back.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Answer {
    Status(Box<Status>),
    Done(String),
    Refused(String),
}

/// A recorder that cannot be talked to.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ControlError {
    /// Nobody listens.
    #[error("nothing is being recorded into {}", .0.display())]
    Nobody(PathBuf),
    /// The talk broke off.
    #[error("talk to the recorder of {}: {source}", data.display())]
    Io {
        /// Dataset.
        data: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The recorder does not want to.
    #[error("{0}")]
    Refused(String),
}

/// The path by which the system reaches the socket: short whatever the dataset's own path, since a socket's may have
/// a hundred bytes or so.
fn path(directory: &File) -> PathBuf {
    PathBuf::from(format!("/proc/self/fd/{}/{SOCKET}", directory.as_raw_fd()))
}

/// Serves requests on a thread of its own for as long as the program runs. The dataset's lock is held, so a socket
/// that is there already is a leftover.
///
/// # Errors
/// When the system refuses.
pub(crate) fn serve(
    data: &Path,
    board: Arc<Board>,
    clock: SessionClock,
    commands: mpsc::Sender<Command>,
) -> io::Result<()> {
    let directory = File::open(data.join(JOURNAL_DIRECTORY))?;
    let path = path(&directory);
    match fs::remove_file(&path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    let listener = UnixListener::bind(&path)?;
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            // One at a time: whoever asks is answered within seconds or cut off.
            if let Err(error) = answer(&stream, &board, clock, &commands) {
                tracing::debug!("control: {error}");
            }
        }
    });
    Ok(())
}

fn answer(stream: &UnixStream, board: &Board, clock: SessionClock, commands: &mpsc::Sender<Command>) -> io::Result<()> {
    stream.set_read_timeout(Some(TIMEOUT))?;
    stream.set_write_timeout(Some(TIMEOUT))?;
    let mut line = String::new();
    BufReader::new(stream.take(LONGEST)).read_line(&mut line)?;
    let answer = match serde_json::from_str(&line) {
        Ok(Request::Status) => Answer::Status(Box::new(board.status(clock.now()))),
        Ok(Request::Command { what, who }) => carry_out(commands, *what, who),
        Err(error) => Answer::Refused(format!("not understood: {error}")),
    };
    send(stream, &answer)
}

fn carry_out(commands: &mpsc::Sender<Command>, what: CommandKind, who: String) -> Answer {
    let (reply, answer) = mpsc::channel();
    let ending = || Answer::Refused("the recording is ending".to_owned());
    if commands.send(Command { what, who, reply }).is_err() {
        return ending();
    }
    match answer.recv_timeout(TIMEOUT) {
        Ok(Ok(done)) => Answer::Done(done),
        Ok(Err(refused)) => Answer::Refused(refused),
        Err(_) => ending(),
    }
}

fn send(mut stream: &UnixStream, message: &impl Serialize) -> io::Result<()> {
    let mut line = serde_json::to_vec(message)?;
    line.push(b'\n');
    stream.write_all(&line)
}

/// What the recorder of a dataset says of itself.
///
/// # Errors
/// When nobody records there, or the talk breaks off.
pub(crate) fn status(data: &Path) -> Result<Status, ControlError> {
    match ask(data, &Request::Status)? {
        Answer::Status(status) => Ok(*status),
        Answer::Done(text) | Answer::Refused(text) => Err(ControlError::Refused(text)),
    }
}

/// Asks the recorder of a dataset for something; gives the sentence that it answers.
///
/// # Errors
/// When nobody records there, the talk breaks off, or the recorder does not want to.
pub(crate) fn command(data: &Path, what: CommandKind, who: String) -> Result<String, ControlError> {
    match ask(data, &Request::Command { what: Box::new(what), who })? {
        Answer::Done(text) => Ok(text),
        Answer::Refused(text) => Err(ControlError::Refused(text)),
        Answer::Status(_) => Err(ControlError::Refused("an answer to something else".to_owned())),
    }
}

fn ask(data: &Path, request: &Request) -> Result<Answer, ControlError> {
    let nobody = || ControlError::Nobody(data.to_owned());
    let directory = File::open(data.join(JOURNAL_DIRECTORY)).map_err(|_| nobody())?;
    let stream = UnixStream::connect(path(&directory)).map_err(|_| nobody())?;
    let talk = || -> io::Result<Answer> {
        stream.set_read_timeout(Some(TIMEOUT * 2))?;
        send(&stream, request)?;
        let mut line = String::new();
        BufReader::new((&stream).take(LONGEST)).read_line(&mut line)?;
        Ok(serde_json::from_str(&line)?)
    };
    talk().map_err(|source| ControlError::Io { data: data.to_owned(), source })
}

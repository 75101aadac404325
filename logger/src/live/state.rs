//! What the page shows, and what it asked for.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, PoisonError, mpsc},
};

use tallywheel_schemas::Timestamp;
use tokio::sync::watch;

use crate::{control::Command, view::Snapshot};

/// Answers that are remembered, so that what is sent twice is done once.
const REMEMBERED: usize = 256;

/// The latest snapshot, as it is sent.
#[derive(Debug, Clone)]
pub(super) struct Update {
    /// 0 before the first.
    pub(super) number: u64,
    pub(super) at: Timestamp,
    pub(super) json: Arc<str>,
}

/// What a page may be told: `Ok` what was done, `Err` why not.
pub(super) type Answer = Result<String, String>;

/// What is known of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Claim {
    /// Not seen before.
    New,
    /// Handed to the recorder, which has not answered.
    Waits,
    /// Answered.
    Answered(Answer),
}

/// Joins the view, the page and the recorder. None of them waits for another.
#[derive(Debug)]
pub struct LiveState {
    latest: watch::Sender<Update>,
    commands: mpsc::Sender<Command>,
    asked: Mutex<VecDeque<(String, Option<Answer>)>>,
}

impl LiveState {
    /// With the way to the recorder.
    pub fn new(commands: mpsc::Sender<Command>) -> Self {
        let none = Update { number: 0, at: Timestamp::from_us(0), json: Arc::from("null") };
        Self { latest: watch::Sender::new(none), commands, asked: Mutex::new(VecDeque::new()) }
    }

    /// Shows a snapshot on every page. To be called a few times a second; it does not wait.
    pub fn publish(&self, snapshot: &Snapshot) {
        let json = serde_json::to_string(snapshot).expect("a snapshot has only string keys");
        self.latest.send_modify(|latest| {
            *latest = Update { number: latest.number + 1, at: snapshot.at_us, json: Arc::from(json) };
        });
    }

    pub(super) fn latest(&self) -> Update {
        self.latest.borrow().clone()
    }

    pub(super) fn subscribe(&self) -> watch::Receiver<Update> {
        self.latest.subscribe()
    }

    /// Hands a command to the recorder; false when there is none any more.
    pub(super) fn command(&self, command: Command) -> bool {
        self.commands.send(command).is_ok()
    }

    /// Looks a request up by the name that its page gave it, and remembers it.
    pub(super) fn claim(&self, id: &str) -> Claim {
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, answer)) = asked.iter().find(|(known, _)| known == id) {
            return answer.clone().map_or(Claim::Waits, Claim::Answered);
        }
        if asked.len() >= REMEMBERED {
            asked.pop_front();
        }
        asked.push_back((id.to_owned(), None));
        Claim::New
    }

    /// Remembers the answer, or, without one, forgets the request.
    pub(super) fn settle(&self, id: &str, answer: Option<Answer>) {
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        match asked.iter().position(|(known, _)| known == id) {
            Some(at) if answer.is_some() => asked[at].1 = answer,
            Some(at) => drop(asked.remove(at)),
            None => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_sent_twice_is_known() {
        let state = LiveState::new(mpsc::channel().0);
        assert_eq!((state.claim("a"), state.claim("a")), (Claim::New, Claim::Waits));
        state.settle("a", Some(Ok("done".to_owned())));
        assert_eq!(state.claim("a"), Claim::Answered(Ok("done".to_owned())));
        assert_eq!(state.claim("b"), Claim::New);
        state.settle("b", None);
        assert_eq!(state.claim("b"), Claim::New);
        for i in 0..REMEMBERED {
            state.claim(&i.to_string());
        }
        assert_eq!(state.claim("a"), Claim::New, "the oldest are forgotten");
    }
}

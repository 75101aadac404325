//! What a page may ask: a mark, the begin and the end of a run.

use std::{
    net::IpAddr,
    sync::{Arc, mpsc},
    time::Duration,
};

use axum::{
    body::{Body, to_bytes},
    http::{HeaderMap, StatusCode, header},
};
use serde::{Deserialize, de::DeserializeOwned};
use tallywheel_schemas::{RunSheet, Timestamp};

use super::state::{Answer, Claim, LiveState};
use crate::control::{Command, CommandKind};

/// Largest body, bytes.
const BODY: usize = 16 * 1024;
/// A body that takes longer is given up.
const BODY_TIME: Duration = Duration::from_secs(5);
/// How long a page waits for the recorder's answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long an answer is listened for after that, for when the page asks again.
const MEMORY: Duration = Duration::from_secs(60);
/// A mark may be so late, µs: a day.
const LATEST_US: i64 = 86_400_000_000;
/// A mark may be so early, µs: clocks of page and logger agree only so well.
const EARLIEST_US: i64 = 5_000_000;
/// Longest text of a mark, characters.
const TEXT: usize = 500;

/// The status and the sentence of an answer.
pub(super) type Reply = (StatusCode, String);

/// Something that a page may ask.
pub(super) trait Request: DeserializeOwned {
    /// The page's own name for the request, which keeps it from being done twice.
    fn id(&self) -> Option<&str>;
    /// Initials of who asks.
    fn who(&self) -> Option<&str>;
    /// What it asks, checked. `now` is the time of the latest snapshot.
    fn kind(&self, now: Timestamp) -> Result<CommandKind, String>;
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mark {
    text: String,
    at_us: Option<Timestamp>,
    id: Option<String>,
    who: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RunStart {
    sheet: RunSheet,
    id: Option<String>,
    who: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RunStop {
    fuel_mass_after_kg: Option<f64>,
    id: Option<String>,
    who: Option<String>,
}

impl Request for Mark {
    fn id(&self) -> Option<&str> {
        self.id.as_deref()
    }

    fn who(&self) -> Option<&str> {
        self.who.as_deref()
    }

    fn kind(&self, now: Timestamp) -> Result<CommandKind, String> {
        let text = plain("the text", &self.text, TEXT)?;
        if text.is_empty() {
            return Err("a mark needs a text".to_owned());
        }
        if let Some(at) = self.at_us {
            let late_us = now.as_us().saturating_sub(at.as_us());
            if !(-EARLIEST_US..=LATEST_US).contains(&late_us) {
                return Err(format!("the mark's time {at} is not within the last day by the logger's clock, {now}"));
            }
        }
        Ok(CommandKind::Mark { text, at: self.at_us })
    }
}

impl Request for RunStart {
    fn id(&self) -> Option<&str> {
        self.id.as_deref()
    }

    fn who(&self) -> Option<&str> {
        self.who.as_deref()
    }

    fn kind(&self, _: Timestamp) -> Result<CommandKind, String> {
        self.sheet.check().map_err(|e| e.to_string())?;
        let mut sheet = self.sheet.clone();
        sheet.run = plain("the run's name", &sheet.run, 200)?;
        sheet.route = plain("the route", &sheet.route, 200)?;
        sheet.driver = sheet.driver.map(|d| plain("the driver", &d, 40)).transpose()?;
        Ok(CommandKind::RunStart { sheet })
    }
}

impl Request for RunStop {
    fn id(&self) -> Option<&str> {
        self.id.as_deref()
    }

    fn who(&self) -> Option<&str> {
        self.who.as_deref()
    }

    fn kind(&self, _: Timestamp) -> Result<CommandKind, String> {
        if self.fuel_mass_after_kg.is_some_and(|kg| !(0.0..=1000.0).contains(&kg)) {
            return Err("fuel_mass_after_kg is outside 0 to 1000".to_owned());
        }
        Ok(CommandKind::RunStop { fuel_mass_after_kg: self.fuel_mass_after_kg })
    }
}

/// A text of one line, trimmed.
fn plain(what: &str, text: &str, longest: usize) -> Result<String, String> {
    let text = text.trim();
    if text.chars().any(char::is_control) {
        return Err(format!("{what} has characters that are no text"));
    }
    if text.chars().count() > longest {
        return Err(format!("{what} is longer than {longest} characters"));
    }
    Ok(text.to_owned())
}

/// Reads, checks and hands on a request, and waits a little for the answer.
pub(super) async fn ask<R: Request>(state: &Arc<LiveState>, from: IpAddr, headers: &HeaderMap, body: Body) -> Reply {
    match checked::<R>(state, from, headers, body).await {
        Ok((id, what, who)) => hand_on(state, id, what, who).await,
        Err(refused) => refused,
    }
}

async fn checked<R: Request>(
    state: &LiveState,
    from: IpAddr,
    headers: &HeaderMap,
    body: Body,
) -> Result<(Option<String>, CommandKind, String), Reply> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|k| k.to_str().ok()).unwrap_or_default();
    // No form of a foreign page can send this type without asking first.
    if kind.split(';').next().map(str::trim) != Some("application/json") {
        return Err((StatusCode::UNSUPPORTED_MEDIA_TYPE, "send application/json".to_owned()));
    }
    let bytes = match tokio::time::timeout(BODY_TIME, to_bytes(body, BODY)).await {
        Ok(Ok(bytes)) => bytes,
        Ok(Err(_)) => return Err((StatusCode::PAYLOAD_TOO_LARGE, format!("send at most {BODY} bytes, all of them"))),
        Err(_) => return Err((StatusCode::REQUEST_TIMEOUT, "the request did not come whole in time".to_owned())),
    };
    let bad = |why: String| (StatusCode::BAD_REQUEST, why);
    let request: R = serde_json::from_slice(&bytes).map_err(|e| bad(e.to_string()))?;
    let what = request.kind(state.latest().at).map_err(bad)?;
    let id = request.id().map(|id| plain("the id", id, 64)).transpose().map_err(bad)?;
    let initials = request.who().map(|who| plain("who", who, 40)).transpose().map_err(bad)?;
    let who = match initials.filter(|who| !who.is_empty()) {
        Some(who) => format!("{who} (page at {from})"),
        None => format!("page at {from}"),
    };
    Ok((id, what, who))
}

async fn hand_on(state: &Arc<LiveState>, id: Option<String>, what: CommandKind, who: String) -> Reply {
    match id.as_deref().map_or(Claim::New, |id| state.claim(id)) {
        Claim::Answered(answer) => return reply(answer),
        Claim::Waits => return unanswered(),
        Claim::New => {}
    }
    let (sender, receiver) = mpsc::channel();
    if !state.command(Command { what, who, reply: sender }) {
        id.iter().for_each(|id| state.settle(id, None));
        return (StatusCode::SERVICE_UNAVAILABLE, "nothing is being recorded any more".to_owned());
    }
    let remembering = Arc::clone(state);
    let waiting = tokio::task::spawn_blocking(move || {
        let answer = receiver.recv_timeout(MEMORY).ok();
        id.iter().for_each(|id| remembering.settle(id, answer.clone()));
        answer
    });
    match tokio::time::timeout(PATIENCE, waiting).await {
        Ok(Ok(Some(answer))) => reply(answer),
        Ok(_) => (StatusCode::SERVICE_UNAVAILABLE, "the recorder gave no answer".to_owned()),
        Err(_) => unanswered(),
    }
}

fn reply(answer: Answer) -> Reply {
    match answer {
        Ok(done) => (StatusCode::OK, done),
        Err(why) => (StatusCode::CONFLICT, why),
    }
}

fn unanswered() -> Reply {
    (StatusCode::GATEWAY_TIMEOUT, "the recorder has not confirmed it yet".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kind<R: Request>(json: &str) -> Result<CommandKind, String> {
        let now = Timestamp::from_us(1_791_200_000_000_000);
        serde_json::from_str::<R>(json).map_err(|e| e.to_string())?.kind(now)
    }

    #[test]
    fn requests_are_checked_before_the_recorder_sees_them() {
        let at = Timestamp::from_us(1_791_199_999_000_000);
        let mark = CommandKind::Mark { text: "bump".to_owned(), at: Some(at) };
        assert_eq!(kind::<Mark>(r#"{"text": " bump ", "at_us": 1791199999000000}"#), Ok(mark));
        let why = |found: Result<CommandKind, String>| found.expect_err("refused");
        assert_eq!(why(kind::<Mark>(r#"{"text": "  "}"#)), "a mark needs a text");
        assert!(why(kind::<Mark>(r#"{"text": "a\u0007b"}"#)).contains("no text"));
        assert!(why(kind::<Mark>(r#"{"text": "x", "at_us": 1791300000000000}"#)).contains("not within the last day"));
        assert!(why(kind::<Mark>(r#"{"text": "x", "at_us": 1}"#)).contains("not within the last day"));
        assert!(why(kind::<Mark>(r#"{"text": "x", "torque": 9}"#)).contains("unknown field `torque`"));
        let sheet = r#"{"sheet": {"run": "hl-01", "route": "harbour loop", "condition": "assist", "payload_kg": -1}}"#;
        assert_eq!(why(kind::<RunStart>(sheet)), "payload_kg is outside 0 to 50000");
        assert!(kind::<RunStart>(&sheet.replace("-1", "200")).is_ok());
        assert!(kind::<RunStop>("{}").is_ok());
        assert!(why(kind::<RunStop>(r#"{"fuel_mass_after_kg": 1e6}"#)).contains("outside 0 to 1000"));
    }
}

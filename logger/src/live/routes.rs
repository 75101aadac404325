//! What the server answers.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Router,
    body::Body,
    extract::{ConnectInfo, Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    middleware::{Next, from_fn_with_state},
    response::{
        IntoResponse, Response,
        sse::{Event, KeepAlive, Sse},
    },
    routing::{get, post},
};
use futures_util::{Stream, stream};

use super::{
    ask::{Mark, RunStart, RunStop, ask},
    guard::Guard,
    listener::Peer,
    state::{LiveState, Update},
};

const PAGE: &str = include_str!("page/live.html");
const STYLE: &str = include_str!("page/live.css");
const SCRIPT: &str = include_str!("page/live.js");

/// A page that loses its stream asks again after so long.
const RETRY: Duration = Duration::from_secs(1);

/// Sent with every answer: nothing from elsewhere, for nobody else, not to be kept.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

pub(super) fn router(state: Arc<LiveState>, guard: Guard) -> Router {
    Router::new()
        .route("/", get(async || text("text/html; charset=utf-8", PAGE)))
        .route("/live.css", get(async || text("text/css; charset=utf-8", STYLE)))
        .route("/live.js", get(async || text("text/javascript; charset=utf-8", SCRIPT)))
        .route("/snapshot", get(snapshot))
        .route("/values", get(values))
        .route("/mark", post(mark))
        .route("/run/start", post(run_start))
        .route("/run/stop", post(run_stop))
        .fallback(async || (StatusCode::NOT_FOUND, "there is nothing here\n"))
        .with_state(state)
        .layer(from_fn_with_state(Arc::new(guard), watch_the_door))
}

async fn watch_the_door(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response {
    let mut response = match guard.admit(request.method(), request.uri(), request.headers()) {
        Err(refusal) => {
            let mut response = refusal.into_response();
            // Whoever is not let in holds no connection.
            response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
            response
        }
        Ok(admitted) => {
            let mut response = next.run(request).await;
            if let Some(cookie) = admitted.cookie.and_then(|c| HeaderValue::from_str(&c).ok()) {
                response.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            response
        }
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

fn text(kind: &'static str, content: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], content).into_response()
}

async fn snapshot(State(state): State<Arc<LiveState>>) -> Response {
    let json = state.latest().json.to_string();
    ([(header::CONTENT_TYPE, "application/json")], json).into_response()
}

async fn values(State(state): State<Arc<LiveState>>) -> Response {
    Sse::new(events(&state)).keep_alive(KeepAlive::new().interval(Duration::from_secs(10))).into_response()
}

/// Each snapshot from the present one on. A page that is slow misses some and gets the latest.
fn events(state: &LiveState) -> impl Stream<Item = Result<Event, Infallible>> + use<> {
    let mut updates = state.subscribe();
    updates.mark_changed();
    stream::unfold(updates, async |mut updates| {
        loop {
            updates.changed().await.ok()?;
            let update = updates.borrow_and_update().clone();
            if update.number > 0 {
                return Some((Ok(event(&update)), updates));
            }
        }
    })
}

fn event(update: &Update) -> Event {
    Event::default().id(update.number.to_string()).retry(RETRY).data(&*update.json)
}

async fn mark(
    State(s): State<Arc<LiveState>>,
    ConnectInfo(Peer(from)): ConnectInfo<Peer>,
    h: HeaderMap,
    b: Body,
) -> Response {
    answer(ask::<Mark>(&s, from.ip(), &h, b).await)
}

async fn run_start(
    State(s): State<Arc<LiveState>>,
    ConnectInfo(Peer(from)): ConnectInfo<Peer>,
    h: HeaderMap,
    b: Body,
) -> Response {
    answer(ask::<RunStart>(&s, from.ip(), &h, b).await)
}

async fn run_stop(
    State(s): State<Arc<LiveState>>,
    ConnectInfo(Peer(from)): ConnectInfo<Peer>,
    h: HeaderMap,
    b: Body,
) -> Response {
    answer(ask::<RunStop>(&s, from.ip(), &h, b).await)
}

/// `{"ok": …, "text": …}`.
fn answer((status, text): (StatusCode, String)) -> Response {
    let json = serde_json::json!({ "ok": status.is_success(), "text": text }).to_string();
    (status, [(header::CONTENT_TYPE, "application/json")], json).into_response()
}

//! The live page over real sockets: who is let in, what streams, what is asked; and the page itself in a browser.

use std::{
    io::{BufRead, BufReader, Read, Write},
    net::{SocketAddr, TcpStream},
    path::PathBuf,
    process::{Command, Stdio},
    sync::{Arc, Mutex, atomic::Ordering, mpsc},
    time::{Duration, Instant},
};

use serde_json::Value;
use tallywheel_logger::{
    control::CommandKind,
    live::{LiveState, Running, Server},
};
use tallywheel_schemas::Timestamp;
use tallywheel_tests::{browser, peer, python};

use crate::simulated::Playing;

const LOOPBACK: [u8; 4] = [127, 0, 0, 1];
const ANY: [u8; 4] = [0, 0, 0, 0];

/// Serves on a free port. Gives the address to connect to, and the token where one is needed.
fn serve(ip: [u8; 4], state: &Arc<LiveState>) -> (Running, SocketAddr, Option<String>) {
    let server = Server::bind(SocketAddr::from((ip, 0))).expect("a free port");
    let address = SocketAddr::from((LOOPBACK, server.address().port()));
    let token = server.token().map(|t| t.text().to_owned());
    (server.run(Arc::clone(state)).expect("a server"), address, token)
}

/// What a recorder was asked, and by whom.
type Asked = Arc<Mutex<Vec<(CommandKind, String)>>>;

/// A state with a snapshot of nothing and a recorder that agrees to everything.
fn quiet() -> (Arc<LiveState>, Asked) {
    let (commands, requests) = mpsc::channel::<tallywheel_logger::control::Command>();
    let state = Arc::new(LiveState::new(commands));
    let mut view = tallywheel_logger::view::View::new(&crate::simulated::rig());
    state.publish(&view.snapshot(Timestamp::now()));
    let asked = Asked::default();
    let seen = Arc::clone(&asked);
    std::thread::spawn(move || {
        for command in requests {
            seen.lock().expect("no panic").push((command.what, command.who));
            let _ = command.reply.send(Ok("recorded".to_owned()));
        }
    });
    (state, asked)
}

/// One request and its whole answer; the connection is closed after it.
pub(crate) fn ask(address: SocketAddr, line: &str, headers: &str, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).expect("a server");
    stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a timeout");
    let length = if body.is_empty() { String::new() } else { format!("Content-Length: {}\r\n", body.len()) };
    let host = if headers.contains("Host:") { String::new() } else { format!("Host: {address}\r\n") };
    // A refusal may come before the body is read, so the rest of it need not be taken.
    let _ = write!(stream, "{line} HTTP/1.1\r\n{host}Connection: close\r\n{length}{headers}\r\n{body}");
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let status = answer.split(' ').nth(1).and_then(|s| s.parse().ok()).expect("a status");
    (status, answer)
}

const JSON: &str = "Content-Type: application/json\r\n";

#[test]
fn beyond_loopback_nothing_is_given_without_the_token() {
    let (state, asked) = quiet();
    let (_running, address, token) = serve(ANY, &state);
    let token = token.expect("a token");
    let wrong = if token.starts_with('0') { token.replacen('0', "1", 1) } else { format!("0{}", &token[1..]) };
    for path in ["/", "/live.js", "/live.css", "/snapshot", "/values", "/nothing"] {
        for offered in ["", "?token=", &format!("?token={wrong}"), &format!("?token={}", &token[..31])] {
            let (status, answer) = ask(address, &format!("GET {path}{offered}"), "", "");
            assert_eq!(status, 401, "{path}{offered}");
            assert!(answer.contains("a token is needed") && !answer.contains(&token) && !answer.contains("skerry"));
        }
    }
    assert_eq!(ask(address, "POST /mark", JSON, r#"{"text": "x"}"#).0, 401);
    assert!(asked.lock().expect("no panic").is_empty());

    let (status, page) = ask(address, &format!("GET /?token={token}"), "", "");
    assert_eq!(status, 200);
    let cookie = page.lines().find_map(|l| l.strip_prefix("set-cookie: ")).expect("a cookie");
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let cookie = format!("Cookie: {}\r\n", cookie.split(';').next().expect("a pair"));
    assert_eq!(ask(address, "GET /snapshot", &cookie, "").0, 200);
    assert_eq!(ask(address, "GET /snapshot", &format!("Authorization: Bearer {token}\r\n"), "").0, 200);
    assert_eq!(ask(address, "POST /mark", &format!("{JSON}{cookie}"), r#"{"text": "x"}"#).0, 200);
    let foreign = format!("{JSON}{cookie}Origin: http://elsewhere.example\r\n");
    assert_eq!(ask(address, "POST /mark", &foreign, r#"{"text": "x"}"#).0, 403, "the token alone is not enough");
    assert_eq!(asked.lock().expect("no panic").len(), 1);
}

#[test]
fn on_loopback_no_token_is_needed_but_foreign_pages_are_refused() {
    let (state, asked) = quiet();
    let (_running, address, token) = serve(LOOPBACK, &state);
    assert_eq!(token, None);
    let (status, page) = ask(address, "GET /", "", "");
    assert!(status == 200 && page.contains("content-security-policy: default-src 'none'") && page.contains("<title>"));
    assert!(!page.contains("set-cookie"));
    assert_eq!(ask(address, "GET /values", "Host: elsewhere.example\r\n", "").0, 403, "rebinding");
    let mark = r#"{"text": "x"}"#;
    for (headers, body, expected) in [
        (JSON.to_owned() + "Origin: http://elsewhere.example\r\n", mark.to_owned(), 403),
        (JSON.to_owned() + "Origin: null\r\n", mark.to_owned(), 403),
        (JSON.to_owned() + "Sec-Fetch-Site: cross-site\r\n", mark.to_owned(), 403),
        (JSON.to_owned() + "Host: elsewhere.example\r\n", mark.to_owned(), 403),
        ("Content-Type: text/plain\r\n".to_owned(), mark.to_owned(), 415),
        (JSON.to_owned(), "{\"text\": ".to_owned(), 400),
        (JSON.to_owned(), r#"{"text": "x", "transmit": true}"#.to_owned(), 400),
        (JSON.to_owned(), format!("{{\"text\": \"{}\"}}", "x".repeat(17_000)), 413),
    ] {
        assert_eq!(ask(address, "POST /mark", &headers, &body).0, expected, "{headers} {body:.40}");
    }
    assert_eq!(ask(address, "GET /mark", "", "").0, 405);
    assert_eq!(ask(address, "POST /torque", JSON, "{}").0, 404);
    assert!(asked.lock().expect("no panic").is_empty(), "nothing of that reached the recorder");
    let own = format!("{JSON}Origin: http://{address}\r\nSec-Fetch-Site: same-origin\r\n");
    assert_eq!(ask(address, "POST /mark", &own, r#"{"text": " bump ", "who": "TM"}"#).0, 200);
    let expected = (CommandKind::Mark { text: "bump".to_owned(), at: None }, "TM (page at 127.0.0.1)".to_owned());
    assert_eq!(*asked.lock().expect("no panic"), [expected]);
}

#[test]
fn what_a_page_sends_twice_is_recorded_once() {
    let (state, asked) = quiet();
    let (_running, address, _) = serve(LOOPBACK, &state);
    let send =
        |id: &str| ask(address, "POST /run/stop", JSON, &format!("{{\"id\": \"{id}\", \"fuel_mass_after_kg\": 20.9}}"));
    let (first, second) = (send("a"), send("a"));
    assert_eq!((first.0, second.0), (200, 200));
    assert!(second.1.ends_with(r#"{"ok":true,"text":"recorded"}"#), "{}", second.1);
    send("b");
    assert_eq!(asked.lock().expect("no panic").len(), 2);
}

#[test]
fn without_a_recorder_the_page_says_so() {
    let state = Arc::new(LiveState::new(mpsc::channel().0));
    let (_running, address, _) = serve(LOOPBACK, &state);
    let (status, answer) = ask(address, "POST /mark", JSON, r#"{"text": "x", "id": "a"}"#);
    assert_eq!(status, 503);
    assert!(answer.contains("nothing is being recorded"), "{answer}");
    // Silence keeps no page waiting for longer than its patience, and a second try is not a second mark.
    let (commands, requests) = mpsc::channel();
    let state = Arc::new(LiveState::new(commands));
    let (_running, address, _) = serve(LOOPBACK, &state);
    let began = Instant::now();
    assert_eq!(ask(address, "POST /mark", JSON, r#"{"text": "x", "id": "a"}"#).0, 504);
    assert!(began.elapsed() < Duration::from_secs(10));
    assert_eq!(ask(address, "POST /mark", JSON, r#"{"text": "x", "id": "a"}"#).0, 504);
    let late = requests.recv().expect("the command");
    late.reply.send(Ok("recorded late".to_owned())).expect("somebody still listens");
    let settled = || ask(address, "POST /mark", JSON, r#"{"text": "x", "id": "a"}"#);
    let end = Instant::now() + Duration::from_secs(10);
    while settled().0 != 200 && Instant::now() < end {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(settled().1.contains("recorded late"));
    assert!(requests.try_recv().is_err(), "asked once");
}

/// The stream is read by hand, by the event stream format of the HTML standard: lines `id:`, `retry:`, `data:`, a blank one.
#[test]
fn snapshots_stream_four_times_a_second() {
    let playing = Playing::start();
    let (_running, address, _) = serve(LOOPBACK, &playing.state);
    let mut stream = TcpStream::connect(address).expect("a server");
    stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a timeout");
    write!(stream, "GET /values HTTP/1.1\r\nHost: {address}\r\n\r\n").expect("a request");
    let mut lines = BufReader::new(stream).lines().map(|l| l.expect("a line"));
    assert!(lines.by_ref().take_while(|l| !l.is_empty()).any(|l| l == "content-type: text/event-stream"));
    let (mut numbers, mut times, mut rates) = (Vec::new(), Vec::new(), Vec::new());
    while times.len() < 40 {
        let line = lines.next().expect("a stream that goes on");
        if let Some(id) = line.strip_prefix("id: ") {
            numbers.push(id.parse::<u64>().expect("a number"));
        } else if let Some(data) = line.strip_prefix("data: ") {
            let snapshot: Value = serde_json::from_str(data).expect("JSON");
            times.push(snapshot["at_us"].as_i64().expect("a time"));
            rates.push(snapshot["ports"][0]["rate_hz"].as_f64().expect("a rate"));
        }
    }
    assert!(numbers.windows(2).all(|w| w[1] > w[0]), "{numbers:?}");
    let span_s = (times[39] - times[0]) as f64 / 1e6;
    assert!((9.5..13.0).contains(&span_s), "39 steps in {span_s} s");
    // 114 messages a second by the description of the van's bus: 50 + 50 + 10 + 4.
    assert!((rates[39] - 114.0).abs() < 5.0, "{rates:?}");
}

#[test]
fn a_crowd_of_connections_takes_no_more_than_its_places() {
    let (state, _) = quiet();
    let (_running, address, _) = serve(LOOPBACK, &state);
    let crowd: Vec<TcpStream> = (0..64).map(|_| TcpStream::connect(address).expect("a server")).collect();
    std::thread::sleep(Duration::from_millis(300));
    let mut late = TcpStream::connect(address).expect("the system's own queue");
    write!(late, "GET /snapshot HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").expect("room");
    late.set_read_timeout(Some(Duration::from_millis(500))).expect("a timeout");
    assert!(late.read(&mut [0; 16]).is_err(), "it waits for a place");
    drop(crowd);
    late.set_read_timeout(Some(Duration::from_secs(10))).expect("a timeout");
    let mut answer = String::new();
    late.read_to_string(&mut answer).expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 200"));
}

/// The page in a real browser, driven by a Python peer over the DevTools protocol. With TALLYWHEEL_SHOTS the screenshots
/// are kept in that directory.
#[test]
fn the_page_lives_in_a_browser() {
    let (Some(python), Some(browser)) = (python(), browser()) else { return };
    let directory = tempfile::tempdir().expect("a temporary directory");
    let shots = std::env::var_os("TALLYWHEEL_SHOTS").map_or_else(|| directory.path().to_owned(), PathBuf::from);
    let playing = Playing::start();
    let (running, address, _) = serve(LOOPBACK, &playing.state);
    let mut driver = Command::new(python)
        .arg(peer("live_page.py"))
        .args([browser.as_os_str(), format!("http://{address}/").as_ref(), shots.as_os_str()])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut answers = driver.stdin.take().expect("a pipe");
    let mut running = Some(running);
    let (mut report, mut noted) = (Value::Null, None);
    for line in BufReader::new(driver.stdout.take().expect("a pipe")).lines().map(|l| l.expect("a line")) {
        match line.strip_prefix("do ") {
            Some("silence") => playing.is_silent.store(true, Ordering::Relaxed),
            Some("speak") => playing.is_silent.store(false, Ordering::Relaxed),
            Some("drop") => drop(running.take()),
            Some("note the time") => noted = Some(Timestamp::now()),
            Some("restore") => {
                let server = Server::bind(address).expect("the same port");
                running = Some(server.run(Arc::clone(&playing.state)).expect("a server"));
            }
            Some(other) => panic!("what is {other}?"),
            None => {
                report = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line}"));
                continue;
            }
        }
        writeln!(answers, "done").expect("the peer listens");
    }
    assert!(driver.wait().expect("an end").success(), "the peer gave up");
    check_report(&report);
    check_asked(&playing, noted.expect("a mark was set while the page was cut off"));
}

fn check_report(report: &Value) {
    let has = |key: &str, part: &str| assert!(report[key].to_string().contains(part), "{key}: {}", report[key]);
    assert_eq!(report["complaints"], serde_json::json!([]), "no script error, nothing blocked by the policy");
    assert_eq!(report["tiles"], crate::simulated::rig().signals.len() + 5, "every signal and the receiver's channels");
    assert_eq!(report["groups"], serde_json::json!(["Motion", "Engine", "Pack", "Motors", "Weather", "Own channels"]));
    assert!(report["speeds"].as_u64() > Some(5), "values update: {}", report["speeds"]);
    assert_eq!(report["overflow"], serde_json::json!([]), "nothing is cut off at any size");
    assert_eq!(report["small"], serde_json::json!([]), "every button can be hit");
    has("silent_alarm", "kit-bus has been silent for");
    has("silent_port", "kit-bus SILENT");
    has("stale_age", "STALE");
    assert!(!report["back"].to_string().contains("stale"), "{}", report["back"]);
    has("facts", "SIW-26-0412");
    has("marked", "mark “mark” recorded");
    has("refused_number", "“heavy” is not a number");
    has("run", "Run hl-01, harbour loop, assist on");
    has("offline", "The numbers are");
    has("waiting", "Waiting for the connection: mark “bump by the slipway”");
    has("sent", "mark “bump by the slipway” recorded");
}

fn check_asked(playing: &Playing, noted: Timestamp) {
    let asked = playing.asked.lock().expect("no panic");
    let [(_, first, who), (_, start, _), (sent, late, _), (_, stop, _)] = &asked[..] else { panic!("{asked:?}") };
    assert_eq!(who, "TM (page at 127.0.0.1)");
    assert!(matches!(first, CommandKind::Mark { text, at: Some(_) } if text == "mark"));
    let CommandKind::RunStart { sheet } = start else { panic!("{start:?}") };
    assert_eq!(
        (sheet.tyre_pressure_kpa, sheet.ambient_c, sheet.fuel_mass_before_kg),
        (Some(290.0), Some(-2.5), Some(21.35))
    );
    assert_eq!(sheet.remarks.as_deref(), Some("damp road"));
    let CommandKind::Mark { text, at: Some(at) } = late else { panic!("{late:?}") };
    assert_eq!(text, "bump by the slipway");
    // Meant when the window was opened, a moment before the time was noted, and sent later.
    let early_s = noted.seconds_since(*at);
    assert!((-0.5..3.0).contains(&early_s), "{early_s} s before it was noted");
    assert!(sent.seconds_since(*at) > early_s, "it was sent afterwards");
    assert_eq!(*stop, CommandKind::RunStop { fuel_mass_after_kg: Some(20.91) });
}

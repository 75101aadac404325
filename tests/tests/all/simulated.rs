//! The simulated van's bytes in the order of their arrival, and the same played at real pace into a live page.

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
    thread,
    time::{Duration, Instant},
};

use tallywheel_logger::{
    control::{Command, CommandKind},
    live::LiveState,
    view::{DiskNow, Feed, Input, RecordingNow, RecordingState, RunNow, View, feed, watch},
};
use tallywheel_sample_logs::{
    bench::{Bench, Port, Sent},
    drive::{Drive, Sample},
    scenario::{RIG, Scenario},
    sensors::{Sensors, draw_errors},
};
use tallywheel_schemas::{Rig, TextFile, Timestamp};

/// The rig of the van.
pub(crate) fn rig() -> Rig {
    Rig::parse(TextFile::new("skerry.toml", RIG)).expect("a good rig")
}

/// Something that arrived: ms after the start, port by its index in the rig, bytes.
pub(crate) type Piece = (u64, usize, Vec<u8>);

/// So many seconds of an assisted drive from `skip_s` on, with the receiver's clock set to `start`, and what was true at
/// its end.
pub(crate) fn drive(start: Timestamp, skip_s: f64, length_s: f64) -> (Vec<Piece>, Sample) {
    let scenario = Scenario {
        seed: 5,
        tale: tallywheel_sample_logs::tale::Tale::AsClaimed,
        pairs: 1,
        route: tallywheel_sample_logs::route::HARBOUR_LOOP,
    };
    let plan = scenario.runs().remove(1);
    let mut drive = Drive::new(plan.setup.clone());
    let mut bench = Bench::new(start, Sensors::new(draw_errors(5), 5, plan.number));
    let mut last = None;
    while let Some(sample) = drive.step().filter(|s| s.time_s < skip_s + length_s) {
        if sample.time_s >= skip_s {
            bench.drive(&sample);
            last = Some(sample);
        }
    }
    (in_order(&bench.finish()), last.expect("a drive of some length"))
}

fn in_order(sent: &BTreeMap<Port, Sent>) -> Vec<Piece> {
    let mut pieces = Vec::new();
    for (index, port) in Port::ALL.iter().enumerate() {
        let Some(sent) = sent.get(port) else { continue };
        let mut from = 0;
        for mark in &sent.marks {
            pieces.push((mark.at_ms, index, sent.bytes[from..mark.end].to_vec()));
            from = mark.end;
        }
    }
    pieces.sort_by_key(|p| p.0);
    pieces
}

/// The van, the view and a recorder that writes nothing but remembers what it was asked.
pub(crate) struct Playing {
    pub(crate) state: Arc<LiveState>,
    /// Set to silence the kit's bus.
    pub(crate) is_silent: Arc<AtomicBool>,
    /// What was asked: time of the request, what, by whom.
    pub(crate) asked: Arc<Mutex<Vec<(Timestamp, CommandKind, String)>>>,
    stop: Arc<AtomicBool>,
}

impl Playing {
    pub(crate) fn start() -> Self {
        let (commands, requests) = mpsc::channel();
        let state = Arc::new(LiveState::new(commands));
        let (feed, inputs) = feed();
        let showing = Arc::clone(&state);
        thread::spawn(move || {
            let mut view = View::new(&rig());
            watch(&mut view, &inputs, Duration::from_millis(250), Timestamp::now, |s| showing.publish(&s));
        });
        let playing = Self { state, is_silent: Arc::default(), asked: Arc::default(), stop: Arc::default() };
        let (asked, at_recorder) = (Arc::clone(&playing.asked), feed.clone());
        thread::spawn(move || recorder(&requests, &at_recorder, &asked));
        let (is_silent, stop) = (Arc::clone(&playing.is_silent), Arc::clone(&playing.stop));
        thread::spawn(move || play(&feed, &is_silent, &stop));
        playing
    }
}

impl Drop for Playing {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// Two minutes of the drive, from when the van has been under way for a while.
fn play(feed: &Feed, is_silent: &AtomicBool, stop: &AtomicBool) {
    let (start, began) = (Timestamp::now(), Instant::now());
    let (pieces, _) = drive(start, 60.0, 120.0);
    // The simulation itself takes a moment; what would have come meanwhile is left out.
    let late_ms = began.elapsed().as_millis() as u64;
    for (at_ms, port, bytes) in pieces.into_iter().filter(|p| p.0 >= late_ms) {
        thread::sleep((began + Duration::from_millis(at_ms)).saturating_duration_since(Instant::now()));
        if stop.load(Ordering::Relaxed) {
            return;
        }
        if port != 1 || !is_silent.load(Ordering::Relaxed) {
            feed.offer(Input::Bytes { port, at: Timestamp::now(), bytes });
        }
    }
}

fn recorder(requests: &mpsc::Receiver<Command>, feed: &Feed, asked: &Mutex<Vec<(Timestamp, CommandKind, String)>>) {
    let now = Timestamp::now();
    let session = format!("skerry-1-{}", now.compact());
    let mut recording =
        RecordingNow { session, since_us: now, state: RecordingState::Recording, trouble: None, run: None, marks: 0 };
    feed.offer(Input::Disk(Some(DiskNow::new(640_000_000_000, 21_000.0))));
    feed.offer(Input::Recording(Some(recording.clone())));
    for command in requests {
        let now = Timestamp::now();
        let said = match &command.what {
            CommandKind::Mark { text, .. } => {
                recording.marks += 1;
                format!("mark “{text}” recorded")
            }
            CommandKind::RunStart { sheet } => {
                let (run, route) = (sheet.run.clone(), sheet.route.clone());
                recording.run = Some(RunNow { run, route, condition: sheet.condition, since_us: now });
                format!("run {} started", sheet.run)
            }
            CommandKind::RunStop { .. } => {
                recording.run = None;
                "run stopped".to_owned()
            }
        };
        asked.lock().expect("no panic").push((now, command.what, command.who));
        feed.offer(Input::Recording(Some(recording.clone())));
        // The page may have gone.
        let _ = command.reply.send(Ok(said));
    }
}

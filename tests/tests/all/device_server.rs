//! A CAN adapter behind a device server that goes away and comes back, with the real recorder: what was said before and
//! after is there, frame by frame, and the time between is stated with its cause and length.

use std::time::Duration;

use tallywheel_schemas::manifest::GapCause;
use tallywheel_tests::{
    Bench,
    faults::{
        account::account,
        frames,
        speaker::now_us,
        stated::{self, Injected},
    },
    instruments::{
        Playing,
        adapter::{Adapter, Traffic},
        wait_until,
    },
    recording::end,
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
    device_time = false\n[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 0\n\
    length = 32\nscale = 1e-6\nmax_gap_s = 5.0\n";

#[test]
fn a_device_server_that_goes_away_and_comes_back_leaves_a_gap_and_nothing_else() {
    let bench = Bench::new();
    let traffic = Traffic::new(400.0, |number| frames::line(number, None));
    let adapter = Playing::behind_tcp(Adapter::with_traffic(traffic));
    let rig = bench.write("rig.toml", RIG);
    let recorder = bench.record(&rig, &[("kit-bus", adapter.device())], &[]);
    let sent = || adapter.with(|a| a.traffic.as_ref().map_or(0, |t| t.sent.len()));
    wait_until("frames", || sent() >= 200, || recorder.said());
    adapter.hang_up();
    let before = sent();
    let gone_us = now_us();
    wait_until("word of it", || recorder.said().contains("is gone: "), || recorder.said());
    let away = || {
        let (status, code) = bench.status();
        code == Some(1) && status["recording"]["ports"][0]["listening"] == false
    };
    wait_until("`status` to say so", away, || bench.status().0.to_string());
    std::thread::sleep(Duration::from_millis(600));
    adapter.return_back();
    wait_until("its return", || recorder.said().contains("is back on tcp://"), || recorder.said());
    wait_until("frames", || sent() >= before + 200, || recorder.said());
    adapter.with(|a| a.traffic.iter_mut().for_each(|t| t.is_silent = true));
    bench.wait_messages(sent());
    let back = bench.status();
    assert_eq!((back.1, &back.0["recording"]["ports"][0]["reconnections"]), (Some(0), &1.into()), "{}", back.0);
    let ended = end(recorder);
    assert_eq!(ended.code, Some(1), "a loss is a fault: {}", ended.stderr);

    let session = bench.only_session();
    let numbers = adapter.with(|a| a.traffic.as_ref().map(|t| t.sent.clone())).expect("traffic");
    // The server let everything arrive before it closed, so not one frame is missing.
    let found = account(&numbers, &session.frames).expect("each frame once and in order");
    found.nothing_missing().expect("before and after");
    assert_eq!(session.pack.len(), numbers.len());
    let opened = adapter.with(|a| a.commands.clone());
    assert_eq!(
        opened,
        ["C", "S5", "Z0", "L", "C", "S5", "Z0", "L", "C"],
        "opened to listen both times, closed at the end"
    );

    let injected = Injected {
        cause: GapCause::Disconnected,
        start_us: numbers[before - 1].at_us,
        end_us: Some(numbers[before].at_us),
    };
    let gap = injected.only_in(&session).expect("the gap and no other");
    stated::in_summary(&gap, &ended.stdout).expect("the summary says it");
    assert!(gap.length_us.is_some_and(|us| us >= 600_000), "{gap:?}");
    assert!(numbers[before - 1].at_us <= gone_us && numbers[before].at_us >= gone_us + 600_000);
    for kind in ["disconnected", "reconnected"] {
        assert_eq!(session.events.iter().filter(|e| e.kind == kind).count(), 1, "{kind}: {:?}", session.events);
    }
}

//! The technician's view and the check of readiness against the simulated van, which knows what was true.

use std::{sync::mpsc, time::Duration};

use tallywheel_logger::{
    check::{CheckOptions, Weight, run},
    view::{ChannelNow, ChannelState, ClockState, DiskNow, Snapshot, View},
};
use tallywheel_schemas::Timestamp;

use crate::simulated::{drive, rig};

fn start() -> Timestamp {
    Timestamp::parse("2026-10-05T09:10:00Z", 0).expect("a time")
}

/// Shows a view 40 s of the drive, with a snapshot every quarter of a second. What arrives is 80 ms late.
fn watched(without: Option<usize>) -> (Snapshot, View, tallywheel_sample_logs::drive::Sample) {
    let (pieces, truth) = drive(start(), 60.0, 40.0);
    let mut view = View::new(&rig());
    let at = |ms: u64| start().plus_us(ms as i64 * 1000 + 80_000);
    let mut due = 0;
    for (ms, port, bytes) in pieces.iter().filter(|p| Some(p.1) != without) {
        while due <= *ms {
            view.snapshot(at(due));
            due += 250;
        }
        view.bytes(*port, at(*ms), bytes);
    }
    (view.snapshot(at(40_000)), view, truth)
}

#[test]
fn the_view_shows_what_was_true() {
    let (now, _, truth) = watched(None);
    let show = |name: &str| {
        let channel = now.channels.iter().find(|c| c.full_name() == name).expect("the channel");
        assert_eq!(channel.state, ChannelState::Ok, "{name}");
        (channel.value.expect("a value"), channel.rate_hz)
    };
    // Value, tolerance (noise, a sensor's own error, and the change within one period), rate in the wire's description.
    for (name, truth, tolerance, rate) in [
        ("motion.wheel_speed_m_s", truth.speed_m_s, 0.5, 50.0),
        ("motion.gps_speed_m_s", truth.speed_m_s, 1.0, 5.0),
        ("engine.speed_rpm", truth.engine_rpm, 60.0, 50.0),
        ("engine.coolant_c", truth.coolant_c, 1.0, 2.0),
        ("engine.fuel_temp_c", truth.fuel_temp_c, 1.0, 10.0),
        ("pack.voltage_v", truth.voltage_v, 1.0, 20.0),
        ("pack.soc_pct", truth.soc_pct, 0.1, 1.0),
        ("motor.speed_rpm (rear-left)", truth.motors[0].speed_rpm, 10.0, 20.0),
        ("motor.winding_temp_c (rear-right)", truth.motors[1].winding_c, 5.0, 2.0),
        ("ambient.temp_c", truth.ambient_c, 1.0, 1.0),
    ] {
        let (value, found) = show(name);
        assert!((value - truth).abs() <= tolerance, "{name}: {value} where {truth} was true");
        // A window of five seconds holds one message more or less.
        assert!((found - rate).abs() <= 0.25 + 0.02 * rate, "{name}: {found}/s where the wire has {rate}/s");
    }
    let missing: Vec<String> =
        now.channels.iter().filter(|c| c.state != ChannelState::Ok).map(ChannelNow::full_name).collect();
    assert_eq!(missing, ["pack.wall_power_w"], "no charger is connected on the road");
    assert_eq!(now.clock.state, ClockState::Agrees);
    assert!(now.clock.offset_s.is_some_and(|o| (o - 0.08).abs() < 1e-6), "{:?}", now.clock);
    assert!(now.ports.iter().all(|p| p.bad == 0 && p.messages > 0), "{:?}", now.ports);
    assert_eq!(now.alarms, []);
}

#[test]
fn readiness_tells_a_good_van_from_one_with_a_dead_port() {
    let room = Some(DiskNow::new(640_000_000_000, 20_000.0));
    let (now, view, _) = watched(None);
    let last_5_s = drive(start(), 60.0, 40.0).0.into_iter().filter(|p| p.0 >= 35_000);
    let sent_per_s = last_5_s.map(|p| p.2.len()).sum::<usize>() as f64 / 5.0;
    assert!((view.bytes_per_s() / sent_per_s - 1.0).abs() < 0.06, "{} of {sent_per_s}", view.bytes_per_s());
    let good = tallywheel_logger::check::Readiness::of(now, room);
    let texts: Vec<&str> = good.findings.iter().map(|f| f.text.as_str()).collect();
    assert_eq!(texts, ["the wire says that there is no value: pack.wall_power_w"]);
    assert!(good.is_ready && good.to_string().ends_with("\nready\n"), "{good}");

    let (now, _, _) = watched(Some(2));
    let bad = tallywheel_logger::check::Readiness::of(now, room);
    let to_fix: Vec<&str> = bad.findings.iter().filter(|f| f.weight == Weight::Fix).map(|f| f.text.as_str()).collect();
    assert_eq!(to_fix, ["port gps is open but says nothing; check power, cable and bit rate"]);
    assert!(
        bad.to_string()
            .ends_with("not ready; to fix:\n  1. port gps is open but says nothing; check power, cable and bit rate\n")
    );
    assert_eq!(bad.exit().code(), 1);
}

#[test]
fn a_year_later_every_calibration_is_to_be_renewed() {
    let (sender, arrivals) = mpsc::channel();
    drop(sender);
    let later = Timestamp::parse("2027-10-05T09:10:00Z", 0).expect("a time");
    let options = CheckOptions { length: Duration::ZERO, data: ".".into(), journal_bytes_per_s: Some(20_000.0) };
    let readiness = run(&rig(), &arrivals, &options, || later);
    let due = readiness.findings.iter().filter(|f| f.text.contains("calibration DUE since 2027-09-")).count();
    let dated = rig().signals.iter().filter(|s| s.calibration.as_ref().is_some_and(|c| c.date.is_some())).count();
    assert!(dated > 5 && due == dated, "{due} of {dated}");
    assert!(readiness.to_string().contains("(a year assumed)"));
}

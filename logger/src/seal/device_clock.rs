//! When a frame was on the bus, from the adapter's own milliseconds.
//!
//! A frame is stamped on arrival at the logger, up to some tens of milliseconds late and in bursts: USB moves bytes in
//! packets, and the reader wakes up for more than one frame. The adapter's clock has no such jitter, but it wraps every
//! 60 s, starts anywhere, drifts, and starts anew when the device does. Arrival can only be late, never early, so the
//! smallest distance seen between the two clocks is the best guess of the true one (the lower envelope, as clock
//! filters over packet networks use it).
//!
//! The result is used for decoded tables. The raw table keeps arrival and milliseconds as they came.

/// The device's clock wraps here, µs.
const WRAP_US: i64 = 60_000_000;
/// The device cannot be ahead of arrival; beyond this it has started anew, µs. Room for a first guess that was late.
const AHEAD_US: i64 = 200_000;
/// Arrival is never later than this, µs: what the kernel buffers is far less.
pub(super) const LATE_US: i64 = 2_000_000;
/// How fast two clocks may drift apart, µs per second (common practice: cheap oscillators stay within 100 ppm).
const DRIFT_PPM: i64 = 200;

/// The clock of one adapter.
#[derive(Debug, Clone, Default)]
pub(crate) struct DeviceClock {
    state: Option<State>,
}

#[derive(Debug, Clone)]
struct State {
    last_ms: u16,
    arrival_us: i64,
    /// Device time since the first frame, wraps undone.
    device_us: i64,
    /// Arrival minus device time, the smallest seen, allowed to grow with drift.
    floor_us: i64,
    /// Never give a stamp before the one before.
    given_us: i64,
}

/// A frame's time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct OnBus {
    /// Best stamp, at most its arrival.
    pub(crate) t_us: i64,
    /// The device's clock started anew just before it.
    pub(crate) restarted: bool,
}

impl DeviceClock {
    /// The time of a frame that arrived at `arrival_us` with the device's stamp `ms`. Arrivals never decrease.
    pub(crate) fn time(&mut self, arrival_us: i64, ms: u16) -> OnBus {
        let Some(state) = &mut self.state else {
            self.state = Some(State::new(arrival_us, ms));
            return OnBus { t_us: arrival_us, restarted: false };
        };
        let passed_us = arrival_us - state.arrival_us;
        let step_us = (i64::from(ms) - i64::from(state.last_ms)).rem_euclid(60_000) * 1000;
        // Whole turns of the device's clock that were slept through.
        let turns = (passed_us - step_us + WRAP_US / 2).div_euclid(WRAP_US).max(0);
        let device_us = state.device_us + step_us + turns * WRAP_US;
        let distance_us = arrival_us - device_us;
        let floor_us = state.floor_us + passed_us * DRIFT_PPM / 1_000_000;
        if distance_us < state.floor_us - AHEAD_US || distance_us > floor_us + LATE_US {
            let given_us = state.given_us;
            self.state = Some(State { given_us, ..State::new(arrival_us, ms) });
            return OnBus { t_us: arrival_us, restarted: true };
        }
        let floor_us = floor_us.min(distance_us);
        let t_us = (device_us + floor_us).clamp(state.given_us.min(arrival_us), arrival_us);
        *state = State { last_ms: ms, arrival_us, device_us, floor_us, given_us: t_us };
        OnBus { t_us, restarted: false }
    }
}

impl State {
    fn new(arrival_us: i64, ms: u16) -> Self {
        Self { last_ms: ms, arrival_us, device_us: 0, floor_us: arrival_us, given_us: arrival_us }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Sends frames on the bus at `times` (µs) with delays; gives the errors of the stamps against the truth, µs.
    fn errors(times: &[(i64, i64)], start_ms: i64, ppm: i64) -> (Vec<i64>, usize) {
        let mut clock = DeviceClock::default();
        let mut arrival = i64::MIN;
        let mut restarts = 0;
        let found = times.iter().map(|(bus, delay)| {
            arrival = arrival.max(bus + delay);
            let device_us = start_ms * 1000 + bus + bus * ppm / 1_000_000;
            let on_bus = clock.time(arrival, ((device_us / 1000) % 60_000) as u16);
            restarts += usize::from(on_bus.restarted);
            on_bus.t_us - bus
        });
        (found.collect(), restarts)
    }

    /// A wrap from 59,990 to 15 ms is 25 ms (modulo arithmetic over the 60,000 ms of the Linux kernel's slcan driver).
    #[test]
    fn the_published_wrap_is_25_ms() {
        let mut clock = DeviceClock::default();
        clock.time(0, 59_990);
        let on_bus = clock.time(26_000, 15);
        // 200 ppm of 26 ms are allowed for drift.
        assert!((25_000..=25_006).contains(&on_bus.t_us) && !on_bus.restarted, "{on_bus:?}");
    }

    #[test]
    fn usb_jitter_goes() {
        // A frame every 2 ms, handed over in packets every 16 ms.
        let times: Vec<(i64, i64)> = (0..60_000).map(|i| (i * 2000, 16_000 - (i * 2000) % 16_000)).collect();
        let (found, restarts) = errors(&times, 30_000, 60);
        // The first packet's frames are seen only late; from the second on the envelope is known to 2 ms and 1 ms of
        // resolution.
        let worst = found[8..].iter().map(|e| e.abs()).max();
        assert!(worst <= Some(3_200), "{worst:?}");
        assert_eq!(restarts, 0);
    }

    #[test]
    fn long_silences_span_whole_turns() {
        let (found, restarts) = errors(&[(0, 0), (200_000_000, 500), (323_000_000, 100)], 59_000, 0);
        // After minutes of drift arrival is the better guess.
        assert_eq!((found, restarts), (vec![0, 500, 100], 0));
    }

    #[test]
    fn a_restart_is_noticed_and_begins_anew() {
        let mut clock = DeviceClock::default();
        clock.time(0, 30_000);
        clock.time(1_000_000, 31_000);
        assert_eq!(clock.time(2_000_000, 5), OnBus { t_us: 2_000_000, restarted: true });
        let next = clock.time(2_030_000, 25);
        assert!((2_020_000..=2_020_006).contains(&next.t_us) && !next.restarted, "{next:?}");
    }

    #[test]
    fn a_burst_after_a_stall_keeps_its_spacing() {
        // Half a second in which nothing is read, then everything at once.
        let times: Vec<(i64, i64)> =
            (0..1000).map(|i| (i * 1000, if (200..700).contains(&i) { (700 - i) * 1000 } else { 100 })).collect();
        let (found, restarts) = errors(&times, 0, 0);
        assert_eq!(restarts, 0);
        assert!(found.iter().all(|e| (-1000..=1100).contains(e)), "{:?}", found.iter().max());
    }

    proptest! {
        #[test]
        fn stamps_never_run_backwards_and_never_pass_arrival(
            frames in proptest::collection::vec((0..100_000_i64, any::<u16>()), 1..200)
        ) {
            let mut clock = DeviceClock::default();
            let (mut arrival, mut last) = (0, i64::MIN);
            for (step, ms) in frames {
                arrival += step;
                let on_bus = clock.time(arrival, ms % 60_000);
                prop_assert!(on_bus.t_us <= arrival && on_bus.t_us >= last);
                last = on_bus.t_us;
            }
        }
    }
}

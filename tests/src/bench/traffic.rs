//! What an adapter says: a bus that is full, one that is full and has bursts, and the demonstration's kit bus.

use std::{fmt::Write as _, time::Duration};

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use tallywheel_logger::{
    framing::SlcanFramer,
    message::{CanFrame, Message},
};
use tallywheel_sample_logs::{
    bench::Port,
    route::{HARBOUR_HOP, HARBOUR_LOOP},
    scenario::{self, Scenario},
    sensors, session,
};

/// Bits of a frame with an 11-bit identifier and no data, the pause behind it included, without stuffing (ISO 11898-1:
/// 1 start, 11 identifier, 3 control, 4 length, 15 check, 1 delimiter, 2 acknowledgement, 7 end, 3 pause). So a bus of
/// 1 Mbit/s carries at most 21,277 of them a second, and 9,009 with eight bytes of data.
const STANDARD_BITS: u64 = 47;
/// The same with a 29-bit identifier: 20 more.
const EXTENDED_BITS: u64 = 67;
/// The bus, bit/s.
const BIT_RATE: f64 = 1e6;
/// A USB adapter hands over what it has every millisecond.
const PACKET_US: u64 = 1000;
/// Seconds from one burst to the next.
const BURST_EVERY_S: u64 = 10;
/// The pattern of the paced recordings, s: an adapter's stamps begin anew after as long.
const ROUND_S: u64 = 60;
const SEED: u64 = 20_261_005;

/// Bytes of one adapter and when they are handed over.
#[derive(Debug)]
pub(super) struct Traffic {
    pub(super) name: &'static str,
    /// Rig of which the traffic is one port.
    pub(super) rig: String,
    /// Index of that port.
    pub(super) port: u16,
    pub(super) bytes: Vec<u8>,
    pub(super) packets: Vec<Packet>,
    pub(super) frames: u64,
    /// How long a full bus of 1 Mbit/s takes for these frames, s.
    pub(super) bus_s: f64,
}

/// What an adapter hands over at once.
#[derive(Debug, Clone, Copy)]
pub(super) struct Packet {
    /// Since the start.
    pub(super) at_us: u64,
    /// Where its bytes end.
    pub(super) end: usize,
    pub(super) frames: u32,
}

impl Traffic {
    /// A bus that is full of frames with eight bytes, for so many seconds.
    pub(super) fn full_bus(seconds: u64) -> Self {
        Pen::new("full bus").write(seconds, |_| false)
    }

    /// The same for a round of the paced recordings.
    pub(super) fn full_round() -> Self {
        Self::full_bus(ROUND_S)
    }

    /// A round with a second of the shortest frames now and then.
    pub(super) fn bursts_round(quick: bool) -> Self {
        let every = if quick { 3 } else { BURST_EVERY_S };
        Pen::new("full bus with bursts").write(ROUND_S, |second| second % every == every - 1)
    }

    /// The kit bus of the demonstration over one drive.
    pub(super) fn skerry(quick: bool) -> Self {
        let route = if quick { HARBOUR_HOP } else { HARBOUR_LOOP };
        let plans =
            Scenario { seed: SEED, tale: tallywheel_sample_logs::tale::Tale::AsClaimed, pairs: 1, route }.runs();
        let plan = plans.iter().find(|p| p.condition == tallywheel_schemas::Condition::Assist).unwrap_or(&plans[0]);
        let mut sent = session::run(plan, sensors::draw_errors(SEED), SEED).sent;
        let sent = sent.remove(&Port::KitBus).unwrap_or_default();
        let mut from = 0;
        let packets = sent.marks.iter().map(|mark| {
            let frames = (mark.count - std::mem::replace(&mut from, mark.count)) as u32;
            Packet { at_us: mark.at_ms * 1000, end: mark.end, frames }
        });
        Self {
            name: "skerry kit bus",
            rig: scenario::RIG.to_owned(),
            port: 1,
            packets: packets.collect(),
            frames: sent.count,
            bus_s: bits(&sent.bytes) as f64 / BIT_RATE,
            bytes: sent.bytes,
        }
    }

    /// How long it takes at real pace.
    pub(super) fn length(&self) -> Duration {
        let last_us = self.packets.last().map_or(0, |p| p.at_us);
        Duration::from_micros(last_us.next_multiple_of(1_000_000))
    }

    /// The first so many frames, as bytes, in blocks of so many.
    pub(super) fn blocks(&self, frames: u64, block: u64) -> Vec<&[u8]> {
        let ends = self.bytes.iter().enumerate().filter(|(_, b)| **b == b'\r').map(|(at, _)| at + 1);
        let ends = ends.take(frames as usize).skip(block as usize - 1).step_by(block as usize);
        let mut from = 0;
        ends.map(|end| &self.bytes[std::mem::replace(&mut from, end)..end]).collect()
    }
}

/// Bits on the wire of all frames in an adapter's bytes.
fn bits(bytes: &[u8]) -> u64 {
    let mut framer = SlcanFramer::new();
    let of_frame = |frame: &CanFrame| {
        let head = if frame.extended { EXTENDED_BITS } else { STANDARD_BITS };
        head + 8 * frame.data().len() as u64
    };
    let mut bits = 0;
    for chunk in bytes.chunks(1 << 16) {
        framer.received(chunk);
        while let Some(framed) = framer.next() {
            bits += if let Message::Frame(frame) = &framed.message { of_frame(frame) } else { 0 };
        }
    }
    bits
}

/// One sensor as a controller sends it: 16 bits, little-endian.
struct Sensor {
    channel: &'static str,
    scale: f64,
    /// Middle, swing and noise of the raw value, and how long a swing takes, s.
    middle: f64,
    swing: f64,
    noise: f64,
    period_s: f64,
}

const fn sensor(channel: &'static str, scale: f64, middle: f64, swing: f64, noise: f64, period_s: f64) -> Sensor {
    Sensor { channel, scale, middle, swing, noise, period_s }
}

/// What a motor controller sends in its two messages.
const MOTOR: [[Sensor; 3]; 2] = [
    [
        sensor("motor.torque_n_m", 0.1, 2500.0, 1500.0, 3.0, 7.0),
        sensor("motor.speed_rpm", 0.5, 4000.0, 3500.0, 1.0, 41.0),
        sensor("motor.phase_current_a", 0.1, 1500.0, 900.0, 4.0, 7.0),
    ],
    [
        sensor("motor.dc_current_a", 0.05, 1800.0, 1500.0, 3.0, 7.0),
        sensor("motor.winding_temp_c", 0.01, 9000.0, 1500.0, 2.0, 600.0),
        sensor("motor.controller_temp_c", 0.01, 5500.0, 800.0, 1.0, 900.0),
    ],
];
/// What pack and engine send.
const OTHERS: [[Sensor; 3]; 4] = [
    [
        sensor("pack.voltage_v", 0.01, 9800.0, 500.0, 2.0, 7.0),
        sensor("pack.current_a", 0.02, 2500.0, 2400.0, 4.0, 7.0),
        sensor("pack.soc_pct", 0.005, 14_000.0, 1000.0, 0.0, 3000.0),
    ],
    [
        sensor("pack.temp_c", 0.01, 2800.0, 200.0, 1.0, 1200.0),
        sensor("pack.cell_min_v", 0.001, 3250.0, 40.0, 1.0, 7.0),
        sensor("pack.cell_max_v", 0.001, 3290.0, 40.0, 1.0, 7.0),
    ],
    [
        sensor("engine.speed_rpm", 0.25, 8000.0, 4500.0, 6.0, 11.0),
        sensor("engine.throttle_pct", 0.01, 3500.0, 2500.0, 5.0, 5.0),
        sensor("engine.maf_g_s", 0.01, 2200.0, 1500.0, 8.0, 11.0),
    ],
    [
        sensor("engine.coolant_c", 0.01, 8600.0, 300.0, 1.0, 400.0),
        sensor("engine.intake_temp_c", 0.01, 2900.0, 300.0, 1.0, 300.0),
        sensor("engine.lambda", 0.0001, 10_000.0, 300.0, 40.0, 2.0),
    ],
];
const POSITIONS: [&str; 4] = ["front-left", "front-right", "rear-left", "rear-right"];

/// Writes the frames of a bus on which twelve messages take turns; each carries three sensors, a running number and
/// a check byte.
struct Pen {
    name: &'static str,
    messages: Vec<(u16, &'static [Sensor; 3], Option<&'static str>)>,
    random: ChaCha8Rng,
}

impl Pen {
    fn new(name: &'static str) -> Self {
        let motors = POSITIONS.iter().flat_map(|position| MOTOR.iter().map(move |m| (m, Some(*position))));
        let all = motors.chain(OTHERS.iter().map(|m| (m, None))).enumerate();
        let messages = all.map(|(i, (sensors, position))| (0x100 + 0x10 * i as u16, sensors, position));
        Self { name, messages: messages.collect(), random: ChaCha8Rng::seed_from_u64(SEED) }
    }

    fn rig(&self) -> String {
        let mut rig =
            "schema = 1\nvehicle = \"bench\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 1000000\n"
                .to_owned();
        for (id, sensors, position) in &self.messages {
            for (at, Sensor { channel, scale, .. }) in sensors.iter().enumerate() {
                let position = position.map(|p| format!("position = \"{p}\"\n")).unwrap_or_default();
                // Writing to a string cannot fail.
                let _ = write!(
                    rig,
                    "[[signal]]\nchannel = \"{channel}\"\n{position}port = \"bus\"\nid = {id}\nstart_bit = {}\nlength = 16\nscale = {scale:?}\n",
                    16 * at
                );
            }
        }
        rig
    }

    /// Seconds for which `burst` holds are full of the shortest frames, the others of the longest.
    fn write(mut self, seconds: u64, burst: impl Fn(u64) -> bool) -> Traffic {
        let (mut bytes, mut packets) = (Vec::new(), Vec::new());
        let (mut frames, mut packet_frames) = (0, 0);
        // On a bus of 1 Mbit/s a bit takes a microsecond.
        let mut t_us = 0;
        let mut packet_us = PACKET_US;
        loop {
            let short = burst(t_us / 1_000_000);
            t_us += STANDARD_BITS + if short { 0 } else { 64 };
            while t_us > packet_us {
                packets.push(Packet { at_us: packet_us, end: bytes.len(), frames: std::mem::take(&mut packet_frames) });
                packet_us += PACKET_US;
            }
            if t_us > seconds * 1_000_000 {
                break;
            }
            self.frame(&mut bytes, frames, t_us, short);
            frames += 1;
            packet_frames += 1;
        }
        Traffic { name: self.name, rig: self.rig(), port: 0, bytes, packets, frames, bus_s: seconds as f64 }
    }

    fn frame(&mut self, bytes: &mut Vec<u8>, number: u64, t_us: u64, short: bool) {
        let ms = t_us / 1000 % 60_000;
        let turn = (number % self.messages.len() as u64) as usize;
        let (id, sensors, _) = self.messages[turn];
        let text = if short {
            format!("t{:03X}0{ms:04X}\r", 0x700 + turn)
        } else {
            let data = data(&mut self.random, sensors, number / self.messages.len() as u64, t_us as f64 / 1e6, turn);
            format!("t{id:03X}8{:016X}{ms:04X}\r", u64::from_be_bytes(data))
        };
        bytes.extend_from_slice(text.as_bytes());
    }
}

fn data(random: &mut ChaCha8Rng, sensors: &[Sensor; 3], number: u64, t_s: f64, turn: usize) -> [u8; 8] {
    let mut data = [0; 8];
    for (sensor, place) in sensors.iter().zip(data.chunks_exact_mut(2)) {
        let phase = std::f64::consts::TAU * t_s / sensor.period_s + turn as f64;
        let noise = (random.random::<f64>() - 0.5) * 2.0 * sensor.noise;
        let raw = sensor.middle + sensor.swing * phase.sin() + noise;
        place.copy_from_slice(&(raw.round().clamp(0.0, 65_535.0) as u16).to_le_bytes());
    }
    data[6] = number as u8 & 0x0F;
    data[7] = data[..7].iter().fold(0, |check, byte| check ^ byte);
    data
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Rig, TextFile};

    use super::*;

    /// The rates of a full bus of 1 Mbit/s without stuffing: 1e6 / 111 and 1e6 / 47 (bit counts of ISO 11898-1).
    #[test]
    fn a_full_bus_has_the_rates_of_its_bit_counts() {
        assert_eq!(Traffic::full_bus(1).frames, 9_009);
        let bursts = Traffic::bursts_round(false);
        assert!((bursts.frames as i64 - (6 * 21_277 + 54 * 9_009)).abs() < 120, "{}", bursts.frames);
        assert_eq!(bursts.packets.iter().map(|p| u64::from(p.frames)).sum::<u64>(), bursts.frames);
        let (bits, most) = (bits(&bursts.bytes), 60_000_000);
        assert!(bits <= most && bits > most - 12_000, "{bits}");
    }

    #[test]
    fn every_sensor_stays_in_the_range_of_its_channel() {
        let rig = Rig::parse(TextFile::new("rig.toml", Pen::new("").rig())).expect("a rig");
        for (signal, sensor) in rig.signals.iter().zip(MOTOR.iter().cycle().take(8).chain(&OTHERS).flatten()) {
            let swing = sensor.swing + sensor.noise + 1.0;
            for raw in [sensor.middle - swing, sensor.middle + swing] {
                assert!((signal.min..=signal.max).contains(&signal.value(raw)), "{} {raw}", signal.channel);
            }
        }
    }
}

//! Messages of the kit's bus, 250 kbit/s: two motor controllers (29-bit identifiers), pack, charger, weather.
//! L is 1 for the left controller and 2 for the right one.
//!
//! | id | every | bytes |
//! | --- | --- | --- |
//! | 0x18FF501L | 50 ms | 0–1 torque, 0.1 N·m, signed; 2–3 speed, 0.1 rpm, signed; 4–5 phase current, 0.1 A; 6–7 current from the pack, 0.05 A, signed |
//! | 0x18FF511L | 50 ms | 0–1 command, 0.1 %, signed |
//! | 0x18FF521L | 500 ms | 0–1 winding, 0.1 K from −40 °C, 0xFFFF asleep; 2 controller −40 °C; 3–4 fault code |
//! | 0x18FF5311 | 100 ms | 0–1 edges of the left motor's position sensors, counted, wraps |
//! | 0x310 | 50 ms | 0–1 voltage, 0.01 V; 2–3 current, 0.02 A, signed; big endian |
//! | 0x311 | 1 s | 0–1 charge, 0.05 %; 2 temperature −40 °C; 3–4 and 5–6 lowest and highest cell, 1 mV; big endian |
//! | 0x312 | 1 s | 0–1 wall power, 1 W, 0xFFFF without a charger; 2 bit 0 charging |
//! | 0x340 | 1 s | 0–1 outside air, 0.1 K from −40 °C; 2–3 air pressure, 0.01 kPa |
//!
//! While the van is parked and charging, only the pack, the charger and the weather speak, once a second.

use crate::{drive::Sample, sensors::Sensors};

use super::message::{Message, put_big, put_little, signed16, unsigned8, unsigned16};

type Fill = fn(&Sample, &mut Sensors, &mut [u8; 8], u64);

const fn controller(id: u32, every: u64, phase: u64, late_ms: u64, length: u8, fill: Fill) -> Message {
    Message { id, extended: true, every, phase, late_ms, length, fill }
}

const fn standard(id: u32, every: u64, phase: u64, late_ms: u64, length: u8, fill: Fill) -> Message {
    Message { id, extended: false, every, phase, late_ms, length, fill }
}

/// The messages of a drive, in the order in which they come within a step.
pub const MESSAGES: [Message; 11] = [
    standard(0x310, 5, 0, 0, 4, pack_fast),
    controller(0x18FF_5011, 5, 0, 1, 8, |s, n, d, _| motion(s, n, d, 0)),
    controller(0x18FF_5012, 5, 0, 2, 8, |s, n, d, _| motion(s, n, d, 1)),
    controller(0x18FF_5111, 5, 0, 3, 2, |s, _, d, _| command(s, d, 0)),
    controller(0x18FF_5112, 5, 0, 4, 2, |s, _, d, _| command(s, d, 1)),
    controller(0x18FF_5311, 10, 0, 5, 2, edges),
    controller(0x18FF_5211, 50, 2, 0, 5, |s, n, d, _| heat(s, n, d, 0)),
    controller(0x18FF_5212, 50, 2, 1, 5, |s, n, d, _| heat(s, n, d, 1)),
    standard(0x311, 100, 1, 0, 7, pack_slow),
    standard(0x312, 100, 1, 1, 3, charger),
    standard(0x340, 100, 3, 0, 4, weather),
];

/// The messages of a parked van.
pub const PARKED: [Message; 4] = [
    standard(0x310, 100, 0, 0, 4, pack_fast),
    standard(0x311, 100, 0, 1, 7, pack_slow),
    standard(0x312, 100, 0, 2, 3, charger),
    standard(0x340, 100, 0, 3, 4, weather),
];

fn pack_fast(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], _: u64) {
    put_big(data, 0, unsigned16(sensors.voltage_v(s), 0.01));
    put_big(data, 2, signed16(sensors.current_a(s), 0.02).cast_unsigned());
}

fn pack_slow(s: &Sample, _: &mut Sensors, data: &mut [u8; 8], _: u64) {
    put_big(data, 0, unsigned16(s.soc_pct, 0.05));
    data[2] = unsigned8(s.pack_c + 40.0, 1.0);
    put_big(data, 3, unsigned16(s.cell_min_v, 0.001));
    put_big(data, 5, unsigned16(s.cell_max_v, 0.001));
}

fn charger(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], _: u64) {
    let wall = s.wall_w.map(|w| if w > 0.0 { sensors.noisy(w, 2.0) } else { 0.0 });
    put_little(data, 0, wall.map_or(u16::MAX, |w| unsigned16(w, 1.0)));
    data[2] = u8::from(s.wall_w.is_some_and(|w| w > 0.0));
}

fn weather(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], _: u64) {
    put_little(data, 0, unsigned16(sensors.noisy(s.ambient_c, 0.1) + 40.0, 0.1));
    put_little(data, 2, unsigned16(s.pressure_kpa, 0.01));
}

fn motion(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], k: usize) {
    let motor = &s.motors[k];
    put_little(data, 0, signed16(sensors.noisy(motor.torque_n_m, 0.3), 0.1).cast_unsigned());
    put_little(data, 2, signed16(motor.speed_rpm, 0.1).cast_unsigned());
    put_little(data, 4, unsigned16(motor.phase_a, 0.1));
    put_little(data, 6, signed16(motor.dc_a, 0.05).cast_unsigned());
}

fn command(s: &Sample, data: &mut [u8; 8], k: usize) {
    put_little(data, 0, signed16(s.motors[k].command_pct, 0.1).cast_unsigned());
}

fn heat(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], k: usize) {
    put_little(data, 0, sensors.winding_c(s, k).map_or(u16::MAX, |t| unsigned16(t + 40.0, 0.1)));
    data[2] = unsigned8(s.motors[k].controller_c + 40.0, 1.0);
    put_little(data, 3, s.motors[k].fault);
}

fn edges(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], _: u64) {
    put_little(data, 0, sensors.edge_count(s) as u16);
}

//! Messages of the van's own bus, 500 kbit/s.
//!
//! | id | every | bytes |
//! | --- | --- | --- |
//! | 0x0C0 | 20 ms | 0–1 engine speed, 0.25 rpm, big endian; 2 throttle, 0.4 %; 3 bit 0 running; 7 message count |
//! | 0x0D0 | 20 ms | 0–1 wheel speed, 0.01 km/h, big endian; 7 message count |
//! | 0x0E0 | 100 ms | 0–1 intake air, 0.01 g/s; 2–3 lambda, 1/4096, 0xFFFF while the probe heats |
//! | 0x1E5 | 250 ms | 0 page; page 0: 1 coolant −40 °C, 2 intake air −40 °C; page 1: 1 barometer, 0.5 kPa, 2 supply, 0.1 V |

use crate::{drive::Sample, sensors::Sensors};

use super::message::{Message, put_big, put_little, unsigned8, unsigned16};

const fn message(id: u32, every: u64, phase: u64, late_ms: u64, length: u8, fill: Fill) -> Message {
    Message { id, extended: false, every, phase, late_ms, length, fill }
}

type Fill = fn(&Sample, &mut Sensors, &mut [u8; 8], u64);

/// The messages in the order in which they come within a step.
pub const MESSAGES: [Message; 4] = [
    message(0x0C0, 2, 0, 0, 8, engine),
    message(0x0D0, 2, 0, 1, 8, wheels),
    message(0x0E0, 10, 3, 2, 4, air),
    message(0x1E5, 25, 4, 3, 3, page),
];

fn engine(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], count: u64) {
    let rpm = if s.running { sensors.noisy(s.engine_rpm, 3.0) } else { 0.0 };
    put_big(data, 0, unsigned16(rpm, 0.25));
    data[2] = unsigned8(sensors.noisy(s.throttle_pct, 0.2), 0.4);
    data[3] = u8::from(s.running);
    data[7] = (count % 256) as u8;
}

fn wheels(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], count: u64) {
    put_big(data, 0, unsigned16(sensors.wheel_speed_m_s(s) * 3.6, 0.01));
    data[7] = (count % 256) as u8;
}

fn air(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], _: u64) {
    let flow = if s.running { sensors.noisy(s.maf_g_s, 0.01 * s.maf_g_s) } else { 0.0 };
    put_little(data, 0, unsigned16(flow, 0.01));
    put_little(data, 2, sensors.lambda(s).map_or(u16::MAX, |l| unsigned16(l, 1.0 / 4096.0)));
}

fn page(s: &Sample, sensors: &mut Sensors, data: &mut [u8; 8], count: u64) {
    data[0] = (count % 2) as u8;
    let (first, second) = if data[0] == 0 {
        (unsigned8(s.coolant_c + 40.0, 1.0), unsigned8(s.intake_c + 40.0, 1.0))
    } else {
        (unsigned8(s.pressure_kpa, 0.5), unsigned8(sensors.noisy(s.supply_v, 0.05), 0.1))
    };
    (data[1], data[2]) = (first, second);
}

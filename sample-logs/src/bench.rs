//! All instruments of a vehicle together: takes the moments of a drive, gives the bytes of every port.

use std::collections::BTreeMap;

use tallywheel_schemas::Timestamp;

use crate::{
    drive::Sample,
    sensors::Sensors,
    wire::{
        fuel_box, kit_bus,
        message::{Message, STEPS_PER_S},
        nmea, slcan, vehicle_bus,
    },
};

/// A port of the rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Port {
    /// Adapter on the van's own bus.
    VehicleBus,
    /// Adapter on the kit's bus.
    KitBus,
    /// Satellite receiver.
    Gps,
    /// Counter box on the fuel line.
    FuelBox,
}

impl Port {
    /// All ports in the rig's order.
    pub const ALL: [Self; 4] = [Self::VehicleBus, Self::KitBus, Self::Gps, Self::FuelBox];

    /// Name in the rig.
    pub const fn name(self) -> &'static str {
        match self {
            Self::VehicleBus => "vehicle-bus",
            Self::KitBus => "kit-bus",
            Self::Gps => "gps",
            Self::FuelBox => "fuel-box",
        }
    }

    /// Name of a capture file.
    pub const fn file(self) -> &'static str {
        match self {
            Self::VehicleBus => "vehicle-bus.slcan",
            Self::KitBus => "kit-bus.slcan",
            Self::Gps => "gps.nmea",
            Self::FuelBox => "fuel-box.csv",
        }
    }

    /// A CAN adapter, which speaks only after it was opened.
    pub const fn is_adapter(self) -> bool {
        matches!(self, Self::VehicleBus | Self::KitBus)
    }
}

/// What a port has sent so far.
#[derive(Debug, Clone, Default)]
pub struct Sent {
    /// The bytes.
    pub bytes: Vec<u8>,
    /// Frames or lines in them.
    pub count: u64,
    /// For playing at real pace: time since the start in ms, where the bytes of that moment end, and the count
    /// there.
    pub marks: Vec<Mark>,
}

/// The end of what a port sent at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// Since the start, ms.
    pub at_ms: u64,
    /// Offset behind the last byte.
    pub end: usize,
    /// Frames or lines up to here.
    pub count: u64,
}

/// The instruments in one session.
#[derive(Debug, Clone)]
pub struct Bench {
    start: Timestamp,
    sensors: Sensors,
    step: u64,
    sent: BTreeMap<Port, Sent>,
}

/// Steps between two fixes: 5 Hz.
const FIX_EVERY: u64 = STEPS_PER_S / 5;
/// Steps between two lines of the fuel box: 10 Hz.
const FUEL_EVERY: u64 = STEPS_PER_S / 10;

impl Bench {
    /// Instruments that are switched on at a time.
    pub fn new(start: Timestamp, sensors: Sensors) -> Self {
        Self { start, sensors, step: 0, sent: BTreeMap::new() }
    }

    /// Everything speaks that speaks on a drive. To be called once per step of 10 ms.
    pub fn drive(&mut self, sample: &Sample) {
        self.bus(Port::VehicleBus, &vehicle_bus::MESSAGES, sample);
        self.bus(Port::KitBus, &kit_bus::MESSAGES, sample);
        if self.step.is_multiple_of(FIX_EVERY) {
            self.fix(sample);
        }
        if self.step.is_multiple_of(FUEL_EVERY) {
            self.fuel(sample);
        }
        self.step += 1;
    }

    /// What speaks on a parked, charging van. To be called once a second.
    pub fn parked(&mut self, sample: &Sample) {
        self.bus(Port::KitBus, &kit_bus::PARKED, sample);
        self.step += STEPS_PER_S;
    }

    /// What every port has sent.
    pub fn finish(self) -> BTreeMap<Port, Sent> {
        self.sent
    }

    fn bus(&mut self, port: Port, messages: &[Message], sample: &Sample) {
        let sent = self.sent.entry(port).or_default();
        for message in messages.iter().filter(|m| m.is_due(self.step)) {
            let frame = message.frame(self.step, sample, &mut self.sensors);
            let at_ms = self.step * 10 + message.late_ms;
            slcan::line(&mut sent.bytes, &frame, Some(at_ms));
            sent.count += 1;
        }
        sent.mark(self.step * 10);
    }

    fn fix(&mut self, sample: &Sample) {
        let at = self.start.plus_us(self.step as i64 * 10_000);
        let fix = self.sensors.fix(sample, FIX_EVERY as f64 / STEPS_PER_S as f64);
        let sent = self.sent.entry(Port::Gps).or_default();
        sent.bytes.extend_from_slice(nmea::sentences(at, fix.as_ref()).as_bytes());
        sent.count += 3;
        sent.mark(self.step * 10);
    }

    fn fuel(&mut self, sample: &Sample) {
        let (count, number) = (self.sensors.fuel_count(sample), self.step / FUEL_EVERY);
        let temperature = self.sensors.noisy(sample.fuel_temp_c, 0.1);
        let sent = self.sent.entry(Port::FuelBox).or_default();
        fuel_box::line(&mut sent.bytes, self.step as f64 / STEPS_PER_S as f64, number, count, temperature);
        sent.count += 1;
        sent.mark(self.step * 10);
    }
}

impl Sent {
    fn mark(&mut self, at_ms: u64) {
        let end = self.bytes.len();
        if self.marks.last().is_none_or(|m| m.end < end) {
            self.marks.push(Mark { at_ms, end, count: self.count });
        }
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Rig, TextFile, rig::Source};

    use super::*;
    use crate::{
        assist::KitSwitch,
        drive::{Drive, Setup},
        route::HARBOUR_HOP,
        scenario::RIG,
        truth::SensorTruth,
    };

    fn driven() -> (Vec<Sample>, BTreeMap<Port, Sent>) {
        let mut drive = Drive::new(Setup::plain(HARBOUR_HOP, KitSwitch::On, 1));
        let mut bench = Bench::new(Timestamp::from_us(0), Sensors::new(SensorTruth::EXACT, 1, 1));
        let mut samples = Vec::new();
        while let Some(sample) = drive.step() {
            bench.drive(&sample);
            samples.push(sample);
        }
        (samples, bench.finish())
    }

    fn digits(text: &str) -> u32 {
        u32::from_str_radix(text, 16).expect("hexadecimal digits")
    }

    /// Identifier, data and time in ms of a line, read by hand.
    fn read_line(line: &str) -> (u32, bool, Vec<u8>, usize) {
        let extended = line.starts_with('T');
        let (id, rest) = line[1..].split_at(if extended { 8 } else { 3 });
        let (length, rest) = rest.split_at(1);
        let (data, clock) = rest.split_at(digits(length) as usize * 2);
        let bytes = (0..data.len()).step_by(2).map(|k| digits(&data[k..k + 2]) as u8).collect();
        (digits(id), extended, bytes, digits(clock) as usize)
    }

    /// Largest departure of what the rig reads from the wire from what was true at that moment.
    fn worst(
        sent: &BTreeMap<Port, Sent>,
        samples: &[Sample],
        port: Port,
        (channel, position): (&str, Option<&str>),
        truth: impl Fn(&Sample) -> f64,
    ) -> f64 {
        let rig = Rig::parse(TextFile::new("skerry.toml", RIG)).expect("a good rig");
        let signal = rig.signal(channel, position).expect("a signal");
        let Source::Can(source) = &signal.source else { panic!("{channel} is no CAN signal") };
        let text = std::str::from_utf8(&sent[&port].bytes).expect("ascii");
        let (mut worst, mut seen, mut wraps, mut last_ms) = (0.0_f64, 0, 0, 0);
        for line in text.split_terminator('\r') {
            let (id, extended, data, ms) = read_line(line);
            wraps += usize::from(ms < last_ms);
            last_ms = ms;
            if (id, extended) != (source.id, source.extended) {
                continue;
            }
            let Some(raw) = source.extract(&data).filter(|raw| !signal.not_available.contains(raw)) else { continue };
            let sample = &samples[(wraps * 60_000 + ms) / 10];
            worst = worst.max((signal.value(raw as f64) - truth(sample)).abs());
            seen += 1;
        }
        assert!(seen > 20, "{channel} was seen {seen} times");
        worst
    }

    /// The rig is what the reading side knows; if encoder or rig had a wrong byte, scale or sign, it would read
    /// something else than what was true. Tolerances are five deviations of the noise and a bit.
    #[test]
    fn the_rig_reads_what_was_true() {
        let (samples, sent) = driven();
        let check = |port, channel: &str, position, tolerance: f64, truth: fn(&Sample) -> f64| {
            let worst = worst(&sent, &samples, port, (channel, position), truth);
            assert!(worst < tolerance, "{channel} {position:?}: {worst}");
        };
        let (left, right) = (Some("rear-left"), Some("rear-right"));
        check(Port::VehicleBus, "engine.speed_rpm", None, 18.0, |s| s.engine_rpm);
        check(Port::VehicleBus, "engine.throttle_pct", None, 1.5, |s| s.throttle_pct);
        check(Port::VehicleBus, "engine.running", None, 0.1, |s| f64::from(u8::from(s.running)));
        check(Port::VehicleBus, "motion.wheel_speed_m_s", None, 0.21, |s| s.speed_m_s);
        check(Port::VehicleBus, "engine.lambda", None, 0.1, |s| s.lambda);
        check(Port::VehicleBus, "engine.coolant_c", None, 0.6, |s| s.coolant_c);
        check(Port::VehicleBus, "engine.baro_kpa", None, 0.3, |s| s.pressure_kpa);
        check(Port::KitBus, "pack.voltage_v", None, 0.1, |s| s.voltage_v);
        check(Port::KitBus, "pack.current_a", None, 0.4, |s| s.current_a);
        check(Port::KitBus, "pack.soc_pct", None, 0.03, |s| s.soc_pct);
        check(Port::KitBus, "pack.cell_max_v", None, 0.001, |s| s.cell_max_v);
        check(Port::KitBus, "motor.torque_n_m", left, 1.8, |s| s.motors[0].torque_n_m);
        check(Port::KitBus, "motor.speed_rpm", right, 0.06, |s| s.motors[1].speed_rpm);
        check(Port::KitBus, "motor.dc_current_a", right, 0.03, |s| s.motors[1].dc_a);
        check(Port::KitBus, "motor.command_pct", left, 0.06, |s| s.motors[0].command_pct);
        check(Port::KitBus, "motor.winding_temp_c", right, 1.2, |s| s.motors[1].winding_c);
        check(Port::KitBus, "ambient.temp_c", None, 0.6, |s| s.ambient_c);
    }

    #[test]
    fn the_fuel_counter_wraps_and_counts_what_flowed() {
        let (samples, sent) = driven();
        let text = std::str::from_utf8(&sent[&Port::FuelBox].bytes).expect("ascii");
        let counts: Vec<u64> = text
            .lines()
            .map(|line| line.split(',').nth(2).expect("a third column").parse().expect("a number"))
            .collect();
        let steps = counts.windows(2).map(|w| (w[1] + crate::sensors::COUNTER_MODULUS - w[0]) % 65_536);
        let metered_ml = steps.sum::<u64>() as f64 / 11.2;
        let truth_ml = samples[samples.len() - 1].metered_ml;
        assert!((metered_ml - truth_ml).abs() < 0.2, "{metered_ml} of {truth_ml}");
    }
}

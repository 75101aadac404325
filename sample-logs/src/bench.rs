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

//! From raw messages to rows of the decoded tables, by the rig.
//!
//! A [`Decoder`] takes the messages of a session in the order of time and appends one row per message and domain
//! that it carries, for the motor table one per position. What a message does not carry is null; a raw value that
//! means "not available" is null and counted, and so is one outside its plausible range.

mod answer;
#[cfg(test)]
mod bus_tests;
mod can;
mod modbus;
mod parameter_group;
mod rows;
pub mod sentence;
mod slot;
#[cfg(test)]
mod tests;

use arrow::array::{RecordBatch, StringArray};
use tallywheel_schemas::{
    Channel, Domain, Rig,
    manifest::ChannelRecord,
    rig::{PortKind, Source, SpeedSentence},
};

use crate::{
    framing::{Columns, Row},
    message::CanFrame,
};
use can::{CanPlan, Group};
use modbus::ModbusPlan;
use rows::Rows;
pub(crate) use rows::{constant, dictionary};
use sentence::Sentence;
use slot::{Raw, Reading, Slot, Tally};

/// Decodes the messages of one session.
#[derive(Debug)]
pub struct Decoder {
    session: String,
    plans: Vec<Plan>,
    rows: Vec<Rows>,
    tallies: Vec<Tally>,
    positions: StringArray,
    aux_names: StringArray,
}

/// How the messages of one port are read.
#[derive(Debug)]
enum Plan {
    Can(CanPlan),
    Nmea { slots: Box<NmeaSlots>, speed_from: SpeedSentence },
    Text(TextPlan),
    Modbus(ModbusPlan),
}

/// The channels of a satellite receiver.
#[derive(Debug)]
struct NmeaSlots {
    speed: Slot,
    lat: Slot,
    lon: Slot,
    alt: Slot,
    quality: Slot,
}

#[derive(Debug)]
struct TextPlan {
    columns: Columns,
    /// Column names and the channels that they feed.
    signals: Vec<(String, Slot)>,
    /// The same by domain and position, with the columns' places, once these are known.
    groups: Vec<Group<usize>>,
}

/// Channels that a satellite receiver feeds without any signal in the rig.
pub(crate) const NMEA_CHANNELS: [&str; 5] =
    ["motion.gps_speed_m_s", "motion.lat_deg", "motion.lon_deg", "motion.alt_m", "motion.gps_quality"];

impl Decoder {
    /// A decoder for messages of a rig's ports, which are named by their index in the rig.
    pub fn new(rig: &Rig, session: &str) -> Self {
        let mut tallies: Vec<Tally> =
            rig.signals.iter().map(|s| Tally::new(&s.channel, s.position.as_deref())).collect();
        let plans = rig.ports.iter().map(|port| match port.kind {
            PortKind::Slcan | PortKind::Can => Plan::Can(CanPlan::new(rig, &port.name)),
            PortKind::Modbus => Plan::Modbus(ModbusPlan::new(rig, &port.name)),
            PortKind::Nmea => {
                let slots = Box::new(NmeaSlots::new(&mut tallies));
                Plan::Nmea { slots, speed_from: port.speed_from }
            }
            PortKind::Text => Plan::Text(TextPlan::new(rig, &port.name, Columns::of(port))),
        });
        Self {
            session: session.to_owned(),
            plans: plans.collect(),
            rows: Domain::ALL.into_iter().map(Rows::new).collect(),
            tallies,
            positions: StringArray::from(rig.positions()),
            aux_names: rig.aux.keys().map(|name| Some(name.as_str())).collect(),
        }
    }

    /// Takes a frame of a CAN port.
    pub fn frame(&mut self, port: usize, t_us: i64, frame: &CanFrame) {
        if let Some(Plan::Can(plan)) = self.plans.get_mut(port) {
            plan.decode(t_us, frame, &mut self.rows, &mut self.tallies);
        }
    }

    /// Takes a good line of a receiver, a text port or a Modbus line.
    pub fn line(&mut self, port: usize, t_us: i64, text: &str) {
        match self.plans.get_mut(port) {
            Some(Plan::Nmea { slots, speed_from }) => {
                let speed_from = *speed_from;
                slots.decode(t_us, text, speed_from, &mut self.rows, &mut self.tallies);
            }
            Some(Plan::Text(plan)) => plan.decode(t_us, text, &mut self.rows, &mut self.tallies),
            Some(Plan::Modbus(plan)) => plan.decode(t_us, text, &mut self.rows, &mut self.tallies),
            Some(Plan::Can(_)) | None => {}
        }
    }

    /// Rows of a domain that wait to be taken.
    pub fn waiting(&self, domain: Domain) -> usize {
        self.rows[domain as usize].len()
    }

    /// Takes the waiting rows of a domain as a batch in the table's schema.
    pub fn take(&mut self, domain: Domain) -> RecordBatch {
        let names = if domain == Domain::Aux { &self.aux_names } else { &self.positions };
        self.rows[domain as usize].take(&self.session, names)
    }

    /// What was wrong with messages of several frames (OBD-II answers, long parameter groups), a line each; none when
    /// nothing was.
    pub fn notes(&self) -> Vec<String> {
        let can = self.plans.iter().filter_map(|plan| if let Plan::Can(plan) = plan { Some(plan) } else { None });
        can.flat_map(CanPlan::notes).collect()
    }

    /// Counters of every channel that the rig names or a receiver feeds, seen or not.
    pub fn channels(&self) -> Vec<ChannelRecord> {
        self.tallies.iter().map(Tally::record).collect()
    }
}

/// Stores a reading in the row begun last and counts it. The `aux` table has a row for each value.
fn store(slot: &Slot, t_us: i64, raw: Option<Raw>, rows: &mut [Rows], tallies: &mut [Tally]) {
    let reading = raw.map_or(Reading::Missing, |raw| slot.read(raw));
    tallies[slot.tally].count(t_us, reading);
    if let Reading::Value(cell) = reading {
        let rows = &mut rows[slot.domain as usize];
        if slot.domain == Domain::Aux {
            rows.begin(t_us, slot.key);
        }
        rows.set(slot.column, cell);
    }
}

impl NmeaSlots {
    /// Adds the counters of the channels, unless another port or signal has them already.
    fn new(tallies: &mut Vec<Tally>) -> Self {
        let mut slot = |name: &str| {
            let channel = Channel::find(name).expect("the receiver's channels are in the list");
            let known = tallies.iter().position(|t| t.is_of(name, None));
            let tally = known.unwrap_or_else(|| {
                tallies.push(Tally::new(name, None));
                tallies.len() - 1
            });
            Slot::of_channel(channel, tally)
        };
        let [speed, lat, lon, alt, quality] = NMEA_CHANNELS.map(&mut slot);
        Self { speed, lat, lon, alt, quality }
    }

    fn decode(&self, t_us: i64, text: &str, speed_from: SpeedSentence, rows: &mut [Rows], tallies: &mut [Tally]) {
        let Some(sentence) = sentence::parse(text).or_else(|| sentence::blank(text)) else { return };
        let speed_is_wanted = match sentence {
            Sentence::Rmc(_) => speed_from == SpeedSentence::Rmc,
            Sentence::Vtg(_) => speed_from == SpeedSentence::Vtg,
            Sentence::Gga(_) => false,
        };
        if matches!(sentence, Sentence::Vtg(_)) && !speed_is_wanted {
            return;
        }
        rows[self.lat.domain as usize].begin(t_us, 0);
        let mut put = |slot: &Slot, value: Option<f64>| store(slot, t_us, value.map(Raw::Number), rows, tallies);
        match sentence {
            Sentence::Rmc(rmc) => {
                if speed_is_wanted {
                    put(&self.speed, rmc.speed_m_s);
                }
                put(&self.lat, rmc.position.map(|p| p.0));
                put(&self.lon, rmc.position.map(|p| p.1));
            }
            Sentence::Gga(gga) => {
                put(&self.lat, gga.position.map(|p| p.0));
                put(&self.lon, gga.position.map(|p| p.1));
                put(&self.alt, gga.altitude_m);
                put(&self.quality, gga.quality.map(f64::from));
            }
            Sentence::Vtg(speed) => put(&self.speed, speed),
        }
    }
}

impl TextPlan {
    fn new(rig: &Rig, port: &str, columns: Columns) -> Self {
        let of_port = rig.signals.iter().enumerate().filter(|(_, s)| s.port == port);
        let signals = of_port.filter_map(|(i, signal)| match &signal.source {
            Source::Text(source) => Some((source.column.clone(), Slot::of_signal(rig, signal, i))),
            _ => None,
        });
        let mut plan = Self { columns, signals: signals.collect(), groups: Vec::new() };
        plan.find_columns();
        plan
    }

    fn find_columns(&mut self) {
        let columns = &self.columns;
        let placed = self.signals.iter().filter_map(|(name, slot)| Some((columns.position(name)?, slot.clone())));
        self.groups = Group::gather(placed);
    }

    fn decode(&mut self, t_us: i64, text: &str, rows: &mut [Rows], tallies: &mut [Tally]) {
        match self.columns.judge(text) {
            Row::Header => return self.find_columns(),
            Row::Mismatch { .. } => return,
            Row::Cells => {}
        }
        let cells = self.columns.cells(text);
        for group in &self.groups {
            // An empty cell says nothing, as when channels have different rates; it is not held against the sensor.
            if group.signals.iter().all(|(at, _)| cells[*at].is_empty()) {
                continue;
            }
            if group.domain != Domain::Aux {
                rows[group.domain as usize].begin(t_us, group.key);
            }
            for (at, slot) in group.signals.iter().filter(|(at, _)| !cells[*at].is_empty()) {
                store(slot, t_us, self.columns.number(cells[*at]).map(Raw::Number), rows, tallies);
            }
        }
    }
}

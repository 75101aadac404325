//! The technician's view: the latest value of every channel, the state of every port, and what is wrong.
//!
//! A [`View`] takes the same bytes as the journal, frames and decodes them on its own, and gives a [`Snapshot`] whenever it
//! is asked. It sees no port, no clock and no file, and nothing that is recorded depends on it: [`feed`](feed()) carries
//! copies to it from the reading side and leaves them out when the view does not keep up.
//!
//! ```
//! use tallywheel_logger::view::{ChannelState, View};
//! use tallywheel_schemas::{Rig, TextFile, Timestamp};
//!
//! let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
//!     [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"bus\"\nid = 0x310\nstart_bit = 7\nlength = 16\nbyte_order = \"big\"\nscale = 0.01\n";
//! let mut view = View::new(&Rig::parse(TextFile::new("rig.toml", rig)).unwrap());
//! let at = Timestamp::from_us(1_000_000);
//! view.bytes(0, at, b"t31022\rt31022616\r");
//! let voltage = &view.snapshot(at.plus_us(400_000)).channels[0];
//! assert_eq!((voltage.shown().as_str(), voltage.state, voltage.age_s), ("97.5 V", ChannelState::Ok, Some(0.4)));
//! ```

mod alarm;
mod calibration;
mod channel;
mod clock;
mod disk;
mod feed;
mod port;
mod rate;
mod snapshot;
mod table;
#[cfg(test)]
mod tests;
mod wording;

pub use alarm::{Alarm, Gravity};
pub use calibration::{ASSUMED_VALID_DAYS, CalibrationNow, CalibrationState};
pub use clock::{ClockNow, ClockState};
pub use disk::{DiskNow, free_bytes};
pub use feed::{Feed, Input, feed, watch};
pub use port::PortEvent;
pub use snapshot::{
    ChannelNow, ChannelState, LimitNow, PortNow, PortState, RecordingNow, RecordingState, RunNow, Snapshot,
};
pub use table::{status_line, table};

use tallywheel_schemas::{Domain, Rig, Timestamp};

use crate::{decode::Decoder, message::Message};
use channel::{ChannelView, age};
use clock::SatelliteClock;
use port::PortView;

/// Rows that may wait for the next snapshot before they are looked at anyway.
const MOST_ROWS: usize = 16_384;

/// The state of everything that is watched.
#[derive(Debug)]
pub struct View {
    vehicle: String,
    ports: Vec<PortView>,
    channels: Vec<ChannelView>,
    decoder: Decoder,
    clock: SatelliteClock,
    began: Option<Timestamp>,
    recording: Option<RecordingNow>,
    disk: Option<DiskNow>,
}

impl View {
    /// For the ports and channels of a rig.
    pub fn new(rig: &Rig) -> Self {
        let decoder = Decoder::new(rig, "");
        let channels: Vec<ChannelView> = decoder.channels().iter().map(|r| ChannelView::new(rig, r)).collect();
        let ports = rig.ports.iter().enumerate().map(|(i, port)| {
            let gaps = channels.iter().filter(|c| c.port == i).map(|c| c.max_gap_s);
            PortView::new(port, gaps)
        });
        let ports: Vec<PortView> = ports.collect();
        let has_receiver = ports.iter().any(PortView::is_receiver);
        Self {
            vehicle: rig.vehicle.clone(),
            ports,
            channels,
            decoder,
            clock: SatelliteClock::new(has_receiver),
            began: None,
            recording: None,
            disk: None,
        }
    }

    /// Takes bytes that a port, named by its index in the rig, received at a time.
    pub fn bytes(&mut self, port: usize, at: Timestamp, bytes: &[u8]) {
        self.begin(at);
        let Some(view) = self.ports.get_mut(port) else { return };
        view.received(bytes);
        self.drain(port, at);
    }

    /// Takes the messages that a port's framer has ready.
    fn drain(&mut self, port: usize, at: Timestamp) {
        while let Some(message) = self.ports[port].next() {
            self.message(port, at, &message);
        }
    }

    /// Takes a message that was framed elsewhere.
    pub fn message(&mut self, port: usize, at: Timestamp, message: &Message) {
        self.begin(at);
        let Some(view) = self.ports.get_mut(port) else { return };
        view.count(at, message);
        match message {
            Message::Frame(frame) => self.decoder.frame(port, at.as_us(), frame),
            Message::Line(text) => {
                if view.is_receiver() {
                    self.clock.line(at, text);
                }
                self.decoder.line(port, at.as_us(), text);
            }
            _ => {}
        }
        if Domain::ALL.iter().any(|d| self.decoder.waiting(*d) > MOST_ROWS) {
            self.look();
        }
    }

    /// Takes what else happened to a port.
    pub fn port_event(&mut self, port: usize, at: Timestamp, event: PortEvent) {
        self.begin(at);
        if let Some(view) = self.ports.get_mut(port) {
            view.event(at, event);
            self.drain(port, at);
        }
    }

    /// Says what is being recorded.
    pub fn set_recording(&mut self, recording: Option<RecordingNow>) {
        self.recording = recording;
    }

    /// Says how much room there is.
    pub fn set_disk(&mut self, disk: Option<DiskNow>) {
        self.disk = disk;
    }

    /// Bytes a second that all ports together received over the last few seconds, as of the last snapshot.
    pub fn bytes_per_s(&self) -> f64 {
        self.ports.iter().map(PortView::bytes_per_s).sum()
    }

    /// Everything as it is now. To be taken a few times a second: rates and the time of a fault are as fine as that.
    pub fn snapshot(&mut self, now: Timestamp) -> Snapshot {
        let began = self.begin(now);
        self.look();
        self.channels.iter_mut().for_each(|c| c.mark(now));
        self.ports.iter_mut().for_each(|p| p.mark(now));
        let mut snapshot = Snapshot {
            at_us: now,
            vehicle: self.vehicle.clone(),
            watched_s: age(now, began),
            channels: self.channels.iter().map(|c| c.now(now)).collect(),
            ports: self.ports.iter().map(|p| p.now(now, began)).collect(),
            clock: self.clock.now(now),
            recording: self.recording.clone(),
            disk: self.disk,
            alarms: Vec::new(),
        };
        let losses = self.ports.iter().map(|p| (p.is_losing(now), p.bad_share()));
        snapshot.alarms = alarm::alarms(&snapshot, &losses.collect::<Vec<_>>());
        snapshot
    }

    /// Counting begins with the first that is heard of.
    fn begin(&mut self, at: Timestamp) -> Timestamp {
        *self.began.get_or_insert_with(|| {
            self.channels.iter_mut().for_each(|c| c.mark(at));
            self.ports.iter_mut().for_each(|p| p.mark(at));
            at
        })
    }

    /// Takes the decoded rows that wait.
    fn look(&mut self) {
        for domain in Domain::ALL.into_iter().filter(|d| self.decoder.waiting(*d) > 0).collect::<Vec<_>>() {
            let batch = self.decoder.take(domain);
            self.channels.iter_mut().filter(|c| c.domain == domain).for_each(|c| c.absorb(&batch));
        }
        for (channel, record) in self.channels.iter_mut().zip(self.decoder.channels()) {
            let heard = self.ports.get(channel.port).and_then(|p| p.heard);
            channel.count(&record, heard);
        }
    }
}

//! Between the raw tables and the decoder: messages in the order in which they were on their wires.

use super::{
    device_clock::{DeviceClock, LATE_US},
    window::Window,
};
use crate::{decode::Decoder, message::CanFrame};

/// Puts messages of all ports in order by the best time that is known of each.
#[derive(Debug)]
pub(crate) struct WireTime {
    /// Stamps are arrivals, so that an adapter's own time has something to add.
    live: bool,
    clocks: Vec<DeviceClock>,
    window: Window<(u16, Decodable)>,
}

#[derive(Debug)]
enum Decodable {
    Frame(CanFrame),
    Line(String),
}

impl WireTime {
    pub(crate) fn new(ports: usize, live: bool) -> Self {
        Self { live, clocks: vec![DeviceClock::default(); ports], window: Window::new(if live { LATE_US } else { 0 }) }
    }

    /// Takes a frame that arrived at `t_us`; says whether its adapter's clock started anew just before it.
    pub(crate) fn frame(&mut self, t_us: i64, port: usize, frame: CanFrame) -> bool {
        let mut restarted = false;
        let mut on_bus_us = t_us;
        if let Some(ms) = frame.device_ms.filter(|_| self.live && !frame.transmitted) {
            let on_bus = self.clocks[port].time(t_us, ms);
            (on_bus_us, restarted) = (on_bus.t_us, on_bus.restarted);
        }
        self.window.push(on_bus_us, (port as u16, Decodable::Frame(frame)));
        restarted
    }

    /// Takes a line that arrived at `t_us`.
    pub(crate) fn line(&mut self, t_us: i64, port: usize, text: String) {
        self.window.push(t_us, (port as u16, Decodable::Line(text)));
    }

    /// Decodes what nothing can come before any more.
    pub(crate) fn decode_due(&mut self, decoder: &mut Decoder) {
        while let Some((t_us, (port, decodable))) = self.window.next_due() {
            decode(decoder, t_us, usize::from(port), &decodable);
        }
    }

    /// Decodes one message of what is left at the end; false when nothing is.
    pub(crate) fn decode_left(&mut self, decoder: &mut Decoder) -> bool {
        let Some((t_us, (port, decodable))) = self.window.next_left() else { return false };
        decode(decoder, t_us, usize::from(port), &decodable);
        true
    }
}

fn decode(decoder: &mut Decoder, t_us: i64, port: usize, decodable: &Decodable) {
    match decodable {
        Decodable::Frame(frame) => decoder.frame(port, t_us, frame),
        Decodable::Line(text) => decoder.line(port, t_us, text),
    }
}

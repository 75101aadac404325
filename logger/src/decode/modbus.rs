//! Which signals the answer of a Modbus unit carries.

use std::collections::HashMap;

use tallywheel_schemas::{
    Domain, Rig,
    rig::{ModbusSource, RegisterFormat, Source, WordOrder},
};

use super::{
    can::Group,
    rows::Rows,
    slot::{Raw, Slot, Tally},
    store,
};
use crate::modbus::{Answer, Line, Request};

/// The signals of one Modbus line.
///
/// An answer names neither the registers it holds nor the time they were asked for, so the plan remembers the last
/// request. It reads the lines of an exchange as they are kept in `lines`, hence decoding again works from there.
#[derive(Debug)]
pub(super) struct ModbusPlan {
    signals: Vec<(ModbusSource, Slot)>,
    asked: Option<Request>,
    /// Signals of a request, with the places of their first registers.
    groups: HashMap<Request, Vec<Group<Field>>>,
}

/// Where a value lies in an answer.
#[derive(Debug, Clone, Copy)]
struct Field {
    at: usize,
    format: RegisterFormat,
    word_order: WordOrder,
}

impl ModbusPlan {
    pub(super) fn new(rig: &Rig, port: &str) -> Self {
        let of_port = rig.signals.iter().enumerate().filter(|(_, s)| s.port == port);
        let signals = of_port.filter_map(|(i, signal)| match &signal.source {
            Source::Modbus(source) => Some((source.clone(), Slot::of_signal(rig, signal, i))),
            _ => None,
        });
        Self { signals: signals.collect(), asked: None, groups: HashMap::new() }
    }

    /// Takes a line; appends what it carries if it is the answer to the last request.
    pub(super) fn decode(&mut self, t_us: i64, text: &str, rows: &mut [Rows], tallies: &mut [Tally]) {
        match Line::read(text) {
            Some(Line::Sent(bytes)) => self.asked = Request::read(&bytes),
            Some(Line::Answer(bytes)) => {
                let Some(asked) = self.asked.take() else { return };
                let Ok(answer) = asked.answer(&bytes) else { return };
                let signals = &self.signals;
                let groups = self.groups.entry(asked).or_insert_with(|| fields(signals, &asked));
                put(groups, t_us, &answer, rows, tallies);
            }
            None => {}
        }
    }
}

fn fields(signals: &[(ModbusSource, Slot)], asked: &Request) -> Vec<Group<Field>> {
    Group::gather(signals.iter().filter_map(|(source, slot)| {
        if (source.unit, source.kind) != (asked.unit, asked.kind) {
            return None;
        }
        let at = asked.position(source.register, source.format.registers())?;
        Some((Field { at, format: source.format, word_order: source.word_order }, slot.clone()))
    }))
}

/// A unit that refuses was asked all the same: each of its signals is missing then.
fn put(groups: &[Group<Field>], t_us: i64, answer: &Answer, rows: &mut [Rows], tallies: &mut [Tally]) {
    for group in groups {
        if matches!(answer, Answer::Registers(_)) && group.domain != Domain::Aux {
            rows[group.domain as usize].begin(t_us, group.key);
        }
        for (field, slot) in &group.signals {
            let raw = match answer {
                Answer::Registers(registers) => field.read(registers),
                Answer::Exception(_) => None,
            };
            store(slot, t_us, raw, rows, tallies);
        }
    }
}

impl Field {
    /// `None` for what is no number: meters send it for a phase that is not connected.
    fn read(self, registers: &[u16]) -> Option<Raw> {
        let first = *registers.get(self.at)?;
        let wide = || {
            let second = *registers.get(self.at + 1)?;
            let (high, low) = match self.word_order {
                WordOrder::HighFirst => (first, second),
                WordOrder::LowFirst => (second, first),
            };
            Some(u32::from(high) << 16 | u32::from(low))
        };
        Some(match self.format {
            RegisterFormat::U16 => Raw::Int(i64::from(first)),
            RegisterFormat::I16 => Raw::Int(i64::from(first.cast_signed())),
            RegisterFormat::U32 => Raw::Int(i64::from(wide()?)),
            RegisterFormat::I32 => Raw::Int(i64::from(wide()?.cast_signed())),
            RegisterFormat::F32 => match f32::from_bits(wide()?) {
                number if number.is_nan() => return None,
                number => Raw::Number(f64::from(number)),
            },
        })
    }
}

#[cfg(test)]
mod tests {
    use arrow::{array::AsArray, datatypes::Float64Type};
    use tallywheel_schemas::TextFile;

    use super::*;
    use crate::decode::Decoder;

    const RIG: &str = "schema = 1\nvehicle = \"v\"\n[[port]]\nname = \"meter\"\nkind = \"modbus\"\ntransmit = true\n\
        [[signal]]\nchannel = \"pack.wall_power_w\"\nport = \"meter\"\nunit_id = 1\nregister = 0\n\
        register_kind = \"input\"\nformat = \"u16\"\nscale = 10.0\n\
        [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"meter\"\nunit_id = 1\nregister = 1\n\
        register_kind = \"input\"\nformat = \"u16\"\nevery_s = 0.5\nnot_available = [5]\n";

    /// Bytes from rmodbus's own tests (client.rs, read): registers 0 and 1 hold 6 and 5.
    #[test]
    fn only_an_answer_behind_its_request_is_decoded() {
        let rig = Rig::parse(TextFile::new("rig.toml", RIG)).expect("a good rig");
        let mut decoder = Decoder::new(&rig, "s");
        let (ask, good, refused) = ("> 01040000000271CB", "< 01040400060005DB86", "< 018402C2C1");
        for (t, line) in [good, ask, good, good, ask, "? 00", refused, ask, ask, "< 01040400060005DB87", ask, good]
            .into_iter()
            .enumerate()
        {
            decoder.line(0, t as i64, line);
        }
        let batch = decoder.take(Domain::Pack);
        let column = |name: &str| {
            let column = batch.column_by_name(name).expect("a column").as_primitive::<Float64Type>();
            column.iter().collect::<Vec<_>>()
        };
        assert_eq!(column("wall_power_w"), [Some(60.0), Some(60.0)]);
        assert_eq!(column("voltage_v"), [None, None]);
        let channels = decoder.channels();
        assert_eq!((channels[0].samples, channels[0].missing), (2, 1), "one refusal");
        assert_eq!((channels[1].samples, channels[1].missing), (0, 3), "and twice not available");
        assert_eq!(channels[0].longest_gap_us, 9, "stamped with the answer");
    }

    fn read(format: RegisterFormat, word_order: WordOrder, registers: &[u16]) -> Option<Raw> {
        Field { at: 1, format, word_order }.read(registers)
    }

    /// Closed form: two's complement, and the encoding of IEEE 754 (1.0 is 3F800000; 230.5 = 1.80078125 · 2^7 is
    /// 43668000). The Python peer's server encodes further values by its own code.
    #[test]
    fn formats_and_word_orders() {
        use RegisterFormat::{F32, I16, I32, U16, U32};
        use WordOrder::{HighFirst, LowFirst};
        let cases = [
            (U16, HighFirst, [0, 0xFFFE, 0], Raw::Int(65_534)),
            (I16, HighFirst, [0, 0xFFFE, 0], Raw::Int(-2)),
            (U32, HighFirst, [0, 0x0001, 0x0002], Raw::Int(65_538)),
            (U32, LowFirst, [0, 0x0002, 0x0001], Raw::Int(65_538)),
            (U32, HighFirst, [0, 0xFFFF, 0xFFFF], Raw::Int(4_294_967_295)),
            (I32, HighFirst, [0, 0xFFFF, 0xFFFD], Raw::Int(-3)),
            (I32, LowFirst, [0, 0xFFFD, 0xFFFF], Raw::Int(-3)),
            (F32, HighFirst, [0, 0x4366, 0x8000], Raw::Number(230.5)),
            (F32, LowFirst, [0, 0x0000, 0x3F80], Raw::Number(1.0)),
        ];
        for (format, order, registers, expected) in cases {
            assert_eq!(read(format, order, &registers), Some(expected), "{format:?} {order:?}");
        }
        assert_eq!(read(F32, HighFirst, &[0, 0x7FC0, 0]), None, "no number");
        assert_eq!(read(U32, HighFirst, &[0, 1]), None, "cut");
    }
}

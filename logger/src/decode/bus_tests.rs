//! Answers to requests, parameter groups, pages and long frames, from frame to row.

use arrow::{array::AsArray, datatypes::Float64Type};
use tallywheel_schemas::TextFile;

use super::*;

const PORT: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n\
                    transmit = true\nlisten_only = false\n";
const AUX: &str =
    "[aux.value]\nunit = \"1\"\nmin = -1.0\nmax = 1e9\n[aux.other]\nunit = \"1\"\nmin = -1.0\nmax = 1e9\n";

fn decoder(signals: &[(&str, &str)]) -> Decoder {
    let signals =
        signals.iter().map(|(channel, rest)| format!("[[signal]]\nchannel = \"{channel}\"\nport = \"bus\"\n{rest}\n"));
    let text = format!("{PORT}{}{AUX}", signals.collect::<String>());
    Decoder::new(&Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig"), "s")
}

fn frame(id: u32, data: &[u8]) -> CanFrame {
    CanFrame::new(id, id > 0x7FF).with_data(data)
}

fn floats(decoder: &mut Decoder, domain: Domain, column: &str) -> Vec<Option<f64>> {
    let batch = decoder.take(domain);
    batch.column_by_name(column).expect("a column").as_primitive::<Float64Type>().iter().collect()
}

/// Source: public OBD parameter tables (read) for 05, 0C, 0D, 0F, 10, 11; SAE J1979 from memory for 33, 44, 46, 5E.
#[test]
fn answers_feed_the_canonical_channels() {
    type Case = (&'static str, u8, &'static [u8], f64);
    let cases: &[Case] = &[
        ("engine.speed_rpm", 0x0C, &[0x1A, 0xF8], 1726.0),
        ("engine.coolant_c", 0x05, &[0x7B], 83.0),
        ("engine.throttle_pct", 0x11, &[0x33], 20.0),
        ("engine.intake_temp_c", 0x0F, &[0x46], 30.0),
        ("engine.maf_g_s", 0x10, &[0x03, 0xE8], 10.0),
        ("engine.baro_kpa", 0x33, &[0x65], 101.0),
        ("engine.lambda", 0x44, &[0x80, 0x00], 1.0),
        ("engine.fuel_rate_g_s", 0x5E, &[0x00, 0x50], 4.0 * 745.0 / 3600.0),
        ("motion.wheel_speed_m_s", 0x0D, &[0x32], 50.0 / 3.6),
        ("ambient.temp_c", 0x46, &[0x3E], 22.0),
    ];
    for (name, pid, data, expected) in cases {
        let channel = Channel::find(name).expect("a channel");
        let mut decoder = decoder(&[(name, &format!("pid = 0x{pid:02X}\nevery_s = 0.9"))]);
        let mut answer = vec![2 + data.len() as u8, 0x41, *pid];
        answer.extend_from_slice(data);
        answer.resize(8, 0xAA);
        decoder.frame(0, 7, &frame(0x7E8, &answer));
        // The question, a refusal, another parameter and freeze-frame data carry nothing.
        for other in [[2, 1, *pid, 0, 0, 0, 0, 0], [3, 0x7F, 1, 0x12, 0, 0, 0, 0], [4, 0x41, pid ^ 1, 9, 9, 9, 9, 9]] {
            decoder.frame(0, 8, &frame(0x7E8, &other));
        }
        decoder.frame(0, 8, &frame(0x7DF, &[2, 1, *pid, 0, 0, 0, 0, 0]));
        decoder.frame(0, 8, &frame(0x7E8, &[5, 0x42, *pid, 9, 9, 9, 9, 9]));
        let found = floats(&mut decoder, channel.domain, channel.column);
        assert_eq!(found.len(), 1, "{name}");
        assert!((found[0].expect("a value") - expected).abs() < 1e-9, "{name}: {found:?} is not {expected}");
    }
}

#[test]
fn the_first_ecu_that_answers_is_kept_unless_one_is_named() {
    let answer = |rpm: u8| [4, 0x41, 0x0C, rpm, 0, 0, 0, 0];
    let mut any = decoder(&[("engine.speed_rpm", "pid = 0x0C\nevery_s = 0.2")]);
    let mut named = decoder(&[("engine.speed_rpm", "pid = 0x0C\nevery_s = 0.2\necu = 0x7E8")]);
    for decoder in [&mut any, &mut named] {
        for (t, ecu, rpm) in [(0, 0x7E9, 8), (1, 0x7E8, 16), (2, 0x7E9, 8), (3, 0x18DA_F110, 99)] {
            decoder.frame(0, t, &frame(ecu, &answer(rpm)));
        }
    }
    assert_eq!(floats(&mut any, Domain::Engine, "speed_rpm"), [Some(512.0), Some(512.0)]);
    assert_eq!(floats(&mut named, Domain::Engine, "speed_rpm"), [Some(1024.0)]);
}

#[test]
fn a_long_answer_has_the_time_of_its_last_frame() {
    let mut decoder = decoder(&[(
        "value",
        "pid = 0x9D\nevery_s = 0.5\nstart_bit = 39\nlength = 16\nbyte_order = \"big\"\nextended = true",
    )]);
    // 41 9D and eight data bytes, the wanted two are E and F.
    decoder.frame(0, 10, &frame(0x18DA_F110, &[0x10, 10, 0x41, 0x9D, 0, 0, 0, 0]));
    decoder.frame(0, 30, &frame(0x18DA_F110, &[0x21, 0x12, 0x34, 0, 0, 0x55, 0x55, 0x55]));
    assert!(decoder.notes().is_empty());
    // One that lacks its end, and one that is broken.
    decoder.frame(0, 40, &frame(0x18DA_F110, &[0x04, 0x41, 0x9D, 0, 0, 0, 0, 0]));
    decoder.frame(0, 50, &frame(0x18DA_F110, &[0x10, 10, 0x41, 0x9D, 0, 0, 0, 0]));
    decoder.frame(0, 60, &frame(0x18DA_F110, &[0x22, 0x12, 0x34, 0, 0, 0x55, 0x55, 0x55]));
    let batch = decoder.take(Domain::Aux);
    let times = batch.column_by_name("t_us").expect("a column").as_primitive::<arrow::datatypes::Int64Type>();
    assert_eq!(times.values(), &[30]);
    let values = batch.column_by_name("value").expect("a column").as_primitive::<Float64Type>();
    assert_eq!(values.values(), &[4660.0]);
    assert_eq!((decoder.channels()[0].samples, decoder.channels()[0].missing), (1, 1));
    assert_eq!(decoder.notes(), ["port `bus`: 1 faulty ISO 15765-2 frame(s) in answers: wrong sequence 1"]);
}

/// Source: SAE J1939-71; PGN 65266 "Fuel Economy (Liquid) LFE 100 ms" read in a PGN list, resolutions of SPN 183 and 84
/// from memory; SPN 250 (0.5 L/bit, PGN 65257) and SPN 190 (0.125 rpm/bit, PGN 61444) read in a device manual.
#[test]
fn parameter_groups_decode_from_any_sender_and_priority() {
    // Group, two identifiers of it, start bit, bits, scale, data, expected value.
    type Case = (u32, [u32; 2], u16, u16, f64, [u8; 8], f64);
    #[rustfmt::skip]
    let cases: &[Case] = &[
        (65266, [0x18FE_F200, 0x0CFE_F227], 0, 16, 0.05, [0x40, 0x01, 0, 0, 0, 0, 0, 0], 16.0),
        (65266, [0x18FE_F200, 0x0CFE_F227], 0, 16, 0.05, [0xFF, 0xFA, 0, 0, 0, 0, 0, 0], 3212.75),
        (65265, [0x18FE_F100, 0x18FE_F131], 8, 16, 1.0 / 256.0, [0, 0x00, 0x32, 0, 0, 0, 0, 0], 50.0),
        (65265, [0x18FE_F100, 0x18FE_F131], 8, 16, 1.0 / 256.0, [0, 0xFF, 0xFA, 0, 0, 0, 0, 0], 250.996),
        (65257, [0x18FE_E900, 0x18FE_E917], 32, 32, 0.5, [0, 0, 0, 0, 0xD0, 0x07, 0, 0], 1000.0),
        (61444, [0x0CF0_0400, 0x18F0_0401], 24, 16, 0.125, [0, 0, 0, 0x80, 0x25, 0, 0, 0], 1200.0),
    ];
    for (pgn, ids, start, length, scale, data, expected) in cases {
        let signal = format!("pgn = {pgn}\nstart_bit = {start}\nlength = {length}\nscale = {scale:?}");
        let mut decoder = decoder(&[("value", &signal)]);
        for id in ids {
            decoder.frame(0, 1, &frame(*id, data));
            // Error and not available, by the standard's ranges and without a word in the rig.
            decoder.frame(0, 1, &frame(*id, &[0xFE; 8]));
            decoder.frame(0, 1, &frame(*id, &[0xFF; 8]));
        }
        decoder.frame(0, 2, &frame(ids[0] ^ 0x100, data));
        let found = floats(&mut decoder, Domain::Aux, "value");
        assert_eq!(found.len(), 2, "{pgn}: {found:?}");
        assert!(found.iter().flatten().all(|v| (v - expected).abs() <= 0.0005), "{pgn}: {found:?} is not {expected}");
        let channel = &decoder.channels()[0];
        assert_eq!((channel.samples, channel.missing, channel.out_of_range), (2, 4, 0));
    }
}

#[test]
fn a_named_sender_and_a_full_identifier_are_told_apart() {
    let at = "start_bit = 0\nlength = 8";
    let mut decoder = decoder(&[
        ("value", &format!("pgn = 0xEF00\nsource_address = 3\n{at}")),
        ("other", &format!("id = 0x18EF2103\nextended = true\n{at}")),
    ]);
    // PDU1: the second byte is whom it is for, and no part of the group.
    for (id, byte) in [(0x18EF_2103, 1), (0x0CEF_FF03, 2), (0x18EF_2104, 3), (0x18F0_2103, 4)] {
        decoder.frame(0, 1, &frame(id, &[byte]));
    }
    decoder.frame(0, 1, &CanFrame::new(0x103, false).with_data(&[5]));
    let channels = decoder.channels();
    assert_eq!(floats(&mut decoder, Domain::Aux, "value"), [Some(1.0), Some(1.0), Some(2.0)]);
    assert_eq!((channels[0].samples, channels[1].samples), (2, 1));
}

#[test]
fn two_bit_states_and_signed_fields_follow_their_own_rules() {
    let mut decoder = decoder(&[
        ("value", "pgn = 65265\nstart_bit = 0\nlength = 2"),
        ("other", "pgn = 65265\nstart_bit = 8\nlength = 8\nsigned = true"),
    ]);
    for (state, signed) in [(0, 0), (1, 255), (2, 1), (3, 2)] {
        decoder.frame(0, 1, &frame(0x18FE_F100, &[0xFC | state, signed]));
    }
    let channels = decoder.channels();
    assert_eq!((channels[0].samples, channels[0].missing), (2, 2));
    assert_eq!((channels[1].samples, channels[1].missing), (4, 0), "a signed 255 is −1, and a value");
}

#[test]
fn a_group_of_several_packets_decodes_behind_the_eighth_byte() {
    let mut decoder = decoder(&[("value", "pgn = 65251\nstart_bit = 112\nlength = 16\nsource_address = 0")]);
    decoder.frame(0, 1, &frame(0x1CEC_FF00, &[0x20, 17, 0, 3, 0xFF, 0xE3, 0xFE, 0]));
    for (t, n) in [(2, 1), (3, 2), (4, 3)] {
        decoder.frame(0, t, &frame(0x1CEB_FF00, &[n, n, 2, 3, 4, 5, 6, 7]));
    }
    assert_eq!(floats(&mut decoder, Domain::Aux, "value"), [Some(f64::from(0x0203))]);
    decoder.frame(0, 5, &frame(0x1CEC_FF00, &[0x20, 17, 0, 3, 0xFF, 0xE3, 0xFE, 0]));
    decoder.frame(0, 6, &frame(0x1CEB_FF00, &[2, 1, 2, 3, 4, 5, 6, 7]));
    assert_eq!(decoder.notes(), ["port `bus`: 1 broken broadcast(s) of long J1939 parameter groups"]);
}

#[test]
fn pages_select_in_either_byte_order_and_with_29_bits() {
    let page = |id: u32, order: &str, signal: u16, selector: u16, value: u16| {
        format!(
            "id = {id}\nextended = true\nbyte_order = \"{order}\"\nstart_bit = {signal}\nlength = 16\nmux = {{ start_bit \
             = {selector}, length = 12, value = {value} }}"
        )
    };
    // The selector is 12 bits in bytes 0 and 1, the value 16 bits in bytes 2 and 3, low byte first or high byte first.
    let mut decoder = decoder(&[
        ("value", &page(0x18FF_0102, "little", 16, 0, 0x201)),
        ("other", &page(0x18FF_0103, "big", 23, 7, 0x012)),
    ]);
    for (id, data) in [
        (0x18FF_0102, &[0x01, 0x02, 0x34, 0x12][..]),
        (0x18FF_0102, &[0x02, 0x02, 0x34, 0x13]),
        (0x18FF_0103, &[0x01, 0x23, 0x12, 0x35]),
        (0x18FF_0103, &[0x03, 0x03, 0x12, 0x36]),
        (0x18FF_0103, &[0x01]),
    ] {
        decoder.frame(0, 1, &frame(id, data));
        decoder.frame(0, 1, &CanFrame::new(id & 0x7FF, false).with_data(data));
    }
    assert_eq!(floats(&mut decoder, Domain::Aux, "value"), [Some(f64::from(0x1234)), Some(f64::from(0x1235))]);
    let channels = decoder.channels();
    assert_eq!((channels[0].samples, channels[1].samples), (1, 1));
}

#[test]
fn can_fd_frames_carry_signals_to_their_last_bit() {
    let mut decoder = decoder(&[
        ("value", "id = 0x123\nstart_bit = 488\nlength = 16"),
        ("other", "id = 0x123\nstart_bit = 511\nlength = 8\nbyte_order = \"big\""),
    ]);
    let mut data = [0; 64];
    (data[61], data[62], data[63]) = (0x34, 0x12, 0x56);
    let mut long = CanFrame::new(0x123, false).with_data(&data);
    long.fd_flags = Some(1);
    decoder.frame(0, 1, &long);
    decoder.frame(0, 2, &CanFrame::new(0x123, false).with_data(&data[..48]));
    assert_eq!(floats(&mut decoder, Domain::Aux, "value"), [Some(f64::from(0x1234)), Some(f64::from(0x56))]);
    let channels = decoder.channels();
    assert_eq!((channels[0].samples, channels[1].samples), (1, 1), "a shorter frame does not carry them");
}

use arrow::{
    array::AsArray,
    datatypes::{Float64Type, Int32Type, Int64Type},
};
use tallywheel_schemas::TextFile;

use super::*;

const CAN_PORT: &str =
    "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n";

fn rig(text: &str) -> Rig {
    Rig::parse(TextFile::new("rig.toml", text)).expect("a good rig")
}

fn floats(batch: &RecordBatch, column: &str) -> Vec<Option<f64>> {
    batch.column_by_name(column).expect("a column").as_primitive::<Float64Type>().iter().collect()
}

fn names(batch: &RecordBatch, column: &str) -> Vec<String> {
    let column = batch.column_by_name(column).expect("a column").as_dictionary::<Int32Type>();
    let values = column.values().as_string::<i32>();
    column.keys().values().iter().map(|k| values.value(*k as usize).to_owned()).collect()
}

/// One value of an OBD reply `7E8 n 41 PID A B C D`, through a signal that the parameter's number selects.
fn obd(pid: u8, length: u16, scale: f64, offset: f64, data: &[u8]) -> f64 {
    let text = format!(
        "{CAN_PORT}[aux.value]\nunit = \"1\"\nmin = -1000.0\nmax = 1000000.0\n[[signal]]\nchannel = \"value\"\n\
         port = \"bus\"\nid = 0x7E8\nbyte_order = \"big\"\nstart_bit = 31\nlength = {length}\nscale = {scale:?}\n\
         offset = {offset:?}\nmux = {{ start_bit = 23, length = 8, value = {pid} }}\n"
    );
    let mut decoder = Decoder::new(&rig(&text), "s");
    let mut reply = vec![2 + data.len() as u8, 0x41, pid];
    reply.extend_from_slice(data);
    reply.resize(8, 0);
    decoder.frame(0, 1, &CanFrame::new(0x7E8, false).with_data(&reply));
    decoder.frame(0, 2, &CanFrame::new(0x7E8, false).with_data(&[3, 0x41, pid ^ 1, 9, 9, 9, 9, 9]));
    let batch = decoder.take(Domain::Aux);
    assert_eq!((batch.num_rows(), names(&batch, "channel")), (1, vec!["value".to_owned()]));
    floats(&batch, "value")[0].expect("aux rows have values")
}

/// Source: public OBD parameter tables (read) for 04, 05, 06-09, 0B, 0C, 0D, 0E, 0F, 10, 11; SAE J1979 from memory for
/// the rest.
#[test]
fn obd_parameters_scale_as_published() {
    let trim = 100.0 / 128.0;
    // Parameter, bits, scale, offset, data, expected value, tolerance.
    type Case = (u8, u16, f64, f64, &'static [u8], f64, f64);
    #[rustfmt::skip]
    let cases: &[Case] = &[
        (0x04, 8, 100.0 / 255.0, 0.0, &[0x7F], 49.8039, 1e-4),
        (0x05, 8, 1.0, -40.0, &[0x7B], 83.0, 0.0),
        (0x06, 8, trim, -100.0, &[0x8A], 7.8125, 1e-9),
        (0x06, 8, trim, -100.0, &[0x00], -100.0, 0.0),
        (0x06, 8, trim, -100.0, &[0xFF], 99.2188, 1e-4),
        (0x0B, 8, 1.0, 0.0, &[0x3C], 60.0, 0.0),
        (0x0C, 16, 0.25, 0.0, &[0x1A, 0xF8], 1726.0, 0.0),
        (0x0D, 8, 1.0, 0.0, &[0x32], 50.0, 0.0),
        (0x0F, 8, 1.0, -40.0, &[0x46], 30.0, 0.0),
        (0x10, 16, 0.01, 0.0, &[0x03, 0xE8], 10.0, 0.0),
        (0x11, 8, 100.0 / 255.0, 0.0, &[0x33], 20.0, 1e-9),
        (0x2F, 8, 100.0 / 255.0, 0.0, &[0x80], 50.1961, 1e-4),
        (0x33, 8, 1.0, 0.0, &[0x65], 101.0, 0.0),
        (0x42, 16, 0.001, 0.0, &[0x36, 0xB0], 14.0, 1e-12),
        (0x43, 16, 100.0 / 255.0, 0.0, &[0x00, 0x66], 40.0, 1e-9),
        (0x44, 16, 2.0 / 65536.0, 0.0, &[0x80, 0x00], 1.0, 0.0),
        (0x46, 8, 1.0, -40.0, &[0x3E], 22.0, 0.0),
        (0x51, 8, 1.0, 0.0, &[0x01], 1.0, 0.0),
        (0x5C, 8, 1.0, -40.0, &[0x82], 90.0, 0.0),
        (0x5E, 16, 1.0 / 20.0, 0.0, &[0x00, 0x50], 4.0, 1e-12),
        (0xA6, 32, 0.1, 0.0, &[0x00, 0x0F, 0x42, 0x40], 100_000.0, 1e-9),
    ];
    for (pid, length, scale, offset, data, expected, tolerance) in cases {
        let found = obd(*pid, *length, *scale, *offset, data);
        assert!((found - expected).abs() <= *tolerance, "PID {pid:02X}: {found} is not {expected}");
    }
}

/// Source: SAE J1939-71; PGN 65266 "Fuel Economy (Liquid) LFE 100 ms" read in a PGN list, resolutions of SPN 183 and 84
/// from memory; SPN 250 (0.5 L/bit, PGN 65257) and SPN 190 (0.125 rpm/bit, PGN 61444) read in a device manual.
#[test]
fn j1939_parameters_scale_as_published() {
    // Identifier, start bit, bits, scale, data, expected value.
    type Case = (u32, u16, u16, f64, &'static [u8], f64);
    #[rustfmt::skip]
    let cases: &[Case] = &[
        (0x18FE_F200, 0, 16, 0.05, &[0x40, 0x01, 0, 0, 0, 0, 0, 0], 16.0),
        (0x18FE_F200, 0, 16, 0.05, &[0xFF, 0xFA, 0, 0, 0, 0, 0, 0], 3212.75),
        (0x18FE_F100, 8, 16, 1.0 / 256.0, &[0, 0x00, 0x32, 0, 0, 0, 0, 0], 50.0),
        (0x18FE_F100, 8, 16, 1.0 / 256.0, &[0, 0xFF, 0xFA, 0, 0, 0, 0, 0], 250.996),
        (0x18FE_E900, 32, 32, 0.5, &[0, 0, 0, 0, 0xD0, 0x07, 0, 0], 1000.0),
        (0x0CF0_0400, 24, 16, 0.125, &[0, 0, 0, 0x80, 0x25, 0, 0, 0], 1200.0),
    ];
    for (id, start, length, scale, data, expected) in cases {
        let text = format!(
            "{CAN_PORT}[aux.value]\nunit = \"1\"\nmin = -1.0\nmax = 10000.0\n[[signal]]\nchannel = \"value\"\nport = \
             \"bus\"\nid = {id}\nextended = true\nstart_bit = {start}\nlength = {length}\nscale = {scale:?}\n\
             not_available = [65535]\n"
        );
        let mut decoder = Decoder::new(&rig(&text), "s");
        decoder.frame(0, 1, &CanFrame::new(*id, true).with_data(data));
        decoder.frame(0, 2, &CanFrame::new(*id, false).with_data(data));
        decoder.frame(0, 3, &CanFrame::new(*id, true).with_data(&[0xFF; 8]));
        let batch = decoder.take(Domain::Aux);
        let found = floats(&batch, "value")[0].expect("aux rows have values");
        assert!((found - expected).abs() <= 0.0005, "0x{id:X}: {found} is not {expected}");
        // All ones is "not available" in a 16-bit field; a 32-bit field of them is out of range here.
        let channel = &decoder.channels()[0];
        assert_eq!((channel.samples, channel.missing + channel.out_of_range), (1, 1));
    }
}

const MOTORS: &str = "\
[[signal]]\nchannel = \"motor.speed_rpm\"\nposition = \"rear-left\"\nport = \"bus\"\nid = 0x210\nstart_bit = 0\nlength = 16\nsigned = true\n
[[signal]]\nchannel = \"motor.fault\"\nposition = \"rear-left\"\nport = \"bus\"\nid = 0x210\nstart_bit = 16\nlength = 8\n
[[signal]]\nchannel = \"motor.speed_rpm\"\nposition = \"rear-right\"\nport = \"bus\"\nid = 0x210\nstart_bit = 24\nlength = 16\nsigned = true\nnot_available = [-1]\n
[[signal]]\nchannel = \"pack.soc_pct\"\nport = \"bus\"\nid = 0x210\nstart_bit = 40\nlength = 8\n
[[signal]]\nchannel = \"engine.running\"\nport = \"bus\"\nid = 0x210\nstart_bit = 48\nlength = 8\n
[[signal]]\nchannel = \"engine.fuel_count\"\nport = \"bus\"\nid = 0x210\nstart_bit = 56\nlength = 8\n";

#[test]
fn one_row_for_each_domain_and_position_with_faults_as_nulls() {
    let mut decoder = Decoder::new(&rig(&format!("{CAN_PORT}{MOTORS}")), "s");
    let data = [0xF6, 0xFF, 3, 0xFF, 0xFF, 101, 2, 200];
    decoder.frame(0, 1_000, &CanFrame::new(0x210, false).with_data(&data));
    decoder.frame(0, 4_000, &CanFrame::new(0x210, false).with_data(&data[..3]));
    let motor = decoder.take(Domain::Motor);
    assert_eq!(names(&motor, "position"), ["rear-left", "rear-right", "rear-left"]);
    assert_eq!(floats(&motor, "speed_rpm"), [Some(-10.0), None, Some(-10.0)]);
    let faults = motor.column_by_name("fault").expect("a column").as_primitive::<Int64Type>();
    assert_eq!(faults.iter().collect::<Vec<_>>(), [Some(3), None, Some(3)]);
    assert_eq!(floats(&decoder.take(Domain::Pack), "soc_pct"), [None]);
    let engine = decoder.take(Domain::Engine);
    assert!(engine.column_by_name("running").expect("a column").as_boolean().value(0));
    let count = engine.column_by_name("fuel_count").expect("a column").as_primitive::<Int64Type>();
    assert_eq!(count.value(0), 200);
    let channels = decoder.channels();
    let of =
        |i: usize| (channels[i].samples, channels[i].missing, channels[i].out_of_range, channels[i].longest_gap_us);
    assert_eq!(of(0), (2, 0, 0, 3_000));
    assert_eq!(of(2), (0, 1, 0, 0), "not available");
    assert_eq!(of(3), (0, 0, 1, 0), "101 % is out of range");
}

fn text_rig(port: &str) -> Rig {
    rig(&format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"box\"\nkind = \"text\"\n{port}\n\
         [[signal]]\nchannel = \"engine.fuel_count\"\nport = \"box\"\ncolumn = \"pulses\"\n\
         [[signal]]\nchannel = \"engine.fuel_temp_c\"\nport = \"box\"\ncolumn = \"temp\"\n"
    ))
}

#[test]
fn text_cells_are_values_nulls_or_counted_as_missing() {
    let mut decoder = Decoder::new(&text_rig("separator = \";\"\ndecimal = \",\""), "s");
    for (t, line) in
        [(0, "pulses;temp"), (1, "10;20,5"), (2, "11;"), (3, "12;hot"), (4, ";"), (5, "12,5;300,0"), (6, "13")]
    {
        decoder.line(0, t, line);
    }
    let batch = decoder.take(Domain::Engine);
    assert_eq!(batch.num_rows(), 4, "the header, an empty row and a short row carry nothing");
    assert_eq!(floats(&batch, "fuel_temp_c"), [Some(20.5), None, None, None]);
    let counts = batch.column_by_name("fuel_count").expect("a column").as_primitive::<Int64Type>();
    assert_eq!(counts.iter().collect::<Vec<_>>(), [Some(10), Some(11), Some(12), None]);
    let [count, temp] = &decoder.channels()[..] else { panic!("two channels") };
    assert_eq!((count.samples, count.missing), (3, 1));
    assert_eq!((temp.samples, temp.missing, temp.out_of_range), (1, 1, 1));
}

/// The values behind NOAA's sentences are checked in `sentence`; here it is which of them go where.
#[test]
fn a_receiver_feeds_its_channels_from_the_sentences_that_carry_them() {
    let lines = [
        "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B",
        "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E",
        "$GPVTG,70.52,T,87.27,M,10.17,N,18.83,K,D*29",
        "$GPGGA,123519,,,,,0,00,,,M,,M,,*66",
        "$GPHDT,74.20,T*34",
    ];
    let text = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"gps\"\nkind = \"nmea\"\n";
    for (speed_from, speeds) in [
        ("rmc", vec![Some(0.26 * 1852.0 / 3600.0), None, None]),
        ("vtg", vec![None, None, Some(10.17 * 1852.0 / 3600.0), None]),
    ] {
        let mut decoder = Decoder::new(&rig(&format!("{text}speed_from = \"{speed_from}\"\n")), "s");
        for (t, line) in lines.iter().enumerate() {
            decoder.line(0, t as i64, line);
        }
        let batch = decoder.take(Domain::Motion);
        assert_eq!(floats(&batch, "gps_speed_m_s"), speeds);
        let quality = batch.column_by_name("gps_quality").expect("a column").as_primitive::<Int64Type>();
        assert_eq!(quality.iter().flatten().collect::<Vec<_>>(), [2, 0]);
        assert_eq!(floats(&batch, "alt_m").into_iter().flatten().collect::<Vec<_>>(), [9.2]);
        assert_eq!(decoder.channels().len(), 5);
        assert_eq!(decoder.channels()[1].missing, 1, "no position without a fix");
    }
}

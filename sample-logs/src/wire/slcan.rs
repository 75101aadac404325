//! Frames as a serial-line CAN adapter writes them.
//!
//! ```text
//! t III L DD…   [TTTT] CR     11-bit identifier: 3 hex digits, length, data bytes
//! T IIIIIIII L DD… [TTTT] CR  29-bit identifier: 8 hex digits
//! r / R                       the same without data: remote frame
//! TTTT                        the adapter's clock in ms, wraps to 0 at 60000
//! ```

/// The adapter's clock wraps here, ms.
pub const DEVICE_CLOCK_MS: u64 = 60_000;

/// A classic CAN frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// Identifier.
    pub id: u32,
    /// 29-bit identifier.
    pub extended: bool,
    /// Remote frame: a length, no data.
    pub remote: bool,
    /// Number of data bytes.
    pub length: u8,
    /// Data, of which the first `length` bytes count.
    pub data: [u8; 8],
}

const DIGITS: &[u8; 16] = b"0123456789ABCDEF";

fn hex(out: &mut Vec<u8>, value: u64, digits: u32) {
    for k in (0..digits).rev() {
        out.push(DIGITS[(value >> (4 * k) & 0xF) as usize]);
    }
}

/// Appends a frame's line with the adapter's time of `at_ms` since its start.
pub fn line(out: &mut Vec<u8>, frame: &Frame, at_ms: Option<u64>) {
    let kind = match (frame.extended, frame.remote) {
        (false, false) => b't',
        (true, false) => b'T',
        (false, true) => b'r',
        (true, true) => b'R',
    };
    out.push(kind);
    hex(out, u64::from(frame.id), if frame.extended { 8 } else { 3 });
    out.push(DIGITS[usize::from(frame.length)]);
    if !frame.remote {
        for byte in &frame.data[..usize::from(frame.length)] {
            out.extend([DIGITS[usize::from(byte >> 4)], DIGITS[usize::from(byte & 0xF)]]);
        }
    }
    if let Some(ms) = at_ms {
        hex(out, ms % DEVICE_CLOCK_MS, 4);
    }
    out.push(b'\r');
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(id: u32, extended: bool, remote: bool, data: &[u8], at_ms: Option<u64>) -> String {
        let mut frame = Frame { id, extended, remote, length: data.len() as u8, data: [0; 8] };
        frame.data[..data.len()].copy_from_slice(data);
        let mut out = Vec::new();
        line(&mut out, &frame, at_ms);
        String::from_utf8(out).expect("ascii")
    }

    /// Lines and their meaning from the comments of Linux drivers/net/can/slcan/slcan-core.c (read); the OBD
    /// answer 7E8 is made up in the same form.
    #[test]
    fn lines_are_those_of_the_kernel_driver() {
        assert_eq!(written(0x123, false, false, &[], None), "t1230\r");
        assert_eq!(written(0x456, false, false, &[0x11, 0x22, 0x33], None), "t4563112233\r");
        assert_eq!(written(0x12AB_CDEF, true, false, &[0xAA, 0x55], None), "T12ABCDEF2AA55\r");
        assert_eq!(written(0x123, false, true, &[], None), "r1230\r");
        let obd = [0x03, 0x41, 0x0D, 0x32, 0, 0, 0, 0];
        assert_eq!(written(0x7E8, false, false, &obd, Some(59_999)), "t7E8803410D3200000000EA5F\r");
        let eight = [0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88];
        assert_eq!(written(0x1111_2222, true, false, &eight, Some(59_999)), "T1111222281122334455667788EA5F\r");
    }

    #[test]
    fn the_adapters_clock_wraps_after_a_minute() {
        assert_eq!(written(0x123, false, false, &[], Some(60_001)), "t12300001\r");
    }
}

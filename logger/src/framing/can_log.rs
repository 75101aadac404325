//! Writes the log format that [`CandumpFramer`](super::CandumpFramer) reads, for CAN interfaces: there the kernel
//! hands over frames and no bytes, and these lines are what the journal keeps of them.

use std::fmt::Write as _;

use tallywheel_schemas::Timestamp;

use super::candump::ERROR_FLAG;
use crate::message::CanFrame;

/// The line of a frame, with its line end.
///
/// ```
/// use tallywheel_logger::{framing::log_line, message::CanFrame};
/// use tallywheel_schemas::Timestamp;
///
/// let frame = CanFrame::new(0x123, false).with_data(&[0xAA, 0xBB]);
/// assert_eq!(log_line(Timestamp::from_us(1_500_000), "can0", &frame), "(1.500000) can0 123#AABB\n");
/// ```
pub fn log_line(at: Timestamp, interface: &str, frame: &CanFrame) -> String {
    let mut text = head(at, interface);
    // Writing to a string does not fail.
    let _ = match frame.extended {
        true => write!(text, "{:08X}#", frame.id),
        false => write!(text, "{:03X}#", frame.id),
    };
    match frame.fd_flags {
        // A digit has room for the flags that the frame keeps: bit rate switch and error state.
        Some(flags) => {
            let _ = write!(text, "#{:X}", flags & 0xF);
        }
        None if frame.remote => {
            let _ = write!(text, "R{}", frame.dlc.min(8));
        }
        None => {}
    }
    push_hex(&mut text, frame.data());
    if frame.fd_flags.is_none() && !frame.remote && frame.dlc > 8 {
        let _ = write!(text, "_{:X}", frame.dlc & 0xF);
    }
    text.push_str(if frame.transmitted { " T\n" } else { "\n" });
    text
}

/// The line of a frame by which the kernel reports bus errors: their classes and eight bytes of detail.
pub fn log_error_line(at: Timestamp, interface: &str, classes: u32, detail: &[u8]) -> String {
    let mut text = head(at, interface);
    let _ = write!(text, "{:08X}#", ERROR_FLAG | (classes & 0x1FFF_FFFF));
    push_hex(&mut text, detail);
    text.push('\n');
    text
}

fn head(at: Timestamp, interface: &str) -> String {
    let (seconds, micros) = (at.as_us().div_euclid(1_000_000), at.as_us().rem_euclid(1_000_000));
    format!("({seconds}.{micros:06}) {interface} ")
}

fn push_hex(text: &mut String, bytes: &[u8]) {
    for byte in bytes {
        let _ = write!(text, "{byte:02X}");
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{
        framing::{CandumpFramer, End},
        message::{FD_LENGTHS, Message},
    };

    fn read(line: &str) -> (Option<i64>, Message) {
        let mut framer = CandumpFramer::new();
        framer.received(line.as_bytes());
        framer.finish(End::Cut);
        let logged = framer.next().expect("a line");
        assert_eq!(framer.next(), None);
        (logged.stamp_us, logged.framed.message)
    }

    /// Source of the forms: the log format as documented with the socketcan crate (dump.rs, read).
    #[test]
    fn lines_are_written_as_documented() {
        let at = Timestamp::from_us(1_735_270_496_916_858);
        let line = |frame: CanFrame| log_line(at, "can0", &frame);
        let bytes = [0, 0x11, 0x22, 0x33];
        assert_eq!(line(CanFrame::new(0x110, false).with_data(&bytes)), "(1735270496.916858) can0 110#00112233\n");
        let mut remote = CanFrame::new(0x110, false);
        (remote.remote, remote.dlc) = (true, 4);
        assert_eq!(line(remote), "(1735270496.916858) can0 110#R4\n");
        let data: Vec<u8> = (0..12).map(|i| i * 0x11).collect();
        let mut fd = CanFrame::new(0x120, false).with_data(&data);
        fd.fd_flags = Some(5);
        assert_eq!(line(fd), "(1735270496.916858) can0 120##500112233445566778899AABB\n");
        let detail = [0, 0x0C, 0, 0, 0, 0, 0, 0];
        assert_eq!(
            log_error_line(Timestamp::from_us(1_785_099_856_242_430), "can1", 4, &detail),
            "(1785099856.242430) can1 20000004#000C000000000000\n"
        );
    }

    fn frame() -> impl Strategy<Value = CanFrame> {
        let data = prop_oneof![
            (0..9_usize).prop_flat_map(|n| proptest::collection::vec(any::<u8>(), n)).prop_map(|data| (data, None)),
            (0..16_usize, 0..4_u8).prop_flat_map(|(code, flags)| {
                let length = usize::from(FD_LENGTHS[code]);
                proptest::collection::vec(any::<u8>(), length).prop_map(move |data| (data, Some(flags)))
            }),
        ];
        (0..0x2000_0000_u32, any::<bool>(), data, any::<bool>(), 0..16_u8).prop_map(
            |(id, extended, (data, fd_flags), remote, dlc)| {
                let mut frame = CanFrame::new(if extended { id } else { id & 0x7FF }, extended).with_data(&data);
                frame.fd_flags = fd_flags;
                if remote && fd_flags.is_none() {
                    frame = CanFrame::new(frame.id, extended);
                    (frame.remote, frame.dlc) = (true, dlc.min(8));
                } else if fd_flags.is_none() && data.len() == 8 {
                    frame.dlc = dlc.max(8);
                }
                frame
            },
        )
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(frame in frame(), us in 0..4_000_000_000_000_000_i64, transmitted: bool) {
            let mut frame = frame;
            frame.transmitted = transmitted;
            let line = log_line(Timestamp::from_us(us), "vcan-long_name", &frame);
            prop_assert_eq!(read(&line), (Some(us), Message::Frame(frame)));
        }
    }
}

//! Messages longer than a CAN frame, by ISO 15765-2: taken apart ([`Segmenter`]) and put together ([`Reassembly`]).
//!
//! Both are pure: frames and time stamps in, frames and messages out. Normal addressing, so that the identifier says who
//! speaks to whom and every data byte belongs to the protocol.
//!
//! ```text
//! 0L dd…                  single frame, L = 1 to 7 bytes
//! 00 LL dd…               single frame of CAN FD, more than 8 bytes
//! 1L LL dd…               first frame, 12 bits of length
//! 10 00 LL LL LL LL dd…   first frame of a message longer than 4095 bytes
//! 2N dd…                  consecutive frame, N counts 1 to 15, 0, 1, …
//! 3S BS ST                flow control: S 0 go on, 1 wait, 2 overflow; block size; separation time
//! ```
//!
//! ```
//! use tallywheel_logger::isotp::{Outcome, Reassembly};
//! use tallywheel_schemas::Timestamp;
//!
//! let mut ecu = Reassembly::default();
//! let step = ecu.frame(Timestamp::from_us(0), &[0x03, 0x41, 0x0D, 0x32, 0, 0, 0, 0]);
//! assert_eq!(step.outcome, Some(Outcome::Message(vec![0x41, 0x0D, 0x32])));
//! ```

mod reassembly;
mod segmenter;
#[cfg(test)]
mod tests;

pub use reassembly::{Fault, FaultCounts, Outcome, Reassembly, Step};
pub use segmenter::{SegmentError, Segmenter};

/// What fills frames up to eight bytes, as ISO 15765-4 asks. Its alternating bits need no stuff bits.
pub const PADDING: u8 = 0x55;
/// Longest message with a 12-bit length, bytes.
pub const LONGEST: usize = 4095;
/// Wait for the next consecutive frame (N_Cr) or for flow control (N_Bs), µs.
pub const TIMEOUT_US: i64 = 1_000_000;

/// A frame of eight bytes, filled up.
pub fn padded(data: &[u8]) -> [u8; 8] {
    let mut frame = [PADDING; 8];
    for (to, from) in frame.iter_mut().zip(data) {
        *to = *from;
    }
    frame
}

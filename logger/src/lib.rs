//! x
pub mod framing;
pub mod message;

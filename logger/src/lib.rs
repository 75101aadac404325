//! x
pub mod decode;
pub mod framing;
pub mod journal;
pub mod message;

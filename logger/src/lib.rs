//! x
pub mod decode;
mod durable;
pub mod framing;
pub mod import;
pub mod journal;
pub mod message;
pub mod seal;
pub mod session;

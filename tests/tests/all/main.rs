//! Tests that cross the crates, one module a subject.

mod bad_input;
mod campaign;
mod crash;
mod public_data;
mod python_peers;

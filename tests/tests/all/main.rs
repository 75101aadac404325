//! Tests that cross the crates, one module a subject.

mod bad_input;
mod campaign;
mod crash;
mod live_page;
mod modbus_peer;
mod integrity;
mod obd;
mod public_data;
mod python_peers;
mod simulated;
mod view;
mod database_peer;
mod fuzz_corpus;
mod public_data;
mod python_peers;
mod wire_peers;

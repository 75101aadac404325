//! Tests that cross the crates, one module a subject.

mod bad_input;
mod campaign;
mod crash;
mod database_peer;
mod fuzz_corpus;
mod gather;
mod integrity;
mod live_page;
mod logger_bench;
mod modbus_peer;
mod obd;
mod public_data;
mod python_peers;
mod rollup_engines;
mod simulated;
mod view;
mod wire_peers;

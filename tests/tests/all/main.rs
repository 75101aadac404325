//! Tests that cross the crates, one module a subject.

mod account;
mod audit;
mod bad_input;
mod campaign;
mod crash;
mod database_peer;
mod fuzz_corpus;
mod integrity;
mod live_page;
mod logger_bench;
mod modbus_peer;
mod obd;
mod public_data;
mod python_peers;
mod recorded;
mod simulated;
mod statistics;
mod verdict_calibration;
mod terminal;
mod view;
mod wire_peers;

//! Tests that cross the crates, one module a subject.

mod account;
mod audit;
mod bad_input;
mod campaign;
mod check_ports;
mod crash;
mod database_peer;
mod device_server;
mod fuzz_corpus;
mod integrity;
mod live_page;
mod live_recorded;
mod logger_bench;
mod modbus_peer;
mod modbus_recorded;
mod obd;
mod obd_recorded;
mod public_data;
mod python_peers;
mod simulated;
mod statistics;
mod status_and_corrections;
mod terminal;
mod verdict_calibration;
mod view;
mod wire_peers;

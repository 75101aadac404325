//! What the instruments put on their wires, byte for byte. These encoders are the simulator's own: nothing here
//! is shared with what reads the bytes, so a mistake on one side cannot cancel against the other.

pub mod fuel_box;
pub mod kit_bus;
pub mod message;
pub mod nmea;
pub mod slcan;
pub mod vehicle_bus;

//! Were the runs driven alike? What a comparison rests on beside the fuel.

pub mod standardised;

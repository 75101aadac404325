//! What SAE J1939 fixes about identifiers (J1939-21) and about raw values that are no values (J1939-71).
//!
//! ```text
//! 29-bit identifier   priority 3 | EDP 1 | DP 1 | PF 8 | PS 8 | source address 8
//! PF < 240 (PDU1)     PS is the destination: group = DP, PF, 00
//! PF >= 240 (PDU2)    PS belongs to the group: group = DP, PF, PS
//! ```

/// Largest parameter group number: 18 bits.
pub const PGN_MAX: u32 = 0x3_FFFF;
/// Largest message that the transport protocol carries, bytes: 255 packets of 7.
pub const TRANSPORT_MAX: usize = 255 * 7;

/// The parameter group of a 29-bit identifier, whoever sends it, with whatever priority, to whomever.
///
/// ```
/// use tallywheel_schemas::j1939::pgn_of;
/// assert_eq!(pgn_of(0x18FE_F200), 65266);
/// assert_eq!(pgn_of(0x18EA_FF21), pgn_of(0x18EA_0017));
/// ```
pub const fn pgn_of(id: u32) -> u32 {
    let pages = (id >> 8) & 0x3_0000;
    let format = (id >> 16) & 0xFF;
    if format < 240 { pages | format << 8 } else { pages | format << 8 | (id >> 8) & 0xFF }
}

/// The address of the sender in a 29-bit identifier.
pub const fn source_address_of(id: u32) -> u8 {
    (id & 0xFF) as u8
}

/// The destination of a 29-bit identifier; 255 is everybody, as every PDU2 message is.
pub const fn destination_of(id: u32) -> u8 {
    if (id >> 16) & 0xFF < 240 { ((id >> 8) & 0xFF) as u8 } else { 255 }
}

/// Whether a number can be a parameter group: 18 bits, and for PF < 240 the last byte, which would be the destination,
/// is 0.
pub const fn is_pgn(pgn: u32) -> bool {
    pgn <= PGN_MAX && ((pgn >> 8) & 0xFF >= 240 || pgn & 0xFF == 0)
}

/// Whether a raw unsigned value of so many bits says "error", "not available" or anything else that is no value.
///
/// Whole bytes, one to four: the top byte is at most 0xFA in a value; 0xFE is an error, 0xFF not available, between
/// are codes of the parameter or reserved. Two bits: 0b10 is an error, 0b11 not available. No rule for other lengths.
///
/// Source: SAE J1939-71, from memory (0xFF in a 1-byte field = not available, 0xFE = error; 2-byte: valid to 0xFAFF).
pub const fn is_no_value(raw: u64, length: u16) -> bool {
    match length {
        2 => raw >= 0b10,
        8 | 16 | 24 | 32 => raw >> (length - 8) > 0xFA,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: SAE J1939-21 (memory); PGN 65266 "Fuel Economy (Liquid) LFE 100 ms" read in a PGN list, 61444 in a
    /// device manual.
    #[test]
    fn groups_follow_from_identifiers() {
        assert_eq!(pgn_of(0x18FE_F200), 65266);
        assert_eq!(pgn_of(0x18FE_F100), 65265);
        assert_eq!(pgn_of(0x0CF0_0400), 61444);
        assert_eq!(pgn_of(0x0CF0_0427), 61444, "another sender");
        assert_eq!(pgn_of(0x18F0_0400), 61444, "another priority");
        assert_eq!(pgn_of(0x18EA_FF00), 0xEA00, "the destination is no part of a PDU1 group");
        assert_eq!(pgn_of(0x19FE_F200), 0x1_FEF2, "data page 1");
        assert_eq!((source_address_of(0x18FE_F221), destination_of(0x18FE_F221)), (0x21, 255));
        assert_eq!(destination_of(0x18EA_0321), 3);
    }

    #[test]
    fn a_pdu1_group_ends_in_a_zero_byte() {
        assert!(is_pgn(61444) && is_pgn(0xEA00) && is_pgn(0x1_FEF2));
        assert!(!is_pgn(0xEA21) && !is_pgn(0x4_0000));
    }

    #[test]
    fn error_and_not_available_ranges_are_no_values() {
        let cases = [
            (0xFA, 8, false),
            (0xFB, 8, true),
            (0xFE, 8, true),
            (0xFF, 8, true),
            (0xFAFF, 16, false),
            (0xFB00, 16, true),
            (0xFE12, 16, true),
            (0xFFFF, 16, true),
            (0xFAFF_FFFF, 32, false),
            (0xFE00_0000, 32, true),
            (0b01, 2, false),
            (0b10, 2, true),
            (0b11, 2, true),
            (1, 1, false),
            (0xFFF, 12, false),
        ];
        for (raw, length, expected) in cases {
            assert_eq!(is_no_value(raw, length), expected, "0x{raw:X} of {length} bits");
        }
    }
}

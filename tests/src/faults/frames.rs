//! Numbered frames: what an adapter speaks so that a loss, a repetition or an invention can be told afterwards.

/// Identifier of the frames.
pub const ID: u32 = 0x310;

/// A frame's line as an adapter writes it: the number, then a word that only this number has.
pub fn line(number: u32, device_ms: Option<u16>) -> String {
    // The digits of the bytes in turn are those of the word with its bytes swapped.
    let word = (u64::from(proof(number)) << 32 | u64::from(number)).swap_bytes();
    match device_ms {
        Some(ms) => format!("t{ID:03X}8{word:016X}{ms:04X}\r"),
        None => format!("t{ID:03X}8{word:016X}\r"),
    }
}

/// The number in a frame's data; `None` when these data were never sent by [`fn@line`].
pub fn number(data: &[u8]) -> Option<u32> {
    let word = u64::from_le_bytes(data.try_into().ok()?);
    let (number, told) = (word as u32, (word >> 32) as u32);
    (told == proof(number)).then_some(number)
}

/// Scatters numbers over all words, so that no damaged frame passes for another one.
fn proof(number: u32) -> u32 {
    number.wrapping_mul(0x9E37_79B1) ^ 0x5AC3_96E7
}

/// The number in a line as it stands in a stream, without its end.
pub fn number_in_line(line: &[u8]) -> Option<u32> {
    let digits = line.strip_prefix(format!("t{ID:03X}8").as_bytes())?.get(..16)?;
    let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
    let data: Option<Vec<u8>> = digits.chunks(2).map(byte).collect();
    number(&data?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_comes_back_and_a_damaged_one_does_not() {
        for (n, ms) in [(0, None), (1, Some(59_999)), (u32::MAX, Some(0))] {
            let text = line(n, ms);
            assert_eq!(number_in_line(text.trim_end().as_bytes()), Some(n), "{text}");
        }
        let damaged = line(7, None).replacen('0', "1", 1);
        assert_eq!(number_in_line(damaged.trim_end().as_bytes()), None);
        assert_eq!(number(&[0; 8]), None);
    }
}
